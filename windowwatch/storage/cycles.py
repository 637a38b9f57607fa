"""What passes are as values, and reading them again: hours, details, the trail of a notice."""

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import lru_cache
from typing import Any, TypeVar

from sqlalchemy import Select, and_, delete, func, select
from sqlalchemy.orm import Session, joinedload, selectinload

from windowwatch.clock import require_utc
from windowwatch.errors import StorageError
from windowwatch.forecast.cycle import Cycle, SourceFile
from windowwatch.forecast.notes import Notes
from windowwatch.learning.record import SiteRecord
from windowwatch.scoring.opinions import Role
from windowwatch.scoring.values import Hour, HourDetail
from windowwatch.storage import codec, rows
from windowwatch.storage.deliveries import Delivery, deliveries_of
from windowwatch.storage.engine import Database
from windowwatch.storage.rows import change_of_row, window_of_row
from windowwatch.storage.tables import ChangeRow, CycleRow, HourDetailRow, HourRow, WindowRow
from windowwatch.windows.causes import OfPlan
from windowwatch.windows.values import Change, Window, WindowState

_Wanted = TypeVar("_Wanted", bound=Select[Any])

#: Launch hours this near to a planned release are shown with what is told of it.
_BESIDE = timedelta(hours=1)
_ACTIVE = (str(WindowState.SIGHTED), str(WindowState.OPEN))


class OvertakenError(StorageError):
    """A pass was made on what is no longer the newest pass; it is to be made again."""


@dataclass(frozen=True)
class PassMark:
    """What tells one stored pass from another: of the same cycle there may be several."""

    cycle: Cycle
    passes: int
    saved_utc: datetime


@dataclass(frozen=True)
class PassRecord:
    """All that one pass of one watch leaves behind; saved as a whole or not at all.

    `windows` and `changes` are what `windowwatch.windows.changes.compare` gave.
    `deliveries` names who is to be told what: pairs of change key and channel name.
    `held_until` names those of them that wait, and until when.
    `pass_number` and `steps` tell a later pass of the same cycle, and how many forecast steps
    it had. `made_on` is the newest pass that its windows were compared with, in a tuple; an
    empty tuple when there was none, and None where nothing was compared. `recombined` when
    nothing of the cycle is new but what other models say of its hours. `records` are kept to judge
    the hours by later, and `learned` is the version of what was learned that flights were made
    with; None where they were made with the tables from memory.
    """

    watch: str
    cycle: Cycle
    saved_utc: datetime
    hours: tuple[Hour, ...]
    windows: tuple[Window, ...]
    changes: tuple[Change, ...]
    deliveries: tuple[tuple[str, str], ...] = ()
    held_until: Mapping[tuple[str, str], datetime] = field(default_factory=dict)
    files: tuple[SourceFile, ...] = ()
    gaps: Notes = ()
    remarks: Notes = ()
    pass_number: int = 1
    steps: int = 0
    details: tuple[HourDetail, ...] = ()
    role: Role = Role.PRIMARY
    made_on: tuple[PassMark, ...] | None = None
    recombined: bool = False
    records: tuple[SiteRecord, ...] = ()
    learned: str | None = None


@dataclass(frozen=True)
class StoredCycle:
    """A cycle as it was saved, without its hours.

    `saved_utc` is when it was last read and flown; that others' opinions were weighed anew since
    shows in `passes`.
    """

    watch: str
    cycle: Cycle
    saved_utc: datetime
    files: tuple[SourceFile, ...]
    gaps: Notes
    remarks: Notes
    role: Role = Role.PRIMARY
    passes: int = 1
    steps: int = 0
    learned: str | None = None


def has_pass(database: Database, watch: str, cycle_id: str) -> bool:
    """Whether the pass of a cycle is stored."""
    with database.reading() as session:
        return find(session, watch, cycle_id) is not None


def passes_of(database: Database, watch: str, cycle_id: str) -> tuple[int, int]:
    """How many passes of a cycle are stored, and how many steps the last one had."""
    with database.reading() as session:
        row = find(session, watch, cycle_id)
        return (0, 0) if row is None else (row.passes, row.steps)


def passes_by_cycle(database: Database, watch: str, cycle_ids: Collection[str]) -> dict[str, int]:
    """How many passes are stored of each of some cycles."""
    wanted = select(CycleRow.cycle_id, CycleRow.passes).where(
        CycleRow.watch == watch, CycleRow.cycle_id.in_(cycle_ids)
    )
    with database.reading() as session:
        return {row.cycle_id: row.passes for row in session.execute(wanted)}


def latest_cycle(
    database: Database, watch: str, model: str | None = None, role: Role | None = None
) -> Cycle | None:
    """Newest stored cycle of a watch: of its deciding model, or of the one that is named.

    Of a named model only those in a role when one is given.
    """
    with database.reading() as session:
        row = session.execute(_latest(watch, model, role)).first()
        return None if row is None else Cycle(*row)


def newest_pass(database: Database, watch: str) -> PassMark | None:
    """The newest pass of the newest cycle of a watch's deciding model; quick, for asking often."""
    found = newest_passes(database, watch, 1)
    return found[0] if found else None


def newest_passes(database: Database, watch: str, last: int) -> tuple[PassMark, ...]:
    """The newest pass of each of the `last` cycles of a watch's deciding model, oldest first.

    As quick as `newest_pass`.
    """
    with database.reading() as session:
        found = session.execute(_marks(watch, last)).all()
    return tuple(PassMark(Cycle(row[0], row[1]), row[2], row[3]) for row in reversed(found))


def stored_cycles(
    database: Database, watch: str, last: int | None = None, *, model: str | None = None
) -> tuple[StoredCycle, ...]:
    """Stored cycles of a watch, oldest first; only the `last` ones when given.

    Of its deciding model, or of the one that is named. Where another model decides since, those
    of the one before stand first.
    """
    wanted = newest_first(of_watch(watch), model).limit(last).options(selectinload(CycleRow.files))
    with database.reading() as session:
        return tuple(stored_cycle(row) for row in reversed(session.scalars(wanted).all()))


def opinion_cycles(database: Database, watch: str) -> tuple[StoredCycle, ...]:
    """Newest cycle stored as an opinion of every model that has one, by name of the model."""
    others = (
        select(CycleRow.model)
        .where(CycleRow.watch == watch, CycleRow.role == str(Role.OPINION))
        .distinct()
    )
    with database.reading() as session:
        models = sorted(session.scalars(others))
        return tuple(
            stored_cycle(row) for m in models if (row := newest(session, watch, m, Role.OPINION))
        )


def stored_cycle(row: CycleRow) -> StoredCycle:
    """Value of a row."""
    return StoredCycle(
        watch=row.watch,
        cycle=Cycle(row.reference_utc, row.model),
        saved_utc=row.saved_utc,
        files=tuple(SourceFile(f.path, f.sha256, f.size_bytes) for f in row.files),
        gaps=rows.notes_from_json(row.gaps, f"{row.cycle_id}, gaps"),
        remarks=rows.notes_from_json(row.remarks, f"{row.cycle_id}, remarks"),
        role=Role(row.role),
        passes=row.passes,
        steps=row.steps,
        learned=row.learned,
    )


def current_windows(database: Database, watch: str) -> tuple[Window, ...]:
    """Windows sighted or open after the newest cycle, by site and start."""
    return windows_of(database, watch, None, active_only=True)


def windows_of(
    database: Database, watch: str, cycle_id: str | None = None, *, active_only: bool = False
) -> tuple[Window, ...]:
    """Windows as they stood after a cycle (the newest when None), by site and start."""
    wanted = _windows(watch, cycle_id, active_only)
    with database.reading() as session:
        return tuple(rows.window_of_row(row) for row in session.scalars(wanted))


def window_history(database: Database, watch: str, uid: str) -> tuple[Window, ...]:
    """Every version of a window, oldest cycle first; each names its cycle."""
    wanted = (
        select(WindowRow)
        .join(CycleRow, WindowRow.cycle_row == CycleRow.id)
        .where(CycleRow.watch == watch, WindowRow.uid == uid)
        .order_by(CycleRow.id)
    )
    with database.reading() as session:
        return tuple(rows.window_of_row(row) for row in session.scalars(wanted))


def hours_of(
    database: Database,
    watch: str,
    cycle_id: str | None = None,
    *,
    site: str | None = None,
    from_utc: datetime | None = None,
    until_utc: datetime | None = None,
    with_checks: bool = True,
) -> tuple[Hour, ...]:
    """Hours of a cycle (the newest when None), by site and time; `until_utc` not included.

    Without checks (an empty tuple in each hour) reading is many times faster.
    """
    with database.reading() as session:
        cycle = _find_or_newest(session, watch, cycle_id)
        if cycle is None:
            return ()
        return tuple(
            hours_between(session, cycle.id, site, from_utc, until_utc, with_checks=with_checks)
        )


def hours_between(
    session: Session,
    cycle_row: int,
    site: str | None,
    from_utc: datetime | None,
    until_utc: datetime | None,
    *,
    with_checks: bool = True,
) -> Iterator[Hour]:
    """Hours of a cycle's row, inside an open session."""
    columns = [c for c in HourRow.__table__.c if with_checks or c.name != "checks"]
    wanted = select(*columns).where(HourRow.cycle_row == cycle_row)
    if site is not None:
        wanted = wanted.where(HourRow.site == site)
    if from_utc is not None:
        wanted = wanted.where(HourRow.time_utc >= require_utc(from_utc))
    if until_utc is not None:
        wanted = wanted.where(HourRow.time_utc < require_utc(until_utc))
    for row in session.execute(wanted.order_by(HourRow.site, HourRow.time_utc)):
        yield rows.hour_of_row(row, with_checks=with_checks)


def changes_of(
    database: Database,
    watch: str,
    cycle_id: str | None = None,
    *,
    window_uid: str | None = None,
    last: int | None = None,
) -> tuple[Change, ...]:
    """Changes of a watch in the order they were found.

    Only those of one cycle or of one window when named, and only the `last` ones when given:
    over years there are tens of thousands of them.
    """
    wanted = select(ChangeRow).where(ChangeRow.watch == watch)
    if cycle_id is not None:
        wanted = wanted.where(ChangeRow.cycle_id == cycle_id)
    if window_uid is not None:
        wanted = wanted.where(ChangeRow.window_uid == window_uid)
    in_order = (ChangeRow.found_utc, ChangeRow.cycle_row, ChangeRow.position)
    wanted = wanted.order_by(*(column.desc() for column in in_order)).limit(last)
    with database.reading() as session:
        return tuple(rows.change_of_row(row) for row in reversed(session.scalars(wanted).all()))


def count_changes(database: Database, watch: str) -> int:
    """How many changes a watch has had."""
    wanted = select(func.count()).select_from(ChangeRow).where(ChangeRow.watch == watch)
    with database.reading() as session:
        return session.scalar(wanted) or 0


def mark_of(row: CycleRow | None) -> tuple[PassMark, ...]:
    """Mark of a row, as `PassRecord.made_on` has it."""
    if row is None:
        return ()
    return (PassMark(Cycle(row.reference_utc, row.model), row.passes, row.saved_utc),)


def find(session: Session, watch: str, cycle_id: str) -> CycleRow | None:
    """Row of a cycle, inside an open session."""
    return session.scalar(of_watch(watch).where(CycleRow.cycle_id == cycle_id))


def newest(
    session: Session, watch: str, model: str | None = None, role: Role | None = None
) -> CycleRow | None:
    """Row of the newest cycle of the deciding model, or of the one named."""
    return session.scalar(newest_first(of_watch(watch), model, role).limit(1))


def newest_first(wanted: _Wanted, model: str | None, role: Role | None = None) -> _Wanted:
    """Cycles of the deciding model, or of the one that is named, the newest first.

    Those that decide stand in the order in which they were stored: of one model that is the
    order of their times, and a model that decides from now on is not hidden by a later cycle
    of the one that decided before.
    """
    if model is None:
        return wanted.where(CycleRow.role == str(Role.PRIMARY)).order_by(CycleRow.id.desc())
    if role is not None:
        wanted = wanted.where(CycleRow.role == str(role))
    return wanted.where(CycleRow.model == model).order_by(
        CycleRow.reference_utc.desc(), CycleRow.id.desc()
    )


def _find_or_newest(session: Session, watch: str, cycle_id: str | None) -> CycleRow | None:
    return newest(session, watch) if cycle_id is None else find(session, watch, cycle_id)


def of_watch(watch: str) -> Select[CycleRow]:
    """Rows of a watch."""
    return select(CycleRow).where(CycleRow.watch == watch)


def _of_watch(watch: str, *columns: Any) -> Select[Any]:
    """Some columns of them: a row as a whole, with its lists, takes three times as long."""
    return select(*columns).where(CycleRow.watch == watch)


# What every look asks, kept as a statement: to make one takes as long as to run it.
@lru_cache
def _latest(watch: str, model: str | None, role: Role | None) -> Select[Any]:
    cycle = _of_watch(watch, CycleRow.reference_utc, CycleRow.model)
    return newest_first(cycle, model, role).limit(1)


@lru_cache
def _marks(watch: str, last: int) -> Select[Any]:
    columns = CycleRow.reference_utc, CycleRow.model, CycleRow.passes, CycleRow.saved_utc
    return newest_first(_of_watch(watch, *columns), None).limit(last)


@lru_cache
def _windows(watch: str, cycle_id: str | None, active_only: bool) -> Select[WindowRow]:
    cycle = _of_watch(watch, CycleRow.id)
    if cycle_id is None:
        cycle = newest_first(cycle, None).limit(1)
    else:
        cycle = cycle.where(CycleRow.cycle_id == cycle_id)
    wanted = select(WindowRow).where(WindowRow.cycle_row == cycle.scalar_subquery())
    if active_only:
        wanted = wanted.where(WindowRow.state.in_(_ACTIVE))
    return wanted.order_by(WindowRow.site, WindowRow.start_utc, WindowRow.uid)


#: Cycles of a watch's deciding model whose details are kept: two days of them. They are large,
#: and nobody asks how the middle flight of last week looked.
KEPT_CYCLES = 8


def detail_values(detail: HourDetail) -> dict[str, object]:
    """Columns of a detail.

    Raises
    ------
    StorageError
        If a number is not finite.
    """
    return {
        "site": detail.site,
        "time_utc": detail.time_utc,
        "value": codec.pack_detail(detail),
    }


def drop_old(session: Session, watch: str) -> None:
    """Drop the details of all but the newest cycles of a watch's deciding model."""
    newest = (
        select(CycleRow.id)
        .where(CycleRow.watch == watch, CycleRow.role == str(Role.PRIMARY))
        .order_by(CycleRow.id.desc())  # as `cycles.newest_first` has it
        .limit(KEPT_CYCLES)
    )
    kept = session.scalars(newest).all()
    old = select(CycleRow.id).where(CycleRow.watch == watch, CycleRow.id.not_in(kept))
    session.execute(delete(HourDetailRow).where(HourDetailRow.cycle_row.in_(old)))


def detail_of(
    database: Database, watch: str, cycle_id: str, site: str, time_utc: datetime
) -> HourDetail | None:
    """What one hour of a cycle is drawn with; None when it is not kept."""
    wanted = (
        select(HourDetailRow)
        .join(CycleRow, HourDetailRow.cycle_row == CycleRow.id)
        .where(
            CycleRow.watch == watch,
            CycleRow.cycle_id == cycle_id,
            HourDetailRow.site == site,
            HourDetailRow.time_utc == time_utc,
        )
    )
    with database.reading() as session:
        row = session.scalar(wanted)
        return None if row is None else codec.unpack_detail(row.value, row.site, row.time_utc)


@dataclass(frozen=True)
class Trail:
    """All that stands behind a change.

    Attributes
    ----------
    watch : str
        Name of the watch.
    change : Change
        The change itself.
    window : Window or None
        The window as that cycle left it.
    hours : tuple of Hour
        Launch hours of that cycle inside the window, as told before or as it is after; of a
        planned launch those just before and after its release.
    cycle : StoredCycle or None
        The cycle with its files and checksums, or the newest one then for a change that no cycle
        brought; None where it is not stored.
    deliveries : tuple of Delivery
        Who was told, and when.
    """

    watch: str
    change: Change
    window: Window | None
    hours: tuple[Hour, ...]
    cycle: StoredCycle | None
    deliveries: tuple[Delivery, ...]


def find_trail(database: Database, key: str) -> Trail:
    """Follow a change back.

    Parameters
    ----------
    database : Database
        Where it is stored.
    key : str
        Key of the change, as notices carry it, or its first digits when they are enough.

    Raises
    ------
    StorageError
        If no change, or more than one, has a key that begins so.
    """
    key = key.strip().lower()
    wanted = select(ChangeRow).where(ChangeRow.key.startswith(key, autoescape=True)).limit(2)
    with database.reading() as session:
        found = session.scalars(wanted).all() if key else []
        if len(found) != 1:
            how = "more than one change has" if found else "no change has"
            raise StorageError(f"{how} a key that begins with {key!r}; a notice ends with its key")
        row = found[0]
        change, cycle, window = change_of_row(row), None, None
        hours: tuple[Hour, ...] = ()
        cycle_row = _cycle_behind(session, row)
        if cycle_row is not None:
            cycle = stored_cycle(cycle_row)
            window_row = session.get(WindowRow, (cycle_row.id, row.window_uid or ""))
            window = None if window_row is None else window_of_row(window_row)
            span = _span_of(change)
            if span is not None:
                hours = tuple(hours_between(session, cycle_row.id, change.site, *span))
        watch = row.watch
    return Trail(watch, change, window, hours, cycle, deliveries_of(database, change.key))


def _cycle_behind(session: Session, row: ChangeRow) -> CycleRow | None:
    """The cycle that brought a change, or that was the newest when it was found; with its files."""
    own = CycleRow.id == row.cycle_row
    if row.cycle_row is None:
        own = and_(CycleRow.watch == row.watch, CycleRow.cycle_id == row.cycle_id)
    wanted = select(CycleRow).where(own).options(joinedload(CycleRow.files))
    return session.scalars(wanted).unique().one_or_none()


def _span_of(change: Change) -> tuple[datetime, datetime] | None:
    """From and until when the launch hours lie that a change speaks of."""
    spans = [w for w in (change.before, change.after) if w is not None]
    if spans:
        return min(w.start_utc for w in spans), max(w.end_utc for w in spans)
    plan = next((cause for cause in change.causes if isinstance(cause, OfPlan)), None)
    if plan is None:
        return None
    # the launch hours on both sides of the planned minute
    return plan.release_utc - _BESIDE, plan.release_utc + _BESIDE
