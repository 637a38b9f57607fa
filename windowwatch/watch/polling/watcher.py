"""Looking for new cycles: what all ways of looking share, and looking into the forecast folder."""

import logging
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from windowwatch.child import Progress, unheard
from windowwatch.clock import Clock
from windowwatch.errors import StorageError, WindowwatchError
from windowwatch.forecast.sources import FolderLook, FoundCycle, Seen, load_cycle, scan_folder
from windowwatch.storage.store import Store
from windowwatch.watch.flying import PassStoppedError
from windowwatch.watch.pipeline import PassResult, run_pass
from windowwatch.watch.run.between import tell_failed
from windowwatch.watch.values import Watch, area_of
from windowwatch.wording.gaps import notes_words

_LOG = logging.getLogger(__name__)


@dataclass
class Watcher:
    """Looks for cycles of one weather model for one watch.

    Parameters
    ----------
    watch : Watch
    store : Store
    clock : Clock
    stopping : callable
        Asked between the steps of a pass; True ends it with nothing stored.
    tries : int
        A cycle whose pass failed so often is left alone until there is more of it.
    progress : callable
        Told what is done.
    """

    watch: Watch
    store: Store
    clock: Clock
    stopping: Callable[[], bool] = lambda: False
    tries: int = 3
    progress: Progress = unheard
    _said: set[str] = field(default_factory=set)

    def _once(self, words: str) -> None:
        """Say something once, not at every look."""
        if words not in self._said:
            self._said.add(words)
            _LOG.warning(words)


def log_result(result: PassResult) -> None:
    """Say in the log what a pass gave."""
    refused = sum(hour.refused is not None for hour in result.hours)
    _LOG.info(
        "cycle %s: %d hours scored, %d refused, %d flights, %d change(s)%s",
        result.cycle_id,
        len(result.hours) - refused,
        refused,
        result.flights,
        len(result.changes),
        "" if result.saved else ", already stored",
        extra={"cycle": result.cycle_id},
    )
    for words in notes_words((*result.gaps, *result.remarks)):
        _LOG.info("cycle %s: %s", result.cycle_id, words, extra={"cycle": result.cycle_id})


@dataclass(kw_only=True)
class FolderWatcher(Watcher):
    """Looks into one folder for one watch, and remembers what it saw.

    Parameters
    ----------
    folder : Path
    passing : callable, optional
        Makes the pass of a found cycle at a time; in this process when None.
    """

    folder: Path
    passing: Callable[[FoundCycle, datetime], PassResult] | None = None
    _failed: dict[tuple[FoundCycle, tuple[object, ...]], int] = field(default_factory=dict)
    _had: set[tuple[FoundCycle, tuple[object, ...]]] = field(default_factory=set)
    _seen: Mapping[str, Seen] = field(default_factory=dict)

    def look(self) -> PassResult | None:
        """Look once; run one pass if a new cycle is there.

        Returns
        -------
        PassResult or None
            None when there is nothing new.

        Raises
        ------
        WindowwatchError
            What reading, flying or storing refused; nothing is stored then, and the next
            look tries again.
        """
        look = scan_folder(self.folder, model=self.watch.model, seen=self._seen)
        # Copying a cycle into the folder takes a while, and half a cycle must not pass for a
        # whole one: only files that are as they were at the look before are taken.
        settled = {name for name, seen in look.seen.items() if self._seen.get(name) == seen}
        self._seen = look.seen
        self._say_what_is_set_aside(look)
        newest = self._next(look)
        if newest is None:
            return None
        if not set(newest.files) <= settled:
            _LOG.info(
                "cycle %s: its files still change; waiting for the next look", newest.cycle.id
            )
            return None
        now = self.clock.now()
        if not self.watch.span.hours(now):
            self._once("the watched days are over: no launch hour is to come, nothing is scored")
            return None
        return self._pass(newest, now)

    def _pass(self, newest: FoundCycle, now_utc: datetime) -> PassResult | None:
        """Make the pass of a cycle, and count it when it fails."""
        state = self._state(newest)
        about = {"cycle": newest.cycle.id}
        words = "cycle %s: pass begins, %d file(s)"
        _LOG.info(words, newest.cycle.id, len(newest.files), extra=about)
        try:
            result = (self.passing or self._pass_here)(newest, now_utc)
        except (PassStoppedError, StorageError):
            raise  # that says nothing about the cycle
        except WindowwatchError as error:
            failed = self._failed[state] = self._failed.get(state, 0) + 1
            if failed >= self.tries:
                tell_failed(
                    self.store,
                    self.watch,
                    newest.cycle,
                    error,
                    tries=failed,
                    now_utc=self.clock.now(),
                )
            raise
        if not result.saved:
            self._had.add(state)  # the store had as much: do not fly it again at every look
        log_result(result)
        return result

    def _state(self, found: FoundCycle) -> tuple[FoundCycle, tuple[object, ...]]:
        """A cycle as its files are now."""
        return found, tuple(self._seen.get(name) for name in found.files)

    def _pass_here(self, newest: FoundCycle, now_utc: datetime) -> PassResult:
        data = load_cycle(newest, area=area_of(self.watch.sites))
        return run_pass(
            data,
            self.watch,
            self.store,
            now_utc=now_utc,
            stopping=self.stopping,
            progress=self.progress,
        )

    def _next(self, look: FolderLook) -> FoundCycle | None:
        """The newest cycle that has begun, is not given up, and brings more than is stored."""
        now = self.clock.now()
        stored = self.store.latest_cycle(self.watch.name, self.watch.model)
        for found in reversed(look.cycles):
            if found.cycle.reference_utc > now:
                continue
            if stored is not None and found.cycle.reference_utc < stored.reference_utc:
                return None
            failed = self._failed.get(self._state(found), 0)
            if failed >= self.tries:
                self._once(
                    f"cycle {found.cycle.id}: its pass failed {failed} times and is not tried "
                    "again until its files change"
                )
            elif self._state(found) in self._had:
                continue
            elif found.cycle != stored or self._brings_more(found):
                return found
        return None

    def _brings_more(self, found: FoundCycle) -> bool:
        """Whether a stored cycle has files now that it was not made from."""
        made_from = {
            (file.path, file.size_bytes)
            for each in self.store.cycles(self.watch.name, last=1, model=self.watch.model)
            if each.cycle == found.cycle
            for file in each.files
        }
        now = {(name, self._seen[name].size_bytes) for name in found.files}
        return not now <= made_from

    def _say_what_is_set_aside(self, look: FolderLook) -> None:
        for each in look.set_aside:
            self._once(f"set aside: {each.reason}")
