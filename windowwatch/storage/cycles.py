"""Passes saved whole, and read again."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime

from sqlalchemy import Select, delete, insert, select
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session, selectinload

from windowwatch.clock import require_utc
from windowwatch.errors import StorageError
from windowwatch.forecast.cycle import Cycle, SourceFile
from windowwatch.scoring.detail import HourDetail
from windowwatch.scoring.values import Hour
from windowwatch.storage import details, rows
from windowwatch.storage.codec import texts_from_json, texts_to_json
from windowwatch.storage.engine import Database
from windowwatch.storage.tables import (
    ChangeRow,
    CycleRow,
    DeliveryRow,
    FileRow,
    HourDetailRow,
    HourRow,
    WindowRow,
)
from windowwatch.windows.values import Change, Window, WindowState

_ACTIVE = (str(WindowState.SIGHTED), str(WindowState.OPEN))


@dataclass(frozen=True)
class PassRecord:
    """All that one pass of one watch leaves behind; saved as a whole or not at all.

    `windows` and `changes` are what `windowwatch.windows.changes.compare` gave.
    `deliveries` names who is to be told what: pairs of change key and channel name.
    `held_until` names those of them that wait, and until when.
    `pass_number` and `steps` tell a later pass of the same cycle, and how many forecast steps
    it had.
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
    gaps: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()
    pass_number: int = 1
    steps: int = 0
    details: tuple[HourDetail, ...] = ()


@dataclass(frozen=True)
class StoredCycle:
    """A cycle as it was saved, without its hours."""

    watch: str
    cycle: Cycle
    saved_utc: datetime
    files: tuple[SourceFile, ...]
    gaps: tuple[str, ...]
    remarks: tuple[str, ...]


@dataclass(frozen=True)
class PassMark:
    """What tells one stored pass from another: of the same cycle there may be several."""

    cycle: Cycle
    passes: int
    saved_utc: datetime


def save_pass(database: Database, record: PassRecord) -> bool:
    """Save cycle, files, hours, windows, changes and pending deliveries in one transaction.

    A pass is known by watch and cycle id. Saving one that is there already changes nothing,
    whatever it holds: the first answer was told to people. The one exception is a cycle that
    has come further since: the next pass of it, with more steps than the last, takes the
    place of its hours, windows and files; changes told before stay.

    Returns
    -------
    bool
        True when saved, False when that pass was there already.

    Raises
    ------
    StorageError
        If the cycle is older than the newest one of the same watch and model (its windows
        would not follow from those stored), if a number is not finite, or if the database
        refuses. Nothing is saved then.
    """
    values = _Values(record)
    try:
        with database.writing() as session:
            there = _find(session, record.watch, record.cycle.id)
            if there is not None and not _follows(record, there):
                return False
            newest = _newest(session, record.watch, record.cycle.model)
            if newest is not None and newest.reference_utc > record.cycle.reference_utc:
                raise StorageError(
                    f"cycle {record.cycle.id} is older than {newest.cycle_id}, which is already "
                    f"stored for watch {record.watch!r}; nothing was saved"
                )
            values.insert(session, there)
    except StorageError as error:
        if isinstance(error.__cause__, IntegrityError) and has_pass(
            database, record.watch, record.cycle.id
        ):
            return False  # another process saved the same pass at the same moment
        raise
    return True


def _follows(record: PassRecord, there: CycleRow) -> bool:
    """Whether a pass is the next one of a cycle that has come further.

    It has more steps, or as many out of other files: a hole may have been filled.
    """
    if record.pass_number != there.passes + 1 or record.steps < there.steps:
        return False
    made_from = {file.sha256 for file in there.files}
    return record.steps > there.steps or not {f.sha256 for f in record.files} <= made_from


class _Values:
    """Rows of a pass, made before the transaction so that a bad value never opens one."""

    def __init__(self, record: PassRecord) -> None:
        self._cycle = {
            "watch": record.watch,
            "cycle_id": record.cycle.id,
            "model": record.cycle.model,
            "reference_utc": record.cycle.reference_utc,
            "saved_utc": require_utc(record.saved_utc),
            "passes": record.pass_number,
            "steps": record.steps,
            "gaps": texts_to_json(record.gaps),
            "remarks": texts_to_json(record.remarks),
        }
        self._files = [
            {"position": i, "path": f.path, "sha256": f.sha256, "size_bytes": f.size_bytes}
            for i, f in enumerate(record.files)
        ]
        self._hours = [rows.hour_values(hour) for hour in record.hours]
        self._details = [details.detail_values(detail) for detail in record.details]
        self._windows = [rows.window_values(window) for window in record.windows]
        self._changes = [
            {**rows.change_values(change), "watch": record.watch, "position": i}
            for i, change in enumerate(record.changes)
        ]
        self._deliveries = delivery_rows(record.changes, record.deliveries, record.held_until)

    def insert(self, session: Session, there: CycleRow | None) -> None:
        """Write everything through `session`; in the place of `there`, an earlier pass."""
        cycle = there or CycleRow(**self._cycle)
        if there is None:
            session.add(cycle)
        else:
            for old in (FileRow, HourRow, HourDetailRow, WindowRow):
                session.execute(delete(old).where(old.cycle_row == there.id))
            for name, value in self._cycle.items():
                setattr(there, name, value)
        session.flush()
        of_cycle = {"cycle_row": cycle.id}
        for table, values in (
            (FileRow, self._files),
            (HourRow, self._hours),
            (HourDetailRow, self._details),
            (WindowRow, self._windows),
            (ChangeRow, self._changes),
        ):
            if values:
                session.execute(insert(table), [{**of_cycle, **v} for v in values])
        if self._deliveries:
            session.execute(insert(DeliveryRow), self._deliveries)
        if self._details:
            details.drop_old(session, cycle.watch)


def delivery_rows(
    changes: Iterable[Change],
    deliveries: Iterable[tuple[str, str]],
    held_until: Mapping[tuple[str, str], datetime],
) -> list[dict[str, object]]:
    """Columns of pending deliveries; each is due when its change was found, or held.

    Raises
    ------
    StorageError
        If a delivery names a change that is not among `changes`.
    """
    found = {change.key: change.found_utc for change in changes}
    made = []
    for key, channel in deliveries:
        if key not in found:
            raise StorageError(f"a delivery names the change {key}, which is not in the pass")
        due = held_until.get((key, channel), found[key])
        made.append(rows.delivery_values(key, channel, due))
    return made


def has_pass(database: Database, watch: str, cycle_id: str) -> bool:
    """Whether the pass of a cycle is stored."""
    with database.reading() as session:
        return _find(session, watch, cycle_id) is not None


def passes_of(database: Database, watch: str, cycle_id: str) -> tuple[int, int]:
    """How many passes of a cycle are stored, and how many steps the last one had."""
    with database.reading() as session:
        row = _find(session, watch, cycle_id)
        return (0, 0) if row is None else (row.passes, row.steps)


def latest_cycle(database: Database, watch: str, model: str | None = None) -> Cycle | None:
    """Newest stored cycle of a watch, by reference time."""
    with database.reading() as session:
        row = _newest(session, watch, model)
        return None if row is None else Cycle(row.reference_utc, row.model)


def newest_pass(database: Database, watch: str) -> PassMark | None:
    """The newest pass of the newest cycle of a watch; quick, for asking often."""
    with database.reading() as session:
        row = _newest(session, watch)
        if row is None:
            return None
        return PassMark(Cycle(row.reference_utc, row.model), row.passes, row.saved_utc)


def stored_cycles(
    database: Database, watch: str, last: int | None = None
) -> tuple[StoredCycle, ...]:
    """Stored cycles of a watch, oldest first; only the `last` ones when given."""
    newest_first = (CycleRow.reference_utc.desc(), CycleRow.id.desc())
    wanted = (
        _of_watch(watch).order_by(*newest_first).limit(last).options(selectinload(CycleRow.files))
    )
    with database.reading() as session:
        return tuple(stored_cycle(row) for row in reversed(session.scalars(wanted).all()))


def stored_cycle(row: CycleRow) -> StoredCycle:
    """Value of a row."""
    return StoredCycle(
        watch=row.watch,
        cycle=Cycle(row.reference_utc, row.model),
        saved_utc=row.saved_utc,
        files=tuple(SourceFile(f.path, f.sha256, f.size_bytes) for f in row.files),
        gaps=texts_from_json(row.gaps),
        remarks=texts_from_json(row.remarks),
    )


def current_windows(database: Database, watch: str) -> tuple[Window, ...]:
    """Windows sighted or open after the newest cycle, by site and start."""
    return windows_of(database, watch, None, active_only=True)


def windows_of(
    database: Database, watch: str, cycle_id: str | None = None, *, active_only: bool = False
) -> tuple[Window, ...]:
    """Windows as they stood after a cycle (the newest when None), by site and start."""
    with database.reading() as session:
        cycle = _find_or_newest(session, watch, cycle_id)
        if cycle is None:
            return ()
        wanted = select(WindowRow).where(WindowRow.cycle_row == cycle.id)
        if active_only:
            wanted = wanted.where(WindowRow.state.in_(_ACTIVE))
        wanted = wanted.order_by(WindowRow.site, WindowRow.start_utc, WindowRow.uid)
        return tuple(rows.window_of_row(row) for row in session.scalars(wanted))


def window_history(database: Database, watch: str, uid: str) -> tuple[Window, ...]:
    """Every version of a window, oldest cycle first; each names its cycle."""
    wanted = (
        select(WindowRow)
        .join(CycleRow, WindowRow.cycle_row == CycleRow.id)
        .where(CycleRow.watch == watch, WindowRow.uid == uid)
        .order_by(*_OLDEST_FIRST)
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


def changes_of(database: Database, watch: str, cycle_id: str | None = None) -> tuple[Change, ...]:
    """Changes of a watch in the order they were found; only those of one cycle when named."""
    wanted = select(ChangeRow).where(ChangeRow.watch == watch)
    if cycle_id is not None:
        wanted = wanted.where(ChangeRow.cycle_id == cycle_id)
    wanted = wanted.order_by(ChangeRow.found_utc, ChangeRow.cycle_row, ChangeRow.position)
    with database.reading() as session:
        return tuple(rows.change_of_row(row) for row in session.scalars(wanted))


_OLDEST_FIRST = (CycleRow.reference_utc, CycleRow.id)


def _find(session: Session, watch: str, cycle_id: str) -> CycleRow | None:
    return session.scalar(_of_watch(watch).where(CycleRow.cycle_id == cycle_id))


def _newest(session: Session, watch: str, model: str | None = None) -> CycleRow | None:
    wanted = _of_watch(watch)
    if model is not None:
        wanted = wanted.where(CycleRow.model == model)
    return session.scalar(
        wanted.order_by(CycleRow.reference_utc.desc(), CycleRow.id.desc()).limit(1)
    )


def _find_or_newest(session: Session, watch: str, cycle_id: str | None) -> CycleRow | None:
    return _newest(session, watch) if cycle_id is None else _find(session, watch, cycle_id)


def _of_watch(watch: str) -> Select[CycleRow]:
    return select(CycleRow).where(CycleRow.watch == watch)
