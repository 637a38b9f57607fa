"""The one place where the parts meet: build, start, stop on a signal."""

import logging
import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from types import FrameType

from windowwatch.clock import Clock
from windowwatch.errors import WindowwatchError
from windowwatch.notices.deliver import Result, deliver_pending
from windowwatch.settings.read import Settings
from windowwatch.storage.store import Store, open_store
from windowwatch.watch.jobs import Jobs
from windowwatch.watch.look import FolderWatcher
from windowwatch.watch.pipeline import PassStoppedError

_LOG = logging.getLogger(__name__)

#: Pause between deliveries. [s]
DELIVER_EVERY_S = 15.0


@contextmanager
def ready_store(url: str) -> Iterator[Store]:
    """Open a database whose schema is brought up to date; closed at the end."""
    store = open_store(url)
    try:
        store.upgrade()
        yield store
    finally:
        store.close()


def serve(settings: Settings, clock: Clock) -> None:
    """Run the daemon until SIGTERM or SIGINT.

    A signal lets a notice that is on its way arrive, and ends a pass between two of its
    steps; of an ended pass nothing is stored, and it runs again at the next start.

    Raises
    ------
    SettingsError, StorageError
        If a channel has no address or the database cannot be used: before anything starts.
    """
    channels = settings.channels()
    watch = replace(settings.watch, channels=channels)
    sites = {site.name: site for site in watch.sites}
    stop = threading.Event()
    with ready_store(settings.database_url()) as store, _signals_set(stop):
        watcher = FolderWatcher(settings.forecast_folder, watch, store, clock, stop.is_set)

        def look() -> None:
            try:
                watcher.look()
            except PassStoppedError as stopped:
                _LOG.info(stopped.message)
            except WindowwatchError as error:
                _LOG.error("%s; tried again at the next look", error.message)

        def deliver() -> None:
            try:
                report = deliver_pending(store, channels, sites, clock, stop=stop.is_set)
            except WindowwatchError as error:
                _LOG.error("%s; tried again at the next delivery", error.message)
                return
            for attempt in report.attempts:
                level = logging.INFO if attempt.result is Result.SENT else logging.WARNING
                _LOG.log(
                    level,
                    "notice %s on %s: %s%s",
                    attempt.message.key,
                    attempt.channel,
                    attempt.result,
                    f" ({attempt.error})" if attempt.error else "",
                )

        jobs = Jobs(
            look,
            deliver,
            look_every_s=settings.file.watch.look_every_s,
            deliver_every_s=min(DELIVER_EVERY_S, settings.file.watch.look_every_s),
        )
        jobs.start()
        _LOG.info(
            "watching %s for %s; results in %s", settings.forecast_folder, watch.name, store.place
        )
        stop.wait()
        _LOG.info("stopping")
        jobs.stop()


@contextmanager
def _signals_set(stop: threading.Event) -> Iterator[None]:
    """SIGTERM and SIGINT set `stop` instead of killing; restored at the end."""

    def handle(_number: int, _frame: FrameType | None) -> None:
        stop.set()

    before = {number: signal.signal(number, handle) for number in (signal.SIGTERM, signal.SIGINT)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
