"""The one place where the parts meet: build, start, stop on a signal."""

import logging
import os
import random
import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import timedelta
from types import FrameType

from windowwatch.clock import Clock
from windowwatch.errors import WindowwatchError
from windowwatch.notices.deliver import DeliveryReport, Result
from windowwatch.settings.read import Settings
from windowwatch.storage.store import Store, open_store
from windowwatch.watch.between import between_passes
from windowwatch.watch.jobs import Jobs
from windowwatch.watch.look import FolderWatcher
from windowwatch.watch.pipeline import PassStoppedError
from windowwatch.web.access import TOKEN_ENV, checked_token
from windowwatch.web.app import create_app
from windowwatch.web.server import PageServer
from windowwatch.web.values import Facts

_LOG = logging.getLogger(__name__)

#: Pause between deliveries. [s]
DELIVER_EVERY_S = 15.0
#: A cycle that should have been there for so long makes the page call its results stale:
#: most models run every six hours, so two were then missed. Common practice, no source.
STALE_AFTER_DUE = timedelta(hours=12)


@contextmanager
def ready_store(url: str) -> Iterator[Store]:
    """Open a database whose schema is brought up to date; closed at the end."""
    store = open_store(url)
    try:
        store.upgrade()
        yield store
    finally:
        store.close()


def serve(settings: Settings, clock: Clock, host: str, port: int) -> None:
    """Run the daemon, with its page on `host` and `port`, until SIGTERM or SIGINT.

    A signal lets a notice that is on its way arrive, and ends a pass between two of its
    steps; of an ended pass nothing is stored, and it runs again at the next start.

    Raises
    ------
    SettingsError, StorageError, InputError
        If a channel has no address, the database cannot be used or the page cannot listen:
        before anything starts.
    """
    token = checked_token(host, os.environ.get(TOKEN_ENV))
    channels = settings.channels()
    watch = replace(settings.watch, channels=channels)
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
                done = between_passes(store, watch, clock, stop=stop.is_set, chance=random.random)
                _log_deliveries(done.delivered)
            except WindowwatchError as error:
                _LOG.error("%s; tried again at the next delivery", error.message)

        jobs = Jobs(
            look,
            deliver,
            look_every_s=settings.file.watch.look_every_s,
            deliver_every_s=min(DELIVER_EVERY_S, settings.file.watch.look_every_s),
        )
        page = PageServer(
            create_app(
                store,
                page_facts(settings, looks=True),
                clock,
                token=token,
                next_look_in=jobs.next_look_in,
            ),
            host,
            port,
        )
        jobs.start()
        page.start()
        _LOG.info(
            "watching %s for %s; results in %s", settings.forecast_folder, watch.name, store.place
        )
        stop.wait()
        _LOG.info("stopping")
        page.stop()
        jobs.stop()


def _log_deliveries(report: DeliveryReport) -> None:
    for channel, key, why in report.skipped:
        _LOG.info("notice %s on %s: not told, %s", key, channel, why)
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


def page_facts(settings: Settings, *, looks: bool, note: str = "") -> Facts:
    """What the page knows of a watch; `looks` when a daemon looks for new cycles."""
    watch = settings.watch
    return Facts(
        watch=watch.name,
        sites=watch.sites,
        plan=watch.plan,
        ground=watch.ground,
        step=watch.span.step,
        stale_after=settings.available_after + STALE_AFTER_DUE,
        look_every=timedelta(seconds=settings.file.watch.look_every_s) if looks else None,
        note=note,
    )


def show_page(
    facts: Facts,
    store: Store,
    clock: Clock,
    host: str,
    port: int,
    *,
    ready: Callable[[str], None],
) -> None:
    """Serve the page of stored results alone, until SIGTERM or SIGINT.

    `ready` is told the page's address once it can be opened.

    Raises
    ------
    SettingsError, InputError
        If others could read it without a token, or nothing can listen there.
    """
    token = checked_token(host, os.environ.get(TOKEN_ENV))
    stop = threading.Event()
    app = create_app(store, facts, clock, token=token)
    with PageServer(app, host, port) as page, _signals_set(stop):
        ready(page.url)
        stop.wait()


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
