"""Drives from places that a ground file was not built for: networkx, and a file that was."""

import dataclasses
from itertools import pairwise
from pathlib import Path

import networkx as nx
import numpy as np
import pytest
from map_maker import place, write_map
from scouted import SKERRA

from windowwatch.ground.build.builder import Request, build
from windowwatch.ground.file import read_ground_file
from windowwatch.ground.query.rasters import Base, Rasters, Routes
from windowwatch.ground.query.roadnet import RoadNet

pytestmark = pytest.mark.scout
#: Lanes round a square with a one-way short cut and a dead end. Steps of about 100 m.
NODES = {
    "sw": (-10.0, -10.0), "se": (10.0, -10.0), "ne": (10.0, 10.0), "nw": (-10.0, 10.0),
    "bend": (12.0, 0.0), "end": (0.0, 4.0), "mid": (0.0, -10.0),
}  # fmt: skip
LANE = {"highway": "unclassified"}
WAYS = (
    (("sw", "mid", "se"), LANE),
    (("se", "bend", "ne"), LANE),
    (("ne", "nw"), LANE),
    (("nw", "sw"), LANE),
    (("ne", "sw"), {**LANE, "oneway": "yes"}),
    (("mid", "end"), LANE),
)


def _by_networkx(routes: Routes, edge: int, along_s: float, to: list[int]) -> np.ndarray:
    """Times from a point of the roads to where walks begin, over a graph cut at these points."""
    graph = nx.DiGraph()
    cuts: dict[int, list[tuple[float, object]]] = {}
    for number in to:
        cuts.setdefault(int(routes.start_edge[number]), []).append(
            (float(routes.start_along_s[number]), ("start", number))
        )
    cuts.setdefault(edge, []).append((along_s, "here"))
    for on in range(routes.first.size):
        ends = [(0.0, int(routes.first[on])), (float(routes.time_s[on]), int(routes.last[on]))]
        row = [ends[0], *sorted(cuts.get(on, []), key=lambda cut: cut[0]), ends[1]]
        for (from_s, one), (to_s, other) in pairwise(row):
            took = max(to_s - from_s, 0.0)
            for allowed, a, b in ((1, one, other), (2, other, one)):
                # two cuts at one point are one, whichever way the road is driven
                if (took == 0.0 or int(routes.allowed[on]) & allowed) and (
                    not graph.has_edge(a, b) or graph[a][b]["weight"] > took
                ):
                    graph.add_edge(a, b, weight=took)
    times = nx.single_source_dijkstra_path_length(graph, "here")
    return np.array([times.get(("start", n), np.inf) for n in to])


def _small(folder: Path, site: Base, *crews: Base) -> Rasters:
    write_map(folder / "small.osm.pbf", NODES, WAYS, box=(-40.0, -40.0, 40.0, 40.0))
    request = Request(
        str(folder / "small.osm.pbf"),
        str(folder / "small.ground"),
        (site,),
        crews,
        2400.0,
        50.0,
        "",
    )
    build(request, lambda _words, _share: None)
    return read_ground_file(Path(request.out))


def _base(name: str, column: float, row: float) -> Base:
    longitude, latitude = place(column, row)
    return Base(name, latitude, longitude)


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> Rasters:
    return _small(tmp_path_factory.mktemp("plain"), _base("Millfield", -10.0, -4.0))


def test_times_are_those_of_networkx(plain: Rasters) -> None:
    """On the small map with its one-way road from every start, on the demonstration's from some."""
    great = read_ground_file(SKERRA.parent / "skerra.ground")
    assert plain.routes is not None
    assert (plain.routes.allowed == 1).any(), "one-way"
    draw = np.random.default_rng(4)
    for rasters in (plain, great):
        net, routes = RoadNet(rasters), rasters.routes
        assert routes is not None
        to = draw.choice(routes.start_cell.size, 150, replace=False).tolist()
        for number in to[:12]:
            edge, along_s = int(routes.start_edge[number]), float(routes.start_along_s[number])
            found = net.from_stop_s(number)[to]
            wanted = _by_networkx(routes, edge, along_s, to)
            np.testing.assert_allclose(found, wanted, rtol=1e-9, atol=1e-6)
            assert found.min() == pytest.approx(0.0, abs=1e-9)


def test_a_new_place_drives_as_if_the_file_had_been_built_for_it(
    plain: Rasters, tmp_path: Path
) -> None:
    """The same map built with a crew at the place: each cell's drive, to its step of 0.1 min."""
    routes = plain.routes
    assert routes is not None
    net = RoadNet(plain)
    latitude, longitude = net.stop_deg(slice(None))
    number = int(np.argmin(np.hypot(latitude - _base("", 0, 2).latitude_deg,
                                    longitude - _base("", 0, 2).longitude_deg)))  # fmt: skip
    new = Base("new", float(latitude[number]), float(longitude[number]))
    built = _small(tmp_path, _base("Millfield", -10.0, -4.0), new)
    given = plain.with_base(new, net.from_stop_s(number))
    rows, columns = plain.grid.shape
    units = np.stack(np.meshgrid(np.arange(columns), np.arange(rows)), axis=-1).reshape(-1, 2)
    for bases in (["new"], ["new", "Millfield"]):
        wanted, found = (each.drive_min(bases, units.astype(float)) for each in (built, given))
        assert (np.isnan(wanted) == np.isnan(found)).all()
        assert (np.isinf(wanted) == np.isinf(found)).all()
        there = np.isfinite(wanted)
        assert there.sum() > 1000
        assert np.abs(wanted[there] - found[there]).max() < 0.15, "a step, and rounding before"
    assert plain.bases == given.bases[:1], "the file itself is as it was"


def test_without_roads_nothing_is_known_of_a_drive(plain: Rasters) -> None:
    bare = Rasters("bare", plain.grid, plain.layers, plain.bases, ())
    drive = bare.with_base(_base("new", 0.0, 2.0), np.zeros(0)).drive_min(
        ["new"], np.array([[10.0, 10.0]])
    )
    assert np.isnan(drive).all(), "never taken as good"
    assert {f.name for f in dataclasses.fields(Routes)} >= {"start_cell", "start_edge"}
