"""Work in a process of its own, with a time and a memory limit.

Decoding stands on libraries in C that can take their process down, and numpy can ask for more
memory than there is. In a child either ends the child; the daemon says so and goes on.
"""

import logging
import multiprocessing
import os
import signal
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import Enum
from multiprocessing.connection import Connection
from multiprocessing.reduction import ForkingPickler
from types import MappingProxyType
from typing import Any, TypeVar, cast

from windowwatch.errors import InputError, WindowwatchError
from windowwatch.forecast.sources import FoundCycle, load_cycle
from windowwatch.logs import LogStyle
from windowwatch.memory import give_back_freed_arrays
from windowwatch.storage.store import open_store
from windowwatch.watch.area import area_of
from windowwatch.watch.pipeline import PassResult, PassStoppedError, Progress, run_pass, unheard
from windowwatch.watch.values import Watch

_LOG = logging.getLogger(__name__)
#: How often the parent asks whether it is to stop. [s]
_POLL_S = 0.2
#: How long a child that was asked to end may take before it is killed. [s]
_GRACE_S = 1.0
#: A child steps back behind its parent by so much (POSIX nice).
NICER_BY = 5

Answer = TypeVar("Answer")


class _Kind(Enum):
    """What a child says."""

    PROGRESS = 0
    ANSWER = 1
    REFUSAL = 2


class ChildError(WindowwatchError):
    """The process of a pass did not end as it should: killed, out of time or of memory."""


@dataclass(frozen=True)
class ChildLimits:
    """What a child may use.

    Parameters
    ----------
    time : timedelta
        From start to answer.
    memory_mb : int
        Writable memory (RLIMIT_DATA of POSIX), in units of 10⁶ bytes; not enforced where the
        platform has no such limit.
    """

    time: timedelta = timedelta(minutes=20)
    memory_mb: int = 4096

    def __post_init__(self) -> None:
        if self.time <= timedelta(0) or self.memory_mb <= 0:
            raise InputError("a child's limits must be above zero")


def pass_in_child(
    found: FoundCycle,
    watch: Watch,
    database_url: str,
    now_utc: datetime,
    limits: ChildLimits,
    *,
    style: LogStyle | None = None,
    stopping: Callable[[], bool] = lambda: False,
    progress: Progress | None = None,
) -> PassResult:
    """Decode, fly, score and store one cycle in a child.

    Raises
    ------
    WindowwatchError
        What the pass raised; ChildError when the child died or was ended at a limit;
        PassStoppedError when `stopping` said so. Nothing of the pass is stored then, unless
        it died after its last step.
    """
    given = (found, watch, database_url, now_utc)
    return in_child(_pass, given, limits, style=style, stopping=stopping, progress=progress)


def _pass(
    found: FoundCycle,
    watch: Watch,
    database_url: str,
    now_utc: datetime,
    progress: Progress = unheard,
) -> PassResult:
    """Run in the child."""
    store = open_store(database_url)
    try:
        progress(f"{found.cycle.id}: reading", 0.0)
        data = load_cycle(found, area=area_of(watch.sites))
        return run_pass(data, watch, store, now_utc=now_utc, progress=progress)
    finally:
        store.close()


def in_child(
    work: Callable[..., Answer],
    given: tuple[Any, ...],
    limits: ChildLimits,
    *,
    style: LogStyle | None = None,
    stopping: Callable[[], bool] = lambda: False,
    progress: Progress | None = None,
) -> Answer:
    """Call a function of a module in a new process and return its answer.

    Parameters
    ----------
    work : callable
        A module's function; what it takes and gives can be pickled.
    given : tuple
        Its arguments.
    limits : ChildLimits
        Time and memory.
    style : LogStyle, optional
        How the child writes its logs.
    stopping : callable
        Asked while the child runs; True ends it.
    progress : callable, optional
        Told what the child says of how far it is; `work` is then given a `progress` of its own.

    Raises
    ------
    WindowwatchError
        As `work` raised it, or as in `pass_in_child`.
    """
    _teach_pickling()
    context = multiprocessing.get_context("spawn")  # a fork would copy the threads' locks
    ours, theirs = context.Pipe(duplex=False)
    child = context.Process(
        target=_serve,
        args=(theirs, work, given, limits, style or LogStyle(), progress is not None),
        daemon=True,
    )
    child.start()
    theirs.close()
    end = time.monotonic() + limits.time.total_seconds()
    try:
        while True:
            _wait(ours, end, limits, stopping)
            kind, value = _heard(ours, child)
            if kind is _Kind.ANSWER:
                return cast("Answer", value)
            (progress or unheard)(*value)
    finally:
        end_process(child)
        ours.close()


def _wait(ours: Connection, end: float, limits: ChildLimits, stopping: Callable[[], bool]) -> None:
    """Wait until the child says something."""
    while not ours.poll(_POLL_S):
        if stopping():
            raise PassStoppedError("the pass was stopped; nothing of it is stored", retry=True)
        if time.monotonic() > end:
            minutes = limits.time.total_seconds() / 60.0
            raise ChildError(f"a pass was ended: it took longer than {minutes:g} min", retry=True)


def _heard(ours: Connection, child: Any) -> tuple[_Kind, Any]:
    """What the child said: its answer, or how far it is."""
    try:
        kind, value = ours.recv()
    except EOFError:
        child.join(_GRACE_S)
        raise ChildError(
            f"the process of a pass died: {death(child.exitcode)}", retry=True
        ) from None
    if kind is _Kind.REFUSAL:
        raise value
    return kind, value


def death(exitcode: int | None) -> str:
    """How a process died, in words."""
    if exitcode is None or exitcode >= 0:
        return f"exit code {exitcode}"
    return f"signal {-exitcode} ({signal.Signals(-exitcode).name})"


def end_process(child: Any) -> None:
    """End a process, gently first, and wait for it."""
    child.join(0 if child.exitcode is not None else _GRACE_S / 10)
    if child.is_alive():
        child.terminate()
        child.join(_GRACE_S)
    if child.is_alive():
        child.kill()
        child.join()
    child.close()


def _serve(
    theirs: Connection,
    work: Callable[..., Any],
    given: tuple[Any, ...],
    limits: ChildLimits,
    style: LogStyle,
    tells: bool,
) -> None:
    """The child: limits first, then the work, then its answer."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C goes to the parent, which ends us
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    _make_way()
    style.set_up()
    give_back_freed_arrays()
    _teach_pickling()
    follow_and_limit(limits)

    def tell(words: str, share: float) -> None:
        theirs.send((_Kind.PROGRESS, (words, share)))

    more = {"progress": tell} if tells else {}
    try:
        answer: tuple[_Kind, Any] = (_Kind.ANSWER, work(*given, **more))
    except WindowwatchError as error:
        answer = (_Kind.REFUSAL, error)
    except MemoryError:
        words = f"a pass needs more memory than the {limits.memory_mb} MB it is given"
        answer = (_Kind.REFUSAL, ChildError(words))
    except Exception as error:
        # A fault in our own code ends one pass, not the daemon; the log has the trace.
        _LOG.exception("a fault in a pass")
        words = f"a fault in a pass: {type(error).__name__}: {error}"
        answer = (_Kind.REFUSAL, ChildError(words))
    theirs.send(answer)
    theirs.close()


def _make_way() -> None:
    """Let others go first: the page stays quick while a pass runs."""
    if hasattr(os, "nice"):  # POSIX only
        os.nice(NICER_BY)


def follow_and_limit(limits: ChildLimits) -> None:
    """In a child: end with the parent, and stay within the memory that is given."""
    threading.Thread(target=_follow_the_parent, daemon=True).start()
    _limit_memory(limits.memory_mb)


def _teach_pickling() -> None:
    """Read-only mappings, of which plans are made, cross over as well."""
    ForkingPickler.register(MappingProxyType, _read_only)


def _read_only(mapping: "MappingProxyType[Any, Any]") -> tuple[Any, tuple[dict[Any, Any]]]:
    return _of_dict, (dict(mapping),)


def _of_dict(plain: dict[Any, Any]) -> "MappingProxyType[Any, Any]":
    return MappingProxyType(plain)


def _follow_the_parent() -> None:
    """A daemon that was killed must not leave a pass behind."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def _limit_memory(memory_mb: int) -> None:
    try:
        import resource
    except ImportError:
        _LOG.warning("this platform has no memory limit for a process")
        return
    size = memory_mb * 1_000_000
    resource.setrlimit(resource.RLIMIT_DATA, (size, size))
