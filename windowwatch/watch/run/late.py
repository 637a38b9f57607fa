"""A forecast that does not come: told once for each silence, whatever way cycles come in.

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

from dataclasses import dataclass
from datetime import datetime, timedelta

from windowwatch.clock import Clock
from windowwatch.forecast.cycle import Cycle
from windowwatch.notices.surroundings import next_forecast
from windowwatch.storage.store import Store
from windowwatch.watch.values import Watch
from windowwatch.windows.causes import NoForecast, NothingNewer
from windowwatch.windows.values import Change, ChangeKind
from windowwatch.windows.watchwide import about_the_watch, still_shown, was_told

#: Silences older than this are no news.
_LOOK_BACK = timedelta(days=5)
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
    begun = store.begun(watch.name, now)
    newest = store.latest_cycle(watch.name, watch.model) or store.latest_cycle(watch.name)
    since = begun if newest is None else newest.reference_utc
    # A clock that was put back must not make a watch begin in the future.
    if now - since <= silence.bound or not watch.span.hours(now):
        return None
    about = newest or Cycle(begun, watch.model)
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
    stored = store.cycles(watch.name, last=2)
    expected = next_forecast(stored)
    if expected is None:
        return None
    newest = stored[-1].cycle
    apart = newest.reference_utc - stored[-2].cycle.reference_utc
    since = expected if awake_since_utc is None else max(expected, awake_since_utc)
    if now <= since + max(apart / 2, _AT_LEAST) or not watch.span.hours(now):
        return None
    shown = still_shown(newest)
    told = store.changes_since(watch.name, now - _LOOK_BACK, ChangeKind.FORECAST_LATE)
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
