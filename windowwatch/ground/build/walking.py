"""How long one walks from a road to a point: the cheapest way over a grid. Pure.

From cell to cell, straight and slanting, at a speed by what the land is and by its slope.
Nobody wades: a step across a river, a shore or closed land is no step. Rivers are crossed on
bridges that may be walked on.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse import csgraph

from windowwatch.ground.plane import (
    Float32Array,
    Grid,
    GridArray,
    row_crossings,
    segments,
)
from windowwatch.units import BoolArray, FloatArray, IntArray

#: Speeds on level ground. [m/s] 5 km/h on a path, 4 over rough pasture, 3 in forest:
#: judgement, no source; 2 in wetland likewise.
PATH_MPS, OPEN_MPS, FOREST_MPS, WETLAND_MPS = (kmph / 3.6 for kmph in (5.0, 4.0, 3.0, 2.0))
#: Longer walks are not told apart: there is no way on foot. [s]
LONGEST_S = 6.0 * 3600.0
#: Side of the tiles that are worked on one after another.
TILE_CELLS = 1000
#: A walk that is better by less than this is taken for the same: times are kept in 32 bits. [s]
_GAIN_S = 0.02
#: Beyond the two ends of a bridge one is surely on land, in cells.
_BRIDGE_END_CELLS = 1.0
#: Steps as rows and columns forward: east, north, north-east, north-west.
_STEPS = ((0, 1), (1, 0), (1, 1), (1, -1))


def tobler_factor(slope: Any) -> FloatArray:
    """Speed on a slope (rise over run, uphill positive) over that on the level.

    W. Tobler, "Three presentations on geographical analysis and modeling", NCGIA technical
    report 93-1 (1993): 6 exp(-3.5 |s + 0.05|) km/h.
    """
    steep = np.abs(np.asarray(slope, dtype=np.float64) + 0.05)
    return np.asarray(np.exp(-3.5 * (steep - 0.05)))


@dataclass(frozen=True)
class Country:
    """What one walks over, on a grid [rows, columns].

    Parameters
    ----------
    speed_mps : array
        On level ground; 0 where nobody may or can walk. [m/s]
    height_m : array or None
        No step leads from or to a cell whose height is not known; None: taken to be level,
        and nothing is answered by such walks. [m]
    barriers : array of line
        Not to be stepped over, on the plane. [m]
    bridges : array of line
        Ways across them. [m]
    """

    speed_mps: GridArray
    height_m: GridArray | None
    barriers: NDArray[Any]
    bridges: NDArray[Any]


def speeds_mps(wetland: BoolArray, forest: BoolArray, path: BoolArray, shut: BoolArray) -> Any:
    """Speed on each cell by what it is: closed first, then path, wetland, forest, open. [m/s]"""
    speed = np.full(wetland.shape, OPEN_MPS, dtype=np.float32)
    for land, mps in ((forest, FOREST_MPS), (wetland, WETLAND_MPS), (path, PATH_MPS), (shut, 0.0)):
        speed[land] = mps
    return speed


def walk_from_roads(
    grid: Grid, country: Country, road_cells: IntArray, tile_cells: int = TILE_CELLS
) -> tuple[Float32Array, NDArray[np.int32]]:
    """Time on foot to each cell from the road cell from which it is reached soonest.

    Parameters
    ----------
    grid : Grid
    country : Country
    road_cells : int array
        Cells with a road to start from.
    tile_cells : int
        The grid is worked through in tiles of so many cells a side, each with a rim of its
        neighbours' cells, again and again until none of them gets any better: the answer is
        that of the whole grid, and memory that of one tile.

    Returns
    -------
    time_s, start : array [cells]
        Infinite and -1 where one cannot get on foot within `LONGEST_S`. A road's own cell
        counts as reached. [s]
    """
    walks = _Walks(grid, country, np.unique(road_cells))
    tiles = [
        (row, column)
        for row in range(0, grid.rows, tile_cells)
        for column in range(0, grid.columns, tile_cells)
    ]
    better = True
    while better:
        better = sum(walks.improve(row, column, tile_cells) for row, column in tiles) > 0
    return walks.time_s.ravel(), walks.origin.ravel()


class _Walks:
    """Times and origins found so far, [rows, columns]; infinite and -1 where there is no way."""

    def __init__(self, grid: Grid, country: Country, starts: IntArray) -> None:
        self._grid, self._country = grid, country
        self._east, self._north = _free_steps(grid, country)
        self._bridges = _bridge_links(grid, country)
        self.time_s = np.full(grid.shape, np.inf, dtype=np.float32)
        self.origin = np.full(grid.shape, -1, dtype=np.int32)
        open_ = starts[country.speed_mps.ravel()[starts] > 0.0]
        self.time_s.ravel()[open_] = 0.0
        self.origin.ravel()[open_] = open_

    def improve(self, row: int, column: int, tile_cells: int) -> bool:
        """Find better walks to the cells of a tile and its rim; whether there are any."""
        rows = slice(max(row - 1, 0), min(row + tile_cells + 1, self._grid.rows))
        columns = slice(max(column - 1, 0), min(column + tile_cells + 1, self._grid.columns))
        window = rows, columns
        begin, end, took, foreign = self._links(window)
        known = self.time_s[window].ravel()
        if foreign.size:  # over bridges, from outside of the window
            known = np.append(known, self.time_s.ravel()[foreign])
        if not np.any(known[begin] + took < known[end] - _GAIN_S):
            return False
        origin = np.append(self.origin[window].ravel(), self.origin.ravel()[foreign])
        found, source = _spread(known, begin, end, took)
        inner = self.time_s[window].size
        found, source = found[:inner], source[:inner]
        gained = (source >= 0) & (found < known[:inner] - 0.5 * _GAIN_S)
        mask = gained.reshape(self.time_s[window].shape)
        self.time_s[window][mask] = found[gained]
        self.origin[window][mask] = origin[source[gained]]
        return bool(np.any(gained))

    def _links(
        self, window: tuple[slice, slice]
    ) -> tuple[NDArray[np.int32], NDArray[np.int32], Float32Array, IntArray]:
        """Steps within a window: from, to, time [s]; and the cells outside that bridges lead from.

        Cells are numbered within the window; behind them come those outside.
        """
        rows, columns = window
        shape = rows.stop - rows.start, columns.stop - columns.start
        number = np.arange(shape[0] * shape[1], dtype=np.int32).reshape(shape)
        east = self._east[rows, columns.start : columns.stop - 1]
        north = self._north[rows.start : rows.stop - 1, columns]
        # A slanting step is free when the four straight ones round it are: none slips through.
        slanting = east[:-1] & east[1:] & north[:, :-1] & north[:, 1:]
        speed, height = self._country.speed_mps[window], self._country.height_m
        height = None if height is None else height[window]
        begin, end, took = [], [], []
        for step, open_ in zip(_STEPS, (east, north, slanting, slanting), strict=True):
            one, other = _pairs(number, step)
            there, back = _step_times_s(self._grid.cell_m, speed, height, step)
            kept = open_ & np.isfinite(there)
            begin += [one[kept], other[kept]]
            end += [other[kept], one[kept]]
            took += [there[kept].astype(np.float32), back[kept].astype(np.float32)]
        over, beyond, long_s, foreign = self._over_bridges(window, number.size)
        joined = [np.concatenate(each) for each in ([*begin, over], [*end, beyond])]
        return joined[0], joined[1], np.concatenate([*took, long_s]), foreign

    def _over_bridges(
        self, window: tuple[slice, slice], inner: int
    ) -> tuple[NDArray[np.int32], NDArray[np.int32], Float32Array, IntArray]:
        """Bridges into a window, numbered as its cells are; and the cells outside, numbered on."""
        one, other, long_s = self._bridges
        over, beyond = np.concatenate([one, other]), np.concatenate([other, one])
        took = np.concatenate([long_s, long_s])
        here = [self._place(cells, window) for cells in (over, beyond)]
        into = here[1] >= 0
        over, took, begin, end = over[into], took[into], here[0][into], here[1][into]
        foreign = over[begin < 0].astype(np.int64)
        begin[begin < 0] = inner + np.arange(foreign.size)
        return begin.astype(np.int32), end.astype(np.int32), took, foreign

    def _place(self, cells: NDArray[np.int32], window: tuple[slice, slice]) -> IntArray:
        """Numbers of cells of the grid within a window, -1 outside."""
        rows, columns = window
        row, column = cells // self._grid.columns - rows.start, cells % self._grid.columns
        column = column - columns.start
        wide = columns.stop - columns.start
        inside = (row >= 0) & (row < rows.stop - rows.start) & (column >= 0) & (column < wide)
        return np.where(inside, row * wide + column, -1).astype(np.int64)


def _spread(
    known: Float32Array,
    begin: NDArray[np.int32],
    end: NDArray[np.int32],
    took: Float32Array,
) -> tuple[FloatArray, IntArray]:
    """Soonest times from cells whose times are known, and from which of them; -1 for no way. [s]"""
    size = known.size
    sources = np.flatnonzero(np.isfinite(known)).astype(np.int32)
    # All sources hang on a place outside the grid, by links of a second more than their times.
    links = sparse.csr_array(
        (
            np.concatenate([took, known[sources] + np.float32(1.0)]),
            (
                np.concatenate([begin, np.full(sources.size, size, dtype=np.int32)]),
                np.concatenate([end, sources]),
            ),
        ),
        shape=(size + 1, size + 1),
    )
    time_s, before = csgraph.dijkstra(
        links, indices=size, return_predecessors=True, limit=LONGEST_S + 1.0
    )
    here = np.arange(size)
    origin = np.where(before[:size] == size, here, before[:size].astype(np.int64))
    lost = origin < 0
    origin[lost] = here[lost]
    while True:  # each turn doubles how far back every cell looks
        farther = origin[origin]
        if np.array_equal(farther, origin):
            break
        origin = farther
    return time_s[:size] - 1.0, np.where(lost, -1, origin)


def _pairs(values: Any, step: tuple[int, int]) -> tuple[Any, Any]:
    """Values of the cells that a step leads from and to."""
    down, right = step
    rows, columns = values.shape
    if right < 0:
        return values[: rows - down, -right:], values[down:, : columns + right]
    return values[: rows - down, : columns - right], values[down:, right:]


def _step_times_s(
    cell_m: float, speed_mps: GridArray, height_m: GridArray | None, step: tuple[int, int]
) -> tuple[FloatArray, FloatArray]:
    """Time of a step and of the same back; infinite where one may not tread. [s]"""
    length = cell_m * float(np.hypot(*step))
    one, other = _pairs(speed_mps, step)
    with np.errstate(divide="ignore"):
        level = 0.5 * length * (1.0 / one + 1.0 / other)
    if height_m is None:
        return level, level
    low, high = _pairs(height_m, step)
    slope = (high - low) / length
    known = np.isfinite(slope)  # nobody is led over land of which the height is not known
    there, back = level / tobler_factor(slope), level / tobler_factor(-slope)
    return np.where(known, there, np.inf), np.where(known, back, np.inf)


def _free_steps(grid: Grid, country: Country) -> tuple[BoolArray, BoolArray]:
    """Which steps to the east, and which to the north, cross no barrier."""
    begin, end, _ = segments(country.barriers)
    begin, end = grid.units(begin), grid.units(end)
    east = _uncrossed(begin, end, grid.rows, grid.columns)
    return east, _uncrossed(begin[:, ::-1], end[:, ::-1], grid.columns, grid.rows).T


def _uncrossed(begin: FloatArray, end: FloatArray, rows: int, columns: int) -> BoolArray:
    """Which steps along the rows cross no straight piece, [rows, columns - 1]."""
    row, column, _ = row_crossings(begin, end, rows)
    left = np.ceil(column).astype(np.int64) - 1
    inside = (left >= 0) & (left < columns - 1)
    free = np.ones((rows, max(columns - 1, 0)), dtype=np.bool_)
    free[row[inside], left[inside]] = False
    return free


def _bridge_links(grid: Grid, country: Country) -> tuple[Any, Any, Any]:
    """Cells before and behind each bridge, and the time across. [s]"""
    none = np.empty(0, dtype=np.int32)
    if len(country.bridges) == 0:
        return none, none, np.empty(0, dtype=np.float32)
    ends = np.stack(  # [bridges, 2 ends, 2]
        [shapely.get_coordinates(shapely.get_point(country.bridges, at)) for at in (0, -1)], axis=1
    )
    way = ends[:, 1] - ends[:, 0]
    length = np.maximum(np.hypot(way[:, 0], way[:, 1]), 0.1)
    past = way / length[:, None] * grid.cell_m * _BRIDGE_END_CELLS
    over, beyond = grid.cells(ends[:, 0] - past), grid.cells(ends[:, 1] + past)
    speed = country.speed_mps.ravel()
    kept = (over >= 0) & (beyond >= 0) & (over != beyond)
    kept &= (speed[np.maximum(over, 0)] > 0.0) & (speed[np.maximum(beyond, 0)] > 0.0)
    long_s = (length + 2.0 * grid.cell_m * _BRIDGE_END_CELLS) / PATH_MPS
    return (
        over[kept].astype(np.int32),
        beyond[kept].astype(np.int32),
        long_s[kept].astype(np.float32),
    )
