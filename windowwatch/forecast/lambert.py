"""Grids in Lambert conformal projection: GRIB2 grid definition template 3.30. Pure.

Keys and their units: WMO-No. 306, Manual on Codes, volume I.2, template 3.30, code table 3.2
(shape of the Earth) and flag table 3.3 (whether winds are along the grid).
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from windowwatch.errors import InputError
from windowwatch.physics.lambert import LambertConformal

FloatArray = NDArray[np.float64]

#: Grid definition template (code table 3.1).
LAMBERT = 30
#: Spheres of code table 3.2 that have a fixed radius. [m]
_RADII_M = {0: 6_367_470.0, 6: 6_371_229.0}
_GIVEN_RADIUS = 1
#: Bit 5 of flag table 3.3: wind is along the grid, not to east and north.
_ALONG_GRID = 8


@dataclass(frozen=True, slots=True)
class LambertGrid:
    """Where the points of such a grid lie: columns to the right, rows upward.

    `along_grid` tells whether winds are counted along columns and rows.
    """

    cone: LambertConformal
    columns: int
    rows: int
    first_latitude_deg: float
    first_longitude_deg: float
    column_m: float
    row_m: float
    along_grid: bool

    def positions(
        self, latitude_deg: FloatArray, longitude_deg: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Row and column of places, with fractions; outside the grid beyond its numbers."""
        x, y = self.cone.forward(latitude_deg, longitude_deg)
        x0, y0 = self._origin_m()
        return (y - y0) / self.row_m, (x - x0) / self.column_m

    def places(self, rows: slice, columns: slice) -> tuple[FloatArray, FloatArray]:
        """Latitude and longitude of the points of some rows and columns, [rows, columns]. [deg]"""
        x0, y0 = self._origin_m()
        x = x0 + self.column_m * np.arange(columns.start, columns.stop)
        y = y0 + self.row_m * np.arange(rows.start, rows.stop)
        return self.cone.inverse(*np.meshgrid(x, y))

    def has(self, latitude_deg: FloatArray, longitude_deg: FloatArray) -> NDArray[np.bool_]:
        """Which places have grid points on all sides."""
        row, column = self.positions(latitude_deg, longitude_deg)
        in_rows = (row >= 0.0) & (row <= self.rows - 1)
        return np.asarray(in_rows & (column >= 0.0) & (column <= self.columns - 1))

    def window(self, area: tuple[float, float, float, float] | None) -> tuple[slice, slice]:
        """Rows and columns that cover a box on the globe; empty where they have nothing of it.

        Parallels are curves on the map: the box is looked at along its whole edge.
        """
        if area is None:
            return slice(0, self.rows), slice(0, self.columns)
        south, west, north, east = area
        wide = (east - west) % 360.0 or 360.0 * (east > west)
        share = np.linspace(0.0, 1.0, 41)
        up, across = south + (north - south) * share, west + wide * share
        latitude = np.concatenate([up, up, np.full(41, south), np.full(41, north)])
        longitude = np.concatenate([np.full(41, west), np.full(41, west + wide), across, across])
        row, column = self.positions(latitude, longitude)
        return _covering(row, self.rows), _covering(column, self.columns)

    def _origin_m(self) -> tuple[float, float]:
        latitude, longitude = np.array(self.first_latitude_deg), np.array(self.first_longitude_deg)
        x, y = self.cone.forward(latitude, longitude)
        return float(x), float(y)


def _covering(position: FloatArray, count: int) -> slice:
    first = max(int(np.floor(position.min())), 0)
    last = min(int(np.ceil(position.max())), count - 1)
    return slice(first, max(last + 1, first))


def read_lambert(get: Callable[[str], Any]) -> LambertGrid | str:
    """The grid that a message describes, or why it is not read.

    Parameters
    ----------
    get : callable
        Answers an ecCodes key, as in `messages.read_key`.
    """
    radius = _radius_m(get)
    if radius is None:
        return f"its Earth is of shape {get('shapeOfTheEarth:int')}; only a sphere"
    first, second, true = (get(f"{key}InDegrees:float") for key in ("Latin1", "Latin2", "LaD"))
    if min(abs(true - first), abs(true - second)) > 1e-6:
        return (
            f"its lengths hold at latitude {true:g}, no standard parallel; only one where they do"
        )
    if get("projectionCentreFlag:int"):
        return "its cone is turned to the south; only one turned to the north"
    if get("scanningMode:int") != 64:
        return f"it is scanned in mode {get('scanningMode:int')}; only rows from south to north"
    try:
        cone = LambertConformal(first, second, get("LoVInDegrees:float"), radius)
    except InputError as error:
        return f"{error.message}; only a cone"
    steps_m = get("DxInMetres:float"), get("DyInMetres:float")
    if min(steps_m) <= 0.0:
        return "its points have no distance; only one with its distances"
    return LambertGrid(
        cone,
        get("Nx:int"),
        get("Ny:int"),
        get("latitudeOfFirstGridPointInDegrees:float"),
        get("longitudeOfFirstGridPointInDegrees:float"),
        *steps_m,
        bool(get("resolutionAndComponentFlags:int") & _ALONG_GRID),
    )


def _radius_m(get: Callable[[str], Any]) -> float | None:
    shape = get("shapeOfTheEarth:int")
    if shape == _GIVEN_RADIUS:
        scale = get("scaleFactorOfRadiusOfSphericalEarth:int")
        return float(get("scaledValueOfRadiusOfSphericalEarth:int") / 10.0**scale)
    return _RADII_M.get(shape)
