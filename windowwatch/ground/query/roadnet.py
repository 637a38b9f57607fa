"""The roads of a map as one graph: drives between any places, for builders, scouts and crews. Pure.

Ways are found by Dijkstra's algorithm [1]_, as scipy has it. A point of a road stands in the graph
as one place more, with links to the ends of its edge.

Named rules
-----------
nearest road
    Whoever drives begins on the road nearest to them, and gets there as straight as it goes, at
    `OFF_ROAD_MPS`; roads that nobody may stop on are among them, for a car may be driving there.
stops
    A drive ends, and a car waits, only where a ground file lets walks begin: a car may be left
    there. Bridges, rivers, closed and one-way roads are as the file has them.

References
----------
.. [1] E. W. Dijkstra, "A note on two problems in connexion with graphs", Numerische Mathematik 1
   (1959) 269-271.
"""

from collections.abc import Sequence
from dataclasses import replace
from functools import cached_property, lru_cache
from typing import Any

import numpy as np
import shapely
from scipy import sparse
from scipy.sparse import csgraph

from windowwatch.errors import GroundError
from windowwatch.ground.query.rasters import POINT_STEP_M, Rasters, Routes, thinned
from windowwatch.units import FloatArray, IntArray

#: From where somebody stands to the nearest road, as straight as it goes. [m/s] 10 km/h, the
#: default speed of the profile in `tags`.
OFF_ROAD_MPS = 10.0 / 3.6
#: Bits of `Routes.allowed`: driven from the first end of an edge to its last, and back.
ONWARD, BACK = 1, 2
#: A place is known to this: who stands so near a point of a one-way road is there already. [s]
_THERE_S = 1.0


class Links:
    """Roads as a graph: links between neighbouring places, the shortest where several run abreast.

    Points on roads are given as the edge on which each lies and the time from its first end.

    Parameters
    ----------
    first, last : int array [E]
        Places at the ends of each edge, from 0.
    time_s : array [E]
        Above 0. [s]
    allowed : int array [E]
        `ONWARD` where it is driven from first to last, plus `BACK` where it is driven back.
    places : int
        How many there are: V.
    """

    def __init__(self, first: Any, last: Any, time_s: Any, allowed: Any, places: int) -> None:
        self._first, self._last = (np.asarray(x, dtype=np.int64) for x in (first, last))
        self._time_s = np.asarray(time_s, dtype=np.float64)
        self._allowed, self._places = np.asarray(allowed), places
        one, back = (np.flatnonzero(self._allowed & bit) for bit in (ONWARD, BACK))
        begin = np.concatenate([self._first[one], self._last[back]])
        end = np.concatenate([self._last[one], self._first[back]])
        edge = np.concatenate([one, back])
        order = np.lexsort((self._time_s[edge], end, begin))
        begin, end, edge = begin[order], end[order], edge[order]
        new = np.ones(order.size, dtype=np.bool_)
        new[1:] = (begin[1:] != begin[:-1]) | (end[1:] != end[:-1])
        self._key, self._edge = (begin * places + end)[new], edge[new]
        took = self._time_s[self._edge]
        #: Times between neighbouring places [V, V]; nothing where no link is. [s]
        self.matrix = sparse.csr_array((took, (begin[new], end[new])), shape=(places, places))
        self._back = sparse.csr_array(self.matrix.T)

    def from_points(self, edge: IntArray, along_s: FloatArray) -> tuple[FloatArray, IntArray]:
        """Times from points [N] to all places, and the edges by which these are reached. [N, V]

        Returns
        -------
        array [N, V]
            Infinite where no road leads. [s]
        int array [N, V]
            -1 where no road leads, or the point's own edge does.
        """
        joined, points = self._joined(edge, along_s, outward=True)
        time_s, before = csgraph.dijkstra(joined, indices=points, return_predecessors=True)
        reached_by = np.full((edge.size, self._places), -1, dtype=np.int64)
        before = before[:, : self._places].astype(np.int64)
        row, place = np.nonzero((before >= 0) & (before < self._places))
        at = np.searchsorted(self._key, before[row, place] * self._places + place)
        reached_by[row, place] = self._edge[at]
        return time_s[:, : self._places], reached_by

    def to_points(self, edge: IntArray, along_s: FloatArray) -> FloatArray:
        """Times from all places to points [N]; infinite where no road leads. [N, V], [s]"""
        joined, points = self._joined(edge, along_s, outward=False)
        return np.asarray(csgraph.dijkstra(joined, indices=points)[:, : self._places])

    def onto_edges(self, place_s: Any, edge: IntArray, along_s: FloatArray) -> FloatArray:
        """Times to points [K] by the ends of their edges, of times to all places [N, V]. [N, K]"""
        return self._by_ends(place_s, edge, along_s, (ONWARD, BACK))

    def off_edges(self, place_s: Any, edge: IntArray, along_s: FloatArray) -> FloatArray:
        """Times from points [K] by the ends of their edges, of those from all places. [N, K]"""
        return self._by_ends(place_s, edge, along_s, (BACK, ONWARD))

    def along(
        self,
        edge: IntArray,
        along_s: FloatArray,
        to_edge: IntArray,
        to_along_s: FloatArray,
        there_s: float = 0.0,
    ) -> FloatArray:
        """Times from points [N] to others [K] on the same edge; infinite for no such way. [N, K]

        Who is nearer than `there_s` is there already, whichever way the road is driven.
        """
        ahead = to_along_s - along_s[:, None]
        may = (self._allowed[to_edge] & np.where(ahead >= 0.0, ONWARD, BACK)) > 0
        may |= np.abs(ahead) <= there_s
        return np.where((edge[:, None] == to_edge) & may, np.abs(ahead), np.inf)

    def _by_ends(
        self, place_s: Any, edge: IntArray, along_s: FloatArray, bits: tuple[int, int]
    ) -> FloatArray:
        """`bits`: how an edge is driven between its first end and a point, and its last."""
        by_first = place_s[:, self._first[edge]] + along_s
        by_last = place_s[:, self._last[edge]] + (self._time_s[edge] - along_s)
        first, last = ((self._allowed[edge] & bit) > 0 for bit in bits)
        return np.minimum(np.where(first, by_first, np.inf), np.where(last, by_last, np.inf))

    def _joined(
        self, edge: IntArray, along_s: FloatArray, *, outward: bool
    ) -> tuple[sparse.csr_array, IntArray]:
        """The graph with points [N] as places more, of which it gives the numbers."""
        graph = self.matrix if outward else self._back
        place = np.column_stack([self._first[edge], self._last[edge]])
        took_s = np.column_stack([along_s, self._time_s[edge] - along_s])
        may = self._allowed[edge, None] & ([BACK, ONWARD] if outward else [ONWARD, BACK]) > 0
        points = self._places + np.arange(edge.size)
        joined = sparse.csr_array(
            (
                np.append(graph.data, np.maximum(took_s[may], 0.0)),
                np.append(graph.indices, place[may]),
                np.append(graph.indptr, graph.indptr[-1] + np.cumsum(may.sum(axis=1))),
            ),
            shape=(self._places + edge.size,) * 2,
        )
        return joined, points


class RoadNet:
    """The roads of a ground file, to be asked again and again.

    Parameters
    ----------
    rasters : Rasters

    Raises
    ------
    GroundError
        If the file has no roads, or no places at which walks begin.
    """

    def __init__(self, rasters: Rasters) -> None:
        routes = rasters.routes
        if routes is None or not routes.start_cell.size or routes.first.size == 0:
            raise GroundError(
                f"{rasters.name}: has no roads to drive on; build it again with "
                "`windowwatch ground build`"
            )
        self.rasters, self._routes = rasters, routes
        self._links = Links(routes.first, routes.last, routes.time_s, routes.allowed, routes.places)

    @cached_property
    def _lines(self) -> Any:
        """Courses of all edges [E]."""
        routes = self._routes
        return shapely.linestrings(
            routes.point * POINT_STEP_M,
            indices=np.repeat(np.arange(routes.first.size), np.diff(routes.point_start)),
        )

    @cached_property
    def _tree(self) -> Any:
        return shapely.STRtree(self._lines)

    @cached_property
    def stop_m(self) -> FloatArray:
        """Where stops lie on the plane of the file. [stops, 2], [m]"""
        edge, along_s = self._stops(slice(None))
        share = np.clip(along_s / self._routes.time_s[edge], 0.0, 1.0)
        spots = shapely.line_interpolate_point(self._lines[edge], share, normalized=True)
        return np.asarray(shapely.get_coordinates(spots))

    @property
    def stops(self) -> int:
        """At how many places a car may be left; they are numbered from 0."""
        return int(self._routes.start_cell.size)

    def stop_deg(self, stops: Any) -> tuple[FloatArray, FloatArray]:
        """Latitude and longitude of stops. [deg]"""
        x, y = self.stop_m[stops].T
        return self.rasters.grid.plane.backward(x, y)

    def walks(self, units: FloatArray) -> tuple[IntArray, FloatArray]:
        """From which stop each point [N] is walked to, -1 for none, and how long that takes. [s]

        Infinite where nobody gets there on foot, NaN off the map. Of a file without terrain the
        time is that over level ground: an order of what is far, no time to be told.
        """
        minutes, stop = self.rasters.value("walk_min", units), self.rasters.starts_at(units)
        return stop, np.where((stop >= 0) | np.isnan(minutes), 60.0 * minutes, np.inf)

    def from_places(self, latitude_deg: Sequence[float], longitude_deg: Sequence[float]) -> Routes:
        """The roads with the shortest ways from places [B], which are its bases."""
        x, y = self.rasters.grid.plane.forward(latitude_deg, longitude_deg)
        points = shapely.points(x, y)
        edge = np.empty(x.size, dtype=np.int64)
        (which, found), away = self._tree.query_nearest(
            points, return_distance=True, all_matches=False
        )
        edge[which] = found
        off_s = np.empty(x.size)
        off_s[which] = away / OFF_ROAD_MPS
        share = shapely.line_locate_point(self._lines[edge], points, normalized=True)
        whole_s = self._routes.time_s[edge].astype(np.float64)
        along_s = share * whole_s
        time_s, reached_by = self._links.from_points(edge, along_s)
        return replace(
            self._routes,
            place_s=(time_s + off_s[:, None]).astype(np.float32),
            reached_by=reached_by.astype(np.int32),
            base_edge=edge.astype(np.int32),
            base_along_s=along_s.astype(np.float32),
            base_off_road_s=off_s.astype(np.float32),
        )

    def arrivals_s(self, ways: Routes, stops: Any) -> FloatArray:
        """Time from each of the bases [B] of `from_places` to some stops [N]. [B, N], [s]"""
        edge, along_s = self._stops(stops)
        base = ways.base_edge.astype(np.int64), ways.base_along_s.astype(np.float64)
        direct = self._links.along(*base, edge, along_s, _THERE_S) + ways.base_off_road_s[:, None]
        return np.minimum(self._links.onto_edges(ways.place_s, edge, along_s), direct)

    def from_stop_s(self, stop: int) -> FloatArray:
        """Time from one stop to all of them. [stops], [s]"""
        here, every = self._stops([stop]), self._stops(slice(None))
        place_s, _ = self._links.from_points(*here)
        found = np.minimum(
            self._links.onto_edges(place_s, *every), self._links.along(*here, *every)
        )
        return np.asarray(found[0])

    def between_s(self, stops: Any, to: Any) -> FloatArray:
        """Time from some stops [N] to others [K]; few of the latter, please. [N, K], [s]"""
        one, other = self._stops(stops), self._stops(to)
        by_ends = self._links.off_edges(self._links.to_points(*other), *one).T
        return np.minimum(by_ends, self._links.along(*one, *other))

    def way_deg(
        self, ways: Routes, base: int, stop: int, most: int
    ) -> tuple[FloatArray, FloatArray] | None:
        """The way from a base of `from_places` to a stop, in at most so many points. [deg]

        None where no road leads there.
        """
        way = ways.way([base], stop)
        if way is None or not np.isfinite(way.time_s):
            return None
        return self.rasters.grid.plane.backward(*thinned(way.points_m, most).T)

    def _stops(self, stops: Any) -> tuple[IntArray, FloatArray]:
        """Edges on which stops lie, and the times along these."""
        edge, along_s = self._routes.start_edge[stops], self._routes.start_along_s[stops]
        return edge.astype(np.int64), along_s.astype(np.float64)


@lru_cache(maxsize=2)
def net_of(rasters: Rasters) -> RoadNet | None:
    """The roads of a ground file; None where it keeps none."""
    return RoadNet(rasters) if rasters.routes is not None else None
