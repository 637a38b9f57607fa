"""Passes, and checks of fetched files, in processes of their own: neither can kill the daemon."""

import threading
from collections.abc import Callable, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any, TypeVar

from windowwatch.child import (
    Child,
    ChildDiedError,
    ChildError,
    ChildFaultError,
    ChildLimits,
    ChildMemoryError,
    ChildStoppedError,
    Progress,
    in_child,
    never,
    unheard,
)
from windowwatch.errors import DecodeError
from windowwatch.forecast.download.checked import check_file
from windowwatch.forecast.download.fetch import FetchStoppedError
from windowwatch.forecast.download.wanted import Item, Wanted
from windowwatch.forecast.grib.cutout import Area
from windowwatch.forecast.grib.framing import Framing
from windowwatch.forecast.sources import FoundCycle, load_cycle
from windowwatch.logs import LogStyle
from windowwatch.storage.store import open_store
from windowwatch.watch.pipeline import PassResult, PassStoppedError, run_pass
from windowwatch.watch.values import Watch, area_of

Answer = TypeVar("Answer")
#: What a check gives: frames and checksum of the file, and what it lacks in words.
Checked = tuple[Framing, tuple[str, ...]]


def pass_in_child(
    work: Callable[..., Answer],
    given: tuple[Any, ...],
    limits: ChildLimits,
    *,
    style: LogStyle | None = None,
    stopping: Callable[[], bool] = never,
    progress: Progress | None = None,
) -> Answer:
    """Do a pass in a child: `pass_found_in` here, or `pass_fetched_in` of `polling.fetched`.

    Raises
    ------
    WindowwatchError
        What the pass raised; ChildError when the child died or was ended at a limit;
        PassStoppedError when `stopping` said so. Nothing of the pass is stored then, unless
        it died after its last step.
    """
    try:
        return in_child(
            work,
            given,
            limits,
            what="a pass",
            style=style or LogStyle(),
            stopping=stopping,
            progress=progress,
        )
    except ChildStoppedError as error:
        raise PassStoppedError(
            "the pass was stopped; nothing of it is stored", retry=True
        ) from error


def pass_found_in(
    found: FoundCycle,
    watch: Watch,
    database_url: str,
    now_utc: datetime,
    progress: Progress = unheard,
) -> PassResult:
    """Decode, fly, score and store a cycle of the forecast folder; for a process of its own."""
    store = open_store(database_url)
    try:
        progress(f"{found.cycle.id}: reading", 0.0)
        data = load_cycle(found, area=area_of(watch.sites))
        return run_pass(data, watch, store, now_utc=now_utc, progress=progress)
    finally:
        store.close()


class Checker:
    """Checks files one after the other in a process that is started when it is needed.

    May be shared by threads. After a file at which the process died, another one is started
    for the next; the file counts as damaged.

    Parameters
    ----------
    limits : ChildLimits
        What the process may use; its time is for one file.
    style : LogStyle
        How it writes its logs.
    check : callable
        A module's function; `windowwatch.forecast.checked.check_file` but for tests.
    stopping : callable
        Asked while a file is checked; True ends it.
    """

    def __init__(
        self,
        limits: ChildLimits | None = None,
        style: LogStyle | None = None,
        check: Callable[..., Checked] = check_file,
        stopping: Callable[[], bool] = never,
    ) -> None:
        self._check, self._stopping = check, stopping
        self._lock = threading.Lock()
        self._limits = limits or ChildLimits()
        self._child = Child(self._limits, style=style or LogStyle())

    def __call__(
        self, path: Path, item: Item, area: Area, *, asked: Sequence[Wanted] | None
    ) -> Checked:
        """Check one file, as `windowwatch.forecast.checked.check_file`.

        Raises
        ------
        DecodeError
            As `check_file`; and when the process died at the file, or did not come to an end.
        FetchStoppedError
            If `stopping` said so.
        """
        given = (self._check, path, item, area, asked)
        with self._lock:
            try:
                return self._child.call(_checked, given, stopping=self._stopping)
            except ChildStoppedError as error:
                raise FetchStoppedError("fetching was stopped", retry=True) from error
            except ChildError as error:
                raise DecodeError(f"{path.name}: {self._what_happened(error)}") from error

    def close(self) -> None:
        """End the process; the next check starts another one."""
        with self._lock:
            self._child.close()

    def _what_happened(self, error: ChildError) -> str:
        if isinstance(error, ChildDiedError):
            return f"the process that read it died: {error.cause or error.message}"
        if isinstance(error, ChildMemoryError):
            return f"reading it needs more than {self._limits.memory_mb} MB of memory"
        if isinstance(error, ChildFaultError):
            return f"a fault in its check: {error.cause}"
        return "checking it does not come to an end"


def _checked(
    check: Callable[..., Checked],
    path: Path,
    item: Item,
    area: Area,
    asked: Sequence[Wanted] | None,
) -> Checked:
    return check(path, item, area, asked=asked)
