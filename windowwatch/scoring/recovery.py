"""What the recovery asks: how far from a road, and how much daylight is left."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from windowwatch.ground.query.features import Ground
from windowwatch.physics.flights import Flights
from windowwatch.physics.spread import Footprint
from windowwatch.physics.sun import RISE_SET_DEG, solar_elevation_deg, sunset_unix_s
from windowwatch.scoring.answer import Measure, nothing_known
from windowwatch.scoring.facts import Gap, Median, Missing, NotLanded
from windowwatch.scoring.flight import landed
from windowwatch.scoring.mapped import Landings, mapped_measures
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.scoring.values import Site

FloatArray = NDArray[np.float64]

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
    return Measure("road", away, tuple(_median(each) for each in away))


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
