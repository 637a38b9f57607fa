"""The ground on a grid, asked about many points at once, and the way a crew drives there. Pure.

From every base leads a tree of shortest ways; for each place of the graph it is kept by which
edge it is reached. A walk begins in a cell with a road; for each such cell it is kept where on
which edge that is.

Every layer is a grid of 16-bit numbers with a scale. What lies outside the mapped land is not
known (NaN); what is not there at all, such as a road, is infinitely far.
"""

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from windowwatch.errors import GroundError, InputError
from windowwatch.ground.plane import Grid
from windowwatch.ground.tags import Cover
from windowwatch.units import FloatArray, IntArray

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

    def way(self, bases: Collection[int], start: int) -> Way | None:
        """The soonest way from any of some bases to where walks begin.

        Parameters
        ----------
        bases : collection of int
            Numbers of the bases.
        start : int
            Which of the starts of walks.

        Returns
        -------
        Way or None
            None where no road leads from any of them.
        """
        edge, along = int(self.start_edge[start]), float(self.start_along_s[start])
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


#: A coded value that stands for "none": infinitely far, or no way.
NONE_CODE = 65535
#: … and the largest that stands for a value; what is larger is cut to it.
LARGEST_CODE = 65534
#: The layer of bits that say what the land is, in the order of `Cover`, and above them the
#: bit that says the cell lies on the map at all.
COVER = "cover"
MAPPED_BIT = 15
#: How many rows and columns from each cell to the one in which the walk to it begins.
WALK_STARTS = ("walk_rows", "walk_columns")
#: A site or crew that has moved farther than this needs its drive times anew. [m]
MOVED_M = 200.0
_ROWS_AT_ONCE = 256
#: Directions that are named when a map does not reach far enough.
_WINDS = ("north", "north-east", "east", "south-east", "south", "south-west", "west",
          "north-west")  # fmt: skip


@dataclass(frozen=True)
class Layer:
    """One quantity on the grid: value = offset + scale * code.

    Parameters
    ----------
    codes : uint16 array [rows, columns]
    scale, offset : float
        In the unit that ends the layer's name.
    smooth : bool
        Whether values between the middles of cells may be had by interpolation.
    """

    codes: NDArray[np.uint16]
    scale: float = 1.0
    offset: float = 0.0
    smooth: bool = False


def encode(values: Any, scale: float, offset: float = 0.0, *, smooth: bool = False) -> Layer:
    """A layer from values; infinite and missing ones become "none"."""
    values = np.asarray(values)
    codes = np.full(values.shape, NONE_CODE, dtype=np.uint16)
    for row in range(0, len(values), _ROWS_AT_ONCE):  # a whole map at once takes much memory
        some = np.asarray(values[row : row + _ROWS_AT_ONCE], dtype=np.float64)
        there = np.isfinite(some)
        near = np.clip(np.rint((some[there] - offset) / scale), 0, LARGEST_CODE)
        codes[row : row + _ROWS_AT_ONCE][there] = near.astype(np.uint16)
    return Layer(codes, scale, offset, smooth)


@dataclass(frozen=True)
class Base:
    """From where a crew drives: a launch site, or a place where one stands by."""

    name: str
    latitude_deg: float
    longitude_deg: float


class Rasters:
    """Layers on a grid that can be asked about many points at once.

    Parameters
    ----------
    name : str
        Of the ground file, for messages.
    grid : Grid
    layers : mapping of name to Layer
        `cover` is always there.
    bases : sequence of Base
        Their drive times are the layers ``drive_min/0``, ``drive_min/1``, …
    sources, notes : sequence of str
        Where it all comes from, and what is to be known about it.
    routes : Routes, optional
        The roads as a graph, with the shortest ways from the bases.
    """

    def __init__(
        self,
        name: str,
        grid: Grid,
        layers: Mapping[str, Layer],
        bases: Sequence[Base],
        sources: Sequence[str],
        notes: Sequence[str] = (),
        routes: Routes | None = None,
    ) -> None:
        if COVER not in layers:
            raise InputError(f"{name}: has no layer {COVER!r}")
        self.name = name
        self.grid = grid
        self.layers = dict(layers)
        self.bases = tuple(bases)
        self.sources = tuple(sources)
        self.notes = tuple(notes)
        self.routes = routes
        self._starts_s: dict[str, FloatArray] = {}

    def with_base(self, base: Base, starts_s: FloatArray) -> "Rasters":
        """The same ground with a base more, from which it takes so long to each walk's start.

        Parameters
        ----------
        base : Base
            Takes the place of one of its name.
        starts_s : array [S]
            To each of `Routes.start_cell`; infinite for no way, NaN where it is not known. [s]
        """
        more = Rasters(
            self.name,
            self.grid,
            self.layers,
            (*self.bases, base),
            self.sources,
            self.notes,
            self.routes,
        )
        more._starts_s = {**self._starts_s, base.name: starts_s}
        return more

    def starts_at(self, units: FloatArray) -> IntArray:
        """At which of the starts the walk to each point [N] begins; -1 for none."""
        starts = None if self.routes is None else self.routes.start_cell
        if starts is None or not starts.size or not set(WALK_STARTS) <= set(self.layers):
            return np.full(len(units), -1)
        row, column = (
            np.floor(units[:, 1 - i] + 0.5) + self.value(name, units)
            for i, name in enumerate(WALK_STARTS)
        )
        known = np.isfinite(row + column + self.value("walk_min", units))
        cell = np.where(known, row * self.grid.columns + column, -1.0).astype(np.int64)
        at = np.minimum(np.searchsorted(starts, cell), starts.size - 1)
        return np.where(known & (starts[at] == cell), at, -1)

    def _drive_from(self, name: str, layer: str, units: FloatArray) -> FloatArray:
        """Drive from one base, by its layer or by the starts of walks, to the same step. [min]"""
        if name not in self._starts_s:
            return self.value(layer, units)
        if self.routes is None:
            return np.full(len(units), np.nan)
        step_min = next(
            (each.scale for key, each in self.layers.items() if key.startswith("drive_min/")), 0.1
        )
        at = self.starts_at(units)
        there = np.append(self._starts_s[name], np.inf)[at] / 60.0
        whole = np.minimum(np.rint(there / step_min), LARGEST_CODE) * step_min
        there = np.where(np.isfinite(there), whole, there)
        return np.where(self.mapped(units), there, np.nan)

    def units(self, latitude_deg: Any, longitude_deg: Any) -> FloatArray:
        """Points [N] as places on the grid, for the other questions; [N, 2] in cells."""
        x, y = self.grid.plane.forward(latitude_deg, longitude_deg)
        return self.grid.units(np.column_stack([np.ravel(x), np.ravel(y)]))

    def mapped(self, units: FloatArray) -> NDArray[np.bool_]:
        """Tell which points lie on the map."""
        bits = self._codes_at(COVER, units)
        return np.asarray((bits >= 0) & ((bits >> MAPPED_BIT) & 1 == 1))

    def covered(self, units: FloatArray, kinds: Collection[Cover]) -> FloatArray:
        """1 where the land is any of some kinds, 0 where not, NaN off the map."""
        bits = self._codes_at(COVER, units)
        wanted = sum(1 << list(Cover).index(kind) for kind in kinds)
        return np.where(self.mapped(units), (bits & wanted) != 0, np.nan)

    def value(self, name: str, units: FloatArray) -> FloatArray:
        """Values of a layer at points; infinite where there is none, NaN off the map.

        Raises
        ------
        InputError
            If there is no such layer.
        """
        if name not in self.layers:
            raise InputError(f"{self.name}: has no layer {name!r}")
        layer = self.layers[name]
        codes = self._codes_at(name, units)
        here = np.where(codes == NONE_CODE, np.inf, layer.offset + layer.scale * codes)
        if layer.smooth:
            here = self._between(layer, units, here)
        return np.where(self.mapped(units), here, np.nan)

    def largest(self, name: str) -> float:
        """Largest value of a layer; 0 where it has none."""
        layer = self.layers[name]
        known = layer.codes[layer.codes != NONE_CODE]
        return layer.offset + layer.scale * float(known.max()) if known.size else 0.0

    def drive_min(self, bases: Collection[str], units: FloatArray) -> FloatArray:
        """Drive to the road from which one walks, from the soonest of some bases. [min]

        Raises
        ------
        InputError
            If a base is not in the file.
        """
        known = {base.name: number for number, base in enumerate(self.bases)}
        strange = sorted(set(bases) - set(known))
        if strange or not bases:
            raise InputError(
                f"{self.name}: knows no drive times from {', '.join(strange) or 'nowhere'}; "
                "build it again with `windowwatch ground build`"
            )
        times = [self._drive_from(base, f"drive_min/{known[base]}", units) for base in bases]
        return np.asarray(np.min(times, axis=0))

    def way(self, bases: Collection[str], unit: FloatArray) -> Way | None:
        """The soonest way by road from any of some bases to where the walk to a point begins.

        None where the point is off the map, cannot be walked to from any road, or the layers
        came without the roads themselves.

        Parameters
        ----------
        bases : collection of str
            Of those in the file.
        unit : array [2]
            The point, of `units`.
        """
        start = int(self.starts_at(unit[None])[0])
        if self.routes is None or start < 0:
            return None
        # of a base that was added later (`with_base`) times are known, but no courses
        held = enumerate(self.bases[: self.routes.base_edge.size])
        numbers = [number for number, base in held if base.name in bases]
        return self.routes.way(numbers, start)

    def require_reach(self, sites: Sequence[Base], reach_m: float) -> None:
        """Refuse a map that does not lie all round every site.

        Raises
        ------
        GroundError
            Names the file, the site, and the direction in which the map ends too early.
        """
        for site in sites:
            middle = self.units([site.latitude_deg], [site.longitude_deg])
            if not self.mapped(middle)[0]:
                raise GroundError(
                    f"{self.name}: site {site.name} ({site.latitude_deg:g}, "
                    f"{site.longitude_deg:g}) does not lie on this map; build it again with "
                    "`windowwatch ground build` and an extract that holds the site"
                )
            ends_m, wind = min(self._ends(middle, reach_m))
            if ends_m < reach_m:
                raise GroundError(
                    f"{self.name}: the map ends {ends_m / 1000.0:.1f} km {_WINDS[wind]} of site "
                    f"{site.name}, and {reach_m / 1000.0:g} km are asked; build it again from a "
                    "larger extract, or lower reach_km in [ground]"
                )

    def _ends(self, middle: FloatArray, reach_m: float) -> Iterator[tuple[float, int]]:
        """How far the map reaches from a place, towards each of `_WINDS`; infinite: far enough."""
        away_m = np.linspace(0.0, reach_m, 129)
        for number in range(len(_WINDS)):
            turn = 2.0 * np.pi / len(_WINDS) * number
            step = np.array([np.sin(turn), np.cos(turn)]) / self.grid.cell_m
            outside = ~self.mapped(middle + away_m[:, None] * step)
            yield (float(away_m[np.argmax(outside)]) if outside.any() else np.inf), number

    def require_bases(self, bases: Sequence[Base]) -> None:
        """Refuse a map whose drive times do not start where the crews are.

        Raises
        ------
        GroundError
        """
        known = {base.name: base for base in self.bases}
        for base in bases:
            held = known.get(base.name)
            if held is None:
                raise GroundError(
                    f"{self.name}: has no drive times from {base.name}; build it again with "
                    "`windowwatch ground build`"
                )
            away = self.units(
                [base.latitude_deg, held.latitude_deg], [base.longitude_deg, held.longitude_deg]
            )
            apart_m = float(np.hypot(*(away[0] - away[1]))) * self.grid.cell_m
            if apart_m > MOVED_M:
                raise GroundError(
                    f"{self.name}: was built with {base.name} {apart_m / 1000.0:.1f} km away from "
                    "where the settings have it now; build it again with `windowwatch ground build`"
                )

    def _codes_at(self, name: str, units: FloatArray) -> NDArray[np.int64]:
        """Codes of the cells that hold the points; -1 off the grid."""
        column, row = np.floor(units + 0.5).astype(np.int64).T
        rows, columns = self.grid.shape
        inside = (row >= 0) & (row < rows) & (column >= 0) & (column < columns)
        codes = (
            self.layers[name]
            .codes[np.clip(row, 0, rows - 1), np.clip(column, 0, columns - 1)]
            .astype(np.int64)
        )
        return np.where(inside, codes, -1)

    def _between(self, layer: Layer, units: FloatArray, nearest: FloatArray) -> FloatArray:
        """Bilinear between the middles of four cells; where one says none, the nearest."""
        rows, columns = self.grid.shape
        if rows < 2 or columns < 2:
            return nearest
        place = np.clip(units, 0.0, (columns - 1, rows - 1))
        column, row = np.minimum(place.astype(np.int64), (columns - 2, rows - 2)).T
        right, up = place[:, 0] - column, place[:, 1] - row
        total = np.zeros(nearest.size)
        whole = np.ones(nearest.size, dtype=np.bool_)
        for down, share_up in ((0, 1.0 - up), (1, up)):
            for along, share_right in ((0, 1.0 - right), (1, right)):
                codes = layer.codes[row + down, column + along]
                whole &= codes != NONE_CODE
                total += share_up * share_right * codes
        return np.where(whole, layer.offset + layer.scale * total, nearest)
