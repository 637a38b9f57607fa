"""The invented ground: the committed extract is what the script writes, the built file fits."""

from pathlib import Path
from typing import Any

import island
import make_ground
import make_map
import numpy as np
import pytest
import shapely

from windowwatch.ground.build.extract import Extract
from windowwatch.ground.build.osm import read_extract
from windowwatch.ground.file import read_ground_file
from windowwatch.ground.query.rasters import Base, Rasters
from windowwatch.ground.tags import Cover, Line

EXTRACT, BUILT = make_map.CONFIG / "skerra.osm.pbf", make_map.CONFIG / "skerra.ground"
SITES = [Base(site.name, site.latitude_deg, site.longitude_deg) for site in island.SITES]


@pytest.fixture(scope="module")
def extract() -> Extract:
    return read_extract(EXTRACT)


@pytest.fixture(scope="module")
def ground() -> Rasters:
    return read_ground_file(BUILT)


def test_the_committed_extract_is_what_the_script_writes(extract: Extract, tmp_path: Path) -> None:
    make_ground.write_extract(tmp_path / "again.osm.pbf", make_ground.things())
    again = read_extract(tmp_path / "again.osm.pbf")
    # Another machine's sine may differ in its last bit and turn the last decimals.
    assert extract.ways.position_deg == pytest.approx(again.ways.position_deg, abs=1.001e-3)
    assert np.array_equal(extract.ways.speed_kmph, again.ways.speed_kmph)
    assert {k: len(v) for k, v in extract.areas.items()} == {
        k: len(v) for k, v in again.areas.items()
    }


def test_both_files_are_small_and_say_that_they_are_invented(ground: Rasters) -> None:
    assert EXTRACT.stat().st_size + BUILT.stat().st_size < 3_000_000
    assert all("invented" in source for source in ground.sources)
    assert not any("OpenStreetMap" in source for source in ground.sources)


def test_the_island_has_what_the_checks_need(extract: Extract) -> None:
    assert all(extract.areas[kind] for kind in Cover)
    assert extract.lines[Line.RAILWAY]
    assert extract.lines[Line.POWER]
    assert not extract.lines[Line.MOTORWAY]
    assert 5 <= np.count_nonzero(extract.ways.bridge) <= 40  # few bridges


def test_no_road_wades_the_river(extract: Extract) -> None:
    ways = extract.ways.chosen(~extract.ways.bridge)
    way = np.repeat(np.arange(ways.speed_kmph.size), np.diff(ways.start))
    roads: Any = shapely.linestrings(ways.position_deg, indices=way)
    river = shapely.union_all(np.array(make_ground.rivers(), dtype=object))
    assert not shapely.intersects(roads, river).any()


def test_the_file_reaches_round_the_sites_of_the_watch(ground: Rasters) -> None:
    ground.require_reach(SITES, 150e3)
    ground.require_bases([*SITES, Base("Marrowby depot", 45.98, -34.52)])


def test_water_is_where_the_island_is_not(ground: Rasters) -> None:
    rng = np.random.default_rng(3)
    latitude, longitude = rng.uniform(44.6, 47.6, 4000), rng.uniform(-37.5, -34.5, 4000)
    here = ground.units(latitude, longitude)
    land = island.land_fraction(latitude, longitude)
    sure = ground.mapped(here) & (np.abs(land - 0.5) > 0.35)  # not on the very shore
    wet = ground.covered(here, [Cover.WATER])
    assert np.mean(sure) > 0.8
    assert np.mean((wet == 1.0)[sure] == (land < 0.5)[sure]) > 0.995


def test_heights_are_those_of_the_island(ground: Rasters) -> None:
    rng = np.random.default_rng(4)
    latitude, longitude = rng.uniform(45.0, 47.0, 500), rng.uniform(-36.5, -34.5, 500)
    found = ground.value("height_m", ground.units(latitude, longitude))
    off = np.abs(found - island.terrain_m(latitude, longitude))
    assert np.quantile(off, 0.95) < 5.0


def test_the_river_parts_the_walks_but_not_the_drives(ground: Rasters) -> None:
    """Millfield lies west of the river, Marrowby east of it."""
    longitude, latitude = [-34.53], [45.99]
    drive = ground.drive_min(["Millfield"], ground.units(latitude, longitude))
    crow_km = 112.0  # about
    assert crow_km / 85.0 * 60.0 < drive[0] < crow_km / 25.0 * 60.0
