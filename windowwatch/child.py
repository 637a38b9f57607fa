"""Work in a process of its own, with a time and a memory limit: the one runner of child processes.

Decoding stands on libraries in C that can take their process down, numpy can ask for more memory
than there is, and the libraries of maps must not meet those of forecasts. In a child each of
these ends the child only, and whoever asked is told which of them it was.

A child is a plain process that is handed calls on its standard input and hands answers back on
its standard output. So it may be started by a process that is itself a child, imports nothing
but what its calls need, and ends when whoever started it ends, in whatever way.
"""

import contextlib
import copyreg
import ctypes
import gc
import io
import logging
import os
import pickle
import queue
import signal
import subprocess
import sys
import threading
import time
import weakref
from collections.abc import Callable
from dataclasses import dataclass
from datetime import timedelta
from enum import Enum
from importlib import import_module
from pathlib import Path
from types import MappingProxyType
from typing import IO, Any, Self, TypeVar, cast

from windowwatch.errors import InputError, WindowwatchError
from windowwatch.logs import LogStyle

#: Arrays from this size on are mapped by themselves. [byte] Smaller ones are too many for that.
MAPPED_BYTES = 4 << 20
_M_MMAP_THRESHOLD = -3  # <malloc.h> of the GNU C library
#: Objects more than there were, from which on garbage is looked for.
_GARBAGE_AFTER = 20_000


def give_back_freed_arrays() -> None:
    """Have large arrays mapped by themselves for the rest of this process.

    The GNU C library raises its bound for that as soon as a large array is freed, up to
    32 MB, and then keeps freed arrays in one heap a thread, where little of them is used
    again: after a few passes a hundred megabytes. Where another C library is at work, nothing
    is done.
    """
    with contextlib.suppress(OSError, AttributeError, TypeError):
        ctypes.CDLL(None).mallopt(_M_MMAP_THRESHOLD, MAPPED_BYTES)


def one_algebra_thread() -> None:
    """Have linear algebra done by one thread, in this process and those that it starts.

    OpenBLAS adds up in another order for another number of threads, so that answers would hang on
    how many processors there are; and for matrices as small as ours its threads only cost. It
    asks when numpy is first loaded: call this before. What a user has set stays.
    """
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


def look_for_garbage_less_often() -> None:
    """Have Python look for garbage after so many more objects, for the rest of this process.

    After every 700, as it begins with, it walks the half million objects that libraries hold,
    over and over: a tenth of the time of starting, and of a pass. What no circle holds is freed
    at once all the same, large arrays among it.
    """
    gc.set_threshold(_GARBAGE_AFTER)


def give_back_unused_heap() -> None:
    """Give what was freed in small pieces back to the machine, as far as whole pages are free.

    Reading a cycle leaves tens of megabytes of them. Nothing is done where another C library
    is at work.
    """
    with contextlib.suppress(OSError, AttributeError, TypeError):
        ctypes.CDLL(None).malloc_trim(0)


_LOG = logging.getLogger(__name__)
#: How often the parent asks whether it is to stop. [s]
_POLL_S = 0.2
#: How long a child that was asked to end may take before it is killed. [s]
_GRACE_S = 1.0
#: A child that must not slow its parent down steps back behind it by so much (POSIX nice).
NICER_BY = 5
#: What a child runs.
_SERVE = "from windowwatch.child import serve; serve()"

Answer = TypeVar("Answer")
#: Told in words what is done now, and which share of the whole is done, from 0 to 1.
Progress = Callable[[str, float], None]


def unheard(_words: str, _share: float) -> None:
    """Progress that nobody asked for."""


def never() -> bool:
    """Nobody asks to stop."""
    return False


class ChildError(WindowwatchError):
    """The work of a child did not come to its end; `cause` says more where more is known."""

    def __init__(self, message: str, *, retry: bool = False, cause: str = "") -> None:
        super().__init__(message, retry=retry)
        self.cause = cause


class ChildDiedError(ChildError):
    """The process died; `cause` is its signal or exit code. Or it could not be started."""


class ChildTimeoutError(ChildError):
    """The work took longer than its limit, and was ended."""


class ChildMemoryError(ChildError):
    """The work needs more memory than its limit."""


class ChildFaultError(ChildError):
    """A fault in our own code; `cause` is the foreign exception in words."""


class ChildStoppedError(ChildError):
    """Whoever asked for the work asked to stop it."""


@dataclass(frozen=True)
class ChildLimits:
    """What a child may use.

    Parameters
    ----------
    time : timedelta or None
        From call to answer; None for as long as it takes.
    memory_mb : int or None
        Writable memory (RLIMIT_DATA of POSIX), in units of 10⁶ bytes; not enforced where the
        platform has no such limit. None for no limit but that of the parent.
    """

    time: timedelta | None = timedelta(minutes=20)
    memory_mb: int | None = 4096

    def __post_init__(self) -> None:
        no_time = self.time is not None and self.time <= timedelta(0)
        if no_time or (self.memory_mb is not None and self.memory_mb <= 0):
            raise InputError("a child's limits must be above zero")


UNLIMITED = ChildLimits(None, None)


class _Kind(Enum):
    """What a child says."""

    PROGRESS = 0
    ANSWER = 1
    REFUSAL = 2
    NO_MEMORY = 3
    FAULT = 4


class Child:
    """A process that does one call after the other; started when it is first needed.

    After a call at which the process died or was ended, another one is started for the next.
    One thread at a time may use it.

    Parameters
    ----------
    limits : ChildLimits
        What the process may use; its time is for one call.
    style : LogStyle, optional
        How it writes its logs.
    nicer_by : int
        How far it steps back behind its parent (POSIX nice).
    """

    def __init__(
        self, limits: ChildLimits, *, style: LogStyle | None = None, nicer_by: int = 0
    ) -> None:
        self._limits, self._first = limits, (limits, style, nicer_by)
        self._process: subprocess.Popen[bytes] | None = None
        self._heard: queue.SimpleQueue[tuple[_Kind, Any] | None] = queue.SimpleQueue()
        self._end: Callable[[], Any] = _nothing_to_end

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_error: object) -> None:
        self.close()

    def start(self) -> None:
        """Start the process, unless it runs.

        Raises
        ------
        ChildDiedError
            If there is no room for another process.
        """
        if self._process is not None and self._process.poll() is None:
            return
        self.close()
        try:
            process = _started()
        except OSError as error:
            raise ChildDiedError(
                f"no process can be started ({error.strerror})", retry=True
            ) from error
        self._process, self._heard = process, queue.SimpleQueue()
        self._end = weakref.finalize(self, _end_process, process)
        threading.Thread(target=_listen, args=(process.stdout, self._heard), daemon=True).start()
        with contextlib.suppress(OSError):  # told at the first call
            _hand(process, self._first)

    def call(
        self,
        work: Callable[..., Answer] | str,
        given: tuple[Any, ...],
        *,
        what: str = "the work",
        stopping: Callable[[], bool] = never,
        progress: Progress | None = None,
    ) -> Answer:
        """Call a function of a module in the process and return its answer.

        Parameters
        ----------
        work : callable or str
            A module's function, or its name as ``"package.module:function"`` where this process
            is not to import it; what it takes and gives can be pickled.
        given : tuple
            Its arguments.
        what : str
            What the work is called in messages, with its article.
        stopping : callable
            Asked while the work is done; True ends it.
        progress : callable, optional
            Told what the child says of how far it is; `work` is then given a `progress` of its
            own.

        Raises
        ------
        WindowwatchError
            As `work` raised it.
        ChildError
            Of the kind that says what happened.
        """
        self.start()
        assert self._process is not None
        try:
            with contextlib.suppress(OSError):  # a process that died is told of below
                _hand(self._process, (work, given, progress is not None))
            end = self._deadline()
            while True:
                kind, value = self._wait(end, what, stopping)
                if kind is _Kind.ANSWER:
                    return cast("Answer", value)
                if kind is not _Kind.PROGRESS:
                    raise self._refusal(kind, value, what)
                (progress or unheard)(*value)
        except (ChildDiedError, ChildTimeoutError, ChildStoppedError):
            self.close()
            raise

    def close(self) -> None:
        """End the process; the next call starts another one."""
        self._end()
        self._process, self._end = None, _nothing_to_end

    def _deadline(self) -> float:
        limit = self._limits.time
        return float("inf") if limit is None else time.monotonic() + limit.total_seconds()

    def _wait(self, end: float, what: str, stopping: Callable[[], bool]) -> tuple[_Kind, Any]:
        """Wait until the child says something; also one that always does has a limit."""
        while True:
            if stopping():
                raise ChildStoppedError(f"{what} was stopped", retry=True)
            if time.monotonic() > end:
                assert self._limits.time is not None
                minutes = self._limits.time.total_seconds() / 60.0
                raise ChildTimeoutError(
                    f"{what} was ended: it took longer than {minutes:g} min", retry=True
                )
            with contextlib.suppress(queue.Empty):
                said = self._heard.get(timeout=_POLL_S)
                if said is not None:
                    return said
                cause = self._death()
                raise ChildDiedError(
                    f"the process of {what} died: {cause}", retry=True, cause=cause
                )

    def _refusal(self, kind: _Kind, value: Any, what: str) -> WindowwatchError:
        """The error that stands for what the child said instead of an answer."""
        if kind is _Kind.NO_MEMORY:
            given = self._limits.memory_mb
            words = "there is" if given is None else f"the {given} MB it is given"
            return ChildMemoryError(f"{what} needs more memory than {words}")
        if kind is _Kind.FAULT:
            return ChildFaultError(f"a fault in {what}: {value}", cause=value)
        return cast("WindowwatchError", value)

    def _death(self) -> str:
        """How the process died, in words."""
        assert self._process is not None
        try:
            code = self._process.wait(_GRACE_S)
        except subprocess.TimeoutExpired:
            return "it fell silent"
        if code >= 0:
            return f"exit code {code}"
        return f"signal {-code} ({signal.Signals(-code).name})"


def in_child(
    work: Callable[..., Answer] | str,
    given: tuple[Any, ...],
    limits: ChildLimits,
    *,
    what: str = "the work",
    style: LogStyle | None = None,
    nicer_by: int = NICER_BY,
    stopping: Callable[[], bool] = never,
    progress: Progress | None = None,
) -> Answer:
    """Call a function in a new process, and return its answer; see `Child`."""
    with Child(limits, style=style, nicer_by=nicer_by) as child:
        return child.call(work, given, what=what, stopping=stopping, progress=progress)


def _nothing_to_end() -> None:
    """Nothing is to be ended."""


def _started() -> "subprocess.Popen[bytes]":
    paths = os.pathsep.join(path or str(Path.cwd()) for path in sys.path)
    return subprocess.Popen(
        [sys.executable, "-P", "-c", _SERVE],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": paths},
    )


def _hand(process: "subprocess.Popen[bytes]", given: Any) -> None:
    """Hand something over as bytes, which the child's own thread does not look into."""
    assert process.stdin is not None
    pickle.dump(pickled(given), process.stdin, pickle.HIGHEST_PROTOCOL)
    process.stdin.flush()


def _listen(source: IO[bytes], heard: "queue.SimpleQueue[tuple[_Kind, Any] | None]") -> None:
    """Take in what a child says, until it says no more: None is the last thing heard."""
    with source:
        try:
            while True:
                heard.put(pickle.load(source))
        except (EOFError, OSError, pickle.UnpicklingError, ValueError):
            heard.put(None)
        except Exception as error:  # an answer that this process cannot make sense of
            _LOG.exception("a fault in an answer")
            heard.put((_Kind.FAULT, f"{type(error).__name__}: {error}"))


def _end_process(process: "subprocess.Popen[bytes]") -> None:
    """End a process, gently first, and wait for it."""
    assert process.stdin is not None
    with contextlib.suppress(OSError):
        process.stdin.close()
    for end, wait_s in ((None, _GRACE_S / 10), (process.terminate, _GRACE_S)):
        if end is not None:
            end()
        with contextlib.suppress(subprocess.TimeoutExpired):
            process.wait(wait_s)
            return
    process.kill()
    process.wait()


# What follows runs in the child.


def serve() -> None:
    """What a child does: call after call, until nobody asks any more."""
    look_for_garbage_less_often()
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # nothing printed by accident may get among the answers
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C goes to the parent, which ends us
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    handed: queue.SimpleQueue[bytes] = queue.SimpleQueue()
    threading.Thread(target=_take, args=(sys.stdin.buffer, handed), daemon=True).start()
    try:
        _settle(*pickle.loads(handed.get()))
        while True:
            _answer(handed.get(), answers)
            give_back_unused_heap()  # it may stay for long, and the next call may never come
    except Exception:
        _LOG.exception("a child process cannot go on")
    finally:
        os._exit(1)  # at once: the thread that takes calls in holds the lock of standard input


def _settle(limits: ChildLimits, style: LogStyle | None, nicer_by: int) -> None:
    """Logs, room and rank of this process, before any work."""
    if nicer_by and hasattr(os, "nice"):  # POSIX only
        os.nice(nicer_by)
    if style is not None:
        style.set_up()
    give_back_freed_arrays()
    _limit_memory(limits.memory_mb)


def _take(source: IO[bytes], handed: "queue.SimpleQueue[bytes]") -> None:
    """Take calls in; end this process when whoever asked ends, or has no more to ask."""
    try:
        while True:
            handed.put(pickle.load(source))
    finally:
        os._exit(0)


def _answer(call: bytes, answers: IO[bytes]) -> None:
    """Do one call and say what came of it."""

    def say(kind: _Kind, value: Any) -> None:
        _Pickler(answers, pickle.HIGHEST_PROTOCOL).dump((kind, value))
        answers.flush()

    def tell(words: str, share: float) -> None:
        say(_Kind.PROGRESS, (words, share))

    try:
        work, given, tells = pickle.loads(call)
        found = _named(work) if isinstance(work, str) else work
        answer = found(*given, **({"progress": tell} if tells else {}))
    except WindowwatchError as error:
        say(_Kind.REFUSAL, error)
    except MemoryError:
        say(_Kind.NO_MEMORY, None)
    except Exception as error:
        # A fault in our own code ends one call, not the daemon; the log has the trace.
        _LOG.exception("a fault in the work of a child process")
        say(_Kind.FAULT, f"{type(error).__name__}: {error}")
    else:
        say(_Kind.ANSWER, answer)


def _named(name: str) -> Callable[..., Any]:
    module, _, function = name.partition(":")
    return cast("Callable[..., Any]", getattr(import_module(module), function))


def _limit_memory(memory_mb: int | None) -> None:
    if memory_mb is None:
        return
    try:
        import resource
    except ImportError:
        _LOG.warning("this platform has no memory limit for a process")
        return
    size = memory_mb * 1_000_000
    _, most = resource.getrlimit(resource.RLIMIT_DATA)  # of a parent that has a limit itself
    if most != resource.RLIM_INFINITY:
        size = min(size, most)
    resource.setrlimit(resource.RLIMIT_DATA, (size, size))


def _read_only(mapping: "MappingProxyType[Any, Any]") -> tuple[Any, tuple[dict[Any, Any]]]:
    return _of_dict, (dict(mapping),)


def _of_dict(plain: dict[Any, Any]) -> "MappingProxyType[Any, Any]":
    return MappingProxyType(plain)


class _Pickler(pickle.Pickler):
    """Read-only mappings, of which plans are made, cross over as well."""

    dispatch_table = copyreg.dispatch_table | {MappingProxyType: _read_only}


def pickled(value: Any) -> bytes:
    """A value as bytes that another process can read, read-only mappings included."""
    into = io.BytesIO()
    _Pickler(into, pickle.HIGHEST_PROTOCOL).dump(value)
    return into.getvalue()
