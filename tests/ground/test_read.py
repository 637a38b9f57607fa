"""Reading GeoJSON: what is right is read, what is wrong is named by file, feature and fix."""

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from windowwatch.errors import GroundError
from windowwatch.ground import geojson
from windowwatch.ground.geojson import read_areas, read_ground, read_roads
from windowwatch.ground.query.features import AreaKind, RoadClass

SQUARE = [[10.0, 50.0], [10.1, 50.0], [10.1, 50.1], [10.0, 50.1], [10.0, 50.0]]
SITES = [(50.3, 10.2)]


def feature(geometry: Any, **properties: Any) -> dict[str, Any]:
    return {"type": "Feature", "properties": properties, "geometry": geometry}


def polygon(*rings: Any) -> dict[str, Any]:
    return {"type": "Polygon", "coordinates": list(rings)}


def written(folder: Path, *features: Any, **members: Any) -> Path:
    path = folder / "map.geojson"
    document = {"type": "FeatureCollection", **members, "features": list(features)}
    path.write_text(json.dumps(document), encoding="utf-8")
    return path


def test_areas_are_read(tmp_path: Path) -> None:
    path = written(
        tmp_path,
        feature(polygon(SQUARE), name="Upton", kind="town"),
        feature({"type": "MultiPolygon", "coordinates": [[SQUARE]]}, kind="no-entry"),
    )
    areas = read_areas(path, SITES)
    assert [(a.name, a.kind) for a in areas.areas] == [
        ("Upton", AreaKind.TOWN),
        ("unnamed no-entry", AreaKind.NO_ENTRY),
    ]
    assert areas.contains(50.05, 10.05)


def test_a_clockwise_ring_and_a_height_are_taken(tmp_path: Path) -> None:
    # RFC 7946, section 3.1.6: a reader should not refuse a ring for its direction.
    ring = [[*point, 120.0] for point in reversed(SQUARE)]
    assert read_areas(written(tmp_path, feature(polygon(ring), kind="town"))).contains(50.05, 10.05)


def test_roads_are_read_and_ground_says_its_sources(tmp_path: Path) -> None:
    way = {"type": "LineString", "coordinates": [[10.0, 50.0], [10.1, 50.0]]}
    path = written(tmp_path, feature(way, kind="track"), note="invented", licence="none needed")
    assert read_roads(path, SITES).classes == {RoadClass.TRACK}
    ground = read_ground(roads=path, near=SITES)
    assert ground.areas is None
    assert ground.roads is not None
    assert ground.sources == ("map.geojson: invented; none needed",)


def test_the_example_of_the_date_line_in_the_standard_is_read(tmp_path: Path) -> None:
    # RFC 7946, section 3.1.9: the line from 45 N 170 E to 45 N 170 W, cut in two.
    coordinates = [[[170.0, 45.0], [180.0, 45.0]], [[-180.0, 45.0], [-170.0, 45.0]]]
    way = {"type": "MultiLineString", "coordinates": coordinates}
    roads = read_roads(written(tmp_path, feature(way, kind="primary")))
    assert np.all(roads.distance_m(np.full(2, 45.0), np.array([179.0, -179.0])) < 1.0)


BOW_TIE = [[10.0, 50.0], [10.1, 50.1], [10.1, 50.0], [10.0, 50.1], [10.0, 50.0]]
OVER = [[179.0, 50.0], [-179.0, 50.0], [-179.0, 51.0], [179.0, 51.0], [179.0, 50.0]]
SWAPPED = [[latitude, longitude] for longitude, latitude in SQUARE]
ELSEWHERE = [[x + 60.0, y - 70.0] for x, y in SQUARE]
LINE = {"type": "LineString", "coordinates": [[10.0, 50.0], [10.1, 50.0]]}

WRONG: dict[str, tuple[Any, str]] = {
    "open ring": (polygon(SQUARE[:-1]), r'feature 2 \("Bad"\): the ring is not closed'),
    "short ring": (polygon(SQUARE[:3]), "at least 4 positions"),
    "bow tie": (polygon(BOW_TIE), r"outline crosses itself near longitude, latitude 10\.05 50\.05"),
    "hole outside": (polygon(SQUARE, ELSEWHERE), "has a hole outside its outer ring"),
    "over the date line": (polygon(OVER), "runs over the 180th meridian; cut it there"),
    "swapped, seen by the sites": (polygon(SWAPPED), "seem to be swapped .* longitude first"),
    "swapped, out of range": (
        polygon([[y, x + 90.0] for x, y in SQUARE]),
        "latitude 100.0 is out of range; latitude and longitude seem to be swapped",
    ),
    "out of range": (polygon([[200.0, 0.0], *SQUARE]), "is out of range; longitude must lie"),
    "not numbers": (polygon([["10", "50"], *SQUARE]), r"must be \[longitude, latitude\]"),
    "one number": (polygon([[10.0], *SQUARE]), r"must be \[longitude, latitude\]"),
    "infinite": (polygon([[10.0, float("inf")], *SQUARE]), r"must be \[longitude, latitude\]"),
    "not a position": (polygon([10.0, *SQUARE]), r"must be \[longitude, latitude\]"),
    "no ring": (polygon(), "geometry has no coordinates"),
    "ring not a list": (polygon(7), "at least 4 positions"),
    "line among areas": (LINE, "geometry is LineString; it must be Polygon or MultiPolygon"),
    "no geometry": (None, "geometry is missing; it must be Polygon"),
}


@pytest.mark.parametrize("case", WRONG)
def test_a_wrong_feature_is_named(tmp_path: Path, case: str) -> None:
    geometry, said = WRONG[case]
    good = feature(polygon(SQUARE), name="Good", kind="town")
    path = written(tmp_path, good, feature(geometry, name="Bad", kind="town"))
    with pytest.raises(GroundError, match=said) as caught:
        read_areas(path, SITES)
    assert f'{path}: feature 2 ("Bad"): ' in str(caught.value)


@pytest.mark.parametrize(
    ("properties", "said"),
    [
        ({"name": "Bad"}, 'has no property "kind"; give one of town, industry, aerodrome'),
        ({"kind": "castle"}, "kind 'castle' is unknown; give one of town"),
        ({"kind": ["town"]}, r"kind \['town'\] is unknown"),
    ],
)
def test_the_kind_is_checked(tmp_path: Path, properties: dict[str, Any], said: str) -> None:
    with pytest.raises(GroundError, match=said):
        read_areas(written(tmp_path, feature(polygon(SQUARE), **properties)))


def test_people_are_read_and_checked(tmp_path: Path) -> None:
    path = written(tmp_path, feature(polygon(SQUARE), kind="town", people_per_km2=1200))
    assert read_areas(path).people_per_km2(50.05, 10.05) == 1200.0
    for wrong in (-1, "many", True):
        path = written(tmp_path, feature(polygon(SQUARE), kind="town", people_per_km2=wrong))
        with pytest.raises(GroundError, match=r"people_per_km2 is .*; give people on a square"):
            read_areas(path)


def test_a_polygon_among_roads_is_named(tmp_path: Path) -> None:
    path = written(tmp_path, feature(polygon(SQUARE), kind="track"))
    with pytest.raises(GroundError, match="geometry is Polygon; it must be LineString"):
        read_roads(path)


def test_a_map_of_another_region_is_refused(tmp_path: Path) -> None:
    path = written(tmp_path, feature(polygon(ELSEWHERE), kind="town"))
    with pytest.raises(GroundError, match="more than 1500 km from every site"):
        read_areas(path, SITES)
    assert read_areas(path).kinds == {AreaKind.TOWN}


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("{", "is not JSON .line 1, column 2"),
        ("[]", '"type": "FeatureCollection"'),
        ('{"type": "Feature"}', '"type": "FeatureCollection"'),
        ('{"type": "FeatureCollection"}', 'has no list "features"'),
        ('{"type": "FeatureCollection", "features": []}', "holds no areas"),
        ('{"type": "FeatureCollection", "features": [1]}', "feature 1: must be an object"),
        ("[" * 100_000, "nested too deeply|is not JSON"),
    ],
)
def test_a_file_that_is_no_map_is_refused(tmp_path: Path, text: str, said: str) -> None:
    path = tmp_path / "bad.geojson"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(GroundError, match=said) as caught:
        read_areas(path)
    assert str(path) in str(caught.value)


def test_missing_binary_huge_and_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(GroundError, match="no such file; fix the path"):
        read_roads(tmp_path / "none.geojson")
    with pytest.raises(GroundError, match="cannot be read"):
        read_roads(tmp_path)
    binary = tmp_path / "grib"
    binary.write_bytes(b"GRIB\xff\xfe7777")
    with pytest.raises(GroundError, match="is not text in UTF-8"):
        read_roads(binary)
    path = written(tmp_path)
    with pytest.raises(GroundError, match="holds no roads; leave the file out"):
        read_roads(path)
    monkeypatch.setattr(geojson, "LARGEST_FILE", 10)
    with pytest.raises(GroundError, match="may have at most"):
        read_roads(path)


def test_a_map_of_half_the_world_is_refused_with_its_name(tmp_path: Path) -> None:
    east = [[x + 60.0, y] for x, y in SQUARE]
    path = written(
        tmp_path, feature(polygon(SQUARE), kind="town"), feature(polygon(east), kind="town")
    )
    with pytest.raises(GroundError, match="km from its middle; cut it to the region") as caught:
        read_areas(path)
    assert str(path) in str(caught.value)
