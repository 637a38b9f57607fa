"""Drives from any place by the roads of a ground file, not only from those it was built for. Pure.

A ground file keeps the roads as a graph, and in which cells walks begin and where on the roads
that is. From there to there the soonest way is found anew for each place (Dijkstra), so that
a place that nobody thought of when the file was built is asked what a site is asked.

References
----------
.. [1] E. W. Dijkstra, "A note on two problems in connexion with graphs", Numerische Mathematik 1
   (1959) 269-271.
"""

from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from windowwatch.ground.plane import FloatArray
from windowwatch.ground.query.rasters import POINT_STEP_M, Rasters, Routes

IntArray = NDArray[np.int64]
#: Bits of `Routes.allowed`.
_ONWARD, _BACK = 1, 2


class Network:
    """The roads of a ground file, ready to be driven from many places.

    Parameters
    ----------
    routes : Routes
    """

    def __init__(self, routes: Routes) -> None:
        self._routes = routes
        onward = np.flatnonzero(routes.allowed & _ONWARD)
        back = np.flatnonzero(routes.allowed & _BACK)
        begin = np.concatenate([routes.first[onward], routes.last[back]]).astype(np.int64)
        end = np.concatenate([routes.last[onward], routes.first[back]]).astype(np.int64)
        took = routes.time_s[np.concatenate([onward, back])].astype(np.float64)
        order = np.argsort(begin, kind="stable")
        self._end, self._took = end[order], took[order]
        self._from = np.searchsorted(begin[order], np.arange(routes.places + 1))
        # a place may wait in the heap once for every link that leads to it
        self._heap_s = np.empty(end.size + 2)
        self._heap_place = np.empty(end.size + 2, dtype=np.int64)

    def starts_s(self, edge: int, along_s: float) -> FloatArray:
        """Time from a point of the roads to where each walk begins [S]; infinite for no way. [s]

        Parameters
        ----------
        edge : int
            On which it lies.
        along_s : float
            How far from the edge's first end. [s]
        """
        routes = self._routes
        place_s = self._places_s(edge, along_s)
        to, at = routes.start_edge.astype(np.int64), routes.start_along_s.astype(np.float64)
        allowed = routes.allowed[to]
        by_first = np.where(allowed & _ONWARD, place_s[routes.first[to]] + at, np.inf)
        by_last = np.where(
            allowed & _BACK, place_s[routes.last[to]] + routes.time_s[to] - at, np.inf
        )
        ahead = np.where(to == edge, at - along_s, np.nan)
        direct = np.where(allowed & np.where(ahead >= 0.0, _ONWARD, _BACK), np.abs(ahead), np.inf)
        return np.asarray(np.fmin(np.minimum(by_first, by_last), direct))

    def _places_s(self, edge: int, along_s: float) -> FloatArray:
        """Time from a point of the roads to every place of the graph. [s]"""
        from windowwatch.physics.kernels import soonest  # a second that few who read maps need

        routes, place_s = self._routes, np.full(self._routes.places, np.inf)
        seeds = []
        if routes.allowed[edge] & _ONWARD:
            seeds.append((float(routes.time_s[edge]) - along_s, int(routes.last[edge])))
        if routes.allowed[edge] & _BACK:
            seeds.append((along_s, int(routes.first[edge])))
        for number, (took, place) in enumerate(sorted(seeds)):
            self._heap_s[number], self._heap_place[number] = took, place
            place_s[place] = min(place_s[place], took)
        soonest(
            self._from, self._end, self._took, len(seeds), self._heap_s, self._heap_place, place_s
        )
        return place_s


@lru_cache(maxsize=2)
def network_of(rasters: Rasters) -> Network | None:
    """The roads of a ground file; None where it keeps none."""
    return None if rasters.routes is None else Network(rasters.routes)


def start_points_m(routes: Routes) -> FloatArray:
    """Where walks begin, on the plane of the file [S, 2]. [m]"""
    points = np.asarray(routes.point, dtype=np.float64) * POINT_STEP_M
    step = np.append(0.0, np.hypot(*np.diff(points, axis=0).T))
    bounds = np.asarray(routes.point_start, dtype=np.int64)
    step[bounds[:-1]] = 0.0  # from the end of one edge to the beginning of the next is no way
    length = np.cumsum(step)
    edge = routes.start_edge.astype(np.int64)
    low, high = length[bounds[edge]], length[bounds[edge + 1] - 1]
    share = np.clip(routes.start_along_s / routes.time_s[edge], 0.0, 1.0)
    wanted = low + share * (high - low)
    after = np.clip(np.searchsorted(length, wanted), bounds[edge] + 1, bounds[edge + 1] - 1)
    gap = length[after] - length[after - 1]
    part = np.clip(
        np.divide(wanted - length[after - 1], gap, out=np.zeros(edge.size), where=gap > 0.0), 0, 1
    )
    found: Any = points[after - 1] + part[:, None] * (points[after] - points[after - 1])
    return np.asarray(found)
