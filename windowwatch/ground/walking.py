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

from windowwatch.ground.grid import BoolArray, Grid, IntArray, row_crossings, segments
from windowwatch.ground.plane import FloatArray

#: Speeds on level ground. [m/s] 5 km/h on a path, 4 over rough pasture, 3 in forest:
#: judgement, no source; 2 in wetland likewise.
PATH_MPS, OPEN_MPS, FOREST_MPS, WETLAND_MPS = (kmph / 3.6 for kmph in (5.0, 4.0, 3.0, 2.0))
#: Longer walks are not told apart: there is no way on foot. [s]
LONGEST_S = 6.0 * 3600.0
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
        None: taken to be level. [m]
    barriers : array of line
        Not to be stepped over, on the plane. [m]
    bridges : array of line
        Ways across them. [m]
    """

    speed_mps: FloatArray
    height_m: FloatArray | None
    barriers: NDArray[Any]
    bridges: NDArray[Any]


def speeds_mps(wetland: BoolArray, forest: BoolArray, path: BoolArray, shut: BoolArray) -> Any:
    """Speed on each cell by what it is: closed first, then path, wetland, forest, open. [m/s]"""
    speed = np.where(wetland, WETLAND_MPS, np.where(forest, FOREST_MPS, OPEN_MPS))
    return np.where(shut, 0.0, np.where(path, PATH_MPS, speed))


def walk_from_roads(
    grid: Grid, country: Country, road_cells: IntArray
) -> tuple[FloatArray, IntArray]:
    """Time on foot to each cell from the road cell from which it is reached soonest.

    Parameters
    ----------
    grid : Grid
    country : Country
    road_cells : int array
        Cells with a road to start from.

    Returns
    -------
    time_s, start : array [cells]
        Infinite and -1 where one cannot get on foot within `LONGEST_S`. A road's own cell
        counts as reached. [s]
    """
    cells = grid.rows * grid.columns
    starts = np.unique(road_cells)
    graph = _graph(grid, country, starts)
    time_s, before = csgraph.dijkstra(
        graph, indices=cells, return_predecessors=True, limit=LONGEST_S
    )
    before = before[:cells].astype(np.int64)
    here = np.arange(cells)
    origin = np.where(before == cells, here, before)
    lost = origin < 0
    origin[lost] = here[lost]
    while True:  # each turn doubles how far back every cell looks
        farther = origin[origin]
        if np.array_equal(farther, origin):
            break
        origin = farther
    # The starts hang on a place outside the grid by links of one second.
    lost |= country.speed_mps.ravel() == 0.0
    reached = np.where(lost, np.inf, time_s[:cells] - 1.0)
    return reached, np.where(lost, -1, origin)


def _graph(grid: Grid, country: Country, starts: IntArray) -> sparse.csr_array:
    """Steps between cells [cells + 1, cells + 1]; the last place leads to every start. [s]"""
    cells = grid.rows * grid.columns
    number = np.arange(cells, dtype=np.int32).reshape(grid.shape)
    free = _free_steps(grid, country)
    begin = [np.full(starts.size, cells, dtype=np.int32)]
    end, took = [starts.astype(np.int32)], [np.ones(starts.size, dtype=np.float32)]
    for step, open_ in zip(_STEPS, free, strict=True):
        one, other = _pairs(number, step)
        there, back = _step_times_s(grid, country, step)
        kept = open_ & np.isfinite(there)
        begin += [one[kept], other[kept]]
        end += [other[kept], one[kept]]
        took += [there[kept].astype(np.float32), back[kept].astype(np.float32)]
    over, beyond, long_s = _bridge_links(grid, country)
    begin += [over, beyond]
    end += [beyond, over]
    took += [long_s, long_s]
    links = sparse.coo_array(
        (np.concatenate(took), (np.concatenate(begin), np.concatenate(end))),
        shape=(cells + 1, cells + 1),
    )
    return links.tocsr()


def _pairs(values: Any, step: tuple[int, int]) -> tuple[Any, Any]:
    """Values of the cells that a step leads from and to."""
    down, right = step
    rows, columns = values.shape
    if right < 0:
        return values[: rows - down, -right:], values[down:, : columns + right]
    return values[: rows - down, : columns - right], values[down:, right:]


def _step_times_s(
    grid: Grid, country: Country, step: tuple[int, int]
) -> tuple[FloatArray, FloatArray]:
    """Time of a step and of the same back; infinite where one may not tread. [s]"""
    length = grid.cell_m * float(np.hypot(*step))
    one, other = _pairs(country.speed_mps, step)
    with np.errstate(divide="ignore"):
        level = 0.5 * length * (1.0 / one + 1.0 / other)
    if country.height_m is None:
        return level, level
    low, high = _pairs(country.height_m, step)
    slope = (high - low) / length
    slope = np.where(np.isfinite(slope), slope, 0.0)
    return level / tobler_factor(slope), level / tobler_factor(-slope)


def _free_steps(grid: Grid, country: Country) -> list[BoolArray]:
    """Which steps cross no barrier, one array for each of `_STEPS`."""
    begin, end, _ = segments(country.barriers)
    begin, end = grid.units(begin), grid.units(end)
    east = _uncrossed(begin, end, grid.rows, grid.columns)
    north = _uncrossed(begin[:, ::-1], end[:, ::-1], grid.columns, grid.rows).T
    # A slanting step is free when the four straight ones round it are: none slips through.
    slanting = east[:-1] & east[1:] & north[:, :-1] & north[:, 1:]
    return [east, north, slanting, slanting]


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
