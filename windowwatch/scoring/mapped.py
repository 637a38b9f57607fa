"""What the ground file says about the landings: land, hazards, and how a crew gets there."""

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from windowwatch.ground.query.features import AreaKind, Ground
from windowwatch.ground.query.rasters import Rasters
from windowwatch.ground.tags import Cover
from windowwatch.physics.flights import Flights
from windowwatch.scoring.answer import Measure, nothing_known
from windowwatch.scoring.facts import Fact, Gap, Median, Missing, NeverReached, OutOfReach
from windowwatch.scoring.flight import landed
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.scoring.values import Site

FloatArray = NDArray[np.float64]

NO_FILE = Missing(Gap.GROUND_FILE)
#: A walk or a drive that takes longer, or cannot be made at all, counts as this long. [min]
LONGEST_WALK_MIN, LONGEST_DRIVE_MIN = 360.0, 720.0
#: … and an arrival is never said to be later after dark than this. [min]
LATEST_AFTER_DARK_MIN = 240.0
#: Lines that a landing should keep away from.
HAZARD_LINES = ("motorway_m", "railway_m", "power_m")
#: Kinds of land that the ground file knows the distance to, by the settings' words.
_DISTANCE = {
    AreaKind.TOWN: "built_up_m",
    AreaKind.INDUSTRY: "industry_m",
    AreaKind.AERODROME: "aerodrome_m",
    AreaKind.MILITARY: "military_m",
    AreaKind.NO_ENTRY: "no_entry_m",
}
#: … and the others, in which a landing is or is not.
_INSIDE = {
    AreaKind.WATER: Cover.WATER,
    AreaKind.WETLAND: Cover.WETLAND,
    AreaKind.FOREST: Cover.FOREST,
}
_LAND = ("built_up", "hazard_line", "forest", "slope")
_CREW = ("crew", "walk", "tracker", "arrival_daylight")


@dataclass(frozen=True)
class Landings:
    """Landings on the grid of a ground file: which flights [N, M, D], and where [K, 2]."""

    rasters: Rasters
    down: NDArray[np.bool_]
    units: FloatArray

    @classmethod
    def of(cls, flights: Flights, ground: Ground) -> "Landings | None":
        """None where there is no ground file."""
        if ground.rasters is None:
            return None
        down = landed(flights)
        units = ground.rasters.units(
            flights.landing_latitude_deg[down], flights.landing_longitude_deg[down]
        )
        return cls(ground.rasters, down, units)

    def spread(self, values: FloatArray) -> FloatArray:
        """Values of the landings [K] in the shape of the flights, NaN for the lost."""
        spread = np.full(self.down.shape, np.nan)
        spread[self.down] = values
        return spread

    def wet(self) -> FloatArray:
        """1 on water, 0 on land, NaN off the map. [K]"""
        return self.rasters.covered(self.units, [Cover.WATER])

    def near(self, kinds: Collection[AreaKind], within_m: float) -> FloatArray:
        """1 where land of some kinds is no farther than so much, 0 where not, NaN off the map."""
        hits = [
            _not_farther(self.rasters.value(_DISTANCE[kind], self.units), within_m)
            for kind in kinds
            if kind in _DISTANCE
        ]
        inside = [_INSIDE[kind] for kind in kinds if kind in _INSIDE]
        if inside or not hits:
            hits.append(self.rasters.covered(self.units, inside))
        return np.asarray(np.max(hits, axis=0))


def _not_farther(distance_m: FloatArray, within_m: float) -> FloatArray:
    return np.where(np.isnan(distance_m), np.nan, (distance_m <= within_m).astype(np.float64))


def mapped_measures(
    site: Site,
    launch_unix_s: FloatArray,
    flights: Flights,
    ground: Ground,
    plan: ScoringPlan,
    daylight_left_min: FloatArray,
) -> list[Measure]:
    """Everything that only a ground file can answer; shape [N, M, D], NaN for lost flights.

    Parameters
    ----------
    site : Site
    launch_unix_s : array [N]
        [s since 1970 UTC]
    flights, ground, plan
    daylight_left_min : array [N, M, D]
        At each landing. [min]
    """
    here = Landings.of(flights, ground)
    if here is None:
        hours = flights.status.shape[0]
        return [nothing_known(name, hours, NO_FILE) for name in (*_LAND, *_CREW)]
    return [
        *_land(here, plan),
        *_reached(here, site, launch_unix_s, flights, ground, plan, daylight_left_min),
    ]


def _land(here: Landings, plan: ScoringPlan) -> list[Measure]:
    """What the landings lie on, and near to."""
    rasters, units = here.rasters, here.units
    lines = np.array([rasters.value(name, units) for name in HAZARD_LINES])
    built = rasters.covered(units, [Cover.BUILT_UP, Cover.CROWD])
    nearby = _not_farther(lines.min(axis=0), plan.hazard_line_distance_m)
    slope = (
        Measure("slope", here.spread(rasters.value("slope_deg", units)))
        if "slope_deg" in rasters.layers
        else nothing_known("slope", here.down.shape[0], Missing(Gap.LAYER, ("slope_deg",)))
    )
    return [
        Measure("built_up", here.spread(built)),
        Measure("hazard_line", here.spread(nearby)),
        Measure("forest", here.spread(rasters.covered(units, [Cover.FOREST]))),
        slope,
    ]


def _reached(
    here: Landings,
    site: Site,
    launch_unix_s: FloatArray,
    flights: Flights,
    ground: Ground,
    plan: ScoringPlan,
    daylight_left_min: FloatArray,
) -> list[Measure]:
    """How a crew that leaves at the launch gets to the landings.

    It drives from the site, or from where another crew stands by, whichever is sooner, to the
    road from which the walk is shortest.
    """
    rasters, units = here.rasters, here.units
    drive = here.spread(rasters.drive_min([site.name, *ground.crews], units)) * plan.drive_factor
    walk = here.spread(rasters.value("walk_min", units))
    unreached = np.where(here.down, np.isinf(walk) | np.isinf(drive), False)
    never = tuple(_never(hour, plan.quantile) for hour in unreached)
    drive = np.minimum(drive, LONGEST_DRIVE_MIN)
    walk = np.minimum(walk, LONGEST_WALK_MIN)
    launch = np.asarray(launch_unix_s, dtype=np.float64)[:, None, None]
    late = drive - (flights.landing_time_unix_s - launch) / 60.0
    # Later than that says no more, and a time that stands for "never" is not to be read out.
    left = np.maximum(daylight_left_min - np.maximum(late, 0.0) - walk, -LATEST_AFTER_DARK_MIN)
    tracker = nothing_known("tracker", len(here.down))
    if plan.tracker_h is not None:  # switched on when setting up
        there = np.maximum((flights.landing_time_unix_s - launch) / 60.0, drive) + walk
        tracker = Measure("tracker", 60.0 * plan.tracker_h - plan.setup_min - there)
    return [
        tracker,
        Measure("crew", late, _reach(late, unreached), never=never),
        Measure("walk", walk, _reach(walk, unreached), never=never),
        Measure("arrival_daylight", left, _reach(left, unreached), never=never),
    ]


def _never(unreached: NDArray[np.bool_], quantile: float) -> NeverReached | None:
    """Where the crew gets to fewer landings than must be good: how many it does not get to."""
    share = float(np.mean(unreached))
    if share <= 1.0 - quantile:
        return None
    return NeverReached(100.0 * share, 100.0 * (1.0 - quantile))


def _reach(values: FloatArray, unreached: NDArray[np.bool_]) -> tuple[tuple[Fact, ...], ...]:
    """Median of each hour, and the share of flights that nobody can get to."""
    facts = []
    for hour, lost in zip(values, unreached, strict=True):
        here: list[Fact] = []
        if np.any(np.isfinite(hour)):
            here.append(Median(float(np.nanmedian(hour))))
        if np.any(lost):
            here.append(OutOfReach(100.0 * float(np.mean(lost))))
        facts.append(tuple(here))
    return tuple(facts)
