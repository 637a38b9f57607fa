"""Shapes on the globe for other programs: rings of footprints, and what crosses 180°. Pure.

RFC 7946, section 3.1.9: a line or area that crosses the antimeridian is given in parts.
"""

from collections.abc import Iterable, Sequence

import numpy as np

from windowwatch.physics.earth import destination
from windowwatch.physics.spread import Footprint

#: Corners of an ellipse.
CORNERS = 48
#: Decimals of a degree: about a metre.
DECIMALS = 5

#: Longitude, latitude and whatever else belongs to a point, in degrees first.
Point = list[float]


def wrapped(longitude_deg: float) -> float:
    """A longitude from -180 up to, not including, 180. [deg]"""
    return (longitude_deg + 180.0) % 360.0 - 180.0


def point(latitude_deg: float, longitude_deg: float, *more: float) -> Point:
    """A point as GeoJSON orders it, rounded."""
    return [
        round(wrapped(longitude_deg), DECIMALS),
        round(latitude_deg, DECIMALS),
        *(round(value, 1) for value in more),
    ]


def ellipse(mark: Footprint, major_m: float, minor_m: float) -> list[list[Point]]:
    """Closed rings of an ellipse round a footprint's middle, counter-clockwise.

    Two of them where it crosses 180°, else one. An ellipse round a pole is not provided for.
    """
    angle = -np.linspace(0.0, 2.0 * np.pi, CORNERS, endpoint=False)
    along, across = major_m * np.cos(angle), minor_m * np.sin(angle)
    bearing = mark.bearing_deg + np.degrees(np.arctan2(across, along))
    latitude, longitude = destination(
        mark.latitude_deg, mark.longitude_deg, bearing, np.hypot(along, across)
    )
    middle = wrapped(mark.longitude_deg)
    corners = [
        [middle + wrapped(float(x) - middle), float(y)]
        for x, y in zip(longitude, latitude, strict=True)
    ]
    rings = []
    for shift in (0.0, 360.0, -360.0):
        ring = [[x + shift, y] for x, y in corners]
        for edge, sign in ((180.0, 1.0), (-180.0, -1.0)):
            ring = _inside(ring, edge, sign)
        if len(ring) > 2:
            rounded = [[round(x, DECIMALS), round(y, DECIMALS)] for x, y in ring]
            rings.append([*rounded, rounded[0]])
    return rings


def _inside(ring: list[Point], edge: float, sign: float) -> list[Point]:
    """The part of a convex ring on the inner side of a meridian."""
    kept: list[Point] = []
    for here, after in zip(ring, [*ring[1:], *ring[:1]], strict=True):
        inner, inner_after = sign * here[0] <= sign * edge, sign * after[0] <= sign * edge
        if inner:
            kept.append(here)
        if inner != inner_after:
            share = (edge - here[0]) / (after[0] - here[0])
            kept.append([edge, here[1] + share * (after[1] - here[1])])
    return kept


def line_parts(points: Iterable[Sequence[float]]) -> list[list[Point]]:
    """A line of points (longitude, latitude, more) in parts that do not cross 180°."""
    parts: list[list[Point]] = []
    before: list[float] | None = None
    for each in points:
        here = [wrapped(each[0]), *each[1:]]
        if before is None:
            parts.append([here])
        elif abs(here[0] - before[0]) > 180.0:
            edge = 180.0 if before[0] > 0.0 else -180.0
            beyond = here[0] + 2.0 * edge
            share = (edge - before[0]) / (beyond - before[0]) if beyond != before[0] else 0.0
            crossing = [a + share * (b - a) for a, b in zip(before[1:], here[1:], strict=True)]
            parts[-1].append([edge, *crossing])
            parts.append([[-edge, *crossing], here])
        else:
            parts[-1].append(here)
        before = here
    return [
        [
            [round(p[0], DECIMALS), round(p[1], DECIMALS), *(round(v, 1) for v in p[2:])]
            for p in part
        ]
        for part in parts
        if len(part) > 1
    ]
