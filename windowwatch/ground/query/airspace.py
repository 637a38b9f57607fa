"""Airspace: volumes of air that are closed at times, and the area a flight may not leave. Pure.

Outlines are straight in longitude and latitude between their positions (RFC 7946, section
3.1.1). So is a flight between two recorded points, in height and in time, too: what is asked
here is asked of such pieces exactly, however thin a volume is or short its time.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import cached_property
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from windowwatch.errors import InputError
from windowwatch.ground.query.activity import Span, Weekly, merged
from windowwatch.units import BoolArray, FloatArray

IntArray = NDArray[np.intp]
#: Places in arrays [F, S]: flights, and their points.
Places = tuple[IntArray, IntArray]
#: West, south, east, north of each flight [F]; NaN for one without a point. [deg]
Boxes = tuple[FloatArray, FloatArray, FloatArray, FloatArray]


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
        Dates on which it is active … [s since 1970 UTC]
    weekly : tuple of Weekly
        … and times of the week. Where both are empty it is always active.
    """

    name: str
    kind: AirspaceKind
    shape: Any
    floor: Level
    ceiling: Level
    active: tuple[Span, ...] = ()
    weekly: tuple[Weekly, ...] = ()

    @property
    def at_times(self) -> bool:
        """Whether it is active at times only."""
        return bool(self.active or self.weekly)

    def is_over(self, now_unix_s: float) -> bool:
        """Whether it is active at no time from now on. [s]"""
        ends = [end for _, end in self.active] + [each.ends_unix_s for each in self.weekly]
        return bool(ends) and max(ends) < now_unix_s

    def active_within(self, first_unix_s: float, last_unix_s: float) -> tuple[Span, ...]:
        """Spans in which it is active that touch the time from the one to the other. [s]"""
        if not self.at_times:
            return ((-np.inf, np.inf),)
        spans = [each for each in self.active if each[0] <= last_unix_s and each[1] >= first_unix_s]
        for times in self.weekly:
            spans += times.between(first_unix_s, last_unix_s)
        return merged(spans)


@dataclass(frozen=True)
class Paths:
    """Paths of F flights, each of up to S points in order; arrays [F, S].

    Parameters
    ----------
    longitude_deg, latitude_deg, height_m, time_unix_s : array
        Longitudes run on over the date line, and may be counted from anywhere. [deg], [m], [s]
    pressure_heights_m : callable
        Heights that the air pressure stands for in the standard atmosphere at some places:
        the greatest it can be, which decides against floors, and the least, which decides
        against ceilings. Asked only where a flight level is near, because it is most of the
        work. [m]
    count : int array [F]
        How many of the points each flight has; what stands beyond them is never looked at.
    """

    longitude_deg: FloatArray
    latitude_deg: FloatArray
    height_m: FloatArray
    time_unix_s: FloatArray
    pressure_heights_m: Callable[[Places], tuple[FloatArray, FloatArray]]
    count: IntArray

    def heights(self, level: Level, at: Places, *, above: bool) -> FloatArray:
        """Heights at some places, to be held against a floor (`above` it) or a ceiling. [m]"""
        if not level.by_pressure:
            return self.height_m[at]
        greatest, least = self.pressure_heights_m(at)
        return greatest if above else least

    def turns(self) -> Iterator[tuple["Paths", Boxes]]:
        """These paths with longitudes counted so that each part lies once in -180 to 180."""
        longitude, (west, south, east, north) = self._boxes
        first = np.floor((west + 180.0) / 360.0)
        for more in (0.0, 1.0):
            if more and not np.any(east - 360.0 * first > 180.0):
                return
            away = 360.0 * (first + more)
            turned = self
            if np.any(away):
                turned = replace(self, longitude_deg=longitude - away[:, None])
            yield turned, (west - away, south, east - away, north)

    @cached_property
    def _boxes(self) -> tuple[FloatArray, Boxes]:
        """Longitudes, NaN beyond each flight's end, and boxes; asked once for all maps."""
        outside = np.arange(self.longitude_deg.shape[1]) >= self.count[:, None]
        longitude = np.where(outside, np.nan, self.longitude_deg)
        latitude = np.where(outside, np.nan, self.latitude_deg)
        return longitude, (
            np.fmin.reduce(longitude, axis=1, initial=np.nan),
            np.fmin.reduce(latitude, axis=1, initial=np.nan),
            np.fmax.reduce(longitude, axis=1, initial=np.nan),
            np.fmax.reduce(latitude, axis=1, initial=np.nan),
        )


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
        for turned, sides in paths.turns():
            flight, volume = self._tree.query(shapely.box(*sides))
            for number in np.unique(volume):
                near = np.unique(flight[volume == number])
                near = near[~hit[near, number]]
                hit[near, number] = _passes(turned, near, self.closed[number])
        return hit

    def closed_at(
        self,
        latitude_deg: FloatArray,
        longitude_deg: FloatArray,
        height_m: FloatArray,
        span: tuple[float, float],
    ) -> BoolArray:
        """Which points on the ground [K] lie in a closed volume that is active within a span.

        A floor at or below the ground there reaches down to it; a flight level is taken at its
        height in the standard atmosphere. Longitudes are in -180 to 180. [deg], [m], [s]
        """
        hit = np.zeros(latitude_deg.shape, dtype=np.bool_)
        for volume in self.closed:
            if volume.active_within(*span):
                level = (volume.floor.height_m <= height_m) & (height_m <= volume.ceiling.height_m)
                hit |= level & shapely.intersects_xy(volume.shape, longitude_deg, latitude_deg)
        return hit


def _passes(paths: Paths, flights: IntArray, volume: Volume) -> BoolArray:
    """Which of some flights pass through a volume while it is active."""
    found = np.zeros(flights.size, dtype=np.bool_)
    row, step = np.nonzero(_near(paths, flights, volume))
    if not row.size:
        return found
    times = [paths.time_unix_s[flights[row], step + more] for more in (0, 1)]
    for span in volume.active_within(float(np.nanmin(times[0])), float(np.nanmax(times[1]))):
        open_ = ~found[row]
        row, step = row[open_], step[open_]
        kept, low, high = _within(paths, (flights[row], step), span, volume)
        if kept.size:
            at, after = _both_ends((flights[row], step), kept)
            ends = [
                np.stack([v[at] + share * (v[after] - v[at]) for v in _over_ground(paths)])
                for share in (low, high)
            ]
            lines = shapely.linestrings(np.stack(ends).transpose(2, 0, 1))
            inside = shapely.intersects(volume.shape, lines)
            found[row[kept[inside]]] = True
    return found


def _within(
    paths: Paths, pieces: Places, span: tuple[float, float], volume: Volume
) -> tuple[IntArray, FloatArray, FloatArray]:
    """Which pieces are at a volume's heights within a span of time, and from where to where.

    Returns
    -------
    kept : int array [K]
        Of the pieces.
    low, high : float64 array [K]
        Shares of each piece between which it is there. [1]

    Notes
    -----
    Times come first: they are known, and leave few pieces whose pressure is to be found out.
    """
    kept = np.arange(pieces[0].size)
    low, high = np.zeros(kept.size), np.ones(kept.size)

    def time_s(at: Places) -> FloatArray:
        return paths.time_unix_s[at]

    def floor_m(at: Places) -> FloatArray:
        return paths.heights(volume.floor, at, above=True)

    def ceiling_m(at: Places) -> FloatArray:
        return paths.heights(volume.ceiling, at, above=False)

    for values, bound, above in (
        (time_s, span[0], True), (time_s, span[1], False),
        (floor_m, volume.floor.height_m, True), (ceiling_m, volume.ceiling.height_m, False),
    ):  # fmt: skip
        if np.isfinite(bound):
            at, after = _both_ends(pieces, kept)
            _narrow(low, high, values(at), values(after), bound, above=above)
            there = low <= high
            kept, low, high = kept[there], low[there], high[there]
    return kept, low, high


def _both_ends(pieces: Places, kept: IntArray) -> tuple[Places, Places]:
    """Where some pieces begin, and where they end."""
    flight, step = pieces[0][kept], pieces[1][kept]
    return (flight, step), (flight, step + 1)


def _over_ground(paths: Paths) -> tuple[FloatArray, FloatArray]:
    return paths.longitude_deg, paths.latitude_deg


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

    def holds(self, latitude_deg: FloatArray, longitude_deg: FloatArray) -> BoolArray:
        """Which points [K] lie in the area. [deg]"""
        return np.asarray(shapely.intersects_xy(self.shape, longitude_deg, latitude_deg))

    def left(self, paths: Paths) -> BoolArray:
        """Which flights leave the area anywhere on their way over the ground, [F]."""
        out = np.zeros(paths.count.size, dtype=np.bool_)
        for turned, (west, south, east, north) in paths.turns():
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
