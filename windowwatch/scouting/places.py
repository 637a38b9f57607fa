"""Candidate places out of a ground file: by a road, on open ground, at a spacing. Pure.

A spot is where a car may stop by a road to which roads lead from the watch's sites or crews; the
ground file has one for every cell with such a road.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import hypot

import numpy as np

from windowwatch.errors import InputError
from windowwatch.ground.query.features import AreaKind, Ground
from windowwatch.ground.query.rasters import NONE_CODE, Rasters
from windowwatch.ground.query.roadnet import net_of
from windowwatch.ground.region import Region
from windowwatch.ground.tags import Cover
from windowwatch.physics.earth import distance_m
from windowwatch.scoring.values import Site
from windowwatch.scouting.values import LeftOut, Place
from windowwatch.units import BoolArray, FloatArray, IntArray, wrap_longitude_deg

#: Land that people live on, land that is shut, and land that has no open ground.
_BUILT_UP = (Cover.BUILT_UP, Cover.CROWD)
_NO_GO = (Cover.INDUSTRY, Cover.AERODROME, Cover.MILITARY, Cover.NO_ENTRY)
_COVERED = (Cover.FOREST, Cover.WETLAND, Cover.WATER)
_NO_GO_AREAS = (AreaKind.INDUSTRY, AreaKind.AERODROME, AreaKind.MILITARY, AreaKind.NO_ENTRY)
_COVERED_AREAS = (AreaKind.FOREST, AreaKind.WETLAND, AreaKind.WATER)
#: Points a side by which it is found how much of a region lies off the map.
_ASKED_A_SIDE = 60
#: Layer of the ground file that knows how high the ground is.
_HEIGHT = "height_m"
#: More places than this are refused: a row of them is stored, and drawn. Judgement.
MOST_PLACES = 3000
#: Places that the first, coarse look is made of, as a share of all, and how many at least.
COARSE_SHARE, COARSE_LEAST = 0.125, 12


@dataclass(frozen=True)
class Candidates:
    """Places of a region, and the spots that became none.

    Parameters
    ----------
    places : tuple of Place
        In the order in which they are flown.
    start : int array [P]
        At which of the ground file's starts of walks each lies; of no meaning where it keeps no
        roads.
    left_out, off_map : tuple of (str, int), float
        As of `Scouting`.
    """

    places: tuple[Place, ...]
    start: IntArray
    left_out: tuple[tuple[str, int], ...]
    off_map: float


def coarse_count(places: int) -> int:
    """How many of the first places a coarse look is made of."""
    return min(places, max(COARSE_LEAST, round(COARSE_SHARE * places)))


def find_places(
    ground: Ground,
    region: Region,
    spacing_km: float,
    sites: Sequence[Site],
    span_unix_s: tuple[float, float],
) -> Candidates:
    """Candidate places of a region.

    Parameters
    ----------
    ground : Ground
        With a ground file; where that keeps no roads, spots lie in cells by a road.
    region : Region
    spacing_km : float
        No two places are nearer to each other. [km]
    sites : sequence of Site
        Of the watch; a place has the time zone of the nearest.
    span_unix_s : (float, float)
        From the first to the last moment asked: closed airspace counts where it is active then.

    Raises
    ------
    InputError
        If there is no ground file, the region lies outside of it, no spot is left,
        or there are too many places.
    """
    rasters = ground.rasters
    if rasters is None or "road_m" not in rasters.layers:
        raise InputError(
            "places are looked for by the roads of a ground file, and there is none; make one with "
            "`windowwatch ground build` and name it in [ground] file"
        )
    x, y = _by_roads_m(rasters)
    latitude, longitude = rasters.grid.plane.backward(x, y)
    longitude = wrap_longitude_deg(longitude)
    spots = np.flatnonzero(region.holds(latitude, longitude))
    if spots.size == 0:
        raise _nothing_in(region, rasters)
    at = _Spots(latitude[spots], longitude[spots], rasters)
    counts, left = _sieved(at, ground, span_unix_s)
    kept = _spaced(x[spots[left]], y[spots[left]], 1000.0 * spacing_km)
    counts.append((str(LeftOut.CLOSE), left.size - kept.size))
    told = tuple((why, count) for why, count in counts if count)
    if kept.size == 0:
        reasons = ", ".join(f"{count} {why}" for why, count in told)
        raise InputError(
            f"none of {spots.size} spots by roads in the region can be a place ({reasons}); give "
            "another region"
        )
    if kept.size > MOST_PLACES:
        fits = spacing_km * (kept.size / MOST_PLACES) ** 0.5 * 1.1
        raise InputError(
            f"{kept.size} places are too many (at most {MOST_PLACES}); give a greater spacing, "
            f"about {fits:.1f} km, or a smaller region"
        )
    chosen = left[kept]
    chosen = chosen[_evenly(x[spots[chosen]], y[spots[chosen]])]
    heights = at.height_m[chosen]
    places = tuple(
        Place(
            name=f"P{number:0{len(str(chosen.size))}d}",
            latitude_deg=round(float(at.latitude_deg[spot]), 5),
            longitude_deg=round(float(at.longitude_deg[spot]), 5),
            height_m=round(float(height)) if np.isfinite(height) else float("nan"),
            time_zone=_nearest(sites, at.latitude_deg[spot], at.longitude_deg[spot]).time_zone,
            height_of="map" if np.isfinite(height) else "forecast",
        )
        for number, (spot, height) in enumerate(zip(chosen, heights, strict=True), start=1)
    )
    return Candidates(places, spots[chosen], told, _off_map(region, rasters))


def _by_roads_m(rasters: Rasters) -> tuple[FloatArray, FloatArray]:
    """Where spots lie on the plane of the file [K]: on its roads, or where cells have one. [m]"""
    roads = net_of(rasters)
    if roads is not None:
        x, y = roads.stop_m.T
        return x, y
    layer, grid = rasters.layers["road_m"], rasters.grid
    nearby = layer.offset + layer.scale * layer.codes.ravel() <= grid.cell_m / 2.0
    x, y = grid.middles_m(0, grid.rows)[nearby & (layer.codes.ravel() != NONE_CODE)].T
    return x, y


class _Spots:
    """Spots by roads [K] and where they lie on the ground file."""

    def __init__(self, latitude_deg: FloatArray, longitude_deg: FloatArray, on: Rasters) -> None:
        self.latitude_deg, self.longitude_deg = latitude_deg, longitude_deg
        self._rasters, self._units = on, on.units(latitude_deg, longitude_deg)
        self.mapped = on.mapped(self._units)
        self.height_m = np.full(latitude_deg.shape, np.nan)
        if _HEIGHT in on.layers:
            height = on.value(_HEIGHT, self._units)
            self.height_m = np.where(np.isfinite(height), height, np.nan)

    def on(self, kinds: Sequence[Cover]) -> BoolArray:
        """Which spots lie on land of some kinds."""
        return np.asarray(self._rasters.covered(self._units, kinds) == 1.0)


def _sieved(
    at: _Spots, ground: Ground, span_unix_s: tuple[float, float]
) -> tuple[list[tuple[str, int]], IntArray]:
    """How many spots each reason takes away, and which are left."""
    place = at.latitude_deg, at.longitude_deg
    low = np.where(np.isnan(at.height_m), 0.0, at.height_m)

    def areas(kinds: Sequence[AreaKind]) -> BoolArray:
        if ground.areas is None:
            return np.zeros(low.shape, dtype=np.bool_)
        return ground.areas.contains(*place, kinds)

    shut = np.zeros(low.shape, dtype=np.bool_)
    if ground.airspace is not None:
        shut = ground.airspace.closed_at(*place, low, span_unix_s)
    outside = np.zeros(low.shape, dtype=np.bool_)
    if ground.permitted is not None:
        outside = ~ground.permitted.holds(*place)
    free, counts = np.ones(low.shape, dtype=np.bool_), []
    for why, taken in (
        (LeftOut.OFF_MAP, ~at.mapped),
        (LeftOut.BUILT_UP, at.on(_BUILT_UP) | areas([AreaKind.TOWN])),
        (LeftOut.NO_GO, at.on(_NO_GO) | areas(_NO_GO_AREAS)),
        (LeftOut.COVERED, at.on(_COVERED) | areas(_COVERED_AREAS)),
        (LeftOut.AIRSPACE, shut),
        (LeftOut.NOT_PERMITTED, outside),
    ):
        counts.append((str(why), int(np.count_nonzero(free & taken))))
        free &= ~taken
    return counts, np.flatnonzero(free).astype(np.int64)


def _spaced(x_m: FloatArray, y_m: FloatArray, apart_m: float) -> IntArray:
    """Points no two of which are nearer than so much, and to which none can be added.

    Those that lie nearest to the points of a square lattice come first, so that they lie evenly.
    """
    if x_m.size == 0:
        return np.zeros(0, dtype=np.int64)
    lattice = np.hypot(*(np.mod(v + apart_m / 2.0, apart_m) - apart_m / 2.0 for v in (x_m, y_m)))
    held: dict[tuple[int, int], list[int]] = {}
    columns, rows = (np.floor(v / apart_m).astype(np.int64).tolist() for v in (x_m, y_m))
    xs, ys, kept = x_m.tolist(), y_m.tolist(), []
    for point in np.lexsort((x_m, y_m, np.rint(lattice))).tolist():
        column, row = columns[point], rows[point]
        near = (
            other
            for i in (column - 1, column, column + 1)
            for j in (row - 1, row, row + 1)
            for other in held.get((i, j), ())
        )
        if all(hypot(xs[point] - xs[o], ys[point] - ys[o]) >= apart_m for o in near):
            held.setdefault((column, row), []).append(point)
            kept.append(point)
    return np.array(sorted(kept), dtype=np.int64)


def _evenly(x_m: FloatArray, y_m: FloatArray) -> IntArray:
    """An order in which each point is the farthest from all before it: the middle one first."""
    middle = np.hypot(x_m - x_m.mean(), y_m - y_m.mean())
    order = [int(np.argmin(middle))]
    away = np.full(x_m.size, np.inf)
    for _ in range(x_m.size - 1):
        last = order[-1]
        away = np.minimum(away, np.hypot(x_m - x_m[last], y_m - y_m[last]))
        away[last] = -1.0
        order.append(int(np.argmax(away)))
    return np.array(order, dtype=np.int64)


def _nearest(sites: Sequence[Site], latitude_deg: float, longitude_deg: float) -> Site:
    return min(
        sites,
        key=lambda site: float(
            distance_m(site.latitude_deg, site.longitude_deg, latitude_deg, longitude_deg)
        ),
    )


def _nothing_in(region: Region, rasters: Rasters) -> InputError:
    """Why a region has no spot: it lies off the map, or has no road."""
    outline = np.concatenate(region.outline)
    edge = rasters.mapped(rasters.units(outline[:, 0], outline[:, 1]))
    middle = rasters.mapped(rasters.units([region.middle[0]], [region.middle[1]]))
    what = f"region {region.name}" if region.name else "the circle"
    if not (edge.any() or middle.any()):
        return InputError(
            f"{what} lies outside the ground file {rasters.name}; give a region on that map, or "
            "build a ground file that holds it with `windowwatch ground build`"
        )
    return InputError(
        f"{what} has no road on the map {rasters.name} that can be driven to; give a larger region"
    )


def _off_map(region: Region, rasters: Rasters) -> float:
    """Share of a region that lies off the ground file, to about one in a hundred. [1]"""
    corners = np.concatenate(region.outline)
    turned = np.unwrap(corners[:, 1], period=360.0)
    axes = (
        np.linspace(float(values.min()), float(values.max()), _ASKED_A_SIDE + 2)[1:-1]
        for values in (corners[:, 0], turned)
    )
    latitude, longitude = (values.ravel() for values in np.meshgrid(*axes))
    inside = region.holds(latitude, longitude)
    if not inside.any():
        return 0.0
    return float(np.mean(~rasters.mapped(rasters.units(latitude[inside], longitude[inside]))))


def with_heights(candidates: Candidates, terrain_m: FloatArray) -> Candidates:
    """The same with the forecast's ground where the map knows no heights [P]. [m]"""
    places = tuple(
        replace(place, height_m=round(float(below))) if np.isnan(place.height_m) else place
        for place, below in zip(candidates.places, terrain_m, strict=True)
    )
    return replace(candidates, places=places)
