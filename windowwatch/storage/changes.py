"""Changes that no pass brings, stored with their deliveries; and who has acknowledged what."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from types import MappingProxyType

from sqlalchemy import insert, select
from sqlalchemy.exc import IntegrityError

from windowwatch.clock import require_utc
from windowwatch.errors import StorageError
from windowwatch.storage import rows
from windowwatch.storage.engine import Database
from windowwatch.storage.saving import delivery_rows
from windowwatch.storage.tables import AcknowledgementRow, ChangeRow, DeliveryRow
from windowwatch.windows.values import Change, ChangeKind

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
