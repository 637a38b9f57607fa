"""The usual chance of a launch hour, from a survey: what forecasts must do better than. Pure.

Named rules
-----------
the same quantity
    A forecast's chance is the share of flights in which the whole hour is go. What is usual of it
    is the mean of that very chance over a survey's launch hours of the month and local hour, 0 in
    the dark. The share of hours that would open a window is another thing: it asks for a score and
    a chance above bounds.
like with like
    A survey that asked another limit, other rules of scoring, another flight train, or that took
    airspace as closed which is not always closed, tells the chance of something else: it is
    refused, and what differs is named.
laxer
    A survey leaves out what its archive cannot answer. Its chances are then too high, and a
    forecast would look good for that alone. They are taken times a factor from 0 to 1, the one
    that fits what came best, so that they are as hard to beat as they can be made: were the checks
    that are left out passed independently of the others, it would be the share that passes them.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from windowwatch.physics.train import FlightTrain
from windowwatch.scoring.limits import LIMITS, Limit
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.scoring.values import Site
from windowwatch.units import FloatArray

IntArray = NDArray[np.int64]

#: A month and hour with fewer surveyed launch hours has no usual chance. Judgement: as few days.
FEWEST_HOURS = 20
#: A site that was surveyed so far from where it is now is another one. [deg], [m]
_SAME_PLACE_DEG, _SAME_HEIGHT_M = 0.01, 50.0
#: What a plan says that no flight's chance hangs on.
_NOT_OF_CHANCE = frozenset({
    "limits", "weights", "part_weights", "quantile", "clearance", "notice_h", "applied",
    "judge_with_gaps", "min_flights", "max_lost_share", "go_score", "caution_score", "go_chance",
})  # fmt: skip


@dataclass(frozen=True)
class Local:
    """When launch hours are by the site's own clock, arrays [N]."""

    day: IntArray  #: days since 1970-01-01
    year: IntArray
    month: IntArray  #: 0 to 11
    hour: IntArray


def local_times(time_unix_s: IntArray, time_zone: str) -> Local:
    """Times by the clock of a zone."""
    zone, offsets = ZoneInfo(time_zone), np.empty(time_unix_s.size, dtype=np.int64)
    for number, each in enumerate(time_unix_s.tolist()):
        away = datetime.fromtimestamp(each, zone).utcoffset()
        offsets[number] = 0 if away is None else int(away.total_seconds())
    local = time_unix_s + offsets
    day = local // 86_400
    months = day.astype("datetime64[D]").astype("datetime64[M]").astype(np.int64)
    return Local(day, 1970 + months // 12, months % 12, (local % 86_400) // 3600)


@dataclass(frozen=True)
class SiteClimate:
    """The usual chance at a site.

    Attributes
    ----------
    site : Site
        As it was surveyed.
    chance : tuple [12][24] of float or None
        By month and local hour; None where no launch hour is known. [1]
    hours : tuple [12][24] of int
        How many launch hours it is the mean of.
    """

    site: Site
    chance: tuple[tuple[float | None, ...], ...]
    hours: tuple[tuple[int, ...], ...]


@dataclass(frozen=True)
class Climatology:
    """What a survey of years tells of chances, and what its chances hang on.

    Attributes
    ----------
    weather : str
        Of which archive.
    first_year, last_year : int
    sites : tuple of SiteClimate
    asked : tuple of (str, Limit)
        Checks that speak in its chances.
    settings : tuple of (str, str)
        What else they hang on, by the name of its key: flight train, and rules of scoring.
    always_closed : tuple of str
        Airspace that it took as closed at all times, because that has dates of its own.
    """

    weather: str
    first_year: int
    last_year: int
    sites: tuple[SiteClimate, ...]
    asked: tuple[tuple[str, Limit], ...]
    settings: tuple[tuple[str, str], ...]
    always_closed: tuple[str, ...] = ()


def site_climate(site: Site, time_unix_s: IntArray, chance: FloatArray) -> SiteClimate:
    """The usual chance at a site.

    Parameters
    ----------
    site : Site
    time_unix_s : int64 array [N]
        Launch hours. [s]
    chance : array [N]
        0 in the dark; NaN where nothing is known. [1]
    """
    local, known = local_times(time_unix_s, site.time_zone), np.isfinite(chance)
    cell = (local.month * 24 + local.hour)[known]
    hours = np.bincount(cell, minlength=288).reshape(12, 24)
    total = np.bincount(cell, weights=chance[known], minlength=288).reshape(12, 24)
    return SiteClimate(
        site,
        tuple(
            tuple(t / n if n else None for t, n in zip(*row, strict=True))
            for row in zip(total.tolist(), hours.tolist(), strict=True)
        ),
        tuple(map(tuple, hours.tolist())),
    )


def asked_in_chance(plan: ScoringPlan) -> tuple[tuple[str, Limit], ...]:
    """Checks of a plan that speak in a chance, with their limits."""
    idle = {"clearance"} if plan.clearance is None else set()
    return tuple(
        (name, limit)
        for name, limit in sorted(plan.limits.items())
        if LIMITS[name].in_chance and name not in idle
    )


def chance_settings(plan: ScoringPlan, train: FlightTrain) -> tuple[tuple[str, str], ...]:
    """What else chances hang on, as words to compare, by their keys."""
    found = [(f"[train] {name}", _word(value)) for name, value in vars(train).items()]
    found += [
        (f"[scoring] {name}", _word(value))
        for name, value in vars(plan).items()
        if name not in _NOT_OF_CHANCE
    ]
    return tuple(sorted(found))


def _word(value: Any) -> str:
    if isinstance(value, frozenset | set):
        return ", ".join(sorted(map(str, value)))
    return f"{value:g}" if isinstance(value, float) else str(value)


class Unlike(StrEnum):
    """In what a survey differs from the watch, so that its chances are of something else."""

    LIMIT = "limit"  #: a check has another limit
    ASKED = "asked"  #: it asked a check that the watch does not ask
    SETTING = "setting"  #: flight train, or rules of scoring
    AIRSPACE = "airspace"  #: taken as closed at all times


@dataclass(frozen=True)
class Difference:
    """One thing in which a survey differs: what it had, and what the watch has."""

    kind: Unlike
    name: str
    there: str = ""
    here: str = ""


@dataclass(frozen=True)
class Against:
    """Which survey chances are held against, or why they are not.

    Attributes
    ----------
    weather, first_year, last_year
        As of `Climatology`.
    left_out : tuple of str
        Checks of the watch that it could not ask: its chances are taken times a factor.
    unlike : tuple of Difference
        Not empty: it is no measure of these forecasts, and not used.
    no_site, moved : tuple of str
        Sites that it does not have, and that it has elsewhere.
    hours, uncovered : int
        Launch hours that it tells a chance of, and of whose month and local hour it knows too
        little.
    """

    weather: str
    first_year: int
    last_year: int
    left_out: tuple[str, ...] = ()
    unlike: tuple[Difference, ...] = ()
    no_site: tuple[str, ...] = ()
    moved: tuple[str, ...] = ()
    hours: int = 0
    uncovered: int = 0


class Reference:
    """A survey as the measure of a watch's forecasts.

    Parameters
    ----------
    climatology : Climatology
    plan, train, sites
        Of the watch.
    """

    def __init__(
        self, climatology: Climatology, plan: ScoringPlan, train: FlightTrain, sites: Iterable[Site]
    ) -> None:
        surveyed = {each.site.name: each for each in climatology.sites}
        here = {site.name: site for site in sites}
        moved = {n for n, site in here.items() if n in surveyed and not _same(site, surveyed[n])}
        asked, wanted = dict(climatology.asked), dict(asked_in_chance(plan))
        unlike = (
            *_other_limits(asked, wanted),
            *_other_settings(dict(climatology.settings), dict(chance_settings(plan, train))),
            *(Difference(Unlike.AIRSPACE, name) for name in climatology.always_closed
              if "airspace" in wanted),
        )  # fmt: skip
        self.against = Against(
            climatology.weather,
            climatology.first_year,
            climatology.last_year,
            tuple(name for name in wanted if name not in asked),
            unlike,
            tuple(name for name in here if name not in surveyed),
            tuple(name for name in here if name in moved),
        )
        self._usable = {} if unlike else {n: s for n, s in surveyed.items() if n not in moved}

    @property
    def laxer(self) -> bool:
        """Whether it could not ask all that the watch asks."""
        return bool(self.against.left_out)

    def knows(self, site: str) -> bool:
        """Whether it tells anything of a site."""
        return site in self._usable

    def usual(
        self, sites: Sequence[str], site: NDArray[np.intp], time_unix_s: FloatArray
    ) -> FloatArray:
        """The usual chance of launch hours [P]; NaN where it tells none. [1]

        Parameters
        ----------
        sites : sequence of str
        site : int array [P]
            Into `sites`.
        time_unix_s : array [P]
        """
        found = np.full(time_unix_s.size, np.nan)
        for number, name in enumerate(sites):
            if name in self._usable:
                rows = np.flatnonzero(site == number)
                found[rows] = _looked_up(self._usable[name], time_unix_s[rows])
        return found


def _looked_up(climate: SiteClimate, time_unix_s: FloatArray) -> FloatArray:
    table = np.array(climate.chance, dtype=np.float64)  # None becomes NaN
    table[np.array(climate.hours) < FEWEST_HOURS] = np.nan
    local = local_times(np.round(time_unix_s).astype(np.int64), climate.site.time_zone)
    return np.asarray(table[local.month, local.hour])


def _same(site: Site, there: SiteClimate) -> bool:
    east = abs(site.longitude_deg - there.site.longitude_deg)
    return (
        abs(site.latitude_deg - there.site.latitude_deg) <= _SAME_PLACE_DEG
        and min(east, 360.0 - east) <= _SAME_PLACE_DEG
        and abs(site.height_m - there.site.height_m) <= _SAME_HEIGHT_M
        and site.time_zone == there.site.time_zone
    )


def _other_limits(asked: dict[str, Limit], wanted: dict[str, Limit]) -> Iterable[Difference]:
    """A chance hangs on where a limit is, not on where it begins to cost score."""
    for name, limit in asked.items():
        there, unit = limit.limit, LIMITS[name].unit if name in LIMITS else ""
        if name not in wanted:
            yield Difference(Unlike.ASKED, name)
        elif there != wanted[name].limit:
            said = (f"{x:g} {unit}".strip() for x in (there, wanted[name].limit))
            yield Difference(Unlike.LIMIT, name, *said)


def _other_settings(there: dict[str, str], here: dict[str, str]) -> Iterable[Difference]:
    for key in sorted(there.keys() | here.keys()):
        had, has = there.get(key, "unset"), here.get(key, "unset")
        if had != has:
            yield Difference(Unlike.SETTING, key, had, has)
