"""Airspace: volumes of air that are closed at times, and the area a flight may not leave. Pure.

Outlines are straight in longitude and latitude between their positions (RFC 7946, section
3.1.1). So is a flight between two recorded points, in height and in time, too: what is asked
here is asked of such pieces exactly, however thin a volume is or short its time.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from windowwatch.errors import InputError

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
BoolArray = NDArray[np.bool_]


class AirspaceKind(StrEnum):
    """What a volume of air is to a flight."""

    CLOSED = "closed"  #: must not be entered while it is active
    OPEN = "open"  #: may be entered, for example because it was agreed; kept for the map


@dataclass(frozen=True)
class Level:
    """A floor or a ceiling.

    Parameters
    ----------
    height_m : float
        Above mean sea level; of a flight level the height that it stands for in the standard
        atmosphere. Infinite for no bound. [m]
    by_pressure : bool
        A flight level: what counts is the air pressure that is met, not the true height.
    """

    height_m: float
    by_pressure: bool = False


@dataclass(frozen=True)
class Volume:
    """A volume of air.

    Parameters
    ----------
    name : str
    kind : AirspaceKind
    shape : polygon or multipolygon
        Longitude, latitude. [deg]
    floor, ceiling : Level
    active : tuple of (from, until)
        Times in which it is active; empty: always. [s since 1970 UTC]
    """

    name: str
    kind: AirspaceKind
    shape: Any
    floor: Level
    ceiling: Level
    active: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True)
class Paths:
    """Paths of F flights, each of up to S points in order; arrays [F, S].

    Parameters
    ----------
    longitude_deg, latitude_deg, height_m, time_unix_s : array
        Longitudes run on over the date line, and may be counted from anywhere. [deg], [m], [s]
    pressure_height_m : array
        Height that the air pressure stands for in the standard atmosphere; where it is not
        known exactly, the greatest it can be. It decides against floors. [m]
    count : int array [F]
        How many of the points each flight has.
    least_pressure_height_m : array, optional
        The least that height can be; it decides against ceilings. Left out: it is known. [m]
    """

    longitude_deg: FloatArray
    latitude_deg: FloatArray
    height_m: FloatArray
    time_unix_s: FloatArray
    pressure_height_m: FloatArray
    count: IntArray
    least_pressure_height_m: FloatArray | None = None

    def heights(self, level: Level, *, above: bool) -> FloatArray:
        """Heights [F, S] to be held against a floor (`above` it) or a ceiling. [m]"""
        if not level.by_pressure:
            return self.height_m
        least = self.least_pressure_height_m
        return self.pressure_height_m if above or least is None else least

    def box(self) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        """West, south, east, north of each flight [F]; NaN for one without a point."""
        outside = np.arange(self.longitude_deg.shape[1]) >= self.count[:, None]
        longitude = np.where(outside, np.nan, self.longitude_deg)
        latitude = np.where(outside, np.nan, self.latitude_deg)
        return (
            np.fmin.reduce(longitude, axis=1, initial=np.nan),
            np.fmin.reduce(latitude, axis=1, initial=np.nan),
            np.fmax.reduce(longitude, axis=1, initial=np.nan),
            np.fmax.reduce(latitude, axis=1, initial=np.nan),
        )

    def turns(self) -> Iterator["Paths"]:
        """These paths with longitudes counted so that each part lies once in -180 to 180."""
        west, _, east, _ = self.box()
        first = np.floor((west + 180.0) / 360.0)
        for more in (0.0, 1.0):
            if more and not np.any(east - 360.0 * first > 180.0):
                return
            turned = self.longitude_deg - 360.0 * (first + more)[:, None]
            yield Paths(turned, *(getattr(self, name) for name in _OTHERS))


_OTHERS = (
    "latitude_deg", "height_m", "time_unix_s", "pressure_height_m", "count",
    "least_pressure_height_m",
)  # fmt: skip


class Airspace:
    """Volumes of air that flights can be held against.

    Parameters
    ----------
    volumes : sequence of Volume
        At least one.

    Raises
    ------
    InputError
        If there is none.
    """

    def __init__(self, volumes: Sequence[Volume]) -> None:
        if not volumes:
            raise InputError("a map of airspace needs at least one volume")
        self.volumes: tuple[Volume, ...] = tuple(volumes)
        self.closed: tuple[Volume, ...] = tuple(
            volume for volume in volumes if volume.kind is AirspaceKind.CLOSED
        )
        shapes = np.array([volume.shape for volume in self.closed], dtype=object)
        shapely.prepare(shapes)
        self._tree = shapely.STRtree(shapes)

    def crossed(self, paths: Paths) -> BoolArray:
        """Which flights pass through which of the closed volumes while it is active, [F, V]."""
        hit = np.zeros((paths.count.size, len(self.closed)), dtype=np.bool_)
        for turned in paths.turns():
            west, south, east, north = turned.box()
            boxes = shapely.box(west, south, east, north)
            flight, volume = self._tree.query(boxes)
            for number in np.unique(volume):
                near = np.unique(flight[volume == number])
                near = near[~hit[near, number]]
                hit[near, number] = _passes(turned, near, self.closed[number])
        return hit


def _passes(paths: Paths, flights: IntArray, volume: Volume) -> BoolArray:
    """Which of some flights pass through a volume while it is active."""
    found = np.zeros(flights.size, dtype=np.bool_)
    row, step = np.nonzero(_near(paths, flights, volume))
    at = flights[row], step
    after = flights[row], step + 1
    low, high = np.zeros(row.size), np.ones(row.size)
    for level, above in ((volume.floor, True), (volume.ceiling, False)):
        if np.isfinite(level.height_m):
            values = paths.heights(level, above=above)
            _narrow(low, high, values[at], values[after], level.height_m, above=above)
    spans = volume.active or ((-np.inf, np.inf),)
    for begin, end in spans:
        from_, to = low.copy(), high.copy()
        for bound, above in ((begin, True), (end, False)):
            if np.isfinite(bound):
                times = paths.time_unix_s
                _narrow(from_, to, times[at], times[after], bound, above=above)
        kept = np.flatnonzero((from_ <= to) & ~found[row])
        if kept.size:
            ends = [
                np.stack([a + share[kept] * (b - a) for a, b in _between(paths, at, after, kept)])
                for share in (from_, to)
            ]
            lines = shapely.linestrings(np.stack(ends).transpose(2, 0, 1))
            inside = shapely.intersects(volume.shape, lines)
            found[row[kept[inside]]] = True
    return found


def _near(paths: Paths, flights: IntArray, volume: Volume) -> BoolArray:
    """Which pieces of some flights touch the box round a volume's outline, [flights, S - 1]."""
    near = np.arange(paths.longitude_deg.shape[1] - 1) < paths.count[flights, None] - 1
    west, south, east, north = shapely.bounds(volume.shape)
    for values, low, high in (
        (paths.longitude_deg, west, east),
        (paths.latitude_deg, south, north),
    ):
        here = values[flights]
        below, above = here < low, here > high
        near &= ~(below[:, :-1] & below[:, 1:]) & ~(above[:, :-1] & above[:, 1:])
    return near


def _between(
    paths: Paths, at: tuple[IntArray, IntArray], after: tuple[IntArray, IntArray], kept: IntArray
) -> Iterator[tuple[FloatArray, FloatArray]]:
    """Longitudes, then latitudes, at both ends of some pieces."""
    for values in (paths.longitude_deg, paths.latitude_deg):
        yield values[at][kept], values[after][kept]


def _narrow(
    low: FloatArray, high: FloatArray, first: FloatArray, last: FloatArray, bound: float,
    *, above: bool,
) -> None:  # fmt: skip
    """Narrow the shares `low` to `high` of pieces to where a quantity is past a bound, in place.

    A piece that is never there is left with `low` above `high`.
    """
    rise = last - first
    with np.errstate(divide="ignore", invalid="ignore"):
        share = (bound - first) / rise
    there = (first >= bound) if above else (first <= bound)
    onward = (rise > 0.0) == above  # past the bound after the share, else before it
    level = rise == 0.0
    np.copyto(low, np.where(level | ~onward, low, np.maximum(low, share)))
    np.copyto(high, np.where(level | onward, high, np.minimum(high, share)))
    never = (level & ~there) | ~np.isfinite(first + last)
    high[never], low[never] = -1.0, 2.0


class Permitted:
    """The area that flights must not leave.

    Parameters
    ----------
    shapes : sequence of polygon or multipolygon
        At least one; together they are the area. Longitude, latitude. [deg]
    name : str
        For sentences.
    """

    def __init__(self, shapes: Sequence[Any], name: str) -> None:
        if not shapes:
            raise InputError("a permitted area needs at least one polygon")
        self.shape: Any = shapely.union_all(np.array(shapes, dtype=object))
        self.name = name
        shapely.prepare(self.shape)

    def left(self, paths: Paths) -> BoolArray:
        """Which flights leave the area anywhere on their way over the ground, [F]."""
        out = np.zeros(paths.count.size, dtype=np.bool_)
        for turned in paths.turns():
            west, south, east, north = turned.box()
            some = np.flatnonzero(east >= -180.0)
            boxes = shapely.box(np.maximum(west, -180.0), south, np.minimum(east, 180.0), north)
            within = shapely.covers(self.shape, boxes[some])
            for flight in some[~within]:
                out[flight] |= not _covered(self.shape, turned, int(flight))
        return out


def _covered(shape: Any, paths: Paths, flight: int) -> bool:
    """Tell whether an area covers one flight, or the part of it that lies in -180 to 180."""
    count = int(paths.count[flight])
    points = np.column_stack(
        [paths.longitude_deg[flight, :count], paths.latitude_deg[flight, :count]]
    )
    way: Any = shapely.linestrings(points) if count > 1 else shapely.points(points[0])
    if np.abs(points[:, 0]).max() > 180.0:
        way = shapely.intersection(way, shapely.box(-180.0, -90.0, 180.0, 90.0))
    return bool(shapely.covers(shape, way))
