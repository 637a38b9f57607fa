"""A flight that is over: what its track measured, and what every forecast had said of it. Pure.

Named rules
-----------
rise
    The logarithm of measured over reckoned rate, layer by layer, has a part that all layers
    share and one that changes with height (`windowwatch.physics.ascenterror`); the shared part is
    estimated by generalised least squares [1]_. All of it is put down to drag, with the doubt of
    the lift in its doubt: one rate cannot tell lift from drag.
burst
    Between the last report that rises and the first that falls it rose on at its rate, and then
    fell at that of its canopy; that gives the height at which both meet. Its doubt is that of an
    even distribution over what it may have risen meanwhile.
canopy
    From a minute after the burst until the last report in the air; the shared part as for the
    rise. A fall without a canopy measures none.
landing
    Where it was found; else where its tracker came to rest; else where it was last heard, if that
    was less than `LOW_M` above the release. Else it is not known.

References
----------
.. [1] A. C. Aitken, Proc. Roy. Soc. Edinburgh 55 (1936) 42-48.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum
from math import log
from typing import TYPE_CHECKING, Any

import numpy as np

from windowwatch.chase.following import state_by
from windowwatch.chase.measured import Layers, layers_of
from windowwatch.chase.phases import SILENT, Burst, Phase, State, Track, thinned
from windowwatch.chase.posterior import FALL_BY_LAYER, FALL_SHARED, KNOT_M, hats
from windowwatch.chase.values import Air, Begun, Closing
from windowwatch.clock import from_unix_s, to_unix_s
from windowwatch.errors import InputError
from windowwatch.physics import constants as c
from windowwatch.physics.ascenterror import ASCENT_ERROR
from windowwatch.physics.atmosphere import standard_atmosphere
from windowwatch.physics.balloon import ascent_rate_mps, diameter_m
from windowwatch.physics.earth import bearing_deg, distance_m, local_m
from windowwatch.physics.spread import Footprint
from windowwatch.physics.train import FlightTrain, descent_rate_mps
from windowwatch.scoring.values import Hour
from windowwatch.units import FloatArray

if TYPE_CHECKING:  # what flies takes long to load, and whoever looks only reads
    from windowwatch.physics.windgrid import WindGrid


#: Last heard lower than this above the release, it is taken to have landed there. [m] Judgement.
LOW_M = 300.0
#: Doubt of a lift that nobody measured, as a fraction. [1] Judgement.
UNMEASURED_LIFT_SIGMA = 0.10
#: Doubt of the logarithm of air density without a forecast, and with one. [1] Judgement: real air
#: is commonly within 4 % of the standard one of its height, a forecast's within 1 %.
AIR_SIGMA = {Air.NONE: 0.04, Air.FORECAST: 0.01}
#: With fewer layers nothing is said of rise or canopy.
FEWEST_LAYERS = 3
#: After the burst the canopy opens for so long. [s]
_OPENING_S = 60.0
#: Rates are shown in layers so thick. [m]
_SHOWN_M = 5_000.0


@dataclass(frozen=True)
class Rate:
    """Rise or fall through a layer, as it was and as the fill had said. [m], [m s⁻¹]"""

    low_m: float
    high_m: float
    measured_mps: float
    reckoned_mps: float | None


@dataclass(frozen=True)
class Measured:
    """Natural logarithm of what was measured, and its doubt; of a diameter in metres.

    `expected` is the logarithm of what the train was begun with, and `expected_sigma` its doubt.
    """

    log_value: float
    sigma: float
    expected: float
    expected_sigma: float

    @property
    def surprise(self) -> float:
        """By how many standard deviations it is above what was expected."""
        both = float(np.hypot(self.sigma, self.expected_sigma))
        return (self.log_value - self.expected) / both if both > 0.0 else 0.0


class LandingBy(StrEnum):
    """How the landing is known."""

    FOUND = "found"
    AT_REST = "at rest"
    LAST_HEARD = "last heard"


class Odd(StrEnum):
    """What was not as it should be, by the track itself."""

    FLOATED = "floated"
    FELL_FREE = "fell free"  #: without a canopy, or one that did not open
    SILENT = "silent"  #: for so many minutes
    BURST = "burst"  #: at this diameter; two standard deviations off, or more
    RISE = "rise"  #: its drag factor likewise
    FALL = "fall"  #: its canopy's drag coefficient likewise


@dataclass(frozen=True)
class Oddity:
    """One of them, with its value where it has one."""

    odd: Odd
    value: float | None = None


@dataclass(frozen=True)
class Flown:
    """What a track measured; None is not known.

    Attributes
    ----------
    released_utc : datetime
    reports : int
        So many are used.
    highest_m : float
        Highest report. [m]
    rises, falls : tuple of Rate
        From the ground up.
    burst_utc, burst_height_m, burst_height_sigma_m, burst_latitude_deg, burst_longitude_deg
        [m], [deg]
    landing_by : LandingBy or None
    landing_utc, landing_latitude_deg, landing_longitude_deg
        The time is None for a landing that only was found.
    landing_mps : float or None
        Rate of fall through the last layer. [m s⁻¹]
    drift_m, bearing_deg : float or None
        From release to landing.
    burst, drag, canopy : Measured or None
        Burst diameter, drag factor and drag coefficient of the canopy.
    lift_measured : bool
        Whether the scale at the neck was read.
    lift_kg : float or None
        Lift with which the rise is as reckoned, if the drag was.
    odd : tuple of Oddity
    air : Air
        Whether the forecast's air is in it, or the standard atmosphere.
    """

    released_utc: datetime
    reports: int
    highest_m: float
    rises: tuple[Rate, ...]
    falls: tuple[Rate, ...]
    burst_utc: datetime | None
    burst_height_m: float | None
    burst_height_sigma_m: float | None
    burst_latitude_deg: float | None
    burst_longitude_deg: float | None
    landing_by: LandingBy | None
    landing_utc: datetime | None
    landing_latitude_deg: float | None
    landing_longitude_deg: float | None
    landing_mps: float | None
    drift_m: float | None
    bearing_deg: float | None
    burst: Measured | None
    drag: Measured | None
    canopy: Measured | None
    lift_measured: bool
    lift_kg: float | None
    odd: tuple[Oddity, ...]
    air: Air

    @property
    def landing(self) -> tuple[float, float] | None:
        """Latitude and longitude. [deg]"""
        if self.landing_latitude_deg is None or self.landing_longitude_deg is None:
            return None
        return self.landing_latitude_deg, self.landing_longitude_deg


def flown(
    begun: Begun,
    track: Track,
    closing: Closing | None = None,
    *,
    air: "WindGrid | None" = None,
    lift_measured: bool = True,
) -> Flown:
    """What a flight's track measured.

    Parameters
    ----------
    begun : Begun
        Its train as it was filled.
    track : Track
        Of all used reports.
    closing : Closing, optional
        Says where it was found.
    air : WindGrid, optional
        The forecast it was followed with; else the standard atmosphere.
    lift_measured : bool
        Whether the lift of the train was read at the neck; else it is doubted more.

    Raises
    ------
    InputError
        If nothing can be measured: no heights, or a track that never left its release.
    """
    track = thinned(track)
    if np.count_nonzero(np.isfinite(track.height_m)) < 2:
        raise InputError("fewer than two used reports have a height: nothing can be measured")
    last = from_unix_s(float(track.time_unix_s[-1]))
    state = state_by(begun, track, last + timedelta(seconds=1))
    if state.phase is Phase.WAITING or state.released_utc is None:
        raise InputError("the track never leaves its release: nothing of it has flown")
    released = begun.released_utc or state.released_utc
    lat, lon, ground = begun.release
    kind = Air.NONE if air is None else Air.FORECAST
    if air is None:
        from windowwatch.chase.estimate import still_air

        air = still_air(lat, lon, float(track.time_unix_s[0]), ground_m=ground)
    lift_sigma = begun.train.lift_sigma if lift_measured else UNMEASURED_LIFT_SIGMA
    legs = _legs(track, state, to_unix_s(released))
    up, down = (_Reckoned.of(leg, begun.train, air) for leg in legs)
    drag, lift = _drag(begun.train, up, lift_sigma, AIR_SIGMA[kind])
    free = state.phase is Phase.FALLING_FREE or _fell_free(down)
    canopy = None if free else _canopy(begun.train, down, AIR_SIGMA[kind])
    top = None if state.burst is None else _burst(track, state.burst, up, begun.train)
    burst = None if top is None else _diameter(begun.train, top, air, lift_sigma, AIR_SIGMA[kind])
    return Flown(
        released_utc=released,
        reports=track.size,
        highest_m=float(np.nanmax(track.height_m)),
        rises=_rates(up, 1.0),
        falls=_rates(down, -1.0),
        burst_utc=None if top is None else from_unix_s(top.time_unix_s),
        burst_height_m=None if top is None else top.height_m,
        burst_height_sigma_m=None if top is None else top.sigma_m,
        burst_latitude_deg=None if top is None else top.latitude_deg,
        burst_longitude_deg=None if top is None else top.longitude_deg,
        landing_mps=_last_fall(down),
        burst=burst,
        drag=drag,
        canopy=canopy,
        lift_measured=lift_measured,
        lift_kg=lift,
        odd=_odd(track, state, free, burst, drag, canopy),
        air=kind,
        **_landed(_landing(track, state, closing, ground), lat, lon),
    )


@dataclass(frozen=True)
class _Reckoned:
    """Layers of one leg, their mean air, and the rates [L] that were reckoned for them.

    NaN where nothing is known of the air.
    """

    layers: Layers
    warm_k: FloatArray
    pressure_pa: FloatArray
    rise_mps: FloatArray
    fall_mps: FloatArray

    @classmethod
    def of(cls, leg: Track, train: FlightTrain, air: "WindGrid") -> "_Reckoned":
        layers = layers_of(leg)
        if layers.size == 0:
            return cls(layers, *np.empty((4, 0)))
        from windowwatch.chase.estimate import air_along

        there = air_along(air, layers)
        warm, pressure = there[..., 0], np.exp(there[..., 1])
        density = pressure / (c.AIR_GAS_CONSTANT * warm)
        rise = 1.0 / np.mean(1.0 / ascent_rate_mps(train, pressure, warm), axis=1)
        fall = 1.0 / np.mean(1.0 / descent_rate_mps(train, density), axis=1)
        mean_pressure = np.exp(there[..., 1].mean(axis=1))
        return cls(layers, warm.mean(axis=1), mean_pressure, rise, fall)

    def knots(self) -> FloatArray:
        """Weights of the knots in each layer, [L, K]."""
        return hats(self.layers.along(8)[3])


def _legs(track: Track, state: State, released_unix_s: float) -> tuple[Track, Track]:
    """Track from the release to the burst, and from soon after it to the last report in the air."""
    time = track.time_unix_s
    turn = track.size if state.burst is None else state.burst.index
    rest = np.inf
    if state.phase is Phase.DOWN and state.since_utc is not None:
        rest = to_unix_s(state.since_utc)
    index = np.arange(track.size)
    up = (index < turn) & (time >= released_unix_s - 1.0)
    opened = np.inf if state.burst is None else state.burst.before_unix_s + _OPENING_S
    return track.part(up), track.part((index >= turn) & (time >= opened) & (time < rest))


def _shared(ratio: FloatArray, covariance: FloatArray) -> tuple[float, float, FloatArray]:
    """What all layers share of a logarithm, its doubt, and for how much each layer counts."""
    solved = np.linalg.solve(covariance, np.ones(ratio.size))
    weight = solved / solved.sum()
    return float(weight @ ratio), float(np.sqrt(1.0 / solved.sum())), weight


def _drag(
    train: FlightTrain, up: _Reckoned, lift_sigma: float, air_sigma: float
) -> tuple[Measured | None, float | None]:
    """Drag factor, and the lift that the rise is of if the drag is as reckoned."""
    rate, sigma = up.layers.rate_mps, up.layers.rate_sigma_mps
    there = (rate > 0.3) & np.isfinite(up.rise_mps)
    if np.count_nonzero(there) < FEWEST_LAYERS:
        return None, None
    shows = up.knots()[there]
    covariance = shows @ ASCENT_ERROR.covariance(KNOT_M) @ shows.T
    covariance += np.diag((sigma[there] / rate[there]) ** 2)
    part, doubt, weight = _shared(np.log(rate[there] / up.rise_mps[there]), covariance)

    def change(**other: Any) -> float:
        """By how much another train rises faster: its shared part, with the same weights."""
        new = ascent_rate_mps(replace(train, **other), up.pressure_pa[there], up.warm_k[there])
        old = ascent_rate_mps(train, up.pressure_pa[there], up.warm_k[there])
        return float(weight @ np.log(new / old))

    nozzle = train.nozzle_lift_kg
    by_drag = change(drag_factor=1.05 * train.drag_factor) / log(1.05)
    by_lift = change(nozzle_lift_kg=1.01 * nozzle) / log(1.01)
    factor = _solved(lambda x: change(drag_factor=x), part, 10.0 * train.drag_factor,
                     0.1 * train.drag_factor)  # fmt: skip
    lift = _solved(lambda x: change(nozzle_lift_kg=x), part, train.payload_mass_kg * 1.001,
                   4.0 * nozzle)  # fmt: skip
    if factor is None:
        return None, lift
    whole = float(np.linalg.norm([doubt, by_lift * lift_sigma, air_sigma / 6.0])) / abs(by_drag)
    expected = log(train.drag_factor)
    return Measured(log(factor), whole, expected, train.drag_sigma), lift


def _solved(
    change: Callable[[float], float], wanted: float, slow: float, fast: float
) -> float | None:
    """The value between a slow and a fast one that gives what is wanted; None outside of them."""
    if not change(slow) < wanted < change(fast):
        return None
    for _ in range(50):
        middle = 0.5 * (slow + fast)
        slow, fast = (middle, fast) if change(middle) < wanted else (slow, middle)
    return 0.5 * (slow + fast)


def _fell_free(down: _Reckoned) -> bool:
    """Whether most of the fall was more than twice as fast as the canopy allows."""
    there = (down.layers.rate_mps < -0.3) & np.isfinite(down.fall_mps)
    if np.count_nonzero(there) < FEWEST_LAYERS:
        return False
    return float(np.median(-down.layers.rate_mps[there] / down.fall_mps[there])) > 2.0


def _canopy(train: FlightTrain, down: _Reckoned, air_sigma: float) -> Measured | None:
    """Drag coefficient of the canopy."""
    rate, sigma = -down.layers.rate_mps, down.layers.rate_sigma_mps
    there = (rate > 0.3) & np.isfinite(down.fall_mps)
    if np.count_nonzero(there) < FEWEST_LAYERS:
        return None
    noise = (sigma[there] / rate[there]) ** 2 + FALL_BY_LAYER**2
    covariance = np.diag(noise) + FALL_SHARED**2 + (0.5 * air_sigma) ** 2
    part, doubt, _ = _shared(np.log(rate[there] / down.fall_mps[there]), covariance)
    expected = log(train.parachute_drag_coefficient)
    return Measured(expected - 2.0 * part, 2.0 * doubt, expected, train.canopy_sigma)


@dataclass(frozen=True)
class _Top:
    """When, how high and where it burst."""

    time_unix_s: float
    height_m: float
    sigma_m: float
    latitude_deg: float
    longitude_deg: float


def _burst(track: Track, burst: Burst, up: _Reckoned, train: FlightTrain) -> _Top:
    """Where the line of its rise meets that of its fall."""
    time, height = track.time_unix_s, track.height_m
    i = int(np.argmin(np.abs(time - burst.after_unix_s)))
    j = int(np.argmin(np.abs(time - burst.before_unix_s)))
    passed = float(time[j] - time[i])
    rising = up.layers.rate_mps[up.layers.rate_mps > 0.3]
    rise = float(np.mean(rising[-3:])) if rising.size else 5.0
    density = standard_atmosphere(float(np.clip(burst.at_least_m, 0.0, 45_000.0))).density_kgpm3
    fall = float(descent_rate_mps(train, density))
    on = float(np.clip((height[j] - height[i] + fall * passed) / (rise + fall), 0.0, passed))
    share = on / passed if passed > 0.0 else 0.0
    doubt = float(np.hypot(track.height_sigma_m[i], rise * passed / np.sqrt(12.0)))
    east = (track.longitude_deg[j] - track.longitude_deg[i] + 180.0) % 360.0 - 180.0
    return _Top(
        float(time[i]) + on, float(height[i]) + rise * on, doubt,
        float(track.latitude_deg[i] + share * (track.latitude_deg[j] - track.latitude_deg[i])),
        float(track.longitude_deg[i] + share * east),
    )  # fmt: skip


def _diameter(
    train: FlightTrain, top: _Top, air: "WindGrid", lift_sigma: float, air_sigma: float
) -> Measured | None:
    """Burst diameter; None where the air there is not known."""
    from windowwatch.physics.sample import air_at

    there = air_at(air, top.time_unix_s, top.latitude_deg, top.longitude_deg, top.height_m)
    density = float(np.exp(there[3]) / (c.AIR_GAS_CONSTANT * there[2]))
    if not np.isfinite(density):
        return None
    size = float(diameter_m(train, density))
    # a third of each: of gas, of density by height (scale height 7 km), of density itself
    by_lift = train.nozzle_lift_kg / train.total_lift_kg * lift_sigma
    doubt = float(np.linalg.norm([by_lift, top.sigma_m / 7_000.0, air_sigma])) / 3.0
    return Measured(log(size), doubt, log(train.burst_diameter_m), train.burst_sigma)


@dataclass(frozen=True)
class _Spot:
    by: LandingBy | None = None
    at_utc: datetime | None = None
    place: tuple[float, float] | None = None


def _landing(track: Track, state: State, closing: Closing | None, ground_m: float) -> _Spot:
    """Where and when it landed, and how that is known."""
    last = from_unix_s(float(track.time_unix_s[-1]))
    here = float(track.latitude_deg[-1]), float(track.longitude_deg[-1])
    at = state.since_utc if state.phase is Phase.DOWN else None
    found = _Spot()
    if at is not None:
        found = _Spot(LandingBy.AT_REST, at, here)
    elif state.burst is not None and float(track.height_m[-1]) - ground_m < LOW_M:
        found = _Spot(LandingBy.LAST_HEARD, last, here)
    if closing is None or closing.latitude_deg is None or closing.longitude_deg is None:
        return found
    return _Spot(LandingBy.FOUND, found.at_utc, (closing.latitude_deg, closing.longitude_deg))


def _landed(spot: _Spot, latitude_deg: float, longitude_deg: float) -> dict[str, Any]:
    """Fields about the landing, seen from the release."""
    lat, lon = spot.place or (None, None)
    away = bearing = None
    if spot.place is not None:
        away = float(distance_m(latitude_deg, longitude_deg, *spot.place))
        bearing = float(bearing_deg(latitude_deg, longitude_deg, *spot.place))
    return {
        "landing_by": spot.by, "landing_utc": spot.at_utc, "landing_latitude_deg": lat,
        "landing_longitude_deg": lon, "drift_m": away, "bearing_deg": bearing,
    }  # fmt: skip


def _rates(leg: _Reckoned, sign: float) -> tuple[Rate, ...]:
    """Rates through thick layers, from the ground up."""
    layers, said = leg.layers, leg.rise_mps if sign > 0.0 else leg.fall_mps
    moving = sign * layers.rate_mps > 0.3
    slot = np.floor(layers.middle_m / _SHOWN_M)
    found = []
    for each in np.unique(slot[moving]):
        some = moving & (slot == each)
        climbed = np.abs(layers.end[some, 2] - layers.start[some, 2])
        took = layers.end_unix_s[some] - layers.start_unix_s[some]
        reckoned = float(climbed.sum() / np.sum(climbed / said[some]))
        ends = np.stack([layers.start[some, 2], layers.end[some, 2]])
        measured = float(climbed.sum() / took.sum())
        known = reckoned if np.isfinite(reckoned) else None
        found.append(Rate(float(ends.min()), float(ends.max()), measured, known))
    return tuple(found)


def _last_fall(down: _Reckoned) -> float | None:
    """Rate of fall through the last layer in the air. [m s⁻¹]"""
    falling = -down.layers.rate_mps[down.layers.rate_mps < -0.3]
    return float(falling[-1]) if falling.size else None


def _odd(
    track: Track,
    state: State,
    free: bool,
    burst: Measured | None,
    drag: Measured | None,
    canopy: Measured | None,
) -> tuple[Oddity, ...]:
    """What was not as it should be."""
    found = []
    if state.phase is Phase.FLOATING:
        found.append(Oddity(Odd.FLOATED))
    if free:
        found.append(Oddity(Odd.FELL_FREE))
    aloft = track.time_unix_s
    if state.released_utc is not None:
        aloft = aloft[aloft >= to_unix_s(state.released_utc) - 60.0]
    gap = float(np.max(np.diff(aloft), initial=0.0))
    if gap > SILENT.total_seconds():
        found.append(Oddity(Odd.SILENT, gap / 60.0))
    for odd, each in ((Odd.BURST, burst), (Odd.RISE, drag), (Odd.FALL, canopy)):
        if each is not None and abs(each.surprise) >= 2.0:
            found.append(Oddity(odd, float(np.exp(each.log_value))))
    return tuple(found)


@dataclass(frozen=True)
class SaidBefore:
    """What one stored cycle had said of a flight's launch hour, against what came.

    Attributes
    ----------
    lead_h : float
        From the cycle's reference time to the release. [h]
    hour_utc : datetime
        The launch hour that is nearest to the release.
    error_m : float or None
        From the middle of the landings to the landing; None where either is not known. [m]
    inside_50, inside_90 : bool or None
        Whether it landed in those areas.
    late_min : float or None
        By how much it landed later than the middle flight. [min]
    area : Footprint or None
    """

    cycle_id: str
    model: str
    lead_h: float
    hour_utc: datetime
    verdict: str
    score: float | None
    chance: float | None
    error_m: float | None
    inside_50: bool | None
    inside_90: bool | None
    late_min: float | None
    area: Footprint | None


def held_against(said: SaidBefore, flight: Flown) -> SaidBefore:
    """What a cycle had said, held against the landing of a flight."""
    area, spot = said.area, flight.landing
    error = inside_50 = inside_90 = None
    if area is not None and spot is not None:
        error = float(distance_m(area.latitude_deg, area.longitude_deg, *spot))
        inside_50, inside_90 = (is_inside(area, *spot, share) for share in (50, 90))
    return replace(said, error_m=error, inside_50=inside_50, inside_90=inside_90)


def said_before(cycle_id: str, model: str, reference_utc: datetime, hour: Hour, flight: Flown
                ) -> SaidBefore:  # fmt: skip
    """What a cycle had said of an hour, against the flight of that hour."""
    late = None
    if hour.landing_utc is not None and flight.landing_utc is not None:
        moved = flight.released_utc - hour.time_utc
        late = (flight.landing_utc - hour.landing_utc - moved).total_seconds() / 60.0
    lead_h = (flight.released_utc - reference_utc).total_seconds() / 3600.0
    said = SaidBefore(
        cycle_id, model, lead_h, hour.time_utc, str(hour.verdict), hour.score, hour.chance,
        None, None, None, late, hour.footprint,
    )  # fmt: skip
    return held_against(said, flight)


def is_inside(area: Footprint, latitude_deg: float, longitude_deg: float, share: int) -> bool:
    """Whether a place is in the 50 or the 90 % area."""
    east, north = local_m(latitude_deg, longitude_deg, area.latitude_deg, area.longitude_deg)
    turned = np.radians(area.bearing_deg)
    along = east * np.sin(turned) + north * np.cos(turned)
    across = east * np.cos(turned) - north * np.sin(turned)
    major, minor = (max(getattr(area, f"{name}_{share}_m"), 1.0) for name in ("major", "minor"))
    return bool((along / major) ** 2 + (across / minor) ** 2 <= 1.0)


def newest_before(said: Iterable[SaidBefore], model: str | None = None) -> SaidBefore | None:
    """What the last cycle before the release had said, where it had an area."""
    some = [
        each
        for each in said
        if each.area is not None and each.lead_h >= 0.0 and model in (None, each.model)
    ]
    return min(some, key=lambda each: each.lead_h, default=None)
