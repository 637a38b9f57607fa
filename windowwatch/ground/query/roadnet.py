"""Drives over the roads of a ground file from any place to any other, for crews that move. Pure.

Named rules
-----------
nearest road
    Whoever drives begins on the road nearest to them, and gets there as straight as it goes, at
    `OFF_ROAD_MPS`; roads that nobody may stop on are among them, for a car may be driving there.
stops
    A drive ends, and a car waits, only where a ground file lets walks begin: a car may be left
    there. Bridges, rivers, closed and one-way roads are as the file has them.
"""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse import csgraph

from windowwatch.errors import GroundError
from windowwatch.ground.plane import FloatArray
from windowwatch.ground.query.rasters import POINT_STEP_M, WALK_STARTS, Rasters, Routes, thinned

IntArray = NDArray[np.int64]

#: From where somebody stands to the nearest road. [m/s] 10 km/h, as ground files are built with.
OFF_ROAD_MPS = 10.0 / 3.6
#: An edge takes at least this long; a graph in a sparse matrix has no edges of nothing. [s]
_LEAST_S = 1e-3


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
        self._steps = [name for name in WALK_STARTS if name in rasters.layers]
        one, back = (np.flatnonzero(routes.allowed & bit) for bit in (1, 2))
        begin = np.concatenate([routes.first[one], routes.last[back]]).astype(np.int64)
        end = np.concatenate([routes.last[one], routes.first[back]]).astype(np.int64)
        edge = np.concatenate([one, back])
        took = np.maximum(routes.time_s[edge].astype(np.float64), _LEAST_S)
        order = np.lexsort((took, end, begin))
        new = np.ones(order.size, dtype=np.bool_)
        begin, end = begin[order], end[order]
        new[1:] = (begin[1:] != begin[:-1]) | (end[1:] != end[:-1])
        self._begin, self._end = begin[new], end[new]
        self._edge, self._took = edge[order][new], took[order][new]
        self._lines: Any = shapely.linestrings(
            routes.point * POINT_STEP_M,
            indices=np.repeat(np.arange(routes.first.size), np.diff(routes.point_start)),
        )
        self._tree = shapely.STRtree(self._lines)
        share = routes.start_along_s / np.maximum(routes.time_s[routes.start_edge], _LEAST_S)
        spots = shapely.line_interpolate_point(
            self._lines[routes.start_edge], np.clip(share, 0.0, 1.0), normalized=True
        )
        self.stop_m: FloatArray = shapely.get_coordinates(spots)

    @property
    def stops(self) -> int:
        """At how many places a car may be left; they are numbered from 0."""
        return int(self._routes.start_cell.size)

    def stop_deg(self, stops: Any) -> tuple[FloatArray, FloatArray]:
        """Latitude and longitude of stops. [deg]"""
        x, y = self.stop_m[np.asarray(stops, dtype=np.intp)].T
        return self.rasters.grid.plane.backward(x, y)

    def walks(self, units: FloatArray) -> tuple[IntArray, FloatArray]:
        """From which stop each point [N] is walked to, -1 for none, and how long that takes. [s]

        Infinite where nobody gets there on foot, NaN off the map. Of a file without terrain the
        time is that over level ground: an order of what is far, no time to be told.
        """
        minutes = self.rasters.value("walk_min", units)
        steps = [self.rasters.value(name, units) for name in self._steps]
        there = np.isfinite(minutes) & np.isfinite(steps).all(axis=0)
        column, row = np.floor(units + 0.5).T
        row, column = (
            np.where(there, x + step, 0.0).astype(np.int64)
            for x, step in zip((row, column), steps, strict=True)
        )
        cell = row * self.rasters.grid.columns + column
        at = np.minimum(np.searchsorted(self._routes.start_cell, cell), self.stops - 1)
        found = there & (self._routes.start_cell[at] == cell)
        return np.where(found, at, -1), np.where(found | np.isnan(minutes), 60.0 * minutes, np.inf)

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
        time_s, before = self._dijkstra(edge, along_s, outward=True)
        return replace(
            self._routes,
            place_s=(time_s + off_s[:, None]).astype(np.float32),
            reached_by=self._reached_by(before),
            base_edge=edge.astype(np.int32),
            base_along_s=along_s.astype(np.float32),
            base_off_road_s=off_s.astype(np.float32),
        )

    def arrivals_s(self, ways: Routes, stops: Any) -> FloatArray:
        """Time from each of the bases [B] of `from_places` to some stops [N]. [B, N], [s]"""
        edge, along_s = self._stops(stops)
        direct = self._direct(
            ways.base_edge.astype(np.int64), ways.base_along_s.astype(np.float64), edge, along_s
        )
        direct += ways.base_off_road_s[:, None]
        left_s = self._routes.time_s[edge] - along_s
        allowed = self._routes.allowed[edge]
        by_first = ways.place_s[:, self._routes.first[edge]] + along_s
        by_last = ways.place_s[:, self._routes.last[edge]] + left_s
        by_ends = np.minimum(
            np.where(allowed & 1, by_first, np.inf), np.where(allowed & 2, by_last, np.inf)
        )
        return np.minimum(by_ends, direct)

    def between_s(self, stops: Any, to: Any) -> FloatArray:
        """Time from some stops [N] to others [K]; few of the latter, please. [N, K], [s]"""
        edge, along_s = self._stops(stops)
        to_edge, to_along_s = self._stops(to)
        from_place_s, _ = self._dijkstra(to_edge, to_along_s, outward=False)
        left_s = self._routes.time_s[edge] - along_s
        allowed = self._routes.allowed[edge]
        ahead = from_place_s[:, self._routes.last[edge]] + left_s
        back = from_place_s[:, self._routes.first[edge]] + along_s
        by_ends = np.minimum(
            np.where(allowed & 1, ahead, np.inf), np.where(allowed & 2, back, np.inf)
        ).T
        return np.minimum(by_ends, self._direct(edge, along_s, to_edge, to_along_s))

    def way_deg(
        self, ways: Routes, base: int, stop: int, most: int
    ) -> tuple[FloatArray, FloatArray] | None:
        """The way from a base of `from_places` to a stop, in at most so many points. [deg]

        None where no road leads there.
        """
        way = ways.way([base], int(self._routes.start_cell[stop]))
        if way is None or not np.isfinite(way.time_s):
            return None
        return self.rasters.grid.plane.backward(*thinned(way.points_m, most).T)

    def _stops(self, stops: Any) -> tuple[IntArray, FloatArray]:
        chosen = np.asarray(stops, dtype=np.intp)
        edge = self._routes.start_edge[chosen].astype(np.int64)
        return edge, self._routes.start_along_s[chosen].astype(np.float64)

    def _direct(
        self, edge: IntArray, along_s: FloatArray, to_edge: IntArray, to_along_s: FloatArray
    ) -> FloatArray:
        """Time along an edge that two points share, infinite where it may not be driven so."""
        ahead = to_along_s - along_s[:, None]
        allowed = self._routes.allowed[to_edge]
        may = np.where(ahead >= 0.0, allowed & 1, allowed & 2).astype(np.bool_)
        same = edge[:, None] == to_edge
        # who stands there already is there, whichever way the road is driven
        return np.where(same & (may | (np.abs(ahead) < 1.0)), np.abs(ahead), np.inf)

    def _dijkstra(
        self, edge: IntArray, along_s: FloatArray, *, outward: bool
    ) -> tuple[FloatArray, IntArray]:
        """Times from points [N] on edges to all places, or back; and before which place. [N, V]"""
        size, count = self._routes.places, edge.size
        left_s, allowed = self._routes.time_s[edge] - along_s, self._routes.allowed[edge]
        first, last = (x[edge].astype(np.int64) for x in (self._routes.first, self._routes.last))
        new = size + np.arange(count)
        # outward one leaves ahead by the last end; back one is come upon from the first
        ahead, behind = (last, left_s), (first, along_s)
        ends = ((ahead, 1), (behind, 2)) if outward else ((behind, 1), (ahead, 2))
        begin, end, took = [], [], []
        for (place, time_s), bit in ends:
            may = (allowed & bit) > 0
            begin.append(new[may])
            end.append(place[may])
            took.append(np.maximum(time_s[may], _LEAST_S))
        one, other = np.concatenate(begin), np.concatenate(end)
        long_s = np.concatenate(took)
        order = np.lexsort((long_s, other, one))  # a loop has both ends at one place
        one, other, long_s = one[order], other[order], long_s[order]
        kept = np.ones(one.size, dtype=np.bool_)
        kept[1:] = (one[1:] != one[:-1]) | (other[1:] != other[:-1])
        links = (self._begin, self._end) if outward else (self._end, self._begin)
        joined = sparse.csr_array(
            (
                np.concatenate([self._took, long_s[kept]]),
                (
                    np.concatenate([links[0], one[kept]]),
                    np.concatenate([links[1], other[kept]]),
                ),
            ),
            shape=(size + count, size + count),
        )
        if not outward:
            return csgraph.dijkstra(joined, indices=new)[:, :size], np.empty(0, dtype=np.int64)
        time_s, before = csgraph.dijkstra(joined, indices=new, return_predecessors=True)
        return time_s[:, :size], before[:, :size].astype(np.int64)

    def _reached_by(self, before: IntArray) -> NDArray[np.int32]:
        """Edge by which each place is reached [N, V], -1 for none, or from the point itself."""
        size = self._routes.places
        reached_by = np.full(before.shape, -1, dtype=np.int32)
        row, place = np.nonzero((before >= 0) & (before < size))
        keys = self._begin * size + self._end
        at = np.searchsorted(keys, before[row, place] * size + place)
        reached_by[row, place] = self._edge[at]
        return reached_by
