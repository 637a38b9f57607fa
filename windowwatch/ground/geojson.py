"""Map files in: areas, roads, airspace and permitted areas from GeoJSON (RFC 7946).

Every error names the file, the feature and the fix. Positions are longitude first, then
latitude; a file that has them the other way round is refused where that can be seen.

Areas and roads have a `kind` each. A volume of air is a polygon with a `kind` ("closed" or
"open"), one floor, one ceiling, and, where it is not always active, times:

- ``floor_m``, ``floor_ft`` above mean sea level, or ``floor_fl``, a flight level; 0 for ground,
- ``ceiling_m``, ``ceiling_ft``, ``ceiling_fl``, or ``"ceiling": "unlimited"``,
- ``"active": […]``, dates and times of the week as `ground.activity` reads them.

A permitted area is polygons of the `kind` "permitted"; together they must not be left.
"""

import itertools
import json
import math
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from enum import StrEnum
from pathlib import Path
from typing import Any, TypeVar

import shapely

from windowwatch.errors import GroundError, InputError, shown
from windowwatch.ground.activity import read_activity
from windowwatch.ground.query.airspace import Airspace, AirspaceKind, Level, Permitted, Volume
from windowwatch.ground.query.features import Area, AreaKind, Areas, Ground, Road, RoadClass, Roads
from windowwatch.physics.constants import USSA76_RADIUS_M

#: Larger files are refused; a map extract of that size does not belong in GeoJSON. [byte]
LARGEST_FILE = 16 * 1024 * 1024
#: Room that the values of a file may take when they are read: beyond, it is cut or packed
#: with values that no map has. [byte]
LARGEST_READ = 130_000_000
#: What an object, a list and a value take on a 64-bit Python, as measured. [byte]
_ROOM = {b"{": 200, b"[": 64, b",": 60}
#: Longer names and words about the source are refused. [characters]
LONGEST_NAME, LONGEST_WORDS = 200, 2000
#: Ways in which older files say WGS 84 (GeoJSON of 2008, section 3).
_WGS84 = re.compile(
    r"(urn:ogc:def:crs:OGC:[0-9.]*:CRS84|(urn:ogc:def:crs:)?EPSG:[0-9.]*:?4326)", re.I
)
#: A feature farther than this from every site is of no use to the watch. [m]
FAR_M = 1_500_000.0
#: Mean radius of the Earth. [m] IUGG, R₁ of the GRS 80 ellipsoid, rounded.
EARTH_RADIUS_M = 6_371_009.0
#: Members of the collection in which a file may say where it is from.
SOURCE_KEYS = ("note", "attribution", "licence", "date")

Point = tuple[float, float]
Kind = TypeVar("Kind", bound=StrEnum)


def collection(path: Path) -> dict[str, Any]:
    """The FeatureCollection of a file."""
    file, path = path, Path(shown(path))
    try:
        size = file.stat().st_size
        if size > LARGEST_FILE:
            raise GroundError(
                f"{path}: {size / 2**20:.0f} MB; a map in GeoJSON may have at most "
                f"{LARGEST_FILE / 2**20:.0f} MB, cut it to the region of the watch"
            )
        text = file.read_bytes()
        if sum(room * text.count(mark) for mark, room in _ROOM.items()) > LARGEST_READ:
            raise GroundError(
                f"{path}: holds too many values for a map in GeoJSON; cut it to the region of the "
                "watch, or make a ground file of it"
            )
        document = json.loads(text.decode("utf-8"))
        del text
    except FileNotFoundError as error:
        raise GroundError(f"{path}: no such file; fix the path in the settings") from error
    except OSError as error:
        raise GroundError(f"{path}: cannot be read ({error.strerror})") from error
    except UnicodeDecodeError as error:
        raise GroundError(f"{path}: is not text in UTF-8, so not GeoJSON") from error
    except json.JSONDecodeError as error:
        raise GroundError(
            f"{path}: is not JSON (line {error.lineno}, column {error.colno}: {error.msg})"
        ) from error
    except ValueError as error:  # a number of thousands of digits
        raise GroundError(f"{path}: {_brief(str(error))}; fix or leave out that number") from error
    except RecursionError as error:
        raise GroundError(f"{path}: is nested too deeply to be GeoJSON") from error
    if not isinstance(document, dict) or document.get("type") != "FeatureCollection":
        raise GroundError(f'{path}: must be a GeoJSON object with "type": "FeatureCollection"')
    if not isinstance(document.get("features"), list):
        raise GroundError(f'{path}: has no list "features"')
    _require_wgs84(str(path), document)
    return document


def _brief(value: Any) -> str:
    """What stands in a file, for a message: not longer than a line, and printable."""
    if isinstance(value, str):
        text = shown(value[:90])
    else:
        text = repr(value[:4] if isinstance(value, list) else value)[:90]
    return text if len(text) < 80 else f"{text[:76]} …"


def _require_wgs84(place: str, member: dict[str, Any]) -> None:
    """Refuse another reference system (RFC 7946, section 4: there is only WGS 84)."""
    if "crs" not in member:
        return
    crs = member["crs"]
    properties = crs.get("properties") if isinstance(crs, dict) else None
    name = properties.get("name") if isinstance(properties, dict) else crs
    if not (isinstance(name, str) and len(name) < 100 and _WGS84.fullmatch(name)):
        raise GroundError(
            f'{place}: "crs" is {_brief(name)}; positions must be WGS 84 (EPSG:4326): convert '
            'the file, or take "crs" out where they are'
        )


def _words(place: str, what: str, given: Any, longest: int) -> str:
    """Words of a file that are shown to people: short, text, on one line."""
    if isinstance(given, dict | list):
        raise GroundError(f"{place}: {what} must be text")
    said = str(given)
    if len(said) > longest:
        raise GroundError(
            f"{place}: {what} has {len(said)} characters ({_brief(said)}); shorten it to {longest}"
        )
    if any("\ud800" <= c <= "\udfff" for c in said):
        raise GroundError(f"{place}: {what} holds half a character (a lone surrogate); fix it")
    return " ".join(said.split())


def features(
    path: Path, document: dict[str, Any], kinds: type[Kind], shapes: tuple[str, str]
) -> Iterator[tuple[str, str, Kind, dict[str, Any], list[Any]]]:
    """Place, name, kind, properties and coordinates of the parts of each feature."""
    path = Path(shown(path))
    for number, feature in enumerate(document["features"], start=1):
        place = f"{path}: feature {number}"
        if not isinstance(feature, dict) or feature.get("type") != "Feature":
            raise GroundError(f'{place}: must be an object with "type": "Feature"')
        properties = feature.get("properties")
        properties = properties if isinstance(properties, dict) else {}
        name = _words(place, "its name", properties.get("name") or "", LONGEST_NAME)
        place += f' ("{_brief(name)}")' if name else ""
        _require_wgs84(place, feature)
        known = ", ".join(kind.value for kind in kinds)
        if "kind" not in properties:
            raise GroundError(f'{place}: has no property "kind"; give one of {known}')
        try:
            kind = kinds(properties["kind"])
        except ValueError as error:
            raise GroundError(
                f"{place}: kind {_brief(repr(properties['kind']))} is unknown; give one of {known}"
            ) from error
        geometry = feature.get("geometry")
        geometry = geometry if isinstance(geometry, dict) else {}
        _require_wgs84(place, geometry)
        found = geometry.get("type")
        if found not in shapes:
            raise GroundError(
                f"{place}: geometry is {_brief(found or 'missing')}; it must be "
                f"{shapes[0]} or {shapes[1]}"
            )
        coordinates = geometry.get("coordinates")
        if not isinstance(coordinates, list) or not coordinates:
            raise GroundError(f"{place}: geometry has no coordinates")
        parts = coordinates if found == shapes[1] else [coordinates]
        yield place, name, kind, properties, parts


def polygons(place: str, parts: list[Any], near: Sequence[Point]) -> Any:
    """The (multi)polygon of a feature's parts, checked."""
    found = []
    for part in parts:
        if not isinstance(part, list) or not part:
            raise GroundError(f"{place}: a polygon has no ring")
        outer, *holes = [_ring(place, ring, near) for ring in part]
        found.append(shapely.Polygon(outer, holes))
        if not found[-1].is_valid:
            raise GroundError(_invalid(place, shapely.is_valid_reason(found[-1])))
    shape = found[0] if len(found) == 1 else shapely.MultiPolygon(found)
    if not shape.is_valid:
        raise GroundError(_invalid(place, shapely.is_valid_reason(shape)))
    return shape


def _invalid(place: str, reason: str) -> str:
    """Say in plain words what is wrong with a polygon."""
    what, _, where = reason.partition("[")
    said = {
        "Self-intersection": "crosses itself",
        "Ring Self-intersection": "touches itself",
        "Holes are nested": "has a hole inside a hole",
        "Hole lies outside shell": "has a hole outside its outer ring",
    }.get(what, f"is not valid ({what.lower()})")
    at = f" near longitude, latitude {where.rstrip(']')}" if where else ""
    return f"{place}: the outline {said}{at}; draw it again"


def _ring(place: str, given: Any, near: Sequence[Point]) -> list[Point]:
    """A closed ring of at least four positions (RFC 7946, section 3.1.6)."""
    ring = positions(place, given, near, 4)
    if ring[0] != ring[-1]:
        raise GroundError(
            f"{place}: the ring is not closed; its last position must repeat the first "
            f"({ring[0][0]}, {ring[0][1]})"
        )
    return ring


def positions(place: str, line: Any, near: Sequence[Point], least: int) -> list[Point]:
    """Longitude and latitude of each position, checked."""
    if not isinstance(line, list) or len(line) < least:
        raise GroundError(f"{place}: a line here needs at least {least} positions")
    found = [_position(place, position) for position in line]
    longitudes = [position[0] for position in found]
    if any(abs(b - a) > 180.0 for a, b in itertools.pairwise(longitudes)):
        raise GroundError(
            f"{place}: runs over the 180th meridian; cut it there into two parts "
            "(RFC 7946, section 3.1.9)"
        )
    if near and not is_near(found, near) and is_near([p[::-1] for p in found], near):
        raise GroundError(
            f"{place}: latitude and longitude seem to be swapped (first position "
            f"{found[0][0]}, {found[0][1]}); GeoJSON has longitude first"
        )
    return found


def _position(place: str, position: Any) -> Point:
    """One position, its ranges checked."""
    numbers = isinstance(position, list) and all(
        isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 1e9
        for value in position
    )
    if not numbers or not 2 <= len(position) <= 3:
        raise GroundError(
            f"{place}: position {_brief(position)} must be [longitude, latitude] in degrees"
        )
    longitude, latitude = float(position[0]), float(position[1])
    if abs(latitude) > 90.0 and abs(longitude) <= 90.0 and abs(latitude) <= 180.0:
        raise GroundError(
            f"{place}: latitude {latitude} is out of range; latitude and longitude seem to be "
            "swapped, GeoJSON has longitude first"
        )
    if abs(latitude) > 90.0 or abs(longitude) > 180.0:
        raise GroundError(
            f"{place}: position {longitude}, {latitude} is out of range; longitude must lie "
            "in -180 to 180 and latitude in -90 to 90 degrees (WGS 84)"
        )
    return longitude, latitude


def is_near(positions: Sequence[Sequence[float]], near: Sequence[Point]) -> bool:
    """Tell whether the first position lies within `FAR_M` of a site (sphere; to 0.6 %)."""
    longitude, latitude = (math.radians(value) for value in positions[0])
    if abs(latitude) > math.pi / 2:
        return False
    for site_latitude_deg, site_longitude_deg in near:
        site = math.radians(site_latitude_deg)
        apart = math.radians(site_longitude_deg) - longitude
        half_chord = math.hypot(
            math.sin((site - latitude) / 2),
            math.sqrt(math.cos(site) * math.cos(latitude)) * math.sin(apart / 2),
        )
        if 2.0 * EARTH_RADIUS_M * math.asin(min(half_chord, 1.0)) <= FAR_M:
            return True
    return False


def source(path: Path, document: dict[str, Any]) -> str:
    """What a file says about itself (foreign members, RFC 7946, section 6.1)."""
    said = [
        _words(shown(path), f'"{key}"', document[key], LONGEST_WORDS)
        for key in SOURCE_KEYS
        if document.get(key)
    ]
    return f"{shown(path.name)}: {'; '.join(said) or 'says nothing about its source'}"


def read_areas(path: Path, near: Sequence[Point] = ()) -> Areas:
    """Areas from a GeoJSON file of polygons, each with a `kind`.

    Parameters
    ----------
    path : Path
    near : sequence of (latitude_deg, longitude_deg), optional
        The watch's sites; a map that lies elsewhere is refused.

    Raises
    ------
    GroundError
        If the file is missing, too large, no GeoJSON, empty, or a feature is wrong.
    """
    return _areas_of(path, collection(path), near)


def read_roads(path: Path, near: Sequence[Point] = ()) -> Roads:
    """Roads from a GeoJSON file of lines, each with a `kind`. As `read_areas`."""
    return _roads_of(path, collection(path), near)


def read_ground(
    areas: Path | None = None, roads: Path | None = None, near: Sequence[Point] = ()
) -> Ground:
    """The ground from up to two GeoJSON files; what is not given stays unknown.

    Raises
    ------
    GroundError
        As `read_areas`.
    """
    sources: list[str] = []
    area_map: Areas | None = None
    road_map: Roads | None = None
    if areas is not None:
        document = collection(areas)
        area_map = _areas_of(areas, document, near)
        sources.append(source(areas, document))
    if roads is not None:
        document = collection(roads)
        road_map = _roads_of(roads, document, near)
        sources.append(source(roads, document))
    return Ground(area_map, road_map, tuple(sources))


def _areas_of(path: Path, document: dict[str, Any], near: Sequence[Point]) -> Areas:
    return _build(Areas, list(_areas(path, document, near)), path, "areas", near)


def _roads_of(path: Path, document: dict[str, Any], near: Sequence[Point]) -> Roads:
    return _build(Roads, list(_roads(path, document, near)), path, "roads", near)


def _areas(path: Path, document: dict[str, Any], near: Sequence[Point]) -> Iterator[Area]:
    shapes = ("Polygon", "MultiPolygon")
    for place, name, kind, properties, parts in features(path, document, AreaKind, shapes):
        shape = polygons(place, parts, near)
        yield Area(name or f"unnamed {kind}", kind, shape, _people(place, properties))


def _people(place: str, properties: dict[str, Any]) -> float | None:
    """The optional property ``people_per_km2``."""
    people = properties.get("people_per_km2")
    if people is None:
        return None
    if isinstance(people, bool) or not isinstance(people, int | float) or not 0 <= people < 1e6:
        raise GroundError(
            f"{place}: people_per_km2 is {_brief(people)}; give people on a square "
            "kilometre, 0 or more"
        )
    return float(people)


def _roads(path: Path, document: dict[str, Any], near: Sequence[Point]) -> Iterator[Road]:
    shapes = ("LineString", "MultiLineString")
    for place, name, kind, _, parts in features(path, document, RoadClass, shapes):
        lines = [positions(place, part, near, 2) for part in parts]
        yield Road(name or f"unnamed {kind}", kind, shapely.MultiLineString(lines))


Map = TypeVar("Map", Areas, Roads)


def _build(
    make: Callable[[list[Any]], Map], items: list[Any], path: Path, what: str, near: Sequence[Point]
) -> Map:
    """Make the searchable map, its errors named by file."""
    if not items:
        raise GroundError(f"{path}: holds no {what}; leave the file out of the settings instead")
    if near and not any(is_near([shapely.get_coordinates(item.shape)[0]], near) for item in items):
        raise GroundError(
            f"{path}: every feature is more than {FAR_M / 1000:.0f} km from every site; "
            "is this the right map, with longitude before latitude?"
        )
    try:
        return make(items)
    except InputError as error:
        raise GroundError(f"{path}: {error.message}") from error


#: [m] International foot (international agreement of 1959, exact).
FOOT_M = 0.3048
UNLIMITED = "unlimited"
#: Highest bound that is taken for one: beyond, a number is in another unit. [m], [ft], [FL]
_HIGHEST = {"m": 100_000.0, "ft": 328_000.0, "fl": 1_500.0}
_LOWEST_M = -500.0


class _Permitted(StrEnum):
    PERMITTED = "permitted"


def with_airspace(
    ground: Ground, airspace: Path | None, permitted: Path | None, near: Sequence[Point] = ()
) -> Ground:
    """The ground with airspace and permitted area from up to two files.

    Raises
    ------
    GroundError
        As `read_airspace` and `read_permitted`.
    """
    if airspace is not None:
        volumes, said = read_airspace(airspace, near)
        ground = replace(ground, airspace=volumes, sources=(*ground.sources, said))
    if permitted is not None:
        area, said = read_permitted(permitted, near)
        ground = replace(ground, permitted=area, sources=(*ground.sources, said))
    return ground


def read_airspace(path: Path, near: Sequence[Point] = ()) -> tuple[Airspace, str]:
    """Airspace from a file, and what the file says about its source.

    Parameters
    ----------
    path : Path
    near : sequence of (latitude_deg, longitude_deg), optional
        The watch's sites; a map that lies elsewhere is refused.

    Raises
    ------
    GroundError
        Names file, feature, key and fix.
    """
    document = collection(path)
    volumes, firsts = [], []
    for place, name, kind, properties, parts in features(
        path, document, AirspaceKind, ("Polygon", "MultiPolygon")
    ):
        shape = polygons(place, parts, near)
        floor, ceiling = _level(place, properties, "floor"), _level(place, properties, "ceiling")
        if not ceiling.height_m > floor.height_m:
            raise GroundError(
                f"{place}: its ceiling ({ceiling.height_m:.0f} m) is not above its floor "
                f"({floor.height_m:.0f} m); fix one of them, and look at their units"
            )
        times = read_activity(place, properties.get("active"))
        volumes.append(Volume(name or f"unnamed {kind}", kind, shape, floor, ceiling, *times))
        firsts.append(shape)
    _require(path, firsts, near, "volume of air")
    return Airspace(volumes), source(path, document)


def read_permitted(path: Path, near: Sequence[Point] = ()) -> tuple[Permitted, str]:
    """The permitted area from a file, and what the file says about its source.

    Parameters
    ----------
    path, near
        As of `read_airspace`.

    Raises
    ------
    GroundError
        … and where a site does not lie in it.
    """
    document = collection(path)
    shapes, names = [], []
    for place, name, _, _, parts in features(
        path, document, _Permitted, ("Polygon", "MultiPolygon")
    ):
        shapes.append(polygons(place, parts, near))
        names += [name] if name else []
    _require(path, shapes, near, "permitted area")
    permitted = Permitted(shapes, names[0] if len(names) == 1 else "the permitted area")
    for latitude, longitude in near:
        if not shapely.intersects_xy(permitted.shape, longitude, latitude):
            raise GroundError(
                f"{path}: the site at {latitude:g}, {longitude:g} lies outside the permitted area, "
                "so no flight from there could stay inside; fix the area or the site"
            )
    return permitted, source(path, document)


def _require(path: Path, shapes: list[Any], near: Sequence[Point], what: str) -> None:
    """Refuse a file of nothing, or of another part of the world."""
    if not shapes:
        raise GroundError(f"{path}: holds no {what}; leave the file out of the settings instead")
    if near and not any(is_near([_first(shape)], near) for shape in shapes):
        raise GroundError(
            f"{path}: every feature is more than {FAR_M / 1000:.0f} km from every site; "
            "is this the right map, with longitude before latitude?"
        )


def _first(shape: Any) -> Point:
    part = shape.geoms[0] if hasattr(shape, "geoms") else shape
    x, y = part.exterior.coords[0][:2]
    return float(x), float(y)


def _level(place: str, properties: dict[str, Any], which: str) -> Level:
    """Floor or ceiling, in exactly one of the units."""
    keys = [f"{which}_{unit}" for unit in _HIGHEST]
    given = [key for key in keys if key in properties]
    if which in properties and not given:
        if which == "ceiling" and properties[which] == UNLIMITED:
            return Level(float("inf"))
        hint = f' or "{which}": "{UNLIMITED}"' if which == "ceiling" else " (0 for the ground)"
        raise GroundError(
            f'{place}: "{which}": {_brief(repr(properties[which]))} has no unit; give one of '
            f"{', '.join(keys)}{hint}"
        )
    if len(given) != 1:
        said = f"has {' and '.join(given)}" if given else f"has no {which}"
        hint = f', or "{which}": "{UNLIMITED}"' if which == "ceiling" and not given else ""
        raise GroundError(f"{place}: {said}; give exactly one of {', '.join(keys)}{hint}")
    value, unit = properties[given[0]], given[0].removeprefix(f"{which}_")
    number = isinstance(value, int | float) and not isinstance(value, bool)
    if not number or not _LOWEST_M <= value <= _HIGHEST[unit]:
        raise GroundError(
            f"{place}: {given[0]} = {_brief(repr(value))}; give a number up to "
            f"{_HIGHEST[unit]:.0f}, above mean sea level"
        )
    if unit == "m":
        return Level(float(value))
    if unit == "ft":
        return Level(FOOT_M * value)
    # a flight level counts hundreds of feet of geopotential height in the standard atmosphere
    geopotential_m = 100.0 * FOOT_M * value
    return Level(USSA76_RADIUS_M * geopotential_m / (USSA76_RADIUS_M - geopotential_m), True)
