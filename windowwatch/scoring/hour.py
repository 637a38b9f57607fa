"""Flights, weather and ground in; scored launch hours out."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from windowwatch.clock import from_unix_s
from windowwatch.errors import InputError
from windowwatch.ground.query.features import Ground
from windowwatch.physics.earth import bearing_deg
from windowwatch.physics.flights import Flights
from windowwatch.physics.neighbourhood import Shifts
from windowwatch.physics.spread import Footprint, footprint
from windowwatch.physics.surface import SurfaceGrid
from windowwatch.scoring.answer import (
    Answer,
    Measure,
    answer,
    independent_count,
    wilson_interval,
)
from windowwatch.scoring.checks.flight import (
    Crossings,
    airway_measures,
    flight_measures,
    landed,
    lost_flights,
)
from windowwatch.scoring.checks.landing import landing_measures, recovery_measures, search_measure
from windowwatch.scoring.checks.release import release_measures
from windowwatch.scoring.limits import LIMITS
from windowwatch.scoring.nearby import Finer, NearWeather
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.scoring.values import (
    Hour,
    Refusal,
    RefusalKind,
    Site,
)
from windowwatch.scoring.verdict import rule, worst_names
from windowwatch.units import FloatArray

#: What a chance is worth, of the share of flights and the launch time [s since 1970 UTC].
Mend = Callable[[float, float], float]


def score_site(
    site: Site,
    launch_unix_s: FloatArray,
    flights: Flights,
    surface: SurfaceGrid,
    ground: Ground,
    plan: ScoringPlan,
    speed_error_mps: FloatArray | None = None,
    crossings: Crossings | None = None,
    now_unix_s: float | None = None,
    near: NearWeather | None = None,
    shifts: Shifts | None = None,
    mend: Mend | None = None,
    *,
    outlined: bool = True,
) -> tuple[Hour, ...]:
    """Score every launch hour of a site.

    Parameters
    ----------
    site : Site
    launch_unix_s : array [N]
        Launch hours. [s since 1970 UTC]
    flights : Flights [N, M, D]
        Of these launch hours, in the same order.
    surface : SurfaceGrid
        Members as in `flights`, or one where they share the field.
    ground : Ground
    plan : ScoringPlan
    speed_error_mps : array [N, D], optional
        Drawn errors of the forecast wind speed at the site; they lower the chance, not the
        score. [m s⁻¹]
    crossings : Crossings, optional
        What the flights cross on their way, where that is asked.
    now_unix_s : float, optional
        The present, for what must be done some time before. [s since 1970 UTC]
    near : NearWeather, optional
        What a finer model says near the ground at the site, where one is asked.
    shifts : Shifts, optional
        Drawn displacements [D] of the forecast near the ground; they lower or raise the chance,
        not the score.
    mend : callable, optional
        What a chance is worth, of its share and the launch time; the share is kept beside it.

    Returns
    -------
    tuple of Hour [N]

    Raises
    ------
    InputError
        If the numbers of launch hours or members do not fit together.
    """
    launch = np.asarray(launch_unix_s, dtype=np.float64)
    if launch.ndim != 1 or flights.status.shape[:1] != launch.shape:
        raise InputError(
            f"{launch.size} launch hours, but flights of shape {flights.status.shape}; "
            "the first axis must be the launch hours"
        )
    spots: tuple[Footprint | None, ...] = (None,) * launch.size
    if outlined or "search_area" in plan.limits:
        spots = tuple(_spot(flights.of_launch(i)) for i in range(launch.size))
    measures = [
        measure
        for measure in (
            *release_measures(
                site, launch, flights, surface, plan, speed_error_mps, now_unix_s, shifts
            ),
            *flight_measures(launch, flights, plan),
            *airway_measures(flights, ground, crossings),
            *landing_measures(flights, surface, ground, plan),
            *recovery_measures(site, launch, flights, ground, plan),
            search_measure(spots, flights),
        )
        if measure.name in plan.limits
    ]
    if not measures:
        raise InputError("none of the checks that are asked can be made; give more limits")
    _check_members(measures, flights)
    finer = None if near is None else Finer(site, near, launch, plan, speed_error_mps)
    hours = []
    for i in range(launch.size):
        asked, said = (measures, None) if finer is None else finer.of_hour(i, measures)
        hour = replace(_hour(site, launch, i, flights, asked, plan, mend), near_ground=said)
        hours.append(_with_landings(hour, site, flights, i, spots[i]))
    return tuple(hours)


def _check_members(measures: list[Measure], flights: Flights) -> None:
    """Refuse weather whose members are not those of the flights."""
    members = flights.status.shape[1]
    for measure in measures:
        have = measure.values.shape[1]
        if have not in (1, members) and members != 1:
            raise InputError(
                f"{measure.name} has {have} members, the flights have {members}; "
                "they must be the same members, or one that all share"
            )


def _hour(
    site: Site,
    launch: FloatArray,
    index: int,
    flights: Flights,
    measures: list[Measure],
    plan: ScoringPlan,
    mend: Mend | None = None,
) -> Hour:
    """One launch hour out of all that was measured."""
    answers = [
        answer(measure, index, LIMITS[measure.name], plan.limits[measure.name], plan.quantile)
        for measure in measures
    ]
    checks = tuple(each.check for each in answers)
    here = flights.of_launch(index)
    down = landed(here)
    share, *ends = _chance(answers, down)
    chance, low, high = share, *ends
    if mend is not None and share is not None:
        chance, low, high = (None if x is None else mend(x, launch[index]) for x in (share, *ends))
    ruling = rule(checks, plan, chance, _too_few(here, down, plan))
    if ruling.refused is not None:
        chance = low = high = share = None
    road = next((m for m in measures if m.name == "road"), None)
    return Hour(
        site=site.name,
        time_utc=from_unix_s(launch[index]),
        verdict=ruling.verdict,
        score=ruling.score,
        chance=chance,
        chance_low=low,
        chance_high=high,
        parts=ruling.parts,
        checks=checks,
        worst=worst_names(checks, plan),
        footprint=None,
        refused=ruling.refused,
        road_km=None if road is None else _median(road.values[index]),
        raw_chance=share if chance != share else None,
    )


def _chance(
    answers: list[Answer], down: NDArray[np.bool_]
) -> tuple[float | None, float | None, float | None]:
    """Share of flights in which every check is within its limit, and its 95 % interval.

    A flight that was lost, or of which one value is missing, is not go. When a whole check
    is unknown nobody knows whether any flight's hour is go: there is no chance then.
    """
    passes = down
    for each in answers:
        if each.passes is None:
            return None, None, None
        passes = passes & each.passes
    share = float(np.mean(passes))
    return share, *wilson_interval(share, independent_count(passes))


def _too_few(flights: Flights, down: NDArray[np.bool_], plan: ScoringPlan) -> Refusal | None:
    """Why the flights of an hour cannot be used; None if they can."""
    known = int(np.count_nonzero(down))
    if known < down.size * (1.0 - plan.max_lost_share) - 1e-9:
        kind = RefusalKind.LOST_FLIGHTS
    elif known < plan.min_flights:
        kind = RefusalKind.FEW_FLIGHTS
    else:
        return None
    return Refusal(
        kind, down.size, lost_flights(flights.status), landed=known, needed=plan.min_flights
    )


def _spot(flights: Flights) -> Footprint | None:
    """Footprint of the landings of one launch hour."""
    down = landed(flights)
    return footprint(flights.landing_latitude_deg[down], flights.landing_longitude_deg[down])


def _with_landings(
    hour: Hour, site: Site, flights: Flights, index: int, spot: Footprint | None
) -> Hour:
    """The hour with footprint, drift, bearing and time of landing, where any flight landed."""
    here = flights.of_launch(index)
    down = landed(here)
    if not np.any(down):
        return hour
    if spot is None:
        centre = _middle(here.landing_latitude_deg[down], here.landing_longitude_deg[down])
    else:
        centre = spot.latitude_deg, spot.longitude_deg
    return replace(
        hour,
        footprint=spot,
        drift_km=float(np.median(here.drift_m[down])) / 1000.0,
        bearing_deg=float(bearing_deg(site.latitude_deg, site.longitude_deg, *centre)),
        landing_utc=from_unix_s(float(np.median(here.landing_time_unix_s[down]))),
    )


def _middle(latitude_deg: FloatArray, longitude_deg: FloatArray) -> tuple[float, float]:
    """Mean of places that lie near to one another; longitudes may run over the date line."""
    turned = np.mod(longitude_deg - longitude_deg[0] + 180.0, 360.0) - 180.0
    return float(np.mean(latitude_deg)), float(longitude_deg[0] + np.mean(turned))


def _median(values: FloatArray) -> float | None:
    """Median of the known values; None if there are none."""
    known = values[~np.isnan(values)]
    return float(np.median(known)) if known.size else None
