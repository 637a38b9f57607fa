"""Fetched files checked in a process of its own: a file that kills its reader kills no daemon."""

import logging
import multiprocessing
import signal
import threading
import time
from collections.abc import Callable, Sequence
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

from windowwatch.errors import DecodeError, WindowwatchError
from windowwatch.forecast.checked import check_file
from windowwatch.forecast.cutout import Area
from windowwatch.forecast.fetch import FetchStoppedError
from windowwatch.forecast.framing import Framing
from windowwatch.forecast.wanted import Item, Wanted
from windowwatch.logs import LogStyle
from windowwatch.watch.child import ChildLimits, death, end_process, follow_and_limit

_LOG = logging.getLogger(__name__)
#: What a check gives: frames and checksum of the file, and what it lacks in words.
Checked = tuple[Framing, tuple[str, ...]]
#: How long an ended process is waited for, to learn how it died. [s]
_GRACE_S = 1.0
#: How often it is asked whether to stop. [s]
_POLL_S = 0.2


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
        stopping: Callable[[], bool] = lambda: False,
    ) -> None:
        self._limits, self._style = limits or ChildLimits(), style or LogStyle()
        self._check, self._stopping = check, stopping
        self._lock = threading.Lock()
        self._process: Any = None
        self._line: Connection | None = None

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
        with self._lock:
            line = self._running()
            try:
                line.send((path, item, area, asked))
                self._wait(line, path)
                good, value = line.recv()
            except (EOFError, OSError) as error:
                self._process.join(_GRACE_S)
                how = death(self._process.exitcode)
                self._end()
                raise DecodeError(f"{path.name}: the process that read it died: {how}") from error
        if not good:
            raise value
        return value  # type: ignore[no-any-return]

    def close(self) -> None:
        """End the process; the next check starts another one."""
        with self._lock:
            self._end()

    def _wait(self, line: Connection, path: Path) -> None:
        """Wait for what is found of a file."""
        until = time.monotonic() + self._limits.time.total_seconds()
        while not line.poll(_POLL_S):
            if self._stopping():
                self._end()
                raise FetchStoppedError("fetching was stopped", retry=True)
            if time.monotonic() > until:
                self._end()
                raise DecodeError(f"{path.name}: checking it does not come to an end")

    def _running(self) -> Connection:
        if self._process is None or not self._process.is_alive() or self._line is None:
            self._end()
            context = multiprocessing.get_context("spawn")
            self._line, theirs = context.Pipe()
            given = (theirs, self._check, self._limits, self._style)
            self._process = context.Process(target=_serve, args=given, daemon=True)
            self._process.start()
            theirs.close()
        return self._line

    def _end(self) -> None:
        if self._line is not None:
            self._line.close()
            self._line = None
        if self._process is not None:
            end_process(self._process)
            self._process = None


def _serve(
    line: Connection, check: Callable[..., Checked], limits: ChildLimits, style: LogStyle
) -> None:
    """The process: one file after the other, until nobody asks any more."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C goes to the parent, which ends us
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    style.set_up()
    follow_and_limit(limits)
    while True:
        try:
            path, item, area, asked = line.recv()
        except (EOFError, OSError):
            return
        began = time.monotonic()
        try:
            line.send((True, check(path, item, area, asked=asked)))
        except WindowwatchError as error:
            line.send((False, error))
        except MemoryError:
            words = f"{path.name}: reading it needs more than {limits.memory_mb} MB of memory"
            line.send((False, DecodeError(words)))
        except Exception as error:
            # A fault in our own code ends one check, not the daemon; the log has the trace.
            _LOG.exception("a fault in the check of %s", path.name)
            words = f"{path.name}: a fault in its check: {type(error).__name__}: {error}"
            line.send((False, DecodeError(words)))
        _LOG.debug("%s: checked in %.2f s", path.name, time.monotonic() - began)
