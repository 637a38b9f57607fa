"""The flights of one site, scored: what a pass does for each of its sites."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from windowwatch.clock import from_unix_s, to_unix_s
from windowwatch.forecast.cycle import CycleData
from windowwatch.physics.flights import Flights, Launches, fly
from windowwatch.physics.neighbourhood import draw_shifts
from windowwatch.physics.paths import FlightPath, fly_paths
from windowwatch.physics.spread import Draws, draw_surface_errors, make_draws
from windowwatch.physics.winderror import error_scale
from windowwatch.scoring.airways import AirWatch
from windowwatch.scoring.detail import HourDetail
from windowwatch.scoring.drawing import hour_details
from windowwatch.scoring.hour import score_site
from windowwatch.scoring.values import Hour, Site
from windowwatch.storage.cycles import Role
from windowwatch.watch.carry import past_end
from windowwatch.watch.values import Watch


@dataclass(frozen=True)
class Flown:
    """One site's launch hours, every flight behind them, and what the hours are drawn with.

    `ended` names those that could not be read because the cycle ends before them (see `carry`).
    """

    hours: tuple[Hour, ...]
    flights: Flights
    details: tuple[HourDetail, ...]
    ended: frozenset[tuple[str, datetime]]


def fly_and_score(
    data: CycleData,
    watch: Watch,
    site: Site,
    times: tuple[datetime, ...],
    now_utc: datetime | None = None,
) -> Flown:
    """Every launch hour of one site, and every flight (launch hour × member × draw) behind it."""
    count = len(times)
    launches = Launches(
        latitude_deg=np.full(count, site.latitude_deg),
        longitude_deg=np.full(count, site.longitude_deg),
        height_m=np.full(count, site.height_m),
        time_unix_s=np.array([to_unix_s(t) for t in times]),
    )
    stream: dict[str, Any] = {
        "count": watch.draws,
        "watch": watch.name,
        "cycle_id": data.cycle.id,
        "site": site.name,
        "cycle_unix_s": data.wind.cycle_unix_s,
        "wind_error_scale": error_scale(len(data.wind.member_labels)),
    }
    draws = make_draws(watch.train, launches, **stream)
    airways = AirWatch(watch.ground, watch.plan, (count, len(data.wind.member_labels), watch.draws))
    flights = fly(
        data.wind, launches, watch.train, draws, watching=airways if airways.needed else None
    )
    hours = score_site(
        site,
        launches.time_unix_s,
        flights,
        data.surface,
        watch.ground,
        watch.plan,
        draw_surface_errors(launches, **stream),
        airways.crossings(),
        None if now_utc is None else to_unix_s(now_utc),
        draw_shifts(
            watch.draws,
            watch=watch.name,
            cycle_id=data.cycle.id,
            site=site.name,
            cycle_unix_s=data.wind.cycle_unix_s,
        ),
    )

    # What another model says is never drawn: its middle flights need not be flown again.
    details: tuple[HourDetail, ...] = ()
    if watch.role is not Role.OPINION:
        details = _drawn(data, watch, site, hours, (launches, draws, flights))
    ended = past_end(
        hours,
        flights.status,
        watch.plan,
        air_until_utc=from_unix_s(float(data.wind.time_unix_s[-1])),
        surface_until_utc=from_unix_s(float(data.surface.time_unix_s[-1])),
    )
    return Flown(hours, flights, details, ended)


def _drawn(
    data: CycleData,
    watch: Watch,
    site: Site,
    hours: tuple[Hour, ...],
    flown: tuple[Launches, Draws, Flights],
) -> tuple[HourDetail, ...]:
    launches, draws, flights = flown

    def again(
        launch: NDArray[np.intp], member: NDArray[np.intp], draw: NDArray[np.intp]
    ) -> tuple[FlightPath, ...]:
        return fly_paths(
            data.wind, launches, watch.train, draws, launch=launch, member=member, draw=draw
        )

    return hour_details(site, hours, flights, again, watch.ground, watch.plan)
