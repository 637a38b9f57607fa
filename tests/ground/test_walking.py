"""Walks over hand-made land with plain answers."""

import itertools
from typing import Any

import networkx as nx
import numpy as np
import pytest
import shapely

from windowwatch.ground.build.walking import (
    FOREST_MPS,
    OPEN_MPS,
    PATH_MPS,
    Country,
    speeds_mps,
    tobler_factor,
    walk_from_roads,
)
from windowwatch.ground.plane import Grid

GRID = Grid(46.0, -35.0, 0.0, 0.0, 100.0, 20, 20)
OPEN = np.full(GRID.shape, OPEN_MPS)
WEST_ROAD = np.arange(20) * 20  # a road along the first column
NONE: Any = np.empty(0, dtype=object)


def _lines(*lines: list[tuple[float, float]]) -> Any:
    return np.array([shapely.LineString(line) for line in lines], dtype=object)


RIVER = _lines([(1000.0, -10.0), (1010.0, 2100.0)])


def _minutes(country: Country, roads: Any = WEST_ROAD) -> Any:
    time_s, start = walk_from_roads(GRID, country, roads)
    assert np.array_equal(start < 0, np.isinf(time_s))
    return time_s.reshape(GRID.shape) / 60.0


def test_open_land_is_walked_at_four_kilometres_an_hour() -> None:
    walk = _minutes(Country(OPEN, None, NONE, NONE))
    assert walk[7] == pytest.approx(np.arange(20) * 1.5, abs=1e-3)  # 100 m at 4 km/h: 1.5 min


def test_slanting_steps_are_longer() -> None:
    walk = _minutes(Country(OPEN, None, NONE, NONE), np.array([0]))
    assert walk[5, 5] == pytest.approx(5 * 1.5 * np.sqrt(2.0), abs=1e-3)


def test_the_walk_starts_at_the_road_that_is_reached_soonest() -> None:
    _, start = walk_from_roads(GRID, Country(OPEN, None, NONE, NONE), np.array([0, 19]))
    assert start[9] == 0
    assert start[10] == 19


def test_a_walk_does_not_cross_a_river() -> None:
    walk = _minutes(Country(OPEN, None, RIVER, NONE))
    assert np.isfinite(walk[:, :10]).all()
    assert np.isinf(walk[:, 10:]).all()


def test_a_slanting_river_has_no_hole() -> None:
    for shift in np.linspace(0.0, 99.0, 12):
        river = _lines([(-50.0 + shift, -50.0), (2000.0 + shift, 2050.0)])
        walk = _minutes(Country(OPEN, None, river, NONE), np.array([19]))
        assert np.isinf(walk[19, 0])


def test_a_bridge_is_the_way_across() -> None:
    bridge = _lines([(985.0, 1050.0), (1025.0, 1050.0)])
    walk = _minutes(Country(OPEN, None, RIVER, bridge))
    assert np.isfinite(walk).all()
    # Eight cells to the bridge, 240 m over it on the path, four straight steps and a slanting
    # one back.
    expected = 8 * 1.5 + 240.0 / PATH_MPS / 60.0 + (4 + np.sqrt(2.0)) * 1.5
    assert walk[5, 10] == pytest.approx(expected, abs=0.01)


def test_closed_land_is_walked_round_and_not_entered() -> None:
    speed = OPEN.copy()
    speed[3:20, 5] = 0.0
    walk = _minutes(Country(speed, None, NONE, NONE))
    assert np.isinf(walk[10, 5])
    assert walk[10, 6] > 2 * (6 * 1.5)


def test_forest_is_slower_and_a_path_faster() -> None:
    shape = GRID.shape
    no, yes = np.zeros(shape, dtype=bool), np.ones(shape, dtype=bool)
    assert np.all(speeds_mps(no, yes, no, no) == FOREST_MPS)
    assert np.all(speeds_mps(yes, yes, yes, no) == PATH_MPS)
    assert np.all(speeds_mps(no, no, yes, yes) == 0.0)
    walk = _minutes(Country(np.full(shape, FOREST_MPS), None, NONE, NONE))
    assert walk[0, 3] == pytest.approx(3 * 2.0, abs=1e-3)  # 100 m at 3 km/h: 2 min


@pytest.mark.parametrize(
    ("slope", "kmph"), [(0.0, 5.037), (0.1, 3.549), (0.2, 2.501), (-0.05, 6.0), (-0.2, 3.549)]
)
def test_slopes_slow_as_tobler_says(slope: float, kmph: float) -> None:
    """Tobler (1993), 6 exp(-3.5 |s + 0.05|) km/h, evaluated by hand."""
    assert 5.037 * tobler_factor(slope) == pytest.approx(kmph, abs=1.5e-3)


def test_uphill_takes_longer_than_downhill() -> None:
    height = np.broadcast_to(np.arange(20) * 20.0, GRID.shape)  # 20 % up to the east
    up = _minutes(Country(OPEN, height, NONE, NONE))[4, 10]
    down = _minutes(Country(OPEN, -height, NONE, NONE))[4, 10]
    assert up == pytest.approx(15.0 * 5.037 / 2.501, rel=1e-3)
    assert down == pytest.approx(15.0 * 5.037 / 3.549, rel=1e-3)


def test_walks_are_those_of_networkx_on_rough_land() -> None:
    """Every step reckoned one by one, in plain loops, and joined by another library."""
    rng = np.random.default_rng(12)
    grid = Grid(46.0, -35.0, 0.0, 0.0, 50.0, 11, 14)
    speed = rng.choice([0.0, FOREST_MPS, OPEN_MPS, PATH_MPS], grid.shape, p=[0.1, 0.3, 0.4, 0.2])
    height = rng.uniform(0.0, 15.0, grid.shape)
    roads = np.flatnonzero(speed.ravel() > 0.0)[::40]
    graph = nx.DiGraph()
    for row, column in np.ndindex(grid.shape):
        for down, right in itertools.product((-1, 0, 1), repeat=2):
            other = row + down, column + right
            inside = 0 <= other[0] < grid.rows and 0 <= other[1] < grid.columns
            if not inside or (down, right) == (0, 0):
                continue
            pair = speed[row, column], speed[other]
            if min(pair) == 0.0:
                continue
            length = grid.cell_m * float(np.hypot(down, right))
            slope = (height[other] - height[row, column]) / length
            uphill = np.exp(-3.5 * abs(slope + 0.05)) / np.exp(-3.5 * 0.05)
            took = 0.5 * length * (1.0 / pair[0] + 1.0 / pair[1]) / uphill
            graph.add_edge((row, column), other, weight=took)
    starts = {(int(cell) // grid.columns, int(cell) % grid.columns) for cell in roads}
    graph.add_nodes_from(starts)
    expected = nx.multi_source_dijkstra_path_length(graph, starts)
    found, _ = walk_from_roads(grid, Country(speed, height, NONE, NONE), roads)
    for row, column in np.ndindex(grid.shape):
        time_s = found[row * grid.columns + column]
        assert time_s == pytest.approx(expected.get((row, column), np.inf), rel=1e-5)
    assert np.isinf(found).sum() == np.count_nonzero(speed == 0.0)


@pytest.mark.parametrize("tile", [4, 7, 50])
def test_tiles_give_the_walks_of_the_whole(tile: int) -> None:
    """Rough land with a winding river and two bridges, one of them from tile to tile."""
    rng = np.random.default_rng(21)
    grid = Grid(46.0, -35.0, 0.0, 0.0, 50.0, 37, 43)
    speed = rng.choice([0.0, FOREST_MPS, OPEN_MPS, PATH_MPS], grid.shape, p=[0.15, 0.3, 0.4, 0.15])
    along = np.linspace(-10.0, 2200.0, 60)
    winding = np.column_stack([along, 900.0 + 250.0 * np.sin(along / 250.0)])
    river = _lines([(float(x), float(y)) for x, y in winding])
    bridges = _lines([(500.0, 900.0), (520.0, 1400.0)], [(1500.0, 650.0), (1490.0, 850.0)])
    country = Country(speed, rng.uniform(0.0, 8.0, grid.shape), river, bridges)
    roads = np.array([5, 20, 700, 1500])
    whole, start = walk_from_roads(grid, country, roads, tile_cells=1000)
    found, begins = walk_from_roads(grid, country, roads, tile_cells=tile)
    assert np.isfinite(whole).mean() > 0.7
    assert np.array_equal(np.isfinite(found), np.isfinite(whole))
    known = np.isfinite(whole)
    assert found[known] == pytest.approx(whole[known], abs=0.1)
    assert np.mean(begins == start) > 0.999
