"""How long a car drives: shortest times over the road graph. Pure.

Ways meet where they share a node. Between meetings a way is one edge of the graph, driven at
the way's speed; points of a road are reached from the ends of their edge.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse import csgraph
from scipy.spatial import cKDTree

from windowwatch.ground.extract import Ways
from windowwatch.ground.grid import dotted
from windowwatch.ground.plane import FloatArray, LocalPlane

IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

#: From where a crew stands to the nearest road, as straight as it goes. [m/s] 10 km/h, the
#: default speed of the profile in `tags`.
OFF_ROAD_MPS = 10.0 / 3.6
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
    """

    node: IntArray
    first: IntArray
    last: IntArray
    time_s: FloatArray
    forward: BoolArray
    backward: BoolArray
    dots: Dots


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
    )


def matrix(graph: RoadGraph) -> sparse.csr_array:
    """Times between neighbouring places [V, V], the shortest where edges run side by side. [s]"""
    one, back = graph.forward, graph.backward
    begin = np.concatenate([graph.first[one], graph.last[back]])
    end = np.concatenate([graph.last[one], graph.first[back]])
    time_s = np.concatenate([graph.time_s[one], graph.time_s[back]])
    return _sparse(begin, end, time_s, graph.node.size)


def _sparse(begin: IntArray, end: IntArray, weight: FloatArray, size: int) -> sparse.csr_array:
    """A sparse graph; of several edges between two places the lightest is kept."""
    order = np.lexsort((weight, end, begin))
    begin, end, weight = begin[order], end[order], weight[order]
    new = np.ones(begin.size, dtype=np.bool_)
    new[1:] = (begin[1:] != begin[:-1]) | (end[1:] != end[:-1])
    return sparse.csr_array((weight[new], (begin[new], end[new])), shape=(size, size))


def drive_times_s(graph: RoadGraph, base_m: FloatArray) -> FloatArray:
    """Time to drive from a base to every dot on the roads [K]; infinite where none leads. [s]

    The base lies on its nearest road where a car may stop; the way there is driven at
    `OFF_ROAD_MPS`.

    Parameters
    ----------
    base_m : array [2]
        On the plane. [m]
    """
    dots = graph.dots
    near = np.flatnonzero(dots.stopping)
    if near.size == 0:
        return np.full(dots.edge.size, np.inf)
    away, index = cKDTree(dots.position_m[near]).query(base_m)
    start = near[index]
    edge, along = dots.edge[start], dots.along_s[start]
    at_ends = np.full(graph.node.size, np.inf)
    links = matrix(graph)
    leaving = (
        (graph.forward[edge], graph.last[edge], graph.time_s[edge] - along),
        (graph.backward[edge], graph.first[edge], along),
    )
    for allowed, place, took in leaving:
        if allowed:
            there = csgraph.dijkstra(links, indices=place)
            np.minimum(at_ends, there + took, out=at_ends)
    time_s = np.minimum(
        np.where(graph.forward[dots.edge], at_ends[graph.first[dots.edge]] + dots.along_s, np.inf),
        np.where(
            graph.backward[dots.edge],
            at_ends[graph.last[dots.edge]] + graph.time_s[dots.edge] - dots.along_s,
            np.inf,
        ),
    )
    ahead = np.where(dots.edge == edge, dots.along_s - along, np.nan)
    if graph.forward[edge]:
        time_s = np.where(ahead >= 0.0, np.minimum(time_s, ahead), time_s)
    if graph.backward[edge]:
        time_s = np.where(ahead <= 0.0, np.minimum(time_s, -ahead), time_s)
    return np.asarray(time_s + away / OFF_ROAD_MPS)
