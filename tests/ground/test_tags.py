"""What tags mean: speeds and access of a published car profile, directions, kinds of land."""

import pytest

from windowwatch.ground.tags import (
    KEYS,
    Cover,
    Line,
    cover_kinds,
    directions,
    is_public,
    is_walkable,
    line_kind,
    speed_kmph,
)


@pytest.mark.parametrize(
    ("highway", "kmph"),
    [
        ("motorway", 90), ("trunk", 85), ("primary", 65), ("secondary", 55), ("tertiary", 40),
        ("unclassified", 25), ("residential", 25), ("living_street", 10), ("service", 15),
        ("track", 0), ("path", 0), ("footway", 0), ("construction", 0), ("proposed", 0),
    ],
)  # fmt: skip
def test_speeds_by_class(highway: str, kmph: float) -> None:
    """Default speeds of OSRM's car profile (version 5); tracks are not driven here."""
    assert speed_kmph({"highway": highway}) == kmph


@pytest.mark.parametrize(
    ("tags", "kmph"),
    [
        ({"surface": "gravel"}, 30), ({"surface": "mud"}, 15), ({"surface": "clay"}, 20),
        ({"surface": "asphalt"}, 55), ({"maxspeed": "50"}, 50), ({"maxspeed": "30 km/h"}, 30),
        ({"maxspeed": "20 mph"}, 32.18688), ({"maxspeed": "100"}, 55), ({"maxspeed": "none"}, 55),
        ({"maxspeed": "0"}, 55),
    ],
)  # fmt: skip
def test_no_faster_than_surface_and_sign_allow(tags: dict[str, str], kmph: float) -> None:
    """Surface caps: OSRM's car profile. 1 mile is 1.609344 km."""
    assert speed_kmph({"highway": "secondary", **tags}) == pytest.approx(kmph)


@pytest.mark.parametrize(
    ("tags", "open_"),
    [
        ({"access": "private"}, False), ({"access": "no"}, False),
        ({"access": "agricultural"}, False), ({"access": "forestry"}, False),
        ({"access": "no", "motor_vehicle": "yes"}, True),
        ({"access": "yes", "motor_vehicle": "no"}, False),
        ({"vehicle": "no", "motorcar": "designated"}, True),
        ({"access": "permissive"}, True), ({"area": "yes"}, False),
    ],
)  # fmt: skip
def test_the_tag_that_says_most_about_a_car_decides(tags: dict[str, str], open_: bool) -> None:
    """Order of access tags for cars: motorcar, motor_vehicle, vehicle, access (OSRM)."""
    assert (speed_kmph({"highway": "service", **tags}) > 0.0) == open_


@pytest.mark.parametrize(
    ("tags", "expected"),
    [
        ({}, (True, True)), ({"oneway": "yes"}, (True, False)), ({"oneway": "1"}, (True, False)),
        ({"oneway": "-1"}, (False, True)), ({"oneway": "no"}, (True, True)),
        ({"junction": "roundabout"}, (True, False)),
        ({"junction": "roundabout", "oneway": "no"}, (True, True)),
    ],
)  # fmt: skip
def test_directions(tags: dict[str, str], expected: tuple[bool, bool]) -> None:
    """OpenStreetMap's documentation of `oneway`: roundabouts and motorways imply it."""
    assert directions({"highway": "tertiary", **tags}) == expected
    assert directions({"highway": "motorway"}) == (True, False)


def test_who_may_stop_and_who_may_walk() -> None:
    assert is_public({"highway": "tertiary"})
    assert not is_public({"highway": "tertiary", "access": "destination"})
    assert not is_public({"highway": "service"})
    assert not is_public({"highway": "motorway"})
    assert is_walkable({"highway": "track", "motor_vehicle": "no"})
    assert not is_walkable({"highway": "motorway"})
    assert not is_walkable({"highway": "path", "access": "private"})
    assert is_walkable({"highway": "path", "access": "private", "foot": "yes"})
    assert not is_walkable({"highway": "proposed"})


def test_lines() -> None:
    assert line_kind({"highway": "motorway"}) is Line.MOTORWAY
    assert line_kind({"railway": "rail"}) is Line.RAILWAY
    assert line_kind({"railway": "abandoned"}) is None
    assert line_kind({"railway": "subway", "tunnel": "yes"}) is None
    assert line_kind({"power": "line"}) is Line.POWER
    assert line_kind({"waterway": "river"}) is Line.RIVER
    assert line_kind({"waterway": "canal", "tunnel": "culvert"}) is None
    assert line_kind({"waterway": "stream"}) is None  # one steps over it


@pytest.mark.parametrize(
    ("tags", "kinds"),
    [
        ({"landuse": "residential"}, {Cover.BUILT_UP}),
        ({"landuse": "industrial", "power": "plant"}, {Cover.INDUSTRY}),
        ({"power": "substation"}, {Cover.INDUSTRY}),
        ({"amenity": "school"}, {Cover.CROWD}),
        ({"amenity": "hospital", "landuse": "residential"}, {Cover.CROWD, Cover.BUILT_UP}),
        ({"natural": "wood"}, {Cover.FOREST}), ({"landuse": "forest"}, {Cover.FOREST}),
        ({"natural": "water"}, {Cover.WATER}), ({"natural": "wetland"}, {Cover.WETLAND}),
        ({"aeroway": "aerodrome"}, {Cover.AERODROME}), ({"aeroway": "helipad"}, set()),
        ({"military": "danger_area"}, {Cover.MILITARY}), ({"military": "bunker"}, set()),
        ({"natural": "heath", "access": "no"}, {Cover.NO_ENTRY}),
        ({"natural": "water", "access": "private"}, {Cover.WATER}),
        ({"amenity": "parking", "access": "private"}, set()),
        ({"landuse": "farmland"}, set()),
    ],
)  # fmt: skip
def test_land(tags: dict[str, str], kinds: set[Cover]) -> None:
    assert cover_kinds(tags) == kinds


def test_every_rule_is_asked_for() -> None:
    """What has none of these keys is skipped when a map is read."""
    assert {"highway", "landuse", "natural", "amenity", "waterway", "power", "aeroway", "military",
            "railway"} <= set(KEYS)  # fmt: skip


def test_no_drive_goes_by_ferry() -> None:
    """A timetable is not on the map: a crew that counted on a ferry might stand on the shore."""
    assert speed_kmph({"route": "ferry", "motor_vehicle": "yes", "maxspeed": "20"}) == 0.0
