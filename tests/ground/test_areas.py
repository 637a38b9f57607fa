"""Areas: squares with plain answers, distances against the geodesic of pyproj."""

import numpy as np
import pytest
import shapely
from geodesic import Geod

from windowwatch.errors import InputError
from windowwatch.ground.query.features import Area, AreaKind, Areas

GEOD = Geod()


def square(
    west: float, south: float, east: float, north: float, kind: AreaKind, name: str = "a"
) -> Area:
    return Area(name, kind, shapely.box(west, south, east, north))


def test_points_in_on_and_outside_a_square() -> None:
    areas = Areas([square(10.0, 50.0, 10.2, 50.1, AreaKind.TOWN)])
    latitude = np.array([50.05, 50.0, 50.05, 49.99, 50.11])
    longitude = np.array([10.1, 10.1, 10.0, 10.1, 10.1])
    # The southern edge is straight in longitude and latitude: its middle stays on it.
    assert areas.contains(latitude, longitude)[[0, 3, 4]].tolist() == [True, False, False]
    assert areas.distance_m(latitude, longitude)[[1, 2]] == pytest.approx([0.0, 0.0], abs=1.0)
    assert areas.distance_m(latitude, longitude)[0] == 0.0


def test_a_long_edge_follows_the_parallel_not_the_great_circle() -> None:
    # RFC 7946, section 3.1.1: a line between two positions is straight in longitude and
    # latitude. The great circle over 4 degrees at 60 N runs 0.03 degree farther north.
    areas = Areas([square(8.0, 60.0, 12.0, 61.0, AreaKind.WATER)])
    assert areas.contains(np.array([60.001, 59.999]), np.array([10.0, 10.0])).tolist() == [
        True,
        False,
    ]


def test_a_hole_is_outside() -> None:
    ring = shapely.box(10.0, 50.0, 10.2, 50.2).difference(shapely.box(10.05, 50.05, 10.15, 50.15))
    areas = Areas([Area("ring", AreaKind.FOREST, ring)])
    assert areas.contains(np.array([50.1, 50.02]), np.array([10.1, 10.1])).tolist() == [False, True]
    # From the middle of the hole the nearest edge is east or west of it.
    expected = GEOD.inv(10.1, 50.1, 10.15, 50.1)[2]
    assert areas.distance_m(50.1, 10.1) == pytest.approx(expected, rel=1e-3)


def test_kinds_are_asked_apart() -> None:
    areas = Areas(
        [
            square(10.0, 50.0, 10.1, 50.1, AreaKind.TOWN, "town"),
            square(10.5, 50.0, 10.6, 50.1, AreaKind.WATER, "mere"),
        ]
    )
    assert areas.kinds == {AreaKind.TOWN, AreaKind.WATER}
    latitude, longitude = np.array([50.05, 50.05]), np.array([10.05, 10.55])
    assert areas.contains(latitude, longitude).tolist() == [True, True]
    assert areas.contains(latitude, longitude, [AreaKind.WATER]).tolist() == [False, True]
    index, distance = areas.nearest(latitude, longitude, [AreaKind.WATER])
    assert [areas.areas[i].name for i in index] == ["mere", "mere"]
    assert distance[1] == 0.0
    assert distance[0] == pytest.approx(GEOD.inv(10.05, 50.05, 10.5, 50.05)[2], rel=1e-3)


def test_an_area_of_many_parts_keeps_its_name_and_those_after_it_too() -> None:
    parts = shapely.MultiPolygon([shapely.box(x, 50.0, x + 0.1, 50.1) for x in (9.0, 9.5, 10.0)])
    areas = Areas(
        [Area("isles", AreaKind.TOWN, parts), square(10.5, 50.0, 10.6, 50.1, AreaKind.TOWN, "last")]
    )
    index, distance = areas.nearest(np.full(4, 50.05), np.array([9.05, 10.05, 10.55, 10.45]))
    assert [areas.areas[i].name for i in index] == ["isles", "isles", "last", "last"]
    assert (distance == 0.0).tolist() == [True, True, True, False]


def test_no_such_kind_is_infinitely_far_and_holds_nothing() -> None:
    areas = Areas([square(10.0, 50.0, 10.1, 50.1, AreaKind.TOWN)])
    assert not areas.contains(50.05, 10.05, [AreaKind.MILITARY])
    assert areas.distance_m(50.05, 10.05, [AreaKind.MILITARY]) == np.inf
    assert areas.nearest(50.05, 10.05, [])[0] == -1


def test_areas_beyond_the_distance_asked_are_not_found() -> None:
    areas = Areas([square(10.0, 50.0, 10.1, 50.1, AreaKind.TOWN)])
    # Inside, some 700 m and some 7 km west of the town.
    latitude, longitude = np.full(3, 50.05), np.array([10.05, 9.99, 9.9])
    index, distance = areas.nearest(latitude, longitude, within_m=1000.0)
    assert index.tolist() == [0, 0, -1]
    assert distance[0] == 0.0
    assert distance[1] == pytest.approx(GEOD.inv(9.99, 50.05, 10.0, 50.05)[2], rel=1e-3)
    assert distance[2] == np.inf


def test_an_area_cut_at_the_date_line_is_whole() -> None:
    cut = shapely.MultiPolygon(
        [shapely.box(179.5, -17.0, 180.0, -16.0), shapely.box(-180.0, -17.0, -179.5, -16.0)]
    )
    areas = Areas([Area("isle", AreaKind.WATER, cut)])
    longitude = np.array([179.7, -179.7, 180.0, -180.0, 179.4, -179.4])
    inside = areas.contains(np.full(6, -16.5), longitude)
    assert inside.tolist() == [True, True, True, True, False, False]
    far = areas.distance_m(np.full(2, -16.5), np.array([179.4, -179.4]))
    assert far == pytest.approx(GEOD.inv(179.4, -16.5, 179.5, -16.5)[2], rel=1e-3)


def test_distances_to_a_corner_agree_with_the_geodesic() -> None:
    """On a map of 600 km the plane keeps distances to 0.05 %, as `plane` states (0.04 %)."""
    rng = np.random.default_rng(5)
    latitude, longitude = rng.uniform(43.5, 48.5, 400), rng.uniform(-38.0, -32.0, 400)
    size = 1e-7  # squares of a centimetre: distance to them is distance to a point
    pinned = [square(x, y, x + size, y + size, AreaKind.TOWN) for x, y in [(-37, 44), (-33, 48)]]
    far = np.min(
        [
            GEOD.inv(longitude, latitude, np.full(400, x), np.full(400, y))[2]
            for x, y in [(-37, 44), (-33, 48)]
        ],
        axis=0,
    )
    assert Areas(pinned).distance_m(latitude, longitude) == pytest.approx(far, rel=5e-4)


def test_shape_is_kept_and_one_point_is_enough() -> None:
    areas = Areas([square(10.0, 50.0, 10.1, 50.1, AreaKind.TOWN)])
    assert areas.contains(np.zeros((2, 3, 4)), np.zeros((2, 3, 4))).shape == (2, 3, 4)
    assert areas.contains(50.05, 10.05).shape == ()
    assert areas.distance_m(np.zeros(0), np.zeros(0)).shape == (0,)


@pytest.mark.parametrize("bad", [np.nan, np.inf])
def test_a_lost_point_is_refused_not_put_outside(bad: float) -> None:
    areas = Areas([square(10.0, 50.0, 10.1, 50.1, AreaKind.TOWN)])
    with pytest.raises(InputError, match="finite coordinates"):
        areas.contains(np.array([50.0, bad]), np.array([10.0, 10.0]))


def test_an_empty_map_and_a_world_map_are_refused() -> None:
    with pytest.raises(InputError, match="at least one area"):
        Areas([])
    far_apart = [square(0, 0, 1, 1, AreaKind.TOWN), square(60, 0, 61, 1, AreaKind.TOWN)]
    with pytest.raises(InputError, match="km from its middle; cut it to the region"):
        Areas(far_apart)
    with pytest.raises(InputError, match="same points"):
        Areas(far_apart[:1]).contains(np.zeros(2), np.zeros(3))
