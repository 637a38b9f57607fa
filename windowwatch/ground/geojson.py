"""GeoJSON (RFC 7946): the collection of a file and its features, checked one by one.

Every error names the file, the feature and the mend. Positions are longitude first, then
latitude; a file that has them the other way round is refused where that can be seen.
"""

import itertools
import json
import math
from collections.abc import Iterator, Sequence
from enum import StrEnum
from pathlib import Path
from typing import Any, TypeVar

import shapely

from windowwatch.errors import GroundError

#: Larger files are refused; a map extract of that size does not belong in GeoJSON. [byte]
LARGEST_FILE = 64 * 1024 * 1024
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
    try:
        size = path.stat().st_size
        if size > LARGEST_FILE:
            raise GroundError(
                f"{path}: {size / 2**20:.0f} MB; a map in GeoJSON may have at most "
                f"{LARGEST_FILE / 2**20:.0f} MB, cut it to the region of the watch"
            )
        document = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError as error:
        raise GroundError(f"{path}: no such file; mend the path in the settings") from error
    except OSError as error:
        raise GroundError(f"{path}: cannot be read ({error.strerror})") from error
    except UnicodeDecodeError as error:
        raise GroundError(f"{path}: is not text in UTF-8, so not GeoJSON") from error
    except json.JSONDecodeError as error:
        raise GroundError(
            f"{path}: is not JSON (line {error.lineno}, column {error.colno}: {error.msg})"
        ) from error
    except RecursionError as error:
        raise GroundError(f"{path}: is nested too deeply to be GeoJSON") from error
    if not isinstance(document, dict) or document.get("type") != "FeatureCollection":
        raise GroundError(f'{path}: must be a GeoJSON object with "type": "FeatureCollection"')
    if not isinstance(document.get("features"), list):
        raise GroundError(f'{path}: has no list "features"')
    return document


def features(
    path: Path, document: dict[str, Any], kinds: type[Kind], shapes: tuple[str, str]
) -> Iterator[tuple[str, str, Kind, dict[str, Any], list[Any]]]:
    """Place, name, kind, properties and coordinates of the parts of each feature."""
    for number, feature in enumerate(document["features"], start=1):
        place = f"{path}: feature {number}"
        if not isinstance(feature, dict) or feature.get("type") != "Feature":
            raise GroundError(f'{place}: must be an object with "type": "Feature"')
        properties = feature.get("properties")
        properties = properties if isinstance(properties, dict) else {}
        name = str(properties.get("name") or "")
        place += f' ("{name}")' if name else ""
        known = ", ".join(kind.value for kind in kinds)
        if "kind" not in properties:
            raise GroundError(f'{place}: has no property "kind"; give one of {known}')
        try:
            kind = kinds(properties["kind"])
        except ValueError as error:
            raise GroundError(
                f"{place}: kind {properties['kind']!r} is unknown; give one of {known}"
            ) from error
        geometry = feature.get("geometry")
        geometry = geometry if isinstance(geometry, dict) else {}
        found = geometry.get("type")
        if found not in shapes:
            raise GroundError(
                f"{place}: geometry is {found or 'missing'}; it must be {shapes[0]} or {shapes[1]}"
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
            f"{place}: position {position!r} must be [longitude, latitude] in degrees"
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
    said = [str(document[key]) for key in SOURCE_KEYS if document.get(key)]
    return f"{path.name}: {'; '.join(said) or 'says nothing about its source'}"
