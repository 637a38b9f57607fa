"""How much of a forecast's error the members of an ensemble already show."""

from itertools import product

import numpy as np
from numpy.typing import NDArray

from windowwatch.physics.flights import Launches
from windowwatch.physics.surface import SurfaceGrid
from windowwatch.physics.winderror import Shown
from windowwatch.physics.windgrid import WindGrid
from windowwatch.units import FloatArray

#: Neighbours of values on an axis, lower and upper, and the weights of these.
_Sides = tuple[tuple[NDArray[np.intp], NDArray[np.intp]], tuple[FloatArray, FloatArray]]


def shown_aloft(grid: WindGrid, launches: Launches, height_m: FloatArray) -> Shown:
    """Variance of one wind component between members, over each launch at its time.

    Parameters
    ----------
    grid : WindGrid
        [M] members.
    launches : Launches
        [N]; one outside the grid is held at its edge, where its flights end anyway.
    height_m : array [K]
        [m]

    Returns
    -------
    Shown
        [N, K]: mean of both components. [m² s⁻²] Members that lack the wind at a height are
        left out there; with fewer than two nothing is shown.
    """
    west = float(grid.longitude_deg[0])
    east = west + np.mod(launches.longitude_deg - west, 360.0)
    places = (
        _between(grid.latitude_deg, launches.latitude_deg),
        _between(grid.longitude_deg, east),
    )
    time = np.clip(launches.time_unix_s, grid.time_unix_s[0], grid.time_unix_s[-1])
    runs = [(grid.time_unix_s, grid.air), *((own.time_unix_s, own.air) for own in grid.own_steps)]
    wind = np.concatenate([_wind(steps, air, time, places) for steps, air in runs])
    (below, above), (low, high) = _between(grid.height_m.astype(np.float64), height_m)
    wind = wind[:, :, below] * low[:, None] + wind[:, :, above] * high[:, None]
    both = _shown(wind)
    return Shown(both.variance.mean(axis=-1), both.members.min(axis=-1))


def _wind(
    steps: FloatArray, air: NDArray[np.float32], time: FloatArray, places: tuple[_Sides, _Sides]
) -> FloatArray:
    """Wind of members over launches [m, N, H, 2]; NaN before their first step, after the last."""
    axes = (_between(steps, time), *places)
    wind = np.zeros(())
    for corner in product((0, 1), repeat=3):
        row, y, x = (axis[0][side] for axis, side in zip(axes, corner, strict=True))
        weight = np.prod([axis[1][side] for axis, side in zip(axes, corner, strict=True)], axis=0)
        near = air[:, row, y, x, :, :2].astype(np.float64)
        # a neighbour without weight does not count, though it be missing
        wind = wind + np.where(weight[:, None, None] > 0.0, near * weight[:, None, None], 0.0)
    there = (steps[0] <= time) & (time <= steps[-1])
    return np.where(there[:, None, None], wind, np.nan)


def shown_near_ground(
    surface: SurfaceGrid, latitude_deg: float, longitude_deg: float, time_unix_s: FloatArray
) -> Shown | None:
    """Variance of the wind speed 10 m above a site between members, at times [N]. [m² s⁻²]

    None where the forecast has no such wind.

    Raises
    ------
    InputError
        If the site is off the grid.
    """
    values = surface.at(latitude_deg, longitude_deg).values
    if not {"wind_u_10m_mps", "wind_v_10m_mps"} <= values.keys():
        return None
    speed = np.hypot(values["wind_u_10m_mps"], values["wind_v_10m_mps"])
    (early, later), (before, after) = _between(surface.time_unix_s, time_unix_s)
    # a time without weight does not count, though it be missing
    first = np.where(before > 0.0, speed[:, early] * before, 0.0)
    return _shown(first + np.where(after > 0.0, speed[:, later] * after, 0.0))


def _shown(values: FloatArray) -> Shown:
    """Variance along the first axis, of the values that are given."""
    given = np.isfinite(values)
    count = given.sum(axis=0)
    filled = np.where(given, values, 0.0)
    off = np.where(given, values - filled.sum(axis=0) / np.maximum(count, 1), 0.0)
    return Shown((off**2).sum(axis=0) / np.maximum(count - 1, 1), count.astype(np.intp))


def _between(axis: FloatArray, values: FloatArray) -> _Sides:
    """Neighbours of values on a rising axis and their weights; held beyond its ends."""
    spot = np.interp(values, axis, np.arange(axis.size))
    low = np.minimum(spot.astype(np.intp), max(axis.size - 2, 0))
    share = spot - low
    return (low, np.minimum(low + 1, axis.size - 1)), (1.0 - share, share)
