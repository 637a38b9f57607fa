"""A cycle flown and scored at its sites: nothing here asks for, or keeps, what is stored.

So another process may do it, ahead of its turn (`windowwatch.watch.run.ahead`), without loading
what a database takes.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from windowwatch.child import Progress, give_back_unused_heap, unheard
from windowwatch.clock import from_unix_s, to_unix_s
from windowwatch.errors import WindowwatchError
from windowwatch.forecast.cycle import Cycle, CycleData, SourceFile
from windowwatch.forecast.notes import ChecksNotAsked, Notes
from windowwatch.forecast.sources import require_covers
from windowwatch.learning.record import SiteRecord, record_of
from windowwatch.physics.ensemble import shown_aloft, shown_near_ground
from windowwatch.physics.flights import Flights, FlightStatus, Launches, fly
from windowwatch.physics.neighbourhood import draw_shifts
from windowwatch.physics.paths import FlightPath, fly_paths
from windowwatch.physics.spread import KNOT_HEIGHT_M, Draws, draw_surface_errors, make_draws
from windowwatch.scoring.checks.flight import AirWatch
from windowwatch.scoring.checks.release import WEATHER_CHECKS, barred_by_dark
from windowwatch.scoring.drawing import hour_details
from windowwatch.scoring.hour import score_site
from windowwatch.scoring.nearby import NearWeather
from windowwatch.scoring.opinions import Role
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.scoring.values import Check, Hour, HourDetail, Site, Verdict
from windowwatch.watch.values import Watch
from windowwatch.windows.window import is_unread

if TYPE_CHECKING:
    from windowwatch.watch.nearby import NearAtSites


class PassStoppedError(WindowwatchError):
    """A pass was asked to stop; nothing of it is stored and it may run again."""


#: A flight and its landing may need weather so long after the launch hour.
FLIGHT_NEEDS = timedelta(hours=9)


#: Hours in the dark are flown with one in so many of the draws.
_DARK_DRAWS = 4
#: … but with so many at least, as many as a footprint and its bounds need.
_FEWEST_DRAWS = 12

#: The check of fronts looks ahead of the launch hour.
_LOOKS_AHEAD = "front"


def past_end(
    hours: Sequence[Hour],
    status: NDArray[np.uint8],
    plan: ScoringPlan,
    *,
    air_until_utc: datetime,
    surface_until_utc: datetime,
) -> frozenset[tuple[str, datetime]]:
    """Hours that could not be read because the cycle ends too early, and for nothing else.

    Parameters
    ----------
    hours : sequence of Hour [N]
        Of one site, as this cycle sees them.
    status : array [N, M, D]
        What became of their flights (`windowwatch.physics.flights.FlightStatus`).
    plan : ScoringPlan
        How many flights may be lost, and how long the site is looked at.
    air_until_utc, surface_until_utc : datetime
        Last step of the weather aloft, and of that near the ground.

    Returns
    -------
    frozenset of (str, datetime)
        Site and launch hour. Among their flights those that ran past the last step are as
        many as all others that were lost, and those others were few enough; every hard check
        that is unknown is answered at another hour, and asks for weather past the last step.
    """
    ends = min(air_until_utc, surface_until_utc)
    within = [hour for hour in hours if hour.time_utc + FLIGHT_NEEDS <= ends]
    answered = {c.name for hour in hours for c in hour.checks if c.verdict is not Verdict.UNKNOWN}
    hold = timedelta(minutes=plan.hold_min)
    found = []
    for hour, each in zip(hours, status, strict=True):
        if not is_unread(hour) or hour.time_utc + FLIGHT_NEEDS <= ends:
            continue
        late = int(np.count_nonzero(each == FlightStatus.LEFT_TIME))
        lost = int(np.count_nonzero(each != FlightStatus.LANDED)) - late
        if lost > min(late, plan.max_lost_share * each.size):
            continue
        held_past = hour.time_utc + hold > surface_until_utc
        unknown = [c for c in hour.checks if c.hard and c.verdict is Verdict.UNKNOWN]
        if not late and not unknown:
            continue
        if within and any(check.name not in answered for check in unknown):
            continue
        if all(_asks_past(check, late=late > 0, held_past=held_past) for check in unknown):
            found.append((hour.site, hour.time_utc))
    return frozenset(found)


def _asks_past(check: Check, *, late: bool, held_past: bool) -> bool:
    """Whether a check that is unknown asks for weather past the last step."""
    if check.name == _LOOKS_AHEAD:
        return True
    return held_past if check.name in WEATHER_CHECKS else late


@dataclass(frozen=True)
class Flown:
    """One site's launch hours, every flight behind them, and what the hours are drawn with.

    `ended` names those that could not be read because the cycle ends before them (see
    `pipeline.carry_over`).
    """

    hours: tuple[Hour, ...]
    flights: Flights
    details: tuple[HourDetail, ...]
    ended: frozenset[tuple[str, datetime]]


@dataclass(frozen=True)
class SiteHours:
    """All launch hours of one site as a pass keeps them, and how many flights they rest on.

    `record` is what they are judged by when they have gone by.
    """

    hours: tuple[Hour, ...]
    details: tuple[HourDetail, ...]
    ended: frozenset[tuple[str, datetime]]
    flights: int
    record: SiteRecord


#: Is shown flights, and the launch hours that they are of.
Shown = Callable[[tuple[datetime, ...], Flights], None]


def hours_of_site(
    data: CycleData,
    watch: Watch,
    site: Site,
    times: tuple[datetime, ...],
    now_utc: datetime,
    near: NearWeather | None = None,
    *,
    drawn: bool = True,
    threads: int | None = None,
    shown: Shown = lambda _times, _flights: None,
) -> SiteHours:
    """Every launch hour of one site: as `fly_and_score`, but those in the dark by fewer draws.

    Where the sun forbids a launch hour nothing that flies can change that, and half of all hours
    are such: where it would land is told by a quarter of the draws. `shown` sees the flights,
    with the launch hours that they are of.
    """
    dark = barred_by_dark(site, np.array([to_unix_s(each) for each in times]), watch.plan)
    fewer = min(watch.draws, max(watch.draws // _DARK_DRAWS, watch.plan.min_flights, _FEWEST_DRAWS))
    if near is not None or fewer == watch.draws or not dark.any():
        dark[:] = False  # what is known beside the site is for the watch's number of draws
    parts = []
    for draws, chosen in ((watch.draws, ~dark), (fewer, dark)):
        some = tuple(each for each, take in zip(times, chosen.tolist(), strict=True) if take)
        if some:
            asked = replace(watch, draws=draws)
            parts.append(
                fly_and_score(data, asked, site, some, now_utc, near, drawn=drawn, threads=threads)
            )
            shown(some, parts[-1].flights)
    hours = tuple(sorted((h for part in parts for h in part.hours), key=lambda h: h.time_utc))
    return SiteHours(
        hours,
        tuple(sorted((d for part in parts for d in part.details), key=lambda d: d.time_utc)),
        frozenset().union(*(part.ended for part in parts)),
        sum(part.flights.status.size for part in parts),
        record_of(data.cycle, data.wind, data.surface, site, hours),
    )


def launches_and_draws(
    data: CycleData, watch: Watch, site: Site, times: Sequence[datetime]
) -> tuple[Launches, Draws, dict[str, Any]]:
    """What is flown of a site at some times, what is drawn, and what the drawing hangs on.

    A launch time alone decides what is drawn for it, whichever others are flown beside it.
    """
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
    }
    shown = shown_aloft(data.wind, launches, KNOT_HEIGHT_M)
    wind_error = watch.belief.wind
    draws = make_draws(watch.train, launches, shown=shown, wind_error=wind_error, **stream)
    return launches, draws, stream


def fly_and_score(
    data: CycleData,
    watch: Watch,
    site: Site,
    times: tuple[datetime, ...],
    now_utc: datetime | None = None,
    near: NearWeather | None = None,
    *,
    drawn: bool = True,
    threads: int | None = None,
) -> Flown:
    """Every launch hour of one site, and every flight (launch hour × member × draw) behind it.

    `near` is what a finer model says near the ground at the site; what hours are `drawn` with is
    left out where nobody will look at it. `threads` is as of `physics.flights.fly`.
    """
    launches, draws, stream = launches_and_draws(data, watch, site, times)
    count = len(times)
    airways = AirWatch(watch.ground, watch.plan, (count, len(data.wind.member_labels), watch.draws))
    seen = airways if airways.needed else None
    flights = fly(data.wind, launches, watch.train, draws, watching=seen, threads=threads)
    near_ground = shown_near_ground(
        data.surface, site.latitude_deg, site.longitude_deg, launches.time_unix_s
    )
    hours = score_site(
        site,
        launches.time_unix_s,
        flights,
        data.surface,
        watch.ground,
        watch.plan,
        draw_surface_errors(launches, shown=near_ground, model=watch.belief.surface, **stream),
        airways.crossings(),
        None if now_utc is None else to_unix_s(now_utc),
        near,
        draw_shifts(**stream),
        watch.belief.mending(data.wind.cycle_unix_s),
        outlined=drawn,
    )

    # What another model says is never drawn: its middle flights need not be flown again.
    details: tuple[HourDetail, ...] = ()
    if drawn and watch.role is not Role.OPINION:
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


#: To find out what a model has data for: one launch hour of so many, so many draws.
_TRIED_EVERY, _TRIED_DRAWS = 6, 2


def asked_what_it_can(
    data: CycleData, watch: Watch, times: Sequence[datetime]
) -> tuple[Watch, Notes]:
    """The watch of a model without the checks that it has no data for at any hour.

    A model without cloud base and visibility would otherwise refuse every hour, and never have
    a say. Found by trying every few hours at one site.

    Returns
    -------
    watch : Watch
    remarks : tuple of Note
        Which checks it is not asked.
    """
    probe = replace(watch, draws=min(watch.draws, _TRIED_DRAWS))
    now = min(times, default=None)  # any time does: the present is no data of a model
    tried = fly_and_score(data, probe, watch.sites[0], tuple(times[::_TRIED_EVERY]), now).hours
    judged = [hour for hour in tried if hour.landing_utc is not None]
    answered = {c.name for h in judged for c in h.checks if c.verdict is not Verdict.UNKNOWN}
    never = sorted({c.name for h in judged for c in h.checks} - answered)
    left = {name: limit for name, limit in watch.plan.limits.items() if name not in never}
    if not never or not left:
        return watch, ()
    unasked = ChecksNotAsked(data.cycle.model, tuple(never))
    return replace(watch, plan=replace(watch.plan, limits=left)), (unasked,)


@dataclass(frozen=True)
class FlownCycle:
    """A cycle flown and scored at every site, before anything that is stored was asked.

    What other models and earlier cycles say is not in its hours yet. It can be pickled, and is
    small beside the weather that it was made of.

    Parameters
    ----------
    sites : tuple of SiteHours
    steps : int
        Of the weather aloft.
    reaches_utc : datetime
        The last of them.
    learned : str or None
        Version of what it was flown with; None for the tables from memory.
    """

    cycle: Cycle
    role: Role
    sites: tuple[SiteHours, ...]
    files: tuple[SourceFile, ...]
    gaps: Notes
    remarks: Notes
    steps: int
    reaches_utc: datetime
    learned: str | None


def fly_cycle(
    data: CycleData,
    watch: Watch,
    *,
    now_utc: datetime,
    noted: Notes = (),
    near: "NearAtSites | None" = None,
    progress: Progress = unheard,
    stopping: Callable[[], bool] = lambda: False,
) -> FlownCycle:
    """Fly and score one cycle at every site, with what `watch` believes. Asks no store.

    Parameters
    ----------
    data, watch, now_utc, near, progress, stopping
        As of `run_pass`.
    noted : tuple of Note
        To be said of what it is flown with.

    Raises
    ------
    MissingFieldError, InputError, PassStoppedError
        As `run_pass`.
    """
    require_covers(data, watch.sites)
    times = watch.span.hours(now_utc)
    near = None if watch.role is Role.OPINION else near
    at_sites = {} if near is None else near.sites
    remarks = (*data.remarks, *(() if near is None else near.remarks), *noted)
    if watch.role is Role.OPINION:
        watch, unasked = asked_what_it_can(data, watch, times)
        remarks = (*remarks, *unasked)
    flown: list[SiteHours] = []
    for number, site in enumerate(watch.sites):
        go_on(stopping)
        progress(f"{data.cycle.id}: {site.name}", number / len(watch.sites))
        give_back_unused_heap()  # of reading, or of the site before
        flown.append(hours_of_site(data, watch, site, times, now_utc, at_sites.get(site.name)))
    return FlownCycle(
        cycle=data.cycle,
        role=watch.role,
        sites=tuple(flown),
        files=(*data.files, *(() if near is None else near.files)),
        gaps=(*data.gaps, *(() if near is None else near.gaps)),
        remarks=remarks,
        steps=data.wind.time_unix_s.size,
        reaches_utc=from_unix_s(float(data.wind.time_unix_s[-1])),
        learned=watch.belief.version,
    )


def go_on(stopping: Callable[[], bool]) -> None:
    """Refuse to, with `PassStoppedError`, where a pass was asked to stop."""
    if stopping():
        raise PassStoppedError("the pass was stopped; nothing of it is stored", retry=True)
