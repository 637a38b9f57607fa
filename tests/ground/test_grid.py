"""Shapes on the grid, against shapely, which answers point by point."""

import numpy as np
import pytest
import shapely

from windowwatch.errors import InputError
from windowwatch.ground.build.layers import sea_areas
from windowwatch.ground.plane import Grid, dotted, filled, row_crossings

GRID = Grid(46.0, -35.0, -1000.0, -1000.0, 10.0, 200, 200)


def test_filling_agrees_with_point_in_polygon() -> None:
    rng = np.random.default_rng(5)
    areas = []
    for _ in range(40):
        disc = shapely.Point(rng.uniform(-900, 900, 2)).buffer(rng.uniform(20, 300))
        areas.append(disc.difference(shapely.Point(rng.uniform(-900, 900, 2)).buffer(120)))
    inside = filled(GRID, areas)
    expected = shapely.contains_xy(shapely.union_all(areas), GRID.middles_m(0, GRID.rows))
    assert 0.3 < expected.mean() < 0.95
    assert np.array_equal(inside.ravel(), expected)


def test_a_polygon_is_filled_whichever_way_it_is_drawn() -> None:
    ring = [(-500.0, -500.0), (500.0, -500.0), (500.0, 500.0), (-500.0, 500.0)]
    hole = [(-100.0, -100.0), (100.0, -100.0), (100.0, 100.0), (-100.0, 100.0)]
    for outer in (ring, ring[::-1]):
        for inner in (hole, hole[::-1]):
            assert filled(GRID, [shapely.Polygon(outer, [inner])]).sum() == 100**2 - 20**2


def test_nothing_and_what_lies_outside_fill_nothing() -> None:
    assert not filled(GRID, []).any()
    assert not filled(GRID, [shapely.Point(5000.0, 0.0).buffer(100.0)]).any()
    assert filled(GRID, [shapely.box(-9e3, -9e3, 9e3, 9e3)]).all()


def test_cells_hold_their_points() -> None:
    points = np.array([[-1000.0, -1000.0], [999.9, 999.9], [0.0, 0.0], [1000.0, 0.0], [0, -1001]])
    assert GRID.cells(points).tolist() == [0, 200 * 200 - 1, 100 * 200 + 100, -1, -1]


def test_a_line_is_crossed_once_where_two_pieces_meet_on_it() -> None:
    begin, end = np.array([[0.0, 0.5], [1.0, 2.0]]), np.array([[1.0, 2.0], [3.0, 2.5]])
    row, column, direction = row_crossings(begin, end, 10)
    assert row.tolist() == [1, 2]
    assert column == pytest.approx([1.0 / 3.0, 1.0])
    assert direction.tolist() == [1, 1]


def test_dots_are_no_farther_apart_than_asked() -> None:
    points, piece, share = dotted(np.array([[0.0, 0.0], [0, 5]]), np.array([[100.0, 0], [0, 6]]), 9)
    assert piece.tolist() == [0] * 12 + [1]
    assert np.diff(points[:12, 0]) == pytest.approx(100 / 12)
    assert share[0] == pytest.approx(1 / 24)


def test_the_sea_lies_to_the_right_of_its_coast() -> None:
    """OpenStreetMap's rule for natural=coastline: land on the left, water on the right."""
    coast = shapely.LineString([(-1.0, 0.2), (1.5, 0.3), (3.0, 0.1)])  # eastward: sea in the south
    (sea,) = sea_areas([coast], (0.0, 0.0, 1.0, 2.0))
    assert sea.contains(shapely.Point(1.0, 0.1))
    assert not sea.contains(shapely.Point(1.0, 0.5))
    (north,) = sea_areas([coast.reverse()], (0.0, 0.0, 1.0, 2.0))
    assert north.contains(shapely.Point(1.0, 0.5))


def test_an_island_and_a_lagoon_in_it() -> None:
    island = shapely.Point(1.0, 1.0).buffer(0.5).exterior  # clockwise in shapely
    assert not island.is_ccw
    lagoon = shapely.Point(1.0, 1.0).buffer(0.1).exterior
    sea = shapely.union_all(sea_areas([island.reverse(), lagoon], (0.0, 0.0, 2.0, 2.0)))
    assert sea.contains(shapely.Point(0.2, 0.2))
    assert not sea.contains(shapely.Point(1.3, 1.0))
    assert sea.contains(shapely.Point(1.0, 1.0))


def test_a_coast_with_a_gap_is_refused() -> None:
    with pytest.raises(InputError, match=r"ends near longitude, latitude 1\.0000, 0\.5000 in the"):
        sea_areas([shapely.LineString([(-1.0, 0.5), (1.0, 0.5)])], (0.0, 0.0, 1.0, 2.0))


def test_a_coast_that_contradicts_itself_is_refused() -> None:
    low = shapely.LineString([(-1.0, 0.3), (3.0, 0.3)])
    high = shapely.LineString([(-1.0, 0.7), (3.0, 0.7)])
    with pytest.raises(InputError, match="says land and sea at once"):
        sea_areas([low, high], (0.0, 0.0, 1.0, 2.0))


def test_no_coast_no_sea() -> None:
    assert sea_areas([], (0.0, 0.0, 1.0, 2.0)) == []
