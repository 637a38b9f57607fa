"""The one place where the parts meet: build, start, stop on a signal."""

import logging
import os
import random
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from functools import partial
from typing import Any

from windowwatch.child import ChildLimits
from windowwatch.clock import Clock, ClockSteps
from windowwatch.errors import SettingsError, WindowwatchError
from windowwatch.ground.query.outline import zones_of
from windowwatch.logs import LogStyle
from windowwatch.notices.channels import send
from windowwatch.notices.deliver import DeliveryReport, Result
from windowwatch.notices.heartbeat import beat
from windowwatch.notices.policy import RetryRules
from windowwatch.settings.read import Settings, read_settings
from windowwatch.storage.store import Store, ready_store
from windowwatch.watch.pipeline import PassResult, PassStoppedError
from windowwatch.watch.polling.watching import PassContext, Watching
from windowwatch.watch.run.between import Silence, between_passes
from windowwatch.watch.run.supervisor import Jobs, PassProgress, Signals, Supervisor
from windowwatch.watch.values import Watch
from windowwatch.web.access.guard import TOKEN_ENV, Authenticator, Guard, checked_token
from windowwatch.web.app import create_app
from windowwatch.web.server import PageServer
from windowwatch.web.values import Contact, Facts, Underway

_LOG = logging.getLogger(__name__)

#: Pause between deliveries. [s]
DELIVER_EVERY_S = 15.0
#: The clock is looked at so often, and a step of more than so much counts. [s]
CLOCK_EVERY_S = 20.0
CLOCK_STEP_S = 30.0
#: The daemon counts as alive while a run of deliveries has ended within this time: longer than
#: one run takes when every channel hangs until its time limit. [s]
ALIVE_WITHIN_S = 600.0


def serve(
    settings: Settings, clock: Clock, host: str, port: int, style: LogStyle | None = None
) -> None:
    """Run the daemon, with its page on `host` and `port`, until SIGTERM or SIGINT.

    A signal lets a notice that is on its way arrive, and ends a pass under way; of an ended
    pass nothing is stored, and it runs again at the next start. SIGHUP has the settings read
    again; when they are wrong, that is said and the old ones stay.

    Raises
    ------
    SettingsError, StorageError, InputError
        If a channel has no address, the database cannot be used or the page cannot listen:
        before anything starts.
    """
    settings.require_folders()
    token = checked_token(host, os.environ.get(TOKEN_ENV))
    supervisor = Supervisor()
    with ready_store(settings.database_url()) as store, Signals() as signals:
        work = _Work(settings, clock, store, signals.stopping, style or LogStyle())
        jobs = Jobs(
            work.look,
            work.deliver,
            look_every_s=settings.file.watch.look_every_s,
            deliver_every_s=_deliver_every_s(settings),
        )
        shown = _Shown(store, clock, token, jobs, work)
        page = PageServer(shown, host, port)
        jobs.start()
        page.start()
        _LOG.info(
            "watching %s for %s; results in %s",
            settings.forecast_place,
            settings.watch.name,
            store.place,
        )
        supervisor.ready()
        steps = ClockSteps()
        while not signals.stopping():
            signals.wait(min(supervisor.pause_s or CLOCK_EVERY_S, CLOCK_EVERY_S))
            step_s = steps.since_last_s()
            if abs(step_s) > CLOCK_STEP_S:
                _LOG.warning("the clock was put by %.0f s; all jobs run now", step_s)
                work.woke()
                jobs.run_at_once()
            if signals.take_reload():
                supervisor.reloading()
                if work.reload():
                    now = work.settings
                    jobs.set_pauses(now.file.watch.look_every_s, _deliver_every_s(now))
                    shown.show(now)
                supervisor.ready()
            if work.is_alive():
                supervisor.alive()
        _LOG.info("stopping")
        supervisor.stopping()
        page.stop()
        jobs.stop()


class _Shown:
    """The page as it is now: after a reload another one, whose visitors stay in."""

    def __init__(
        self, store: Store, clock: Clock, token: str | None, jobs: Jobs, work: "_Work"
    ) -> None:
        self._store, self._clock, self._token = store, clock, token
        self._jobs, self._work = jobs, work
        self._authenticator = None if token is None else Authenticator(token, time.monotonic)
        self._app = self._made(work.settings)

    def _made(self, settings: Settings) -> Guard:
        return create_app(
            self._store,
            page_facts(settings, looks=True),
            self._clock,
            token=self._token,
            authenticator=self._authenticator,
            next_look_in=self._jobs.next_look_in,
            underway=self._underway,
        )

    def _underway(self) -> Underway | None:
        doing = self._work.progress.now()
        return None if doing is None else Underway(doing.share, doing.words)

    async def __call__(self, scope: Any, receive: Any, send: Any) -> None:
        """Answer one request by the page of the moment."""
        await self._app(scope, receive, send)

    def show(self, settings: Settings) -> None:
        """Show what new settings say; what hangs on the old page ends, and comes again."""
        before, self._app = self._app, self._made(settings)
        before.end()

    def end(self) -> None:
        """End what would hold the server up."""
        self._app.end()


def _deliver_every_s(settings: Settings) -> float:
    return min(DELIVER_EVERY_S, settings.file.watch.look_every_s)


class _Work:
    """What the daemon's jobs do, by the settings of the moment."""

    def __init__(
        self,
        settings: Settings,
        clock: Clock,
        store: Store,
        stopping: Callable[[], bool],
        style: LogStyle,
    ) -> None:
        self._clock, self._store, self._stopping, self._style = clock, store, stopping, style
        self._url = settings.database_url()
        self._delivered_s = time.monotonic()
        self._awake_since = clock.now()
        self.settings = settings
        self.progress = PassProgress(clock)
        self._watch, self._watching = self._made(settings)

    def _made(self, settings: Settings) -> tuple[Watch, Watching]:
        watch = replace(settings.watch, channels=settings.channels())
        service = settings.file.service
        context = PassContext(
            self._url,
            ChildLimits(timedelta(minutes=service.pass_time_limit_min), service.pass_memory_mb),
            self._style,
            service.pass_tries,
            self._stopping,
            self.progress,
        )
        sources, near = settings.sources(), settings.near_plan()
        return watch, Watching(watch, sources, self._store, self._clock, context, near)

    def reload(self) -> bool:
        """Read the settings again; keep the old ones when the new ones are wrong."""
        try:
            settings = read_settings(self.settings.path)
            if settings.database_url() != self._url:
                raise SettingsError(
                    f"{settings.path}: another database needs a new start of the daemon"
                )
            made = self._made(settings)
        except WindowwatchError as error:
            _LOG.error("settings are not taken over, the old ones stay: %s", error.message)
            return False
        self.settings = settings
        self._watch, self._watching = made  # a look under way ends by the old ones
        _LOG.info("settings read again: %s", settings.path)
        return True

    def look(self) -> None:
        """Look for a new cycle, and see to what follows a pass."""
        try:
            results = self._watching.look()
        except PassStoppedError as stopped:
            _LOG.info(stopped.message)
            return
        except WindowwatchError as error:
            _LOG.error("%s; tried again at the next look", error.message)
            return
        finally:
            self.progress.done()
        # Without a pass of the deciding model there is no sign of life, though others have one:
        # that it is silent must be noticed elsewhere.
        flown = [each for each in results if not each.recombined]
        if flown:
            self._after(flown[-1])

    def _after(self, result: PassResult) -> None:
        """After a good pass: drop what is old, and give a sign of life."""
        url = self.settings.file.service.heartbeat_url()
        keep = timedelta(days=self.settings.file.database.keep_hours_days)
        try:
            dropped = self._store.drop_old_hours(self._watch.name, self._clock.now() - keep)
            if dropped:
                _LOG.info("hours of %d cycle(s) older than %d days dropped", dropped, keep.days)
        except WindowwatchError as error:
            _LOG.warning(error.message, extra={"cycle": result.cycle_id})
        if url is None:
            return
        try:
            beat(url)  # the pass was good, whatever became of the old hours
        except WindowwatchError as error:
            _LOG.warning(error.message, extra={"cycle": result.cycle_id})

    def deliver(self) -> None:
        """Ask for decisions and deliver what is due."""
        file = self.settings.file
        patience = file.notices.patience()
        # A look with a pass in it, and the pause before it.
        look = timedelta(seconds=file.watch.look_every_s, minutes=file.service.pass_time_limit_min)
        try:
            done = between_passes(
                self._store,
                self._watch,
                self._clock,
                send=partial(send, patience=patience),
                rules=RetryRules().lasting(timedelta(seconds=patience.longest_s)),
                silence=Silence(self.settings.stale_after, look),
                stop=self._stops_or_lives,
                chance=random.random,
                awake_since_utc=self._awake_since,
            )
            _log_deliveries(done.delivered)
        except WindowwatchError as error:
            _LOG.error("%s; tried again at the next delivery", error.message)
        self._delivered_s = time.monotonic()

    def _stops_or_lives(self) -> bool:
        """Asked before each attempt: many slow ones in one run are no daemon that hangs."""
        self._delivered_s = time.monotonic()
        return self._stopping()

    def woke(self) -> None:
        """The machine slept or its clock was set: what is late is judged anew."""
        self._awake_since = self._clock.now()

    def is_alive(self) -> bool:
        """Whether the delivering job has ended a run lately, with or without success."""
        longest_s = 2.0 * self.settings.file.notices.patience().longest_s
        return time.monotonic() - self._delivered_s < max(ALIVE_WITHIN_S, longest_s + 60.0)


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
    said = settings.file.watch.note.rstrip(".")
    return Facts(
        watch=watch.name,
        sites=watch.sites,
        plan=watch.plan,
        ground=watch.ground,
        step=watch.span.step,
        stale_after=settings.stale_after,
        others_stale_after=watch.agreement.stale_after,
        look_every=timedelta(seconds=settings.file.watch.look_every_s) if looks else None,
        note=f"{said}. {note}".strip() if said else note,
        train=watch.train,
        decisions=watch.decisions,
        zones=zones_of(watch.ground),
        page_url=watch.page_url,
        trusted_proxies=settings.file.page.trusted_proxies,
        rules=watch.rules,
        contacts=tuple(
            Contact(
                each.name,
                each.role,
                each.phone,
                None if each.sites is None else frozenset(each.sites),
            )
            for each in settings.file.contacts
        ),
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
    app = create_app(store, facts, clock, token=token)
    with PageServer(app, host, port) as page, Signals() as signals:
        ready(page.url)
        while not signals.stopping():
            signals.wait(None)
