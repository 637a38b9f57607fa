"""What OpenStreetMap's tags mean to a recovery crew: speeds, access, hazards. Pure.

Speeds are those of a general open routing profile for cars (OSRM's stored car profile):
by class of road, with its caps by surface; the classes of access that it leaves out are left
out here. Which land counts as what is judgement on the tags' own documentation.
"""

import re
from collections.abc import Mapping
from enum import StrEnum

Tags = Mapping[str, str]

#: Speed by value of `highway`. [km/h] OSRM, car profile.
SPEED_KMPH: Mapping[str, float] = {
    "motorway": 90.0,
    "motorway_link": 45.0,
    "trunk": 85.0,
    "trunk_link": 40.0,
    "primary": 65.0,
    "primary_link": 30.0,
    "secondary": 55.0,
    "secondary_link": 25.0,
    "tertiary": 40.0,
    "tertiary_link": 20.0,
    "unclassified": 25.0,
    "residential": 25.0,
    "living_street": 10.0,
    "service": 15.0,
    "road": 10.0,
}
#: No faster than this on a surface. [km/h] OSRM, car profile.
SURFACE_KMPH: Mapping[str, float] = {
    **dict.fromkeys(("gravel", "unpaved", "ground", "dirt", "grass"), 30.0),
    "clay": 20.0,
    **dict.fromkeys(("sand", "earth", "mud"), 15.0),
}
#: Values of `access` that keep a car out. OSRM, car profile.
CLOSED = frozenset({"no", "private", "agricultural", "forestry"})
#: The tag that says most about a car is asked first.
CAR_ACCESS = ("motorcar", "motor_vehicle", "vehicle", "access")
FOOT_ACCESS = ("foot", "access")
#: Ways for feet and tractors: no road to drive on, but one walks well on them.
TRACKS = frozenset({"track", "path", "footway", "bridleway", "cycleway", "pedestrian", "steps"})
#: Never on foot.
NO_FEET = frozenset({"motorway", "motorway_link", "trunk_link"})
#: A car must not be left beside these.
NO_STOPPING = frozenset({"motorway", "motorway_link", "trunk_link"})
#: Roads that anybody may use without asking, where no tag says otherwise.
PUBLIC = frozenset(SPEED_KMPH) - NO_STOPPING - {"service", "road"}

_MPH = 1.609344  # km, exact (international mile)
_SPEED = re.compile(r"^\s*(\d+(?:\.\d+)?)\s*(mph|km/h|kmh)?\s*$")


class Cover(StrEnum):
    """What the land is. A cell may be several; each is one bit of the layer `cover`."""

    WATER = "water"  #: lake, wide river, sea
    WETLAND = "wetland"
    BUILT_UP = "built-up"  #: where people live, shop and work
    INDUSTRY = "industry"  #: works, depots, substations
    CROWD = "school or hospital"
    FOREST = "forest"
    AERODROME = "aerodrome"
    MILITARY = "military"
    NO_ENTRY = "no-entry"  #: land that must not be entered


class Line(StrEnum):
    """Lines that matter to what comes down, or to those who walk to it."""

    MOTORWAY = "motorway"
    RAILWAY = "railway"
    POWER = "power line"
    RIVER = "river"  #: rivers and canals: not waded


def first_of(tags: Tags, keys: tuple[str, ...]) -> str:
    """Value of the first key that is there, or nothing."""
    return next((tags[key] for key in keys if key in tags), "")


def speed_kmph(tags: Tags) -> float:
    """Speed of a car on a way: by class, no more than surface and sign allow; 0: none. [km/h]"""
    speed = SPEED_KMPH.get(tags.get("highway", ""), 0.0)
    if not speed or first_of(tags, CAR_ACCESS) in CLOSED or tags.get("area") == "yes":
        return 0.0
    speed = min(speed, SURFACE_KMPH.get(tags.get("surface", ""), speed))
    sign = _SPEED.match(tags.get("maxspeed", ""))
    if sign and float(sign[1]) > 0.0:
        speed = min(speed, float(sign[1]) * (_MPH if sign[2] == "mph" else 1.0))
    return speed


def directions(tags: Tags) -> tuple[bool, bool]:
    """Whether a car may drive a way in the order of its nodes, and against it."""
    oneway = tags.get("oneway", "")
    if oneway == "-1":
        return False, True
    one = oneway in {"yes", "true", "1"} or (
        oneway != "no"
        and (
            tags.get("junction") in {"roundabout", "circular"}
            or tags.get("highway") in {"motorway", "motorway_link"}
        )
    )
    return True, not one


def is_public(tags: Tags) -> bool:
    """Tell whether anybody may stop a car here without asking."""
    return tags.get("highway", "") in PUBLIC and first_of(tags, CAR_ACCESS) not in {
        "permissive",
        "destination",
        "delivery",
        "customers",
        "permit",
    }


def is_walkable(tags: Tags) -> bool:
    """Tell whether one may go along a way on foot."""
    highway = tags.get("highway", "")
    known = highway in SPEED_KMPH or highway in TRACKS
    return known and highway not in NO_FEET and first_of(tags, FOOT_ACCESS) not in CLOSED


def line_kind(tags: Tags) -> Line | None:
    """What line a way is, if any; what lies in a tunnel is none."""
    if tags.get("tunnel", "no") != "no":
        return None
    if tags.get("highway") in {"motorway", "motorway_link"}:
        return Line.MOTORWAY
    if tags.get("railway") in {"rail", "light_rail", "narrow_gauge", "subway", "tram"}:
        return Line.RAILWAY
    if tags.get("power") in {"line", "minor_line"}:
        return Line.POWER
    if tags.get("waterway") in {"river", "canal"}:
        return Line.RIVER
    return None


_LANDUSE: Mapping[str, Cover] = {
    **dict.fromkeys(("residential", "commercial", "retail"), Cover.BUILT_UP),
    **dict.fromkeys(("industrial", "depot", "port"), Cover.INDUSTRY),
    **dict.fromkeys(("basin", "reservoir"), Cover.WATER),
    "forest": Cover.FOREST,
    "military": Cover.MILITARY,
}
_NATURAL: Mapping[str, Cover] = {
    "water": Cover.WATER,
    "wetland": Cover.WETLAND,
    "wood": Cover.FOREST,
}
_AMENITY: Mapping[str, Cover] = dict.fromkeys(
    ("school", "kindergarten", "college", "university", "hospital"), Cover.CROWD
)


def cover_kinds(tags: Tags) -> set[Cover]:
    """What an area is; several at once, or nothing that matters."""
    found = {
        table.get(tags.get(key, ""))
        for key, table in (("landuse", _LANDUSE), ("natural", _NATURAL), ("amenity", _AMENITY))
    }
    if tags.get("waterway") in {"riverbank", "dock"}:
        found.add(Cover.WATER)
    if tags.get("power") in {"substation", "plant"}:
        found.add(Cover.INDUSTRY)
    if tags.get("aeroway") == "aerodrome":
        found.add(Cover.AERODROME)
    if tags.get("military", "no") not in {"no", "bunker", "checkpoint"}:
        found.add(Cover.MILITARY)
    fenced = {"landuse", "natural", "leisure", "boundary"} & set(tags)
    if tags.get("access") in {"no", "private"} and fenced and Cover.WATER not in found:
        found.add(Cover.NO_ENTRY)
    return {kind for kind in found if kind is not None}


#: Keys that any of the rules above look for first; everything else in an extract is skipped.
KEYS = (
    "highway",
    "landuse",
    "natural",
    "amenity",
    "waterway",
    "power",
    "aeroway",
    "military",
    "railway",
    "leisure",
    "boundary",
)
