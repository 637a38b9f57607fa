"""The way that a crew drives: on a small map with plain answers, and in the ground file."""

import dataclasses
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from map_maker import place, write_map

from windowwatch.errors import InputError
from windowwatch.ground.build.builder import Request, build
from windowwatch.ground.file import read_ground_file, write_ground_file
from windowwatch.ground.query.rasters import Base, Rasters, Way, thinned

#: A square of lanes with a one-way short cut through its middle, and a lane far off that no
#: other road leads to. Steps of about 100 m.
NODES = {
    "sw": (-10.0, -10.0), "se": (10.0, -10.0), "ne": (10.0, 10.0), "nw": (-10.0, 10.0),
    "bend": (12.0, 0.0), "i1": (-18.0, 16.0), "i2": (-15.0, 18.0),
}  # fmt: skip
LANE = {"highway": "unclassified"}  # 25 km/h in the published table
WAYS = (
    (("sw", "se"), LANE),
    (("se", "bend", "ne"), LANE),
    (("ne", "nw"), LANE),
    (("nw", "sw"), LANE),
    (("ne", "sw"), {**LANE, "oneway": "yes"}),
    (("i1", "i2"), LANE),
)
SHAPE = shapely.MultiLineString([[NODES[n] for n in names] for names, _ in WAYS])


def _base(name: str, column: float, row: float) -> Base:
    longitude, latitude = place(column, row)
    return Base(name, latitude, longitude)


@pytest.fixture(scope="module")
def ground(tmp_path_factory: pytest.TempPathFactory) -> Rasters:
    folder = tmp_path_factory.mktemp("routes")
    write_map(folder / "small.osm.pbf", NODES, WAYS, box=(-40.0, -40.0, 40.0, 40.0))
    request = Request(
        str(folder / "small.osm.pbf"), str(folder / "small.ground"),
        (_base("Millfield", -10.0, -4.0),), (_base("depot", 4.0, 10.0),), 2400.0, 25.0, "",
    )  # fmt: skip
    build(request, lambda _words, _share: None)
    return read_ground_file(Path(request.out))


def _way(ground: Rasters, column: float, row: float, *bases: str) -> Way | None:
    longitude, latitude = place(column, row)
    return ground.way(bases, ground.units([latitude], [longitude])[0])


def _steps(ground: Rasters, way: Way) -> Any:
    """Points of a way, counted in steps of the map."""
    latitude, longitude = ground.grid.plane.backward(*way.points_m.T)
    west, south = place(0.0, 0.0)
    east, north = place(1.0, 1.0)
    return np.column_stack(
        [(longitude - west) / (east - west), (latitude - south) / (north - south)]
    )


@pytest.mark.parametrize(
    ("to", "through"),
    [
        ((-10.2, -9.0), [(-10.0, -4.0), (-10.0, -9.0)]),  # along its own lane
        ((-10.2, 6.0), [(-10.0, -4.0), (-10.0, 6.0)]),  # … the other way
        ((6.0, -10.2), [(-10.0, -4.0), (-10.0, -10.0), (6.0, -10.0)]),
        ((12.2, 0.0), [(-10.0, -4.0), (-10.0, -10.0), (10.0, -10.0), (12.0, 0.0)]),
        ((0.2, 0.4), [(-10.0, -4.0), (-10.0, 10.0), (10.0, 10.0), (0.2, 0.2)]),  # one-way
    ],
)
def test_the_way_is_the_shortest_that_may_be_driven(
    ground: Rasters, to: tuple[float, float], through: list[tuple[float, float]]
) -> None:
    way = _way(ground, *to, "Millfield")
    assert way is not None
    steps = _steps(ground, way)
    wanted = shapely.LineString(through)
    assert shapely.hausdorff_distance(shapely.LineString(steps), wanted) < 0.4
    assert steps[0] == pytest.approx(through[0], abs=0.15)
    assert steps[-1] == pytest.approx(through[-1], abs=0.3)
    length_m = float(np.hypot(*np.diff(way.points_m, axis=0).T).sum())
    assert way.time_s == pytest.approx(length_m / (25.0 / 3.6), abs=3.0)
    assert shapely.distance(SHAPE, shapely.points(steps)).max() < 0.05, "always on a road"


def test_the_time_is_that_of_the_layer_and_the_soonest_base_goes(ground: Rasters) -> None:
    rng = np.random.default_rng(4)
    for column, row in rng.uniform(-11.0, 11.0, (60, 2)):
        longitude, latitude = place(column, row)
        unit = ground.units([latitude], [longitude])
        each = {name: _way(ground, column, row, name) for name in ("Millfield", "depot")}
        for name, way in each.items():
            assert way is not None
            assert way.time_s / 60.0 == pytest.approx(
                float(ground.drive_min([name], unit)[0]), abs=0.06
            )
        both = _way(ground, column, row, "Millfield", "depot")
        assert both is not None
        assert both.time_s == min(way.time_s for way in each.values() if way)


def test_there_is_no_way_off_the_map_or_to_roads_that_lead_nowhere(ground: Rasters) -> None:
    assert _way(ground, 200.0, 0.0, "Millfield") is None
    assert _way(ground, 0.0, 0.0, "nobody") is None
    near_the_island = _way(ground, -17.0, 17.5, "Millfield")
    assert near_the_island is not None, "one walks there from the lanes"
    assert (
        shapely.distance(SHAPE.geoms[5], shapely.points(_steps(ground, near_the_island))).min() > 1
    )


@pytest.mark.parametrize("small", [True, False])
def test_the_file_brings_the_roads_back(ground: Rasters, tmp_path: Path, small: bool) -> None:
    write_ground_file(tmp_path / "again", ground, small=small)
    again = read_ground_file(tmp_path / "again").routes
    assert again is not None
    assert ground.routes is not None
    for name, values in vars(ground.routes).items():
        assert np.array_equal(getattr(again, name), values)


def test_damaged_roads_are_refused(ground: Rasters) -> None:
    assert ground.routes is not None
    with pytest.raises(InputError, match="an edge or a place is named that is not there"):
        dataclasses.replace(ground.routes, first=ground.routes.first + np.int32(99))
    with pytest.raises(InputError, match="reached_by has the shape"):
        dataclasses.replace(ground.routes, reached_by=ground.routes.reached_by[:, :2])


def test_thinning_keeps_the_ends() -> None:
    turn = np.linspace(0.0, 20.0, 4000)
    course = 1000.0 * np.column_stack([turn * np.cos(turn), turn * np.sin(turn)])
    thin = thinned(course, 50)
    assert 10 < len(thin) <= 50
    assert np.array_equal(thin[[0, -1]], course[[0, -1]])
    assert np.array_equal(thinned(course[:1], 50), course[:1])
    assert len(thinned(course[[0, 500, 0]], 2)) == 2
