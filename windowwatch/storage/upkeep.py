"""Looking after a database: backups while it runs, and dropping what is old."""

import os
import sqlite3
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from sqlalchemy import delete, exists, func, select

from windowwatch.clock import require_utc
from windowwatch.errors import StorageError
from windowwatch.scoring.opinions import Role
from windowwatch.storage.engine import Database, plain_words
from windowwatch.storage.tables import CycleRow, HourRow

#: Cycles whose hours are dropped in one transaction, so that no other writer waits long.
_AT_ONCE = 10


@dataclass(frozen=True)
class Size:
    """How large a SQLite file is, and how many cycles of how many hours it holds."""

    size_bytes: int
    cycles: int
    hours: int


def backup(database: Database, target: Path) -> int:
    """Copy a SQLite database to a new file, consistent also while others write.

    The copy is made beside the target and takes its name only when it is whole and checked.

    Returns
    -------
    int
        Size of the copy. [byte]

    Raises
    ------
    StorageError
        If the target is there already, cannot be written, or the database is PostgreSQL,
        which has its own tool.
    """
    if database.engine.dialect.name != "sqlite":
        raise StorageError(
            f"database {database.place} is PostgreSQL: use its own pg_dump, which is consistent "
            "while the daemon runs"
        )
    if target.exists():
        raise StorageError(f"{target}: is there already; give the name of a new file")
    part = target.with_name(f".{target.name}.part")
    try:
        with plain_words(str(target)):
            part.unlink(missing_ok=True)
            with (
                closing(sqlite3.connect(f"file:{database.place}?mode=ro", uri=True)) as source,
                closing(sqlite3.connect(part)) as copy,
            ):
                source.backup(copy)
                copy.execute("PRAGMA journal_mode = DELETE")
                found = copy.execute("PRAGMA integrity_check").fetchone()
                if found != ("ok",):
                    raise StorageError(f"{target}: the copy is damaged ({found[0]}); try again")
            _to_disk(part)
            part.rename(target)
            return target.stat().st_size
    finally:
        part.unlink(missing_ok=True)


def _to_disk(path: Path) -> None:
    with path.open("rb+") as file:
        os.fsync(file.fileno())


def drop_old_hours(database: Database, watch: str, before_utc: datetime) -> int:
    """Drop the hours of old cycles; the cycles, their windows, changes and files stay.

    The newest cycle of the deciding model keeps its hours, however old it is.

    Returns
    -------
    int
        Of how many cycles hours were dropped.
    """
    before_utc = require_utc(before_utc)
    newest = (
        select(CycleRow.reference_utc)
        .where(CycleRow.watch == watch, CycleRow.role == str(Role.PRIMARY))
        .order_by(CycleRow.id.desc())
        .limit(1)
        .scalar_subquery()
    )
    old = (
        select(CycleRow.id)
        .where(
            CycleRow.watch == watch,
            CycleRow.reference_utc < before_utc,
            CycleRow.reference_utc < newest,
            exists().where(HourRow.cycle_row == CycleRow.id),
        )
        .order_by(CycleRow.reference_utc)
        .limit(_AT_ONCE)
    )
    dropped = 0
    while True:
        with database.writing() as session:
            rows = list(session.scalars(old))
            if not rows:
                return dropped
            session.execute(delete(HourRow).where(HourRow.cycle_row.in_(rows)))
            dropped += len(rows)


def size(database: Database) -> Size:
    """Count what a database holds; its size is 0 where it is no file."""
    with database.reading() as session:
        cycles = session.scalar(select(func.count()).select_from(CycleRow)) or 0
        hours = session.scalar(select(func.count()).select_from(HourRow)) or 0
    path = Path(database.place)
    files = [path, path.with_name(path.name + "-wal")]
    is_file = database.engine.dialect.name == "sqlite"
    total = sum(f.stat().st_size for f in files if f.exists()) if is_file else 0
    return Size(total, cycles, hours)
