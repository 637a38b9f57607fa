"""Where the sea is: from coastlines, which have land on their left and water on their right.

That is how OpenStreetMap draws them; the sea itself is not an area there. Pure.
"""

from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from windowwatch.errors import InputError

#: A coastline that ends this near the edge of the map, in parts of the map's width, was cut
#: there; farther from it, it has a gap.
CUT_WITHIN = 0.1
#: To the left and right of a piece of coast one looks this far. [deg], about 0.2 m
_ASIDE_DEG = 2e-6
#: A part of the map whose coast says land and sea at once, by this share, has a gap. [1]
_CONTRADICTION = 0.2


def sea_areas(coast: list[Any], box_deg: tuple[float, float, float, float]) -> list[Any]:
    """Polygons of the sea within a box.

    Parameters
    ----------
    coast : list of line
        Directed, land on the left. [deg]
    box_deg : (float, float, float, float)
        South, west, north, east. [deg]

    Returns
    -------
    list of polygon
        Empty where there is no coast: then all is land, as far as a coast can tell.

    Raises
    ------
    InputError
        If a coastline has a gap, so that sea and land cannot be told apart.
    """
    south, west, north, east = box_deg
    box = shapely.box(west, south, east, north)
    edge = box.exterior
    lines = _to_the_edge(coast, box)
    if not lines:
        return []
    faces = shapely.get_parts(
        shapely.polygonize([shapely.union_all(np.array([*lines, edge], dtype=object))])
    )
    return list(faces[_is_sea(faces, lines)])


def _to_the_edge(coast: list[Any], box: Any) -> list[Any]:
    """The coast within the box; ends that were cut off near its edge are led to it."""
    if not coast:
        return []
    merged = shapely.line_merge(shapely.multilinestrings(coast), directed=True)
    inside = shapely.get_parts(shapely.intersection(merged, box))
    lines = [line for line in inside if line.geom_type == "LineString" and line.length > 0.0]
    joined = shapely.line_merge(shapely.multilinestrings(lines), directed=True)
    far = CUT_WITHIN * max(box.bounds[2] - box.bounds[0], box.bounds[3] - box.bounds[1])
    edge = box.exterior
    led = []
    for line in shapely.get_parts(joined):
        points = shapely.get_coordinates(line)
        if not line.is_closed:
            first, last = (_foot(edge, points[i], far) for i in (0, -1))
            points = np.concatenate([first, points, last])
        led.append(shapely.LineString(points))
    return led


def _foot(edge: Any, end: NDArray[np.float64], far: float) -> NDArray[np.float64]:
    """The point of the edge nearest to an end, [1, 2]; nothing when it is too far, or there."""
    away = shapely.distance(edge, shapely.Point(end))
    if away > far:
        raise InputError(
            f"the coastline ends near longitude, latitude {end[0]:.4f}, {end[1]:.4f} in the "
            "middle of the map, so that sea and land cannot be told apart; take an extract "
            "with complete ways, or a newer one"
        )
    if away < 1e-12:
        return np.empty((0, 2))
    on_edge = shapely.line_interpolate_point(
        edge, shapely.line_locate_point(edge, shapely.Point(end))
    )
    found: NDArray[np.float64] = shapely.get_coordinates(on_edge)
    return found


def _is_sea(faces: NDArray[Any], lines: list[Any]) -> NDArray[np.bool_]:
    """Which parts of the map lie to the right of their coast."""
    points, line = shapely.get_coordinates(np.array(lines, dtype=object), return_index=True)
    inside = line[1:] == line[:-1]
    first, step = points[:-1][inside], np.diff(points, axis=0)[inside]
    length = np.hypot(step[:, 0], step[:, 1])
    first, step, length = (a[length > 0.0] for a in (first, step, length))
    right = _ASIDE_DEG * np.column_stack([step[:, 1], -step[:, 0]]) / length[:, None]
    tree = shapely.STRtree(faces)
    votes = np.zeros((2, len(faces)))
    for which, sign in enumerate((1.0, -1.0)):
        beside = shapely.points(first + 0.5 * step + sign * right)
        point, face = tree.query(beside, predicate="within")
        np.add.at(votes[which], face, length[point])
    sea, land = votes
    unsure = np.minimum(sea, land) > _CONTRADICTION * (sea + land)
    if np.any(unsure):
        where = shapely.point_on_surface(faces[np.argmax(unsure)])
        raise InputError(
            "the coastline says land and sea at once near longitude, latitude "
            f"{where.x:.3f}, {where.y:.3f}; it has a gap, take another extract"
        )
    return sea > land
