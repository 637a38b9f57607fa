"""The ground on a grid, ready to be asked about hundreds of thousands of points. Pure.

Every layer is a grid of 16-bit numbers with a scale. What lies outside the mapped land is not
known (NaN); what is not there at all, such as a road, is infinitely far.
"""

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from windowwatch.errors import GroundError, InputError
from windowwatch.ground.grid import Grid
from windowwatch.ground.plane import FloatArray
from windowwatch.ground.query.routes import Routes, Way
from windowwatch.ground.tags import Cover

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
        times = [self.value(f"drive_min/{known[base]}", units) for base in bases]
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
        steps = [float(self.value(name, unit[None])[0]) for name in WALK_STARTS
                 if name in self.layers]  # fmt: skip
        if self.routes is None or len(steps) < 2 or not np.all(np.isfinite(steps)):
            return None
        column, row = np.floor(unit + 0.5) + np.array(steps[::-1])
        if not np.isfinite(self.value("walk_min", unit[None])[0]):
            return None
        cell = int(row) * self.grid.columns + int(column)
        numbers = [number for number, base in enumerate(self.bases) if base.name in bases]
        return self.routes.way(numbers, cell)

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
