"""What the landing asks: on water, where it must not be, and in how much wind."""

import numpy as np
from numpy.typing import NDArray

from windowwatch.ground.query.features import AreaKind, Ground
from windowwatch.physics.flights import Flights
from windowwatch.physics.surface import SurfaceGrid
from windowwatch.scoring.answer import Measure, nothing_known
from windowwatch.scoring.casualty import casualty_expectation
from windowwatch.scoring.facts import Fact, Gap, Missing, MostNear
from windowwatch.scoring.flight import landed
from windowwatch.scoring.mapped import Landings
from windowwatch.scoring.plan import ScoringPlan

FloatArray = NDArray[np.float64]

#: Less land than this at a point of the forecast's land mask is water. [1]
LAND_FROM = 0.5
#: Layer of the ground file that counts people.
PEOPLE = "people_per_km2"


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
    """Water where the land mask or the map says so; either alone is enough to be asked."""
    mapped = ground.areas is not None and AreaKind.WATER in ground.areas.kinds
    here = Landings.of(flights, ground)
    if surface.land_fraction is None and not mapped and here is None:
        return nothing_known("water", flights.status.shape[0], Missing(Gap.WATER))
    down = landed(flights)
    latitude, longitude = _points(flights, down)
    wet = np.zeros(latitude.size)
    if surface.land_fraction is not None:
        land = land_fraction_at(surface, latitude, longitude)
        wet = np.where(np.isnan(land), np.nan, (land < LAND_FROM).astype(np.float64))
    if here is not None:
        fine = here.wet()  # what the mask does not know, the map may
        if surface.land_fraction is None and not mapped:
            wet = fine
        wet = np.where(np.isnan(wet), fine, np.where(fine == 1.0, 1.0, wet))
    if mapped and ground.areas is not None:
        wet[ground.areas.contains(latitude, longitude, [AreaKind.WATER])] = 1.0
    return Measure("water", _spread(wet, down))


def _no_landing(flights: Flights, ground: Ground, plan: ScoringPlan) -> Measure:
    """Landings in or too near an area that must not be landed on."""
    hours = flights.status.shape[0]
    here = Landings.of(flights, ground)
    near = None
    if here is not None:
        near = here.near(plan.no_landing_kinds, plan.no_landing_distance_m)
    if ground.areas is None:
        if here is None or near is None:
            return nothing_known("no_landing", hours, Missing(Gap.AREAS))
        return Measure("no_landing", here.spread(near))
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
    if near is not None:
        hit |= near == 1.0
    return Measure("no_landing", _spread(hit.astype(np.float64), down), tuple(facts))


def _casualty(flights: Flights, ground: Ground, plan: ScoringPlan) -> Measure:
    """Expected casualties of each landing, in a million flights."""
    hours = flights.status.shape[0]
    if plan.impact is None:
        return nothing_known("casualty", hours, Missing(Gap.IMPACT))
    here = Landings.of(flights, ground)
    counted = here is not None and PEOPLE in here.rasters.layers
    if ground.areas is None and not counted:
        return nothing_known("casualty", hours, Missing(Gap.AREAS))
    down = landed(flights)
    people, most = np.full(np.count_nonzero(down), np.nan), 0.0
    if ground.areas is not None:
        people = ground.areas.people_per_km2(*_points(flights, down))
        most = max([area.people_per_km2 or 0.0 for area in ground.areas.areas])
    if here is not None and counted:
        here_people = here.rasters.value(PEOPLE, here.units)
        here_people[np.isinf(here_people)] = np.nan
        people = np.fmax(people, here_people)
        most = max(most, here.rasters.largest(PEOPLE))
    people = np.where(np.isnan(people), plan.impact.people_per_km2, people)
    speed, wind = flights.landing_speed_mps[down], flights.landing_wind_mps[down]
    hurt = 1e6 * casualty_expectation(plan.impact, speed, wind, people)
    worst = 1e6 * casualty_expectation(
        plan.impact, speed, wind, max(most, plan.impact.people_per_km2)
    )
    return Measure("casualty", _spread(hurt, down), worst=float(np.max(worst, initial=0.0)))


def _points(flights: Flights, down: NDArray[np.bool_]) -> tuple[FloatArray, FloatArray]:
    """Latitudes and longitudes of the landings [K]. [deg]"""
    return flights.landing_latitude_deg[down], flights.landing_longitude_deg[down]


def _spread(values: FloatArray, down: NDArray[np.bool_]) -> FloatArray:
    """Values of the landings [K] back in the shape of the flights, NaN for the lost."""
    spread = np.full(down.shape, np.nan)
    spread[down] = values
    return spread
