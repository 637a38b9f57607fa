"""Map files in: areas and roads from GeoJSON (RFC 7946), each feature with a `kind`."""

from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any, TypeVar

import shapely

from windowwatch.errors import GroundError, InputError
from windowwatch.ground.areas import Area, AreaKind, Areas
from windowwatch.ground.geojson import (
    FAR_M,
    Point,
    collection,
    features,
    is_near,
    polygons,
    positions,
    source,
)
from windowwatch.ground.roads import Road, RoadClass, Roads
from windowwatch.ground.values import Ground


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
            f"{place}: people_per_km2 is {people!r}; give people on a square kilometre, 0 or more"
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
