"""What would make an hour go, and how sites compare over a span of hours. No words."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum
from math import prod
from statistics import median
from typing import Protocol
from zoneinfo import ZoneInfo

from windowwatch.scoring.plan import ScoringPlan
from windowwatch.scoring.values import Check, Hour, Refusal, Site, Verdict
from windowwatch.scoring.verdict import worst_first


class WantedKind(StrEnum):
    """What stands between an hour and `go`."""

    MARGIN = "margin"  #: a check by its margin
    KNOWN = "known"  #: a check that could be answered
    REACHED = "reached"  #: landings that a crew gets to
    LANDINGS = "landings"  #: flights with a landing
    SCORE = "score"
    CHANCE = "chance"


@dataclass(frozen=True)
class Wanted:
    """One thing that stands between an hour and `go`.

    Parameters
    ----------
    kind : WantedKind
    check : Check or None
        The one that stands in the way.
    refused : Refusal or None
        What flights were lost to, for `LANDINGS`.
    have, needed : float or None
        Score [0-100] or chance [1] as it is and as it must be.
    """

    kind: WantedKind
    check: Check | None = None
    refused: Refusal | None = None
    have: float | None = None
    needed: float | None = None


def what_is_wanted(hour: Hour, plan: ScoringPlan) -> tuple[Wanted, ...]:
    """What stands between an hour and `go`, the worst first; empty when it is `go`.

    Parameters
    ----------
    hour : Hour
    plan : ScoringPlan
        The one it was scored by.
    """
    if hour.verdict is Verdict.GO:
        return ()
    wanted = [
        _wanted(check)
        for check in worst_first(hour.checks, plan)
        if check.verdict in {Verdict.NO_GO, Verdict.UNKNOWN}
    ]
    if hour.refused is not None and not any(c.verdict is Verdict.UNKNOWN for c in hour.checks):
        wanted.append(Wanted(WantedKind.LANDINGS, refused=hour.refused))
    if hour.score is not None and not wanted and hour.score < plan.go_score:
        wanted.append(Wanted(WantedKind.SCORE, have=hour.score, needed=plan.go_score))
    if hour.chance is not None and hour.chance < plan.go_chance and not wanted:
        wanted.append(Wanted(WantedKind.CHANCE, have=hour.chance, needed=plan.go_chance))
    return tuple(wanted)


def _wanted(check: Check) -> Wanted:
    if check.margin is not None:
        return Wanted(WantedKind.MARGIN, check)
    unknown = check.verdict is Verdict.UNKNOWN
    return Wanted(WantedKind.KNOWN if unknown else WantedKind.REACHED, check)


class Run(Protocol):
    """A window, as far as comparing sites goes: `windows.values.Window` above all."""

    @property
    def site(self) -> str:
        """Name of its site."""
        ...

    @property
    def start_utc(self) -> datetime:
        """Its first launch hour."""
        ...

    @property
    def end_utc(self) -> datetime:
        """Its last one plus a step."""
        ...


@dataclass(frozen=True)
class SiteSummary:
    """A site over all its hours.

    Attributes
    ----------
    best : tuple of Hour
        The best hour of each local day that has one better than `no-go`, in order.
    go_hours, caution_hours, unknown_hours : int
    chance_any : float or None
        Chance that at least one of the `best` hours is go, as if days were independent;
        they are not quite, so it is a little too high. None when no chance is known. [1]
    drift_km, road_km : float or None
        Medians over the `best` hours.
    in_the_way : str or None
        Name of the check that most often is the worst by day when the hour is not go.
    go_days : int
        Local days whose best hour is `go`.
    walk_min, crew_min : float or None
        Medians over the `best` hours of what 90 % of flights keep to: walk from the road, and
        how long after the landing (before: negative) the crew is at that road. [min]
    window_count, window_h, longest_window_h : int, float, float
        How many windows were given, how long they are together, and the longest one. [h]
    """

    site: str
    best: tuple[Hour, ...]
    go_hours: int
    caution_hours: int
    unknown_hours: int
    chance_any: float | None
    drift_km: float | None
    road_km: float | None
    in_the_way: str | None
    go_days: int
    walk_min: float | None = None
    crew_min: float | None = None
    window_count: int = 0
    window_h: float = 0.0
    longest_window_h: float = 0.0


def compare_sites(
    sites: Sequence[Site], hours: Sequence[Hour], plan: ScoringPlan, windows: Sequence[Run] = ()
) -> tuple[SiteSummary, ...]:
    """Sites ranked: most chance of any go hour first, then most go hours, then best score.

    Parameters
    ----------
    sites : sequence of Site
    hours : sequence of Hour
        Of all sites.
    plan : ScoringPlan
    windows : sequence of Run, optional
        To be counted and measured; those that count are for the caller to choose.
    """
    summaries = [
        _summary(
            site,
            [hour for hour in hours if hour.site == site.name],
            plan,
            [window for window in windows if window.site == site.name],
        )
        for site in sites
    ]

    def rank(summary: SiteSummary) -> tuple[float, int, float]:
        scores = [hour.score or 0.0 for hour in summary.best]
        return -(summary.chance_any or 0.0), -summary.go_hours, -max(scores, default=0.0)

    return tuple(sorted(summaries, key=rank))


def _summary(
    site: Site, hours: Sequence[Hour], plan: ScoringPlan, windows: Sequence[Run]
) -> SiteSummary:
    count = Counter(hour.verdict for hour in hours)
    best = tuple(_best_of_days(site, hours).values())
    chances = [hour.chance for hour in best if hour.chance is not None]
    chance_any = 1.0 - prod(1.0 - chance for chance in chances) if chances else None
    lengths = [(w.end_utc - w.start_utc).total_seconds() / 3600.0 for w in windows]
    return SiteSummary(
        site=site.name,
        best=best,
        go_hours=count[Verdict.GO],
        caution_hours=count[Verdict.CAUTION],
        unknown_hours=count[Verdict.UNKNOWN],
        chance_any=chance_any,
        drift_km=_median([hour.drift_km for hour in best]),
        road_km=_median([hour.road_km for hour in best]),
        in_the_way=_in_the_way(hours, plan),
        go_days=sum(hour.verdict is Verdict.GO for hour in best),
        walk_min=_median([_value(hour, "walk") for hour in best]),
        crew_min=_median([_value(hour, "crew") for hour in best]),
        window_count=len(windows),
        window_h=sum(lengths),
        longest_window_h=max(lengths, default=0.0),
    )


def _value(hour: Hour, name: str) -> float | None:
    """Value of one of an hour's checks."""
    return next((check.value for check in hour.checks if check.name == name), None)


def _best_of_days(site: Site, hours: Sequence[Hour]) -> Mapping[date, Hour]:
    """Best hour of each local day, by verdict and then by score; days without one left out."""
    zone = ZoneInfo(site.time_zone)
    best: dict[date, Hour] = {}
    for hour in sorted(hours, key=lambda each: each.time_utc):
        if hour.verdict not in {Verdict.GO, Verdict.CAUTION}:
            continue
        day = hour.time_utc.astimezone(zone).date()
        if day not in best or _merit(hour) > _merit(best[day]):
            best[day] = hour
    return best


def _merit(hour: Hour) -> tuple[bool, bool, float]:
    """What makes an hour the best of its day: go, then any chance at all, then the score."""
    return hour.verdict is Verdict.GO, bool(hour.chance), hour.score or 0.0


def _in_the_way(hours: Sequence[Hour], plan: ScoringPlan) -> str | None:
    """The commonest worst check of hours that are not go; hours vetoed by night left out."""
    counts: Counter[str] = Counter()
    for hour in hours:
        dark = any(c.name == "daylight" and c.verdict is Verdict.NO_GO for c in hour.checks)
        if hour.verdict is not Verdict.GO and not dark and hour.checks:
            counts[worst_first(hour.checks, plan)[0].name] += 1
    return counts.most_common(1)[0][0] if counts else None


def _median(values: Sequence[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return float(median(known)) if known else None
