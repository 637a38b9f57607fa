"""Between two passes: decisions are asked for, hold advice given, what is due delivered."""

import logging
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta

from windowwatch.clock import Clock
from windowwatch.notices import channels as door
from windowwatch.notices.deliver import DeliveryReport, Send, deliver_pending
from windowwatch.notices.policy import RetryRules, holds, plan_deliveries
from windowwatch.notices.surroundings import Surroundings
from windowwatch.storage.store import Store
from windowwatch.watch.run.late import Silence, late_by_bound, late_by_rhythm
from windowwatch.watch.values import Watch
from windowwatch.windows.decisions import ask, keys_to_know
from windowwatch.windows.holds import advice_key, advise, is_due
from windowwatch.windows.values import Change, ChangeKind

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
    and `awake_since_utc` and `silence` of `windowwatch.watch.run.late`; without `silence` no age
    of the forecast is too old.

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
        surroundings=Surroundings(store, watch.name, sites, watch.ground, watch.page_url),
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
