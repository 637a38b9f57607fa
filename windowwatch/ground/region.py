"""A region of the map that somebody names: polygons of a GeoJSON file, or a circle round a place.

Edges run straight in longitude and latitude (RFC 7946, section 3.1.1). A point on the very edge
lies inside.
"""

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from windowwatch.errors import GroundError, InputError
from windowwatch.ground.geojson import LARGEST_FILE, polygons
from windowwatch.ground.plane import LocalPlane
from windowwatch.physics.earth import distance_m
from windowwatch.units import FloatArray

#: Nobody scouts a region that is smaller than this … [km²] A hundred metres by a hundred.
LEAST_KM2 = 0.01
#: … nor one of a greater radius than this. [km]
MOST_KM = 1000.0
#: Corners that a circle is drawn with.
_CORNERS = 72
_AROUND = re.compile(r"\s*([^,;]+)[,;]([^,;]+)[,;]([^,;]+)\s*")


@dataclass(frozen=True)
class Region:
    """Where places are looked for, or landings are wanted.

    Parameters
    ----------
    name : str
        As whoever named it would know it: a file, or nothing for a circle.
    shape : polygon or multipolygon
        Longitude, latitude. Of a circle its outline for drawing. [deg]
    middle : (float, float)
        Latitude and longitude. [deg]
    radius_km : float or None
        Of a circle.
    """

    name: str
    shape: Any
    middle: tuple[float, float]
    radius_km: float | None = None

    def holds(self, latitude_deg: Any, longitude_deg: Any) -> NDArray[np.bool_]:
        """Tell which points lie in the region; False for those that are nowhere (NaN)."""
        latitude = np.asarray(latitude_deg, dtype=np.float64)
        longitude = np.asarray(longitude_deg, dtype=np.float64)
        known = np.isfinite(latitude) & np.isfinite(longitude)
        inside = np.zeros(latitude.shape, dtype=np.bool_)
        if self.radius_km is not None:
            away = distance_m(*self.middle, latitude[known], longitude[known])
            inside[known] = away <= 1000.0 * self.radius_km
        else:
            turned = np.mod(longitude[known] + 180.0, 360.0) - 180.0
            inside[known] = shapely.intersects_xy(self.shape, turned, latitude[known])
        return inside

    @property
    def outline(self) -> tuple[FloatArray, ...]:
        """Closed rings of latitude and longitude, [vertex, 2]. [deg]"""
        rings = shapely.get_rings(shapely.get_parts(self.shape))
        return tuple(shapely.get_coordinates(ring)[:, ::-1] for ring in rings)


def region_around(text: str, option: str = "--around") -> Region:
    """The region of ``LATITUDE,LONGITUDE,KM``; `option` names where it was written.

    Raises
    ------
    InputError
        If it is none, or lies nowhere on Earth.

    Examples
    --------
    >>> region_around("46.1,-36.6,25").radius_km
    25.0
    """
    found = _AROUND.fullmatch(text)
    example = "write it as latitude,longitude,kilometres, for example 46.1,-36.6,25"
    try:
        numbers = [float(each) for each in found.groups()] if found else []
    except ValueError:
        numbers = []
    if len(numbers) != 3 or not np.all(np.isfinite(numbers)):
        raise InputError(f"{option} {text!r} is no circle; {example}")
    latitude, longitude, radius_km = numbers
    if not (-90.0 < latitude < 90.0 and -180.0 <= longitude <= 360.0):
        raise InputError(
            f"{option} {text!r}: latitude {latitude:g}, longitude {longitude:g} is no place; "
            f"{example}"
        )
    if not 0.0 < radius_km <= MOST_KM:
        raise InputError(
            f"{option} {text!r}: a radius of {radius_km:g} km cannot be meant; give more than 0 "
            f"and at most {MOST_KM:g} km"
        )
    longitude = (longitude + 180.0) % 360.0 - 180.0
    turn = np.linspace(0.0, 2.0 * np.pi, _CORNERS, endpoint=False)
    corners = LocalPlane(latitude, longitude).backward(
        1000.0 * radius_km * np.sin(turn), 1000.0 * radius_km * np.cos(turn)
    )
    shape = shapely.Polygon(np.column_stack(corners[::-1]))
    return Region("", shape, (latitude, longitude), radius_km)


def read_region(path: Path, option: str) -> Region:
    """The polygons of a GeoJSON file: a geometry, a feature, or a collection of features.

    Parameters
    ----------
    path : Path
    option : str
        What names the file, for messages.

    Raises
    ------
    GroundError
        Naming the file and what is wrong: not there, not GeoJSON, no polygon, or of no area.
    """
    return region_of(_content(path, option), str(path), option, path.name)


def region_of(content: bytes, path: str, option: str, name: str) -> Region:
    """The polygons of GeoJSON that was read.

    Parameters
    ----------
    content : bytes
    path, option : str
        Where it is from, and what needs it, for messages.
    name : str
        Of the region.

    Raises
    ------
    GroundError
        As `read_region`.
    """
    shapes = [
        polygons(place, parts, ())
        for place, parts in _polygons(path, _document(content, path, option))
    ]
    if not shapes:
        raise GroundError(f"{path}: holds no polygon; {option} needs at least one")
    shape: Any = shapely.union_all(np.array(shapes, dtype=object))
    shapely.prepare(shape)
    plane = _plane_about(path, shape)
    square_km = float(shapely.area(plane.lay([shape])[0])) / 1e6
    if not square_km >= LEAST_KM2:
        raise GroundError(
            f"{path}: its polygons have an area of {square_km:.2g} km²; {option} needs one of at "
            f"least {LEAST_KM2:g} km²"
        )
    west, south, east, north = shapely.bounds(shape)
    return Region(name, shape, (float(south + north) / 2.0, float(west + east) / 2.0))


def _plane_about(path: str, shape: Any) -> LocalPlane:
    try:
        return LocalPlane.about([shape])
    except InputError as error:
        raise GroundError(f"{path}: {error.message}") from error


def _content(path: Path, option: str) -> bytes:
    try:
        if path.stat().st_size > LARGEST_FILE:
            raise GroundError(f"{path}: is too large for a region; {option} needs an outline")
        return path.read_bytes()
    except FileNotFoundError as error:
        raise GroundError(f"{path}: no such file; {option} needs a GeoJSON file") from error
    except OSError as error:
        raise GroundError(f"{path}: cannot be read ({error.strerror})") from error


def _document(content: bytes, path: str, option: str) -> dict[str, Any]:
    try:
        document = json.loads(content.decode("utf-8"))
    except (ValueError, RecursionError) as error:
        raise GroundError(f"{path}: is not JSON ({error}); {option} needs GeoJSON") from error
    if not isinstance(document, dict):
        raise GroundError(f"{path}: is not GeoJSON; {option} needs a polygon")
    return document


def _polygons(path: str, document: dict[str, Any]) -> Iterator[tuple[str, list[Any]]]:
    """Where each polygon stands in the file, and the coordinates of its parts."""
    kind = document.get("type")
    features = document.get("features") if kind == "FeatureCollection" else [document]
    if not isinstance(features, list):
        raise GroundError(f'{path}: has no list "features"')
    for number, feature in enumerate(features, start=1):
        place = path if kind != "FeatureCollection" else f"{path}: feature {number}"
        geometry = feature
        if isinstance(feature, dict) and feature.get("type") == "Feature":
            geometry = feature.get("geometry")
        found = geometry.get("type") if isinstance(geometry, dict) else None
        if found not in ("Polygon", "MultiPolygon"):
            raise GroundError(
                f"{place}: is {str(found or 'no geometry')[:40]}; a region is a Polygon or a "
                "MultiPolygon"
            )
        coordinates = geometry.get("coordinates")
        if not isinstance(coordinates, list) or not coordinates:
            raise GroundError(f"{place}: its polygon has no coordinates")
        yield place, coordinates if found == "MultiPolygon" else [coordinates]
