"""Air aloft on fixed heights: the one form in which flights see the weather.

Assumptions a reader can check: longitudes and latitudes rise with an even step; times
rise; heights rise and are geometric, above mean sea level; the air array is packed
column-wise so that one flight step reads neighbouring memory.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from windowwatch.errors import InputError

#: Order of the quantities in the last axis of `WindGrid.air`.
U, V, TEMPERATURE, LOG_PRESSURE = 0, 1, 2, 3


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
        return bool(
            self.latitude_deg[0] <= latitude_deg <= self.latitude_deg[-1]
            and (offset <= east - west or east - west >= 360.0)
        )
