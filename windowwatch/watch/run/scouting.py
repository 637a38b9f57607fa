"""Scouting: every candidate place of a region flown and scored as if it were a site.

Processes do it: one reads the forecast for all, and each flies a few places at a time. The first
places are spread over the whole region, so that there is a coarse answer early. Nothing of a place
differs from what a pass would say if the place were a site of the watch.
"""

import logging
import os
import queue
import secrets
import threading
import time
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from contextlib import ExitStack
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from windowwatch.child import (
    Child,
    ChildLimits,
    ChildStoppedError,
    Progress,
    in_child,
    never,
    unheard,
)
from windowwatch.clock import Clock, to_unix_s
from windowwatch.errors import InputError, SourceError, WindowwatchError
from windowwatch.forecast.cycle import CycleData
from windowwatch.forecast.sources import require_covers
from windowwatch.ground.query.rasters import Base
from windowwatch.ground.query.roadnet import net_of
from windowwatch.logs import LogStyle
from windowwatch.physics.flights import Flights
from windowwatch.scoring.checks.release import barred_by_dark
from windowwatch.scoring.values import Hour, Site
from windowwatch.scouting.places import Candidates, coarse_count, find_places, with_heights
from windowwatch.scouting.values import (
    Order,
    Place,
    PlaceHours,
    RunState,
    ScoutFields,
    Scouting,
    Skipped,
    Unasked,
    hours_of_place,
)
from windowwatch.storage.cycles import StoredCycle
from windowwatch.storage.store import Store, open_store
from windowwatch.watch.flying import hours_of_site
from windowwatch.watch.launchday.opening import OpenAs, newest_cycle, open_again
from windowwatch.watch.values import Watch

#: Checks that ask how a crew drives from the place.
_DRIVEN = ("crew", "tracker", "arrival_daylight")
#: Places that a process is given at a time.
_AT_ONCE = 4
#: Processes: two fly best on the machines that a watch runs on; more take memory each.
_MOST_PROCESSES = 4
_WAIT_S = 0.2
#: How often a scouting of the page says that it goes on, and asks whether it shall. [s]
_RENEWED_S = 2.0
_LOG = logging.getLogger(__name__)


def site_of(place: Place) -> Site:
    """A place as a site."""
    return Site(
        place.name, place.latitude_deg, place.longitude_deg, place.height_m, place.time_zone
    )


@dataclass(frozen=True)
class _Given:
    """What a process is told once: it flies places of one cycle."""

    watch: Watch
    order: Order
    candidates: Candidates
    stored: StoredCycle
    named: OpenAs
    now_utc: datetime


class Flyer:
    """Flies places with a forecast that is open.

    Parameters
    ----------
    data : CycleData
    watch : Watch
        With the checks that are asked of places.
    order : Order
    candidates : Candidates
        Heights that are not known are taken from the forecast's ground.
    now_utc : datetime

    Raises
    ------
    MissingFieldError
        If a place lies outside the forecast.
    SourceError
        If nobody knows how high a place lies.
    """

    def __init__(
        self,
        data: CycleData,
        watch: Watch,
        order: Order,
        candidates: Candidates,
        now_utc: datetime,
    ) -> None:
        require_covers(data, [site_of(place) for place in candidates.places])
        self.candidates = with_heights(candidates, _terrain_m(data, candidates.places))
        self._data, self._order, self._now_utc = data, order, now_utc
        self._watch = replace(watch, draws=order.draws)
        rasters = watch.ground.rasters
        self._roads = None if rasters is None else net_of(rasters)

    def hours(self, place: int) -> PlaceHours:
        """Every launch hour at one place, as a pass would score it.

        Where the sun forbids a launch nothing that flies can change that: nothing is flown.
        """
        site, times = site_of(self.candidates.places[place]), self._order.times_utc
        wanted, landed = self._order.land_in, dict[datetime, float]()
        dark = barred_by_dark(site, np.array([to_unix_s(t) for t in times]), self._watch.plan)
        lit = tuple(t for t, barred in zip(times, dark.tolist(), strict=True) if not barred)

        def count(times: tuple[datetime, ...], flights: Flights) -> None:
            if wanted is None:
                return
            inside = wanted.holds(flights.landing_latitude_deg, flights.landing_longitude_deg)
            landed.update(zip(times, inside.mean(axis=(1, 2)).tolist(), strict=True))

        found: tuple[Hour, ...] = ()
        if lit:
            how: dict[str, Any] = {"drawn": False, "threads": 1, "shown": count}
            found = hours_of_site(
                self._data, self.watch_at(place), site, lit, self._now_utc, **how
            ).hours
        return hours_of_place(place, times, {hour.time_utc: hour for hour in found}, landed)

    def watch_at(self, place: int) -> Watch:
        """The watch with one place as its site, and drives from there."""
        site, rasters = site_of(self.candidates.places[place]), self._watch.ground.rasters
        ground = self._watch.ground
        if rasters is not None:
            base = Base(site.name, site.latitude_deg, site.longitude_deg)
            starts_s = np.zeros(0)
            if self._roads is not None:
                starts_s = self._roads.from_stop_s(int(self.candidates.start[place]))
            ground = replace(ground, rasters=rasters.with_base(base, starts_s))
        return replace(self._watch, sites=(site,), ground=ground)


def _terrain_m(data: CycleData, places: Sequence[Place]) -> NDArray[np.float64]:
    """The forecast's ground under places [P], of the nearest grid point. [m]"""
    wind = data.wind
    west = float(wind.longitude_deg[0])
    found = np.empty(len(places))
    for number, place in enumerate(places):
        east = west + (place.longitude_deg - west) % 360.0
        row = int(np.abs(wind.latitude_deg - place.latitude_deg).argmin())
        column = int(np.abs(wind.longitude_deg - east).argmin())
        found[number] = wind.terrain_m[row, column]
        if np.isnan(place.height_m) and not np.isfinite(found[number]):
            raise SourceError(
                f"nobody knows how high place {place.name} lies: neither the ground file nor the "
                "forecast has its ground; build the ground file with --terrain"
            )
    return found


_FLYERS: list[Flyer] = []


def read_forecast(given: _Given, database_url: str) -> CycleData:
    """Read the forecast in a process of its own, over all places."""
    store = open_store(database_url)
    try:
        sites = tuple(site_of(place) for place in given.candidates.places)
        return open_again(given.stored, replace(given.watch, sites=sites), store, given.named)
    finally:
        store.close()


def set_up_flyer(given: _Given, data: CycleData) -> Candidates:
    """Make a process ready to fly places; the places with all their heights."""
    _FLYERS[:] = [Flyer(data, given.watch, given.order, given.candidates, given.now_utc)]
    return _FLYERS[0].candidates


def fly_places(places: Sequence[int]) -> tuple[PlaceHours, ...]:
    """Fly some places in a process that was set up."""
    return tuple(_FLYERS[0].hours(place) for place in places)


def prepared(
    watch: Watch, order: Order, finer: str | None = None
) -> tuple[Watch, Candidates, tuple[Skipped, ...]]:
    """The watch as it is asked of places, the places, and what is not asked of them.

    `finer` names the model near the ground, where the watch has one.

    Raises
    ------
    InputError
        As `find_places`; or if no launch hour is asked.
    """
    if not order.times_utc:
        raise InputError("no launch hour is asked; give 1 hour or more")
    plan, rasters = watch.plan, watch.ground.rasters
    span = (
        to_unix_s(order.times_utc[0]) - 60.0 * plan.setup_min,
        to_unix_s(order.times_utc[-1]) + 60.0 * plan.hold_min,
    )
    candidates = find_places(watch.ground, order.region, order.spacing_km, watch.sites, span)
    skipped = []
    if rasters is not None and rasters.routes is None:
        names = tuple(name for name in _DRIVEN if name in plan.limits)
        kept = {name: limit for name, limit in plan.limits.items() if name not in names}
        if names and kept:
            watch = replace(watch, plan=replace(plan, limits=kept))
            skipped.append(Skipped(Unasked.NO_ROADS, names))
    if finer is not None:
        skipped.append(Skipped(Unasked.FINER, (finer,)))
    if watch.others:
        skipped.append(Skipped(Unasked.OTHERS, watch.others))
    return replace(watch, others=()), candidates, tuple(skipped)


@dataclass(frozen=True)
class ByWhom:
    """How places are flown: what processes may use, how they log, and what may end them."""

    limits: ChildLimits
    style: LogStyle | None = None
    processes: int | None = None
    stopping: Callable[[], bool] = never


def scout(
    watch: Watch,
    order: Order,
    store: Store,
    database_url: str,
    now_utc: datetime,
    by: ByWhom,
    *,
    named: OpenAs | None = None,
    finer: str | None = None,
    progress: Progress = unheard,
    coarse: Callable[[Scouting], None] = lambda _: None,
) -> Scouting:
    """Fly the places of a region over the newest stored cycle.

    Parameters
    ----------
    watch : Watch
    order : Order
    store : Store
    database_url : str
        Of the same database, for the processes.
    now_utc : datetime
    by : ByWhom
    named : OpenAs, optional
        Under which names fetched files are remembered.
    finer : str, optional
        Name of the finer model near the ground, where the watch has one: it is not read.
    progress : callable, optional
    coarse : callable, optional
        Shown what there is when the first places, spread over the region, are flown.

    Raises
    ------
    InputError
        As `find_places`.
    SourceError
        If no cycle is stored, or its files are gone.
    ChildError
        If a process dies, or needs more than it may use.
    """
    stored = newest_cycle(store, watch)
    progress("looking for places", 0.0)
    asked, candidates, skipped = prepared(watch, order, finer)
    given = _Given(asked, order, candidates, stored, named or OpenAs(), now_utc)
    count = len(candidates.places)
    first, done = coarse_count(count), dict[int, PlaceHours]()

    def result(flown: int, places: tuple[Place, ...]) -> Scouting:
        return Scouting(
            watch=watch.name,
            cycle_id=stored.cycle.id,
            made_utc=now_utc,
            asked=order.asked,
            times_utc=order.times_utc,
            places=places,
            found=tuple(done[place] for place in range(flown)),
            left_out=candidates.left_out,
            skipped=skipped,
            off_map=candidates.off_map,
        )

    progress(f"{count} places: reading {stored.cycle.id}", 0.0)
    told = False
    with _Crew(given, database_url, by, count) as crew:
        while len(done) < count:
            for hours in crew.next():
                done[hours.place] = hours
            progress(f"{len(done)} of {count} places", len(done) / count)
            if not told and first < count and all(place in done for place in range(first)):
                told = True
                coarse(result(first, crew.places))
        places = crew.places
    return result(count, places)


class _Crew:
    """Processes that fly places, one thread for each; what they find is asked for by `next`."""

    def __init__(self, given: _Given, database_url: str, by: ByWhom, count: int) -> None:
        most = by.processes or min(os.cpu_count() or 1, _MOST_PROCESSES)
        self._given, self._url, self._by = given, database_url, by
        self._processes = max(1, min(most, -(-count // _AT_ONCE)))
        self._parts = queue.SimpleQueue[tuple[int, ...]]()
        for begin in range(0, count, _AT_ONCE):
            self._parts.put(tuple(range(begin, min(begin + _AT_ONCE, count))))
        self._found = queue.SimpleQueue[tuple[PlaceHours, ...] | BaseException]()
        self._end, self._open = threading.Event(), ExitStack()
        self._data = Future[CycleData]()
        self._lock, self._waiting = threading.Lock(), self._processes
        self.places: tuple[Place, ...] = given.candidates.places

    def __enter__(self) -> "_Crew":
        for number in range(self._processes):
            thread = threading.Thread(target=self._work, args=(number == 0,), daemon=True)
            thread.start()
            self._open.callback(thread.join)
        self._open.callback(self._end.set)
        return self

    def __exit__(self, *_error: object) -> None:
        self._open.close()

    def next(self) -> tuple[PlaceHours, ...]:
        """What was found next.

        Raises
        ------
        WindowwatchError
            As a process raised it.
        """
        while True:
            try:
                found = self._found.get(timeout=_WAIT_S)  # so that Ctrl-C is heard
            except queue.Empty:
                continue
            if isinstance(found, BaseException):
                raise found
            return found

    def _work(self, reads: bool) -> None:
        def stopping() -> bool:
            return self._end.is_set() or self._by.stopping()

        try:
            with Child(self._by.limits, style=self._by.style) as child:
                about: dict[str, Any] = {"what": "scouting", "stopping": stopping}
                if reads:
                    self._read(child, about)
                placed = child.call(set_up_flyer, (self._given, self._data.result()), **about)
                self.places = placed.places
                self._let_go()
                while not self._end.is_set():
                    try:
                        part = self._parts.get_nowait()
                    except queue.Empty:
                        return
                    self._found.put(child.call(fly_places, (part,), **about))
        except BaseException as error:
            self._found.put(error)

    def _let_go(self) -> None:
        """Hold the forecast no more when every process has it: it may be large."""
        with self._lock:
            self._waiting -= 1
            if self._waiting == 0:
                self._data = Future()

    def _read(self, child: Child, about: dict[str, Any]) -> None:
        """Have the forecast read by one process for all; what befalls it befalls all."""
        try:
            self._data.set_result(child.call(read_forecast, (self._given, self._url), **about))
        except BaseException as error:
            self._data.set_exception(error)


@dataclass(frozen=True)
class ScoutWith:
    """What a scouting that is started on the page is flown with; all of it by the settings.

    Parameters
    ----------
    watch : Watch
    database_url : str
    limits : ChildLimits
        Of every process that flies.
    style : LogStyle or None
    named : OpenAs
    finer : str or None
        As of `scout`.
    """

    watch: Watch
    database_url: str
    limits: ChildLimits
    style: LogStyle | None
    named: OpenAs
    finer: str | None


def scout_and_keep(
    given: ScoutWith, order: Order, now_utc: datetime, progress: Progress = unheard
) -> None:
    """Scout, and store what there is as it comes; for a process of its own."""
    store = open_store(given.database_url)

    def keep(found: Scouting) -> None:
        store.save_scouting(found)

    try:
        found = scout(
            given.watch,
            order,
            store,
            given.database_url,
            now_utc,
            ByWhom(given.limits, given.style),
            named=given.named,
            finer=given.finer,
            progress=progress,
            coarse=keep,
        )
        keep(found)
    finally:
        store.close()


class ScoutRuns:
    """Starts scoutings for the page: one at a time, each in a process of its own.

    How it does is kept in the database, so that it is told after a new start as well, and may be
    ended from any page of the watch.

    Parameters
    ----------
    store : Store
    clock : Clock
    given : callable
        What a scouting that begins now is flown with.
    stopping : callable
        Whether all work is to end.
    """

    def __init__(
        self,
        store: Store,
        clock: Clock,
        given: Callable[[], ScoutWith],
        stopping: Callable[[], bool] = never,
    ) -> None:
        self._store, self._clock, self._given = store, clock, given
        self._asked_to_stop, self._closed = stopping, False
        self._thread: threading.Thread | None = None

    def __call__(self, order: Order, asked: ScoutFields) -> None:
        """Start a scouting; what comes of it is stored.

        Raises
        ------
        InputError
            If one is under way.
        """
        word, given, now_utc = secrets.token_hex(8), self._given(), self._clock.now()
        self._store.begin_scout_run(given.watch.name, word, asked, now_utc)
        work = (word, given, order, now_utc)
        self._thread = threading.Thread(target=self._fly, args=work, name="scouting", daemon=True)
        self._thread.start()

    def _fly(self, word: str, given: ScoutWith, order: Order, now_utc: datetime) -> None:
        alive = _Renewed(self._store, self._clock, given.watch.name, word)
        state, error = RunState.DONE, ""
        try:
            in_child(
                scout_and_keep,
                (given, order, now_utc),
                ChildLimits(None, given.limits.memory_mb),
                what="scouting",
                style=given.style,
                stopping=lambda: self._ends() or not alive.goes_on(),
                progress=alive.tell,
            )
        except ChildStoppedError:
            state = RunState.STOPPED if self._ends() else RunState.ENDED
        except WindowwatchError as failed:
            state, error = RunState.FAILED, failed.message
            _LOG.error("scouting: %s", error)
        try:
            now = self._clock.now()
            self._store.end_scout_run(given.watch.name, word, state, error, now)
        except WindowwatchError as failed:
            _LOG.error("scouting: how it ended cannot be stored: %s", failed.message)

    def _ends(self) -> bool:
        return self._closed or self._asked_to_stop()

    def close(self) -> None:
        """End a scouting under way, and wait until that is said."""
        self._closed = True
        if self._thread is not None:
            self._thread.join()


class _Renewed:
    """A scouting under way that says so now and then."""

    def __init__(self, store: Store, clock: Clock, watch: str, word: str) -> None:
        self._store, self._clock, self._of = store, clock, (watch, word)
        self._share, self._said_s, self._on = 0.0, time.monotonic(), True

    def tell(self, _words: str, share: float) -> None:
        """Remember how far it is."""
        self._share = share

    def goes_on(self) -> bool:
        """Whether nobody has asked for its end."""
        if time.monotonic() - self._said_s >= _RENEWED_S:
            self._said_s = time.monotonic()
            try:
                now = self._clock.now()
                self._on = self._store.renew_scout_run(*self._of, self._share, now)
            except WindowwatchError as error:  # it goes on, and is asked again
                _LOG.warning("scouting: %s", error.message)
        return self._on
