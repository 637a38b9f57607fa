"""What a running daemon tells its page of its own work: looks, passes, storage. Counted here.

Ages are measured on a clock that nobody can set and that stands still while the machine sleeps,
so neither makes a daemon seem deaf.
"""

import shutil
import threading
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import timedelta
from pathlib import Path

from windowwatch.errors import StorageError, WindowwatchError


@dataclass(frozen=True)
class Life:
    """A daemon's own work at a moment.

    Attributes
    ----------
    since_start, since_look, since_delivering : timedelta
        Since the daemon began, a look for cycles last went well or went on, and a run of
        deliveries last ended; counted from the start where there was none.
    looks, looks_failed, passes, passes_failed, storage_errors, heartbeats, heartbeats_failed : int
        Since the start.
    look_failing : str
        Why the last look was refused; empty when it went well.
    pass_failing : str
        Why the deciding model's last pass failed; empty once one was made again.
    storage_failing : mapping of str to str
        Who was refused by the database when it last worked, and why.
    hanging : mapping of str to timedelta
        Channels whose attempt under way has lasted longer than any may.
    """

    since_start: timedelta
    since_look: timedelta
    since_delivering: timedelta
    looks: int = 0
    looks_failed: int = 0
    passes: int = 0
    passes_failed: int = 0
    storage_errors: int = 0
    heartbeats: int = 0
    heartbeats_failed: int = 0
    look_failing: str = ""
    pass_failing: str = ""
    storage_failing: dict[str, str] = field(default_factory=dict)
    hanging: dict[str, timedelta] = field(default_factory=dict)


class Vitals:
    """Counts what a daemon does; may be shared by threads.

    Parameters
    ----------
    steady_s : callable
        Seconds of a clock that only rises.
    """

    def __init__(self, steady_s: Callable[[], float]) -> None:
        self._time = steady_s
        self._lock = threading.Lock()
        self._begun_s = self._looked_s = self._delivered_s = steady_s()
        self._life = Life(timedelta(0), timedelta(0), timedelta(0))

    def now(self, hanging: dict[str, timedelta] | None = None) -> Life:
        """All of it at this moment."""
        now_s = self._time()
        with self._lock:
            return replace(
                self._life,
                since_start=timedelta(seconds=now_s - self._begun_s),
                since_look=timedelta(seconds=now_s - self._looked_s),
                since_delivering=timedelta(seconds=now_s - self._delivered_s),
                storage_failing=dict(self._life.storage_failing),
                hanging=hanging or {},
            )

    def looked(self, refused: WindowwatchError | None = None) -> None:
        """A look has ended."""
        with self._lock:
            if refused is None:
                self._looked_s = self._time()
                self._life = replace(self._life, looks=self._life.looks + 1, look_failing="")
            else:
                failed = self._life.looks_failed + 1
                why = _line(refused)
                self._life = replace(self._life, looks_failed=failed, look_failing=why)
        self.stored("a look", refused)

    def goes_on(self) -> None:
        """A look that takes long has come further."""
        with self._lock:
            self._looked_s = self._time()

    def passed(self, refused: WindowwatchError | None, *, decides: bool) -> None:
        """A pass was made, or failed; one of another model says nothing of the results."""
        why = "" if refused is None else _line(refused)
        with self._lock:
            life = self._life
            self._life = replace(
                life,
                passes=life.passes + (refused is None),
                passes_failed=life.passes_failed + (refused is not None),
                pass_failing=why if decides else life.pass_failing,
            )

    def delivered(self) -> None:
        """A run of deliveries has ended, or goes on."""
        with self._lock:
            self._delivered_s = self._time()

    def stored(self, who: str, refused: WindowwatchError | None = None) -> None:
        """Somebody has worked with the database, and was refused or not."""
        with self._lock:
            failing = {k: why for k, why in self._life.storage_failing.items() if k != who}
            errors = self._life.storage_errors
            if isinstance(refused, StorageError):
                failing[who], errors = _line(refused), errors + 1
            self._life = replace(self._life, storage_failing=failing, storage_errors=errors)

    def beat(self, refused: WindowwatchError | None = None) -> None:
        """The heartbeat address was called."""
        with self._lock:
            life = self._life
            good, bad = life.heartbeats, life.heartbeats_failed
            if refused is None:
                self._life = replace(life, heartbeats=good + 1)
            else:
                self._life = replace(life, heartbeats_failed=bad + 1)


def _line(error: WindowwatchError) -> str:
    return error.message.splitlines()[0] if error.message else "no reason is known"


def room_at(*places: Path | None) -> int | None:
    """Bytes left on the disk that fills first of those that hold some places. [byte]"""
    left = []
    for place in filter(None, places):
        there = next((each for each in (place, *place.parents) if each.exists()), None)
        with suppress(OSError):
            left += [] if there is None else [shutil.disk_usage(there).free]
    return min(left, default=None)
