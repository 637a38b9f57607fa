"""A finer weather model near the ground: its newest cycle fetched, and kept at hand.

Named rules
-----------
never in the way
    The deciding model's pass waits for nothing here: what is at hand is used, and what is not
    there, late, failed, unreadable, outside the area or out of reach leaves the hour to the
    deciding model, which the hour then says. After trouble the providers rest for a while.
a whole one before a newer one
    The newest cycle of which every needed step is here is used; while none is whole, the newest
    of which two steps are.
no pass of its own
    A new cycle is used at the deciding model's next pass.
"""

import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path

from windowwatch.clock import Clock
from windowwatch.errors import ForecastError
from windowwatch.forecast.atsites import box_round
from windowwatch.forecast.cycle import Cycle
from windowwatch.forecast.download.checked import check_file
from windowwatch.forecast.download.collect import Check, Collector
from windowwatch.forecast.download.fetch import Fetcher, FetchStoppedError, RetryPolicy
from windowwatch.forecast.download.ledger import Keep, cycles_between, first_due, prune
from windowwatch.forecast.finer import FinerModel
from windowwatch.scoring.values import Site
from windowwatch.storage.store import Store
from windowwatch.watch.nearby import NearFiles
from windowwatch.watch.values import Watch

_LOG = logging.getLogger(__name__)
#: With fewer steps there is nothing between two of them.
_FEWEST_STEPS = 2
#: After trouble nobody is asked for so long.
_REST = timedelta(minutes=10)


@dataclass(frozen=True)
class NearPlan:
    """What is fetched of a finer model, how, and how long it is kept.

    `folder` and `every_h` are as in `polling.network.NetworkPlan`.
    """

    finer: FinerModel
    folder: Path
    every_h: int = 1
    retry_policy: RetryPolicy = field(default_factory=RetryPolicy)
    keep: Keep = field(default_factory=lambda: Keep(1.0))


@dataclass
class NearWatcher:
    """Keeps the newest cycle of a finer model at hand for one watch.

    Parameters
    ----------
    watch : Watch
    plan : NearPlan
    store : Store
    clock : Clock
    fetcher : Fetcher
    check : callable
        Checks a fetched file; elsewhere, if it does so.
    """

    watch: Watch
    plan: NearPlan
    store: Store
    clock: Clock
    fetcher: Fetcher
    check: Check = check_file
    close_check: Callable[[], None] = lambda: None
    _sound: set[str] = field(default_factory=set)
    _rests_until: datetime | None = None

    def look(self) -> NearFiles:
        """Fetch what is new and needed, and say what is at hand.

        Raises
        ------
        FetchStoppedError
            If the program is to end.
        """
        inside = [site for site in self.watch.sites if self.plan.finer.has(site)]
        nothing = NearFiles(self.plan.finer.name, tuple(site.name for site in inside))
        now = self.clock.now()
        hours = self.watch.span.hours(now)
        if not inside or not hours:
            return nothing
        try:
            found = self._newest(nothing, inside, now, hours)
        except FetchStoppedError:
            raise
        except (ForecastError, OSError) as error:
            self._trouble(str(error))
            return nothing
        finally:
            self.close_check()
        ledger, name = self.store.ledger(), self.plan.finer.name
        for gone in prune(self.plan.folder, name, ledger, self.plan.keep, now):
            _LOG.info("removed the fetched files of %s", gone)
        return found

    def _newest(
        self, nothing: NearFiles, inside: Sequence[Site], now: datetime, hours: Sequence[datetime]
    ) -> NearFiles:
        """The newest whole cycle, or else the newest of which there is anything."""
        model = self.plan.finer.model
        (route,) = model.routes
        collector = Collector(
            model,
            route,
            self.plan.folder,
            box_round(inside),
            self.store.ledger(),
            self.fetcher,
            self.clock.now,
            self._sound,
            self.check,
        )
        best = nothing
        for cycle_utc in cycles_between(model, now - timedelta(hours=24), now):
            steps = self._steps(cycle_utc, hours[0], hours[-1])
            if cycle_utc.hour not in self.plan.finer.long_cycles or not steps:
                continue
            if first_due(model, cycle_utc) > now:
                continue
            resting = self._rests_until is not None and now < self._rests_until
            if resting:
                kept = [f for f in collector.kept_anyhow(cycle_utc) if f.step_h in steps]
                files, whole = tuple(kept), len(kept) == len(steps)
            else:
                haul = collector.gather(cycle_utc, steps)
                files, whole = haul.files, haul.complete
                if haul.failed or haul.refused:
                    self._trouble("; ".join(haul.problems))
            if len(files) >= _FEWEST_STEPS and (whole or best.cycle is None):
                cycle = Cycle(cycle_utc, model.name)
                best = NearFiles(model.name, nothing.sites, cycle, files, model.credit(cycle_utc))
            if whole and best.cycle is not None:
                break
        return best

    def _steps(self, cycle_utc: datetime, first: datetime, last: datetime) -> tuple[int, ...]:
        """Steps from set-up of the first hour to the end of hold of the last. [h]"""
        plan, every = self.watch.plan, self.plan.every_h
        begin = first - timedelta(minutes=plan.setup_min) - timedelta(hours=every)
        end = last + timedelta(minutes=plan.hold_min) + timedelta(hours=every)
        offered = self.plan.finer.model.steps_h(cycle_utc.hour, every)
        lead = [(step, cycle_utc + timedelta(hours=step)) for step in offered]
        return tuple(step for step, valid in lead if begin < valid < end)

    def _trouble(self, words: str) -> None:
        self._rests_until = self.clock.now() + _REST
        _LOG.warning(
            "%s near the ground: %s; asked again in %d minutes, until then what is at hand is used",
            self.plan.finer.name,
            words,
            _REST // timedelta(minutes=1),
        )
