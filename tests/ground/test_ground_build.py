"""Extracts in, ground files out: small invented maps with plain answers, and bad input."""

import json
import re
import subprocess
import sys
import zipfile
from dataclasses import asdict
from pathlib import Path
from time import thread_time
from typing import Any

import numpy as np
import pytest
from map_maker import place, write_map

from windowwatch.cli.prepare import build_ground
from windowwatch.errors import GroundError
from windowwatch.ground.build.builder import Request, build
from windowwatch.ground.build.extract import EVERYWHERE
from windowwatch.ground.build.layers import region_about
from windowwatch.ground.build.osm import read_extract
from windowwatch.ground.file import read_ground_file, write_ground_file
from windowwatch.ground.query.rasters import LARGEST_CODE, Base, Rasters, encode
from windowwatch.ground.tags import Cover

ROAD = {"highway": "unclassified"}  # 25 km/h in the table
SITE = (0.0, 0.0)
NODES = {
    "site": (0.0, 0.0), "west": (-15.0, 0.0), "east": (15.0, 0.0), "north": (0.0, 15.0),
    "m1": (-15.0, 10.0), "m2": (15.0, 10.0),
    "f1": (5.0, 3.0), "f2": (12.0, 3.0), "f3": (12.0, 9.0), "f4": (5.0, 9.0),
    "t1": (-12.0, 2.0), "t2": (-6.0, 2.0), "t3": (-6.0, 6.0), "t4": (-12.0, 6.0),
    "r1": (-18.0, -5.0), "r2": (18.0, -5.0),
}  # fmt: skip
WAYS = (
    (("west", "site", "east"), ROAD),
    (("site", "north"), {"highway": "service", "access": "private"}),
    (("m1", "m2"), {"highway": "motorway"}),
    (("f1", "f2", "f3", "f4", "f1"), {"natural": "wood"}),
    (("t1", "t2", "t3", "t4", "t1"), {"landuse": "residential"}),
    (("r1", "r2"), {"waterway": "river"}),
)


def _site(column: float = 0.0, row: float = 0.0) -> Base:
    longitude, latitude = place(column, row)
    return Base("Millfield", latitude, longitude)


def _request(folder: Path, **more: Any) -> Request:
    path = folder / "small.osm.pbf"
    if not path.exists():
        write_map(path, NODES, WAYS)
    given: dict[str, Any] = {
        "map": str(path),
        "out": str(folder / "small.ground"),
        "sites": (_site(),),
        "crews": (),
        "reach_m": 1500.0,
        "cell_m": 25.0,
        "built_utc": "2026-05-04T00:00Z",
    }
    return Request(**{**given, **more})


def _build(request: Request) -> Rasters:
    return build(request, lambda _words, _share: None)


@pytest.fixture(scope="module")
def ground(tmp_path_factory: pytest.TempPathFactory) -> Rasters:
    request = _request(tmp_path_factory.mktemp("ground"))
    _build(request)
    return read_ground_file(Path(request.out))


def _at(ground: Rasters, *points: tuple[float, float]) -> Any:
    longitude, latitude = np.transpose([place(*point) for point in points])
    return ground.units(latitude, longitude)


def test_land_is_what_the_map_says(ground: Rasters) -> None:
    here = _at(ground, (8.0, 6.0), (-9.0, 4.0), (0.0, -3.0))
    assert ground.covered(here, [Cover.FOREST]).tolist() == [1.0, 0.0, 0.0]
    assert ground.covered(here, [Cover.BUILT_UP]).tolist() == [0.0, 1.0, 0.0]
    assert ground.covered(here, list(Cover)).tolist() == [1.0, 1.0, 0.0]


def test_distances_are_those_of_the_drawing(ground: Rasters) -> None:
    """A step is 100.06 m to the north at 46° (WGS 84: 1° of latitude is 111.14 km there)."""
    here = _at(ground, (3.0, 4.0), (-3.0, 4.0), (-9.0, 4.0))
    assert ground.value("road_m", here) == pytest.approx(400.1, abs=4.0)
    assert ground.value("motorway_m", here) == pytest.approx(600.2, abs=4.0)
    assert ground.value("built_up_m", here)[1:] == pytest.approx([301.8, 0.0], abs=4.0)
    assert np.isinf(ground.value("railway_m", here)).all()


def test_a_car_may_not_stop_on_a_motorway_nor_enter_a_private_drive(ground: Rasters) -> None:
    here = _at(ground, (0.0, 9.0))
    assert ground.value("road_m", here) == pytest.approx(900.5, abs=4.0)


def test_drive_and_walk(ground: Rasters) -> None:
    """25 km/h by the published table; 4 km/h over open land: judgement."""
    east_m = 1005.0  # ten steps of 0.0013° at 46°: 1° of longitude is 77.46 km there
    here = _at(ground, (10.0, -2.0))
    assert ground.drive_min(["Millfield"], here) == pytest.approx(east_m / 25e3 * 60, abs=0.15)
    assert ground.value("walk_min", here) == pytest.approx(200.1 / 4e3 * 60, abs=0.4)


def test_nobody_wades_the_river(ground: Rasters) -> None:
    beyond = _at(ground, (3.0, -8.0))
    assert np.isinf(ground.value("walk_min", beyond)).all()
    assert np.isinf(ground.drive_min(["Millfield"], beyond)).all()
    assert ground.value("road_m", beyond) == pytest.approx(800.4, abs=4.0)  # as the crow flies


def test_off_the_map_nothing_is_known(ground: Rasters) -> None:
    outside = _at(ground, (60.0, 0.0), (0.0, 500.0))
    assert not ground.mapped(outside).any()
    assert np.isnan(ground.value("road_m", outside)).all()
    assert np.isnan(ground.covered(outside, [Cover.WATER])).all()
    assert np.isnan(ground.drive_min(["Millfield"], outside)).all()


def test_the_file_says_where_it_is_from(ground: Rasters) -> None:
    (source,) = ground.sources
    assert "OpenStreetMap contributors" in source
    assert "Open Database License" in source
    assert any("no terrain was given" in note for note in ground.notes)


def test_small_and_stored_files_hold_the_same(ground: Rasters, tmp_path: Path) -> None:
    paths = tmp_path / "stored", tmp_path / "small"
    for path, small in zip(paths, (False, True), strict=True):
        write_ground_file(path, ground, small=small)
    stored, deflated = (read_ground_file(path) for path in paths)
    assert isinstance(stored.layers["road_m"].codes, np.memmap)
    for name, layer in ground.layers.items():
        assert np.array_equal(stored.layers[name].codes, layer.codes)
        assert np.array_equal(deflated.layers[name].codes, layer.codes)
    assert paths[1].stat().st_size < 0.2 * paths[0].stat().st_size
    assert list(tmp_path.iterdir()) == list(tmp_path.glob("s*"))  # no leavings


def test_many_points_are_looked_up_all_at_once(ground: Rasters) -> None:
    """A fifth of a second of work on whole arrays; point by point it is a minute."""
    rng = np.random.default_rng(1)
    longitude, latitude = np.transpose([place(*p) for p in rng.uniform(-14, 14, (1000, 2))])
    begin = thread_time()
    here = ground.units(np.tile(latitude, 200), np.tile(longitude, 200))
    for name in ground.layers:
        ground.value(name, here)
    ground.covered(here, [Cover.WATER])
    assert thread_time() - begin < 10.0, "of this thread's own work, whatever else the machine does"


def test_far_values_are_cut_not_wrapped() -> None:
    layer = encode([[1e9, np.inf, np.nan, -5.0]], 2.0)
    assert layer.codes.tolist() == [[LARGEST_CODE, 65535, 65535, 0]]


def test_a_map_without_roads(tmp_path: Path) -> None:
    write_map(tmp_path / "small.osm.pbf", NODES, WAYS[3:])
    with pytest.raises(GroundError, match=r"small\.osm\.pbf: holds no road that a car may drive"):
        _build(_request(tmp_path))


def test_a_file_cut_short(tmp_path: Path) -> None:
    path = write_map(tmp_path / "small.osm.pbf", NODES, WAYS)
    path.write_bytes(path.read_bytes()[:-40])
    with pytest.raises(GroundError, match="the file is cut short or of another kind"):
        _build(_request(tmp_path))


def test_a_file_that_is_no_map(tmp_path: Path) -> None:
    (tmp_path / "small.osm.pbf").write_bytes(b"GRIB" * 100)
    with pytest.raises(GroundError, match="cannot be read as an OpenStreetMap extract"):
        _build(_request(tmp_path))


def test_no_file(tmp_path: Path) -> None:
    with pytest.raises(GroundError, match="no such file; give an OpenStreetMap extract"):
        _build(_request(tmp_path, map=str(tmp_path / "other.osm.pbf")))


def test_a_site_in_a_lake(tmp_path: Path) -> None:
    ways = (*WAYS, (("f1", "f2", "f3", "f4", "f1"), {"natural": "water"}))
    write_map(tmp_path / "small.osm.pbf", NODES, ways)
    with pytest.raises(GroundError, match=r"Millfield \(.*\) lies on water on the map small"):
        _build(_request(tmp_path, sites=(_site(8.0, 5.0),), reach_m=500.0))


def test_swapped_coordinates(tmp_path: Path) -> None:
    site = _site()
    swapped = Base("Millfield", site.longitude_deg, site.latitude_deg)
    with pytest.raises(GroundError, match="latitude and longitude seem to be swapped"):
        _build(_request(tmp_path, sites=(swapped,)))


def test_a_map_too_small_for_the_reach(tmp_path: Path) -> None:
    with pytest.raises(GroundError, match=r"the map ends \d\.\d km north of site Millfield, and 5"):
        _build(_request(tmp_path, reach_m=5000.0))
    assert not (tmp_path / "small.ground").exists()


def test_too_many_cells(tmp_path: Path) -> None:
    with pytest.raises(GroundError, match=r"are too many \(at most .*--cell-m"):
        _build(_request(tmp_path, cell_m=0.05))


def test_ways_that_lack_nodes_are_cut_and_told(tmp_path: Path) -> None:
    ways = (*WAYS, (("west", "gone", "site", "east"), ROAD), (("f1", "gone", "f2", "f1"), {
        "natural": "wood"}))  # fmt: skip
    write_map(tmp_path / "small.osm.pbf", NODES, ways)
    built = _build(_request(tmp_path))
    assert any("refer to nodes that are not in it" in note for note in built.notes)


def test_a_map_that_does_not_say_its_box_reaches_as_far_as_its_roads(tmp_path: Path) -> None:
    write_map(tmp_path / "small.osm.pbf", NODES, WAYS, box=None)
    built = _build(_request(tmp_path, reach_m=400.0, sites=(_site(0.0, 5.0),)))
    assert built.mapped(_at(built, (0.0, 1.5))).tolist() == [True]
    with pytest.raises(GroundError, match=r"the map ends 0\.\d km south of site Millfield"):
        _build(_request(tmp_path, reach_m=400.0, sites=(_site(0.0, 1.0),)))


def test_a_site_far_from_every_road_is_told(tmp_path: Path) -> None:
    write_map(tmp_path / "small.osm.pbf", NODES, WAYS, box=(-20.0, -60.0, 20.0, 40.0))
    built = _build(_request(tmp_path, sites=(_site(0.0, -40.0),), reach_m=1500.0))
    assert "Millfield lies 4.0 km from the nearest road" in built.notes


def test_closed_land_is_not_entered_on_foot_however_thin(tmp_path: Path) -> None:
    """A strip 10 m wide, slanting, all across the land south of the road."""
    strip = {"s1": (-20.0, -4.0), "s2": (20.0, -2.0), "s3": (20.0, -1.9), "s4": (-20.0, -3.9)}
    ways = (*WAYS, (("s1", "s2", "s3", "s4", "s1"), {"landuse": "military"}))
    write_map(tmp_path / "small.osm.pbf", {**NODES, **strip}, ways)
    built = _build(_request(tmp_path))
    walk = built.value("walk_min", _at(built, (0.0, -2.0), (0.0, -4.0)))
    assert walk[0] < 5.0
    assert np.isinf(walk[1])


def test_what_lies_far_outside_is_not_read(tmp_path: Path) -> None:
    far = {"a": (900.0, 0.0), "b": (900.0, 9.0), "c": (909.0, 9.0)}  # 90 km to the east
    ways = (*WAYS, (("a", "b"), ROAD), (("a", "b", "c", "a"), {"natural": "wood"}))
    box = (-20.0, -20.0, 1000.0, 20.0)
    path = write_map(tmp_path / "small.osm.pbf", {**NODES, **far}, ways, box=box)
    whole = read_extract(path)
    site = _site()
    region = region_about([site], [], 1500.0)
    near = read_extract(path, region_deg=region)
    assert len(whole.ways.speed_kmph) == len(near.ways.speed_kmph) + 1
    assert [len(e.areas[Cover.FOREST]) for e in (whole, near)] == [2, 1]
    assert near.held_deg == whole.held_deg
    assert near.box_deg[3] == pytest.approx(region[3])
    with_crew = region_about([site], [_site(900.0, 0.0)], 1500.0)
    assert len(read_extract(path, region_deg=with_crew).ways.speed_kmph) == len(
        whole.ways.speed_kmph
    )


def test_the_wanted_region_is_a_box_round_the_sites() -> None:
    """20 km more than the reach, each way; 1 degree is 111.19 km on the sphere of 6371 km."""
    south, west, north, east = region_about([Base("a", 46.0, 355.0)], [], 91_195.0)
    assert (south, north) == pytest.approx((45.0, 47.0), abs=1e-3)
    assert west + east == pytest.approx(-10.0)
    assert east - west == pytest.approx(2.0 / np.cos(np.radians(47.0)), abs=1e-3)
    assert region_about([Base("a", 0.0, 179.9)], [], 1e5) == EVERYWHERE


def test_an_older_or_newer_format_is_refused(ground: Rasters, tmp_path: Path) -> None:
    path = tmp_path / "other.ground"
    write_ground_file(path, ground)
    with zipfile.ZipFile(path) as held:
        parts = {name: held.read(name) for name in held.namelist()}
    header = {**json.loads(parts["header.json"]), "format": 7}
    with zipfile.ZipFile(path, "w") as out:
        for name, data in {**parts, "header.json": json.dumps(header).encode()}.items():
            out.writestr(name, data)
    with pytest.raises(GroundError, match="is a ground file of format 7, and this program reads"):
        read_ground_file(path)


@pytest.mark.parametrize("share", [0.0, 0.3, 0.9, 0.999])
def test_a_ground_file_cut_short(ground: Rasters, tmp_path: Path, share: float) -> None:
    path = tmp_path / "cut.ground"
    write_ground_file(path, ground)
    data = path.read_bytes()
    path.write_bytes(data[: int(share * len(data))])
    with pytest.raises(GroundError, match="is no ground file, or one that was cut short"):
        read_ground_file(path)


@pytest.mark.parametrize("small", [True, False])
def test_damaged_bytes_never_come_through_as_another_error(
    ground: Rasters, tmp_path: Path, small: bool
) -> None:
    path, rng = tmp_path / "damaged.ground", np.random.default_rng(8)
    write_ground_file(path, ground, small=small)
    whole = path.read_bytes()
    refused = []
    for _ in range(300):
        data = bytearray(whole)
        near_end = rng.random() < 0.5  # where the list of entries is
        at = rng.integers(len(data) - 1500, len(data)) if near_end else rng.integers(0, 4000)
        data[int(at)] ^= int(rng.integers(1, 256))
        path.write_bytes(bytes(data))
        try:
            read_ground_file(path)
        except GroundError as error:
            refused.append(error.message)
    assert len(refused) > 100
    assert all("damaged.ground" in message for message in refused)


def test_a_ground_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(GroundError, match="no such file; make it with `windowwatch ground build`"):
        read_ground_file(tmp_path / "none.ground")


def test_a_site_that_has_moved(ground: Rasters) -> None:
    ground.require_bases([_site()])
    with pytest.raises(GroundError, match=r"was built with Millfield 1\.0 km away"):
        ground.require_bases([_site(10.0, 0.0)])
    with pytest.raises(GroundError, match="has no drive times from Highmoor"):
        ground.require_bases([Base("Highmoor", 46.0, -35.0)])


RASTER = """
import sys, numpy as np, rasterio
from rasterio.transform import from_origin
path, kind = sys.argv[1:3]
west, north, size = -35.04, 46.04, 0.001
rows = columns = 80
x, y = np.meshgrid(west + size * (np.arange(columns) + .5), north - size * (np.arange(rows) + .5))
# 0.1 m up for each 0.001 degree of longitude and 10 m for each of latitude; 3 people a cell
values = 100.0 + 100.0 * (x + 35) + 10000.0 * (y - 46) if kind != "people" else 3.0 + 0 * x
crs = None if kind == "lost" else "EPSG:4326"
if kind == "elsewhere":
    west = 10.0
with rasterio.open(path, "w", driver="GTiff", width=columns, height=rows, count=1,
                   dtype="float32", crs=crs, transform=from_origin(west, north, size, size)) as out:
    out.write(values.astype("float32"), 1)
    out.update_tags(TIFFTAG_COPYRIGHT="invented", TIFFTAG_DATETIME="2026:05:04 00:00:00")
"""


def _raster(folder: Path, kind: str) -> str:
    path = folder / f"{kind}.tif"
    subprocess.run(
        [sys.executable, "-W", "ignore", "-c", RASTER, str(path), kind], check=True, timeout=60
    )
    return str(path)


def _by_process(request: Request) -> list[str]:
    """What the builder says at last, asked as the command asks it."""
    heard: list[tuple[str, float]] = []
    said = build_ground(asdict(request), lambda words, share: heard.append((words, share)))
    assert heard[0] == ("reading the map", 0.0)
    assert heard[-1] == ("writing", 0.96)
    return said


@pytest.mark.process
def test_terrain_and_people_from_rasters(tmp_path: Path) -> None:
    request = _request(
        tmp_path, terrain=_raster(tmp_path, "terrain"), population=_raster(tmp_path, "people")
    )
    said = _by_process(request)
    assert any("terrain.tif: terrain; copyright invented" in line for line in said)
    ground = read_ground_file(Path(request.out))
    here = _at(ground, (0.0, 0.0), (5.0, 10.0))
    assert ground.value("height_m", here) == pytest.approx([100.0, 190.65], abs=1.5)
    # 10 m up over 0.001° of latitude, 111.14 m: 5.14°
    assert ground.value("slope_deg", here) == pytest.approx([5.14, 5.14], abs=0.15)
    # 3 people on 0.001° by 0.001°, 111.14 m by 77.46 m
    assert ground.value("people_per_km2", here) == pytest.approx([348.5, 348.5], rel=0.05)


@pytest.mark.parametrize(
    ("kind", "words"),
    [
        ("lost", "lost.tif: has no coordinate reference system"),
        ("elsewhere", "elsewhere.tif: says nothing about the region of the watch"),
    ],
)
@pytest.mark.process
def test_rasters_that_cannot_be_placed(tmp_path: Path, kind: str, words: str) -> None:
    with pytest.raises(GroundError, match=re.escape(words)):
        _by_process(_request(tmp_path, terrain=_raster(tmp_path, kind)))


@pytest.mark.process
def test_a_raster_that_is_none(tmp_path: Path) -> None:
    path = tmp_path / "small.tif"
    path.write_text("no raster")
    with pytest.raises(GroundError, match="cannot be read as a GeoTIFF"):
        _by_process(_request(tmp_path, terrain=str(path)))


@pytest.mark.process
def test_the_builder_never_meets_the_forecast_libraries() -> None:
    code = (
        "import sys, windowwatch.child\n"
        "import windowwatch.ground.build.builder, windowwatch.ground.build.geotiff\n"
        "bad = [m for m in sys.modules if m.split('.')[0] in {'eccodes', 'gribapi', 'cfgrib'}"
        " or m.startswith('windowwatch.forecast')]\n"
        "assert not bad, bad\n"
    )
    subprocess.run([sys.executable, "-c", code], check=True, timeout=60)


@pytest.mark.process
def test_a_pass_needs_none_of_the_builders_libraries() -> None:
    code = (
        "import sys\n"
        "for name in ('osmium', 'rasterio', 'scipy'):\n"
        "    sys.modules[name] = None\n"
        "from pathlib import Path\n"
        "from windowwatch.settings.read import read_settings\n"
        "assert read_settings(Path(sys.argv[1])).watch.ground.rasters is not None\n"
    )
    example = Path(__file__).resolve().parents[2] / "config" / "skerra.toml"
    subprocess.run([sys.executable, "-c", code, str(example)], check=True, timeout=60)
