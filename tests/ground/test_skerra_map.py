"""The invented map: the committed files are what the script writes, and they make sense."""

import json
from pathlib import Path
from typing import Any

import island
import make_map
import numpy as np
import pytest
import shapely

from windowwatch.ground.geojson import read_ground
from windowwatch.ground.query.features import AreaKind, Ground, RoadClass

ROOT = Path(__file__).resolve().parents[2]
AREAS = ROOT / "config" / "skerra-areas.geojson"
ROADS = ROOT / "config" / "skerra-roads.geojson"


@pytest.fixture(scope="module")
def ground() -> Ground:
    return read_ground(AREAS, ROADS, [(46.1, -36.6)])


def _numbers(document: Any) -> list[float]:
    """All coordinates of a collection, in order."""
    return [
        float(x)
        for feature in document["features"]
        for x in shapely.get_coordinates(shapely.geometry.shape(feature["geometry"])).ravel()
    ]


@pytest.mark.parametrize("name", ["areas", "roads", "airspace", "permitted"])
def test_the_committed_file_is_what_the_script_writes(name: str) -> None:
    path = ROOT / "config" / f"skerra-{name}.geojson"
    held, made = json.loads(path.read_text(encoding="utf-8")), getattr(make_map, name)()
    assert [f["properties"] for f in held["features"]] == [
        f["properties"] for f in made["features"]
    ]
    # Another machine's sine may differ in its last bit and turn the third decimal.
    assert _numbers(held) == pytest.approx(_numbers(made), abs=1.001e-3)
    assert held["note"] == make_map.NOTE
    assert "invented" in held["note"]


def test_both_files_together_are_small() -> None:
    assert AREAS.stat().st_size + ROADS.stat().st_size < 300_000


def test_the_map_has_what_the_checks_need(ground: Ground) -> None:
    assert ground.areas is not None
    assert ground.roads is not None
    assert ground.areas.kinds == set(AreaKind)
    assert {RoadClass.PRIMARY, RoadClass.UNCLASSIFIED, RoadClass.TRACK} <= ground.roads.classes
    assert "Long Mere" in {area.name for area in ground.areas.areas}
    assert all("invented" in source for source in ground.sources)


def test_roads_stay_on_land(ground: Ground) -> None:
    assert ground.roads is not None
    for road in ground.roads.roads:
        points = shapely.get_coordinates(shapely.segmentize(road.shape, 0.002))
        assert np.min(island.land_fraction(points[:, 1], points[:, 0])) > 0.5, road.name


def test_water_on_the_map_is_water_of_the_island(ground: Ground) -> None:
    assert ground.areas is not None
    rng = np.random.default_rng(8)
    latitude, longitude = rng.uniform(43.0, 49.0, 20_000), rng.uniform(-38.0, -32.0, 20_000)
    on_map = ground.areas.contains(latitude, longitude, [AreaKind.WATER])
    assert np.mean(on_map == (island.land_fraction(latitude, longitude) < 0.5)) > 0.999


def test_towns_are_on_land_and_sites_are_out_of_them(ground: Ground) -> None:
    assert ground.areas is not None
    for area in ground.areas.areas:
        if area.kind is not AreaKind.WATER:
            middle = shapely.get_coordinates(area.shape.centroid)[0]
            assert island.land_fraction(middle[1], middle[0]) > 0.5, area.name
    for site in island.SITES:
        away = ground.areas.distance_m(site.latitude_deg, site.longitude_deg)
        assert away > 2_000.0, site.name
