"""Weather near the ground: named fields on the forecast grid, and their series at a point."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from windowwatch.errors import InputError

#: Every surface field the house knows, with what it means. A field that a source does not
#: give is absent from the mapping (never filled with zeros).
SURFACE_FIELDS: Mapping[str, str] = {
    "wind_u_10m_mps": "eastward wind 10 m above ground",
    "wind_v_10m_mps": "northward wind 10 m above ground",
    "gust_mps": "wind gust near the ground",
    "wind_u_100m_mps": "eastward wind 100 m above ground",
    "wind_v_100m_mps": "northward wind 100 m above ground",
    "temperature_2m_k": "air temperature 2 m above ground",
    "dew_point_2m_k": "dew point 2 m above ground",
    "pressure_msl_pa": "pressure reduced to mean sea level",
    "pressure_surface_pa": "pressure at the ground",
    "cloud_low_pct": "low cloud cover",
    "cloud_middle_pct": "middle cloud cover",
    "cloud_high_pct": "high cloud cover",
    "cloud_total_pct": "total cloud cover",
    "ceiling_m": "height of the cloud ceiling",
    "visibility_m": "horizontal visibility",
    "precipitation_rate_mmph": "rate of precipitation",
    "precipitation_mm": "precipitation in the interval that ends at this time",
    "cape_jpkg": "convective available potential energy",
    "lifted_index_k": "lifted index of air from the ground: below zero it goes on rising",
    "freezing_rain": "freezing rain, 1 where it falls and 0 where not",
}

#: Fields of which the lowest neighbour counts: a mean of "600 m" and "no ceiling at all" would
#: be a ceiling that nobody forecast, and a harmless one.
LOWEST_COUNTS = frozenset({"ceiling_m", "visibility_m"})

#: Fields that another stands in for where a source never has them (the mask apart).
STOOD_IN_FOR = frozenset({"precipitation_rate_mmph", "precipitation_mm", "gust_mps"})


class CellMethod(StrEnum):
    """What a value is of its interval: words of the CF Conventions, appendix E."""

    POINT = "point"
    MEAN = "mean"
    SUM = "sum"
    MAXIMUM = "maximum"
    MINIMUM = "minimum"


@dataclass(frozen=True)
class TimeCells:
    """The intervals that values stand for: cells of the time axis (CF Conventions, chapter 7).

    Parameters
    ----------
    method : CellMethod
        What each value is of its interval; never `POINT`.
    start_unix_s : float64 array [T]
        Where the interval begins that ends at each time. NaN where none ends there: before
        the first one, and where a longer one that ends later covers the time. An interval
        whose value is missing has its beginning all the same. Between two intervals there may
        be times that none covers.
    """

    method: CellMethod
    start_unix_s: NDArray[np.float64]


def cells_since_time_before(method: CellMethod, time_unix_s: NDArray[np.float64]) -> TimeCells:
    """Intervals that begin at the time before; none ends at the first time."""
    return TimeCells(method, np.concatenate([[np.nan], time_unix_s[:-1]]))


@dataclass(frozen=True)
class SurfaceSeries:
    """Surface fields at one point. Each array is [M, T]; M is 1 where members share it.

    `cells` has the intervals of those fields that do not stand for the time itself.
    """

    time_unix_s: NDArray[np.float64]
    values: Mapping[str, NDArray[np.float64]]
    cells: Mapping[str, TimeCells] = field(default_factory=dict)


@dataclass(frozen=True)
class SurfaceGrid:
    """Surface fields on the forecast grid.

    Parameters
    ----------
    time_unix_s : float64 array [T]
    latitude_deg, longitude_deg : float64 array [Y], [X]
        Rising; longitudes run on past 180 rather than jump. [deg]
    fields : mapping of str to float32 array [M, T, Y, X]
        Keys from `SURFACE_FIELDS`; M is 1 where all members share the field; NaN where
        the forecast gave nothing at that time.
    land_fraction : float32 array [Y, X] or None
        1 on land, 0 on water; None when the source has no land mask.
    cells : mapping of str to TimeCells
        The intervals of those fields that do not stand for the time itself. A field that is
        not in it is one of instants; an amount of precipitation is then one since the time
        before.
    """

    time_unix_s: NDArray[np.float64]
    latitude_deg: NDArray[np.float64]
    longitude_deg: NDArray[np.float64]
    fields: Mapping[str, NDArray[np.float32]] = field(default_factory=dict)
    land_fraction: NDArray[np.float32] | None = None
    cells: Mapping[str, TimeCells] = field(default_factory=dict)

    def __post_init__(self) -> None:
        shape = (self.time_unix_s.size, self.latitude_deg.size, self.longitude_deg.size)
        for name, values in self.fields.items():
            if name not in SURFACE_FIELDS:
                raise InputError(f"surface field {name!r} is not one of {sorted(SURFACE_FIELDS)}")
            if values.ndim != 4 or values.shape[1:] != shape:
                raise InputError(
                    f"{name} has shape {values.shape}; its axes say (members, *{shape})"
                )
        for name, cells in self.cells.items():
            self._check_cells(name, cells)

    def _check_cells(self, name: str, cells: TimeCells) -> None:
        start = cells.start_unix_s
        if name not in self.fields or cells.method is CellMethod.POINT:
            raise InputError(f"{name}: intervals of a field that is not there, or of instants")
        if start.shape != self.time_unix_s.shape or np.any(start >= self.time_unix_s):
            raise InputError(f"{name}: an interval must begin before the time at which it ends")

    def with_lost(self, promised: Collection[str]) -> "SurfaceGrid":
        """The grid with what was promised and did not come, where something would stand in for it.

        Such a field is NaN throughout: absent it would mean that the source never has it, and the
        amount of rain would be answered by its rate, the gust by the mean wind, and the land mask
        by the map, as if nothing were missing.

        Parameters
        ----------
        promised : collection of str
            Fields, and ``land_fraction``, that the source says it has.
        """
        shape = (1, self.time_unix_s.size, self.latitude_deg.size, self.longitude_deg.size)
        lost = (STOOD_IN_FOR & set(promised)) - set(self.fields)
        planes = {name: np.full(shape, np.nan, dtype=np.float32) for name in sorted(lost)}
        mask = self.land_fraction
        if mask is None and "land_fraction" in promised:
            mask = np.full(shape[2:], np.nan, dtype=np.float32)
        return replace(self, fields={**self.fields, **planes}, land_fraction=mask)

    def at(self, latitude_deg: float, longitude_deg: float) -> SurfaceSeries:
        """Series of every field at a point: bilinear, or the lowest of the four neighbours.

        Raises
        ------
        InputError
            If the point is off the grid.
        """
        rows, columns, weights = self._corners(latitude_deg, longitude_deg)
        values = {}
        for name, grid in self.fields.items():
            near = grid[:, :, rows, columns].astype(np.float64)
            values[name] = near.min(axis=2) if name in LOWEST_COUNTS else near @ weights
        return SurfaceSeries(self.time_unix_s, values, self.cells)

    def _corners(
        self, latitude_deg: float, longitude_deg: float
    ) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.float64]]:
        """Row, column and weight of the four grid points around a point."""
        row = _position(self.latitude_deg, latitude_deg, "latitude")
        west = float(self.longitude_deg[0])
        column = _position(self.longitude_deg, west + (longitude_deg - west) % 360.0, "longitude")
        row0 = min(int(row), max(self.latitude_deg.size - 2, 0))
        column0 = min(int(column), max(self.longitude_deg.size - 2, 0))
        up, right = row - row0, column - column0
        rows = np.array([row0, row0, row0 + 1, row0 + 1])
        columns = np.array([column0, column0 + 1, column0, column0 + 1])
        weights = np.array([(1 - up) * (1 - right), (1 - up) * right, up * (1 - right), up * right])
        keep = weights > 0.0  # a corner without weight may lie outside the array
        return rows[keep], columns[keep], weights[keep]


def _position(axis: NDArray[np.float64], value: float, what: str) -> float:
    """Fractional index of `value` on a rising axis."""
    if not axis[0] <= value <= axis[-1]:
        raise InputError(
            f"{what} {value:.3f} is outside the forecast grid {axis[0]:.3f} to {axis[-1]:.3f}"
        )
    return float(np.interp(value, axis, np.arange(axis.size)))
