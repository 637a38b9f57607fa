"""Grids of forecast files, regular and Lambert conformal, and their crop to an area. Pure.

Keys and their units: WMO-No. 306, Manual on Codes, volume I.2: template 3.30 (Lambert conformal),
code table 3.2 (shape of the Earth) and flag table 3.3 (whether winds are along the grid).

The projection: J. P. Snyder, Map Projections: A Working Manual, U.S. Geological Survey
Professional Paper 1395 (1987), chapter 15, equations 14-1, 14-2, 14-4, 14-10 and 15-1 to 15-5
(sphere).
"""

from collections.abc import Callable
from dataclasses import dataclass
from math import cos, isclose, log, pi, radians, sin, tan
from typing import Any

import numpy as np
from numpy.typing import NDArray

from windowwatch.errors import InputError, SourceError
from windowwatch.units import FloatArray

#: South, west, north, east of a box on the globe. [deg] East may exceed 180, or be less than
#: west where the box spans the date line.
Area = tuple[float, float, float, float]

#: Grid definition templates (code table 3.1): regular latitude-longitude, Lambert conformal.
REGULAR, LAMBERT = 0, 30

#: More rows or columns than this are taken for damage: 0.02 degree right round the globe.
LONGEST_AXIS = 18_000

#: Spheres of code table 3.2 that have a fixed radius. [m]
_RADII_M = {0: 6_367_470.0, 6: 6_371_229.0}
_GIVEN_RADIUS = 1
#: Bit 5 of flag table 3.3: wind is along the grid, not to east and north.
_ALONG_GRID = 8


@dataclass(frozen=True, slots=True)
class LambertConformal:
    """A cone on a sphere.

    Parameters
    ----------
    parallel_1_deg, parallel_2_deg : float
        Where the scale is true; the same twice for a cone that touches. [deg]
    meridian_deg : float
        The one that runs straight up. [deg]
    radius_m : float

    Raises
    ------
    InputError
        If there is no such cone.
    """

    parallel_1_deg: float
    parallel_2_deg: float
    meridian_deg: float
    radius_m: float

    def __post_init__(self) -> None:
        low, high = sorted((self.parallel_1_deg, self.parallel_2_deg))
        if not (low >= -89.0 and high <= 89.0) or isclose(low + high, 0.0, abs_tol=1e-6):
            raise InputError(f"no cone has its standard parallels at {low:g} and {high:g} degrees")
        if not 1e6 < self.radius_m < 1e7:
            raise InputError(f"{self.radius_m:g} m is no radius of the Earth")

    @property
    def cone(self) -> float:
        """Constant of the cone: degrees of the map for a degree of longitude. [1]"""
        first, second = radians(self.parallel_1_deg), radians(self.parallel_2_deg)
        if isclose(first, second, abs_tol=1e-9):
            return sin(first)
        opening = log(tan(pi / 4 + second / 2) / tan(pi / 4 + first / 2))
        return log(cos(first) / cos(second)) / opening

    @property
    def _scale_m(self) -> float:
        first, n = radians(self.parallel_1_deg), self.cone
        return float(self.radius_m * cos(first) * tan(pi / 4 + first / 2) ** n / n)

    def turn_rad(self, longitude_deg: FloatArray) -> FloatArray:
        """By how much the map's north lies clockwise of true north. [rad]"""
        apart = (np.asarray(longitude_deg) - self.meridian_deg + 180.0) % 360.0 - 180.0
        return np.asarray(self.cone * np.radians(apart))

    def forward(
        self, latitude_deg: FloatArray, longitude_deg: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Place on the map, to the right and up, from the tip of the cone. [m]"""
        half = pi / 4 + np.radians(latitude_deg) / 2
        radius, turn = self._scale_m / np.tan(half) ** self.cone, self.turn_rad(longitude_deg)
        return radius * np.sin(turn), -radius * np.cos(turn)

    def inverse(self, x_m: FloatArray, y_m: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Latitude, and longitude within 180 degrees of the map's own meridian. [deg]"""
        n = self.cone
        side = np.sign(n)
        radius = side * np.hypot(x_m, y_m)
        turn = np.arctan2(side * np.asarray(x_m), -side * np.asarray(y_m))
        latitude = 2.0 * np.arctan((self._scale_m / radius) ** (1.0 / n)) - pi / 2
        return np.degrees(latitude), self.meridian_deg + np.degrees(turn) / n

    def to_east_and_north(
        self, right_mps: FloatArray, up_mps: FloatArray, longitude_deg: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """A wind along the map's axes, turned to east and north. [m s⁻¹]

        The projection is conformal, so that it is a turn and nothing else; true north on the
        map points to the tip of the cone.
        """
        turn = self.turn_rad(longitude_deg)
        east = right_mps * np.cos(turn) + up_mps * np.sin(turn)
        return east, up_mps * np.cos(turn) - right_mps * np.sin(turn)


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


@dataclass(frozen=True, slots=True)
class Grid:
    """A grid as a file describes it. [deg]

    `template` is that of code table 3.1, `scanning` the flags of flag table 3.4; the numbers
    of rows and columns and the corners are 0 for grids that are not read, and so are the corners
    of a `projected` one: that is the grid itself, or why it is not read.
    """

    template: int
    scanning: int = 0
    columns: int = 0
    rows: int = 0
    first_latitude_deg: float = 0.0
    first_longitude_deg: float = 0.0
    last_latitude_deg: float = 0.0
    last_longitude_deg: float = 0.0
    projected: LambertGrid | str | None = None

    @property
    def refusal(self) -> str | None:
        """Why the grid is not read, or None if it is.

        On a regular latitude-longitude grid winds "along the grid" are winds along meridian
        and parallel, so the flag for grid-relative wind makes no difference.
        """
        if isinstance(self.projected, str):
            return self.projected
        if self.projected is None and self.template != REGULAR:
            return f"its grid is of template {self.template}; only regular latitude-longitude"
        if self.projected is None and self.scanning not in (0, 64):
            return f"it is scanned in mode {self.scanning}; only rows from west to east"
        if not (1 <= self.columns <= LONGEST_AXIS and 1 <= self.rows <= LONGEST_AXIS):
            return f"it claims {self.rows} x {self.columns} points; only 1 to {LONGEST_AXIS} a side"
        if self.projected is not None:
            return None
        if self.rows > 1 and self.first_latitude_deg == self.last_latitude_deg:
            return "all its rows lie on one latitude; only one row a latitude"
        return None

    @property
    def latitude_deg(self) -> NDArray[np.float64]:
        """Latitudes in the order of the file. [deg]"""
        axis = np.linspace(self.first_latitude_deg, self.last_latitude_deg, self.rows)
        return np.round(axis, 6)

    @property
    def longitude_deg(self) -> NDArray[np.float64]:
        """Longitudes eastward from the first one, running on past 360. [deg]"""
        span = (self.last_longitude_deg - self.first_longitude_deg) % 360.0
        if span == 0.0 and self.columns > 1:
            span = 360.0
        axis = self.first_longitude_deg + np.linspace(0.0, span, self.columns)
        return np.round(axis, 6)

    def __str__(self) -> str:
        if self.projected is not None:
            return f"{self.rows} x {self.columns} points in Lambert conformal projection"
        west = (self.first_longitude_deg + 180.0) % 360.0 - 180.0
        east = west + float(self.longitude_deg[-1]) - self.first_longitude_deg
        return (
            f"{self.rows} x {self.columns} points, latitude {self.first_latitude_deg:g} to "
            f"{self.last_latitude_deg:g}, longitude {west:g} to {east:g}"
        )


@dataclass(frozen=True)
class Crop:
    """Rows and columns of a grid that are kept, and where they lie.

    Latitudes stay in the order of the file; longitudes rise, past 360 if need be, and start
    in [-180, 180). Of a projected grid both are those of every point, [rows, columns]. [deg]
    """

    rows: slice
    columns: NDArray[np.intp]
    latitude_deg: NDArray[np.float64]
    longitude_deg: NDArray[np.float64]


def crop(grid: Grid, area: Area | None, name: str = "the forecast") -> Crop:
    """Rows and columns of `grid` that cover `area`, the points just outside included.

    A grid right round the globe that is kept whole gets its first column once more at the
    end, so that there is no seam.

    Raises
    ------
    SourceError
        If the grid has nothing of the area; `name` says whose grid it is.
    """
    if isinstance(grid.projected, LambertGrid):
        return _projected(grid.projected, area, name)
    latitude, longitude = grid.latitude_deg, grid.longitude_deg
    step = float(longitude[1] - longitude[0]) if grid.columns > 1 else 1.0
    ring = next((n for n in (grid.columns, grid.columns - 1) if abs(n * step - 360) < step / 2), 0)
    if area is None:
        rows = slice(0, grid.rows)
        columns = np.arange(ring + 1 if ring else grid.columns)
    else:
        rows = _rows(latitude, area)
        columns = _columns(longitude, step, area, ring)
    if rows.stop - rows.start < 2 or columns.size < 2:
        wanted = "two rows and columns"
        if area is not None:
            south, west, north, east = area
            wanted = f"latitude {south:.2f} to {north:.2f}, longitude {west:.2f} to {east:.2f}"
        raise SourceError(
            f"{name}: covers {grid}; wanted round the sites is {wanted}. Fetch a file that "
            f"covers it, or correct the sites"
        )
    columns_in_file = columns % (ring or grid.columns)
    west = (float(longitude[columns_in_file[0]]) + 180.0) % 360.0 - 180.0
    eastward = west + step * np.arange(columns.size)
    return Crop(rows, columns_in_file, latitude[rows], np.round(eastward, 6))


def _projected(grid: LambertGrid, area: Area | None, name: str) -> Crop:
    """The part of a projected grid that covers an area, as far as the grid goes."""
    rows, columns = grid.window(area)
    if rows.stop - rows.start < 2 or columns.stop - columns.start < 2:
        raise SourceError(
            f"{name}: covers {grid.rows} x {grid.columns} points in Lambert conformal projection, "
            "which has nothing of what is wanted round the sites; correct the sites"
        )
    return Crop(rows, np.arange(columns.start, columns.stop), *grid.places(rows, columns))


def _rows(latitude_deg: NDArray[np.float64], area: Area) -> slice:
    """Rows from the last at or beyond one side of the area to the first beyond the other."""
    south, _, north, _ = area
    falling = latitude_deg.size > 1 and latitude_deg[0] > latitude_deg[-1]
    rising = latitude_deg[::-1] if falling else latitude_deg
    first = max(int(np.searchsorted(rising, south, side="right")) - 1, 0)
    last = min(int(np.searchsorted(rising, north, side="left")), rising.size - 1)
    if north < rising[0] or south > rising[-1]:
        return slice(0, 0)
    first = min(first, max(last - 1, 0))
    last = max(last, min(first + 1, rising.size - 1))
    if falling:
        return slice(rising.size - 1 - last, rising.size - first)
    return slice(first, last + 1)


def _columns(
    longitude_deg: NDArray[np.float64], step: float, area: Area, ring: int
) -> NDArray[np.intp]:
    """Columns from west to east, as numbers that may run past the last one of a ring."""
    _, area_west, _, area_east = area
    width = 360.0 if area_east - area_west >= 360.0 else (area_east - area_west) % 360.0
    span = float(longitude_deg[-1] - longitude_deg[0])
    west = (area_west - float(longitude_deg[0])) % 360.0
    if not ring and west > span:
        west -= 360.0
    first = int(np.floor(west / step + 1e-6))
    last = max(int(np.ceil((west + width) / step - 1e-6)), first + 1)
    if ring:
        return np.arange(first, min(last, first + ring) + 1)
    if west + width < 0.0 or west > span:
        return np.arange(0)
    size = longitude_deg.size
    first, last = max(first, 0), min(last, size - 1)
    return np.arange(min(first, max(size - 2, 0)), max(last, min(1, size - 1)) + 1)
