"""Where places lie: against a count by hand over every spot, without shapely."""

from collections import Counter
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scouted import (
    BAY,
    SKERRA,
    away_km,
    covers_by_hand,
    features,
    in_geometry,
    region_file,
    start_by_hand,
)

from windowwatch.errors import GroundError, InputError
from windowwatch.ground.query.features import Ground
from windowwatch.ground.query.roadnet import RoadNet
from windowwatch.ground.region import read_region, region_around
from windowwatch.ground.tags import Cover
from windowwatch.scoring.values import Site
from windowwatch.scouting.places import Candidates, _off_map, coarse_count, find_places
from windowwatch.settings.read import Settings, read_settings

pytestmark = pytest.mark.scout
#: 5 May 2026, from 06:00 to noon UTC. [s]
SPAN = tuple(datetime(2026, 5, 5, hour, tzinfo=UTC).timestamp() for hour in (6, 12))
SPACING_KM = 6.0
BUILT_UP, NO_GO, COVERED = (
    {Cover.BUILT_UP, Cover.CROWD},
    {Cover.INDUSTRY, Cover.AERODROME, Cover.MILITARY, Cover.NO_ENTRY},
    {Cover.FOREST, Cover.WETLAND, Cover.WATER},
)


@pytest.fixture(scope="module")
def settings() -> Settings:
    return read_settings(SKERRA)


@pytest.fixture(scope="module")
def ground(settings: Settings) -> Ground:
    return settings.watch.ground


@pytest.fixture(scope="module")
def found(
    ground: Ground, settings: Settings, tmp_path_factory: pytest.TempPathFactory
) -> Candidates:
    region = read_region(region_file(tmp_path_factory.mktemp("region")), "--region")
    return find_places(ground, region, SPACING_KM, settings.watch.sites, SPAN)  # type: ignore[arg-type]


def _why(cover: frozenset[Cover] | None, latitude: float, longitude: float) -> str:
    """Why a spot on some cell can be no place; nothing where it can."""
    if cover is None:
        return "off map"
    areas = {
        kind
        for kind, _, shape in features("skerra-areas.geojson")
        if in_geometry(longitude, latitude, shape)
    }
    for why, covers, kinds in (
        ("built-up", BUILT_UP, {"town"}),
        ("no-go", NO_GO, {"industry", "aerodrome", "military", "no-entry"}),
        ("covered", COVERED, {"forest", "wetland", "water"}),
    ):
        if cover & covers or areas & kinds:
            return why
    for kind, about, shape in features("skerra-airspace.geojson"):
        # all that the demonstration has closed at the ground has its floor there and no times
        down = about.get("floor_m", about.get("floor_ft", about.get("floor_fl"))) == 0
        if kind == "closed" and down and in_geometry(longitude, latitude, shape):
            return "airspace"
    inside = (
        in_geometry(longitude, latitude, shape)
        for _, _, shape in features("skerra-permitted.geojson")
    )
    return "" if any(inside) else "not permitted"


def test_places_are_what_a_count_by_hand_leaves(ground: Ground, found: Candidates) -> None:
    assert ground.rasters is not None
    all_spots = np.column_stack(
        ground.rasters.grid.plane.backward(*RoadNet(ground.rasters).stop_m.T)
    )
    for number in np.random.default_rng(2).integers(0, len(all_spots), 40).tolist():
        assert all_spots[number] == pytest.approx(start_by_hand(ground.rasters, number), abs=1e-7)
    spots = {n: at for n, at in enumerate(all_spots.tolist()) if in_geometry(at[1], at[0], BAY)}
    covers = covers_by_hand(ground.rasters, np.array(list(spots.values())))
    whys = {
        number: _why(cover, *at) for (number, at), cover in zip(spots.items(), covers, strict=True)
    }
    free = [number for number, why in whys.items() if not why]
    chosen = dict(zip(found.start.tolist(), found.places, strict=True))
    assert set(chosen) <= set(free)
    for number, place in chosen.items():
        assert (place.latitude_deg, place.longitude_deg) == pytest.approx(spots[number], abs=2e-5)
    told = Counter(why for why in whys.values() if why)
    told["close"] = len(free) - len(chosen)
    assert dict(found.left_out) == {why: count for why, count in told.items() if count}
    assert {"built-up", "covered", "airspace"} <= set(told), "or the test would see too little"

    # no two are too near, and none could be added
    middle = np.radians(45.9)
    scale = np.array([111.3, 111.3 * np.cos(middle)])
    at_km = np.array([spots[n] for n in chosen]) * scale
    apart = np.hypot(*(at_km[:, None] - at_km).transpose(2, 0, 1))
    assert np.min(apart[~np.eye(len(apart), dtype=bool)]) > 0.97 * SPACING_KM
    assert min(
        away_km(a, b) for i, a in enumerate(found.places) for b in found.places[:i]
    ) > 0.995 * SPACING_KM  # fmt: skip
    others = np.array([spots[n] for n in free[::7]]) * scale
    nearest = np.min(np.hypot(*(others[:, None] - at_km).transpose(2, 0, 1)), axis=1)
    assert nearest.max() < 1.03 * SPACING_KM


def test_each_beginning_of_the_row_is_spread_over_the_region(found: Candidates) -> None:
    """Each next place is the one that is farthest from all before it."""
    places = found.places
    assert [coarse_count(n) for n in (5, 40, 500)] == [5, 12, 62]
    for number in range(2, 10):
        nearest = [
            min(away_km(place, before) for before in places[:number]) for place in places[number:]
        ]
        assert nearest[0] > 0.99 * max(nearest)


def test_a_region_holds_what_rays_say(tmp_path: Path) -> None:
    region, draw = read_region(region_file(tmp_path), "--region"), np.random.default_rng(1)
    latitude, longitude = draw.uniform(45.3, 46.7, 2000), draw.uniform(-37.0, -34.0, 2000)
    wanted = [in_geometry(x, y, BAY) for x, y in zip(longitude, latitude, strict=True)]
    assert region.holds(latitude, longitude).tolist() == wanted
    assert 400 < sum(wanted) < 1600
    circle = region_around("46,-35.5,40")
    centre = Site("", 46.0, -35.5, 0.0, "UTC")
    by_hand = [
        away_km(centre, replace(centre, latitude_deg=y, longitude_deg=x))
        for x, y in zip(longitude, latitude, strict=True)
    ]
    for inside, km in zip(circle.holds(latitude, longitude), by_hand, strict=True):
        assert inside == (km <= 40.0) or abs(km - 40.0) < 0.2
    assert not circle.holds(np.array([np.nan]), np.array([-35.5]))[0], "a lost flight is nowhere"


def test_how_much_of_a_region_is_off_the_map_is_told(settings: Settings, ground: Ground) -> None:
    assert ground.rasters is not None
    grid = ground.rasters.grid
    east_m = grid.west_m + grid.columns * grid.cell_m
    for west_m, wanted in ((0.0, 0.5), (30_000.0, 0.0)):
        at = grid.plane.backward(east_m - west_m, 0.0)
        circle = region_around(f"{float(at[0])},{float(at[1])},20")
        assert _off_map(circle, ground.rasters) == pytest.approx(wanted, abs=0.02)


def test_a_ground_file_without_roads_still_has_places(settings: Settings, ground: Ground) -> None:
    assert ground.rasters is not None
    bare = type(ground.rasters)(
        "bare", ground.rasters.grid, ground.rasters.layers, ground.rasters.bases, ()
    )
    region = region_around("45.9,-35.6,25")
    found = find_places(replace(ground, rasters=bare), region, 5.0, settings.watch.sites, SPAN)  # type: ignore[arg-type]
    for place in found.places:
        units = bare.units([place.latitude_deg], [place.longitude_deg])
        assert bare.value("road_m", units)[0] <= 260.0
        at = place.latitude_deg, place.longitude_deg
        assert _why(covers_by_hand(bare, np.array([at]))[0], *at) == ""


@pytest.mark.parametrize(
    ("around", "words"),
    [
        ("46.1,-36.2", "is no circle; write it as"),
        ("46.1,-36.2,x", "is no circle"),
        ("146.1,-36.2,10", "is no place"),
        ("46.1,-36.2,0", "cannot be meant"),
        ("46.1,-36.2,nan", "is no circle"),
        ("46.1,-36.2,5000", "at most 1000 km"),
    ],
)
def test_a_circle_that_is_none(around: str, words: str) -> None:
    with pytest.raises(InputError, match=words):
        region_around(around)


LINE = [[-36, 46], [-35, 46], [-35.5, 46], [-36, 46]]


@pytest.mark.parametrize(
    ("geometry", "words"),
    [
        ({"type": "Point", "coordinates": [-36, 46]}, "is Point; a region is a Polygon"),
        ({"type": "Polygon", "coordinates": [LINE]}, r"region\.geojson"),
        ({"type": "Polygon", "coordinates": [[[-36, 46], [-35, 46], [-35, 47]]]}, "at least 4"),
        (
            {"type": "Polygon", "coordinates": [[[-36, 46], [-35.9999, 46], [-36, 46.0001],
                                                 [-36, 46]]]},
            r"area of .* km²; --region needs one of at least 0\.01 km²",
        ),
        ({"type": "Polygon", "coordinates": [[[-36, 46], [-35, 47], [-35, 46], [-36, 47],
                                              [-36, 46]]]}, "crosses itself"),
    ],
)  # fmt: skip
def test_a_region_that_is_none(tmp_path: Path, geometry: Any, words: str) -> None:
    with pytest.raises(GroundError, match=words):
        read_region(region_file(tmp_path, geometry), "--region")


@pytest.mark.parametrize(
    ("text", "words"),
    [("{", "is not JSON"), ("[1]", "is not GeoJSON"), ('{"type": "FeatureCollection"}', "features"),
     ('{"type": "FeatureCollection", "features": []}', "holds no polygon")],
)  # fmt: skip
def test_a_file_that_is_none(tmp_path: Path, text: str, words: str) -> None:
    (tmp_path / "x.json").write_text(text, encoding="utf-8")
    with pytest.raises(GroundError, match=words):
        read_region(tmp_path / "x.json", "--region")
    with pytest.raises(GroundError, match="no such file"):
        read_region(tmp_path / "y.json", "--region")


def test_regions_without_a_place_are_told_apart(settings: Settings, ground: Ground) -> None:
    def ask(around: str, spacing_km: float = 5.0, ground: Ground = ground) -> Candidates:
        sites = settings.watch.sites
        return find_places(ground, region_around(around), spacing_km, sites, SPAN)  # type: ignore[arg-type]

    with pytest.raises(InputError, match="the circle lies outside the ground file"):
        ask("10,20,30")
    with pytest.raises(InputError, match="has no road on the map"):
        ask("46.1,-37.6,3")
    town = next(shape for kind, _, shape in features("skerra-areas.geojson") if kind == "town")
    ring = np.array(town["coordinates"][0])
    longitude, latitude = (ring.min(axis=0) + ring.max(axis=0)) / 2.0
    with pytest.raises(InputError, match=r"can be a place \(\d+ built-up"):
        ask(f"{latitude},{longitude},0.6")
    with pytest.raises(InputError, match=r"too many .* give a greater spacing, about \d"):
        ask("46,-35.5,100", 0.6)
    with pytest.raises(InputError, match="ground file, and there is none"):
        ask("46,-35.5,20", ground=replace(ground, rasters=None))
