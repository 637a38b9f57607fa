"""A flat map about one point, in metres, and a grid of square cells on it. Pure.

The map is an azimuthal equidistant projection on the WGS 84 ellipsoid: true for distances
from its middle (within 5 m at 1 000 km, see `windowwatch.physics.earth`). Between two points
at a distance r from the middle a length across the radius comes out too long by about
r² / (6 R²): 0.04 % at 300 km, 0.4 % at 1 000 km,
1.6 % at 2 000 km. Farther maps are refused.

Rows run from south to north, columns from west to east. Shapes are given in metres on the
grid's plane. A cell is inside an area when its middle is.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from windowwatch.errors import InputError
from windowwatch.physics.earth import destination, local_m
from windowwatch.units import BoolArray, FloatArray, IntArray

#: Quantities on a large grid, in half the memory; either will do where they are read.
Float32Array = NDArray[np.float32]
GridArray = NDArray[np.floating[Any]]

#: A map that reaches farther than this from its middle is refused. [m]
FARTHEST_M = 2_000_000.0
#: Edges are straight in longitude and latitude (RFC 7946, section 3.1.1), so long ones are
#: cut before they are laid on the flat map. What is left bends by less than 1 m up to 60°
#: of latitude. [deg]
LONGEST_EDGE_DEG = 0.05


class LocalPlane:
    """Metres east and north of a point.

    Parameters
    ----------
    latitude_deg, longitude_deg : float
        Middle of the map. [deg]
    """

    def __init__(self, latitude_deg: float, longitude_deg: float) -> None:
        self._middle = (latitude_deg, longitude_deg)

    @property
    def middle(self) -> tuple[float, float]:
        """Latitude and longitude of the middle. [deg]"""
        return self._middle

    @classmethod
    def about(cls, geometries: Any) -> "LocalPlane":
        """The plane about the middle of some geometries in degrees.

        Raises
        ------
        InputError
            If there are none, or they reach farther than `FARTHEST_M` from their middle.
        """
        coordinates = shapely.get_coordinates(geometries)
        if coordinates.shape[0] == 0:
            raise InputError("a map needs at least one feature")
        longitude, latitude = np.radians(coordinates[:, 0]), np.radians(coordinates[:, 1])
        # The mean of directions from the Earth's centre knows no date line.
        east = float(np.mean(np.cos(latitude) * np.cos(longitude)))
        north = float(np.mean(np.cos(latitude) * np.sin(longitude)))
        up = float(np.mean(np.sin(latitude)))
        middle = cls(
            float(np.degrees(np.arctan2(up, np.hypot(east, north)))),
            float(np.degrees(np.arctan2(north, east))),
        )
        x, y = middle.forward(coordinates[:, 1], coordinates[:, 0])
        reach = float(np.max(np.hypot(x, y)))
        if not reach <= FARTHEST_M:
            raise InputError(
                f"the map reaches {reach / 1000:.0f} km from its middle; cut it to the region "
                f"of the watch (at most {FARTHEST_M / 1000:.0f} km)"
            )
        return middle

    def forward(self, latitude_deg: Any, longitude_deg: Any) -> tuple[FloatArray, FloatArray]:
        """Metres east and north of the middle, for points of any shape. [m]

        Raises
        ------
        InputError
            If a coordinate is not a finite number: a point that is nowhere is on no land.
        """
        latitude = np.asarray(latitude_deg, dtype=np.float64)
        longitude = np.asarray(longitude_deg, dtype=np.float64)
        if latitude.shape != longitude.shape:
            raise InputError(
                f"latitudes have shape {latitude.shape}, longitudes {longitude.shape}; "
                "they must be the same points"
            )
        if not (np.all(np.isfinite(latitude)) and np.all(np.isfinite(longitude))):
            raise InputError("a point on the ground needs finite coordinates; leave out the lost")
        return local_m(latitude, longitude, *self._middle)

    def backward(self, x_m: Any, y_m: Any) -> tuple[FloatArray, FloatArray]:
        """Latitudes and longitudes of points east and north of the middle. [deg]"""
        bearing, away = np.degrees(np.arctan2(x_m, y_m)), np.hypot(x_m, y_m)
        return destination(*self._middle, bearing, away)

    def lay(self, geometries: Any) -> NDArray[Any]:
        """Geometries in degrees, laid on the plane in metres; long edges cut first."""

        def project(coordinates: FloatArray) -> FloatArray:
            return np.column_stack(self.forward(coordinates[:, 1], coordinates[:, 0]))

        cut = shapely.segmentize(np.asarray(geometries, dtype=object), LONGEST_EDGE_DEG)
        laid: NDArray[Any] = shapely.transform(cut, project)
        return laid


class Edges:
    """Straight pieces of many lines or outlines, ready to be asked which is nearest.

    Parameters
    ----------
    geometries : array of geometry
        On the plane. [m]
    """

    def __init__(self, geometries: NDArray[Any]) -> None:
        lines, owner = shapely.get_parts(_outlines(geometries), return_index=True)
        points, line = shapely.get_coordinates(lines, return_index=True)
        inside = line[1:] == line[:-1]
        pairs = np.stack([points[:-1], points[1:]], axis=1)[inside]
        self._owner: NDArray[np.intp] = np.asarray(owner, dtype=np.intp)[line[:-1][inside]]
        self._tree = shapely.STRtree(shapely.linestrings(pairs)) if len(pairs) else None

    def nearest(
        self, x_m: FloatArray, y_m: FloatArray, within_m: float = np.inf
    ) -> tuple[NDArray[np.intp], FloatArray]:
        """Which geometry is nearest to each point [K], and how far it is. [m]

        -1 and infinity where there is no geometry, or none within `within_m`.
        """
        owner = np.full(x_m.size, -1, dtype=np.intp)
        distance = np.full(x_m.size, np.inf)
        if self._tree is None or x_m.size == 0:
            return owner, distance
        (point, edge), found = self._tree.query_nearest(
            shapely.points(x_m, y_m),
            max_distance=within_m if np.isfinite(within_m) else None,
            return_distance=True,
            all_matches=False,
        )
        owner[point] = self._owner[edge]
        distance[point] = found
        return owner, distance


def _outlines(geometries: NDArray[Any]) -> NDArray[Any]:
    """Lines as they are; of surfaces their boundary, holes included."""
    surfaces = shapely.get_dimensions(geometries) == 2
    outlines: NDArray[Any] = np.where(surfaces, shapely.boundary(geometries), geometries)
    return outlines


@dataclass(frozen=True)
class Grid:
    """Square cells on the azimuthal equidistant plane about a point (see `plane`).

    Parameters
    ----------
    latitude_deg, longitude_deg : float
        Where the plane touches the Earth. [deg]
    west_m, south_m : float
        Outer edges of the first column and row, from there. [m]
    cell_m : float
        Side of a cell. [m]
    rows, columns : int
    """

    latitude_deg: float
    longitude_deg: float
    west_m: float
    south_m: float
    cell_m: float
    rows: int
    columns: int

    def __post_init__(self) -> None:
        if not (self.cell_m > 0.0 and self.rows > 0 and self.columns > 0):
            raise InputError(
                f"a grid of {self.rows} x {self.columns} cells of {self.cell_m} m holds nothing"
            )

    @cached_property
    def plane(self) -> LocalPlane:
        """The flat map that the cells lie on."""
        return LocalPlane(self.latitude_deg, self.longitude_deg)

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.rows, self.columns

    def units(self, points_m: FloatArray) -> FloatArray:
        """Points [N, 2] in metres, in cells: the middle of cell (row j, column i) is (i, j)."""
        scaled: FloatArray = (points_m - (self.west_m, self.south_m)) / self.cell_m - 0.5
        return scaled

    def middles_m(self, first_row: int, end_row: int) -> FloatArray:
        """Middles of the cells of some rows, [cells, 2]. [m]"""
        x = self.west_m + self.cell_m * (np.arange(self.columns) + 0.5)
        y = self.south_m + self.cell_m * (np.arange(first_row, end_row) + 0.5)
        return np.stack(np.broadcast_arrays(x, y[:, None]), axis=-1).reshape(-1, 2)

    def cells(self, points_m: FloatArray) -> IntArray:
        """Number of the cell that holds each point [N, 2], row by row; -1 off the grid."""
        places = np.floor(self.units(points_m) + 0.5)
        inside = np.all((places >= 0) & (places < (self.columns, self.rows)), axis=1)
        column, row = np.where(inside[:, None], places, 0).astype(np.int64).T
        return np.where(inside, row * self.columns + column, -1)


def segments(shapes: Any) -> tuple[FloatArray, FloatArray, IntArray]:
    """Straight pieces of lines: their beginnings [N, 2], ends [N, 2], and which line each is of."""
    points, line = shapely.get_coordinates(np.asarray(shapes, dtype=object), return_index=True)
    inside = line[1:] == line[:-1]
    return points[:-1][inside], points[1:][inside], line[:-1][inside].astype(np.int64)


def row_crossings(
    begin: FloatArray, end: FloatArray, rows: int
) -> tuple[IntArray, FloatArray, IntArray]:
    """Where straight pieces, in cells, cross the middle line of each row.

    A piece that begins on a line and goes up crosses it, one that ends on it does not; so a
    line is crossed once where two pieces meet on it.

    Returns
    -------
    row, column, direction
        Row crossed, place along it in cells, and 1 for northward or -1 for southward.
    """
    low, high = np.minimum(begin[:, 1], end[:, 1]), np.maximum(begin[:, 1], end[:, 1])
    first = np.clip(np.ceil(low), 0, rows).astype(np.int64)
    count = np.clip(np.ceil(high), 0, rows).astype(np.int64) - first
    piece = np.repeat(np.arange(first.size), count)
    row = np.arange(piece.size) - np.repeat(np.cumsum(count) - count, count) + first[piece]
    x0, y0 = begin[piece].T
    x1, y1 = end[piece].T
    return row, x0 + (row - y0) * (x1 - x0) / (y1 - y0), np.where(y1 > y0, 1, -1)


def filled(grid: Grid, areas: Sequence[Any] | NDArray[Any]) -> BoolArray:
    """Which cells have their middle inside any of some polygons. [rows, columns]

    All outlines are drawn at once: what lies inside is what more of them run round one way
    than the other, outer rings and holes being turned opposite ways.
    """
    polygons = shapely.get_parts(np.asarray(areas, dtype=object).ravel())
    if len(polygons) == 0:
        return np.zeros(grid.shape, dtype=np.bool_)
    rings, owner = shapely.get_rings(polygons, return_index=True)
    outer = np.concatenate([[True], owner[1:] != owner[:-1]])
    wrong = shapely.is_ccw(rings) != outer
    rings = np.where(wrong, shapely.reverse(rings), rings)
    begin, end, _ = segments(rings)
    row, column, direction = row_crossings(grid.units(begin), grid.units(end), grid.rows)
    place = row * (grid.columns + 1) + np.clip(np.ceil(column), 0, grid.columns).astype(np.int64)
    turns = np.bincount(place, weights=direction, minlength=grid.rows * (grid.columns + 1))
    wound = np.cumsum(turns.reshape(grid.rows, -1), axis=1)[:, :-1]
    return np.asarray(np.abs(wound) > 0.5)


def dotted(
    begin: FloatArray, end: FloatArray, apart_m: float
) -> tuple[FloatArray, IntArray, FloatArray]:
    """Points along straight pieces, no farther apart than `apart_m`, none at the very ends.

    Returns
    -------
    points [K, 2], piece [K], share [K]
        Which piece each point is of, and how far along it, 0 to 1.
    """
    step = end - begin
    count = np.maximum(np.ceil(np.hypot(step[:, 0], step[:, 1]) / apart_m), 1).astype(np.int64)
    piece = np.repeat(np.arange(count.size), count)
    number = np.arange(piece.size) - np.repeat(np.cumsum(count) - count, count)
    share = (number + 0.5) / count[piece]
    return begin[piece] + share[:, None] * step[piece], piece, share
