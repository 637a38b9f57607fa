"""Airspace and permitted areas from GeoJSON (RFC 7946), checked feature by feature.

A volume of air is a polygon with a `kind` ("closed" or "open"), one floor, one ceiling, and,
where it is not always active, times:

- ``floor_m``, ``floor_ft`` above mean sea level, or ``floor_fl``, a flight level; 0 for ground,
- ``ceiling_m``, ``ceiling_ft``, ``ceiling_fl``, or ``"ceiling": "unlimited"``,
- ``"active": [{"from_utc": "2026-05-05T06:00Z", "until_utc": "2026-05-05T20:00Z"}, …]``.

A permitted area is polygons of the `kind` "permitted"; together they must not be left.
"""

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from typing import Any

import shapely

from windowwatch.errors import GroundError
from windowwatch.ground.airspace import Airspace, AirspaceKind, Level, Permitted, Volume
from windowwatch.ground.geojson import (
    FAR_M,
    Point,
    collection,
    features,
    is_near,
    polygons,
    source,
)
from windowwatch.ground.values import Ground
from windowwatch.physics.constants import USSA76_RADIUS_M

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
        Names file, feature, key and mend.
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
                f"({floor.height_m:.0f} m); mend one of them, and look at their units"
            )
        active = _active(place, properties)
        volumes.append(Volume(name or f"unnamed {kind}", kind, shape, floor, ceiling, active))
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
                "so no flight from there could stay inside; mend the area or the site"
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
            f'{place}: "{which}": {properties[which]!r} has no unit; give one of '
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
            f"{place}: {given[0]} = {value!r}; give a number up to {_HIGHEST[unit]:.0f}, above "
            "mean sea level"
        )
    if unit == "m":
        return Level(float(value))
    if unit == "ft":
        return Level(FOOT_M * value)
    # a flight level counts hundreds of feet of geopotential height in the standard atmosphere
    geopotential_m = 100.0 * FOOT_M * value
    return Level(USSA76_RADIUS_M * geopotential_m / (USSA76_RADIUS_M - geopotential_m), True)


def _active(place: str, properties: dict[str, Any]) -> tuple[tuple[float, float], ...]:
    """Times in which a volume is active; none given: always."""
    given = properties.get("active")
    if given is None:
        return ()
    if not isinstance(given, list) or not given:
        raise GroundError(
            f'{place}: "active" must be a list of {{"from_utc": …, "until_utc": …}}; leave it out '
            "where the volume is always active"
        )
    spans = []
    for number, span in enumerate(given, start=1):
        times = span if isinstance(span, dict) else {}
        from_utc, until_utc = (
            _time(f"{place}: active {number}", key, times.get(key))
            for key in ("from_utc", "until_utc")
        )
        if not from_utc < until_utc:
            raise GroundError(
                f"{place}: active {number}: from_utc {times['from_utc']} is not before until_utc "
                f"{times['until_utc']}; they may be the wrong way round"
            )
        spans.append((from_utc, until_utc))
    return tuple(spans)


def _time(place: str, key: str, value: Any) -> float:
    """A time with its offset, as seconds since 1970 UTC."""
    try:
        time = datetime.fromisoformat(value)
    except (TypeError, ValueError) as error:
        raise GroundError(f"{place}: {key} is {value!r}; write it as 2026-05-05T06:00Z") from error
    if time.tzinfo is None:
        raise GroundError(f"{place}: {key} = {value} has no time zone; write {value}Z for UTC")
    return time.astimezone(UTC).timestamp()
