"""A planned launch flown at its exact minute, and every five minutes round it; for a warm process.

Opening a cycle takes longer than flying a plan in it, so a desk keeps the newest one open from
one table to the next. In the daemon it stands in a process of its own, which is kept: what goes
wrong there takes nothing else with it.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any, TypeVar

import numpy as np

from windowwatch.child import Child, never
from windowwatch.clock import from_unix_s, to_unix_s
from windowwatch.errors import InputError, WindowwatchError
from windowwatch.forecast.cycle import CycleData
from windowwatch.forecast.sources import require_covers
from windowwatch.launchday.flight import (
    LIFT_STEP_KG,
    FillAir,
    LiftOutcome,
    PlannedFlight,
    lift_outcomes,
    planned_flight,
)
from windowwatch.launchday.plan import Plan, stand
from windowwatch.launchday.releases import ReleaseTable, release_table, release_times
from windowwatch.launchday.sighting import (
    USED_FOR,
    SeenBeside,
    Sighting,
    Veto,
    corrected,
    correction,
    vetoes,
)
from windowwatch.physics.flights import Flights, fly
from windowwatch.physics.paths import FlightPath, fly_paths
from windowwatch.physics.surface import SurfaceSeries
from windowwatch.scoring.nearby import NearWeather
from windowwatch.scoring.opinions import Role, heard_at
from windowwatch.scoring.values import Hour, Site
from windowwatch.storage.cycles import StoredCycle
from windowwatch.storage.store import Store, open_store
from windowwatch.watch.flying import fly_and_score, launches_and_draws
from windowwatch.watch.launchday.opening import OpenAs, near_again, newest_cycle, open_again
from windowwatch.watch.learned import as_flown
from windowwatch.watch.values import Watch
from windowwatch.windows.standing import judged

Answer = TypeVar("Answer")

#: So many flights are looked at step by step, for times through flight levels.
_PATHS = 64
#: Named in the place of a finer model, where there is none and the site's own wind was measured.
MEASURED = "measured at the site"


class NotSetUpError(WindowwatchError):
    """The process has no desk yet: it is a new one."""


class ElsewhereError(InputError):
    """A plan that cannot be flown: its site is not in the settings, or it is not to come."""


@dataclass(frozen=True)
class _Open:
    """A cycle that is open, and what the finer model says at sites that were asked."""

    stored: StoredCycle
    data: CycleData
    near: dict[str, NearWeather | None]


class Desk:
    """Makes tables of releases, and keeps the newest cycle open.

    Parameters
    ----------
    watch : Watch
    store : Store
    named : OpenAs, optional
    """

    def __init__(self, watch: Watch, store: Store, named: OpenAs | None = None) -> None:
        self._watch, self._store, self._named = watch, store, named or OpenAs()
        self._open: _Open | None = None

    def take(self, stored: StoredCycle, data: CycleData) -> None:
        """Use a cycle that is open anyway."""
        self._open = _Open(stored, data, {})

    def table(self, key: str, now_utc: datetime) -> ReleaseTable:
        """Fly a plan and every release that its crew may wait for; nothing is stored.

        Raises
        ------
        ElsewhereError
            If the plan is not to come, or its site is not in the settings.
        SourceError
            If there is no weather to fly in.
        ForecastError, StorageError
        """
        plan = stand(key, self._store.plan_entries(self._watch.name, key).entries, now_utc)
        site = next((s for s in self._watch.sites if s.name == plan.site), None)
        if site is None:
            raise ElsewhereError(f"plan {key}: the settings have no site {plan.site!r} any more")
        if not plan.coming:
            raise ElsewhereError(f"plan {key} is {plan.state}: there is nothing to fly any more")
        newest = newest_cycle(self._store, self._watch)
        now_open = self._opened(newest)
        require_covers(now_open.data, [site])
        if site.name not in now_open.near:
            near = near_again(newest, self._watch, self._store, self._named, site)
            now_open.near[site.name] = near
        seen = self._store.sightings(self._watch.name, site.name, now_utc - USED_FOR)
        window_end_utc = self._window_end(plan)
        times = release_times(plan.release_utc, window_end_utc, now_utc)
        return fly_plan(
            now_open.data,
            as_flown(self._watch, self._store, newest.learned),
            site,
            plan,
            now_utc,
            window_end_utc=window_end_utc,
            sightings=seen,
            near=now_open.near[site.name],
            heard=self._heard(newest, site, times),
        )

    def _heard(
        self, newest: StoredCycle, site: Site, times: Sequence[datetime]
    ) -> tuple[Hour, ...]:
        """Launch hours as they are stored round some times, for what other models say in them."""
        if not times:
            return ()
        half = self._watch.span.step / 2
        return self._store.hours(
            self._watch.name,
            newest.cycle.id,
            site=site.name,
            from_utc=times[0] - half,
            until_utc=times[-1] + half + timedelta(seconds=1),  # which is not included
            with_checks=False,
        )

    def _opened(self, newest: StoredCycle) -> _Open:
        held = self._open
        if held is None or held.stored.cycle != newest.cycle or held.stored.files != newest.files:
            self._open = None  # two open cycles at once would need twice the memory
            data = open_again(newest, self._watch, self._store, self._named)
            held = self._open = _Open(newest, data, {})
        return held

    def _window_end(self, plan: Plan) -> datetime | None:
        """Last release of the window that the plan lies in, as the newest cycle sees it."""
        windows = [w for w in self._store.current_windows(self._watch.name) if w.site == plan.site]
        own = [w for w in windows if w.uid == plan.window_uid]
        round_it = [w for w in windows if w.start_utc <= plan.release_utc <= w.last_release_utc]
        found = next(iter((*round_it, *own)), None)
        return None if found is None else found.last_release_utc


def fly_plan(
    data: CycleData,
    watch: Watch,
    site: Site,
    plan: Plan,
    now_utc: datetime,
    *,
    window_end_utc: datetime | None = None,
    sightings: Sequence[Sighting] = (),
    near: NearWeather | None = None,
    heard: Sequence[Hour] = (),
) -> ReleaseTable:
    """Fly every release of a plan's table in one cycle, with the plan's own train.

    Other models are not flown to the minute: what they said of the nearest launch hour counts in
    the chance as it does there; `heard` are the launch hours of the site as they are stored.

    Raises
    ------
    ElsewhereError
        If every release that could be flown is past.
    """
    times = release_times(plan.release_utc, window_end_utc, now_utc)
    if not times:
        raise ElsewhereError(f"plan {plan.key}: its release is past; tick it, move it or scrub it")
    own = replace(watch, train=plan.train, role=Role.PRIMARY)
    series = data.surface.at(site.latitude_deg, site.longitude_deg)
    said = near.series if near is not None and near.series is not None else series
    change = correction(sightings, lambda moment: forecast_wind(said, moment), now_utc)
    if change is not None:
        near = replace(near or NearWeather(MEASURED), wind=corrected(said, change))
    # Details are drawn for the planned release alone: the role of an opinion leaves them out.
    bare = replace(own, role=Role.OPINION)
    half = watch.span.step / 2
    alone = fly_and_score(data, bare, site, times, now_utc, near).hours
    hours = [judged(heard_at(hour, heard, half), watch.rules) for hour in alone]
    flight = None
    if plan.release_utc in times:
        flight = _planned(data, own, site, plan.release_utc, now_utc, near, series)
    clearance = watch.plan.clearance
    made = release_table(
        hours,
        plan=plan.key,
        plan_number=plan.number,
        planned_utc=plan.release_utc,
        cycle_id=data.cycle.id,
        now_utc=now_utc,
        vetoes=vetoes_of(watch, sightings, now_utc),
        correction=change,
        flight=flight,
        clearance_until_utc=None if clearance is None else from_unix_s(clearance[1]),
    )
    beside = (SeenBeside(each, *forecast_wind(said, each.at_utc)) for each in sightings)
    return replace(made, seen=tuple(sorted(beside, key=lambda each: each.seen.at_utc)))


def vetoes_of(watch: Watch, sightings: Sequence[Sighting], now_utc: datetime) -> tuple[Veto, ...]:
    """Fresh measurements over the hard limit of the gust; none where that limit is not hard."""
    limit = watch.plan.limits.get("gust")
    if limit is None or not limit.hard:
        return ()
    return vetoes(sightings, limit.limit, now_utc)


def forecast_wind(series: SurfaceSeries, moment: datetime) -> tuple[float | None, float | None]:
    """Mean wind and gust that a series had for a moment, the mean of its members. [m s⁻¹]

    A gust of an interval is that of the interval which holds the moment. None where unknown.
    """
    at_s, time_s = to_unix_s(moment), series.time_unix_s
    if not time_s[0] <= at_s <= time_s[-1]:
        return None, None
    wind = gust = None
    pair = [series.values.get(f"wind_{way}_10m_mps") for way in "uv"]
    if pair[0] is not None and pair[1] is not None:
        parts = [
            [float(np.interp(at_s, time_s, m)) for m in each] for each in pair if each is not None
        ]
        wind = _known(float(np.mean(np.hypot(*map(np.array, parts)))))
    values, cells = series.values.get("gust_mps"), series.cells.get("gust_mps")
    if values is not None and cells is None:
        gust = _known(float(np.mean([np.interp(at_s, time_s, m) for m in values])))
    elif values is not None and cells is not None:
        inside = np.flatnonzero((cells.start_unix_s <= at_s) & (at_s <= time_s))
        if inside.size:
            gust = _known(float(np.mean(values[:, inside[0]])))
    return wind, gust


def _known(value: float) -> float | None:
    return value if np.isfinite(value) else None


def _planned(
    data: CycleData,
    watch: Watch,
    site: Site,
    release_utc: datetime,
    now_utc: datetime,
    near: NearWeather | None,
    series: SurfaceSeries,
) -> PlannedFlight:
    """The planned release with everything that is asked of it."""
    flown = fly_and_score(data, watch, site, (release_utc,), now_utc, near)
    return planned_flight(
        flown.hours[0],
        flown.flights.of_launch(0),
        _some_paths(data, watch, site, release_utc),
        detail=flown.details[0] if flown.details else None,
        lifts=_lifts(data, watch, site, release_utc, flown.flights),
        air=_air(series, release_utc),
    )


def _some_paths(
    data: CycleData, watch: Watch, site: Site, release_utc: datetime
) -> tuple[FlightPath, ...]:
    """Flights spread evenly over members and draws, step by step."""
    launches, draws, _ = launches_and_draws(data, watch, site, (release_utc,))
    shape = len(data.wind.member_labels), draws.lift.shape[1]
    count = min(_PATHS, shape[0] * shape[1])
    chosen = np.unique(np.linspace(0, shape[0] * shape[1] - 1, count).astype(np.intp))
    member, draw = np.unravel_index(chosen, shape)
    none = np.zeros(chosen.size, dtype=np.intp)
    return fly_paths(data.wind, launches, watch.train, draws, launch=none, member=member, draw=draw)


def _lifts(
    data: CycleData, watch: Watch, site: Site, release_utc: datetime, as_planned: Flights
) -> tuple[LiftOutcome, ...]:
    """The same draws with 100 g less and more at the neck; less only where it still lifts."""
    train, flown = watch.train, []
    for step in (-LIFT_STEP_KG, 0.0, LIFT_STEP_KG):
        lift = train.nozzle_lift_kg + step
        if not lift > train.payload_mass_kg:
            continue
        flights = as_planned
        if step:
            other = replace(watch, train=replace(train, nozzle_lift_kg=lift))
            launches, draws, _ = launches_and_draws(data, other, site, (release_utc,))
            flights = fly(data.wind, launches, other.train, draws)
        flown.append((lift, flights.of_launch(0)))
    planned = next(i for i, (lift, _) in enumerate(flown) if lift == train.nozzle_lift_kg)
    return lift_outcomes(flown, planned, to_unix_s(release_utc))


def _air(series: SurfaceSeries, moment: datetime) -> FillAir:
    """Air at the site at a moment, the mean of the members."""
    at_s, time_s = to_unix_s(moment), series.time_unix_s

    def mean(name: str) -> float | None:
        values = series.values.get(name)
        if values is None or not time_s[0] <= at_s <= time_s[-1]:
            return None
        return _known(float(np.mean([np.interp(at_s, time_s, member) for member in values])))

    return FillAir(mean("pressure_surface_pa"), mean("temperature_2m_k"), mean("dew_point_2m_k"))


_DESKS: list[Desk] = []


def set_up_desk(watch: Watch, database_url: str, named: OpenAs) -> None:
    """Give this process a desk, in the place of the one it had; for a process of its own."""
    _DESKS[:] = [Desk(watch, open_store(database_url), named)]


def table_from_desk(key: str, now_utc: datetime) -> ReleaseTable:
    """As `Desk.table`, at the desk of this process.

    Raises
    ------
    NotSetUpError
        If the process has none.
    """
    if not _DESKS:
        raise NotSetUpError("this process knows no watch yet")
    return _DESKS[0].table(key, now_utc)


class DeskInChild:
    """A desk in a process of its own, started when a plan is first to be flown.

    Parameters
    ----------
    child : Child
        Ended by `close`.
    watch, database_url, named
        As for `set_up_desk`.
    stopping : callable
        Asked while a plan is flown; True ends it.
    """

    def __init__(
        self,
        child: Child,
        watch: Watch,
        database_url: str,
        named: OpenAs,
        stopping: Callable[[], bool] = never,
    ) -> None:
        self._child, self._given = child, (watch, database_url, named)
        self._stopping = stopping

    def table(self, key: str, now_utc: datetime) -> ReleaseTable:
        """As `Desk.table`.

        Raises
        ------
        ChildError
            If the process died, or was ended at a limit; the next call starts another one.
        """
        try:
            return self._call(table_from_desk, key, now_utc)
        except NotSetUpError:
            self._call(set_up_desk, *self._given)
            return self._call(table_from_desk, key, now_utc)

    def _call(self, work: Callable[..., Answer], *given: Any) -> Answer:
        return self._child.call(work, given, what="flying a plan", stopping=self._stopping)

    def close(self) -> None:
        """End the process."""
        self._child.close()
