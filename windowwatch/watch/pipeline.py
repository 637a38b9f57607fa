"""One pass: a cycle from decoded weather to stored windows. Calls in a straight line.

There is no arithmetic here: every number is made on a floor below.

Some models run far only every other cycle: without `carry_over`, each short one between would make
windows that lie beyond it unreadable, and people would be told so. That is for the end of time
alone. Where a field is lost, or flights leave the area, nothing is known of an hour, and no earlier
answer may hide it.
"""

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

from windowwatch.child import Progress, unheard
from windowwatch.forecast.cycle import Cycle, CycleData
from windowwatch.forecast.notes import CarriedOver, Notes
from windowwatch.notices.policy import holds, plan_deliveries
from windowwatch.notices.surroundings import next_forecast
from windowwatch.scoring.opinions import Role, Voice, with_opinions
from windowwatch.scoring.values import Hour
from windowwatch.storage.cycles import OvertakenError, PassRecord
from windowwatch.storage.store import Store
from windowwatch.watch.flying import FlownCycle, fly_cycle, go_on
from windowwatch.watch.learned import believing, learn_when_due
from windowwatch.watch.nearby import NearAtSites
from windowwatch.watch.values import Watch
from windowwatch.windows.agreement import tell_disagreements
from windowwatch.windows.changes import compare
from windowwatch.windows.steady import Weighing, hold_back, waited_in_vain
from windowwatch.windows.values import Change, Window
from windowwatch.windows.window import ACTIVE, is_unread, join_hours

#: So often a pass is compared anew when another one was saved meanwhile.
_TRIES = 4


#: An answer is kept for so long: long cycles come every twelve hours, and one may fail.
#: Common practice, no source.
KEPT_FOR = timedelta(hours=24)


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
        does not reach keep the answer stored before, marked, in any case; see `carry_over`.)
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
    flown_with, believed = believing(watch, store)
    flown = fly_cycle(
        data, flown_with, now_utc=now_utc, noted=believed, near=near, progress=progress,
        stopping=stopping,
    )  # fmt: skip
    go_on(stopping)
    progress(f"{data.cycle.id}: windows", 1.0)
    return pass_flown(flown, watch, store, now_utc=now_utc, partial=partial)


def pass_flown(
    flown: FlownCycle, watch: Watch, store: Store, *, now_utc: datetime, partial: bool = False
) -> PassResult:
    """Join, compare and store a cycle that was flown; parameters and errors as of `run_pass`.

    `now_utc` is the one that it was flown for.
    """
    scored = PassRecord(
        watch=watch.name,
        cycle=flown.cycle,
        saved_utc=now_utc,
        hours=tuple(hour for each in flown.sites for hour in each.hours),
        windows=(),
        changes=(),
        files=flown.files,
        gaps=flown.gaps,
        remarks=flown.remarks,
        steps=flown.steps,
        role=flown.role,
        details=tuple(detail for each in flown.sites for detail in each.details),
        records=tuple(each.record for each in flown.sites),
        learned=flown.learned,
    )

    def complete(record: PassRecord) -> PassRecord:
        return with_others(_carried(flown, watch, store, record, partial=partial), watch, store)

    if watch.role is Role.OPINION:
        record, saved = keep_opinion(complete(scored), store)
    else:
        record, saved = conclude(scored, watch, store, complete)
        if saved:
            learn_when_due(store, watch, now_utc)
    return _result(record, sum(each.flights for each in flown.sites), saved)


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
    flown: FlownCycle, watch: Watch, store: Store, found: PassRecord, *, partial: bool
) -> PassRecord:
    """Hours of a cycle, those beyond what there is of it as stored before; and what to say."""
    ended = frozenset().union(*(each.ended for each in flown.sites))
    newest = store.latest_cycle(watch.name, watch.model, watch.role)
    if newest is None or not (partial or ended):
        return found
    made, count = carry_over(
        found.hours,
        store.hours(watch.name, newest.id),
        earlier_cycle=newest.id,
        cycle_utc=found.cycle.reference_utc,
        ended=ended,
    )
    if not partial and not count:
        return found
    carried = CarriedOver(flown.reaches_utc, partial, count)
    # an earlier answer is drawn with what its own cycle kept
    held = {(hour.site, hour.time_utc) for hour in made if hour.from_cycle is not None}
    details = tuple(d for d in found.details if (d.site, d.time_utc) not in held)
    return replace(found, hours=made, details=details, remarks=(*found.remarks, carried))


def carry_over(
    hours: Sequence[Hour],
    earlier: Sequence[Hour],
    *,
    earlier_cycle: str,
    cycle_utc: datetime,
    ended: Collection[tuple[str, datetime]],
) -> tuple[tuple[Hour, ...], int]:
    """Put earlier answers in the place of hours beyond what there is of a cycle.

    Only an hour that could not be read, for no other reason than that the cycle ends, is
    replaced, and only by one that could and is not older than `KEPT_FOR`; everything else
    stays as the newest cycle says.

    Parameters
    ----------
    hours, earlier : sequence of Hour
        Of the newest cycle, and as stored before it.
    earlier_cycle : str
        Id of the cycle of `earlier`; hours that were carried over already name their own.
    cycle_utc : datetime
        Reference time of the newest cycle.
    ended : collection of (str, datetime)
        Site and launch hour of those that it does not reach, as of `past_end`.

    Returns
    -------
    hours : tuple of Hour
    carried : int
        How many were replaced.
    """
    known = {(hour.site, hour.time_utc): hour for hour in earlier}
    made: list[Hour] = []
    carried = 0
    for hour in hours:
        old = known.get((hour.site, hour.time_utc))
        beyond = (hour.site, hour.time_utc) in ended
        if not beyond or not is_unread(hour) or old is None or is_unread(old):
            made.append(hour)
            continue
        origin = old.from_cycle or earlier_cycle
        if Cycle.of_id(origin).reference_utc < cycle_utc - KEPT_FOR:
            made.append(hour)
            continue
        made.append(replace(old, from_cycle=origin))
        carried += 1
    return tuple(made), carried


def with_others(found: PassRecord, watch: Watch, store: Store) -> PassRecord:
    """A pass of the deciding model, its hours with what the newest cycles of others say.

    A model that the watch does not ask any more is not heard, though its cycles are stored;
    nor is one on a cycle of its own.
    """
    voices = [
        Voice(each.cycle, store.hours(watch.name, each.cycle.id))
        for each in store.opinions(watch.name)
        if each.cycle.model in watch.others and each.cycle.model != found.cycle.model
    ]
    if not voices and not any(hour.others for hour in found.hours):
        return found
    hours = with_opinions(found.hours, found.cycle, voices, watch.agreement.stale_after)
    return replace(found, hours=hours)


def keep_opinion(found: PassRecord, store: Store) -> tuple[PassRecord, bool]:
    """Store what another model says: hours and files, but no windows and no changes."""
    before, _ = store.passes(found.watch, found.cycle.id)
    record = replace(found, pass_number=before + 1)
    return record, store.save_pass(record)


def newest_recombined(watch: Watch, store: Store, now_utc: datetime) -> PassRecord | None:
    """The newest pass of the deciding model with what others say now; None if that is no news.

    None, too, where another model decided so far: its last pass stands as it was. What has
    waited in vain for the next deciding cycle (`windows.steady`) is news.

    It is stored by `windowwatch.watch.pipeline.recombine`, as one more pass of its cycle.
    """
    stands, stored = store.newest_pass(watch.name), store.cycles(watch.name, last=1)
    if stands is None or not stored:
        return None
    newest = stored[-1]
    if newest.cycle.model != watch.model:
        return None
    hours = store.hours(watch.name, newest.cycle.id)
    found = PassRecord(
        watch=watch.name,
        cycle=newest.cycle,
        saved_utc=now_utc,
        hours=hours,
        windows=(),
        changes=(),
        files=newest.files,
        gaps=newest.gaps,
        remarks=newest.remarks,
        steps=newest.steps,
        learned=newest.learned,
        made_on=(stands,),
        recombined=True,
    )
    weighed = with_others(found, watch, store)
    if weighed.hours == hours and not waited_in_vain(store.current_windows(watch.name), now_utc):
        return None
    return weighed
