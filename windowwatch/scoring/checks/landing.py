"""What landing and recovery ask: water, hazards, people, wind; roads, the way there, daylight."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from windowwatch.ground.query.features import AreaKind, Ground
from windowwatch.ground.query.rasters import Rasters
from windowwatch.ground.tags import Cover
from windowwatch.physics.flights import Flights
from windowwatch.physics.spread import Footprint
from windowwatch.physics.sun import RISE_SET_DEG, solar_elevation_deg, sunset_unix_s
from windowwatch.physics.surface import SurfaceGrid
from windowwatch.scoring.answer import Measure, nothing_known
from windowwatch.scoring.checks.casualty import casualty_expectation
from windowwatch.scoring.checks.flight import landed
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.scoring.values import (
    Fact,
    Gap,
    Median,
    Missing,
    MostNear,
    NeverReached,
    NotLanded,
    OutOfReach,
    Site,
)
from windowwatch.units import FloatArray

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
#: The layer that is there where the file was built with heights.
TERRAIN = "slope_deg"
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

    def lacking(self, names: Collection[str]) -> Missing | None:
        """Why nothing is known that is asked of these layers; None where all are there."""
        away = tuple(name for name in names if name not in self.rasters.layers)
        return Missing(Gap.LAYER, away) if away else None

    def lacks(self, kinds: Collection[AreaKind]) -> Missing | None:
        """Why `near` is not answered of some kinds; None where it is."""
        return self.lacking([_DISTANCE[kind] for kind in kinds if kind in _DISTANCE])

    def off_map(self) -> tuple[Missing | None, ...]:
        """Why the value of each hour may be missing [N]: landings off the map, where any are."""
        off = self.spread((~self.rasters.mapped(self.units)).astype(np.float64))
        return tuple(Missing(Gap.OFF_MAP) if np.any(hour == 1.0) else None for hour in off)

    def measure(self, name: str, of_landings: FloatArray) -> Measure:
        """A measure of values of the landings [K], NaN off the map."""
        return Measure(name, self.spread(of_landings), missing_at=self.off_map())

    def unknown(self, name: str, missing: Missing) -> Measure:
        """A measure of which the file knows nothing."""
        return nothing_known(name, len(self.down), missing)

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
    built = rasters.covered(units, [Cover.BUILT_UP, Cover.CROWD])
    return [
        here.measure("built_up", built),
        _hazard_line(here, plan),
        here.measure("forest", rasters.covered(units, [Cover.FOREST])),
        here.unknown("slope", flat)
        if (flat := here.lacking([TERRAIN]))
        else here.measure("slope", rasters.value(TERRAIN, units)),
    ]


def _hazard_line(here: Landings, plan: ScoringPlan) -> Measure:
    """Landings too near to any line that one should keep away from."""
    if lacking := here.lacking(HAZARD_LINES):
        return here.unknown("hazard_line", lacking)
    lines = np.array([here.rasters.value(name, here.units) for name in HAZARD_LINES])
    nearby = _not_farther(lines.min(axis=0), plan.hazard_line_distance_m)
    return here.measure("hazard_line", nearby)


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
    road from which the walk is shortest. Without terrain walks were laid over level ground:
    nothing that hangs on them is known then.
    """
    rasters, units, off_map = here.rasters, here.units, here.off_map()
    if lacking := here.lacking(["walk_min"]):
        return [here.unknown(name, lacking) for name in _CREW]
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
        spare = 60.0 * plan.tracker_h - plan.setup_min - there
        tracker = Measure("tracker", spare, missing_at=off_map)
    crew = Measure("crew", late, _reach(late, unreached), never=never, missing_at=off_map)
    if level := here.lacking([TERRAIN]):
        on_foot = ["walk", "arrival_daylight", *(["tracker"] if plan.tracker_h is not None else [])]
        kept = [crew, *([tracker] if plan.tracker_h is None else [])]
        return [*kept, *(here.unknown(name, level) for name in on_foot)]
    return [
        tracker,
        crew,
        Measure("walk", walk, _reach(walk, unreached), never=never, missing_at=off_map),
        Measure("arrival_daylight", left, _reach(left, unreached), never=never, missing_at=off_map),
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


#: Less land than this at a point of the forecast's land mask is water. [1]
LAND_FROM = 0.5
#: Layer of the ground file that counts people.
PEOPLE = "people_per_km2"
#: People in a town or works of which nothing says how many: about what Paris has within its
#: limits (from memory, not checked), more than nearly every town. Judgement, cautious; it is also
#: the least that a landing counts as of which nobody can say who lives there. [km⁻²]
BUILT_UP_PEOPLE_PER_KM2 = 20_000.0


def landing_measures(
    flights: Flights, surface: SurfaceGrid, ground: Ground, plan: ScoringPlan
) -> list[Measure]:
    """Everything that the landing checks look at, shape [N, M, D]; NaN for lost flights."""
    wind = np.where(landed(flights), flights.landing_wind_mps, np.nan)
    speed = np.hypot(wind, flights.landing_speed_mps)
    height = np.where(landed(flights), flights.landing_height_m, np.nan)
    return [
        _water(flights, surface, ground),
        _no_landing(flights, ground, plan),
        Measure("touchdown", speed),
        Measure("landing_height", height),
        Measure("landing_wind", wind),
        *([_casualty(flights, ground, plan)] if "casualty" in plan.limits else []),
    ]


def land_fraction_at(
    surface: SurfaceGrid, latitude_deg: FloatArray, longitude_deg: FloatArray
) -> FloatArray:
    """Land mask at points [K], bilinear; NaN off the grid and where there is no mask. [1]"""
    mask = surface.land_fraction
    if mask is None:
        return np.full(latitude_deg.shape, np.nan)
    west = float(surface.longitude_deg[0])
    row, up = _places(surface.latitude_deg, latitude_deg)
    column, right = _places(surface.longitude_deg, west + np.mod(longitude_deg - west, 360.0))
    above = np.minimum(row + 1, mask.shape[0] - 1)
    beside = np.minimum(column + 1, mask.shape[1] - 1)
    low = mask[row, column] * (1.0 - right) + mask[row, beside] * right
    high = mask[above, column] * (1.0 - right) + mask[above, beside] * right
    return np.asarray(low * (1.0 - up) + high * up, dtype=np.float64)


def _places(axis: FloatArray, at: FloatArray) -> tuple[NDArray[np.intp], FloatArray]:
    """Index below each value on a rising axis, and the part of the way to the next."""
    place = np.interp(at, axis, np.arange(axis.size), left=np.nan, right=np.nan)
    below = np.clip(np.nan_to_num(np.floor(place)), 0, max(axis.size - 2, 0)).astype(np.intp)
    return below, place - below


def _water(flights: Flights, surface: SurfaceGrid, ground: Ground) -> Measure:
    """Water where the land mask or the map says so: where they disagree, the worse counts.

    So land is where both say it, and not known where one of them is silent that there is. A
    source without a mask leaves it to the ground file alone, and the other way round. Areas say
    where water is, and never where none is.
    """
    areas = ground.areas
    mapped = areas is not None and AreaKind.WATER in areas.kinds
    here = Landings.of(flights, ground)
    if surface.land_fraction is None and not mapped and here is None:
        return nothing_known("water", flights.status.shape[0], Missing(Gap.WATER))
    down = landed(flights)
    latitude, longitude = _points(flights, down)
    said = []
    if surface.land_fraction is not None:
        land = land_fraction_at(surface, latitude, longitude)
        said.append(np.where(np.isnan(land), np.nan, (land < LAND_FROM).astype(np.float64)))
    if here is not None:
        said.append(here.wet())
    wet = np.max(said, axis=0) if said else np.full(latitude.size, np.nan)
    wet = np.where(np.any([each == 1.0 for each in said], axis=0), 1.0, wet) if said else wet
    if mapped and areas is not None:
        wet[areas.contains(latitude, longitude, [AreaKind.WATER])] = 1.0
    off_map = () if here is None else here.off_map()
    return Measure("water", _spread(wet, down), missing=Missing(Gap.WATER), missing_at=off_map)


def _no_landing(flights: Flights, ground: Ground, plan: ScoringPlan) -> Measure:
    """Landings in or too near an area that must not be landed on."""
    hours = flights.status.shape[0]
    here, near, lacking = Landings.of(flights, ground), None, None
    if here is not None:
        lacking = here.lacks(plan.no_landing_kinds)
        near = (
            np.full(len(here.units), np.nan)
            if lacking
            else here.near(plan.no_landing_kinds, plan.no_landing_distance_m)
        )
    if ground.areas is None:
        if here is None or near is None:
            return nothing_known("no_landing", hours, Missing(Gap.AREAS))
        if lacking:
            return here.unknown("no_landing", lacking)
        return here.measure("no_landing", near)
    down = landed(flights)
    # A little farther than asked: what is exactly that far must be found by rounding, too.
    index, distance = ground.areas.nearest(
        *_points(flights, down), plan.no_landing_kinds, 1.01 * plan.no_landing_distance_m + 1.0
    )
    hit = (index >= 0) & (distance <= plan.no_landing_distance_m)
    launch = np.broadcast_to(np.arange(hours)[:, None, None], down.shape)[down]
    facts: list[tuple[Fact, ...]] = [()] * hours
    for hour in np.unique(launch[hit]):
        areas, counts = np.unique(index[hit & (launch == hour)], return_counts=True)
        area = ground.areas.areas[areas[np.argmax(counts)]]
        facts[hour] = (MostNear(area.name, str(area.kind)),)
    found = hit.astype(np.float64)
    if near is not None:  # off the map only what the areas forbid is known
        found = np.where(hit, 1.0, near)
    off_map = () if here is None or lacking else here.off_map()
    return Measure("no_landing", _spread(found, down), tuple(facts), lacking, missing_at=off_map)


def _casualty(flights: Flights, ground: Ground, plan: ScoringPlan) -> Measure:
    """Expected casualties of each landing, in a million flights.

    A landing of which nobody can say who lives there (lost, off the map, or where the count is
    silent on land) counts as where most live of all that the map knows; where people are
    counted, as no fewer than in a town without a number, for the densest cell may be silent.
    """
    hours = flights.status.shape[0]
    if plan.impact is None:
        return nothing_known("casualty", hours, Missing(Gap.IMPACT))
    here = Landings.of(flights, ground)
    counted = here is not None and PEOPLE in here.rasters.layers
    if ground.areas is None and not counted:
        return nothing_known("casualty", hours, Missing(Gap.AREAS))
    if here is not None and not counted:  # areas say who lives in them, not who lives elsewhere
        return here.unknown("casualty", Missing(Gap.LAYER, (PEOPLE,)))
    down = landed(flights)
    people, most = _people(flights, ground, here, down, plan.impact.people_per_km2)
    speed, wind = flights.landing_speed_mps[down], flights.landing_wind_mps[down]
    hurt = 1e6 * casualty_expectation(plan.impact, speed, wind, people)
    worst = float(np.max(1e6 * casualty_expectation(plan.impact, speed, wind, most), initial=0.0))
    # without the wind nothing bounds what a landing may do
    return Measure(
        "casualty",
        _spread(hurt, down),
        worst=np.inf if np.isnan(worst) else worst,
        missing_at=() if here is None else here.off_map(),
    )


def _people(
    flights: Flights,
    ground: Ground,
    here: Landings | None,
    down: NDArray[np.bool_],
    country_per_km2: float,
) -> tuple[FloatArray, float]:
    """People about at each landing [K], NaN where nobody can say it, and the most there may be.

    The greatest of what areas and count say. A town without a number has many; where no count is
    given, and on water that the count leaves out, no fewer live than in the country at large.
    """
    people = np.full(np.count_nonzero(down), np.nan)
    most = country_per_km2
    unnumbered = np.zeros(people.size, dtype=np.bool_)
    if ground.areas is not None:
        people = ground.areas.people_per_km2(*_points(flights, down))
        unnumbered = ground.areas.built_up_without_number(*_points(flights, down))
        most = max(most, ground.areas.most_people_per_km2(BUILT_UP_PEOPLE_PER_KM2))
    if here is None:
        people = np.fmax(people, np.where(unnumbered, BUILT_UP_PEOPLE_PER_KM2, np.nan))
        return np.where(np.isnan(people), country_per_km2, people), most
    cells = here.rasters.value(PEOPLE, here.units)
    cells[np.isinf(cells)] = np.nan
    cells = np.where(np.isnan(cells) & (here.wet() == 1.0), country_per_km2, cells)
    found = np.where(np.isnan(cells), np.nan, np.fmax(people, cells))
    return found, max(most, here.rasters.largest(PEOPLE), BUILT_UP_PEOPLE_PER_KM2)


def _points(flights: Flights, down: NDArray[np.bool_]) -> tuple[FloatArray, FloatArray]:
    """Latitudes and longitudes of the landings [K]. [deg]"""
    return flights.landing_latitude_deg[down], flights.landing_longitude_deg[down]


def _spread(values: FloatArray, down: NDArray[np.bool_]) -> FloatArray:
    """Values of the landings [K] back in the shape of the flights, NaN for the lost."""
    spread = np.full(down.shape, np.nan)
    spread[down] = values
    return spread


#: More daylight than this is not told apart; it is also the answer where the sun does not
#: set. [min]
MOST_DAYLIGHT_MIN = 720.0
#: Share of lost flights up to which landings still tell the area to search. [1] Judgement.
MOST_LOST = 0.05


def recovery_measures(
    site: Site, launch_unix_s: FloatArray, flights: Flights, ground: Ground, plan: ScoringPlan
) -> list[Measure]:
    """Everything that the recovery checks look at, and what else a ground file answers.

    Shape [N, M, D]; NaN for lost flights.
    """
    daylight = _landing_daylight(flights)
    return [
        road_measure(flights, ground, plan),
        daylight,
        *mapped_measures(site, launch_unix_s, flights, ground, plan, daylight.values),
    ]


def road_measure(flights: Flights, ground: Ground, plan: ScoringPlan) -> Measure:
    """Distance of each landing to the nearest road that counts. [km]"""
    hours = flights.status.shape[0]
    here = Landings.of(flights, ground) if ground.roads is None else None
    if ground.roads is None and here is None:
        return nothing_known("road", hours, Missing(Gap.ROADS))
    if here is not None and (lacking := here.lacking(["road_m"])):
        return here.unknown("road", lacking)
    if ground.roads is not None and not ground.roads.classes & plan.road_classes:
        wanted = tuple(sorted(plan.road_classes))
        return nothing_known("road", hours, Missing(Gap.ROAD_CLASSES, wanted))
    down = landed(flights)
    away = np.full(down.shape, np.nan)
    if here is not None:  # the file has drivable roads in one layer, whatever their class
        away[down] = here.rasters.value("road_m", here.units)
    elif ground.roads is not None:
        away[down] = ground.roads.distance_m(
            flights.landing_latitude_deg[down],
            flights.landing_longitude_deg[down],
            plan.road_classes,
        )
    away /= 1000.0
    off_map = () if here is None else here.off_map()
    return Measure("road", away, tuple(_median(each) for each in away), missing_at=off_map)


def _median(values: FloatArray) -> tuple[Median, ...]:
    """Median of the values that are known; none where no value is."""
    known = values[~np.isnan(values)]
    return (Median(float(np.median(known))),) if known.size else ()


def search_measure(spots: Sequence[Footprint | None], flights: Flights) -> Measure:
    """Area of the ellipse that holds nine of ten landings of each hour [N, 1, 1]. [km²]

    Lost flights are in no ellipse, and are often those that fly farthest: how many is said,
    and from a small share on the area is not known.
    """
    lost = 1.0 - landed(flights).mean(axis=(1, 2))
    areas = [
        np.nan
        if spot is None or share > MOST_LOST + 1e-9
        else np.pi * spot.major_90_m * spot.minor_90_m / 1e6
        for spot, share in zip(spots, lost, strict=True)
    ]
    facts = tuple((NotLanded(100.0 * float(share)),) if share > 0.0 else () for share in lost)
    missing = Missing(Gap.LOST_LANDINGS, most_pct=100.0 * MOST_LOST)
    return Measure("search_area", np.array(areas).reshape(-1, 1, 1), facts, missing)


def daylight_left_min(
    time_unix_s: FloatArray, latitude_deg: FloatArray, longitude_deg: FloatArray
) -> FloatArray:
    """Time until the next sunset at points [K]; 0 where the sun is down. [min]

    Sunset is where the upper limb meets a level horizon (`physics.sun.RISE_SET_DEG`).
    Never more than 12 h; that much also where the sun does not set.
    """
    sunset = sunset_unix_s(time_unix_s, latitude_deg, longitude_deg)
    up = solar_elevation_deg(time_unix_s, latitude_deg, longitude_deg) > RISE_SET_DEG
    left = np.where(up, (sunset - time_unix_s) / 60.0, 0.0)
    return np.minimum(left, MOST_DAYLIGHT_MIN)


def _landing_daylight(flights: Flights) -> Measure:
    """Daylight left at each landing. [min]"""
    down = landed(flights)
    left = np.full(down.shape, np.nan)
    left[down] = daylight_left_min(
        flights.landing_time_unix_s[down],
        flights.landing_latitude_deg[down],
        flights.landing_longitude_deg[down],
    )
    return Measure("landing_daylight", left)
