"""Air aloft on fixed heights: the one form in which flights see the weather.

Assumptions a reader can check: longitudes and latitudes rise with an even step; times
rise; heights rise and are geometric, above mean sea level; the air array is packed
column-wise so that one flight step reads neighbouring memory.
"""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

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
        Eastward wind [m s⁻¹], northward wind [m s⁻¹], temperature [K] and natural
        logarithm of pressure in pascal. NaN where the forecast gave nothing.
    terrain_m : float32 array [Y, X]
        Model terrain above mean sea level. [m]
    top_height_m : float
        Lowest height, over the grid, of the forecast's highest level. Above it the air
        is extrapolated. [m]
    cycle_unix_s : float
        Reference time of the cycle, from which lead time is counted. [s]
    member_labels : tuple of str [M]
        What each member is called by its source, for example ``"control"``.
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


def build_wind_grid(
    *,
    time_unix_s: NDArray[np.float64],
    pressure_pa: NDArray[np.float64],
    latitude_deg: NDArray[np.float64],
    longitude_deg: NDArray[np.float64],
    u_mps: NDArray[np.float32],
    v_mps: NDArray[np.float32],
    temperature_k: NDArray[np.float32],
    geopotential_height_m: NDArray[np.float32],
    terrain_m: NDArray[np.float32],
    cycle_unix_s: float,
    member_labels: tuple[str, ...] = ("control",),
    wind_u_10m_mps: NDArray[np.float32] | None = None,
    wind_v_10m_mps: NDArray[np.float32] | None = None,
    wind_u_100m_mps: NDArray[np.float32] | None = None,
    wind_v_100m_mps: NDArray[np.float32] | None = None,
    height_m: NDArray[np.float64] = DEFAULT_HEIGHTS,
    threads: int = 2,
) -> WindGrid:
    """Put a forecast on pressure levels onto fixed heights.

    Parameters
    ----------
    time_unix_s, pressure_pa, latitude_deg, longitude_deg : array [T], [L], [Y], [X]
        Levels in any order, the others rising. [s], [Pa], [deg]
    u_mps, v_mps, temperature_k, geopotential_height_m : float32 array [M, T, L, Y, X]
        NaN where the forecast gave nothing. [m s⁻¹], [K], [gpm]
    terrain_m : float32 array [Y, X]
        Model terrain above mean sea level. [m]
    wind_u_10m_mps, ... : float32 array [M or 1, T, Y, X], optional
        Winds above ground, in pairs. [m s⁻¹]
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
    hydrostatically. A missing value makes NaN of all heights that it would have informed.
    """
    order = np.argsort(-np.asarray(pressure_pa))
    pressure = np.asarray(pressure_pa, dtype=np.float64)[order]
    levels = (u_mps, v_mps, temperature_k, geopotential_height_m)
    members, times = len(member_labels), time_unix_s.size
    plane = (latitude_deg.size, longitude_deg.size)
    surface = _surface_pairs(
        ((10.0, wind_u_10m_mps, wind_v_10m_mps), (100.0, wind_u_100m_mps, wind_v_100m_mps)),
        members,
        (times, *plane),
    )
    _same_shapes(levels, (members, times, pressure.size, *plane))
    air = np.empty((members, times, *plane, height_m.size, 4), dtype=np.float32)
    tops = np.empty((members, times))
    latitudes = np.repeat(np.asarray(latitude_deg, dtype=np.float64), plane[1])
    terrain = np.asarray(terrain_m, dtype=np.float64).ravel()

    def lay(item: int) -> None:
        m, t = divmod(item, times)
        columns = tuple(x[m, t].reshape(pressure.size, -1).T[:, order] for x in levels)
        below = [
            SurfaceWind(z, u[m % len(u), t].ravel(), v[m % len(v), t].ravel())
            for z, u, v in surface
        ]
        nodes = column_nodes(
            pressure,
            latitudes,
            terrain,
            columns,
            below,
            float(height_m[-1]),
        )
        kernels.lay_columns(height_m, *nodes[:6], air[m, t].reshape(-1, height_m.size, 4))
        tops[m, t] = np.min(nodes.top_m, where=np.isfinite(nodes.top_m), initial=np.inf)

    with ThreadPoolExecutor(threads) as pool:
        list(pool.map(lay, range(members * times)))
    if not np.isfinite(tops).any():
        raise InputError("no level of the forecast has a geopotential height anywhere")
    return WindGrid(
        time_unix_s=np.asarray(time_unix_s, dtype=np.float64),
        height_m=np.asarray(height_m, dtype=np.float64),
        latitude_deg=np.asarray(latitude_deg, dtype=np.float64),
        longitude_deg=np.asarray(longitude_deg, dtype=np.float64),
        air=air,
        terrain_m=np.asarray(terrain_m, dtype=np.float32),
        top_height_m=float(tops.min()),
        cycle_unix_s=cycle_unix_s,
        member_labels=member_labels,
    )


def _same_shapes(levels: tuple[NDArray[np.float32], ...], shape: tuple[int, ...]) -> None:
    """Refuse fields on levels that do not fit the axes."""
    for values in levels:
        if values.shape != shape:
            raise InputError(f"a field on levels has shape {values.shape}; the axes say {shape}")


def _surface_pairs(
    given: tuple[tuple[float, NDArray[np.float32] | None, NDArray[np.float32] | None], ...],
    members: int,
    shape: tuple[int, ...],
) -> list[tuple[float, NDArray[np.float32], NDArray[np.float32]]]:
    """Surface winds that were given, lowest first, their shapes checked."""
    pairs = []
    for above_ground_m, u, v in given:
        if u is None and v is None:
            continue
        if u is None or v is None:
            raise InputError(f"the {above_ground_m:.0f} m wind needs both components")
        for values in (u, v):
            if values.shape not in ((members, *shape), (1, *shape)):
                raise InputError(
                    f"{above_ground_m:.0f} m wind has shape {values.shape}; "
                    f"the axes say {(members, *shape)} or {(1, *shape)}"
                )
        pairs.append((above_ground_m, u, v))
    return pairs


def merge_members(control: WindGrid, members: WindGrid) -> WindGrid:
    """One grid with the control first and the members after it, on the control's times.

    The members may have other times: they are interpolated linearly, and are NaN where
    the control goes on before their first or after their last.

    Raises
    ------
    InputError
        If heights, latitudes or longitudes differ.
    """
    for name in ("height_m", "latitude_deg", "longitude_deg"):
        one, other = getattr(control, name), getattr(members, name)
        if one.shape != other.shape or not np.allclose(one, other, rtol=0.0, atol=1e-6):
            raise InputError(f"members and control differ in {name}; cut both to the same grid")
    time = control.time_unix_s
    count = len(control.member_labels)
    shape = (count + len(members.member_labels), *control.air.shape[1:])
    air = np.empty(shape, dtype=np.float32)
    air[:count] = control.air
    source = members.time_unix_s
    spot = np.interp(time, source, np.arange(source.size), left=np.nan, right=np.nan)
    for t in range(time.size):
        if np.isnan(spot[t]):
            air[count:, t] = np.nan
            continue
        early = min(int(spot[t]), max(source.size - 2, 0))
        share = np.float32(spot[t] - early)
        if share == 0.0:  # a gap at the other time says nothing about this one
            air[count:, t] = members.air[:, early]
        elif share == 1.0:
            air[count:, t] = members.air[:, early + 1]
        else:
            before, after = members.air[:, early], members.air[:, early + 1]
            air[count:, t] = before + share * (after - before)
    return replace(
        control,
        air=air,
        top_height_m=min(control.top_height_m, members.top_height_m),
        member_labels=control.member_labels + members.member_labels,
    )


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
    return replace(grid, time_unix_s=time, air=np.repeat(grid.air, 2, axis=1))
