"""Planned launches: their entries, the newest table of releases of each, and what was seen.

Entries and sightings are only ever added. Two who write at once are both heard, one after the
other: what the second one asks is checked again on top of what the first one did.
"""

import contextlib
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import ColumnElement, delete, func, select
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from windowwatch.clock import require_utc
from windowwatch.errors import StorageError
from windowwatch.launchday.countdown import Step, also
from windowwatch.launchday.plan import (
    EVENTS,
    Entry,
    Event,
    PlanError,
    Planned,
    check_clearance,
    check_new,
    check_next,
)
from windowwatch.launchday.releases import ReleaseTable
from windowwatch.launchday.sighting import Sighting
from windowwatch.physics.train import FlightTrain
from windowwatch.storage.cycles import current_windows, hours_of, latest_cycle
from windowwatch.storage.engine import Database
from windowwatch.storage.rows import value_from_json, value_to_json
from windowwatch.storage.tables import PlanEntryRow, ReleaseTableRow, SightingRow
from windowwatch.windows.values import Window

#: So often an entry is tried again when somebody else was faster.
_TRIES = 8

#: Refuses an event on top of the entries that are there, by raising.
Check = Callable[[Sequence[Entry]], None]


@dataclass(frozen=True)
class PlanEntries:
    """All entries of one plan, in order."""

    key: str
    entries: tuple[Entry, ...]


@dataclass(frozen=True)
class PlannedIn:
    """A new plan, the window that its release lies in, and whether it is past the forecast."""

    entries: PlanEntries
    window: Window | None
    beyond: bool


def plan_launch(
    database: Database,
    watch: str,
    site: str,
    release_utc: datetime,
    train: FlightTrain,
    *,
    at_utc: datetime,
    by: str,
    crew: tuple[str, ...] = (),
    clearance: tuple[datetime, datetime] | None = None,
) -> PlannedIn:
    """Plan a launch in what the newest forecast says.

    Parameters
    ----------
    database : Database
    watch, site : str
    release_utc : datetime
    train : FlightTrain
    at_utc, by
        When and by whom it is planned.
    crew : tuple of str
    clearance : (datetime, datetime), optional
        First and last of the clearance.

    Raises
    ------
    PlanError
        If the release is past, too far ahead or outside the clearance.
    StorageError
        If no forecast of the site is stored, or the database refuses.
    """
    hours = hours_of(database, watch, site=site)
    if not hours:
        raise StorageError(f"no forecast of {site} is stored yet; pass one first")
    windows = [
        window
        for window in current_windows(database, watch)
        if window.site == site and window.start_utc <= release_utc <= window.last_release_utc
    ]
    newest, window = latest_cycle(database, watch), windows[0] if windows else None
    event = Planned(
        site,
        release_utc,
        train,
        crew,
        None if window is None else window.uid,
        None if newest is None else newest.id,
    )
    check_new(event, at_utc)
    check_clearance(release_utc, clearance)
    made = make_plan(database, watch, event, at_utc=at_utc, by=by)
    return PlannedIn(made, window, release_utc > max(hour.time_utc for hour in hours))


def make_plan(
    database: Database, watch: str, event: Planned, *, at_utc: datetime, by: str
) -> PlanEntries:
    """Store a new plan; its key is the next whole number of the watch."""

    def add(session: Session) -> PlanEntries:
        there = session.scalar(
            select(func.max(PlanEntryRow.plan)).where(PlanEntryRow.watch == watch)
        )
        number = 1 if there is None else int(there) + 1
        entry = Entry(1, require_utc(at_utc), by, event)
        session.add(_row(watch, number, entry))
        return PlanEntries(str(number), (entry,))

    return _tried(database, add)


def add_entry(
    database: Database,
    watch: str,
    key: str,
    event: Event,
    *,
    at_utc: datetime,
    by: str,
    check: Check,
) -> PlanEntries:
    """Store what happens next to a plan.

    Parameters
    ----------
    database : Database
    watch, key : str
    event : Event
    at_utc : datetime
    by : str
        Who did it.
    check : callable
        Called with all entries that are there, inside the transaction; what it raises is raised,
        and nothing is stored then. Called again when somebody else was faster.

    Returns
    -------
    PlanEntries
        With the new one.

    Raises
    ------
    StorageError
        If there is no such plan, or the database refuses.
    """
    plan = _number(watch, key)

    def add(session: Session) -> PlanEntries:
        entries = _entries(session, watch, plan)
        if not entries:
            raise _no_such(watch, key)
        check(entries)
        entry = Entry(len(entries) + 1, require_utc(at_utc), by, event)
        session.add(_row(watch, plan, entry))
        return PlanEntries(key, (*entries, entry))

    return _tried(database, add)


def act_on_plan(
    database: Database,
    watch: str,
    key: str,
    event: Event,
    *,
    at_utc: datetime,
    by: str,
    steps: Sequence[Step],
    seen: int | None = None,
    sure: bool = False,
) -> PlanEntries:
    """Store what somebody did to a plan, and what follows from it by itself.

    A step that is marked begins the fill, or is ticked by what it stands for; where somebody
    else has done that part already, it is left as it is.

    Parameters
    ----------
    database, watch, key, event, at_utc, by
        As for `add_entry`.
    steps : sequence of Step
        Of the countdown.
    seen, sure
        As for `windowwatch.launchday.plan.check_next`.

    Raises
    ------
    PlanError
        If it cannot be done; nothing is stored then.
    StorageError
        As `add_entry`.
    """
    keys = tuple(step.key for step in steps)

    def add(what: Event, seen: int | None) -> PlanEntries:
        def check(entries: Sequence[Entry]) -> None:
            check_next(entries, what, at_utc, key=key, seen=seen, steps=keys, sure=sure)

        return add_entry(database, watch, key, what, at_utc=at_utc, by=by, check=check)

    found = add(event, seen)
    for more in also(event, steps):
        with contextlib.suppress(PlanError):
            found = add(more, None)
    return found


def _tried(database: Database, add: Callable[[Session], PlanEntries]) -> PlanEntries:
    for attempt in range(_TRIES):
        try:
            with database.writing() as session:
                return add(session)
        except StorageError as error:
            if not isinstance(error.__cause__, IntegrityError) or attempt + 1 == _TRIES:
                raise
    raise AssertionError("an entry needs one try")


def plan_entries(database: Database, watch: str, key: str) -> PlanEntries:
    """All that happened to a plan.

    Raises
    ------
    StorageError
        If there is no such plan.
    """
    entries = entries_of_plan(database, watch, key)
    if not entries:
        raise _no_such(watch, key)
    return PlanEntries(key, entries)


def entries_of_plan(database: Database, watch: str, key: str) -> tuple[Entry, ...]:
    """All that happened to a plan; empty where there is none."""
    if not _is_key(key):
        return ()
    with database.reading() as session:
        return _entries(session, watch, _number(watch, key))


def all_plans(database: Database, watch: str) -> tuple[PlanEntries, ...]:
    """Every plan of a watch, the newest first."""
    wanted = (
        select(PlanEntryRow)
        .where(PlanEntryRow.watch == watch)
        .order_by(PlanEntryRow.plan.desc(), PlanEntryRow.number)
    )
    found: dict[int, list[Entry]] = {}
    with database.reading() as session:
        for row in session.scalars(wanted):
            found.setdefault(row.plan, []).append(_entry(row))
    return tuple(PlanEntries(str(plan), tuple(entries)) for plan, entries in found.items())


def save_release_table(database: Database, watch: str, table: ReleaseTable) -> None:
    """Keep the newest table of a plan in the place of the one before."""
    plan = _number(watch, table.plan)
    text = value_to_json(table, f"releases of plan {table.plan}")
    with database.writing() as session:
        session.execute(delete(ReleaseTableRow).where(*_of_plan(ReleaseTableRow, watch, plan)))
        session.add(
            ReleaseTableRow(
                watch=watch,
                plan=plan,
                plan_number=table.plan_number,
                cycle_id=table.cycle_id,
                made_utc=require_utc(table.made_utc),
                value=text,
            )
        )


def release_table_of(database: Database, watch: str, key: str) -> ReleaseTable | None:
    """The newest table of a plan; None when none was made yet."""
    with database.reading() as session:
        row = session.get(ReleaseTableRow, (watch, _number(watch, key)))
        if row is None:
            return None
        return value_from_json(ReleaseTable, row.value, f"releases of plan {key}")


def plans_mark(database: Database, watch: str) -> str:
    """A word that is another one whenever any plan, table or sighting of a watch is."""
    counts = (
        select(func.count()).select_from(PlanEntryRow).where(PlanEntryRow.watch == watch),
        select(func.count()).select_from(SightingRow).where(SightingRow.watch == watch),
        select(func.max(ReleaseTableRow.made_utc)).where(ReleaseTableRow.watch == watch),
    )
    with database.reading() as session:
        entries, seen, made = (session.scalar(each) for each in counts)
    return f"{entries}.{seen}.{'' if made is None else f'{made:%y%m%d%H%M%S%f}'}"


def save_sighting(database: Database, watch: str, seen: Sighting) -> None:
    """Keep what was seen at a site."""
    text = value_to_json(seen, f"what {seen.by} saw at {seen.site}")
    with database.writing() as session:
        session.add(
            SightingRow(watch=watch, site=seen.site, at_utc=require_utc(seen.at_utc), value=text)
        )


def sightings_of(
    database: Database, watch: str, site: str, since_utc: datetime
) -> tuple[Sighting, ...]:
    """What was seen at a site since a time, the oldest first."""
    wanted = (
        select(SightingRow)
        .where(
            SightingRow.watch == watch,
            SightingRow.site == site,
            SightingRow.at_utc >= require_utc(since_utc),
        )
        .order_by(SightingRow.at_utc, SightingRow.id)
    )
    with database.reading() as session:
        return tuple(
            value_from_json(Sighting, row.value, f"what was seen at {site}")
            for row in session.scalars(wanted)
        )


def _of_plan(
    table: type[PlanEntryRow] | type[ReleaseTableRow], watch: str, plan: int
) -> tuple[ColumnElement[bool], ...]:
    return (table.watch == watch, table.plan == plan)


def _entries(session: Session, watch: str, plan: int) -> tuple[Entry, ...]:
    wanted = (
        select(PlanEntryRow)
        .where(*_of_plan(PlanEntryRow, watch, plan))
        .order_by(PlanEntryRow.number)
    )
    return tuple(_entry(row) for row in session.scalars(wanted))


def _row(watch: str, plan: int, entry: Entry) -> PlanEntryRow:
    return PlanEntryRow(
        watch=watch,
        plan=plan,
        number=entry.number,
        at_utc=entry.at_utc,
        by_whom=entry.by,
        kind=entry.event.kind,
        value=value_to_json(entry.event, f"plan {plan}, entry {entry.number}"),
    )


def _entry(row: PlanEntryRow) -> Entry:
    what = f"plan {row.plan}, entry {row.number}"
    kind = EVENTS.get(row.kind)
    if kind is None:
        raise StorageError(
            f"{what}: {row.kind!r} is nothing that this program knows; run the newer windowwatch"
        )
    event: Event = value_from_json(kind, row.value, what)
    return Entry(row.number, row.at_utc, row.by_whom, event)


def _number(watch: str, key: str) -> int:
    if not _is_key(key):
        raise _no_such(watch, key)
    return int(key)


def _is_key(key: str) -> bool:
    return re.fullmatch(r"[1-9][0-9]{0,8}", key) is not None


def _no_such(watch: str, key: str) -> StorageError:
    return StorageError(
        f"watch {watch!r} has no plan {key!r}; `windowwatch plan list` shows those there are"
    )
