"""When things run: the only module that knows the scheduler.

Jobs are declared here at every start, never stored, so a changed program cannot meet an
old pickled job. Grace and coalescing are set for each job because the scheduler's default
grace is one second: a laptop that slept would skip its runs with no more than a line in
the log.
"""

import logging
import threading
from collections.abc import Callable
from datetime import UTC, timedelta

from apscheduler.executors.pool import ThreadPoolExecutor
from apscheduler.schedulers.background import BackgroundScheduler

from windowwatch.clock import SystemClock

_LOG = logging.getLogger(__name__)


class Jobs:
    """The daemon's two jobs: look for a new cycle, and deliver what is due.

    Each has a thread of its own, so that a long pass never holds back a notice.

    Parameters
    ----------
    look : callable
        Looks for a new cycle and, if there is one, passes it through the line.
    deliver : callable
        Sends the notices that are due.
    look_every_s, deliver_every_s : float
        Pauses between runs. [s]
    """

    def __init__(
        self,
        look: Callable[[], None],
        deliver: Callable[[], None],
        *,
        look_every_s: float,
        deliver_every_s: float,
    ) -> None:
        self._scheduler = BackgroundScheduler(
            timezone=UTC,
            executors={"look": ThreadPoolExecutor(1), "deliver": ThreadPoolExecutor(1)},
        )
        delivering = threading.Lock()

        def deliver_alone() -> None:
            if delivering.acquire(blocking=False):
                try:
                    deliver()
                finally:
                    delivering.release()

        def look_then_deliver() -> None:
            # What a pass found is told now, not up to a pause later. Not by waking the other
            # job: the scheduler holds its locks while it waits for this one to end.
            look()
            deliver_alone()

        # A run that is late by less than the grace is still made; several missed ones are
        # made up by one (coalesce); no job overlaps itself (max_instances).
        self._scheduler.add_job(
            look_then_deliver,
            "interval",
            seconds=look_every_s,
            id="look",
            executor="look",
            misfire_grace_time=3600,
            coalesce=True,
            max_instances=1,
        )
        self._scheduler.add_job(
            deliver_alone,
            "interval",
            seconds=deliver_every_s,
            id="deliver",
            executor="deliver",
            misfire_grace_time=3600,
            coalesce=True,
            max_instances=1,
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
