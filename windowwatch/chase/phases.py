"""What state a flight is in, out of sparse and noisy heights; and which report showed it. Pure.

Named rules
-----------
by the trend
    Rise and fall are read from straight lines through the heights of the last few minutes, or
    of the last few reports where there are fewer, each weighed by its own doubt: one wild height
    makes no burst.
burst
    It has burst when it is lower than its highest height by more than doubt allows, and has gone
    on falling since. The report that showed it is the first one below; when and how high it
    burst is put between the last two that bracket it, with the doubt that this leaves.
released
    Whether or not anybody ticked it, it flies when it is more than `AWAY_M` above the release, or
    further than that from it, and rising.
down
    It is down when it has not moved for `STILL`, near the ground; or when it was last heard
    falling so low that it must have landed since.
silent
    Nothing was heard for `SILENT` in flight. The state before stands beside it.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from windowwatch.clock import from_unix_s
from windowwatch.physics.earth import distance_m
from windowwatch.units import FloatArray

#: Above the release, or beside it, by this much it flies. [m]
AWAY_M = 150.0
#: Slower than this, up or down, it floats. [m s⁻¹]
FLOATS_MPS = 0.7
#: So long it must have floated. Shorter ones are a weak rise or a gap.
FLOAT_FOR = timedelta(minutes=8)
#: Not moved by more than doubt for so long, near the ground: it is down.
STILL = timedelta(minutes=3)
#: Nothing heard for so long in flight: it is silent.
SILENT = timedelta(minutes=12)
#: This near to the ground a landing is at hand. [m]
NEAR_GROUND_M = 800.0
#: Falling so many times faster than the canopy allows, it falls without one.
WITHOUT_CANOPY = 2.2
#: A trend is over so long, and at least so many reports.
_TREND, _FEWEST = timedelta(minutes=4), 3


class Phase(StrEnum):
    """State of a flight."""

    WAITING = "waiting"
    RISING = "rising"
    FLOATING = "floating"
    FALLING = "falling"  #: under the canopy
    FALLING_FREE = "falling free"  #: without one, or one that does not open
    NEAR_GROUND = "near ground"
    DOWN = "down"


#: Phases in the air.
FLYING = frozenset(
    {Phase.RISING, Phase.FLOATING, Phase.FALLING, Phase.FALLING_FREE, Phase.NEAR_GROUND}
)
#: Phases after the burst.
AFTER_BURST = frozenset({Phase.FALLING, Phase.FALLING_FREE, Phase.NEAR_GROUND, Phase.DOWN})


@dataclass(frozen=True)
class Track:
    """Used reports of one flight in order, arrays [J].

    `height_m` is NaN where a report had none; `sigma_m` and `height_sigma_m` are their doubts.
    """

    time_unix_s: FloatArray
    latitude_deg: FloatArray
    longitude_deg: FloatArray
    height_m: FloatArray
    sigma_m: FloatArray
    height_sigma_m: FloatArray

    def part(self, chosen: NDArray[np.bool_] | NDArray[np.intp] | slice) -> "Track":
        """Some of it."""
        return Track(**{name: values[chosen] for name, values in vars(self).items()})

    @property
    def size(self) -> int:
        """How many reports."""
        return int(self.time_unix_s.size)


@dataclass(frozen=True)
class Burst:
    """When and how high it burst, between these bounds."""

    after_unix_s: float
    before_unix_s: float
    at_least_m: float
    index: int
    """Of the report that showed it."""


@dataclass(frozen=True)
class State:
    """State of a flight at one moment.

    Attributes
    ----------
    phase : Phase
    since_utc : datetime or None
        Of the report that showed it; None while waiting.
    rate_mps : float or None
        Rise, negative when falling, by the last few reports. [m s⁻¹]
    released_utc : datetime or None
        By the track: when it left the ground, as far back as the trend says.
    burst : Burst or None
    silent : bool
        Nothing was heard for long while it flew.
    age : timedelta or None
        Of the last used report.
    """

    phase: Phase
    since_utc: datetime | None
    rate_mps: float | None
    released_utc: datetime | None
    burst: Burst | None
    silent: bool
    age: timedelta | None


def state_of(
    track: Track,
    release: tuple[float, float, float],
    now_utc: datetime,
    *,
    ground_m: float | None = None,
    canopy_mps: float | None = None,
) -> State:
    """State of a flight.

    Parameters
    ----------
    track : Track
        All used reports, perhaps thinned.
    release : (float, float, float)
        Latitude, longitude and height of the release. [deg], [deg], [m]
    now_utc : datetime
    ground_m : float, optional
        Height of the ground below the last report; that of the release where unknown. [m]
    canopy_mps : float, optional
        Rate of descent that the canopy gives at the last height, for telling a fall without one.
    """
    if track.size == 0:
        return State(Phase.WAITING, None, None, None, None, False, None)
    age = now_utc - from_unix_s(float(track.time_unix_s[-1]))
    first = _flying_from(track, release)
    if first is None:
        return State(Phase.WAITING, None, None, None, None, False, age)
    flown = track.part(slice(first, None))
    released = from_unix_s(_left_unix_s(track, first, release[2]))
    ground = release[2] if ground_m is None else ground_m
    burst, rate = burst_of(flown), rate_mps(flown)
    phase, shown = _phase(flown, burst, rate, ground, canopy_mps)
    since = from_unix_s(float(flown.time_unix_s[shown]))
    if phase in FLYING and _must_be_down(flown, rate, ground, age):
        phase = Phase.DOWN
    silent = age > SILENT and phase in FLYING
    if burst is not None:
        burst = Burst(burst.after_unix_s, burst.before_unix_s, burst.at_least_m,
                      burst.index + first)  # fmt: skip
    return State(phase, since, rate, released, burst, silent, age)


def _flying_from(track: Track, release: tuple[float, float, float]) -> int | None:
    """Index of the first report in flight; None while it waits."""
    beside = distance_m(release[0], release[1], track.latitude_deg, track.longitude_deg)
    above = track.height_m - release[2]
    doubt = 2.0 * track.height_sigma_m
    up = np.where(np.isfinite(above), above > np.maximum(AWAY_M, doubt), False)
    # far away it flies, or was carried there: only what is above the ground flies
    away = (beside > AWAY_M + 3.0 * track.sigma_m) & np.where(
        np.isfinite(above), above > doubt, True
    )
    found = np.flatnonzero(up | (away & (beside > 1_000.0)))
    return int(found[0]) if found.size else None


def _left_unix_s(track: Track, first: int, release_m: float) -> float:
    """When it left the ground: back along the first rise. [s]"""
    time, height = track.time_unix_s, track.height_m
    after = [i for i in range(first, min(first + 4, track.size)) if np.isfinite(height[i])]
    if len(after) >= 2:
        i, j = after[0], after[-1]
        rate = (height[j] - height[i]) / max(time[j] - time[i], 1.0)
        if rate > FLOATS_MPS:
            left = time[i] - (height[i] - release_m) / rate
            earliest = time[first - 1] if first else -np.inf
            return float(np.clip(left, earliest, time[first]))
    return float(time[max(first - 1, 0)])


def rate_mps(track: Track) -> float | None:
    """Rise over the last few minutes; None with fewer than two heights. [m s⁻¹]"""
    known = np.flatnonzero(np.isfinite(track.height_m))
    if known.size < 2:
        return None
    recent = known[track.time_unix_s[known] >= track.time_unix_s[known[-1]]
                   - _TREND.total_seconds()]  # fmt: skip
    if recent.size < _FEWEST:
        recent = known[-_FEWEST:]
    return _slope(track.part(_mask(track.size, recent)))


def _mask(size: int, index: NDArray[np.intp]) -> NDArray[np.bool_]:
    mask = np.zeros(size, dtype=np.bool_)
    mask[index] = True
    return mask


def _slope(track: Track) -> float:
    """Slope of a straight line through heights, by their doubt; the median of pairs for few."""
    time = track.time_unix_s - track.time_unix_s.mean()
    if track.size <= 6:  # robust against one wild height (Theil-Sen)
        i, j = np.triu_indices(track.size, 1)
        apart = time[j] - time[i]
        return float(np.median((track.height_m[j] - track.height_m[i]) / np.maximum(apart, 1e-3)))
    weight = 1.0 / track.height_sigma_m**2
    mean = np.average(track.height_m, weights=weight)
    middle = np.average(time, weights=weight)
    lean = np.sum(weight * (time - middle) * (track.height_m - mean))
    return float(lean / np.sum(weight * (time - middle) ** 2))


def burst_of(track: Track) -> Burst | None:
    """When and how high the balloon burst; None as long as no report shows it."""
    known = np.flatnonzero(np.isfinite(track.height_m))
    if known.size < 2:
        return None
    height, doubt = track.height_m[known], track.height_sigma_m[known]
    time = track.time_unix_s[known]
    # the highest that is not a lone spike: each height counts as the lower of itself and the
    # higher of its two neighbours
    beside = np.maximum(np.r_[height[1:], -np.inf], np.r_[-np.inf, height[:-1]])
    firm = np.minimum(height, beside + 3.0 * doubt + 0.0)
    firm[-1] = min(height[-1], height[-2] + 40.0 * max(time[-1] - time[-2], 1.0))
    top = int(np.argmax(firm))
    after = np.arange(top + 1, known.size)
    if after.size == 0:
        return None
    low = height[after] < firm[top] - 3.0 * (doubt[after] + doubt[top])
    fallen = after[low]
    if fallen.size == 0:
        return None
    shown = int(fallen[0])
    tail = height[shown:]
    went_on = tail.size == 1 or tail[-1] <= tail[0] + 3.0 * doubt[shown]
    steep = (firm[top] - height[shown]) / max(time[shown] - time[top], 1.0) > FLOATS_MPS
    if not (went_on and steep) or (tail.size == 1 and firm[top] - tail[0] < 300.0):
        return None
    return Burst(float(time[top]), float(time[shown]), float(firm[top]), int(known[shown]))


def _phase(
    flown: Track,
    burst: Burst | None,
    rate: float | None,
    ground_m: float,
    canopy_mps: float | None,
) -> tuple[Phase, int]:
    """Phase, and the index of the report that showed it."""
    known = np.flatnonzero(np.isfinite(flown.height_m))
    last = flown.size - 1
    if burst is None:
        floats = _floating_from(flown)
        return (Phase.RISING, 0) if floats is None else (Phase.FLOATING, floats)
    above = float(flown.height_m[known[-1]]) - ground_m if known.size else np.inf
    still = _still_from(flown)
    if still is not None and above < 2.0 * NEAR_GROUND_M:
        return Phase.DOWN, still
    if above < NEAR_GROUND_M:
        return Phase.NEAR_GROUND, last
    falls = -rate if rate is not None else 0.0
    past_burst = flown.time_unix_s[-1] - burst.before_unix_s
    if canopy_mps is not None and falls > WITHOUT_CANOPY * canopy_mps and past_burst > 60.0:
        return Phase.FALLING_FREE, burst.index
    return Phase.FALLING, burst.index


def _floating_from(flown: Track) -> int | None:
    """Where it began to float; None when it rises."""
    known = np.flatnonzero(np.isfinite(flown.height_m))
    if known.size < _FEWEST:
        return None
    time, height = flown.time_unix_s[known], flown.height_m[known]
    begin = np.flatnonzero(time <= time[-1] - FLOAT_FOR.total_seconds())
    if begin.size == 0:
        return None
    first = int(begin[-1])
    climbed = (height[-1] - height[first]) / (time[-1] - time[first])
    span = np.ptp(height[first:])
    band = FLOATS_MPS * (time[-1] - time[first]) + 3.0 * flown.height_sigma_m[known[first]]
    return int(known[first]) if abs(climbed) < FLOATS_MPS and span < band else None


def _still_from(flown: Track) -> int | None:
    """Since which report it has not moved; None when it moves, or when too little is known."""
    time = flown.time_unix_s
    away = distance_m(
        flown.latitude_deg[-1], flown.longitude_deg[-1], flown.latitude_deg, flown.longitude_deg
    )
    high = np.abs(flown.height_m - flown.height_m[-1])
    moved = (away > 30.0 + 3.0 * flown.sigma_m) | (high > 30.0 + 3.0 * flown.height_sigma_m)
    last_moved = np.flatnonzero(moved)
    first = int(last_moved[-1]) + 1 if last_moved.size else 0
    if first >= flown.size - 1 or time[-1] - time[first] < STILL.total_seconds():
        return None
    return first


def _must_be_down(flown: Track, rate: float | None, ground_m: float, age: timedelta) -> bool:
    """Whether it was last heard falling so low that it has landed since, three times over."""
    if rate is None or rate > -FLOATS_MPS or not np.isfinite(flown.height_m[-1]):
        return False
    left_s = (float(flown.height_m[-1]) - ground_m) / -rate
    return age.total_seconds() > 3.0 * max(left_s, 0.0) + SILENT.total_seconds()


def thinned(track: Track, every_s: float = 20.0, most: int = 1500) -> Track:
    """A track with reports at least so far apart, the last one kept; never more than `most`."""
    if track.size <= 2:
        return track
    span = float(track.time_unix_s[-1] - track.time_unix_s[0])
    every = max(every_s, span / most)
    slot = np.floor((track.time_unix_s - track.time_unix_s[0]) / every)
    keep = np.r_[True, np.diff(slot) > 0.0]
    keep[-1] = True
    return track.part(keep)
