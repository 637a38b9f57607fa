"""The one place where the parts meet: build, start, stop on a signal."""

import logging
import os
import random
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from functools import partial
from typing import Any

from windowwatch.child import Child, never
from windowwatch.clock import Clock, ClockSteps
from windowwatch.errors import InputError, SettingsError, WindowwatchError
from windowwatch.logs import LogStyle
from windowwatch.notices.channels import send
from windowwatch.notices.deliver import DeliveryReport, Result
from windowwatch.notices.heartbeat import beat
from windowwatch.notices.lanes import Lanes
from windowwatch.notices.policy import RetryRules
from windowwatch.scoring.opinions import Role
from windowwatch.settings.read import Settings, read_settings
from windowwatch.storage.store import Store, existing_store, ready_store, sqlite_file
from windowwatch.watch.chasing import Chasing
from windowwatch.watch.estimating import AirFrom, EstimatesInChild
from windowwatch.watch.flying import PassStoppedError
from windowwatch.watch.launchday.desk import DeskInChild
from windowwatch.watch.launchday.following import Following
from windowwatch.watch.launchday.opening import OpenAs
from windowwatch.watch.pipeline import PassResult
from windowwatch.watch.polling.watching import PassContext, Watching
from windowwatch.watch.run.between import Silence, between_passes
from windowwatch.watch.run.scouting import ScoutRuns, ScoutWith
from windowwatch.watch.run.supervisor import Jobs, PassProgress, Signals, Supervisor
from windowwatch.watch.values import Watch
from windowwatch.web.access.guard import TOKEN_ENV, Authenticator, Guard, checked_token
from windowwatch.web.app import create_app
from windowwatch.web.data.health import Life, Vitals, room_at
from windowwatch.web.server import PageServer
from windowwatch.web.values import Facts, Trouble, Underway

_LOG = logging.getLogger(__name__)

#: Pause between deliveries. [s]
DELIVER_EVERY_S = 15.0
#: The clock is looked at so often, and a step of more than so much counts. [s]
CLOCK_EVERY_S = 20.0
CLOCK_STEP_S = 30.0
#: The daemon counts as alive while deliveries were seen to within this time, and no attempt lasts
#: longer. [s]
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
        If a channel has no address, the database cannot be used or the page would need a token:
        before anything starts. A page that cannot listen is tried again while all else runs.
    """
    settings.require_folders()
    token = checked_token(host, os.environ.get(TOKEN_ENV))
    supervisor = Supervisor()
    # The page reads by connections of its own: visitors who use them all up hold no notice up.
    with (
        ready_store(settings.database_url()) as store,
        existing_store(settings.database_url()) as shown_store,
        Signals() as signals,
    ):
        work = _Work(settings, clock, store, signals.stopping, style or LogStyle())
        jobs = Jobs(
            work.look,
            work.deliver,
            look_every_s=settings.file.watch.look_every_s,
            deliver_every_s=_deliver_every_s(settings),
            follow=work.follow,
        )
        shown = _Shown(shown_store, clock, token, jobs, work)
        page = _Page(shown, host, port)
        jobs.start()
        page.see_to()
        _LOG.info(
            "watching %s for %s; results in %s",
            settings.forecast_place,
            settings.watch.name,
            store.place,
        )
        supervisor.ready()
        woke = partial(_woke, ClockSteps(), work, jobs)
        while not signals.stopping():
            signals.wait(min(supervisor.pause_s or CLOCK_EVERY_S, CLOCK_EVERY_S))
            woke()
            if signals.take_reload():
                supervisor.reloading()
                if work.reload():
                    now = work.settings
                    jobs.set_pauses(now.file.watch.look_every_s, _deliver_every_s(now))
                    shown.show(now)
                supervisor.ready()
            page.see_to()
            if work.is_alive():
                supervisor.alive()
        _LOG.info("stopping")
        supervisor.stopping()
        page.stop()
        jobs.stop()
        work.close()


def _woke(steps: ClockSteps, work: "_Work", jobs: Jobs) -> None:
    """After a sleep of the machine, or when its clock was put, everything is looked at anew."""
    step_s = steps.since_last_s()
    if abs(step_s) > CLOCK_STEP_S:
        _LOG.warning("the clock was put by %.0f s; all jobs run now", step_s)
        work.woke()
        jobs.run_at_once()


class _Page:
    """The page's server. Where it cannot listen, or fails, that is said, and it is tried again.

    Nothing else waits for it: a watch without its page still watches and tells.
    """

    def __init__(self, app: "_Shown", host: str, port: int) -> None:
        self._app, self._host, self._port = app, host, port
        self._server: PageServer | None = None
        self._said = ""

    def see_to(self) -> None:
        """Start the server where there is none, or one that has failed."""
        if self._server is not None:
            if self._server.is_alive():
                return
            _LOG.error("the page has ended by itself; it is started anew, the watch goes on")
            self.stop()
            self._app.renew()
        try:
            server = PageServer(self._app, self._host, self._port)
        except InputError as error:
            if error.message != self._said:
                _LOG.error("%s; tried again and again, the watch goes on", error.message)
            self._said = error.message
            return
        server.start()
        self._server, self._said = server, ""

    def stop(self) -> None:
        """Stop the server, where there is one."""
        server, self._server = self._server, None
        if server is not None:
            server.stop()


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
            settings.page_facts(looks=True),
            self._clock,
            token=self._token,
            authenticator=self._authenticator,
            next_look_in=self._jobs.next_look_in,
            underway=self._underway,
            life=self._work.life,
            room=lambda: room_of(settings),
            troubles=self._work.troubles,
            estimates=self._work.estimate,
            scouts=self._work.scouts,
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

    def renew(self) -> None:
        """Make the page anew: of one that was ended no stream begins again."""
        self._app = self._made(self._work.settings)

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
        self._awake_since = clock.now()
        self.settings = settings
        self.progress = PassProgress(clock)
        self._vitals = Vitals(time.monotonic)
        self._lanes = Lanes(time.monotonic, self._lane_ended)
        #: The pass whose deliveries are waited for before a sign of life is given.
        self._owed: str | None = None
        self._watch, self._watching = self._made(settings)
        self._launches: _Launches | None = None
        self._estimates = estimates_of(settings, style, stopping)
        self.scouts = ScoutRuns(store, clock, lambda: scout_with(self.settings, style), stopping)

    def _made(self, settings: Settings) -> tuple[Watch, Watching]:
        watch = replace(settings.watch, channels=settings.channels())
        service = settings.file.service
        context = PassContext(
            self._url,
            service.limits(),
            self._style,
            service.pass_tries,
            self._stopping,
            self._progressed,
            passed=lambda of, error: self._vitals.passed(error, decides=of.role is Role.PRIMARY),
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
        before, self._estimates = (
            self._estimates,
            estimates_of(settings, self._style, self._stopping),
        )
        before.close()
        _LOG.info("settings read again: %s", settings.path)
        return True

    def _progressed(self, words: str, share: float) -> None:
        self.progress(words, share)
        self._vitals.goes_on()

    def look(self) -> None:
        """Look for a new cycle, and see to what follows a pass."""
        try:
            results = self._watching.look()
        except PassStoppedError as stopped:
            _LOG.info(stopped.message)
            return
        except WindowwatchError as error:
            self._vitals.looked(error)
            _LOG.error("%s; tried again at the next look", error.message)
            return
        finally:
            self.progress.done()
        self._vitals.looked()
        # Without a pass of the deciding model there is no sign of life, though others have one:
        # that it is silent must be noticed elsewhere.
        flown = [each for each in results if not each.recombined]
        if flown:
            self._after(flown[-1])

    def _after(self, result: PassResult) -> None:
        """After a good pass: drop what is old; a sign of life is owed once its notices are sent."""
        keep = timedelta(days=self.settings.file.database.keep_hours_days)
        try:
            dropped = self._store.drop_old_hours(self._watch.name, self._clock.now() - keep)
            if dropped:
                _LOG.info("hours of %d cycle(s) older than %d days dropped", dropped, keep.days)
            kept = timedelta(days=self.settings.file.learning.keep_days)
            self._store.drop_old_records(self._watch.name, self._clock.now() - kept)
        except WindowwatchError as error:
            self._vitals.stored("dropping old hours", error)
            _LOG.warning(error.message, extra={"cycle": result.cycle_id})
        else:
            self._vitals.stored("dropping old hours")
        self._owed = result.cycle_id  # the pass was good, whatever became of the old hours

    def _give_sign_of_life(self) -> None:
        """Call the heartbeat address, once all that was to be told with the last pass was."""
        url, cycle = self.settings.file.service.heartbeat_url(), self._owed
        if url is None or cycle is None or not self._lanes.idle():
            return
        names = [channel.name for channel in self._watch.channels]
        if self._store.unsettled_channels(names, self._clock.now()):
            return
        self._owed = None

        def call() -> None:
            try:
                beat(url)
                self._vitals.beat()
            except WindowwatchError as error:
                self._vitals.beat(error)
                _LOG.warning(error.message, extra={"cycle": cycle})

        # In a thread of its own: nothing that is to be told waits for whoever is called here.
        threading.Thread(target=call, name="heartbeat", daemon=True).start()

    def _lane_ended(self, channel: str, refused: WindowwatchError | None) -> None:
        self._vitals.stored(f"channel {channel}", refused)
        if refused is not None:
            _LOG.error("channel %s: %s; tried again at the next delivery", channel, refused.message)

    def deliver(self) -> None:
        """Ask for decisions and deliver what is due."""
        file = self.settings.file
        timeouts = file.notices.timeouts()
        # A look with a pass in it, and the pause before it.
        look = timedelta(seconds=file.watch.look_every_s, minutes=file.service.pass_time_limit_min)
        try:
            done = between_passes(
                self._store,
                self._watch,
                self._clock,
                send=partial(send, timeouts=timeouts),
                rules=RetryRules().lasting(timedelta(seconds=timeouts.longest_s)),
                silence=Silence(self.settings.stale_after, look),
                stop=self._stopping,
                chance=random.random,
                awake_since_utc=self._awake_since,
                deliver=self._lanes.deliver,
            )
            _log_deliveries(done.delivered)
            self._give_sign_of_life()
            self._vitals.stored("what is due between passes")
        except WindowwatchError as error:
            self._vitals.stored("what is due between passes", error)
            _LOG.error("%s; tried again at the next delivery", error.message)
        self._vitals.delivered()

    def close(self) -> None:
        """End what is done for planned launches, and let what is on its way arrive."""
        self._end_launches()
        self.scouts.close()
        self._estimates.close()
        _log_deliveries(self._lanes.close(self._longest.total_seconds()))

    def follow(self) -> bool:
        """See to planned launches; whether something of them is to be told.

        By the settings of the moment: after a reload the process that flies is another one.
        """
        self._estimates.rest()
        if self._launches is None or self._launches.settings is not self.settings:
            self._end_launches()
            self._launches = _Launches(
                self.settings, self._watch, self._store, self._clock, self._stopping, self._style,
                self._begun,
            )  # fmt: skip
        return self._launches.look()

    def estimate(self, key: str, now_utc: datetime) -> None:
        """Estimate a flight, by the settings of the moment."""
        self._estimates(key, now_utc)

    def _begun(self, key: str) -> None:
        """Give a flight that has begun its forecast, in a thread: plans are looked at meanwhile."""

        def take() -> None:
            try:
                self.estimate(key, self._clock.now())
            except WindowwatchError as error:
                _LOG.warning("flight %s: %s; tried again at its first report", key, error.message)

        threading.Thread(target=take, name="flight", daemon=True).start()

    def troubles(self) -> tuple[Trouble, ...]:
        """What could not be done for planned launches and flights."""
        return () if self._launches is None else self._launches.troubles()

    def _end_launches(self) -> None:
        """End the process in which planned launches are flown."""
        if self._launches is not None:
            self._launches.desk.close()

    def woke(self) -> None:
        """The machine slept or its clock was set: what is late is judged anew."""
        self._awake_since = self._clock.now()

    @property
    def _longest(self) -> timedelta:
        """No attempt may last longer: with a picture, and again without."""
        longest_s = 2.0 * self.settings.file.notices.timeouts().longest_s + 60.0
        return timedelta(seconds=max(ALIVE_WITHIN_S, longest_s))

    def life(self) -> Life:
        """How the daemon does, for its page."""
        return self._vitals.now(self._lanes.hanging(self._longest))

    def is_alive(self) -> bool:
        """Whether deliveries were seen to lately, with or without success, and none hangs."""
        life = self.life()
        return life.since_delivering < self._longest and not life.hanging


class _Launches:
    """Planned launches, flown in a process of their own and followed in this one."""

    def __init__(
        self,
        settings: Settings,
        watch: Watch,
        store: Store,
        clock: Clock,
        stopping: Callable[[], bool],
        style: LogStyle,
        begun: Callable[[str], None],
    ) -> None:
        self.settings = settings
        self.desk = DeskInChild(
            Child(settings.file.service.limits(), style=style),
            settings.watch,
            settings.database_url(),
            OpenAs(*settings.ledger_names()),
            stopping,
        )
        self._following = Following(watch, store, clock, self.desk, begun=begun)
        self._chasing = Chasing(watch, store, clock)
        self._said = ""

    def troubles(self) -> tuple[Trouble, ...]:
        """What could not be done, by plan and flight."""
        own, flown = dict(self._following.remarks), dict(self._chasing.remarks)
        return (
            *(Trouble(words, plan=key) for key, words in own.items()),
            *(Trouble(words, flight=key) for key, words in flown.items()),
            *((Trouble(self._said),) if self._said else ()),
        )

    def look(self) -> bool:
        """Look once; trouble is logged once, and tried again at the next look."""
        try:
            told = (*self._following.look(), *self._chasing.look())
        except WindowwatchError as error:
            if error.message != self._said:
                _LOG.error("planned launches: %s; tried again and again", error.message)
            self._said = error.message
            return False
        self._said = ""
        if not self._following.near:
            self.desk.close()  # an open cycle takes memory
        return bool(told)


def estimates_of(
    settings: Settings, style: LogStyle | None = None, stopping: Callable[[], bool] = never
) -> EstimatesInChild:
    """What estimates flights in a process of its own, with the forecast of the settings."""
    named = OpenAs(*settings.ledger_names())
    source = AirFrom.of(settings.watch, settings.sources()[0].folder, named)
    return EstimatesInChild(settings.database_url(), source, style, stopping)


def scout_with(settings: Settings, style: LogStyle | None = None) -> ScoutWith:
    """What a scouting of the page is flown with."""
    near = settings.near_plan()
    return ScoutWith(
        settings.watch,
        settings.database_url(),
        settings.file.service.limits(),
        style,
        OpenAs(*settings.ledger_names()),
        None if near is None else near.finer.model.name,
    )


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


def room_of(settings: Settings) -> int | None:
    """Bytes that are left on the disk that fills first; None where none can be asked. [byte]"""
    return room_at(settings.cache_folder, sqlite_file(settings.database_url()))


def show_page(
    facts: Facts,
    store: Store,
    clock: Clock,
    host: str,
    port: int,
    *,
    ready: Callable[[str], None],
    estimates: EstimatesInChild | None = None,
    scouts: ScoutRuns | None = None,
) -> None:
    """Serve the page of stored results alone, until SIGTERM or SIGINT.

    `ready` is told the page's address once it can be opened; `estimates` does so to flights that
    are reported, `scouts` starts scoutings, and both are closed at the end.

    Raises
    ------
    SettingsError, InputError
        If others could read it without a token, or nothing can listen there.
    """
    token = checked_token(host, os.environ.get(TOKEN_ENV))
    app = create_app(store, facts, clock, token=token, estimates=estimates, scouts=scouts)
    try:
        with PageServer(app, host, port) as page, Signals() as signals:
            ready(page.url)
            while not signals.stopping():
                signals.wait(None)
    finally:
        for each in (estimates, scouts):
            if each is not None:
                each.close()
