"""Roads: lines with plain answers, many points against brute force on the ellipsoid."""

import time
from collections.abc import Callable

import numpy as np
import pytest
import shapely
from geodesic import Geod
from numpy.typing import NDArray

from windowwatch.errors import InputError
from windowwatch.ground.query.features import DRIVABLE, Road, RoadClass, Roads

GEOD = Geod()


def line(*points: tuple[float, float], kind: RoadClass = RoadClass.PRIMARY) -> Road:
    return Road("r", kind, shapely.LineString(points))


def test_distance_to_a_meridian_is_the_way_east() -> None:
    roads = Roads([line((10.0, 49.0), (10.0, 51.0))])
    expected = GEOD.inv(10.3, 50.0, 10.0, 50.0)[2]  # within 1 m of the perpendicular
    assert roads.distance_m(50.0, 10.3) == pytest.approx(expected, rel=1e-3)
    assert roads.distance_m(50.0, 10.0) == pytest.approx(0.0, abs=0.5)


def test_beyond_the_end_the_end_counts() -> None:
    roads = Roads([line((10.0, 49.0), (10.0, 50.0))])
    expected = GEOD.inv(10.0, 50.2, 10.0, 50.0)[2]
    assert roads.distance_m(50.2, 10.0) == pytest.approx(expected, rel=1e-3)


def test_only_the_classes_asked_for_count() -> None:
    near = line((10.01, 49.0), (10.01, 51.0), kind=RoadClass.TRACK)
    far = line((10.1, 49.0), (10.1, 51.0), kind=RoadClass.TERTIARY)
    roads = Roads([near, far])
    assert roads.classes == {RoadClass.TRACK, RoadClass.TERTIARY}
    by_car = roads.distance_m(50.0, 10.0)
    with_tracks = roads.distance_m(50.0, 10.0, DRIVABLE | {RoadClass.TRACK})
    assert by_car == pytest.approx(10 * with_tracks, rel=1e-3)
    assert roads.distance_m(50.0, 10.0, [RoadClass.MOTORWAY]) == np.inf
    assert RoadClass.MOTORWAY not in DRIVABLE


def test_a_road_over_the_date_line_is_near_from_both_sides() -> None:
    cut = shapely.MultiLineString([[(179.9, 0.0), (180.0, 0.0)], [(-180.0, 0.0), (-179.9, 0.0)]])
    roads = Roads([Road("r", RoadClass.SERVICE, cut)])
    away = roads.distance_m(np.full(3, 0.01), np.array([179.95, -179.95, 180.0]))
    assert away == pytest.approx(GEOD.inv(0.0, 0.0, 0.0, 0.01)[2], rel=1e-3)


def _random_roads(rng: np.random.Generator, count: int, points: int) -> list[Road]:
    start = rng.uniform([-37.0, 44.0], [-33.0, 48.0], (count, 2))
    walks = start[:, None, :] + np.cumsum(rng.normal(0.0, 0.01, (count, points, 2)), axis=1)
    return [Road("r", RoadClass.TERTIARY, shapely.LineString(walk)) for walk in walks]


def _brute_force_m(
    roads: list[Road], latitude: NDArray[np.float64], longitude: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Distance to the nearest of points set every 50 m or so along the roads.

    The geodesic is asked for the forty points that are nearest on a sphere.
    """
    dense = shapely.get_coordinates(shapely.segmentize([r.shape for r in roads], 0.0005))
    found = []
    for y, x in zip(latitude, longitude, strict=True):
        east = (dense[:, 0] - x) * np.cos(np.radians(0.5 * (dense[:, 1] + y)))
        near = dense[np.argpartition(np.hypot(east, dense[:, 1] - y), 40)[:40]]
        found.append(np.min(GEOD.inv(np.full(40, x), np.full(40, y), *near.T)[2]))
    return np.array(found)


def test_many_points_agree_with_brute_force_on_the_ellipsoid() -> None:
    rng = np.random.default_rng(3)
    roads = _random_roads(rng, 20, 30)
    latitude, longitude = rng.uniform(44.0, 48.0, 100), rng.uniform(-37.0, -33.0, 100)
    brute = _brute_force_m(roads, latitude, longitude)
    found = Roads(roads).distance_m(latitude, longitude)
    # Points 50 m apart: brute force is too long by 25 m at most, and by far less when far.
    assert found == pytest.approx(brute, rel=1e-3, abs=30.0)


def test_sixty_thousand_points_get_what_each_would_get_alone(
    record_property: Callable[[str, object], None],
) -> None:
    """How long it takes is reported and fails nothing: a loaded machine is no fault of ours."""
    rng = np.random.default_rng(4)
    roads = Roads(_random_roads(rng, 300, 60))
    latitude, longitude = rng.uniform(44.0, 48.0, 60_000), rng.uniform(-37.0, -33.0, 60_000)
    roads.distance_m(latitude[:1], longitude[:1])  # makes the tree
    begun = time.process_time()
    together = roads.distance_m(latitude, longitude)
    record_property("cpu_s", time.process_time() - begun)
    assert np.all(np.isfinite(together))
    for place in range(0, 60_000, 3_000):
        alone = roads.distance_m(latitude[place : place + 1], longitude[place : place + 1])
        assert together[place] == pytest.approx(alone[0], abs=1e-6)


def test_no_roads_and_lost_points_are_refused() -> None:
    with pytest.raises(InputError, match="at least one road"):
        Roads([])
    with pytest.raises(InputError, match="finite coordinates"):
        Roads([line((10.0, 49.0), (10.0, 50.0))]).distance_m(np.nan, 10.0)
