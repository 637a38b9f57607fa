"""Between two passes: decisions, hold advice, deliveries; a forecast that is late or given up.

Named rules
-----------
rhythm
    The next cycle is expected as long after the newest was read as the two newest are apart.
    When half of that, and an hour at least, has gone by on top, the forecast is late.
just woken
    A daemon that has only just begun, or a machine that slept, first has that time to look.
bound
    Whatever the rhythm, and however often the daemon starts or wakes: a forecast older than
    `Silence.bound` is told, or that none came so long after the watch first began. Who finds it
    too old has the time of one look to find a newer one; when it was found is stored.
once
    It is told once for as long as the same forecast is the newest.
"""

import logging
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta

from windowwatch.clock import Clock
from windowwatch.errors import WindowwatchError
from windowwatch.forecast.cycle import Cycle
from windowwatch.notices import channels as door
from windowwatch.notices.deliver import DeliveryReport, Send, deliver_pending
from windowwatch.notices.policy import RetryRules, holds, plan_deliveries
from windowwatch.notices.surroundings import Surroundings, next_forecast
from windowwatch.scoring.opinions import Role
from windowwatch.storage.store import Store
from windowwatch.watch.values import Watch
from windowwatch.windows.causes import ErrorSaid, NoForecast, NothingNewer, PassFailed
from windowwatch.windows.changes import about_the_watch, still_shown, was_told
from windowwatch.windows.decisions import ask, keys_to_know
from windowwatch.windows.holds import advice_key, advise, is_due
from windowwatch.windows.values import Change, ChangeKind
from windowwatch.wording.causes import reason
from windowwatch.wording.phrases import written

#: Silences older than this are no news.
_LATE_LOOK_BACK = timedelta(days=5)
_AT_LEAST = timedelta(hours=1)


@dataclass(frozen=True)
class Silence:
    """How long may pass without a newer forecast before people are told.

    Parameters
    ----------
    bound : timedelta
        Age of the newest forecast, counted from its own time.
    one_look : timedelta
        How long a look for a newer one may take, with the pause before it.
    """

    bound: timedelta
    one_look: timedelta


def late_by_bound(store: Store, watch: Watch, clock: Clock, silence: Silence) -> Change | None:
    """Say that the newest forecast is too old, when it is and was not told yet.

    Returns
    -------
    Change or None
        None while all is well, and when no launch hour is to come.
    """
    now = clock.now()
    newest = store.latest_cycle(watch.name, watch.model) or store.latest_cycle(watch.name)
    since = store.begun(watch.name, now) if newest is None else newest.reference_utc
    # A clock that was put back must not make a watch begin in the future.
    if now - since <= silence.bound or not watch.span.hours(now):
        return None
    about = newest or Cycle(since, watch.model)
    seen = store.silence_seen(watch.name, about.id, now)
    if now < seen + silence.one_look:
        return None
    shown = still_shown(newest)
    told = store.changes_since(watch.name, since, ChangeKind.FORECAST_LATE)
    if was_told(told, shown):
        return None
    return about_the_watch(
        ChangeKind.FORECAST_LATE,
        about,
        (NothingNewer(since, silence.bound, newest is None), shown),
        watch=watch.name,
        label=f"{about.id}#silence",
        now_utc=now,
    )


def late_by_rhythm(
    store: Store, watch: Watch, clock: Clock, awake_since_utc: datetime | None = None
) -> Change | None:
    """Say that the forecast is late, when it is and was not told yet.

    Parameters
    ----------
    store : Store
    watch : Watch
    clock : Clock
    awake_since_utc : datetime, optional
        When whoever asks began to look, or woke.

    Returns
    -------
    Change or None
        None while all is well, before two cycles are stored, and when no launch hour is to
        come.
    """
    now = clock.now()
    stored = store.newest_passes(watch.name, last=2)
    expected = next_forecast(stored)
    if expected is None:
        return None
    newest = stored[-1].cycle
    apart = newest.reference_utc - stored[-2].cycle.reference_utc
    since = expected if awake_since_utc is None else max(expected, awake_since_utc)
    if now <= since + max(apart / 2, _AT_LEAST) or not watch.span.hours(now):
        return None
    shown = still_shown(newest)
    told = store.changes_since(watch.name, now - _LATE_LOOK_BACK, ChangeKind.FORECAST_LATE)
    if was_told(told, shown):
        return None
    return about_the_watch(
        ChangeKind.FORECAST_LATE,
        newest,
        (NoForecast(expected), shown),
        watch=watch.name,
        label=f"{newest.id}#silence",
        now_utc=now,
    )


#: Closings older than this ask for nothing: their window has gone by, too.
_LOOK_BACK = timedelta(days=16)


@dataclass(frozen=True)
class Between:
    """What was asked for, advised and found late, and what was delivered."""

    asked: tuple[Change, ...]
    delivered: DeliveryReport
    advised: tuple[Change, ...] = ()
    late: tuple[Change, ...] = ()


def between_passes(
    store: Store,
    watch: Watch,
    clock: Clock,
    *,
    send: Send = door.send,
    rules: RetryRules | None = None,
    stop: Callable[[], bool] = lambda: False,
    chance: Callable[[], float] = lambda: 0.0,
    awake_since_utc: datetime | None = None,
    silence: Silence | None = None,
    deliver: Callable[..., DeliveryReport] = deliver_pending,
) -> Between:
    """Say what is due between two passes, then deliver everything that is.

    Parameters as of `windowwatch.notices.deliver.deliver_pending`, which is `deliver` as a rule,
    and `awake_since_utc` and `silence` of `late_by_rhythm` and `late_by_bound`; without `silence`
    no age of the forecast is too old.

    Raises
    ------
    StorageError
        If the database refuses; what was stored or sent before stands.
    """
    asked = ask_for_decisions(store, watch, clock)
    advised = advise_holds(store, watch, clock)
    silent = late_by_rhythm(store, watch, clock, awake_since_utc)
    if silent is None and silence is not None:
        silent = late_by_bound(store, watch, clock, silence)
    late = tell_of(store, watch, () if silent is None else (silent,))
    sites = {site.name: site for site in watch.sites}
    report = deliver(
        store,
        watch.channels,
        sites,
        clock,
        send=send,
        rules=rules,
        stop=stop,
        chance=chance,
        surroundings=Surroundings(
            store,
            watch.name,
            sites,
            watch.ground,
            watch.page_url,
            watch.rules,
            watch.decisions,
        ),
    )
    return Between(asked, report, advised, late)


def advise_holds(store: Store, watch: Watch, clock: Clock) -> tuple[Change, ...]:
    """Store hold advice on windows whose launch is near, once for each."""
    if watch.hold_advice_before is None:
        return ()
    now = clock.now()
    near = [
        window
        for window in store.current_windows(watch.name)
        if is_due(window, watch.hold_advice_before, now)
    ]
    known = store.changes_by_key([advice_key(watch.name, window.uid) for window in near])
    found = []
    for window in near:
        if advice_key(watch.name, window.uid) in known:
            continue
        hours = store.hours(watch.name, window.cycle_id, site=window.site, from_utc=now)
        advice = advise(window, hours, now, watch.name)
        found += [] if advice is None else [advice]
    return tell_of(store, watch, tuple(found))


def tell_of(store: Store, watch: Watch, found: tuple[Change, ...]) -> tuple[Change, ...]:
    """Store changes that no pass brings, with their deliveries; returns those that were new."""
    if not found:
        return ()
    pairs, held = plan_deliveries(found, watch.channels), holds(found, watch.channels)
    return store.save_changes(watch.name, found, pairs, held)


def ask_for_decisions(store: Store, watch: Watch, clock: Clock) -> tuple[Change, ...]:
    """Store what is to be asked now, with its deliveries, in one transaction."""
    if not watch.decisions:
        return ()
    now = clock.now()
    windows = store.current_windows(watch.name)
    closed = store.changes_since(watch.name, now - _LOOK_BACK, ChangeKind.CLOSED)
    closed = tuple(c for c in closed if c.before is not None and c.before.start_utc > now)
    keys = keys_to_know(windows, closed, watch.decisions, watch.name)
    if not keys:
        return ()
    asked = ask(
        windows,
        closed,
        watch.decisions,
        known=store.changes_by_key(keys),
        acknowledged=store.acknowledgements(keys).keys(),
        now_utc=now,
        watch=watch.name,
    )
    if not asked:
        return ()
    changes = tuple(each.change for each in asked)
    pairs = plan_deliveries(changes, watch.channels)
    there = {channel.name for channel in watch.channels}
    more = ((each.change.key, name) for each in asked for name in each.escalate_to)
    pairs = tuple(dict.fromkeys((*pairs, *(pair for pair in more if pair[1] in there))))
    escalated = {(each.change.key, name) for each in asked for name in each.escalate_to}
    held = {
        pair: until
        for pair, until in holds(changes, watch.channels).items()
        if pair not in escalated
    }
    return store.save_changes(watch.name, changes, pairs, held)


_LOG = logging.getLogger(__name__)


def tell_failed(
    store: Store,
    watch: Watch,
    cycle: Cycle,
    error: WindowwatchError,
    *,
    tries: int,
    now_utc: datetime,
) -> None:
    """Store, once for each cycle, that its pass was given up; people are told.

    Of a model that does not decide it is only logged.

    Parameters
    ----------
    store : Store
    watch : Watch
    cycle : Cycle
        Whose pass failed.
    error : WindowwatchError
        What the last try refused.
    tries : int
        How often it was tried.
    now_utc : datetime
        Aware UTC.

    Raises
    ------
    StorageError
        If the database refuses.
    """
    newest = store.latest_cycle(watch.name, watch.model)
    causes = (
        PassFailed(cycle.reference_utc, tries),
        still_shown(newest),
        ErrorSaid(error.first_line),
    )
    _LOG.error("%s", reason(causes, written), extra={"cycle": cycle.id})
    if watch.role is Role.OPINION:
        return
    change = about_the_watch(
        ChangeKind.PASS_FAILED,
        cycle,
        causes,
        watch=watch.name,
        label=f"{cycle.id}#failed",
        now_utc=now_utc,
    )
    tell_of(store, watch, (change,))
