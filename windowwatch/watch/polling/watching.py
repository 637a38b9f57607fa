"""Every weather model of a watch looked after: the one that decides first, then the others.

Named rules
-----------
one at a time
    Fetching a cycle and its pass can take long. Of the models that do not decide, one has its
    turn, and then the deciding model is looked at again; at the next look the next one follows.
"""

import logging
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, TypeVar

from windowwatch.child import ChildLimits, Progress, unheard
from windowwatch.clock import Clock
from windowwatch.errors import StorageError, WindowwatchError
from windowwatch.forecast.download.fetch import Fetcher, RetryPolicy
from windowwatch.forecast.sources import FoundCycle
from windowwatch.logs import LogStyle
from windowwatch.storage.store import Store
from windowwatch.watch.flying import PassStoppedError
from windowwatch.watch.nearby import NearFiles
from windowwatch.watch.pipeline import PassResult, recombine
from windowwatch.watch.polling.nearby import NearPlan, NearWatcher
from windowwatch.watch.polling.network import NetworkWatcher, make_fetcher
from windowwatch.watch.polling.watcher import FolderWatcher
from windowwatch.watch.run.processes import (
    Checker,
    Fetched,
    pass_fetched_in,
    pass_found_in,
    pass_in_child,
)
from windowwatch.watch.values import Source, Watch
from windowwatch.windows.steady import waited_in_vain

_LOG = logging.getLogger(__name__)
Result = TypeVar("Result")
#: A look at a model that took longer, by fetching, was its turn.
_A_TURN = timedelta(minutes=1)


@dataclass(frozen=True)
class PassContext:
    """How passes are made: each in a process of its own, within limits.

    Parameters
    ----------
    database_url : str
        May hold a password.
    limits : ChildLimits
    style : LogStyle
        How child processes write their logs.
    tries : int
        A cycle whose pass failed so often is left alone until there is more of it.
    stopping : callable
        Asked again and again; True ends what is under way.
    progress : callable
        Told what is done.
    record : Path, optional
        Folder in which every answer of a provider is written down.
    passed : callable
        Told after each pass of whose model it was, and what it refused, None where nothing; not
        of passes that were stopped, nor of a database that refused.
    """

    database_url: str
    limits: ChildLimits
    style: LogStyle
    tries: int = 3
    stopping: Callable[[], bool] = lambda: False
    progress: Progress = unheard
    record: Path | None = None
    passed: Callable[[Watch, WindowwatchError | None], None] = lambda _watch, _error: None


class Watching:
    """Looks for cycles of every weather model of a watch.

    Parameters
    ----------
    watch : Watch
    sources : sequence of Source
        The deciding model's first, then one for each of `Watch.others`.
    store : Store
    clock : Clock
    context : PassContext
    near : NearPlan, optional
        What is fetched of a finer model near the ground.
    """

    def __init__(
        self,
        watch: Watch,
        sources: Sequence[Source],
        store: Store,
        clock: Clock,
        context: PassContext,
        near: NearPlan | None = None,
    ) -> None:
        self._watch, self._store, self._clock, self._shop = watch, store, clock, context
        self._fetcher: Fetcher | None = None
        self._at_hand: NearFiles | None = None
        self._near = None if near is None else self._near_watcher(near)
        first, *others = sources
        self._first = self._made(watch, first)
        self._others = deque(self._made(watch.as_seen_by(each.model), each) for each in others)
        # What came in before the start may not be weighed yet, nor that nobody is asked any more.
        self._weighed = False

    def close(self) -> None:
        """Close all connections; there is no look after that."""
        if self._fetcher is not None:
            self._fetcher.close()

    def look(self, *, every: bool = False) -> tuple[PassResult, ...]:
        """Look once at every model; run the passes of what is new.

        A model that does not decide never keeps the others from being looked at.

        Parameters
        ----------
        every : bool
            Look at every model that does not decide, however long that takes. Otherwise the
            rest of them wait for the next look, once one had a pass, failed or took long.

        Returns
        -------
        tuple of PassResult
            Of the deciding model: its new pass, and its newest one with what others say now.

        Raises
        ------
        WindowwatchError
            What looking for the deciding model refused, after the others were looked at.
        """
        refused: WindowwatchError | None = None
        results: list[PassResult | None] = []
        if self._near is not None:
            self._at_hand = self._near.look()
        try:
            results.append(self._first.look())
        except PassStoppedError:
            raise
        except WindowwatchError as error:
            refused = error
        self._weighed &= not self._look_at_others(every=every)
        now = self._clock.now()
        if not self._weighed or waited_in_vain(self._store.current_windows(self._watch.name), now):
            weighed = recombine(self._watch, self._store, now)
            self._weighed = True
            if weighed is not None:
                _LOG.info("%s: weighed anew with what others say", weighed.cycle_id)
            results.append(weighed)
        if refused is not None:
            raise refused
        return tuple(result for result in results if result is not None)

    def _look_at_others(self, *, every: bool) -> bool:
        """Whether another model has something new to say."""
        news = False
        for _ in range(len(self._others)):
            other, begun = self._others[0], self._clock.now()
            self._others.rotate(-1)
            turn = True
            try:
                turn = other.look() is not None
                news |= turn
            except PassStoppedError:
                raise
            except WindowwatchError as error:
                words = "%s, which does not decide: %s; tried again at the next look"
                _LOG.error(words, other.watch.model, error.message)
            if not every and (turn or self._clock.now() - begun > _A_TURN):
                break
        return news

    def _made(self, watch: Watch, source: Source) -> FolderWatcher | NetworkWatcher:
        shop = self._shop
        shared: dict[str, Any] = {
            "watch": watch,
            "store": self._store,
            "clock": self._clock,
            "stopping": shop.stopping,
            "tries": shop.tries,
            "progress": shop.progress,
        }
        if source.network is not None:
            return NetworkWatcher(
                **shared,
                plan=source.network,
                fetcher=self._shared_fetcher(source.retry_policy or RetryPolicy()),
                passing=lambda fetched, now: self._noted(
                    watch, lambda: self._pass_fetched(watch, fetched, now)
                ),
                checker=Checker(shop.limits, shop.style, stopping=shop.stopping),
            )
        assert source.folder is not None  # a source is a folder or a plan
        return FolderWatcher(
            **shared,
            folder=source.folder,
            passing=lambda found, now: self._noted(
                watch, lambda: self._pass_found(watch, found, now)
            ),
        )

    def _near_watcher(self, plan: NearPlan) -> NearWatcher:
        shop = self._shop
        checker = Checker(shop.limits, shop.style, stopping=shop.stopping)
        fetcher = self._shared_fetcher(plan.retry_policy)
        return NearWatcher(
            self._watch, plan, self._store, self._clock, fetcher, checker, checker.close
        )

    def _shared_fetcher(self, retry_policy: RetryPolicy) -> Fetcher:
        """One fetcher for all models: a host's pace and its rest are the same for each of them.

        The settings give one retry policy.
        """
        if self._fetcher is None:
            shop = self._shop
            self._fetcher = make_fetcher(retry_policy, self._clock, shop.stopping, shop.record)
        return self._fetcher

    def _noted(self, watch: Watch, make: Callable[[], Result]) -> Result:
        """Make a pass; how it ended is told."""
        try:
            made = make()
        except (PassStoppedError, StorageError):
            raise
        except WindowwatchError as error:
            self._shop.passed(watch, error)
            raise
        if made is not None:
            self._shop.passed(watch, None)
        return made

    def _pass_found(self, watch: Watch, found: FoundCycle, now_utc: datetime) -> PassResult:
        shop = self._shop
        return pass_in_child(
            pass_found_in,
            (found, watch, shop.database_url, now_utc, self._at_hand),
            shop.limits,
            style=shop.style,
            stopping=shop.stopping,
            progress=shop.progress,
        )

    def _pass_fetched(self, watch: Watch, fetched: Fetched, now_utc: datetime) -> PassResult | None:
        shop = self._shop
        return pass_in_child(
            pass_fetched_in,
            (replace(fetched, near=self._at_hand), watch, shop.database_url, now_utc),
            shop.limits,
            style=shop.style,
            stopping=shop.stopping,
            progress=shop.progress,
        )
