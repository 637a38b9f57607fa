"""What everybody needs who looks for cycles, wherever they come from."""

import logging
from collections.abc import Callable
from dataclasses import dataclass, field

from windowwatch.child import Progress, unheard
from windowwatch.clock import Clock
from windowwatch.storage.store import Store
from windowwatch.watch.pipeline import PassResult
from windowwatch.watch.values import Watch

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
    for words in (*result.gaps, *result.remarks):
        _LOG.info("cycle %s: %s", result.cycle_id, words, extra={"cycle": result.cycle_id})
