"""When things run, and what the daemon tells of itself: the only module that knows the scheduler.

What the daemon is doing, the page shows; that it is alive is told to whoever runs it (systemd),
from where signals are heard, too. The protocol is sd_notify(3): one datagram to the socket that
NOTIFY_SOCKET names. Without that variable nothing is said.

Jobs are declared here at every start, never stored, so a changed program cannot meet an
old pickled job. Grace and coalescing are set for each job because the scheduler's default
grace is one second: a laptop that slept would skip its runs with no more than a line in
the log.
"""

import logging
import os
import select
import signal
import socket
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from types import FrameType
from typing import Any

from apscheduler.executors.pool import ThreadPoolExecutor
from apscheduler.schedulers.background import BackgroundScheduler

from windowwatch.clock import Clock, SystemClock


@dataclass(frozen=True)
class Doing:
    """What is being done.

    Attributes
    ----------
    words : str
        For example ``"gfs-0.25 2026-05-04 06Z: fetching, 12 of 57 files"``.
    share : float
        Share done, 0 to 1.
    since_utc : datetime
        When this run, all of its steps together, began.
    """

    words: str
    share: float
    since_utc: datetime


class PassProgress:
    """The newest word of whoever works, for whoever asks; may be shared by threads.

    It is called as `windowwatch.child.Progress` is; `now` is what a page shows.

    Parameters
    ----------
    clock : Clock
    """

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._doing: Doing | None = None

    def __call__(self, words: str, share: float) -> None:
        """Say what is done, and how much of it; shares outside 0 to 1 are brought inside."""
        inside = min(max(share, 0.0), 1.0)
        with self._lock:
            since = self._clock.now() if self._doing is None else self._doing.since_utc
            self._doing = Doing(words, inside, since)

    def done(self) -> None:
        """Say that nothing is being done any more."""
        with self._lock:
            self._doing = None

    def now(self) -> Doing | None:
        """What is being done, None when nothing is."""
        with self._lock:
            return self._doing


class Supervisor:
    """The way to systemd.

    Parameters
    ----------
    environment : mapping of str to str, optional
        Where NOTIFY_SOCKET and WATCHDOG_USEC are looked up; the process's own when None.
    """

    def __init__(self, environment: "os._Environ[str] | dict[str, str] | None" = None) -> None:
        given = os.environ if environment is None else environment
        self._address = given.get("NOTIFY_SOCKET", "")
        micro = given.get("WATCHDOG_USEC", "")
        self._watchdog_s = int(micro) / 1e6 if micro.isdigit() else None

    @property
    def pause_s(self) -> float | None:
        """Pause between two signs of life: half of what systemd waits; None without a watchdog."""
        return None if self._watchdog_s is None else self._watchdog_s / 2.0

    def ready(self) -> None:
        """Say that the daemon does its work."""
        self._say("READY=1")

    def alive(self) -> None:
        """Say that it still does."""
        self._say("WATCHDOG=1")

    def reloading(self) -> None:
        """Say that settings are read again; `ready` is to follow."""
        self._say(f"RELOADING=1\nMONOTONIC_USEC={time.monotonic_ns() // 1000}")

    def stopping(self) -> None:
        """Say that it ends."""
        self._say("STOPPING=1")

    def _say(self, words: str) -> None:
        if not self._address:
            return
        address = "\0" + self._address[1:] if self._address[0] == "@" else self._address
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as door:
            door.setblocking(False)  # one that does not listen must not hold us up
            try:
                door.sendto(words.encode("ascii"), address)
            except OSError:
                return  # a supervisor that is gone or deaf is no reason to end


class Signals:
    """SIGTERM and SIGINT ask to stop, SIGHUP to reload; what was before comes back at the end.

    For the main thread. The handler only sets a flag; what wakes `wait` is a byte that the
    interpreter itself writes to a socket. A `threading.Event` would not do: set in a handler
    while the same thread holds its lock, it waits for itself for ever.
    """

    def __init__(self) -> None:
        self._stop = self._reload = False
        self._before: dict[int, Any] = {}
        self._fd_before = -1
        self._ear, self._mouth = socket.socketpair()
        self._ear.setblocking(False)
        self._mouth.setblocking(False)

    def __enter__(self) -> "Signals":
        self._fd_before = signal.set_wakeup_fd(self._mouth.fileno(), warn_on_full_buffer=False)
        for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
            self._before[number] = signal.signal(number, self._handle)
        return self

    def __exit__(self, *_: object) -> None:
        for number, handler in self._before.items():
            signal.signal(number, handler)
        signal.set_wakeup_fd(self._fd_before)
        self._ear.close()
        self._mouth.close()

    def _handle(self, number: int, _frame: FrameType | None) -> None:
        if number == signal.SIGHUP:
            self._reload = True
        else:
            self._stop = True

    def stopping(self) -> bool:
        """Whether the daemon was asked to stop."""
        return self._stop

    def take_reload(self) -> bool:
        """Whether it was asked to reload since this was last asked."""
        asked, self._reload = self._reload, False
        return asked

    def wait(self, pause_s: float | None) -> None:
        """Wait for a signal, at most for a while; one that came just before counts, too."""
        select.select([self._ear], [], [], pause_s)
        try:
            while self._ear.recv(4096):
                pass
        except BlockingIOError:
            return


_LOG = logging.getLogger(__name__)

#: Pause between two looks at planned launches: what a crew does is answered in two seconds. [s]
FOLLOW_EVERY_S = 1.0


def _alone(work: Callable[[], None]) -> Callable[[], None]:
    """Work that is done once at a time; who comes meanwhile goes away again."""
    under_way = threading.Lock()

    def work_alone() -> None:
        if under_way.acquire(blocking=False):
            try:
                work()
            finally:
                under_way.release()

    return work_alone


class Jobs:
    """The daemon's jobs: look for a new cycle, deliver what is due, follow planned launches.

    Each has a thread of its own, so that a long pass never holds back a notice.

    Parameters
    ----------
    look : callable
        Looks for a new cycle and, if there is one, passes it through the line.
    deliver : callable
        Sends the notices that are due.
    look_every_s, deliver_every_s : float
        Pauses between runs. [s]
    follow : callable, optional
        Sees to planned launches; True when something of them is to be told at once.
    """

    def __init__(
        self,
        look: Callable[[], None],
        deliver: Callable[[], None],
        *,
        look_every_s: float,
        deliver_every_s: float,
        follow: Callable[[], bool] | None = None,
    ) -> None:
        self._scheduler = BackgroundScheduler(
            timezone=UTC,
            executors={
                "look": ThreadPoolExecutor(1),
                "deliver": ThreadPoolExecutor(1),
                "follow": ThreadPoolExecutor(2),
            },
        )
        deliver_alone = _alone(deliver)

        def look_then_deliver() -> None:
            # What a pass found is told now, not up to a pause later. Not by waking the other
            # job: the scheduler holds its locks while it waits for this one to end.
            look()
            deliver_alone()

        self._every("look", look_then_deliver, look_every_s)
        self._every("deliver", deliver_alone, deliver_every_s)

        if follow is not None:
            looked = follow

            def follow_then_deliver() -> None:
                if looked():
                    deliver_alone()

            # Flying takes longer than the pause: a run meanwhile ends at once, and is no news.
            self._every("follow", _alone(follow_then_deliver), FOLLOW_EVERY_S, at_once=2)

    def _every(
        self, name: str, work: Callable[[], None], pause_s: float, *, at_once: int = 1
    ) -> None:
        """Plan a job, with threads of its own."""
        # A run that is late by less than the grace is still made; several missed ones are
        # made up by one (coalesce); no job overlaps itself (max_instances).
        self._scheduler.add_job(
            work,
            "interval",
            seconds=pause_s,
            id=name,
            executor=name,
            misfire_grace_time=3600,
            coalesce=True,
            max_instances=at_once,
        )

    def start(self) -> None:
        """Start the threads; the first look and delivery are made at once."""
        self._scheduler.start()
        self.run_at_once()
        _LOG.info("scheduler started")

    def run_at_once(self) -> None:
        """Make the next run of each job now: at the start, and when the clock was set.

        The scheduler plans runs on the machine's clock: put back by an hour, it would do
        nothing for an hour.
        """
        # It lives on the machine's own time, also in a drill on a past forecast.
        at_once = SystemClock().now()
        for job in self._scheduler.get_jobs():
            job.modify(next_run_time=at_once)

    def set_pauses(self, look_every_s: float, deliver_every_s: float) -> None:
        """Change the pauses between runs; the next runs come after the new ones. [s]"""
        for name, pause_s in (("look", look_every_s), ("deliver", deliver_every_s)):
            self._scheduler.reschedule_job(name, trigger="interval", seconds=pause_s)

    def next_look_in(self) -> timedelta | None:
        """How long until the next look; None while one is under way, or none is planned."""
        job = self._scheduler.get_job("look")
        due = None if job is None else job.next_run_time
        return None if due is None else max(timedelta(0), due - SystemClock().now())

    def stop(self) -> None:
        """Take no new run and wait for those under way to end."""
        self._scheduler.shutdown(wait=True)
        _LOG.info("scheduler stopped")
