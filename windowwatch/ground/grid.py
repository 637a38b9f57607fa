"""A grid of square cells on a flat map, and shapes drawn onto it. Pure.

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
from windowwatch.ground.plane import FloatArray, LocalPlane

BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]


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
