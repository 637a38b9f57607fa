"""Saved whole, in one transaction, or not at all: passes, and changes that no pass brings."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from types import MappingProxyType

from sqlalchemy import delete, insert, select
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from windowwatch.clock import require_utc
from windowwatch.errors import StorageError
from windowwatch.storage import cycles, learned, rows
from windowwatch.storage.cycles import (
    OvertakenError,
    PassRecord,
    find,
    has_pass,
    mark_of,
    newest,
    newest_first,
    of_watch,
)
from windowwatch.storage.engine import Database
from windowwatch.storage.tables import (
    AcknowledgementRow,
    ChangeRow,
    CycleRow,
    DeliveryRow,
    FileRow,
    HourDetailRow,
    HourRow,
    WindowRow,
)
from windowwatch.windows.values import Change, ChangeKind


def save_pass(database: Database, record: PassRecord) -> bool:
    """Save cycle, files, hours, windows, changes and pending deliveries in one transaction.

    A pass is known by watch and cycle id. Saving one that is there already changes nothing,
    whatever it holds: the first answer was told to people. The one exception is a cycle that
    has come further since: the next pass of it, with more steps than the last, takes the
    place of its hours, windows and files; changes told before stay. Where only what other
    models say is new, hours and windows are replaced, and the rest stays. A cycle that is
    stored keeps its role: in another one it is not saved again.

    Returns
    -------
    bool
        True when saved, False when that pass was there already.

    Raises
    ------
    OvertakenError
        If another pass was saved since the one that its windows were compared with.
    StorageError
        If the cycle is older than the newest one of the same watch and model (its windows
        would not follow from those stored), if a number is not finite, or if the database
        refuses. Nothing is saved then.
    """
    values = _Values(record)
    try:
        with database.writing() as session:
            _require_newest(session, record)
            there = find(session, record.watch, record.cycle.id)
            if there is not None and not _follows(record, there):
                return False
            last = newest(session, record.watch, record.cycle.model)
            if last is not None and last.reference_utc > record.cycle.reference_utc:
                raise StorageError(
                    f"cycle {record.cycle.id} is older than {last.cycle_id}, which is already "
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


def _require_newest(session: Session, record: PassRecord) -> None:
    """Refuse a pass whose windows follow from others than those that are stored now.

    The newest row is locked first, so that of two passes at one moment the second one sees
    what the first has saved (SQLite lets only one write anyhow).
    """
    if record.made_on is None:
        return
    session.execute(newest_first(of_watch(record.watch), None).limit(1).with_for_update())
    session.expire_all()
    if mark_of(newest(session, record.watch)) != record.made_on:
        raise OvertakenError(
            f"another pass of watch {record.watch!r} was saved while that of {record.cycle.id} "
            "was made; nothing of it was saved, and it is made again",
            retry=True,
        )


def _follows(record: PassRecord, there: CycleRow) -> bool:
    """Whether a pass is the next one of a cycle that has come further.

    It has more steps, or as many out of other files (a hole may have been filled); or other
    models say something new of it. What decided stays so, and what was an opinion stays one,
    also where another model decides since: the windows of a pass are never lost to an opinion.
    """
    if there.role != str(record.role):
        return False
    if record.pass_number != there.passes + 1 or record.steps < there.steps:
        return False
    if record.recombined:
        return True
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
            "role": str(record.role),
            "gaps": rows.notes_to_json(record.gaps, f"{record.cycle.id}, gaps"),
            "remarks": rows.notes_to_json(record.remarks, f"{record.cycle.id}, remarks"),
            "learned": record.learned,
        }
        self._files = [
            {"position": i, "path": f.path, "sha256": f.sha256, "size_bytes": f.size_bytes}
            for i, f in enumerate(record.files)
        ]
        self._hours = [rows.hour_values(hour) for hour in record.hours]
        self._details = [cycles.detail_values(detail) for detail in record.details]
        self._windows = [rows.window_values(window) for window in record.windows]
        self._changes = [
            {**rows.change_values(change), "watch": record.watch, "position": i}
            for i, change in enumerate(record.changes)
        ]
        self._deliveries = delivery_rows(record.changes, record.deliveries, record.held_until)
        # What a cycle was read from and is drawn with stays when only opinions are new.
        self._kept: tuple[type, ...] = (FileRow, HourDetailRow) if record.recombined else ()
        self._records = record.records

    def insert(self, session: Session, there: CycleRow | None) -> None:
        """Write everything through `session`; in the place of `there`, an earlier pass."""
        cycle = there or CycleRow(**self._cycle)
        if there is None:
            session.add(cycle)
        else:
            for old in (FileRow, HourRow, HourDetailRow, WindowRow):
                if old in self._kept:
                    continue
                session.execute(delete(old).where(old.cycle_row == there.id))
            for name, value in self._cycle.items():
                if name != "saved_utc" or not self._kept:  # weighing is not reading it anew
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
            if values and (there is None or table not in self._kept):
                session.execute(insert(table), [{**of_cycle, **v} for v in values])
        if self._deliveries:
            session.execute(insert(DeliveryRow), self._deliveries)
        learned.keep(session, cycle.watch, self._records)
        if self._details and HourDetailRow not in self._kept:
            cycles.drop_old(session, cycle.watch)


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


#: What is not held goes out at once.
_AT_ONCE: Mapping[tuple[str, str], datetime] = MappingProxyType({})


@dataclass(frozen=True)
class Acknowledgement:
    """Somebody knows of a change."""

    change_key: str
    by_whom: str
    at_utc: datetime


def save_changes(
    database: Database,
    watch: str,
    changes: Sequence[Change],
    deliveries: Sequence[tuple[str, str]],
    held_until: Mapping[tuple[str, str], datetime] = _AT_ONCE,
) -> tuple[Change, ...]:
    """Save changes found between two cycles, with their deliveries, in one transaction.

    A change whose key is stored already stays as it is, and is not told again: also when
    two processes find the same one at the same moment.

    Returns
    -------
    tuple of Change
        Those that were new.
    """
    try:
        return _save(database, watch, changes, deliveries, held_until)
    except StorageError as error:
        if not isinstance(error.__cause__, IntegrityError):
            raise
        # Another process was faster with one of them; the others are still to be saved.
        return _save(database, watch, changes, deliveries, held_until)


def _save(
    database: Database,
    watch: str,
    changes: Sequence[Change],
    deliveries: Sequence[tuple[str, str]],
    held_until: Mapping[tuple[str, str], datetime],
) -> tuple[Change, ...]:
    keys = [change.key for change in changes]
    with database.writing() as session:
        there = set(session.scalars(select(ChangeRow.key).where(ChangeRow.key.in_(keys))))
        new = tuple(change for change in changes if change.key not in there)
        if not new:
            return ()
        values = [
            {**rows.change_values(change), "watch": watch, "position": i, "cycle_row": None}
            for i, change in enumerate(new)
        ]
        session.execute(insert(ChangeRow), values)
        pairs = [pair for pair in deliveries if pair[0] not in there]
        if pairs:
            session.execute(insert(DeliveryRow), delivery_rows(new, pairs, held_until))
    return new


def acknowledge(database: Database, key: str, *, by_whom: str, now_utc: datetime) -> str | None:
    """Store that somebody knows of a change.

    Parameters
    ----------
    database : Database
        Where the change is stored.
    key : str
        Its whole key, or its first digits when they are enough.
    by_whom : str
        Who says so.
    now_utc : datetime
        Aware.

    Returns
    -------
    str or None
        Who had acknowledged it before; then nothing changes.

    Raises
    ------
    StorageError
        If no change, or more than one, has a key that begins so; or nobody is named.
    """
    key, by_whom = key.strip("[] ").lower(), by_whom.strip()
    if not by_whom or len(by_whom) > 200:
        raise StorageError("an acknowledgement needs a name of 1 to 200 letters")
    begins = select(ChangeRow.key).where(ChangeRow.key.startswith(key, autoescape=True)).limit(2)
    with database.writing() as session:
        found = session.scalars(begins).all() if key else []
        if len(found) != 1:
            how = "more than one change has" if found else "no change has"
            raise StorageError(f"{how} a key that begins with {key!r}; a notice ends with its key")
        there = session.get(AcknowledgementRow, found[0])
        if there is not None:
            return there.by_whom
        row = AcknowledgementRow(change_key=found[0], by_whom=by_whom, at_utc=require_utc(now_utc))
        session.add(row)
    return None


def acknowledgements(database: Database, keys: Collection[str]) -> dict[str, Acknowledgement]:
    """Acknowledgements of some changes, by key."""
    if not keys:
        return {}
    wanted = select(AcknowledgementRow).where(AcknowledgementRow.change_key.in_(sorted(keys)))
    with database.reading() as session:
        return {
            row.change_key: Acknowledgement(row.change_key, row.by_whom, row.at_utc)
            for row in session.scalars(wanted)
        }


def changes_by_key(
    database: Database, keys: Collection[str], watch: str | None = None
) -> dict[str, Change]:
    """Those of some changes that are stored, by key; only those of a watch when one is named."""
    if not keys:
        return {}
    wanted = select(ChangeRow).where(ChangeRow.key.in_(sorted(keys)))
    if watch is not None:
        wanted = wanted.where(ChangeRow.watch == watch)
    with database.reading() as session:
        return {row.key: rows.change_of_row(row) for row in session.scalars(wanted)}


def changes_since(
    database: Database, watch: str, since_utc: datetime, kind: ChangeKind
) -> tuple[Change, ...]:
    """Changes of one kind that were found since a time, in order."""
    wanted = (
        select(ChangeRow)
        .where(
            ChangeRow.watch == watch,
            ChangeRow.found_utc >= require_utc(since_utc),
            ChangeRow.kind == str(kind),
        )
        .order_by(ChangeRow.found_utc, ChangeRow.position)
    )
    with database.reading() as session:
        return tuple(rows.change_of_row(row) for row in session.scalars(wanted))
