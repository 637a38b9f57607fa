"""When nothing is heard: where it must be by now, from where it is seen, and how to search. Pure.

Named rules
-----------
goes on as estimated
    Without reports it is where the middle flight of the last estimate is at that time. The area
    in which it is grows from nothing at the last report to that of the landing, evenly in time:
    what is wrong with the wind hangs together over a descent. After the landing it stays.
line of sight
    A straight line over an Earth whose radius is 4/3 of its own, which stands for the usual
    bending of radio waves (ITU-R P.310, effective Earth radius; ITU-R P.526, section 4, for the
    bulge d1 d2 / 2 k a between two places). Terrain counts, trees and houses do not.
search order
    Cells of the 90 % area by the probability that the payload lies there over the minutes that it
    costs to look: walk from the road, and walk to and fro in strips as wide as one sees. The
    landings are taken as normal about their middle, with the 90 % area as their 90 %.
"""

from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

import numpy as np

from windowwatch.chase.values import Estimate
from windowwatch.clock import from_unix_s, to_unix_s
from windowwatch.ground.tags import Cover
from windowwatch.physics.earth import destination, distance_m
from windowwatch.physics.spread import Footprint
from windowwatch.units import FloatArray

if TYPE_CHECKING:  # takes long to load, and whoever looks only reads
    from windowwatch.ground.query.rasters import Rasters


#: Radius of the Earth in the line of sight: 4/3 of the mean radius. [m] ITU-R P.310.
SIGHT_RADIUS_M = 4.0 / 3.0 * 6_371_000.0
#: Terrain is looked at in such steps, but no more often than so along a line. [m], [1]
_STEP_M, _MOST_STEPS = 100.0, 600
#: Moments at which it is asked whether it is seen.
_MOMENTS = 40
#: Strips that one sees while walking, in the open and among trees, and at what pace. [m], [m/s]
#: Judgement, no source; 4 km/h is that of ground files over rough pasture.
STRIP_M, FOREST_STRIP_M, SEARCH_MPS = 40.0, 15.0, 4.0 / 3.6
#: Side of a searched cell, at least; and so many cells there are at most. [m], [1]
_SIDE_M, _MOST_CELLS = 100.0, 400
#: Radii of 90 % of a normal spread in two dimensions, in standard deviations: √(2 ln 10).
_IN_90 = float(np.sqrt(2.0 * np.log(10.0)))


@dataclass(frozen=True)
class Whereabouts:
    """Where it must be by now.

    `reach_m` is half the long axis of the area that holds it in nine of ten. [deg], [m]
    """

    latitude_deg: float
    longitude_deg: float
    height_m: float
    reach_m: float
    landed: bool


def whereabouts(estimate: Estimate, when_utc: datetime) -> Whereabouts:
    """Where it is at a time after the last report, as that estimate has it."""
    line_s = np.array(estimate.line_unix_s)
    now_s = float(np.clip(to_unix_s(when_utc), line_s[0], line_s[-1]))
    high = float(np.interp(now_s, line_s, estimate.line_50_m))
    spot = estimate.landing
    begin_s, end_s = to_unix_s(estimate.report_utc), to_unix_s(estimate.landing_utc)
    share = (to_unix_s(when_utc) - begin_s) / max(end_s - begin_s, 1.0)
    if share >= 1.0:
        ground_m = float(estimate.way_height_m[-1])
        return Whereabouts(spot.latitude_deg, spot.longitude_deg, ground_m, spot.major_90_m, True)
    falls = estimate.burst_utc is None or when_utc > estimate.burst_utc
    latitude, longitude = _on_way(estimate, high, falls=falls)
    return Whereabouts(latitude, longitude, high, max(share, 0.0) * spot.major_90_m, False)


def _on_way(estimate: Estimate, high_m: float, *, falls: bool) -> tuple[float, float]:
    """Where the middle flight is at a height, on its way up or down."""
    height = np.array(estimate.way_height_m)
    top = int(np.argmax(height))
    part = slice(top, None) if falls else slice(0, top + 1)
    turn = -1 if falls else 1  # heights must rise to be looked up in
    up = np.maximum.accumulate(height[part][::turn])
    lon = np.unwrap(estimate.way_longitude_deg, period=360.0)[part][::turn]
    lat = np.array(estimate.way_latitude_deg)[part][::turn]
    return float(np.interp(high_m, up, lat)), float(np.interp(high_m, up, lon))


def bulge_m(before_m: FloatArray, behind_m: FloatArray) -> FloatArray:
    """How far the curved Earth stands up into a line of sight, so far from its ends. [m]"""
    return np.asarray(before_m * behind_m / (2.0 * SIGHT_RADIUS_M))


def lowest_seen_m(
    rasters: "Rasters", eye: tuple[float, float], target: tuple[float, float], antenna_m: float
) -> float | None:
    """Height above the sea from which on a tracker over a place is in sight of a crew. [m]

    Parameters
    ----------
    rasters : Rasters
        With terrain.
    eye, target : (float, float)
        Latitude and longitude of the crew, and of the place below the tracker. [deg]
    antenna_m : float
        Of the crew, above the ground. [m]

    Returns
    -------
    float or None
        None where the terrain between is not known throughout.
    """
    if "height_m" not in rasters.layers:
        return None
    far_m = float(distance_m(*eye, *target))
    count = int(np.clip(np.ceil(far_m / _STEP_M), 2, _MOST_STEPS))
    share = np.linspace(0.0, 1.0, count + 1)
    ends = rasters.units(np.array([eye[0], target[0]]), np.array([eye[1], target[1]]))
    ground = rasters.value("height_m", ends[0] + share[:, None] * (ends[1] - ends[0]))
    if not np.isfinite(ground).all():
        return None
    own = float(ground[0]) + antenna_m
    along = share[1:] * far_m
    between = ground[1:] + bulge_m(along, far_m - along)
    needed = own + (between - own) / share[1:]
    return float(max(np.max(needed), ground[-1]))


@dataclass(frozen=True)
class Sight:
    """Until when a place has the tracker in sight, as estimated.

    `until_utc` is None where it is never in sight any more; `to_ground` says that it is in sight
    until it lies on the ground. `lowest_m` is the height at which it is last seen. [m]
    """

    until_utc: datetime | None
    lowest_m: float | None
    to_ground: bool


def sight(
    rasters: "Rasters",
    eye: tuple[float, float],
    estimate: Estimate,
    now_utc: datetime,
    antenna_m: float,
) -> Sight | None:
    """Until when a crew at a place has the tracker in sight; None where terrain is not known."""
    begin_s = max(to_unix_s(now_utc), to_unix_s(estimate.report_utc))
    end_s = to_unix_s(estimate.landing_utc)
    if begin_s >= end_s:
        return None
    seen: Sight = Sight(None, None, False)
    for moment_s in np.linspace(begin_s, end_s, _MOMENTS):
        when = from_unix_s(float(moment_s))
        place = whereabouts(estimate, when)
        lowest = lowest_seen_m(rasters, eye, (place.latitude_deg, place.longitude_deg), antenna_m)
        if lowest is None:
            return None
        if place.height_m >= lowest - 0.5:
            seen = Sight(when, place.height_m, bool(moment_s == end_s))
    return seen


@dataclass(frozen=True)
class SearchCell:
    """A cell to be searched.

    Attributes
    ----------
    latitude_deg, longitude_deg : float
        Its middle. [deg]
    probability : float
        That the payload lies in it. [1]
    walk_min, look_min : float
        Walk there from the road, and search of it. [min]
    """

    latitude_deg: float
    longitude_deg: float
    probability: float
    walk_min: float
    look_min: float

    @property
    def minutes(self) -> float:
        """What it costs to look there. [min]"""
        return self.walk_min + self.look_min


@dataclass(frozen=True)
class Search:
    """In which order to search; what cannot be walked to is told, and not in it.

    `water` and `unreached` are the probability that lies on water, and where nobody gets on foot
    or no map says so. `side_m` is that of a cell. [1], [m]
    """

    cells: tuple[SearchCell, ...]
    side_m: float
    water: float
    unreached: float


def search_order(rasters: "Rasters", area: Footprint) -> Search | None:
    """Cells of the 90 % area, the most probability for a minute first.

    Returns
    -------
    Search or None
        None where the ground file has no terrain: walks are not known then.
    """
    if not {"walk_min", "height_m"} <= set(rasters.layers):
        return None
    latitude, longitude, probability, side = _cells(area)
    units = rasters.units(latitude, longitude)
    walk = rasters.value("walk_min", units)
    wet = rasters.covered(units, [Cover.WATER]) == 1.0
    trees = rasters.covered(units, [Cover.FOREST]) == 1.0
    strip = np.where(trees, FOREST_STRIP_M, STRIP_M)
    look = side**2 / strip / SEARCH_MPS / 60.0
    there = np.isfinite(walk) & ~wet
    rate = np.where(there, probability / (np.where(there, walk, 0.0) + look), -np.inf)
    order = np.argsort(-rate, kind="stable")[: np.count_nonzero(there)]
    cells = tuple(
        SearchCell(*values)
        for values in np.column_stack([latitude, longitude, probability, walk, look])[
            order
        ].tolist()
    )
    return Search(
        cells,
        side,
        float(probability[wet].sum()),
        float(probability[~there & ~wet].sum()),
    )


def _cells(area: Footprint) -> tuple[FloatArray, FloatArray, FloatArray, float]:
    """Middles of square cells inside of the 90 % area, their probability, and their side."""
    major, minor = max(area.major_90_m, 1.0), max(area.minor_90_m, 1.0)
    side = max(_SIDE_M, float(np.sqrt(np.pi * major * minor / _MOST_CELLS)))
    along, across = (
        side * np.arange(-np.ceil(half / side), np.ceil(half / side) + 1) for half in (major, minor)
    )
    a, b = (grid.ravel() for grid in np.meshgrid(along, across))
    radius = np.hypot(a / major, b / minor)
    inner = radius <= 1.0
    a, b, radius = a[inner], b[inner], radius[inner]
    density = np.exp(-0.5 * (_IN_90 * radius) ** 2)
    turn = np.degrees(np.arctan2(b, a))
    latitude, longitude = destination(
        area.latitude_deg, area.longitude_deg, area.bearing_deg + turn, np.hypot(a, b)
    )
    return latitude, longitude, 0.9 * density / density.sum(), side
