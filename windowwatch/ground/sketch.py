"""Outlines for drawing out of a ground file, where no areas or roads are given apart. Pure.

A ground file knows land by cells and roads as a graph. Cells of a kind are joined to areas
whose corners are rounded a little; roads are told apart by how fast they are driven. It is a
sketch to find one's way by, and nothing is reckoned from it.
"""

from collections.abc import Iterator
from functools import lru_cache
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from windowwatch.ground.areas import AreaKind
from windowwatch.ground.frame import Frame
from windowwatch.ground.plane import FloatArray
from windowwatch.ground.rasters import Rasters
from windowwatch.ground.roads import RoadClass
from windowwatch.ground.routes import POINT_STEP_M
from windowwatch.ground.tags import Cover

Feature = tuple[Any, str, Any]

#: Cells that the longer side of a frame is looked at with.
CELLS = 220
_AREAS = {
    AreaKind.FOREST: (Cover.FOREST,),
    AreaKind.WETLAND: (Cover.WETLAND,),
    AreaKind.WATER: (Cover.WATER,),
    AreaKind.TOWN: (Cover.BUILT_UP, Cover.CROWD),
    AreaKind.INDUSTRY: (Cover.INDUSTRY,),
    AreaKind.AERODROME: (Cover.AERODROME,),
    AreaKind.MILITARY: (Cover.MILITARY,),
    AreaKind.NO_ENTRY: (Cover.NO_ENTRY,),
}
#: Roads driven at least so fast are drawn as of this class. [m s⁻¹] Judgement, for drawing only.
_CLASSES = (
    (24.0, RoadClass.MOTORWAY),
    (14.0, RoadClass.PRIMARY),
    (9.0, RoadClass.TERTIARY),
    (0.0, RoadClass.RESIDENTIAL),
)
#: Points of road that are looked at for one drawing, the fastest roads first.
_MOST_POINTS = 20_000


def sketched_areas(rasters: Rasters, frame: Frame) -> Iterator[Feature]:
    """Areas in a frame: kind, name (empty) and shape in longitude and latitude."""
    up, out = frame.north_deg - frame.south_deg, frame.east_deg - frame.west_deg
    shrunk = np.cos(np.radians((frame.north_deg + frame.south_deg) / 2.0))
    step = max(up, out * shrunk) / CELLS
    # Neighbours share their edge to the last digit, or they would not grow together.
    south = frame.south_deg + step * np.arange(int(np.ceil(up / step)) + 1)
    west = frame.west_deg + step / shrunk * np.arange(int(np.ceil(out * shrunk / step)) + 1)
    latitude, longitude = np.meshgrid(
        (south[1:] + south[:-1]) / 2.0, (west[1:] + west[:-1]) / 2.0, indexing="ij"
    )
    units = rasters.units(latitude.ravel(), longitude.ravel())
    for kind, covers in _AREAS.items():
        inside = (rasters.covered(units, covers) == 1.0).reshape(latitude.shape)
        row, first, last = _runs(inside)
        if row.size:
            boxes = shapely.box(west[first], south[row], west[last + 1], south[row + 1])
            # A stair is one cell deep: with a little more than that taken off, it is a slope.
            yield kind, "", shapely.simplify(shapely.union_all(boxes), 1.1 * step)


def _runs(inside: NDArray[np.bool_]) -> tuple[NDArray[np.intp], ...]:
    """Row, first and last column of each stretch of a grid."""
    padded = np.pad(inside, ((0, 0), (1, 1))).astype(np.int8)
    edge = np.diff(padded, axis=1)
    row, first = np.nonzero(edge == 1)
    _, after = np.nonzero(edge == -1)
    return row, first, after - 1


def sketched_roads(rasters: Rasters, frame: Frame) -> list[Feature]:
    """Roads in a frame: class, name (empty) and shape, the fastest first."""
    routes = rasters.routes
    if routes is None or not routes.time_s.size:
        return []
    low, high, speed_mps = _extent(rasters)
    corners = rasters.grid.plane.forward(
        np.array([frame.south_deg, frame.south_deg, frame.north_deg, frame.north_deg]),
        np.array([frame.west_deg, frame.east_deg, frame.west_deg, frame.east_deg]),
    )
    west, south = (float(np.min(c)) for c in corners)
    east, north = (float(np.max(c)) for c in corners)
    seen = (high[:, 0] >= west) & (low[:, 0] <= east) & (high[:, 1] >= south) & (low[:, 1] <= north)
    edges = np.flatnonzero(seen)
    edges = edges[np.argsort(-speed_mps[edges], kind="stable")]
    points = np.diff(routes.point_start.astype(np.intp))[edges]
    edges = edges[np.cumsum(points) <= _MOST_POINTS]
    found = []
    left = np.ones(edges.size, dtype=np.bool_)
    for least, road_class in _CLASSES:
        chosen = left & (speed_mps[edges] >= least)
        left &= ~chosen
        if chosen.any():
            lines = _lines(rasters, edges[chosen])
            parts = shapely.get_parts(shapely.line_merge(shapely.multilinestrings(lines)))
            longest = np.argsort(-shapely.length(parts), kind="stable")
            found += [(road_class, "", part) for part in parts[longest]]
    return found


@lru_cache(maxsize=4)
def _extent(rasters: Rasters) -> tuple[FloatArray, FloatArray, FloatArray]:
    """South-western and north-eastern corner of each edge, and how fast it is driven."""
    routes = rasters.routes
    assert routes is not None
    points = np.asarray(routes.point, dtype=np.float64) * POINT_STEP_M
    start = np.asarray(routes.point_start[:-1], dtype=np.intp)
    low = np.minimum.reduceat(points, start, axis=0)
    high = np.maximum.reduceat(points, start, axis=0)
    step = np.append(np.hypot(*np.diff(points, axis=0).T), 0.0)
    step[np.asarray(routes.point_start[1:], dtype=np.intp) - 1] = 0.0
    length_m = np.add.reduceat(step, start)
    return low, high, length_m / np.maximum(np.asarray(routes.time_s, dtype=np.float64), 0.1)


def _lines(rasters: Rasters, edges: NDArray[np.intp]) -> NDArray[Any]:
    """Courses of edges as lines in longitude and latitude."""
    routes = rasters.routes
    assert routes is not None
    start = np.asarray(routes.point_start, dtype=np.intp)
    counts = start[edges + 1] - start[edges]
    which = np.repeat(np.arange(edges.size), counts)
    offset = np.arange(int(counts.sum())) - np.repeat(np.cumsum(counts) - counts, counts)
    points = np.asarray(routes.point[start[edges][which] + offset]) * POINT_STEP_M
    latitude, longitude = rasters.grid.plane.backward(points[:, 0], points[:, 1])
    return np.asarray(shapely.linestrings(np.column_stack((longitude, latitude)), indices=which))
