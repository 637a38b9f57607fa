"""Outlines of the map for drawing: cut to a frame, thinned to what can be seen. Pure."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from windowwatch.ground.areas import AreaKind
from windowwatch.ground.roads import RoadClass
from windowwatch.ground.values import Ground

#: A drawing holds no more vertices than this; what matters least is left out.
MOST_VERTICES = 12_000
#: Roads by how much they matter to a driver, the least last.
_BY_WEIGHT = tuple(RoadClass)


@dataclass(frozen=True)
class Frame:
    """A rectangle of the map; it does not cross the date line. [deg]"""

    south_deg: float
    west_deg: float
    north_deg: float
    east_deg: float


@dataclass(frozen=True)
class Outline:
    """What is to be drawn of one area or road.

    `lines` are arrays of latitude and longitude [deg], shape [vertex, 2]; those of an area
    are closed rings, holes included. `size` is the area or length in the frame, in squared
    degrees or degrees: for choosing what to name.
    """

    kind: AreaKind | RoadClass
    name: str
    lines: tuple[NDArray[np.float64], ...]
    size: float


def outlines(
    ground: Ground, frame: Frame, tolerance_deg: float, *, most: int = MOST_VERTICES
) -> tuple[Outline, ...]:
    """Areas, then roads from the least to the greatest, as they lie in a frame.

    Parameters
    ----------
    ground : Ground
    frame : Frame
    tolerance_deg : float
        Bends smaller than this are left out. [deg]
    most : int
        So many vertices at most.

    Returns
    -------
    tuple of Outline
        With `most` vertices at most; areas come first, then roads by their class.
    """
    areas = ((a.kind, a.name, a.shape) for a in (ground.areas.areas if ground.areas else ()))
    roads = [(r.road_class, r.name, r.shape) for r in (ground.roads.roads if ground.roads else ())]
    roads.sort(key=lambda road: _BY_WEIGHT.index(road[0]))
    room = most
    chosen: list[Outline] = []
    for each in (*_cut(areas, frame, tolerance_deg), *_cut(roads, frame, tolerance_deg)):
        room -= sum(len(line) for line in each.lines)
        if room < 0:
            break
        chosen.append(each)
    on_land = [each for each in chosen if isinstance(each.kind, AreaKind)]
    return (*on_land, *reversed(chosen[len(on_land) :]))


def _cut(
    features: Iterable[tuple[AreaKind | RoadClass, str, Any]], frame: Frame, tolerance_deg: float
) -> Iterator[Outline]:
    for kind, name, shape in features:
        inside = shapely.clip_by_rect(
            shape, frame.west_deg, frame.south_deg, frame.east_deg, frame.north_deg
        )
        if shapely.is_empty(inside):
            continue
        thin = shapely.simplify(inside, tolerance_deg)
        lines = tuple(_lines(thin))
        if lines:
            size = float(shapely.area(inside) or shapely.length(inside))
            yield Outline(kind, name, lines, size)


def _lines(shape: Any) -> Iterator[NDArray[np.float64]]:
    for part in shapely.get_parts(shape):
        for line in shapely.get_rings(part) if shapely.get_dimensions(part) == 2 else (part,):
            points = shapely.get_coordinates(line)[:, ::-1]
            if len(points) > 1:
                yield points
