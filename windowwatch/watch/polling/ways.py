"""By which way a cycle is gathered, and when a way counts as moved or ended.

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
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime

from windowwatch.forecast.download.catalogue import Model, Route, akin
from windowwatch.forecast.download.collect import Collector, Haul
from windowwatch.forecast.download.ledger import CycleStage, CycleState, Ledger
from windowwatch.forecast.download.wanted import route_steps
from windowwatch.windows.causes import RouteGone

#: So many cycles in a row without anything are no accident. Common practice, no source.
SILENT_CYCLES = 3


@dataclass(frozen=True)
class Gone:
    """A way on which nothing has come since a cycle, and what is used instead, if anything."""

    route: Route
    since_utc: datetime
    instead: Route | None

    def cause(self, model: Model) -> RouteGone:
        """What people are told, as a fact."""
        instead = self.instead
        return RouteGone(
            model.words,
            str(self.route.speech),
            self.route.grid_deg,
            self.since_utc,
            None if instead is None else str(instead.speech),
            None if instead is None else instead.grid_deg,
        )


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
