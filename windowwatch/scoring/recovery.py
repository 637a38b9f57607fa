"""What the recovery asks: how far from a road, and how much daylight is left."""

import numpy as np
from numpy.typing import NDArray

from windowwatch.ground.values import Ground
from windowwatch.physics.flights import Flights
from windowwatch.physics.sun import sun_elevation_deg
from windowwatch.scoring.answer import Measure, nothing_known
from windowwatch.scoring.flight import landed
from windowwatch.scoring.plan import ScoringPlan

FloatArray = NDArray[np.float64]

#: Height of the sun's centre at sunset: upper limb on the horizon, zenith distance 90°50′
#: (US Naval Observatory). [deg]
SUNSET_DEG = -50.0 / 60.0
#: Daylight is looked for in steps of this size, up to so many. [min], [1]
STEP_MIN = 20.0
STEPS = 36


def recovery_measures(flights: Flights, ground: Ground, plan: ScoringPlan) -> list[Measure]:
    """Everything that the recovery checks look at, shape [N, M, D]; NaN for lost flights."""
    return [road_measure(flights, ground, plan), _landing_daylight(flights)]


def road_measure(flights: Flights, ground: Ground, plan: ScoringPlan) -> Measure:
    """Distance of each landing to the nearest road that counts. [km]"""
    hours = flights.status.shape[0]
    if ground.roads is None:
        return nothing_known("road", hours, "no map of roads is given")
    if not ground.roads.classes & plan.road_classes:
        wanted = ", ".join(sorted(plan.road_classes))
        return nothing_known("road", hours, f"the map has none of the roads that count ({wanted})")
    down = landed(flights)
    away = np.full(down.shape, np.nan)
    away[down] = ground.roads.distance_m(
        flights.landing_latitude_deg[down], flights.landing_longitude_deg[down], plan.road_classes
    )
    away /= 1000.0
    extra = tuple(
        f" (median {np.nanmedian(here):.1f})" if np.any(known) else ""
        for here, known in zip(away, down, strict=True)
    )
    return Measure("road", away, extra)


def daylight_left_min(
    time_unix_s: FloatArray, latitude_deg: FloatArray, longitude_deg: FloatArray
) -> FloatArray:
    """Time until the next sunset at points [K]; 0 where the sun is down.

    The sun's height is taken as straight over 20 min, which moves sunset by less than a
    minute below 60° of latitude. [min]

    Returns
    -------
    array [K]
        Never more than 12 h; that much also where the sun does not set. [min]
    """
    steps = STEP_MIN * np.arange(STEPS + 1)
    elevation = sun_elevation_deg(
        time_unix_s[:, None] + 60.0 * steps, latitude_deg[:, None], longitude_deg[:, None]
    )
    above = elevation - SUNSET_DEG
    dark = above <= 0.0
    first = np.argmax(dark, axis=1)
    rows = np.arange(first.size)
    before = np.maximum(first - 1, 0)
    falling = above[rows, before] - above[rows, first]
    part = above[rows, before] / np.where(falling > 0.0, falling, 1.0)
    left = np.where(dark[:, 0], 0.0, STEP_MIN * (before + part))
    return np.where(np.any(dark, axis=1), left, STEP_MIN * STEPS)


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
