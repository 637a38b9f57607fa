"""How sites compare over launches and hours still to come: counts, chances, medians. Pure."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from math import prod
from statistics import median
from zoneinfo import ZoneInfo

from windowwatch.scoring.plan import ScoringPlan
from windowwatch.scoring.values import Hour, Site, Verdict
from windowwatch.scoring.verdict import worst_first
from windowwatch.windows.standing import Launch, Week
from windowwatch.windows.window import better_first

_HOUR = timedelta(hours=1)


@dataclass(frozen=True)
class Head:
    """The hour that heads a local day: always one of a window.

    Parameters
    ----------
    hour : Hour
        The planned hour of the day's best window; where that lies on another day, the window's
        best hour of this one.
    launch : Launch
        Of its window.
    """

    hour: Hour
    launch: Launch

    @property
    def planned(self) -> bool:
        """Whether it is the hour that its window is planned on."""
        return self.hour.time_utc == self.launch.time_utc


@dataclass(frozen=True)
class SiteSummary:
    """A site over its hours still to come.

    Attributes
    ----------
    heads : tuple of Head
        One for each local day that has a window, in order.
    go_hours, caution_hours : int
        Of its windows; hours that stand alone are not among them.
    alone_hours : int
        Hours that are go or caution and lie in no window that can be used.
    unknown_hours : int
    chance_any : float or None
        Chance that at least one of the `heads` is go, as if days were independent; they are not
        quite, so it is a little too high. None when no chance is known. [1]
    drift_km, road_km : float or None
        Medians over the `heads`.
    in_the_way : str or None
        Name of the check that most often is the worst by day when the hour is not go.
    go_days : int
        Local days whose head is `go`.
    walk_min, crew_min : float or None
        Medians over the `heads` of what 90 % of flights keep to: walk from the road, and how
        long after the landing (before: negative) the crew is at that road. [min]
    window_count, window_h, longest_window_h : int, float, float
        How many windows can be used, how long they are together, and the longest one. [h]
    alone : Hour or None
        Of a site without any window, its best hour that is go or caution: it opens none.
    """

    site: str
    heads: tuple[Head, ...]
    go_hours: int
    caution_hours: int
    alone_hours: int
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
    alone: Hour | None = None

    @property
    def best(self) -> tuple[Hour, ...]:
        """The hour that heads each day."""
        return tuple(head.hour for head in self.heads)


def compare_sites(week: Week, sites: Sequence[Site], plan: ScoringPlan) -> tuple[SiteSummary, ...]:
    """Sites in the order of their best launch; those without one stand behind.

    Parameters
    ----------
    week : Week
    sites : sequence of Site
    plan : ScoringPlan
        By which the hours were scored.
    """
    by_name = {site.name: site for site in sites}
    return tuple(_summary(by_name[name], week, plan) for name in week.in_order(list(by_name)))


def _summary(site: Site, week: Week, plan: ScoringPlan) -> SiteSummary:
    hours, launches = week.coming(site.name), week.at_site(site.name)
    inside = [hour for hour in hours if week.standing(hour).counts]
    fine = [hour for hour in hours if hour.verdict in (Verdict.GO, Verdict.CAUTION)]
    heads = tuple(head for _, head in sorted(_heads(site, inside, launches).items()))
    best = [head.hour for head in heads]
    chances = [hour.chance for hour in best if hour.chance is not None]
    lengths = [(e.window.end_utc - e.window.start_utc) / _HOUR for e in launches]
    count = Counter(hour.verdict for hour in inside)
    return SiteSummary(
        site=site.name,
        heads=heads,
        go_hours=count[Verdict.GO],
        caution_hours=count[Verdict.CAUTION],
        alone_hours=len(fine) - len(inside),
        unknown_hours=sum(hour.verdict is Verdict.UNKNOWN for hour in hours),
        chance_any=1.0 - prod(1.0 - chance for chance in chances) if chances else None,
        drift_km=_median([hour.drift_km for hour in best]),
        road_km=_median([hour.road_km for hour in best]),
        in_the_way=_in_the_way(hours, plan),
        go_days=sum(hour.verdict is Verdict.GO for hour in best),
        walk_min=_median([_value(hour, "walk") for hour in best]),
        crew_min=_median([_value(hour, "crew") for hour in best]),
        window_count=len(launches),
        window_h=sum(lengths),
        longest_window_h=max(lengths, default=0.0),
        alone=None if launches else min(fine, key=_single_first, default=None),
    )


def _heads(site: Site, inside: Sequence[Hour], launches: Sequence[Launch]) -> Mapping[date, Head]:
    """The hour that heads each local day; days without a window are left out."""
    zone = ZoneInfo(site.time_zone)
    heads: dict[date, Head] = {}
    for launch in launches:  # the best first
        if launch.hour is not None:
            day = launch.time_utc.astimezone(zone).date()
            heads.setdefault(day, Head(launch.hour, launch))
    for launch in launches:
        window = launch.window
        here = [h for h in inside if window.start_utc <= h.time_utc < window.end_utc]
        for hour in sorted(here, key=better_first):
            heads.setdefault(hour.time_utc.astimezone(zone).date(), Head(hour, launch))
    return heads


def _single_first(hour: Hour) -> tuple[bool, tuple[float, float, float]]:
    """Sorts hours that stand alone: go first, then as in a window."""
    return hour.verdict is not Verdict.GO, better_first(hour)


def _value(hour: Hour, name: str) -> float | None:
    """Value of one of an hour's checks."""
    return next((check.value for check in hour.checks if check.name == name), None)


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
