"""The air of a wind grid at single places and times, as flights see it there. Pure."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from windowwatch.physics.windgrid import WindGrid

FloatArray = NDArray[np.float64]


def air_at(
    grid: WindGrid,
    time_unix_s: ArrayLike,
    latitude_deg: ArrayLike,
    longitude_deg: ArrayLike,
    height_m: ArrayLike,
    member: int = 0,
) -> FloatArray:
    """Wind, temperature and pressure at points, linear in time, place and height.

    Parameters
    ----------
    grid : WindGrid
    time_unix_s, latitude_deg, longitude_deg, height_m : array_like, broadcast to [...]
    member : int

    Returns
    -------
    array [..., 4]
        Eastward and northward wind, temperature, and the logarithm of pressure, as in
        `WindGrid.air`. NaN off the grid in any direction, and where the forecast gave nothing.
    """
    when, lat, lon, high = np.broadcast_arrays(
        *(np.asarray(x, dtype=np.float64) for x in
          (time_unix_s, latitude_deg, longitude_deg, height_m))
    )  # fmt: skip
    west = float(grid.longitude_deg[0])
    axes = (
        (grid.time_unix_s, when),
        (grid.latitude_deg, lat),
        (grid.longitude_deg, west + np.mod(lon - west, 360.0)),
        (grid.height_m, high),
    )
    inside = np.ones(when.shape, dtype=np.bool_)
    low, share = [], []
    for axis, values in axes:
        inside &= (values >= axis[0]) & (values <= axis[-1])
        index = np.clip(np.searchsorted(axis, values, side="right") - 1, 0, max(axis.size - 2, 0))
        above = np.minimum(index + 1, axis.size - 1)
        span = np.where(above > index, axis[above] - axis[index], 1.0)
        low.append(index)
        share.append(np.clip((values - axis[index]) / span, 0.0, 1.0))
    found = np.zeros((*when.shape, 4))
    for corner in range(16):
        bits = [(corner >> bit) & 1 for bit in range(4)]
        weight = np.ones(when.shape)
        spot = []
        for (axis, _), index, part, bit in zip(axes, low, share, bits, strict=True):
            weight = weight * (part if bit else 1.0 - part)
            spot.append(np.minimum(index + bit, axis.size - 1))
        values = grid.air[(member, *spot)].astype(np.float64)
        # a corner without weight has no say, even where it is missing
        found += np.where(weight[..., None] > 0.0, weight[..., None] * values, 0.0)
    return np.where(inside[..., None], found, np.nan)


def ground_at(grid: WindGrid, latitude_deg: ArrayLike, longitude_deg: ArrayLike) -> FloatArray:
    """Model terrain at points, linear; NaN off the grid. [m]"""
    lat, lon = np.broadcast_arrays(
        np.asarray(latitude_deg, dtype=np.float64), np.asarray(longitude_deg, dtype=np.float64)
    )
    west = float(grid.longitude_deg[0])
    y = np.interp(lat, grid.latitude_deg, np.arange(grid.latitude_deg.size), np.nan, np.nan)
    x = np.interp(
        west + np.mod(lon - west, 360.0),
        grid.longitude_deg,
        np.arange(grid.longitude_deg.size),
        np.nan,
        np.nan,
    )
    known = np.isfinite(x) & np.isfinite(y)
    row = np.minimum(np.where(known, y, 0.0).astype(np.intp), grid.latitude_deg.size - 2)
    column = np.minimum(np.where(known, x, 0.0).astype(np.intp), grid.longitude_deg.size - 2)
    fy, fx = y - row, x - column
    terrain = grid.terrain_m.astype(np.float64)
    south = (1 - fx) * terrain[row, column] + fx * terrain[row, column + 1]
    north = (1 - fx) * terrain[row + 1, column] + fx * terrain[row + 1, column + 1]
    return np.asarray((1 - fy) * south + fy * north)
