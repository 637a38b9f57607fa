"""Position reports: what a tracker said, and whether it can be true. Pure.

Every report is kept; each is marked, and only those marked `USED` say where the balloon is.

Named rules
-----------
one clock, one place
    A report without a place, at latitude and longitude zero, higher than any balloon or lower
    than any ground, or timed well after it was received, or hours before, is not used.
each tracker for itself
    A report is held against the last one used of its own tracker: the same again is a repeat,
    an earlier one came late, and one that nothing that flies could have reached is impossible.
nobody is wrong for ever
    When three reports in a row that were impossible after the last used one fit one another,
    they are right and that one was wrong: the third is used, and goes on from there.
far away
    The first report of a tracker must be within reach of where the balloon is known to be, or
    of the release when nothing is known yet.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from enum import StrEnum
from math import isfinite
from types import MappingProxyType

from windowwatch.clock import require_utc
from windowwatch.errors import InputError
from windowwatch.physics.earth import distance_m

#: No balloon moves faster over the ground, and nothing falls or rises faster. [m s⁻¹] The
#: strongest jets reach 110 m/s; what falls from 35 km without a canopy may pass 150 m/s.
FASTEST_MPS, FASTEST_UP_MPS, FASTEST_DOWN_MPS = 150.0, 30.0, 250.0
#: Heights that a report may have. [m]
LOWEST_M, HIGHEST_M = -430.0, 55_000.0
#: A report timed so long after it came has a wrong clock, or so long before; between two, time
#: stands still below this.
CLOCK_AHEAD, CLOCK_BEHIND = timedelta(minutes=2), timedelta(hours=3)
#: The first report lies within this of the release, plus what the fastest wind makes. [m]
NEAR_RELEASE_M = 30_000.0
#: The same where nobody said when it was released: as far as flights go. [m] Judgement.
FAR_RELEASE_M = 300_000.0
#: So many impossible reports that fit one another are right.
_AGREE = 3


class Mark(StrEnum):
    """What is thought of a report. Only `USED` counts."""

    USED = "used"
    NO_PLACE = "no place"
    ZERO_ISLAND = "zero island"  #: latitude and longitude both zero: a tracker without a fix
    CLOCK = "clock"
    HEIGHT = "height"
    REPEATED = "repeated"
    LATE = "late"  #: older than what is used already
    IMPOSSIBLE = "impossible"  #: nothing that flies gets there from the last one
    FAR_AWAY = "far away"


@dataclass(frozen=True)
class Report:
    """One position as it came.

    Parameters
    ----------
    tracker : str
        Who says so.
    time_utc, received_utc : datetime
        When it was there, by the tracker; and when we heard of it.
    latitude_deg, longitude_deg : float or None
    height_m : float or None
        Above mean sea level. [m]
    place_sigma_m, height_sigma_m : float
        How well they are known: one standard deviation. [m]
    source : str
        Which way it came: posted, by voice, from a file, …
    text : str
        As it came.
    """

    tracker: str
    time_utc: datetime
    received_utc: datetime
    latitude_deg: float | None
    longitude_deg: float | None
    height_m: float | None
    place_sigma_m: float = 15.0
    height_sigma_m: float = 25.0
    source: str = ""
    text: str = ""

    def __post_init__(self) -> None:
        require_utc(self.time_utc)
        require_utc(self.received_utc)
        if not self.tracker.strip():
            raise InputError("a position report needs the name of its tracker")
        for name, low, high in (("latitude_deg", -90.0, 90.0), ("longitude_deg", -180.0, 360.0)):
            value = getattr(self, name)
            if value is not None and not low <= value <= high:
                raise InputError(f"{name} of {value:g} cannot be; give {low:g} to {high:g}")
        if self.height_m is not None and not isfinite(self.height_m):
            raise InputError("height_m is no number; leave it out where it is not known")
        for name in ("place_sigma_m", "height_sigma_m"):
            if not 0.0 < getattr(self, name) <= 50_000.0:
                raise InputError(f"{name} of {getattr(self, name):g} cannot be; give metres")


@dataclass(frozen=True)
class Screened:
    """What is needed to judge the next report; small, however many there were.

    Attributes
    ----------
    last : mapping of str to Report
        The last used report of each tracker.
    doubted : mapping of str to tuple of Report
        Impossible ones in a row since then, that fit one another.
    release : (float, float) or None
        Latitude and longitude of the release, where one is known. [deg]
    released_utc : datetime or None
    """

    last: Mapping[str, Report] = field(default_factory=lambda: MappingProxyType({}))
    doubted: Mapping[str, tuple[Report, ...]] = field(default_factory=lambda: MappingProxyType({}))
    release: tuple[float, float] | None = None
    released_utc: datetime | None = None


def screen(so_far: Screened, report: Report) -> tuple[Mark, Screened]:
    """Judge one report.

    Returns
    -------
    Mark
    Screened
        For the next one.
    """
    mark = _by_itself(report)
    if mark is not None:
        return mark, so_far
    last = so_far.last.get(report.tracker)
    if last is None:
        if not _within_reach(so_far, report):
            return Mark.FAR_AWAY, so_far
        return Mark.USED, _used(so_far, report)
    if report.time_utc == last.time_utc:
        return Mark.REPEATED, so_far
    if report.time_utc < last.time_utc:
        return Mark.LATE, so_far
    if _possible(last, report):
        return Mark.USED, _used(so_far, report)
    return _doubt(so_far, report)


def _by_itself(report: Report) -> Mark | None:
    """What is wrong with a report whatever came before it."""
    if report.latitude_deg is None or report.longitude_deg is None:
        return Mark.NO_PLACE
    if abs(report.latitude_deg) < 1e-4 and abs(report.longitude_deg) < 1e-4:
        return Mark.ZERO_ISLAND
    ahead = report.time_utc - report.received_utc
    if ahead > CLOCK_AHEAD or -ahead > CLOCK_BEHIND:
        return Mark.CLOCK
    if report.height_m is not None and not LOWEST_M <= report.height_m <= HIGHEST_M:
        return Mark.HEIGHT
    return None


def _away_m(a: tuple[float, float], report: Report) -> float:
    assert report.latitude_deg is not None
    assert report.longitude_deg is not None
    return float(distance_m(*a, report.latitude_deg, report.longitude_deg))


def _place(report: Report) -> tuple[float, float]:
    assert report.latitude_deg is not None
    assert report.longitude_deg is not None
    return report.latitude_deg, report.longitude_deg


def _within_reach(so_far: Screened, report: Report) -> bool:
    """Whether the first report of a tracker can be of this flight."""
    known = max(so_far.last.values(), key=lambda r: r.time_utc, default=None)
    if known is not None:
        apart_s = abs((report.time_utc - known.time_utc).total_seconds())
        return _away_m(_place(known), report) <= NEAR_RELEASE_M + FASTEST_MPS * apart_s
    if so_far.release is None:
        return True
    if so_far.released_utc is None:
        return _away_m(so_far.release, report) <= FAR_RELEASE_M
    flown_s = max((report.time_utc - so_far.released_utc).total_seconds(), 0.0)
    return _away_m(so_far.release, report) <= NEAR_RELEASE_M + FASTEST_MPS * flown_s


def _possible(last: Report, report: Report) -> bool:
    """Whether a balloon could have got from one report to the next."""
    apart_s = (report.time_utc - last.time_utc).total_seconds()
    doubt_m = 3.0 * (last.place_sigma_m + report.place_sigma_m)
    if _away_m(_place(last), report) > FASTEST_MPS * apart_s + doubt_m:
        return False
    if last.height_m is None or report.height_m is None:
        return True
    climbed = report.height_m - last.height_m
    doubt_m = 3.0 * (last.height_sigma_m + report.height_sigma_m)
    return -FASTEST_DOWN_MPS * apart_s - doubt_m <= climbed <= FASTEST_UP_MPS * apart_s + doubt_m


def _used(so_far: Screened, report: Report) -> Screened:
    last = MappingProxyType(dict(so_far.last) | {report.tracker: report})
    doubted = MappingProxyType({k: v for k, v in so_far.doubted.items() if k != report.tracker})
    return replace(so_far, last=last, doubted=doubted)


def _doubt(so_far: Screened, report: Report) -> tuple[Mark, Screened]:
    """An impossible report: used when it is the third of some that fit one another."""
    row = so_far.doubted.get(report.tracker, ())
    row = (
        (*row, report)
        if row and row[-1].time_utc < report.time_utc and _possible(row[-1], report)
        else (report,)
    )
    if len(row) >= _AGREE:
        return Mark.USED, _used(so_far, report)
    doubted = MappingProxyType(dict(so_far.doubted) | {report.tracker: row})
    return Mark.IMPOSSIBLE, replace(so_far, doubted=doubted)


def apart_m(so_far: Screened) -> tuple[str, str, float] | None:
    """The two trackers that disagree most, where they do by more than they could have flown.

    Returns
    -------
    (str, str, float) or None
        Names, and how far apart beyond doubt and time between them. [m]
    """
    known = list(so_far.last.values())
    worst: tuple[str, str, float] | None = None
    for i, a in enumerate(known):
        for b in known[i + 1 :]:
            between_s = abs((a.time_utc - b.time_utc).total_seconds())
            if between_s > 600.0:
                continue
            doubt_m = 3.0 * (a.place_sigma_m + b.place_sigma_m) + 40.0 * between_s
            beyond = _away_m(_place(a), b) - doubt_m
            if beyond > max(0.0, worst[2] if worst else 0.0):
                worst = (a.tracker, b.tracker, beyond)
    return worst
