"""Air aloft on fixed heights: the one form in which flights see the weather.

Assumptions a reader can check: longitudes and latitudes rise with an even step; times
rise; heights rise and are geometric, above mean sea level; the air array is packed
column-wise so that one flight step reads neighbouring memory.
"""

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from windowwatch.errors import InputError
from windowwatch.physics import kernels
from windowwatch.physics.columns import SurfaceWind, column_nodes

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
    lightness : float32 array [T, Y, X] or None
        By what share the lowest air is lighter than dry air, because of its humidity, in the
        first member that has humidity; None where none has. [1]
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
    lightness: NDArray[np.float32] | None = None

    def __post_init__(self) -> None:
        shape = (
            len(self.member_labels),
            self.time_unix_s.size,
            self.latitude_deg.size,
            self.longitude_deg.size,
            self.height_m.size,
            4,
        )
        if self.air.shape != shape:
            raise InputError(f"air has shape {self.air.shape}; its axes say {shape}")
        if self.terrain_m.shape != shape[2:4]:
            raise InputError(f"terrain has shape {self.terrain_m.shape}; the grid has {shape[2:4]}")
        if self.lightness is not None and self.lightness.shape != shape[1:4]:
            raise InputError(f"lightness has shape {self.lightness.shape}; not {shape[1:4]}")
        for name in ("time_unix_s", "height_m", "latitude_deg", "longitude_deg"):
            axis = getattr(self, name)
            if axis.size > 1 and not np.all(np.diff(axis) > 0):
                raise InputError(f"{name} must rise strictly; it does not")

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
    """Of one member and time: height of the highest level [m], lightness [Y, X] if it is known."""

    top_m: float
    lightness: NDArray[np.float32] | None


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
        The first gives the times. Members of the others follow its own; where their times are
        others they are interpolated linearly, and are NaN before their first and after their
        last.
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
    # members go straight to their place in the whole: they are most of the memory of a pass
    air = np.empty(
        (len(labels), time.size, latitude_deg.size, longitude_deg.size, height_m.size, 4),
        dtype=np.float32,
    )
    heights = np.asarray(height_m, dtype=np.float64)
    latitudes = np.repeat(np.asarray(latitude_deg, dtype=np.float64), longitude_deg.size)
    terrain = np.asarray(terrain_m, dtype=np.float64)
    tops: list[float] = []
    lightness: NDArray[np.float32] | None = None
    first = 0
    with ThreadPoolExecutor(threads) as pool:
        for run in runs:
            lay = _layer(run, latitudes, terrain, heights)
            part = air[first : first + len(run.member_labels)]
            laid = _lay_all(run, lay, time, part, pool)
            first += len(run.member_labels)
            tops += [one.top_m for one in laid]
            if lightness is None:
                lightness = _lightness(run, laid, time)
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
        lightness=lightness,
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
        lightness = nodes.lightness.reshape(plane).astype(np.float32) if moist else None
        top_m = np.min(nodes.top_m, where=np.isfinite(nodes.top_m), initial=np.inf)
        return _Laid(float(top_m), lightness)

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


def _lightness(
    run: LevelRun, laid: Sequence[_Laid], time: NDArray[np.float64]
) -> NDArray[np.float32] | None:
    """Lightness of the lowest air in a run's first member [T, Y, X], held beyond its times."""
    planes = [one.lightness for one in laid[: run.time_unix_s.size]]
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
    lightness = None if grid.lightness is None else np.repeat(grid.lightness, 2, axis=0)
    return replace(grid, time_unix_s=time, air=np.repeat(grid.air, 2, axis=1), lightness=lightness)
