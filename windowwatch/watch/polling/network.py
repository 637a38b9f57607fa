"""Look for new cycles at the providers; by which way they are gathered; pass them, bit by bit.

Named rules
-----------
next way
    A way that refuses us, or gives nothing but trouble, is left for the next one in the same
    look. Where both carry the same fields on the same grid, the next one goes on from what is
    kept; on another grid it begins anew, so it is asked only when the first has nothing.
overdue
    So is a way on which steps are missing when the whole cycle should long have been there.
moved or ended
    A way on which nothing at all was there of three cycles in a row, each long overdue and
    without a refusal, counts as moved or ended. That is told, others are asked first, and it is
    asked one question a cycle, so that its return is seen.

The sibling of `look.FolderWatcher` for forecasts over HTTP. Rules:

* The newest cycle of which anything is there is gathered; an older one that is not complete
  is then superseded, and one that stays incomplete is given up at an age.
* A cycle is passed when it is complete, and while it comes in at most every so often. What it
  has not come to keeps the answer of the cycle before, marked.
* A cycle that is late is a change, told once; not again while nothing at all has come since.
"""

import logging
import time
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from pathlib import Path
from random import Random

from windowwatch.clock import Clock
from windowwatch.errors import SourceError, StorageError, WindowwatchError
from windowwatch.forecast.cycle import Cycle
from windowwatch.forecast.download.catalogue import MODELS, Model, Route, Speech, akin, family
from windowwatch.forecast.download.checked import check_file
from windowwatch.forecast.download.collect import Collector, Haul
from windowwatch.forecast.download.fetch import Fetcher, Recorder, RetryPolicy, World
from windowwatch.forecast.download.ledger import (
    CycleStage,
    CycleState,
    Keep,
    Ledger,
    complete_due,
    cycles_between,
    first_due,
    next_words,
    prune,
)
from windowwatch.forecast.download.wanted import needed_steps, route_steps
from windowwatch.forecast.grib.grid import Area
from windowwatch.scoring.opinions import Role
from windowwatch.watch.flying import PassStoppedError
from windowwatch.watch.pipeline import PassResult
from windowwatch.watch.polling.watcher import Watcher, log_result
from windowwatch.watch.run.between import tell_failed, tell_of
from windowwatch.watch.run.processes import Checker, Fetched, pass_fetched
from windowwatch.windows.causes import Causes, ForecastLate, GivenUp, Way, WayGone
from windowwatch.windows.changes import about_the_watch, still_shown, was_told
from windowwatch.windows.values import ChangeKind
from windowwatch.wording.causes import reason
from windowwatch.wording.phrases import written

#: So many cycles in a row without anything are no accident. Common practice, no source.
SILENT_CYCLES = 3


@dataclass(frozen=True)
class Gone:
    """A way on which nothing has come since a cycle, and what is used instead, if anything."""

    route: Route
    since_utc: datetime
    instead: Route | None

    def cause(self, model: Model) -> WayGone:
        """What people are told, as a fact."""
        return WayGone(
            model.words,
            _way(self.route),
            self.since_utc,
            None if self.instead is None else _way(self.instead),
        )


def _way(route: Route) -> Way:
    return Way(str(route.speech), route.grid_deg)


def way_words(route: Route) -> str:
    """A way, for people."""
    return f"{route.speech}, {route.grid_deg:g} degree"


@dataclass(frozen=True)
class Ways:
    """All ways to one model, for one look.

    Parameters
    ----------
    model : Model
    ledger : Ledger
        Also remembers how each way did, under the model's name and the way's.
    collector : callable
        Makes a collector for a route.
    now : datetime
    overdue : callable
        Whether a cycle should long have been complete.
    say : callable
        Hears what is done about trouble.
    """

    model: Model
    ledger: Ledger
    collector: Callable[[Route], Collector]
    now: datetime
    overdue: Callable[[datetime], bool]
    say: Callable[[str], None]

    def gather(self, cycle_utc: datetime, steps_h: Sequence[int]) -> tuple[Haul, Route]:
        """What there is of a cycle; of several ways that were asked the fullest counts."""
        passed_over = {gone.route.name for gone in self.gone(cycle_utc)}
        best: tuple[Haul, Route] | None = None
        for route in sorted(self.model.routes, key=lambda route: route.name in passed_over):
            if best is not None and not self._helps(route, *best, cycle_utc):
                continue
            wanted = set(route_steps(self.model, route, steps_h))
            if best is not None and akin(route, best[1]):
                wanted |= set(best[0].steps_h)  # kept, and of use here as well
            haul = self.collector(route).gather(cycle_utc, sorted(wanted))
            self._note(route, cycle_utc, haul)
            if best is None or len(haul.steps_h) > len(best[0].steps_h):
                best = (haul, route)
            if haul.complete:
                break
        assert best is not None  # every model has a route
        if best[0].complete:
            self._ask_after(passed_over, cycle_utc, steps_h)
        return best

    def gone(self, cycle_utc: datetime) -> list[Gone]:
        """Ways that count as moved or ended when a cycle is looked for."""
        silent = {
            route.name: since
            for route in self.model.routes
            if (since := self._silent_since(route, cycle_utc)) is not None
        }
        heard = [route for route in self.model.routes if route.name not in silent]
        instead = heard[0] if heard else None
        return [
            Gone(route, silent[route.name], instead)
            for route in self.model.routes
            if route.name in silent
        ]

    def _helps(self, route: Route, before: Haul, its: Route, cycle_utc: datetime) -> bool:
        """Whether to ask a way when another one did not bring everything."""
        from_there = akin(route, its)
        name = way_words(its)
        if before.refused or (before.failed and (from_there or not before.steps_h)):
            self.say(f"{self.model.name} by {name}: refused or in trouble; the next way is tried")
            return True
        if self.overdue(cycle_utc) and (from_there or not before.heard):
            self.say(f"{self.model.name} by {name}: overdue; the next way is asked as well")
            return True
        return False

    def _name(self, route: Route) -> str:
        return f"{self.model.name} by {route.name}"

    def _note(self, route: Route, cycle_utc: datetime, haul: Haul) -> None:
        """Remember how a way did; a refusal says nothing about what it has."""
        if haul.heard:
            self._keep(route, cycle_utc, CycleStage.PARTIAL)
        elif not haul.problems and not haul.steps_h and self.overdue(cycle_utc):
            self._keep(route, cycle_utc, CycleStage.ABSENT)

    def _keep(self, route: Route, cycle_utc: datetime, stage: CycleStage) -> None:
        known = self._states(route)
        if not any(s.cycle_utc == cycle_utc and s.stage is stage for s in known):
            state = CycleState(self._name(route), cycle_utc, stage, route.name, 0, 0, self.now)
            self.ledger.note_cycle(state)

    def _states(self, route: Route) -> Sequence[CycleState]:
        return self.ledger.cycle_states(self._name(route))

    def _silent_since(self, route: Route, cycle_utc: datetime) -> datetime | None:
        """First of the cycles in a row that were absent; None while these are few."""
        silent: list[datetime] = []
        for state in self._states(route):  # the newest first
            if state.stage is not CycleStage.ABSENT:
                break
            silent.append(state.cycle_utc)
        return silent[-1] if len(silent) >= SILENT_CYCLES else None

    def _ask_after(
        self, passed_over: set[str], cycle_utc: datetime, steps_h: Sequence[int]
    ) -> None:
        """Ask a way that was passed over one question, once a cycle, when all is there."""
        for route in self.model.routes:
            known = any(state.cycle_utc == cycle_utc for state in self._states(route))
            if route.name not in passed_over or known:
                continue
            first, *_ = route_steps(self.model, route, steps_h) or steps_h
            there = self.collector(route).is_there(cycle_utc, first)
            if there is not None:
                self._keep(route, cycle_utc, CycleStage.PARTIAL if there else CycleStage.ABSENT)


_LOG = logging.getLogger(__name__)
#: With fewer steps there is no time axis to fly along.
_FEWEST_STEPS = 2
#: A cycle that is given up is passed once more within this time.
_LAST_CHANCE = timedelta(hours=1)


@dataclass(frozen=True)
class NetworkPlan:
    """What is fetched, and with how much patience.

    Parameters
    ----------
    model : Model
    folder : Path
        Where files are kept.
    area : south, west, north, east
        What is wanted of the globe. [deg]
    every_h : int
        Steps that are multiples of this are fetched. [h]
    give_up_after, late_after, partial_every : timedelta
        Age at which a cycle that stays incomplete is passed as it is; how much later than
        expected is late; pause between two passes of a cycle that comes in.
    keep : Keep
    """

    model: Model
    folder: Path
    area: Area
    every_h: int = 3
    give_up_after: timedelta = timedelta(hours=11)
    late_after: timedelta = timedelta(hours=1)
    partial_every: timedelta = timedelta(minutes=30)
    keep: Keep = field(default_factory=Keep)


@dataclass(kw_only=True)
class NetworkWatcher(Watcher):
    """Looks for cycles of one model for one watch.

    Parameters
    ----------
    plan : NetworkPlan
    fetcher : Fetcher
    passing : callable, optional
        Makes the pass of a fetched cycle at a time; in this process when None.
    checker : Checker, optional
        Checks fetched files in a process of its own; in this process when None.
    """

    plan: NetworkPlan
    fetcher: Fetcher
    passing: Callable[[Fetched, datetime], PassResult | None] | None = None
    checker: Checker | None = None
    _failed: Counter[tuple[datetime, int]] = field(default_factory=Counter)
    _passed: dict[datetime, tuple[datetime, int]] = field(default_factory=dict)
    _sound: set[str] = field(default_factory=set)
    _told_gone: set[str] = field(default_factory=set)
    _pruned: datetime | None = None

    def look(self) -> PassResult | None:
        """Look once; run one pass if there is something new.

        Returns
        -------
        PassResult or None
            None when there is nothing new.

        Raises
        ------
        WindowwatchError
            What fetching, reading, flying or storing refused; nothing of the pass is stored
            then, and the next look goes on from what was fetched.
        """
        now = self.clock.now()
        hours = self.watch.span.hours(now)
        if not hours:
            self._once("the watched days are over: no launch hour is to come, nothing is fetched")
            return None
        self._require_one_model()
        ledger = self.store.ledger()
        model = self.plan.model
        newest = self.store.latest_cycle(self.watch.name, self.watch.model)
        oldest = now - self.plan.give_up_after - _LAST_CHANCE
        for cycle_utc in cycles_between(model, oldest, now):
            if newest is not None and cycle_utc < newest.reference_utc:
                break  # what is stored is newer
            if first_due(model, cycle_utc) > now:
                continue
            state = self._state(ledger, cycle_utc)
            if state is not None and self._is_done(state):
                break
            steps = self._steps(cycle_utc, hours[0], hours[-1])
            if not steps:
                continue
            haul, route = self._gather(ledger, cycle_utc, steps)
            state = self._note(ledger, cycle_utc, haul, route, steps, state)
            for words in haul.problems:
                self._once(words)
            if haul.steps_h:
                self._supersede(ledger, cycle_utc)
                result = self._pass(cycle_utc, haul, state)
                self._late(ledger)
                self._tidy(ledger, now)
                return result
        self._late(ledger)
        return None

    def _require_one_model(self) -> None:
        """Refuse to go on under a name that another weather model's cycles are stored under.

        Where a cycle was fetched from shows in the folder that its files lay in.
        """
        for stored in self.store.cycles(self.watch.name, last=1, model=self.watch.model):
            for file in stored.files:
                path = Path(file.path)
                if not path.is_relative_to(self.plan.folder):
                    continue
                its = path.relative_to(self.plan.folder).parts[0]
                if its in MODELS and family(its) != family(self.plan.model.name):
                    raise SourceError(
                        f"cycles stored as {self.watch.model!r} are of {its}, but "
                        f"{self.plan.model.name} is fetched now; give the weather model another "
                        f"name in the settings (model), or fetch {its} again"
                    )

    def _steps(self, cycle_utc: datetime, first: datetime, last: datetime) -> tuple[int, ...]:
        with_zero = self.plan.model.routes[0].speech is Speech.ECMWF_INDEX
        return needed_steps(
            self.plan.model, cycle_utc, first, last, self.plan.every_h, with_zero=with_zero
        )

    def _ways(self, ledger: Ledger, now: datetime) -> Ways:
        """All ways to the model, as they stand now."""
        plan, check = self.plan, check_file if self.checker is None else self.checker

        def collector(route: Route) -> Collector:
            return Collector(
                plan.model,
                route,
                plan.folder,
                plan.area,
                ledger,
                self.fetcher,
                self.clock.now,
                self._sound,
                check,
                self.progress,
            )

        def overdue(cycle_utc: datetime) -> bool:
            due = complete_due(plan.model, ledger.cycle_states(plan.model.name), cycle_utc)
            return now > due.at_utc + plan.late_after

        return Ways(plan.model, ledger, collector, now, overdue, self._once)

    def _gather(
        self, ledger: Ledger, cycle_utc: datetime, steps: Sequence[int]
    ) -> tuple[Haul, Route]:
        """What there is of a cycle, by whichever way; a way that has gone is told of."""
        ways = self._ways(ledger, self.clock.now())
        try:
            found = ways.gather(cycle_utc, steps)
        finally:
            if self.checker is not None:
                self.checker.close()
        for gone in ways.gone(cycle_utc):
            label = f"{gone.route.name}#gone since {gone.since_utc:%Y-%m-%dT%HZ}"
            if label not in self._told_gone:
                self._told_gone.add(label)
                cycle = Cycle(cycle_utc, self.watch.model)
                self._tell(cycle, label, (gone.cause(self.plan.model),), self.clock.now())
        return found

    def _note(
        self,
        ledger: Ledger,
        cycle_utc: datetime,
        haul: Haul,
        route: Route,
        steps: Sequence[int],
        before: CycleState | None,
    ) -> CycleState:
        """Write down how the cycle stands."""
        now = self.clock.now()
        stage = CycleStage.PARTIAL if haul.steps_h else CycleStage.ABSENT
        absent, complete = (
            (None, None) if before is None else (before.absent_utc, before.complete_utc)
        )
        if haul.complete or complete is not None:
            stage, complete = CycleStage.COMPLETE, complete or now
        else:
            absent = now
        if complete is None and now - cycle_utc > self.plan.give_up_after:
            stage = CycleStage.GIVEN_UP
        state = CycleState(
            self.plan.model.name,
            cycle_utc,
            stage,
            route.name,
            len(haul.steps_h),
            len(steps),
            now,
            absent,
            complete,
        )
        # Told first: its key is stable, so a crash between the two neither loses nor doubles it.
        if stage is CycleStage.GIVEN_UP and (before is None or before.stage is not stage):
            self._tell_given_up(Cycle(cycle_utc, self.watch.model), state)
        ledger.note_cycle(state)
        return state

    def _supersede(self, ledger: Ledger, cycle_utc: datetime) -> None:
        """Older cycles that are not complete will not be any more."""
        for state in ledger.cycle_states(self.plan.model.name, 6):
            if state.cycle_utc < cycle_utc and state.stage in (
                CycleStage.ABSENT,
                CycleStage.PARTIAL,
            ):
                ledger.note_cycle(replace(state, stage=CycleStage.SUPERSEDED))

    def _pass(self, cycle_utc: datetime, haul: Haul, state: CycleState) -> PassResult | None:
        """Pass a cycle if that brings anything new now."""
        now = self.clock.now()
        final = state.stage in (CycleStage.COMPLETE, CycleStage.GIVEN_UP)
        cycle = Cycle(cycle_utc, self.watch.model)
        last = self._passed.get(cycle_utc)
        if last is not None and last[1] >= len(haul.steps_h):
            return None
        if not final and last is not None and now - last[0] < self.plan.partial_every:
            return None
        if len(haul.steps_h) < _FEWEST_STEPS:
            return None
        _LOG.info(
            "cycle %s: pass begins, %d of %d steps are here",
            cycle.id,
            len(haul.steps_h),
            state.steps_needed,
        )
        credit = self.plan.model.credit(cycle_utc)
        place = self.plan.folder / self.plan.model.name / f"{cycle_utc:%Y%m%d%H}" / "cycle.nc"
        fetched = Fetched(cycle, haul.files, self.plan.area, not haul.complete, credit, str(place))
        state_of_it = (cycle_utc, len(haul.steps_h))
        if self._failed[state_of_it] >= self.tries:
            self._once(
                f"cycle {cycle.id}: its pass failed {self.tries} times and is not tried again "
                "until more of it has come"
            )
            return None
        try:
            result = (self.passing or self._pass_here)(fetched, now)
        except (PassStoppedError, StorageError):
            raise  # that says nothing about the cycle
        except WindowwatchError as error:
            self._failed[state_of_it] += 1
            self._sound.clear()  # every file is held against its checksum at the next look
            failed = self._failed[state_of_it]
            if failed >= self.tries:
                tell_failed(self.store, self.watch, cycle, error, tries=failed, now_utc=now)
            raise
        self._passed[cycle_utc] = (now, len(haul.steps_h))
        if result is None:
            return None
        log_result(result)
        states = self.store.ledger().cycle_states(self.plan.model.name)
        _LOG.info("%s", next_words(self.plan.model, states, now))
        return result

    def _pass_here(self, fetched: Fetched, now_utc: datetime) -> PassResult | None:
        return pass_fetched(fetched, self.watch, self.store, now_utc, self.stopping, self.progress)

    def _is_done(self, state: CycleState) -> bool:
        """Whether nothing more is to come of a cycle, and all of it was passed."""
        if state.stage not in (CycleStage.COMPLETE, CycleStage.GIVEN_UP):
            return False
        cycle = Cycle(state.cycle_utc, self.watch.model)
        _, steps = self.store.passes(self.watch.name, cycle.id)
        return steps >= max(state.steps_there, _FEWEST_STEPS)

    def _state(self, ledger: Ledger, cycle_utc: datetime) -> CycleState | None:
        states = ledger.cycle_states(self.plan.model.name)
        return next((s for s in states if s.cycle_utc == cycle_utc), None)

    def _late(self, ledger: Ledger) -> None:
        """Store that the forecast is late, once, when it is."""
        now, model = self.clock.now(), self.plan.model
        states = ledger.cycle_states(model.name)
        done = {state.cycle_utc for state in states if state.complete_utc is not None}
        for cycle_utc in cycles_between(model, now - timedelta(hours=24), now):
            if cycle_utc in done:
                return
            due = complete_due(model, states, cycle_utc)
            state = next((s for s in states if s.cycle_utc == cycle_utc), None)
            if state is None or now <= due.at_utc + self.plan.late_after:
                continue
            self._tell_late(Cycle(cycle_utc, self.watch.model), state, due.at_utc, now)
            return

    def _tell_late(self, cycle: Cycle, state: CycleState, due_utc: datetime, now: datetime) -> None:
        told = self.store.changes_since(
            self.watch.name, now - timedelta(days=5), ChangeKind.FORECAST_LATE
        )
        shown = still_shown(self.store.latest_cycle(self.watch.name, self.watch.model))
        if was_told(told, shown):
            return  # the same silence
        late = ForecastLate(cycle.reference_utc, due_utc, state.steps_there, state.steps_needed)
        self._tell(cycle, cycle.id, (late, shown), now)

    def _tell_given_up(self, cycle: Cycle, state: CycleState) -> None:
        """Store, once, that the rest of a cycle is not waited for any more."""
        given_up = GivenUp(
            cycle.reference_utc, self.plan.give_up_after, state.steps_there, state.steps_needed
        )
        self._tell(cycle, f"{cycle.id}#given-up", (given_up,), self.clock.now())

    def _tell(self, cycle: Cycle, label: str, causes: Causes, now: datetime) -> None:
        """Store a change about the forecast; of a model that does not decide it is only logged."""
        if self.watch.role is Role.OPINION:
            self._once(f"{cycle.model}: {reason(causes, written)}")
            return
        change = about_the_watch(
            ChangeKind.FORECAST_LATE,
            cycle,
            causes,
            watch=self.watch.name,
            label=label,
            now_utc=now,
        )
        if tell_of(self.store, self.watch, (change,)):
            _LOG.warning("%s", reason(causes, written))

    def _tidy(self, ledger: Ledger, now: datetime) -> None:
        """Remove what is old, now and then."""
        if self._pruned is not None and now - self._pruned < timedelta(hours=1):
            return
        self._pruned = now
        for name in prune(self.plan.folder, self.plan.model.name, ledger, self.plan.keep, now):
            _LOG.info("removed the fetched files of %s", name)


def make_fetcher(
    retry_policy: RetryPolicy,
    clock: Clock,
    stopping: Callable[[], bool] = lambda: False,
    record: Path | None = None,
) -> Fetcher:
    """A fetcher in the real world, whose pauses end when the program is to end.

    With `record`, every answer is written down in that folder.
    """
    recorder = None if record is None else Recorder(record, clock.now)

    def sleep(seconds: float) -> None:
        end = time.monotonic() + seconds
        while not stopping() and (left := end - time.monotonic()) > 0.0:
            time.sleep(min(left, 0.2))

    return Fetcher(retry_policy, World(clock, time.monotonic, sleep, Random(), stopping), recorder)
