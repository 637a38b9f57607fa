"""One pass: a cycle from decoded weather to stored windows. Calls in a straight line.

There is no arithmetic here: every number is made on a floor below.
"""

from collections.abc import Callable, Collection
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from windowwatch.child import Progress, give_back_unused_heap, unheard
from windowwatch.clock import from_unix_s
from windowwatch.errors import WindowwatchError
from windowwatch.forecast.cycle import CycleData
from windowwatch.forecast.notes import CarriedOver, Notes
from windowwatch.forecast.sources import require_covers
from windowwatch.notices.policy import holds, plan_deliveries
from windowwatch.notices.surroundings import next_forecast
from windowwatch.scoring.values import Hour
from windowwatch.storage.cycles import OvertakenError, PassRecord, Role
from windowwatch.storage.store import Store
from windowwatch.watch.flying import (
    SiteHours,
    asked_what_it_can,
    carry_over,
    hours_of_site,
    keep_opinion,
    newest_recombined,
    with_others,
)
from windowwatch.watch.learned import believing, learn_when_due
from windowwatch.watch.nearby import NearAtSites
from windowwatch.watch.values import Watch
from windowwatch.windows.agreement import tell_disagreements
from windowwatch.windows.changes import compare
from windowwatch.windows.steady import Weighing, hold_back
from windowwatch.windows.values import Change, Window
from windowwatch.windows.window import ACTIVE, join_hours

#: So often a pass is compared anew when another one was saved meanwhile.
_TRIES = 4


class PassStoppedError(WindowwatchError):
    """A pass was asked to stop; nothing of it is stored and it may run again."""


@dataclass(frozen=True)
class PassResult:
    """What a pass found. `saved` is False when the store had it already.

    `role` says whether its model decides; `recombined` that nothing was flown, because only
    what other models say is new.
    """

    cycle_id: str
    hours: tuple[Hour, ...]
    windows: tuple[Window, ...]
    changes: tuple[Change, ...]
    flights: int
    gaps: Notes
    remarks: Notes
    saved: bool
    role: Role = Role.PRIMARY
    recombined: bool = False


def run_pass(
    data: CycleData,
    watch: Watch,
    store: Store,
    *,
    now_utc: datetime,
    progress: Progress = unheard,
    stopping: Callable[[], bool] = lambda: False,
    partial: bool = False,
    near: NearAtSites | None = None,
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
        More of this cycle is still to come, and it may be passed again. (Hours that a cycle
        does not reach keep the answer stored before, marked, in any case; see `carry`.)
    near : NearAtSites, optional
        What a finer model says near the ground; only the deciding model is heard with it.

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
    watch, believed = believing(watch, store)
    times = watch.span.hours(now_utc)
    near = None if watch.role is Role.OPINION else near
    at_sites = {} if near is None else near.sites
    remarks = (*data.remarks, *(() if near is None else near.remarks), *believed)
    if watch.role is Role.OPINION:
        watch, unasked = asked_what_it_can(data, watch, times)
        remarks = (*remarks, *unasked)
    flown: list[SiteHours] = []
    for number, site in enumerate(watch.sites):
        _go_on(stopping)
        progress(f"{data.cycle.id}: {site.name}", number / len(watch.sites))
        give_back_unused_heap()  # of reading, or of the site before
        flown.append(hours_of_site(data, watch, site, times, now_utc, at_sites.get(site.name)))
    ended = frozenset().union(*(each.ended for each in flown))
    _go_on(stopping)
    progress(f"{data.cycle.id}: windows", 1.0)

    scored = PassRecord(
        watch=watch.name,
        cycle=data.cycle,
        saved_utc=now_utc,
        hours=tuple(hour for each in flown for hour in each.hours),
        windows=(),
        changes=(),
        files=(*data.files, *(() if near is None else near.files)),
        gaps=(*data.gaps, *(() if near is None else near.gaps)),
        remarks=remarks,
        steps=data.wind.time_unix_s.size,
        role=watch.role,
        details=tuple(detail for each in flown for detail in each.details),
        records=tuple(each.record for each in flown),
        learned=watch.belief.version,
    )

    def complete(record: PassRecord) -> PassRecord:
        carried = _carried(data, watch, store, record, ended, partial=partial)
        return with_others(carried, watch, store)

    if watch.role is Role.OPINION:
        record, saved = keep_opinion(complete(scored), store)
    else:
        record, saved = conclude(scored, watch, store, complete)
        if saved:
            learn_when_due(
                store, watch.name, now_utc, sites=watch.sites, use_learned=watch.use_learned,
                survey=watch,
            )  # fmt: skip
    return _result(record, sum(each.flights for each in flown), saved)


def _result(record: PassRecord, flown: int, saved: bool) -> PassResult:
    return PassResult(
        record.cycle.id,
        record.hours,
        record.windows,
        record.changes,
        flown,
        record.gaps,
        record.remarks,
        saved,
        record.role,
        record.recombined,
    )


def conclude(
    found: PassRecord,
    watch: Watch,
    store: Store,
    complete: Callable[[PassRecord], PassRecord] = lambda record: record,
    *,
    tries: int = _TRIES,
) -> tuple[PassRecord, bool]:
    """From scored hours to stored windows, changes and deliveries.

    Parameters
    ----------
    found : PassRecord
        Hours of a cycle and where they come from; its windows and changes are made here.
    watch : Watch
    store : Store
    complete : callable, optional
        Adds to the hours what hangs on what is stored; asked again when that has changed.
    tries : int
        So often the pass is made again when another one was saved meanwhile.

    Returns
    -------
    record : PassRecord
        As stored, or as it would have been.
    saved : bool
        False when the store had the pass already.

    Raises
    ------
    StorageError
        If the results cannot be stored; nothing of them is then. As `OvertakenError` if again
        and again another process was faster.
    """
    for attempt in range(tries):
        record = found
        if found.made_on is None:
            stands = store.newest_pass(watch.name)
            record = replace(found, made_on=() if stands is None else (stands,))
        record = _compared(complete(record), watch, store)
        try:
            return record, store.save_pass(record)
        except OvertakenError:
            if attempt + 1 >= tries:
                raise
    raise AssertionError("a pass needs one try")


def recombine(watch: Watch, store: Store, now_utc: datetime) -> PassResult | None:
    """Bring the newest pass together with what other models say by now, and tell what changes.

    Nothing is flown: it is one more pass of the same cycle, with the same hours but for their
    chance and the opinions on them.

    Returns
    -------
    PassResult or None
        None when others say nothing new, or nothing is stored yet.

    Raises
    ------
    StorageError
        As `conclude`.
    """
    for attempt in range(_TRIES):
        found = newest_recombined(watch, store, now_utc)
        if found is None:
            return None
        try:
            record, saved = conclude(found, watch, store, tries=1)
        except OvertakenError:
            if attempt + 1 == _TRIES:
                raise
            continue
        return _result(record, 0, saved)
    return None


def _compared(found: PassRecord, watch: Watch, store: Store) -> PassRecord:
    """A pass with its windows, what is to be told of them, and to whom."""
    known = store.current_windows(watch.name)
    before, _ = store.passes(watch.name, found.cycle.id)
    times: dict[str, Any] = {"now_utc": found.saved_utc}
    about = {**times, "cycle": found.cycle, "watch": watch.name, "pass_number": before + 1}
    joined = join_hours(found.hours, watch.rules, known=known, **times)
    windows, changes = compare(known, joined, found.hours, watch.rules, **about)
    windows, changes = tell_disagreements(
        known, windows, changes, found.hours, watch.rules, watch.agreement, **about
    )
    weighing = None
    if found.recombined:
        weighing = Weighing(next_forecast(store.newest_passes(watch.name, last=2)))
    windows, changes = hold_back(
        known, windows, changes, watch.rules, cycle=found.cycle, weighing=weighing, **times
    )
    return replace(
        found,
        windows=_with_ended(windows, store.windows(watch.name, found.cycle.id) if before else ()),
        changes=changes,
        deliveries=plan_deliveries(changes, watch.channels),
        held_until=holds(changes, watch.channels),
        pass_number=before + 1,
    )


def _with_ended(windows: tuple[Window, ...], before: tuple[Window, ...]) -> tuple[Window, ...]:
    """Windows of a pass, with those that ended in an earlier pass of the same cycle.

    A later pass takes the earlier one's place: without them their history would end at "open".
    """
    there = {window.uid for window in windows}
    ended = [w for w in before if w.state not in ACTIVE and w.uid not in there]
    return tuple(sorted((*windows, *ended), key=lambda w: (w.site, w.start_utc, w.uid)))


def _carried(
    data: CycleData,
    watch: Watch,
    store: Store,
    found: PassRecord,
    ended: Collection[tuple[str, datetime]],
    *,
    partial: bool,
) -> PassRecord:
    """Hours of a cycle, those beyond what there is of it as stored before; and what to say."""
    newest = store.latest_cycle(watch.name, watch.model, watch.role)
    if newest is None or not (partial or ended):
        return found
    reaches = from_unix_s(float(data.wind.time_unix_s[-1]))
    made, count = carry_over(
        found.hours,
        store.hours(watch.name, newest.id),
        earlier_cycle=newest.id,
        cycle_utc=found.cycle.reference_utc,
        ended=ended,
    )
    if not partial and not count:
        return found
    carried = CarriedOver(reaches, partial, count)
    # an earlier answer is drawn with what its own cycle kept
    held = {(hour.site, hour.time_utc) for hour in made if hour.from_cycle is not None}
    details = tuple(d for d in found.details if (d.site, d.time_utc) not in held)
    return replace(found, hours=made, details=details, remarks=(*found.remarks, carried))


def _go_on(stopping: Callable[[], bool]) -> None:
    if stopping():
        raise PassStoppedError("the pass was stopped; nothing of it is stored", retry=True)
