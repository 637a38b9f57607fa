"""The way that a crew drives, as points: what a ground file keeps of the road graph. Pure.

From every base leads a tree of shortest ways; for each place of the graph it is kept by which
edge it is reached. A walk begins in a cell with a road; for each such cell it is kept where on
which edge that is.
"""

from collections.abc import Collection
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from windowwatch.errors import InputError
from windowwatch.ground.plane import FloatArray

IntArray = NDArray[np.int64]

#: Points are kept in whole steps of this. [m]
POINT_STEP_M = 0.5
#: Courses are drawn as fine as this, or coarser by half so often as is needed. [m]
_FINEST_M, _COARSER = 5.0, 25


@dataclass(frozen=True)
class Way:
    """The way by road from a base to where a walk begins.

    Parameters
    ----------
    base : int
        Number of the base.
    time_s : float
        [s]
    points_m : array [N, 2]
        From where the base comes upon the roads to where the walk begins, on the plane. [m]
    """

    base: int
    time_s: float
    points_m: FloatArray


@dataclass(frozen=True)
class Routes:
    """The road graph with the shortest ways from B bases; arrays as a file holds them.

    Parameters
    ----------
    first, last : int32 array [E]
        Places at the ends of each edge.
    time_s : float32 array [E]
        [s]
    allowed : uint8 array [E]
        1 where it is driven from first to last, plus 2 where it is driven back.
    point : int32 array [P, 2]
        Courses of the edges, from first to last, in steps of `POINT_STEP_M` on the plane.
    point_start : int32 array [E + 1]
        Where each edge's course begins.
    place_s : float32 array [B, V]
        Time from each base to each place; infinite for none. [s]
    reached_by : int32 array [B, V]
        Edge by which; -1 for none, or from the base's own edge.
    base_edge, base_along_s, base_off_road_s : array [B]
        Where each base comes upon the roads, -1 for nowhere, and how long that takes. [s]
    start_cell, start_edge, start_along_s : array [S]
        Cells in which walks begin, rising, and where on the roads that is. [s]
    """

    first: NDArray[np.int32]
    last: NDArray[np.int32]
    time_s: NDArray[np.float32]
    allowed: NDArray[np.uint8]
    point: NDArray[np.int32]
    point_start: NDArray[np.int32]
    place_s: NDArray[np.float32]
    reached_by: NDArray[np.int32]
    base_edge: NDArray[np.int32]
    base_along_s: NDArray[np.float32]
    base_off_road_s: NDArray[np.float32]
    start_cell: NDArray[np.int32]
    start_edge: NDArray[np.int32]
    start_along_s: NDArray[np.float32]

    def __post_init__(self) -> None:
        edges, bases, starts = self.first.size, self.base_edge.size, self.start_cell.size
        shapes: tuple[tuple[tuple[int, ...], str], ...] = (
            ((edges,), "first last time_s allowed"),
            ((edges + 1,), "point_start"),
            ((bases,), "base_edge base_along_s base_off_road_s"),
            ((starts,), "start_cell start_edge start_along_s"),
            ((bases, self.places), "place_s reached_by"),
            ((int(self.point_start[-1]), 2), "point"),
        )
        for shape, names in shapes:
            for name in names.split():
                if getattr(self, name).shape != shape:
                    raise InputError(f"routes: {name} has the shape {getattr(self, name).shape}")
        inside = (
            (self.first, self.places), (self.last, self.places), (self.base_edge, edges),
            (self.start_edge, edges), (self.reached_by, edges),
        )  # fmt: skip
        if any(values.size and not -1 <= values.min() <= values.max() < n for values, n in inside):
            raise InputError("routes: an edge or a place is named that is not there")

    @property
    def places(self) -> int:
        """How many places the graph has."""
        return self.place_s.shape[1] if self.place_s.ndim == 2 else 0

    def way(self, bases: Collection[int], cell: int) -> Way | None:
        """The soonest way from any of some bases to where walks from a cell begin.

        Parameters
        ----------
        bases : collection of int
            Numbers of the bases.
        cell : int
            In which the walk begins.

        Returns
        -------
        Way or None
            None where no road leads from any of them.
        """
        at = int(np.searchsorted(self.start_cell, cell))
        if at >= self.start_cell.size or self.start_cell[at] != cell:
            return None
        edge, along = int(self.start_edge[at]), float(self.start_along_s[at])
        soonest, base, by = np.inf, -1, ""
        for number in bases:
            if self.base_edge[number] >= 0:
                time_s, how = min(self._arrivals(number, edge, along))
                if time_s < soonest:
                    soonest, base, by = time_s, number, how
        if base < 0:
            return None
        if by == "along":
            return Way(base, soonest, self._part(edge, float(self.base_along_s[base]), along))
        place, begin = (
            (int(self.first[edge]), 0.0)
            if by == "first"
            else (int(self.last[edge]), float(self.time_s[edge]))
        )
        parts = [*self._to(base, place), self._part(edge, begin, along)]
        return Way(base, soonest, np.concatenate(parts))

    def _arrivals(self, base: int, edge: int, along_s: float) -> list[tuple[float, str]]:
        """Time to a point of an edge by its first end, by its last, and along the base's own."""
        allowed, back_s = int(self.allowed[edge]), float(self.time_s[edge]) - along_s
        by_first = float(self.place_s[base, self.first[edge]]) + along_s
        by_last = float(self.place_s[base, self.last[edge]]) + back_s
        ahead = along_s - float(self.base_along_s[base])
        same = edge == self.base_edge[base] and bool(allowed & (1 if ahead >= 0.0 else 2))
        direct = abs(ahead) + float(self.base_off_road_s[base])
        return [
            (by_first if allowed & 1 else np.inf, "first"),
            (by_last if allowed & 2 else np.inf, "last"),
            (direct if same else np.inf, "along"),
        ]

    def _to(self, base: int, place: int) -> list[FloatArray]:
        """Courses from where the base comes upon the roads to a place, in order."""
        parts: list[FloatArray] = []
        for _ in range(self.places):
            edge = int(self.reached_by[base, place])
            if edge < 0:
                break
            onward = place == self.last[edge] and bool(self.allowed[edge] & 1)
            course = self._course(edge)
            parts.append(course if onward else course[::-1])
            place = int((self.first if onward else self.last)[edge])
        edge, along = int(self.base_edge[base]), float(self.base_along_s[base])
        whole, allowed = float(self.time_s[edge]), int(self.allowed[edge])
        ahead = place == self.last[edge] and bool(allowed & 1)
        if ahead and place == self.first[edge] and allowed & 2:
            ahead = whole - along <= along
        parts.append(self._part(edge, along, whole if ahead else 0.0))
        return parts[::-1]

    def _course(self, edge: int) -> FloatArray:
        """Course of an edge from its first end to its last. [m]"""
        begin, end = self.point_start[edge : edge + 2]
        return np.asarray(self.point[begin:end] * POINT_STEP_M)

    def _part(self, edge: int, from_s: float, to_s: float) -> FloatArray:
        """Course of an edge between two times along it; backwards where the second is less."""
        points = self._course(edge)
        step = np.hypot(*np.diff(points, axis=0).T)
        at = np.concatenate([[0.0], np.cumsum(step)])
        low, high = sorted(np.clip(np.array([from_s, to_s]) / float(self.time_s[edge]), 0, 1))
        low, high = low * at[-1], high * at[-1]
        inner = at[(at > low) & (at < high)]
        wanted = np.concatenate([[low], inner, [high]])
        course = np.column_stack([np.interp(wanted, at, points[:, i]) for i in (0, 1)])
        return course if from_s <= to_s else course[::-1]


def thinned(points_m: FloatArray, most: int) -> FloatArray:
    """A course with at most so many points, the first and the last among them."""
    if len(points_m) <= most:
        return points_m
    line: Any = shapely.LineString(points_m)
    for coarser in range(_COARSER):
        points = shapely.get_coordinates(shapely.simplify(line, _FINEST_M * 1.5**coarser))
        if len(points) <= most:
            return np.asarray(points)
    evenly = np.linspace(0, len(points_m) - 1, most).astype(int)
    return np.asarray(points_m[evenly])
