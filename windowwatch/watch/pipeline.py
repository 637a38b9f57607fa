"""One pass: a cycle from decoded weather to stored windows. Calls in a straight line.

There is no arithmetic here: every number is made on a floor below.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

import numpy as np

from windowwatch.clock import from_unix_s, to_unix_s
from windowwatch.errors import WindowwatchError
from windowwatch.forecast.cycle import CycleData
from windowwatch.forecast.sources import require_covers
from windowwatch.notices.policy import holds, plan_deliveries
from windowwatch.physics.flights import Flights, Launches, fly
from windowwatch.physics.spread import draw_surface_errors, make_draws
from windowwatch.physics.winderror import error_scale
from windowwatch.scoring.hour import score_site
from windowwatch.scoring.values import Hour, Site
from windowwatch.storage.cycles import PassRecord
from windowwatch.storage.store import Store
from windowwatch.watch.carry import carry_over
from windowwatch.watch.values import Watch
from windowwatch.windows.changes import compare
from windowwatch.windows.values import Change, Window
from windowwatch.windows.window import join_hours

#: Told how far a pass is: words, and the share done from 0 to 1.
Progress = Callable[[str, float], None]


class PassStoppedError(WindowwatchError):
    """A pass was asked to stop; nothing of it is stored and it may run again."""


@dataclass(frozen=True)
class PassResult:
    """What a pass found. `saved` is False when the store had it already."""

    cycle_id: str
    hours: tuple[Hour, ...]
    windows: tuple[Window, ...]
    changes: tuple[Change, ...]
    flights: int
    gaps: tuple[str, ...]
    remarks: tuple[str, ...]
    saved: bool


def run_pass(
    data: CycleData,
    watch: Watch,
    store: Store,
    *,
    now_utc: datetime,
    progress: Progress = lambda _words, _share: None,
    stopping: Callable[[], bool] = lambda: False,
    partial: bool = False,
) -> PassResult:
    """Fly, score, join, compare and store one cycle.

    Parameters
    ----------
    data : CycleData
        The decoded cycle.
    watch : Watch
    store : Store
        Where results go, in one transaction at the very end.
    now_utc : datetime
        Aware; launch hours before it are not looked at.
    progress : callable, optional
        Told what is done.
    stopping : callable, optional
        Asked between steps; True makes the pass end with nothing stored.
    partial : bool, optional
        More of this cycle is still to come: hours that it has not come to keep the answer
        stored before, marked, and the cycle may be passed again.

    Raises
    ------
    MissingFieldError, InputError
        If a site lies outside the forecast's area.
    PassStoppedError
        If `stopping` said so.
    StorageError
        If the results cannot be stored; nothing of them is then.
    """
    require_covers(data, watch.sites)
    times = watch.span.hours(now_utc)
    hours: list[Hour] = []
    flown = 0
    for number, site in enumerate(watch.sites):
        _go_on(stopping)
        progress(f"{data.cycle.id}: {site.name}", number / len(watch.sites))
        found, flights = fly_and_score(data, watch, site, times)
        hours += found
        flown += flights.status.size
    _go_on(stopping)
    progress(f"{data.cycle.id}: windows", 1.0)

    remarks = data.remarks
    if partial:
        hours, remarks = _carried(data, watch, store, hours)
    windows, changes, saved = conclude(
        PassRecord(
            watch=watch.name,
            cycle=data.cycle,
            saved_utc=now_utc,
            hours=tuple(hours),
            windows=(),
            changes=(),
            files=data.files,
            gaps=data.gaps,
            remarks=remarks,
            steps=data.wind.time_unix_s.size,
        ),
        watch,
        store,
    )
    return PassResult(
        data.cycle.id, tuple(hours), windows, changes, flown, data.gaps, remarks, saved
    )


def conclude(
    found: PassRecord, watch: Watch, store: Store
) -> tuple[tuple[Window, ...], tuple[Change, ...], bool]:
    """From scored hours to stored windows, changes and deliveries.

    Parameters
    ----------
    found : PassRecord
        Hours of a cycle and where they come from; its windows and changes are made here.
    watch : Watch
    store : Store

    Returns
    -------
    windows, changes : tuple
        As stored, or as they would have been.
    saved : bool
        False when the store had the pass already.

    Raises
    ------
    StorageError
        If the results cannot be stored; nothing of them is then.
    """
    before, _ = store.passes(watch.name, found.cycle.id)
    known = store.current_windows(watch.name)
    joined = join_hours(found.hours, watch.rules, now_utc=found.saved_utc, known=known)
    windows, changes = compare(
        known,
        joined,
        found.hours,
        watch.rules,
        cycle=found.cycle,
        now_utc=found.saved_utc,
        watch=watch.name,
        pass_number=before + 1,
    )
    record = replace(
        found,
        windows=windows,
        changes=changes,
        deliveries=plan_deliveries(changes, watch.channels),
        held_until=holds(changes, watch.channels),
        pass_number=before + 1,
    )
    return windows, changes, store.save_pass(record)


def _carried(
    data: CycleData, watch: Watch, store: Store, hours: list[Hour]
) -> tuple[list[Hour], tuple[str, ...]]:
    """Hours of a cycle still coming in, those beyond it as stored before; and what to say."""
    newest = store.latest_cycle(watch.name)
    if newest is None:
        return hours, data.remarks
    reaches = from_unix_s(float(data.wind.time_unix_s[-1]))
    made, count = carry_over(
        hours, store.hours(watch.name), earlier_cycle=newest.id, reaches_utc=reaches
    )
    words = (
        f"this cycle has come as far as {reaches:%Y-%m-%d %H:%M} UTC so far; {count} hours keep "
        f"an earlier answer"
    )
    return list(made), (*data.remarks, words)


def fly_and_score(
    data: CycleData, watch: Watch, site: Site, times: tuple[datetime, ...]
) -> tuple[tuple[Hour, ...], Flights]:
    """Every launch hour of one site, and every flight (launch hour × member × draw) behind it."""
    count = len(times)
    launches = Launches(
        latitude_deg=np.full(count, site.latitude_deg),
        longitude_deg=np.full(count, site.longitude_deg),
        height_m=np.full(count, site.height_m),
        time_unix_s=np.array([to_unix_s(t) for t in times]),
    )
    stream: dict[str, Any] = {
        "count": watch.draws,
        "watch": watch.name,
        "cycle_id": data.cycle.id,
        "site": site.name,
        "cycle_unix_s": data.wind.cycle_unix_s,
        "wind_error_scale": error_scale(len(data.wind.member_labels)),
    }
    flights = fly(data.wind, launches, watch.train, make_draws(watch.train, launches, **stream))
    hours = score_site(
        site,
        launches.time_unix_s,
        flights,
        data.surface,
        watch.ground,
        watch.plan,
        draw_surface_errors(launches, **stream),
    )
    return hours, flights


def _go_on(stopping: Callable[[], bool]) -> None:
    if stopping():
        raise PassStoppedError("the pass was stopped; nothing of it is stored", retry=True)
