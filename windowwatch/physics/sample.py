"""The air of a wind grid at single places and times, as flights see it there. Pure."""

import numpy as np
from numpy.typing import ArrayLike

from windowwatch.physics.windgrid import WindGrid
from windowwatch.units import FloatArray


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
