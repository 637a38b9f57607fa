"""Each channel delivers on a thread of its own: one that hangs holds no other up.

The rows of the store are what waits; a lane only takes those of its own channel, so who dies
meanwhile loses no more than before.
"""

import logging
import threading
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

from windowwatch.clock import Clock
from windowwatch.errors import WindowwatchError
from windowwatch.notices.deliver import DeliveryReport, deliver_pending
from windowwatch.notices.values import Channel
from windowwatch.scoring.values import Site
from windowwatch.storage.store import Store

_LOG = logging.getLogger(__name__)
#: `Lanes.deliver` waits so long for lanes to come to their end. [s]
WAIT_S = 2.0


@dataclass
class _Lane:
    """A run of one channel: when it last began an attempt, and whether another is to follow."""

    sign_s: float
    again: bool = False


class Lanes:
    """Runs of deliveries, one at a time on each channel and all channels at once.

    Parameters
    ----------
    steady_s : callable
        Seconds of a clock that only rises.
    ended : callable
        Told the channel of each run that ends and what it was refused, None where it was not;
        called from the threads of the lanes.
    wait_s : float
        How long `deliver` waits for runs to end. [s]
    """

    def __init__(
        self,
        steady_s: Callable[[], float],
        ended: Callable[[str, WindowwatchError | None], None] = lambda _name, _error: None,
        wait_s: float = WAIT_S,
    ) -> None:
        self._time, self._ended, self._wait_s = steady_s, ended, wait_s
        self._changed = threading.Condition()
        self._lanes: dict[str, _Lane] = {}
        self._work: dict[str, Callable[[_Lane], DeliveryReport]] = {}
        self._reports: list[DeliveryReport] = []
        self._closed = False

    def deliver(
        self,
        store: Store,
        channels: Iterable[Channel],
        sites: Mapping[str, Site],
        clock: Clock,
        *,
        stop: Callable[[], bool] = lambda: False,
        **more: Any,
    ) -> DeliveryReport:
        """Begin a run on every channel; one that has not ended yet is followed by another.

        Parameters as of `windowwatch.notices.deliver.deliver_pending`.

        Returns
        -------
        DeliveryReport
            What was done by runs that have ended since this was last asked.
        """

        def run_of(channel: Channel) -> Callable[[_Lane], DeliveryReport]:
            def run(lane: _Lane) -> DeliveryReport:
                def stops() -> bool:
                    lane.sign_s = self._time()
                    return self._closed or stop()

                return deliver_pending(store, [channel], sites, clock, stop=stops, **more)

            return run

        with self._changed:
            self._work = {channel.name: run_of(channel) for channel in channels}
            for name in self._work:
                self._begin(name)
        return self.settle(self._wait_s)

    def settle(self, wait_s: float) -> DeliveryReport:
        """Wait for all runs to end, not longer than told, and take what they did. [s]"""
        with self._changed:
            self._changed.wait_for(lambda: not self._lanes, wait_s)
            reports, self._reports = self._reports, []
        return DeliveryReport(
            tuple(each for report in reports for each in report.attempts),
            tuple(each for report in reports for each in report.skipped),
        )

    def idle(self) -> bool:
        """Whether no run is under way."""
        with self._changed:
            return not self._lanes

    def hanging(self, longest: timedelta) -> dict[str, timedelta]:
        """Channels whose attempt under way has lasted longer than any may."""
        now_s = self._time()
        with self._changed:
            lasts = {k: timedelta(seconds=now_s - v.sign_s) for k, v in self._lanes.items()}
        return {name: length for name, length in lasts.items() if length > longest}

    def close(self, wait_s: float) -> DeliveryReport:
        """Begin nothing more, and wait for what is on its way, not longer than told. [s]"""
        self._closed = True
        return self.settle(wait_s)

    def _begin(self, name: str) -> None:
        """Begin a run, under the lock."""
        if self._closed:
            return
        if name in self._lanes:
            self._lanes[name].again = True
            return
        lane = self._lanes[name] = _Lane(self._time())
        # A daemon thread: a service that never lets go must not keep the process alive.
        thread = threading.Thread(target=self._drive, args=(name, lane), daemon=True)
        thread.name = f"channel {name}"
        thread.start()

    def _drive(self, name: str, lane: _Lane) -> None:
        again = True
        while again:
            report = self._once(name, lane)
            with self._changed:
                self._reports.append(report)
                # What falls back to another channel is told there now.
                for attempt in report.attempts:
                    if attempt.fell_back_to in self._work:
                        self._begin(attempt.fell_back_to)
                again, lane.again = lane.again and not self._closed, False
                if not again:
                    del self._lanes[name]
                    self._changed.notify_all()

    def _once(self, name: str, lane: _Lane) -> DeliveryReport:
        refused: WindowwatchError | None = None
        report = DeliveryReport()
        try:
            with self._changed:
                work = self._work.get(name)
            lane.sign_s = self._time()
            if work is not None:  # else the settings have lost the channel
                report = work(lane)
        except WindowwatchError as error:
            refused = error
        except Exception:  # a lane that dies must not be deaf for good
            _LOG.exception("channel %s: its deliveries broke; tried again", name)
        self._ended(name, refused)
        return report
