"""Air aloft on fixed heights: the one form in which flights see the weather.

Assumptions a reader can check: longitudes and latitudes rise with an even step; times
rise; heights rise and are geometric, above mean sea level; the air array is packed
column-wise so that one flight step reads neighbouring memory.

It is made of columns, from pressure levels over model terrain. A column is described by nodes,
from the ground up, between which quantities are linear in height (pressure in its logarithm).
Surface winds join below, the standard atmosphere above. Nothing is filled in: a value that the
forecast did not give is NaN, and so are the spans on both sides of it. Humidity alone may be
missing: such air is taken as dry.
"""

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from windowwatch.errors import InputError
from windowwatch.physics import constants as c
from windowwatch.physics import kernels
from windowwatch.physics.atmosphere import (
    geometric_height_m,
    geopotential_radius_m,
    gravity_mps2,
    standard_atmosphere,
    virtual_factor,
)
from windowwatch.units import FloatArray

AnyFloat = NDArray[np.floating]

#: Nodes of the joined standard atmosphere lie this far apart. [m]
_UPPER_STEP_M = 1_000.0
#: Over this height the forecast's departure from the standard temperature fades out. [m]
#: Judgement: of the order of the scale height, so that no kink is felt.
BLEND_M = 5_000.0
#: A level nearer than this above a surface wind is left to the surface wind. [m] Judgement.
_NEAR_SURFACE_M = 20.0
#: Lapse below the lowest level above ground, the standard one. [K m⁻¹]
_LAPSE_KPM = 6.5e-3
#: Foot of every column, below any ground on Earth. [m]
_FOOT_M = -1_000.0
#: The standard temperature as a table: looked up far faster than computed.
_STANDARD_M = np.arange(-1_000.0, 86_001.0, 100.0)
_STANDARD_K = standard_atmosphere(_STANDARD_M).temperature_k


class Nodes(NamedTuple):
    """Columns as nodes, arrays [columns, nodes]; heights never fall along a column.

    `log_pressure` is that of dry air as dense as the moist air is. `top_m` and `moisture`,
    which is by what share the lowest air above ground is lighter than dry air, are [columns].
    """

    wind_m: FloatArray
    u_mps: FloatArray
    v_mps: FloatArray
    air_m: FloatArray
    temperature_k: FloatArray
    log_pressure: FloatArray
    top_m: FloatArray
    moisture: FloatArray


class SurfaceWind(NamedTuple):
    """Wind at a height above ground, arrays [columns]."""

    above_ground_m: float
    u_mps: AnyFloat
    v_mps: AnyFloat


def column_nodes(
    pressure_pa: FloatArray,
    latitude_deg: FloatArray,
    terrain_m: FloatArray,
    levels: tuple[AnyFloat, AnyFloat, AnyFloat, AnyFloat],
    surface: list[SurfaceWind],
    upper_m: float,
    specific_humidity: AnyFloat | None = None,
) -> Nodes:
    """Nodes of every column.

    Parameters
    ----------
    pressure_pa : array [L], falling
    latitude_deg, terrain_m : array [columns]
    levels : four arrays [columns, L]
        Eastward and northward wind, temperature, geopotential height.
    surface : list of SurfaceWind, lowest first
    upper_m : float
        Height up to which the standard atmosphere is joined on. [m]
    specific_humidity : array [columns, L], optional
        NaN, or left out, where the air is to be taken as dry. [kg kg⁻¹]
    """
    u, v, temperature, geopotential = (np.asarray(x, dtype=np.float64) for x in levels)
    height = geometric_height_m(geopotential, latitude_deg[:, np.newaxis])
    lost = np.isnan(height)
    if lost.any():
        height = _between_neighbours(height, lost, pressure_pa)
        u, v, temperature = (np.where(lost, np.nan, x) for x in (u, v, temperature))
    top_m = np.max(height, axis=1, where=~lost, initial=-np.inf)
    wind_m, (u, v) = _join_surface(height, [u, v], terrain_m, surface)
    factor = np.ones_like(height)
    if specific_humidity is not None:
        factor = virtual_factor(np.nan_to_num(specific_humidity, copy=True, nan=0.0))
    log_pressure = np.where(lost, np.nan, np.log(pressure_pa)[np.newaxis, :] - np.log(factor))
    floor = np.where(np.isfinite(terrain_m), terrain_m, -np.inf)
    quantities = [temperature, log_pressure, factor]
    air_m, (temperature, log_pressure, factor) = _drop_below(height, quantities, floor)
    air = _extend(air_m, temperature, log_pressure, factor[:, 0], latitude_deg, upper_m)
    return Nodes(wind_m, u, v, *air, top_m, 1.0 - 1.0 / factor[:, 0])


def _between_neighbours(
    height: FloatArray, lost: NDArray[np.bool_], pressure_pa: FloatArray
) -> FloatArray:
    """A height for levels that came without one, only to keep the order of nodes.

    Every value there is NaN, so any height between the neighbours says the same.
    """
    index = np.arange(height.shape[1])
    below = np.maximum.accumulate(np.where(lost, -1, index), axis=1)
    rows = np.arange(height.shape[0])[:, np.newaxis]
    lower = height[rows, np.maximum(below, 0)]
    above = np.minimum.accumulate(np.where(lost, index.size, index)[:, ::-1], axis=1)[:, ::-1]
    upper = height[rows, np.minimum(above, index.size - 1)]
    guess = np.where(below >= 0, lower + 1e-3, upper - 1e-3)
    empty = (below < 0) & (above == index.size)
    standard = 16_000.0 * (5.0 - np.log10(pressure_pa))  # a column without any height at all
    guess = np.where(empty, standard[np.newaxis, :], guess)
    return np.asarray(np.where(lost, guess, height))


def _drop_below(
    height: FloatArray, values: list[FloatArray], floor_m: FloatArray
) -> tuple[FloatArray, list[FloatArray]]:
    """Fold nodes at or under a floor into the first one above it."""
    under = height <= floor_m[:, np.newaxis]
    first = np.minimum(under.sum(axis=1), height.shape[1] - 1)[:, np.newaxis]
    buried = under.all(axis=1, keepdims=True)
    folded = [
        np.where(buried, np.nan, np.where(under, np.take_along_axis(x, first, axis=1), x))
        for x in values
    ]
    return np.where(under, np.take_along_axis(height, first, axis=1), height), folded


def _join_surface(
    height: FloatArray,
    values: list[FloatArray],
    terrain_m: FloatArray,
    surface: list[SurfaceWind],
) -> tuple[FloatArray, list[FloatArray]]:
    """Wind nodes: surface winds over the terrain, then the levels above them."""
    if not surface:
        floor = np.where(np.isfinite(terrain_m), terrain_m, -np.inf)
        return _drop_below(height, values, floor)
    joined = [terrain_m + wind.above_ground_m for wind in surface]
    floor = joined[-1] + _NEAR_SURFACE_M
    keep = np.isfinite(floor)
    under = (height <= floor[:, np.newaxis]) & keep[:, np.newaxis]
    stacked = [np.where(under, joined[-1][:, np.newaxis], height)]
    for levels, component in zip(values, (1, 2), strict=True):
        last = np.asarray(surface[-1][component], dtype=np.float64)
        stacked.append(np.where(under, last[:, np.newaxis], levels))
    heads = [
        np.stack([np.where(keep, z, height[:, 0]) for z in joined], axis=1),
        np.stack([np.asarray(wind.u_mps, dtype=np.float64) for wind in surface], axis=1),
        np.stack([np.asarray(wind.v_mps, dtype=np.float64) for wind in surface], axis=1),
    ]
    heads[1:] = [np.where(keep[:, np.newaxis], head, np.nan) for head in heads[1:]]
    nodes = [np.concatenate([h, s], axis=1) for h, s in zip(heads, stacked, strict=True)]
    return nodes[0], nodes[1:]


def _extend(
    height: FloatArray,
    temperature: FloatArray,
    log_pressure: FloatArray,
    lowest_factor: FloatArray,
    latitude_deg: FloatArray,
    upper_m: float,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Carry temperature and pressure on to the foot and, hydrostatically, to the top."""
    surface_g, radius = gravity_mps2(latitude_deg), geopotential_radius_m(latitude_deg)
    z, t, p = height[:, 0], temperature[:, 0], log_pressure[:, 0]
    foot_t = t + _LAPSE_KPM * (z - _FOOT_M)
    warmth = 0.5 * (t + foot_t) * lowest_factor  # virtual: moist air weighs less
    foot_p = p + surface_g / (c.AIR_GAS_CONSTANT * warmth) * (z - _FOOT_M)
    nodes = [(np.full_like(z, _FOOT_M), foot_t, foot_p)]
    nodes += zip(height.T, temperature.T, log_pressure.T, strict=True)
    top_m, t, p = (x[:, -1] for x in (height, temperature, log_pressure))
    departure = t - np.interp(top_m, _STANDARD_M, _STANDARD_K)
    rungs = int(np.ceil(max(upper_m - float(top_m.min()), 0.0) / _UPPER_STEP_M))
    for k in range(1, rungs + 1):
        z = top_m + k * _UPPER_STEP_M
        fade = max(0.0, 1.0 - k * _UPPER_STEP_M / BLEND_M)
        next_t = np.interp(z, _STANDARD_M, _STANDARD_K) + fade * departure
        g = surface_g * (radius / (radius + z - 0.5 * _UPPER_STEP_M)) ** 2
        p = p - g * _UPPER_STEP_M / (c.AIR_GAS_CONSTANT * 0.5 * (t + next_t))
        t = next_t
        nodes.append((z, t, p))
    stacked = np.array(nodes)  # [nodes, 3, columns]
    z, t, p = (np.ascontiguousarray(stacked[:, j].T) for j in range(3))
    return z, t, p


#: Order of the quantities in the last axis of `WindGrid.air`.
U, V, TEMPERATURE, LOG_PRESSURE = 0, 1, 2, 3

#: Heights of the grid: every 100 m to 3 km, 250 m to 12 km, 500 m to 45 km. [m] Finer than
#: the levels of public forecasts everywhere, finest where surface winds join.
DEFAULT_HEIGHTS: NDArray[np.float64] = np.concatenate(
    [
        np.arange(-500.0, 3_000.0, 100.0),
        np.arange(3_000.0, 12_000.0, 250.0),
        np.arange(12_000.0, 45_001.0, 500.0),
    ]
)


@dataclass(frozen=True)
class OwnSteps:
    """Members with fewer times [t] than their grid: air [m, t, Y, X, H, 4] as in `WindGrid`.

    At the grid's times they would say the same, in as much more memory as those are more.
    """

    time_unix_s: NDArray[np.float64]
    air: NDArray[np.float32]


@dataclass(frozen=True)
class WindGrid:
    """Wind, temperature and pressure aloft, for every member and time.

    Parameters
    ----------
    time_unix_s : float64 array [T]
        Valid times, rising. [s since 1970 UTC]
    height_m : float64 array [H]
        Geometric heights above mean sea level, rising. [m]
    latitude_deg, longitude_deg : float64 array [Y], [X]
        Rising, evenly spaced; longitudes run on past 180 rather than jump. [deg]
    air : float32 array [M, T, Y, X, H, 4]
        Of the members that have these times, all but those of `own_steps`.
        Eastward wind [m s⁻¹], northward wind [m s⁻¹], temperature [K] and the natural
        logarithm of the pressure in pascal at which dry air of that temperature is as dense
        as the air is: the very pressure where the air is dry, up to 2 % less in moist air.
        NaN where the forecast gave nothing.
    terrain_m : float32 array [Y, X]
        Model terrain above mean sea level. [m]
    top_height_m : float
        Lowest height, over the grid, of the forecast's highest level. Above it the air
        is extrapolated. [m]
    cycle_unix_s : float
        Reference time of the cycle, from which lead time is counted. [s]
    member_labels : tuple of str [M]
        What each member is called by its source, for example ``"control"``.
    moisture : float32 array [T, Y, X] or None
        By what share the lowest air is lighter than dry air, because of its humidity, in the
        first member that has humidity; None where none has. [1]
    own_steps : tuple of OwnSteps
        Air of the last members, where these have fewer times. Before their first and after
        their last they know nothing, though the grid go on.
    """

    time_unix_s: NDArray[np.float64]
    height_m: NDArray[np.float64]
    latitude_deg: NDArray[np.float64]
    longitude_deg: NDArray[np.float64]
    air: NDArray[np.float32]
    terrain_m: NDArray[np.float32]
    top_height_m: float
    cycle_unix_s: float
    member_labels: tuple[str, ...] = ("control",)
    moisture: NDArray[np.float32] | None = None
    own_steps: tuple[OwnSteps, ...] = ()

    def __post_init__(self) -> None:
        shape = (
            len(self.member_labels) - sum(len(own.air) for own in self.own_steps),
            self.time_unix_s.size,
            self.latitude_deg.size,
            self.longitude_deg.size,
            self.height_m.size,
            4,
        )
        if self.air.shape != shape:
            raise InputError(f"air has shape {self.air.shape}; its axes say {shape}")
        for own in self.own_steps:
            if own.air.shape[1:] != (own.time_unix_s.size, *shape[2:]):
                raise InputError(f"air with steps of its own has shape {own.air.shape}")
        if self.terrain_m.shape != shape[2:4]:
            raise InputError(f"terrain has shape {self.terrain_m.shape}; the grid has {shape[2:4]}")
        if self.moisture is not None and self.moisture.shape != shape[1:4]:
            raise InputError(f"moisture has shape {self.moisture.shape}; not {shape[1:4]}")
        for name in ("time_unix_s", "height_m", "latitude_deg", "longitude_deg"):
            axis = getattr(self, name)
            if axis.size > 1 and not np.all(np.diff(axis) > 0):
                raise InputError(f"{name} must rise strictly; it does not")

    def air_of(self, member: int) -> NDArray[np.float32]:
        """Air of one member at the grid's times [T, Y, X, H, 4], as flights meet it.

        Linear between its own steps where it has some; NaN before the first, after the last.
        """
        if member < len(self.air):
            return np.asarray(self.air[member])
        apart = [(own, number) for own in self.own_steps for number in range(len(own.air))]
        own, number = apart[member - len(self.air)]
        out = np.empty(self.air.shape[1:], dtype=np.float32)
        _in_time(own.air[number], own.time_unix_s, self.time_unix_s, out)
        return out

    def covers(self, latitude_deg: float, longitude_deg: float) -> bool:
        """Tell whether a point lies on the grid (edges included)."""
        west, east = float(self.longitude_deg[0]), float(self.longitude_deg[-1])
        offset = (longitude_deg - west) % 360.0
        # a grid that goes round the world ends one step short of where it began
        step = (east - west) / max(self.longitude_deg.size - 1, 1)
        return bool(
            self.latitude_deg[0] <= latitude_deg <= self.latitude_deg[-1]
            and (offset <= east - west or east - west + 1.001 * step >= 360.0)
        )


@dataclass(frozen=True)
class LevelRun:
    """A forecast on pressure levels: one run, or several members with the same times.

    Parameters
    ----------
    time_unix_s, pressure_pa : array [T], [L]
        Times rising, levels in any order. [s], [Pa]
    u_mps, v_mps, temperature_k, geopotential_height_m : float32 array [M, T, L, Y, X]
        NaN where the forecast gave nothing. [m s⁻¹], [K], [gpm]
    member_labels : tuple of str [M]
    wind_u_10m_mps, ... : float32 array [M or 1, T, Y, X], optional
        Winds above ground, in pairs. [m s⁻¹]
    specific_humidity : float32 array [M, T, L, Y, X], optional
        NaN, or left out, where the air is to be taken as dry. [kg kg⁻¹]
    """

    time_unix_s: NDArray[np.float64]
    pressure_pa: NDArray[np.float64]
    u_mps: NDArray[np.float32]
    v_mps: NDArray[np.float32]
    temperature_k: NDArray[np.float32]
    geopotential_height_m: NDArray[np.float32]
    member_labels: tuple[str, ...] = ("control",)
    wind_u_10m_mps: NDArray[np.float32] | None = None
    wind_v_10m_mps: NDArray[np.float32] | None = None
    wind_u_100m_mps: NDArray[np.float32] | None = None
    wind_v_100m_mps: NDArray[np.float32] | None = None
    specific_humidity: NDArray[np.float32] | None = None

    @property
    def on_levels(self) -> tuple[NDArray[np.float32], ...]:
        """Every field on levels, humidity last if it is there."""
        four = (self.u_mps, self.v_mps, self.temperature_k, self.geopotential_height_m)
        return four if self.specific_humidity is None else (*four, self.specific_humidity)


class _Laid(NamedTuple):
    """Of one member and time: height of the highest level [m], moisture [Y, X] if it is known."""

    top_m: float
    moisture: NDArray[np.float32] | None


#: Puts one member and time onto fixed heights, into the array [Y, X, H, 4] that it is given.
_Layer = Callable[[int, int, NDArray[np.float32]], _Laid]


def build_wind_grid(
    *runs: LevelRun,
    latitude_deg: NDArray[np.float64],
    longitude_deg: NDArray[np.float64],
    terrain_m: NDArray[np.float32],
    cycle_unix_s: float,
    height_m: NDArray[np.float64] = DEFAULT_HEIGHTS,
    threads: int = 2,
) -> WindGrid:
    """Put a forecast on pressure levels onto fixed heights.

    Parameters
    ----------
    runs : LevelRun
        The first gives the times. Members of the others follow its own; where they have fewer
        times, they keep these (`WindGrid.own_steps`), where they have others, they are
        interpolated linearly, and are NaN before their first and after their last.
    latitude_deg, longitude_deg : array [Y], [X]
        Rising. [deg]
    terrain_m : float32 array [Y, X]
        Model terrain above mean sea level. [m]
    height_m : array [H]
        Heights of the result, rising. [m]

    Returns
    -------
    WindGrid

    Raises
    ------
    InputError
        If shapes do not fit, or no level has a height anywhere.

    Notes
    -----
    Geopotential becomes geometric height by latitude. Levels under the terrain are
    dropped; below the lowest wind that is left, wind is held. Between nodes everything
    is linear in height, pressure in its logarithm. Above the highest level wind is held,
    temperature fades over 5 km into the 1976 standard atmosphere, and pressure follows
    hydrostatically. A missing value makes NaN of all heights that it would have informed,
    humidity apart: without it air is taken as dry.
    """
    time = np.asarray(runs[0].time_unix_s, dtype=np.float64)
    labels = tuple(label for run in runs for label in run.member_labels)
    heights = np.asarray(height_m, dtype=np.float64)
    latitudes = np.repeat(np.asarray(latitude_deg, dtype=np.float64), longitude_deg.size)
    terrain = np.asarray(terrain_m, dtype=np.float64)
    shape = (latitude_deg.size, longitude_deg.size, heights.size, 4)
    # a run goes straight to its place in the whole: air is most of the memory of a pass
    fewer = [number for number, run in enumerate(runs) if 1 < run.time_unix_s.size < time.size]
    shared = min(fewer, default=len(runs))
    first, count = 0, sum(len(run.member_labels) for run in runs[:shared])
    air = np.empty((count, time.size, *shape), dtype=np.float32)
    own_steps = []
    tops: list[float] = []
    moisture: NDArray[np.float32] | None = None
    with ThreadPoolExecutor(threads) as pool:
        for number, run in enumerate(runs):
            members, steps, last = len(run.member_labels), time, first + len(run.member_labels)
            part, first = air[first:last], last
            if number >= shared:
                steps = np.asarray(run.time_unix_s, dtype=np.float64)
                part = np.empty((members, steps.size, *shape), dtype=np.float32)
                own_steps.append(OwnSteps(steps, part))
            laid = _lay_all(run, _layer(run, latitudes, terrain, heights), steps, part, pool)
            tops += [one.top_m for one in laid]
            if moisture is None:
                moisture = _moisture(run, laid, time)
    if not np.isfinite(tops).any():
        raise InputError("no level of the forecast has a geopotential height anywhere")
    return WindGrid(
        time_unix_s=time,
        height_m=heights,
        latitude_deg=np.asarray(latitude_deg, dtype=np.float64),
        longitude_deg=np.asarray(longitude_deg, dtype=np.float64),
        air=air,
        terrain_m=np.asarray(terrain_m, dtype=np.float32),
        top_height_m=float(min(tops)),
        cycle_unix_s=cycle_unix_s,
        member_labels=labels,
        moisture=moisture,
        own_steps=tuple(own_steps),
    )


def _layer(
    run: LevelRun,
    latitudes: NDArray[np.float64],
    terrain: NDArray[np.float64],
    heights: NDArray[np.float64],
) -> _Layer:
    """What puts a member and time of a run onto fixed heights; the run's shapes checked."""
    order = np.argsort(-np.asarray(run.pressure_pa))
    pressure = np.asarray(run.pressure_pa, dtype=np.float64)[order]
    members, times, plane = len(run.member_labels), run.time_unix_s.size, terrain.shape
    surface = _surface_pairs(run, (members, times, *plane))
    for values in run.on_levels:
        if values.shape != (members, times, pressure.size, *plane):
            raise InputError(
                f"a field on levels has shape {values.shape}; the axes say "
                f"{(members, times, pressure.size, *plane)}"
            )

    def lay(m: int, t: int, out: NDArray[np.float32]) -> _Laid:
        u, v, warm, height, *moist = (
            x[m, t].reshape(pressure.size, -1).T[:, order] for x in run.on_levels
        )
        below = [
            SurfaceWind(z, east[m % len(east), t].ravel(), north[m % len(north), t].ravel())
            for z, east, north in surface
        ]
        nodes = column_nodes(
            pressure, latitudes, terrain.ravel(), (u, v, warm, height), below,
            float(heights[-1]), moist[0] if moist else None,
        )  # fmt: skip
        kernels.lay_columns(heights, *nodes[:6], out.reshape(-1, heights.size, 4))
        moisture = nodes.moisture.reshape(plane).astype(np.float32) if moist else None
        top_m = np.min(nodes.top_m, where=np.isfinite(nodes.top_m), initial=np.inf)
        return _Laid(float(top_m), moisture)

    return lay


def _lay_all(
    run: LevelRun,
    lay: _Layer,
    time: NDArray[np.float64],
    part: NDArray[np.float32],
    pool: ThreadPoolExecutor,
) -> list[_Laid]:
    """Lay a run into `part` [M, T, Y, X, H, 4] of the whole; what was laid, member by member."""
    members, times = part.shape[0], run.time_unix_s.size
    if np.array_equal(run.time_unix_s, time):
        places = [(m, t) for m in range(members) for t in range(times)]
        return list(pool.map(lambda place: lay(place[0], place[1], part[place]), places))

    def lay_member(m: int) -> list[_Laid]:
        own = np.empty((times, *part.shape[2:]), dtype=np.float32)
        laid = [lay(m, t, own[t]) for t in range(times)]
        _in_time(own, run.time_unix_s, time, part[m])
        return laid

    return [one for laid in pool.map(lay_member, range(members)) for one in laid]


def _in_time(
    own: NDArray[np.float32],
    have: NDArray[np.float64],
    want: NDArray[np.float64],
    out: NDArray[np.float32],
) -> None:
    """Arrays [T, ...] at other times, linear between two, NaN outside."""
    spot = np.interp(want, have, np.arange(have.size), left=np.nan, right=np.nan)
    for t in range(want.size):
        if np.isnan(spot[t]):
            out[t] = np.nan
            continue
        early = min(int(spot[t]), max(have.size - 2, 0))
        share = np.float32(spot[t] - early)
        if share == 0.0:  # a gap at the other time says nothing about this one
            out[t] = own[early]
        elif share == 1.0:
            out[t] = own[early + 1]
        else:
            np.subtract(own[early + 1], own[early], out=out[t])
            out[t] *= share
            out[t] += own[early]


def _moisture(
    run: LevelRun, laid: Sequence[_Laid], time: NDArray[np.float64]
) -> NDArray[np.float32] | None:
    """Lightness of the lowest air in a run's first member [T, Y, X], held beyond its times."""
    planes = [one.moisture for one in laid[: run.time_unix_s.size]]
    given = [plane for plane in planes if plane is not None]
    if len(given) < len(planes) or not given:
        return None
    out = np.empty((time.size, *given[0].shape), dtype=np.float32)
    inside = np.clip(time, run.time_unix_s[0], run.time_unix_s[-1])
    _in_time(np.nan_to_num(np.stack(given)), run.time_unix_s, inside, out)
    return out


def _surface_pairs(
    run: LevelRun, shape: tuple[int, ...]
) -> list[tuple[float, NDArray[np.float32], NDArray[np.float32]]]:
    """Surface winds that were given, lowest first, their shapes checked."""
    pairs = []
    for above_ground_m, u, v in (
        (10.0, run.wind_u_10m_mps, run.wind_v_10m_mps),
        (100.0, run.wind_u_100m_mps, run.wind_v_100m_mps),
    ):
        if u is None and v is None:
            continue
        if u is None or v is None:
            raise InputError(f"the {above_ground_m:.0f} m wind needs both components")
        for values in (u, v):
            if values.shape not in (shape, (1, *shape[1:])):
                raise InputError(
                    f"{above_ground_m:.0f} m wind has shape {values.shape}; "
                    f"the axes say {shape} or {(1, *shape[1:])}"
                )
        pairs.append((above_ground_m, u, v))
    return pairs


def hold_single_step(grid: WindGrid, span_s: float = 3 * 3600.0) -> WindGrid:
    """A grid of one time, taken as valid for `span_s` before and after it.

    Raises
    ------
    InputError
        If the grid has more than one time.
    """
    if grid.time_unix_s.size != 1:
        raise InputError(f"the grid has {grid.time_unix_s.size} times; only a single one is held")
    time = grid.time_unix_s[0] + np.array([-span_s, span_s])
    moisture = None if grid.moisture is None else np.repeat(grid.moisture, 2, axis=0)
    return replace(grid, time_unix_s=time, air=np.repeat(grid.air, 2, axis=1), moisture=moisture)
