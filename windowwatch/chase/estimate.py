"""Where and when it will land, from the last report on: what is known is flown to the ground. Pure.

The method and its sources stand in `windowwatch.chase.posterior`.
"""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from windowwatch.chase.measured import Layers, layers_of
from windowwatch.chase.phases import AFTER_BURST, Phase, State, Track
from windowwatch.chase.posterior import (
    FALL_BY_LAYER,
    KNOT_M,
    Normal,
    WindGrowth,
    above,
    canopy_given,
    condition,
    drawn,
    forget,
    hats,
    kept_share,
    rise_prior,
    rise_shows,
    unresolved,
    wind_prior,
)
from windowwatch.chase.values import Doubt, Estimate, NoEstimate
from windowwatch.clock import from_unix_s
from windowwatch.physics import constants as c
from windowwatch.physics.atmosphere import standard_atmosphere
from windowwatch.physics.balloon import ascent_rate_mps, displaced_air_kg
from windowwatch.physics.earth import distance_m, local_m
from windowwatch.physics.flights import Flights, FlightStatus, Launches, fly
from windowwatch.physics.paths import FlightPath, fly_path, fly_paths
from windowwatch.physics.riseerror import RISE_ERROR, RiseErrorModel
from windowwatch.physics.sample import air_at
from windowwatch.physics.spread import Draws, footprint
from windowwatch.physics.train import FlightTrain, descent_rate_mps
from windowwatch.physics.winderror import FORECAST_ERROR, WindErrorModel
from windowwatch.physics.windgrid import DEFAULT_HEIGHTS, LOG_PRESSURE, TEMPERATURE, WindGrid

FloatArray = NDArray[np.float64]

#: Flights from the last report to the ground.
FLIGHTS = 2_000
#: So many of them show the height by time, and what each part of the doubt does alone.
_SHOWN, _ALONE = 60, 250
#: With a greater share of flights without a landing there is no estimate. [1]
_MOST_LOST = 0.2
_BY_DRAW = ("lift", "burst", "drag", "canopy", "wind_u_mps", "wind_v_mps", "log_rise")
#: Points along a layer at which the forecast is looked at.
_POINTS = 8


@dataclass(frozen=True)
class Before:
    """All that is known before the flight.

    Parameters
    ----------
    grid : WindGrid
        Of the forecast; its first member is flown. `still_air` where there is none.
    train : FlightTrain
        With the lift that was measured.
    wind_error, rise_error : WindErrorModel, RiseErrorModel
    growth : WindGrowth
        How a measured wind grows old.
    """

    grid: WindGrid
    train: FlightTrain
    growth: WindGrowth
    wind_error: WindErrorModel = FORECAST_ERROR
    rise_error: RiseErrorModel = RISE_ERROR


@dataclass(frozen=True)
class Known:
    """What is known after the reports: wind errors, rise, canopy, and from where it flies on."""

    u: Normal
    v: Normal
    rise: Normal
    canopy: Normal
    start: Launches
    falling: bool
    layers: int


def estimate(
    before: Before, track: Track, state: State, *, seed: int, flights: int = FLIGHTS
) -> Estimate | NoEstimate:
    """Where and when it will land.

    Parameters
    ----------
    before : Before
    track : Track
        Used reports of this flight in order, from about the release on, perhaps thinned.
    state : State
        Of that track.
    seed : int
        Of the draws: the same for all reports of a flight, so that areas do not jump by chance.
    flights : int

    Returns
    -------
    Estimate or NoEstimate
        Or why nothing can be said.
    """
    if state.phase is Phase.WAITING:
        return NoEstimate.WAITING
    if state.phase is Phase.FLOATING:
        return NoEstimate.FLOATING
    if not np.isfinite(track.height_m[-1]):
        return NoEstimate.NO_HEIGHT
    known = learn(before, track, state)
    if known is None:
        return NoEstimate.OUTSIDE
    unit = _unit(seed, flights)
    draws = draws_of(before.train, known, unit, before.wind_error.growth_per_km)
    flown = fly(before.grid, known.start, before.train, draws)
    landed = flown.status[0, 0] == FlightStatus.LANDED
    if np.count_nonzero(~landed) > _MOST_LOST * flights:
        rising = np.count_nonzero(flown.status[0, 0] == FlightStatus.NOT_RISING)
        return NoEstimate.NOT_RISING if rising > 0.5 * flights else NoEstimate.OUTSIDE
    return _told(before, track, state, known, draws, flown, landed, unit)


def learn(before: Before, track: Track, state: State) -> Known | None:
    """What the reports say of everything that was not known.

    Returns
    -------
    Known or None
        None when the last report lies outside the forecast.
    """
    grid, falling = before.grid, state.phase in AFTER_BURST
    lat, lon, high = track.latitude_deg[-1:], track.longitude_deg[-1:], track.height_m[-1:]
    when = float(track.time_unix_s[-1])
    there = grid.covers(float(lat[0]), float(lon[0]))
    if not (there and grid.time_unix_s[0] <= when <= grid.time_unix_s[-1]):
        return None
    turn = track.size if state.burst is None else state.burst.index
    up = layers_of(track.part(slice(None, turn)))
    down = layers_of(track.part(slice(turn, None)))
    prior = wind_prior(before.wind_error, (when - grid.cycle_unix_s) / 3600.0)
    u, v, used = _winds(grid, prior, prior, prior, up)
    rise, _ = _rises(before, up)
    canopy = canopy_given(before.train, np.empty(0), np.empty(0), free=False)
    start = Launches(lat, lon, high, track.time_unix_s[-1:], np.array([falling]))
    known = Known(u, v, rise, canopy, start, falling, used)
    apart = _apart(before, known, track, turn)
    if apart is None:
        return None
    kept = kept_share(before.growth, prior, *apart)
    u, v = forget(u, prior, kept), forget(v, prior, kept)
    if falling:
        u, v, more = _winds(grid, u, v, prior, down)
        used += more
        canopy = _canopy(before, down, free=state.phase is Phase.FALLING_FREE)
    return Known(u, v, rise, canopy, start, falling, used)


def _winds(
    grid: WindGrid, u: Normal, v: Normal, prior: Normal, layers: Layers
) -> tuple[Normal, Normal, int]:
    """Errors of both components given layers, and how many of those lie on the forecast."""
    if layers.size == 0:
        return u, v, 0
    time, lat, lon, high = layers.along(_POINTS)
    air = air_at(grid, time, lat, lon, np.maximum(high, grid.height_m[0]))
    said = air[..., :2].mean(axis=1)
    there = np.isfinite(said).all(axis=1)
    shows = hats(high)[there]
    noise = layers.sigma_mps[there] ** 2 + unresolved(prior, shows)
    found = [
        condition(each, shows, measured[there] - said[there, i], noise)
        for i, (each, measured) in enumerate(((u, layers.u_mps), (v, layers.v_mps)))
    ]
    return found[0], found[1], int(np.count_nonzero(there))


def air_along(grid: WindGrid, layers: Layers) -> FloatArray:
    """Temperature and logarithm of pressure along layers [L, points, 2]."""
    time, lat, lon, high = layers.along(_POINTS)
    return air_at(grid, time, lat, lon, high)[..., [TEMPERATURE, LOG_PRESSURE]]


def _rises(before: Before, layers: Layers) -> tuple[Normal, int]:
    """Lift, drag and rise by height, given the layers that were risen through."""
    prior = rise_prior(before.rise_error)
    rising = layers.rate_mps > 0.3
    if not rising.any():
        return prior, 0
    air = air_along(before.grid, layers)
    reckoned = ascent_rate_mps(before.train, np.exp(air[..., 1]), air[..., 0])
    rate = 1.0 / np.mean(1.0 / reckoned, axis=1)
    there = rising & np.isfinite(rate)
    ratio = np.log(layers.rate_mps[there] / rate[there])
    noise = (layers.rate_sigma_mps[there] / layers.rate_mps[there]) ** 2
    shows = rise_shows(before.train, hats(layers.along(_POINTS)[3]))[there]
    return condition(prior, shows, ratio, noise), int(np.count_nonzero(there))


def _canopy(before: Before, layers: Layers, *, free: bool) -> Normal:
    """The canopy's factor, given the layers that were fallen through."""
    falling = layers.rate_mps < -0.3
    air = air_along(before.grid, layers)
    density = np.exp(air[..., 1]) / (c.AIR_GAS_CONSTANT * air[..., 0])
    rate = 1.0 / np.mean(1.0 / descent_rate_mps(before.train, density), axis=1)
    there = falling & np.isfinite(rate)
    ratio = np.log(-layers.rate_mps[there] / rate[there])
    noise = (layers.rate_sigma_mps[there] / layers.rate_mps[there]) ** 2 + FALL_BY_LAYER**2
    return canopy_given(before.train, ratio, noise, free=free)


def _apart(
    before: Before, known: Known, track: Track, turn: int
) -> tuple[FloatArray, FloatArray] | None:
    """How long and how far after it was measured the wind at each knot will be met. [s], [m]

    None when the forecast has no air where the middle flight begins.
    """
    middle = draws_of(before.train, known, _unit(0, 1), before.wind_error.growth_per_km)
    path = fly_path(before.grid, known.start, before.train, middle)
    if path.time_unix_s.size == 0:
        return None
    fall = ~path.rising
    fall[: max(int(np.count_nonzero(path.rising)) - 1, 0)] = False
    if np.count_nonzero(fall) < 2:
        fall[:] = True
    rows = np.flatnonzero(fall)[::-1]  # upwards
    met = [np.interp(KNOT_M, path.height_m[rows], values[rows])
           for values in (path.time_unix_s, path.latitude_deg, path.longitude_deg)]  # fmt: skip
    risen = track.part(slice(None, max(turn, 1)))
    risen = risen.part(np.isfinite(risen.height_m))
    high = np.maximum.accumulate(risen.height_m)
    seen = [np.interp(KNOT_M, high, values)
            for values in (risen.time_unix_s, risen.latitude_deg, risen.longitude_deg)]  # fmt: skip
    return np.maximum(met[0] - seen[0], 0.0), distance_m(seen[1], seen[2], met[1], met[2])


@dataclass(frozen=True)
class _Unit:
    """Unit normals of every unknown, [D, …]; the first draw is the middle one."""

    u: FloatArray
    v: FloatArray
    rise: FloatArray
    burst: FloatArray
    canopy: FloatArray


def _unit(seed: int, count: int) -> _Unit:
    """Unit normals, mirrored in pairs so that their mean is zero."""
    stream = np.random.Generator(np.random.Philox(key=seed))
    widths = (KNOT_M.size, KNOT_M.size, 2 + KNOT_M.size, 1, 1)
    half = count // 2
    normal = stream.standard_normal((half, sum(widths)))
    both = np.concatenate([np.zeros((1, sum(widths))), normal, -normal])[:count]
    u, v, rise, burst, canopy = np.split(both, np.cumsum(widths)[:-1], axis=1)
    return _Unit(u, v, rise, burst, canopy)


def draws_of(train: FlightTrain, known: Known, unit: _Unit, growth_per_km: float) -> Draws:
    """Draws [1, D] of everything, given what is known."""
    rise = drawn(known.rise, unit.rise)
    lift, drag = np.exp(train.lift_sigma * rise[:, 0]), np.exp(train.drag_sigma * rise[:, 1])
    burst = np.exp(train.burst_sigma * _bursts(train, known, lift, unit.burst[:, 0]))
    canopy = np.exp(drawn(known.canopy, unit.canopy)[:, 0])
    u, v = drawn(known.u, unit.u), drawn(known.v, unit.v)
    wind_u, wind_v, log_rise = (x[None].astype(np.float32) for x in (u, v, rise[:, 2:]))
    return Draws(
        lift[None], burst[None], drag[None], canopy[None], KNOT_M, wind_u, wind_v, log_rise,
        growth_per_km,
    )  # fmt: skip


def _bursts(train: FlightTrain, known: Known, lift: FloatArray, unit: FloatArray) -> FloatArray:
    """Burst diameters in their standard deviations: larger than the balloon is now."""
    if known.falling or train.burst_sigma <= 0.0:
        return unit
    # 30 m above the last report: what bursts there would burst within its doubt
    density = float(standard_atmosphere(float(known.start.height_m[0]) + 30.0).density_kgpm3)
    displaced = displaced_air_kg(
        train.nozzle_lift_kg * lift + train.balloon_mass_kg, train.gas, train.gas_purity
    )
    size = np.cbrt(6.0 / np.pi * displaced / density)
    return above(unit, np.log(size / train.burst_diameter_m) / train.burst_sigma)


def _told(
    before: Before,
    track: Track,
    state: State,
    known: Known,
    draws: Draws,
    flown: Flights,
    landed: NDArray[np.bool_],
    unit: _Unit,
) -> Estimate | NoEstimate:
    """The estimate of flights."""
    lat, lon = (x[0, 0][landed] for x in (flown.landing_latitude_deg, flown.landing_longitude_deg))
    spot = footprint(lat, lon)
    if spot is None:
        return NoEstimate.OUTSIDE
    soon, middle, late = np.quantile(flown.landing_time_unix_s[0, 0][landed], (0.1, 0.5, 0.9))
    burst = burst_utc = burst_m = None
    if not known.falling:
        burst = footprint(
            flown.burst_latitude_deg[0, 0][landed], flown.burst_longitude_deg[0, 0][landed]
        )
        burst_utc = from_unix_s(float(np.median(flown.burst_time_unix_s[0, 0][landed])))
        burst_m = float(np.median(flown.burst_height_m[0, 0][landed]))
    chosen = np.unique(np.linspace(0, lat.size - 1, min(lat.size, 200)).astype(np.intp))
    line, way = _line(before, known, draws, np.flatnonzero(landed)[: _SHOWN + 1])
    return Estimate(
        report_utc=from_unix_s(float(track.time_unix_s[-1])),
        phase=state.phase,
        landing=spot,
        landing_utc=from_unix_s(float(middle)),
        landing_10_utc=from_unix_s(float(soon)),
        landing_90_utc=from_unix_s(float(late)),
        burst=burst,
        burst_utc=burst_utc,
        burst_height_m=burst_m,
        flights=int(landed.size),
        lost=int(np.count_nonzero(~landed)),
        landing_latitude_deg=tuple(np.round(lat[chosen], 5).tolist()),
        landing_longitude_deg=tuple(np.round(lon[chosen], 5).tolist()),
        **line,
        **way,
        doubt=_doubt(before, known, unit),
        layers=known.layers,
    )


def _line(
    before: Before, known: Known, draws: Draws, chosen: NDArray[np.intp]
) -> tuple[dict[str, Any], dict[str, Any]]:
    """Height by time out of some flights, and the way of the first of them."""
    none, each = np.zeros(chosen.size, dtype=np.intp), np.arange(chosen.size)
    some = replace(draws, **{name: getattr(draws, name)[:, chosen] for name in _BY_DRAW})
    paths = fly_paths(
        before.grid, known.start, before.train, some, launch=none, member=none, draw=each
    )
    first = paths[0]
    end = max(float(path.time_unix_s[-1]) for path in paths)
    time = np.linspace(float(first.time_unix_s[0]), end, 48)
    heights = np.stack([_height_at(path, time) for path in paths])
    low, middle, high = np.quantile(heights, (0.1, 0.5, 0.9), axis=0)
    keep = np.unique(np.linspace(0, first.time_unix_s.size - 1, 40).astype(np.intp))
    line = {
        "line_unix_s": time, "line_10_m": low, "line_50_m": middle, "line_90_m": high,
    }  # fmt: skip
    way = {
        "way_latitude_deg": first.latitude_deg[keep],
        "way_longitude_deg": first.longitude_deg[keep],
        "way_height_m": first.height_m[keep],
    }
    return (
        {name: tuple(np.round(values, 1).tolist()) for name, values in line.items()},
        {name: tuple(np.round(values, 5).tolist()) for name, values in way.items()},
    )


def _height_at(path: FlightPath, time: FloatArray) -> FloatArray:
    """Height of a flight by time; on the ground after its landing. [m]"""
    return np.interp(time, path.time_unix_s, path.height_m)


def _doubt(before: Before, known: Known, unit: _Unit) -> tuple[tuple[Doubt, float], ...]:
    """Share of the variance of landings that each unknown makes when it alone is drawn."""
    some = _Unit(**{name: values[:_ALONE] for name, values in vars(unit).items()})
    still = _Unit(**{name: np.zeros_like(values) for name, values in vars(some).items()})
    alone = {
        Doubt.WIND: replace(still, u=some.u, v=some.v),
        Doubt.RISE: replace(still, rise=some.rise),
        Doubt.BURST: replace(still, burst=some.burst),
        Doubt.CANOPY: replace(still, canopy=some.canopy),
    }
    if known.falling:
        del alone[Doubt.RISE], alone[Doubt.BURST]
    found = {}
    for part, each in alone.items():
        draws = draws_of(before.train, known, each, before.wind_error.growth_per_km)
        flown = fly(before.grid, known.start, before.train, draws)
        there = flown.status[0, 0] == FlightStatus.LANDED
        if np.count_nonzero(there) < 2:
            found[part] = 0.0
            continue
        lat, lon = flown.landing_latitude_deg[0, 0][there], flown.landing_longitude_deg[0, 0][there]
        east, north = local_m(lat, lon, float(lat[0]), float(lon[0]))
        found[part] = float(np.var(east) + np.var(north))
    whole = sum(found.values()) or 1.0
    return tuple((part, value / whole) for part, value in found.items())


#: Winds by height where nothing is forecast: as far from still air as they commonly are at
#: middle latitudes. From memory, order of magnitude; the whole flow hangs together.
NO_FORECAST = WindErrorModel(
    lead_hours=(0.0,),
    height_m=(0.0, 3_000.0, 6_000.0, 10_000.0, 14_000.0, 20_000.0, 30_000.0),
    vector_rmse_mps=((7.0, 13.0, 19.0, 28.0, 22.0, 15.0, 25.0),),
    correlation_m=2_000.0,
    growth_per_km=0.0,
    source="from memory: order of magnitude of winds at middle latitudes",
    flow_share=(0.9,),
    flow_correlation_m=(9_000.0,),
)


def still_air(
    latitude_deg: float, longitude_deg: float, time_unix_s: float, *, ground_m: float = 0.0
) -> WindGrid:
    """Air of the standard atmosphere without wind round a place, for a day.

    Parameters
    ----------
    latitude_deg, longitude_deg : float
        Within 80 degrees of the equator. [deg]
    time_unix_s : float
        Of the first report. [s]
    ground_m : float
        Height of the ground all about. [m]
    """
    height = DEFAULT_HEIGHTS
    air = standard_atmosphere(height)
    layers = np.stack(
        [np.zeros_like(height), np.zeros_like(height), air.temperature_k, np.log(air.pressure_pa)],
        axis=-1,
    )
    reach = np.linspace(-8.0, 8.0, 9)
    wide = reach / max(np.cos(np.radians(latitude_deg)), 0.15)
    shape = (1, 2, reach.size, wide.size, height.size, 4)
    return WindGrid(
        time_unix_s=np.array([time_unix_s - 6 * 3600.0, time_unix_s + 30 * 3600.0]),
        height_m=height,
        latitude_deg=latitude_deg + reach,
        longitude_deg=longitude_deg + wide,
        air=np.ascontiguousarray(np.broadcast_to(layers, shape), dtype=np.float32),
        terrain_m=np.full(shape[2:4], ground_m, dtype=np.float32),
        top_height_m=float(height[-1]),
        cycle_unix_s=time_unix_s,
    )
