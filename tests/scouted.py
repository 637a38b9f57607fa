"""Plain answers about regions and spots without shapely, and scoutings made up, for tests."""

import json
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from functools import cache
from itertools import pairwise
from math import asin, cos, radians, sin, sqrt
from pathlib import Path
from typing import Any

from windowwatch.ground.query.rasters import MAPPED_BIT, POINT_STEP_M, Rasters
from windowwatch.ground.tags import Cover
from windowwatch.scouting.values import Asked, Place, PlaceHours, Scouting, Skipped, Unasked

CONFIG = Path(__file__).resolve().parents[1] / "config"
SKERRA = CONFIG / "skerra.toml"
#: A region with a bay and a hole, over town, forest and closed airspace. Longitude, latitude.
OUTER = [[-36.7, 45.5], [-34.3, 45.5], [-34.3, 46.5], [-35.2, 46.5], [-35.3, 45.9], [-36.0, 45.9],
         [-36.1, 46.5], [-36.7, 46.5], [-36.7, 45.5]]  # fmt: skip
HOLE = [[-36.5, 45.6], [-36.3, 45.6], [-36.3, 45.8], [-36.5, 45.8], [-36.5, 45.6]]
BAY = {"type": "Polygon", "coordinates": [OUTER, HOLE]}
FIRST = datetime(2026, 5, 5, 6, tzinfo=UTC)


def region_file(folder: Path, geometry: Any = None, name: str = "region.geojson") -> Path:
    path = folder / name
    feature = {"type": "Feature", "properties": {}, "geometry": geometry or BAY}
    text = json.dumps({"type": "FeatureCollection", "features": [feature]})
    path.write_text(text, encoding="utf-8")
    return path


def in_ring(longitude: float, latitude: float, ring: Sequence[Sequence[float]]) -> bool:
    """Whether a ray to the east crosses a ring an odd number of times."""
    inside = False
    for (x0, y0), (x1, y1) in pairwise(ring):
        if (y0 > latitude) != (y1 > latitude):
            inside ^= longitude < x0 + (latitude - y0) / (y1 - y0) * (x1 - x0)
    return inside


def _boxed(longitude: float, latitude: float, ring: Sequence[Sequence[float]]) -> bool:
    key = id(ring)
    if key not in _BOXES:
        xs, ys = zip(*(point[:2] for point in ring), strict=True)
        _BOXES[key] = min(xs), min(ys), max(xs), max(ys)
    west, south, east, north = _BOXES[key]
    return west <= longitude <= east and south <= latitude <= north


_BOXES: dict[int, tuple[float, float, float, float]] = {}


def in_polygon(longitude: float, latitude: float, rings: Sequence[Any]) -> bool:
    outer, *holes = rings
    here = longitude, latitude
    return (
        _boxed(*here, outer)
        and in_ring(*here, outer)
        and not any(in_ring(*here, hole) for hole in holes)
    )


def in_geometry(longitude: float, latitude: float, geometry: Any) -> bool:
    parts = geometry["coordinates"]
    parts = parts if geometry["type"] == "MultiPolygon" else [parts]
    return any(in_polygon(longitude, latitude, rings) for rings in parts)


@cache
def features(name: str) -> tuple[tuple[str, Any, Any], ...]:
    """Kind, properties and geometry of each feature of a file of the demonstration."""
    held = json.loads((CONFIG / name).read_text(encoding="utf-8"))["features"]
    return tuple((f["properties"]["kind"], f["properties"], f["geometry"]) for f in held)


def away_km(one: Any, other: Any) -> float:
    """On the mean sphere: within half a percent of the ellipsoid."""
    (a, b), (c, d) = ((radians(p.latitude_deg), radians(p.longitude_deg)) for p in (one, other))
    h = sin((c - a) / 2) ** 2 + cos(a) * cos(c) * sin((d - b) / 2) ** 2
    return 2 * 6371.0 * asin(sqrt(h))


def start_by_hand(rasters: Rasters, number: int) -> tuple[float, float]:
    """Latitude and longitude of where a walk begins: along its edge, piece by piece."""
    routes = rasters.routes
    assert routes is not None
    edge = int(routes.start_edge[number])
    begin, end = (int(v) for v in routes.point_start[edge : edge + 2])
    course = [[float(v) * POINT_STEP_M for v in routes.point[i]] for i in range(begin, end)]
    pieces = [sqrt((b[0] - a[0]) ** 2 + (b[1] - a[1]) ** 2) for a, b in pairwise(course)]
    left = sum(pieces) * min(float(routes.start_along_s[number]) / float(routes.time_s[edge]), 1.0)
    for (x, y), (to_x, to_y), long in zip(course[:-1], course[1:], pieces, strict=True):
        if left <= long:
            x, y = x + (to_x - x) * left / long, y + (to_y - y) * left / long
            break
        left -= long
    latitude, longitude = rasters.grid.plane.backward(x, y)
    return float(latitude), float(longitude)


def covers_by_hand(rasters: Rasters, places: Any) -> list[frozenset[Cover] | None]:
    """What the cells of points [N, 2] are; None off the map."""
    grid, found = rasters.grid, list[frozenset[Cover] | None]()
    for x, y in zip(*grid.plane.forward(places[:, 0], places[:, 1]), strict=True):
        row, column = int((y - grid.south_m) // grid.cell_m), int((x - grid.west_m) // grid.cell_m)
        bits = int(rasters.layers["cover"].codes[row, column])
        mapped = bits >> MAPPED_BIT & 1
        kinds = frozenset(kind for number, kind in enumerate(Cover) if bits >> number & 1)
        found.append(kinds if mapped else None)
    return found


def made_up(side: int = 5, hours: int = 4, *, flown: int | None = None) -> Scouting:
    """A square of places ten kilometres apart: the farther east the likelier, go from hour 1 on."""
    outline = ((45.4, -36.6), (45.4, -35.7), (46.0, -35.7), (46.0, -36.6), (45.4, -36.6))
    places, found = [], []
    for number in range(side * side):
        row, column = divmod(number, side)
        at = 45.45 + 0.1 * row, -36.5 + 0.13 * column
        places.append(Place(f"P{number + 1:02d}", *at, 100.0, "America/Noronha", "map"))
        share = column / side
        good = ["n", *("g" if column else "c" for _ in range(hours - 2)), "u"]
        found.append(
            PlaceHours(
                place=number,
                verdicts="".join(good),
                score=(0.0, *(70.0 + 5 * column for _ in range(hours - 2)), None),
                chance=(0.0, *(share for _ in range(hours - 2)), None),
                limit=("daylight", *("road" if row < 2 else "gust" for _ in range(hours - 2)),
                       "visibility"),
                value=(None, *(3.25 for _ in range(hours - 2)), None),
                drift_km=(None, *(80.0 for _ in range(hours - 2)), None),
                bearing_deg=(None, *(45.0 for _ in range(hours - 2)), None),
                inside=(None,) * hours,
            )
        )  # fmt: skip
    return Scouting(
        watch="test watch",
        cycle_id="gfs-2026-05-04T18Z",
        made_utc=FIRST - timedelta(hours=8),
        asked=Asked("", 45.7, -36.15, 30.0, (outline,), 10.0, 15.0, 16),
        times_utc=tuple(FIRST + timedelta(hours=n) for n in range(hours)),
        places=tuple(places),
        found=tuple(found[:flown]),
        left_out=(("built-up", 7), ("close", 90)),
        skipped=(Skipped(Unasked.OTHERS, ("model b",)),),
    )
