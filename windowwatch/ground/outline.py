"""Outlines of the map for drawing: cut to a frame, thinned to what can be seen. Pure."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from windowwatch.ground.areas import AreaKind
from windowwatch.ground.frame import Frame as Frame  # for those who draw
from windowwatch.ground.roads import RoadClass
from windowwatch.ground.sketch import Feature, sketched_areas, sketched_roads
from windowwatch.ground.values import Ground

#: A drawing holds no more vertices than this; what matters least is left out.
MOST_VERTICES = 12_000
#: Areas have this share of them at most.
AREAS_SHARE = 0.6
#: Roads by how much they matter to a driver, the least last.
_BY_WEIGHT = tuple(RoadClass)


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
        Its areas and roads; where it has none, what its ground file knows of them.
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
    room = int(most * AREAS_SHARE)
    on_land: list[Outline] = []
    for each in _cut(_areas(ground, frame), frame, tolerance_deg):
        room -= sum(len(line) for line in each.lines)
        if room < 0:
            break
        on_land.append(each)
    room = most - sum(len(line) for each in on_land for line in each.lines)
    roads: list[Outline] = []
    for each in _cut(_roads(ground, frame), frame, tolerance_deg):
        room -= sum(len(line) for line in each.lines)
        if room < 0:
            break
        roads.append(each)
    return (*on_land, *reversed(roads))


def _areas(ground: Ground, frame: Frame) -> Iterable[Feature]:
    if ground.areas is not None:
        return ((a.kind, a.name, a.shape) for a in ground.areas.areas)
    return () if ground.rasters is None else sketched_areas(ground.rasters, frame)


def _roads(ground: Ground, frame: Frame) -> Iterable[Feature]:
    """Roads, those first that matter most to a driver."""
    if ground.roads is not None:
        roads = [(r.road_class, r.name, r.shape) for r in ground.roads.roads]
        return sorted(roads, key=lambda road: _BY_WEIGHT.index(road[0]))
    return () if ground.rasters is None else sketched_roads(ground.rasters, frame)


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
