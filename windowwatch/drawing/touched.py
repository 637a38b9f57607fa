"""What the 90 % ring of an hour's landings touches: outlines against an ellipse. Pure."""

from collections.abc import Sequence
from math import cos, radians, sin

import numpy as np

from windowwatch.ground.query.features import AreaKind
from windowwatch.ground.query.outline import Outline, Zone
from windowwatch.physics.spread import Footprint
from windowwatch.units import FloatArray

_KM_PER_DEG = 111.19  # of latitude, on the mean sphere


def touches(lines: Sequence[FloatArray], ring: Footprint) -> bool:
    """Whether an area meets the 90 % ring, lies in it, or holds it.

    Parameters
    ----------
    lines : sequence of array [N, 2]
        Its outline and holes: latitude and longitude. [deg]
    ring : Footprint
    """
    corners = [_about(line, ring) for line in lines if len(line) > 1]
    return _meets(corners) or _holds_middle(corners)


def name_place(lines: Sequence[FloatArray], ring: Footprint) -> tuple[float, float]:
    """Where the name of an area that the ring touches is to be written: latitude, longitude. [deg]

    Its middle, where that lies in the ring; else the corner that is nearest to the ring's
    middle; and that middle itself, where no corner is in the ring.
    """
    corners = np.vstack(lines)
    middle = (corners.min(axis=0) + corners.max(axis=0)) / 2.0
    away = np.hypot(*_about(np.vstack((middle, corners)), ring).T)
    nearest = 1 + int(np.argmin(away[1:]))
    if away[0] <= 1.0:
        return float(middle[0]), float(middle[1])
    if away[nearest] <= 1.0:
        return float(corners[nearest - 1, 0]), float(corners[nearest - 1, 1])
    return ring.latitude_deg, ring.longitude_deg


def is_touched(zone: Zone, ring: Footprint) -> bool:
    """Whether a zone matters to the landings: a permitted area only where it may be left."""
    if zone.kind == "permitted":
        return _meets([_about(line, ring) for line in zone.lines if len(line) > 1])
    return touches(zone.lines, ring)


def touched_names(
    areas: Sequence[Outline], zones: Sequence[Zone], ring: Footprint
) -> tuple[str, ...]:
    """Names of the areas and zones that the ring touches, each once, the largest area first.

    A permitted area that holds the whole ring is what is wanted, and not among them.
    """
    named = [each for each in areas if isinstance(each.kind, AreaKind) and each.name]
    found = [
        each.name
        for each in sorted(named, key=lambda each: -each.size)
        if touches(each.lines, ring)
    ]
    found += [zone.label for zone in zones if zone.label and is_touched(zone, ring)]
    return tuple(dict.fromkeys(found))


def _about(line: FloatArray, ring: Footprint) -> FloatArray:
    """A line on the plane in which the ring is a circle of 1 about the origin, [N, 2]."""
    turn = np.mod(line[:, 1] - ring.longitude_deg + 180.0, 360.0) - 180.0
    east_km = turn * _KM_PER_DEG * cos(radians(ring.latitude_deg))
    north_km = (line[:, 0] - ring.latitude_deg) * _KM_PER_DEG
    bearing = radians(ring.bearing_deg)
    along = east_km * sin(bearing) + north_km * cos(bearing)
    across = east_km * cos(bearing) - north_km * sin(bearing)
    # A ring without width is a line: a metre keeps it from being divided by.
    axes = np.maximum((ring.major_90_m, ring.minor_90_m), 1.0) / 1000.0
    return np.column_stack((along, across)) / axes


def _meets(lines: Sequence[FloatArray]) -> bool:
    return any(_nearest(each) <= 1.0 for each in lines)


def _nearest(line: FloatArray) -> float:
    """How near a closed line comes to the origin."""
    start, step = line, np.roll(line, -1, axis=0) - line
    length2 = np.maximum((step**2).sum(axis=1), 1e-18)
    share = np.clip(-(start * step).sum(axis=1) / length2, 0.0, 1.0)
    foot = start + share[:, None] * step
    return float(np.hypot(*foot.T).min())


def _holds_middle(lines: Sequence[FloatArray]) -> bool:
    """Whether the origin lies inside: a ray from it crosses the outlines an odd number of times."""
    crossings = 0
    for line in lines:
        x, y = line.T
        next_x, next_y = np.roll(x, -1), np.roll(y, -1)
        passes = (y > 0.0) != (next_y > 0.0)
        with np.errstate(divide="ignore", invalid="ignore"):
            at_x = x - y * (next_x - x) / (next_y - y)
        crossings += int(np.count_nonzero(passes & (at_x > 0.0)))
    return crossings % 2 == 1
