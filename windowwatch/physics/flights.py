"""Every flight of a pass: launches in, landings with a status out."""

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from enum import IntEnum
from threading import local

import numpy as np
from numpy.typing import NDArray

from windowwatch.errors import InputError
from windowwatch.physics import constants as c
from windowwatch.physics import kernels as k
from windowwatch.physics.atmosphere import gravity_mps2, viscosity_pas
from windowwatch.physics.balloon import displaced_air_kg, drag_table
from windowwatch.physics.earth import POLE_REFUSED_DEG, distance_m
from windowwatch.physics.spread import Draws
from windowwatch.physics.train import FlightTrain
from windowwatch.physics.windgrid import WindGrid
from windowwatch.units import wrap_longitude_deg

#: Slower than this a balloon is not rising. [m s⁻¹] Judgement.
SLOWEST_MPS = 0.2
#: Flights handed to a thread at a time: small enough to keep every thread busy, and fewer
#: where their paths are kept as long (some 30 kB each).
_CHUNK, _WATCHED_CHUNK = 4_096, 256
#: Is shown the first of some launches, the first of some members, the paths of their flights
#: as float64 [n, m, D, S, PATH] (columns in `kernels`), and how many of the S steps each has,
#: int64 [n, m, D].
Watching = Callable[[int, int, NDArray[np.float64], NDArray[np.int64]], None]


class FlightStatus(IntEnum):
    """How a flight ended. Only `LANDED` has a landing; every other one is unknown."""

    LANDED = 0
    LEFT_GRID = 1  #: flew off the edge of the forecast's area
    LEFT_TIME = 2  #: flew on past the forecast's last step, or began before its first
    MISSING_AIR = 3  #: met a place where the forecast gave no wind, temperature or pressure
    NOT_RISING = 4  #: too little lift to rise, or stopped rising before burst
    TOO_LONG = 5  #: was still in the air after the longest flight that is allowed
    NEAR_POLE = 6  #: came within one degree of a pole, where the step on the ellipsoid is refused


@dataclass(frozen=True)
class Launches:
    """Where and when flights begin, or are taken up in the air. Arrays are [N].

    `falling` says which have burst already: they come down from there under the canopy, and
    their burst numbers are where they began. All rise where it is left out.
    """

    latitude_deg: NDArray[np.float64]
    longitude_deg: NDArray[np.float64]
    height_m: NDArray[np.float64]
    time_unix_s: NDArray[np.float64]
    falling: NDArray[np.bool_] | None = None


@dataclass(frozen=True)
class Flights:
    """Results of flights, each array [N launches, M members, D draws].

    Every number is NaN where `status` is not `LANDED`, except the burst numbers of a
    flight that was lost on the way down.

    Attributes
    ----------
    status : uint8, a `FlightStatus`
    landing_latitude_deg, landing_longitude_deg : [deg], longitude in [-180, 180)
    landing_height_m : height of the ground there [m above mean sea level]
    landing_time_unix_s : [s]
    landing_speed_mps : descent rate at the ground [m s⁻¹]
    landing_wind_mps : wind speed at the lowest level at landing [m s⁻¹]
    burst_latitude_deg, burst_longitude_deg, burst_height_m, burst_time_unix_s
    ascent_rate_mps : mean ascent rate from release to burst [m s⁻¹]
    strongest_wind_mps : strongest wind met [m s⁻¹]
    coldest_air_k : coldest air met [K]
    drift_m : distance from release to landing over the ground [m]
    extrapolated : bool, part of the flight was above the forecast's top
    """

    status: NDArray[np.uint8]
    landing_latitude_deg: NDArray[np.float64]
    landing_longitude_deg: NDArray[np.float64]
    landing_height_m: NDArray[np.float64]
    landing_time_unix_s: NDArray[np.float64]
    landing_speed_mps: NDArray[np.float64]
    landing_wind_mps: NDArray[np.float64]
    burst_latitude_deg: NDArray[np.float64]
    burst_longitude_deg: NDArray[np.float64]
    burst_height_m: NDArray[np.float64]
    burst_time_unix_s: NDArray[np.float64]
    ascent_rate_mps: NDArray[np.float64]
    strongest_wind_mps: NDArray[np.float64]
    coldest_air_k: NDArray[np.float64]
    drift_m: NDArray[np.float64]
    extrapolated: NDArray[np.bool_]

    def of_launch(self, index: int) -> "Flights":
        """The flights of one launch, arrays [M, D]."""
        return Flights(**{name: values[index] for name, values in vars(self).items()})


@dataclass(frozen=True)
class Prepared:
    """Flights as kernels want them, checked and ready to be flown part by part.

    `runs` has axes and air of the members with the grid's steps, and of those with their own.
    """

    grid: WindGrid
    draws: Draws
    runs: tuple[tuple[k.Grid, NDArray[np.float32]], ...]
    start: NDArray[np.float64]
    bodies: NDArray[np.float64]
    constants: k.Constants

    @property
    def shape(self) -> tuple[int, int, int]:
        """Launches, members and draws."""
        return self.start.shape[0], len(self.grid.member_labels), self.bodies.shape[1]

    @property
    def most_steps(self) -> int:
        """No flight has more steps: one for each layer, up and down, and one each `step_s`."""
        return (
            int(self.constants.longest_s / self.constants.step_s) + 2 * self.grid.height_m.size + 32
        )

    def of_member(self, member: int) -> tuple[k.Grid, NDArray[np.float32], int]:
        """Axes and air of the run in which a member is, and which one of it."""
        at = [(axes, air, number) for axes, air in self.runs for number in range(len(air))]
        return at[member]

    def errors(self, first: int, last: int) -> NDArray[np.float32]:
        """Errors of some launches at the grid's heights, [n, D, H, 3]; H is 0 for none."""
        return _errors(self.grid, self.draws, first, last)


def fly(
    grid: WindGrid,
    launches: Launches,
    train: FlightTrain,
    draws: Draws,
    *,
    step_s: float = 60.0,
    longest_flight_s: float = 6 * 3600.0,
    threads: int | None = None,
    watching: Watching | None = None,
) -> Flights:
    """Fly every launch with every member of the grid and every draw.

    Parameters
    ----------
    grid : WindGrid
        [M] members.
    launches : Launches
        [N]
    train : FlightTrain
    draws : Draws
        [N, D]
    step_s : float
        Longest time of one step. A step never passes a height of the grid, so smaller
        values than the default matter only where accuracy is studied. [s]
    longest_flight_s : float
        Flights still in the air after this are `TOO_LONG`. [s]
    threads : int, optional
        All processors by default. Results do not depend on it.
    watching : callable, optional
        Is shown the paths of all flights, a few launches and members at a time, and in threads;
        they are lent to it for as long as it looks.

    Returns
    -------
    Flights
        [N, M, D]

    Raises
    ------
    InputError
        If shapes do not fit, the grid is not even, or its heights begin above its terrain.

    Notes
    -----
    A flight begins at the site's own height, whatever the model terrain is there: a site
    in a valley below the model's smooth ground has real air above it, for which the
    lowest wind of the column is taken; a site on a hill above it stands in the free wind
    of its height. Landing is on the model terrain.
    """
    ready = prepare(grid, launches, train, draws, step_s=step_s, longest_flight_s=longest_flight_s)
    count, members, draw_count = ready.shape
    out = np.empty((k.RESULTS, count * members * draw_count))
    most = _CHUNK if watching is None else _WATCHED_CHUNK
    together, abreast = (max(1, most // max(1, n)) for n in (members * draw_count, draw_count))
    room = together * min(abreast, members) * draw_count
    steps, room = (0, 1) if watching is None else (ready.most_steps, room)
    # paths are by far the largest array: taken again and again, it is fresh memory every time
    lent = local()

    def run(part: tuple[int, int, int, int]) -> None:
        first, number, low, place = part
        last, (axes, air) = min(first + together, count), ready.runs[number]
        some = air[low : low + abreast]
        if not hasattr(lent, "paths"):
            lent.paths = np.empty((room, steps, k.PATH))
        paths, rows = lent.paths, np.zeros(room, dtype=np.int64)
        k.fly_many(
            ready.start, first, last, some, place, members, axes, ready.bodies,
            ready.errors(first, last), ready.constants, paths, rows, np.empty(12), out,
        )  # fmt: skip
        if watching is not None:
            shape = (last - first, len(some), draw_count)
            flown = shape[0] * shape[1] * shape[2]
            shown = paths[:flown].reshape(*shape, steps, k.PATH)
            watching(first, place, shown, rows[:flown].reshape(shape))

    before = np.cumsum([0, *(len(air) for _, air in ready.runs)])
    parts = [
        (first, number, low, int(before[number]) + low)
        for first in range(0, count, together)
        for number, (_, air) in enumerate(ready.runs)
        for low in range(0, len(air), abreast)
    ]
    with ThreadPoolExecutor(threads or os.cpu_count() or 1) as pool:
        list(pool.map(run, parts))
    return _results(out.reshape(k.RESULTS, count, members, draw_count), launches)


def prepare(
    grid: WindGrid,
    launches: Launches,
    train: FlightTrain,
    draws: Draws,
    *,
    step_s: float = 60.0,
    longest_flight_s: float = 6 * 3600.0,
) -> Prepared:
    """Check what is to be flown, and lay it out for the kernels; parameters as of `fly`."""
    if draws.lift.shape[0] != launches.time_unix_s.size:
        raise InputError(
            f"draws are for {draws.lift.shape[0]} launches; there are {launches.time_unix_s.size}"
        )
    if not (step_s > 0.0 and longest_flight_s > 0.0):
        raise InputError(f"steps and flights take time; got {step_s} s and {longest_flight_s} s")
    runs = ((grid.time_unix_s, grid.air), *((own.time_unix_s, own.air) for own in grid.own_steps))
    axes = _axes(grid)
    flown = tuple(
        (
            axes._replace(time_s=np.ascontiguousarray(time, dtype=np.float64)),
            np.ascontiguousarray(air, dtype=np.float32).reshape(air.shape[0], -1),
        )
        for time, air in runs
    )
    bodies = _bodies(train, launches, draws, _moisture(grid, launches))
    return Prepared(
        grid, draws, flown, _starts(grid, launches), bodies,
        _constants(train, step_s, longest_flight_s),
    )  # fmt: skip


def _axes(grid: WindGrid) -> k.Grid:
    """The grid as kernels want it, checked."""
    steps = []
    for name in ("latitude_deg", "longitude_deg"):
        axis = getattr(grid, name)
        if axis.size < 2:
            raise InputError(f"a grid with {axis.size} value of {name} has no area to fly over")
        step = (axis[-1] - axis[0]) / (axis.size - 1)
        if not np.allclose(np.diff(axis), step, rtol=1e-3, atol=0.0):
            raise InputError(f"{name} of the grid must be evenly spaced; it is not")
        steps.append(float(step))
    if grid.height_m.size < 2:
        raise InputError("a grid with fewer than two heights has no layer to fly through")
    if np.nanmin(grid.terrain_m, initial=np.inf) < grid.height_m[0]:
        raise InputError(
            f"the grid's heights begin at {grid.height_m[0]:.0f} m, above terrain at "
            f"{np.nanmin(grid.terrain_m):.0f} m; give lower heights"
        )
    # where terrain is unknown, every step must ask for it and see that
    highest = np.inf if np.isnan(grid.terrain_m).any() else float(grid.terrain_m.max())
    time = np.ascontiguousarray(grid.time_unix_s, dtype=np.float64)
    return k.Grid(
        time, float(time[0]), float(time[-1]),
        np.ascontiguousarray(grid.height_m, dtype=np.float64),
        1.0 / np.diff(grid.height_m.astype(np.float64)),
        float(grid.latitude_deg[0]), 1.0 / steps[0], grid.latitude_deg.size,
        float(grid.longitude_deg[0]), 1.0 / steps[1], grid.longitude_deg.size,
        bool(abs(steps[1] * grid.longitude_deg.size - 360.0) < 1e-3 * steps[1]),
        np.ascontiguousarray(grid.terrain_m, dtype=np.float32),
        highest, float(grid.top_height_m),
    )  # fmt: skip


def _starts(grid: WindGrid, launches: Launches) -> NDArray[np.float64]:
    """Launches as rows, longitudes counted eastward from the grid's west, checked."""
    falling = launches.falling
    if falling is None:
        falling = np.zeros(launches.time_unix_s.shape, dtype=np.bool_)
    for name, values in vars(launches).items():
        if values is not None and not np.all(np.isfinite(values)):
            row = int(np.flatnonzero(~np.isfinite(values))[0])
            raise InputError(f"launch {row} has no {name}; it is {values[row]}")
    west = float(grid.longitude_deg[0])
    longitude = west + np.mod(launches.longitude_deg - west, 360.0)
    return np.stack(
        [launches.latitude_deg, longitude, launches.height_m, launches.time_unix_s, falling],
        axis=1,
    ).astype(np.float64)


def _constants(train: FlightTrain, step_s: float, longest_s: float) -> k.Constants:
    """Constants and settings as kernels want them."""
    first, per_step, table = drag_table(train)
    # logarithms by temperature, linear between half kelvins: off by 2e-6 at most
    warm = np.arange(100.0, 400.1, 0.5)
    logs = np.stack([np.log(c.AIR_GAS_CONSTANT * warm), np.log(viscosity_pas(warm))], axis=1)
    return k.Constants(
        c.WGS84_A_M, c.WGS84_E2, POLE_REFUSED_DEG, SLOWEST_MPS, float(step_s), float(longest_s),
        100.0, 2.0, logs, first, per_step, table,
    )  # fmt: skip


def _moisture(grid: WindGrid, launches: Launches) -> NDArray[np.float64]:
    """By what share the air at each launch is lighter than dry air [N]: at the nearest grid
    point and time, where humidity differs by less than 1 g/kg, or 0.06 % of density.
    """
    if grid.moisture is None:
        return np.zeros(launches.time_unix_s.size)
    west = float(grid.longitude_deg[0])
    east = west + np.mod(launches.longitude_deg - west, 360.0)
    spots = (
        np.abs(axis[:, np.newaxis] - values).argmin(axis=0)
        for axis, values in (
            (grid.time_unix_s, launches.time_unix_s),
            (grid.latitude_deg, launches.latitude_deg),
            (grid.longitude_deg, east),
        )
    )
    return np.asarray(grid.moisture[tuple(spots)], dtype=np.float64)


def _bodies(
    train: FlightTrain, launches: Launches, draws: Draws, moisture: NDArray[np.float64]
) -> NDArray[np.float64]:
    """What the kernel must know of each launch and draw of the train, [N, D, BODY].

    Nozzle lift is weighed in the humid air of the site, so there is more gas than dry air
    would need, and in the dry air in which most of a flight happens the gas lifts more than
    was weighed: 1 % of the total lift, or 4 % of the free lift, in the tropics. Flights have
    that lift from the ground on, and the balloon is as large as in dry air of the same
    density. In the moist lowest 3 km that is too much lift and too large a balloon, each by
    the air's lightness; against a flight with exact gas volume and lift in saturated tropical
    air (tests/physics/test_humidity.py) it shifts the landing by 0.05 % of the drift,
    where leaving humidity out shifts it by 2 %.
    """
    nozzle = train.nozzle_lift_kg * draws.lift
    weighed = nozzle - train.payload_mass_kg
    displaced = displaced_air_kg(
        nozzle + train.balloon_mass_kg, train.gas, train.gas_purity, moisture[:, np.newaxis]
    )
    free = np.where(weighed > 0.0, weighed + displaced * moisture[:, np.newaxis], np.nan)
    sphere = 6.0 / np.pi * displaced
    canopy = train.parachute_drag_coefficient * train.parachute_area_m2 * draws.canopy
    body = np.full((*draws.lift.shape, k.BODY), np.nan)
    with np.errstate(invalid="ignore", divide="ignore"):  # no free lift: NaN, and not rising
        drive = np.log(8.0 * free / np.pi / (draws.drag * train.drag_factor))
    body[..., k.LOG_GRAVITY] = np.log(gravity_mps2(launches.latitude_deg))[:, np.newaxis]
    body[..., k.LOG_DRIVE] = drive
    body[..., k.LOG_SIZE] = np.log(sphere) / 3.0
    if train.balloon_drag_coefficient is not None:
        drag = np.log(train.balloon_drag_coefficient)
        body[..., k.LOG_RISE] = 0.5 * (drive - drag) - body[..., k.LOG_SIZE]
    body[..., k.LOG_BURST] = np.log(sphere) - 3.0 * np.log(train.burst_diameter_m * draws.burst)
    body[..., k.LOG_FALL] = 0.5 * np.log(2.0 * train.falling_mass_kg / canopy)
    body[..., k.LOG_TUMBLE] = 0.5 * np.log(2.0 * train.falling_mass_kg / train.body_drag_area_m2)
    if train.measured_ascent_mps is not None:
        with np.errstate(invalid="ignore"):
            change = 0.5 * np.log(weighed / train.free_lift_kg / draws.drag)
        body[..., k.LOG_FIXED] = np.log(train.measured_ascent_mps) + change
    body[..., k.OPENING_DELAY] = train.opening_delay_s
    return body


def _errors(grid: WindGrid, draws: Draws, first: int, last: int) -> NDArray[np.float32]:
    """Errors of wind and log rise at the grid's heights, [n, D, H, 3]; H is 0 for none."""
    u, v, rise = (x[first:last] for x in (draws.wind_u_mps, draws.wind_v_mps, draws.log_rise))
    if not (u.any() or v.any() or rise.any()):
        return np.empty((*u.shape[:2], 0, 3), dtype=np.float32)
    grown = 1.0 + draws.growth_per_km * np.maximum(grid.height_m - grid.top_height_m, 0.0) / 1e3
    unit = np.eye(draws.height_m.size)
    weights = np.stack([np.interp(grid.height_m, draws.height_m, row) for row in unit])
    spread, weights = (weights * grown).astype(np.float32), weights.astype(np.float32)
    return np.ascontiguousarray(np.stack([u @ spread, v @ spread, rise @ weights], axis=-1))


def _results(out: NDArray[np.float64], launches: Launches) -> Flights:
    """Rows of the kernel's output as `Flights`."""
    drift = distance_m(
        launches.latitude_deg[:, np.newaxis, np.newaxis],
        launches.longitude_deg[:, np.newaxis, np.newaxis],
        out[k.LATITUDE],
        out[k.LONGITUDE],
    )
    height = launches.height_m[:, np.newaxis, np.newaxis]
    time = launches.time_unix_s[:, np.newaxis, np.newaxis]
    return Flights(
        status=out[k.STATUS].astype(np.uint8),
        landing_latitude_deg=out[k.LATITUDE],
        landing_longitude_deg=wrap_longitude_deg(out[k.LONGITUDE]),
        landing_height_m=out[k.HEIGHT],
        landing_time_unix_s=out[k.TIME],
        landing_speed_mps=out[k.SINK],
        landing_wind_mps=out[k.WIND],
        burst_latitude_deg=out[k.BURST_LATITUDE],
        burst_longitude_deg=wrap_longitude_deg(out[k.BURST_LONGITUDE]),
        burst_height_m=out[k.BURST_HEIGHT],
        burst_time_unix_s=out[k.BURST_TIME],
        ascent_rate_mps=_rate(out[k.BURST_HEIGHT] - height, out[k.BURST_TIME] - time),
        strongest_wind_mps=out[k.STRONGEST],
        coldest_air_k=out[k.COLDEST],
        drift_m=drift,
        extrapolated=out[k.EXTRAPOLATED] > 0.5,
    )


def _rate(risen_m: NDArray[np.float64], in_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Mean ascent rate; NaN for what was taken up after its burst. [m s⁻¹]"""
    return np.divide(risen_m, in_s, out=np.full_like(risen_m, np.nan), where=in_s > 0.0)
