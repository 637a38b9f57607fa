"""Outlines of map and airspace for drawing: cut to a frame, thinned to what can be seen. Pure.

Where no areas or roads are given apart, they are sketched out of the ground file, which knows
land by cells and roads as a graph. Cells of a kind are joined to areas whose corners are rounded
a little; roads are told apart by how fast they are driven. It is a sketch to find one's way by,
and nothing is computed from it.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import lru_cache
from math import isfinite
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from windowwatch.ground.query.airspace import AirspaceKind, Level, Volume
from windowwatch.ground.query.features import AreaKind, Ground, RoadClass
from windowwatch.ground.query.rasters import POINT_STEP_M, Rasters
from windowwatch.ground.tags import Cover
from windowwatch.physics.constants import USSA76_RADIUS_M
from windowwatch.units import M_PER_FOOT, FloatArray


@dataclass(frozen=True)
class Frame:
    """A rectangle of the map; it does not cross the date line. [deg]"""

    south_deg: float
    west_deg: float
    north_deg: float
    east_deg: float


Feature = tuple[Any, str, Any]

#: Cells that the longer side of a frame is looked at with.
CELLS = 220
_SKETCHED_AREAS = {
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
_CLASS_BY_SPEED = (
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
    for kind, covers in _SKETCHED_AREAS.items():
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
    for least, road_class in _CLASS_BY_SPEED:
        chosen = left & (speed_mps[edges] >= least)
        left &= ~chosen
        if chosen.any():
            lines = _edge_lines(rasters, edges[chosen])
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


def _edge_lines(rasters: Rasters, edges: NDArray[np.intp]) -> NDArray[Any]:
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
    ground: Ground,
    frame: Frame,
    tolerance_deg: float,
    *,
    most: int = MOST_VERTICES,
    most_of_areas: int | None = None,
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
    most_of_areas : int, optional
        So many of them for areas; `AREAS_SHARE` of them when left out.

    Returns
    -------
    tuple of Outline
        With `most` vertices at most; areas come first, then roads by their class.
    """
    room = int(most * AREAS_SHARE) if most_of_areas is None else most_of_areas
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


@dataclass(frozen=True)
class Zone:
    """An area that matters to the flight, as maps draw it.

    `kind` is ``"airspace"``, ``"open airspace"`` (which may be entered) or ``"permitted"``;
    `label` its name, with its heights where it has some; `lines` closed rings of latitude and
    longitude, shape [vertex, 2]. [deg]
    """

    kind: str
    label: str
    lines: tuple[NDArray[np.float64], ...]


def zones_of(ground: Ground) -> tuple[Zone, ...]:
    """Every zone that the ground knows: the permitted area, then airspace."""
    zones = []
    if ground.permitted is not None:
        zones.append(Zone("permitted", ground.permitted.name, _rings(ground.permitted.shape)))
    if ground.airspace is not None:
        zones += [
            Zone(
                "airspace" if volume.kind is AirspaceKind.CLOSED else "open airspace",
                _label(volume),
                _rings(volume.shape),
            )
            for volume in ground.airspace.volumes
        ]
    return tuple(zones)


def _rings(shape: Any) -> tuple[NDArray[np.float64], ...]:
    rings = shapely.get_rings(shape)
    return tuple(shapely.get_coordinates(ring)[:, ::-1] for ring in rings)


def _label(volume: Volume) -> str:
    """``Marrowby control zone, ground to 760 m``."""
    floor = "ground" if volume.floor.height_m <= 0.0 else _level(volume.floor)
    span = f"{floor} to {_level(volume.ceiling)}" if isfinite(volume.ceiling.height_m) else (
        f"{floor} and up"
    )  # fmt: skip
    return f"{volume.name}, {span}{', at times' if volume.at_times else ''}"


def _level(level: Level) -> str:
    """Flight levels count hundreds of feet of geopotential height (ICAO Annex 2, Doc 7488)."""
    if level.by_pressure:
        geopotential_m = USSA76_RADIUS_M * level.height_m / (USSA76_RADIUS_M + level.height_m)
        return f"FL {geopotential_m / M_PER_FOOT / 100.0:.0f}"
    return f"{level.height_m:.0f} m"
