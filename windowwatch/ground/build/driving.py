"""How long a car drives: shortest times over the road graph. Pure.

Ways meet where they share a node. Between meetings a way is one edge of the graph, driven at
the way's speed; points of a road are reached from the ends of their edge.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from windowwatch.ground.build.extract import Ways
from windowwatch.ground.plane import LocalPlane, dotted
from windowwatch.ground.query.rasters import POINT_STEP_M, Routes
from windowwatch.ground.query.roadnet import BACK, OFF_ROAD_MPS, ONWARD, Links
from windowwatch.units import BoolArray, FloatArray, IntArray

#: Courses of edges are kept to this, in parts of a cell: nobody sees more on a map.
_COURSE_CELLS = 0.1
#: An edge takes at least this long; a graph in a sparse matrix has no edges of nothing. [s]
_LEAST_S = 1e-3


@dataclass(frozen=True)
class Dots:
    """Points along drivable roads, close enough together to stand for them.

    Parameters
    ----------
    position_m : array [K, 2]
        On the plane. [m]
    edge : int array [K]
        Edge of the graph that each lies on.
    along_s : array [K]
        Time from the beginning of the edge. [s]
    stopping, public : bool array [K]
        A car may be left there; so may anybody's, without asking.
    """

    position_m: FloatArray
    edge: IntArray
    along_s: FloatArray
    stopping: BoolArray
    public: BoolArray


@dataclass(frozen=True)
class RoadGraph:
    """Edges between the places where roads meet or end.

    Parameters
    ----------
    node : int array [V]
        OpenStreetMap's number of each place.
    first, last : int array [E]
        Places at the ends of each edge, as positions in `node`.
    time_s : array [E]
        [s]
    forward, backward : bool array [E]
        Driven from first to last, and back.
    dots : Dots
    point_m, point_start : array [P, 2], int array [E + 1]
        Course of each edge on the plane from first to last, and where it begins. [m]
    """

    node: IntArray
    first: IntArray
    last: IntArray
    time_s: FloatArray
    forward: BoolArray
    backward: BoolArray
    dots: Dots
    point_m: FloatArray
    point_start: IntArray


@dataclass(frozen=True)
class Drives:
    """Shortest drives from one base.

    Parameters
    ----------
    time_s : array [K]
        To every dot; infinite where no road leads. [s]
    place_s : array [V]
        To every place of the graph. [s]
    edge : int array [V]
        By which each place is reached, -1 where it is not, or from the base's own edge.
    begin : int
        Dot at which the base comes upon the roads, -1 for none.
    off_road_s : float
        Time from the base to there, which is part of all the others. [s]
    """

    time_s: FloatArray
    place_s: FloatArray
    edge: IntArray
    begin: int
    off_road_s: float


def road_graph(ways: Ways, plane: LocalPlane, apart_m: float) -> RoadGraph:
    """The graph of the ways that may be driven.

    Parameters
    ----------
    ways : Ways
        At least one that may be driven.
    plane : LocalPlane
    apart_m : float
        Between the dots on the roads, at most. [m]
    """
    ways = ways.chosen(ways.speed_kmph > 0.0)
    position = np.column_stack(plane.forward(ways.position_deg[:, 1], ways.position_deg[:, 0]))
    number, place, uses = np.unique(ways.node, return_inverse=True, return_counts=True)
    ends = np.zeros(ways.node.size, dtype=np.bool_)
    ends[ways.start[:-1]] = ends[ways.start[1:] - 1] = True
    cut = ends | (uses[place] > 1)

    way = np.repeat(np.arange(ways.speed_kmph.size), np.diff(ways.start))
    piece = np.flatnonzero(way[1:] == way[:-1])  # from node i to node i + 1
    step = position[piece + 1] - position[piece]
    took = np.maximum(np.hypot(step[:, 0], step[:, 1]), 0.01) * 3.6 / ways.speed_kmph[way[piece]]
    begins = cut[piece]
    edge = np.cumsum(begins) - 1
    opens = np.flatnonzero(begins)
    time_s = np.maximum(np.add.reduceat(took, opens), _LEAST_S)
    before = np.cumsum(took) - took
    before -= before[opens][edge]
    closes = np.append(opens[1:], piece.size) - 1
    kept, ids = np.unique(
        np.concatenate([place[piece[opens]], place[piece[closes] + 1]]), return_inverse=True
    )
    of = way[piece[opens]]
    counts = closes - opens + 2
    point_start = np.concatenate([[0], np.cumsum(counts)])
    number_of = np.arange(point_start[-1]) - np.repeat(point_start[:-1], counts)
    course = position[np.repeat(piece[opens], counts) + number_of]

    where, dotted_on, share = dotted(position[piece], position[piece + 1], apart_m)
    dots = Dots(
        where,
        edge[dotted_on],
        before[dotted_on] + share * took[dotted_on],
        ways.stopping[way[piece]][dotted_on],
        ways.public[way[piece]][dotted_on],
    )
    return RoadGraph(
        number[kept],
        ids[: opens.size],
        ids[opens.size :],
        time_s,
        ways.forward[of],
        ways.backward[of],
        dots,
        course,
        point_start,
    )


def links_of(graph: RoadGraph) -> Links:
    """Links between neighbouring places of a graph."""
    return Links(graph.first, graph.last, graph.time_s, _allowed(graph), graph.node.size)


def drives_from(graph: RoadGraph, links: Links, base_m: FloatArray) -> Drives:
    """Shortest drives from a base to every dot and place of the roads.

    The base lies on its nearest road where a car may stop; the way there is driven at
    `OFF_ROAD_MPS`.

    Parameters
    ----------
    graph : RoadGraph
    links : Links
        Of that graph.
    base_m : array [2]
        On the plane. [m]
    """
    dots, places = graph.dots, graph.node.size
    near = np.flatnonzero(dots.stopping)
    if near.size == 0:
        never = np.full(dots.edge.size, np.inf), np.full(places, np.inf)
        return Drives(*never, np.full(places, -1), -1, 0.0)
    away, index = cKDTree(dots.position_m[near]).query(base_m)
    start = near[[index]]
    base = dots.edge[start], dots.along_s[start]
    at_ends, reached_by = links.from_points(*base)
    time_s = np.minimum(
        links.onto_edges(at_ends, dots.edge, dots.along_s),
        links.along(*base, dots.edge, dots.along_s),
    )
    off_road_s = float(away) / OFF_ROAD_MPS
    return Drives(
        time_s[0] + off_road_s, at_ends[0] + off_road_s, reached_by[0], int(start[0]), off_road_s
    )


def _allowed(graph: RoadGraph) -> NDArray[np.uint8]:
    """How each edge may be driven, as ground files keep it."""
    return (ONWARD * graph.forward + BACK * graph.backward).astype(np.uint8)


def routes_of(
    graph: RoadGraph,
    drives: list[Drives],
    cell_m: float,
    cells: NDArray[np.int32],
    dots: NDArray[np.int32],
) -> Routes:
    """What a ground file keeps of the roads.

    Parameters
    ----------
    graph : RoadGraph
    drives : list of Drives [B]
    cell_m : float
        Side of the ground file's cells. [m]
    cells, dots : int array [S]
        Cells in which walks begin, rising, and the dot at which each does.
    """
    begins = np.array([each.begin for each in drives], dtype=np.int64)
    held = np.maximum(begins, 0)
    lines: Any = shapely.linestrings(
        graph.point_m, indices=np.repeat(np.arange(graph.first.size), np.diff(graph.point_start))
    )
    lines = shapely.simplify(lines, _COURSE_CELLS * cell_m)
    point, line = shapely.get_coordinates(lines, return_index=True)
    return Routes(
        first=graph.first.astype(np.int32),
        last=graph.last.astype(np.int32),
        time_s=graph.time_s.astype(np.float32),
        allowed=_allowed(graph),
        point=np.rint(point / POINT_STEP_M).astype(np.int32),
        point_start=np.searchsorted(line, np.arange(graph.first.size + 1)).astype(np.int32),
        place_s=_quarters(np.array([each.place_s for each in drives])),
        reached_by=np.array([each.edge for each in drives], dtype=np.int32),
        base_edge=np.where(begins < 0, -1, graph.dots.edge[held]).astype(np.int32),
        base_along_s=graph.dots.along_s[held].astype(np.float32),
        base_off_road_s=np.array([each.off_road_s for each in drives], dtype=np.float32),
        start_cell=cells.astype(np.int32),
        start_edge=graph.dots.edge[dots].astype(np.int32),
        start_along_s=_quarters(graph.dots.along_s[dots]),
    )


def _quarters(time_s: FloatArray) -> NDArray[np.float32]:
    """Times to a quarter of a second, which a file holds in little room. [s]"""
    return (np.rint(4.0 * time_s) / 4.0).astype(np.float32)
