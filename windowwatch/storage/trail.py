"""The trail of a notice: from a change back to the files of the cycle that brought it."""

from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import joinedload

from windowwatch.errors import StorageError
from windowwatch.scoring.values import Hour
from windowwatch.storage.cycles import StoredCycle, hours_between, stored_cycle
from windowwatch.storage.deliveries import Delivery, deliveries_of
from windowwatch.storage.engine import Database
from windowwatch.storage.rows import change_of_row, window_of_row
from windowwatch.storage.tables import ChangeRow, CycleRow, WindowRow
from windowwatch.windows.values import Change, Window


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
        Launch hours of that cycle inside the window, as told before or as it is after.
    cycle : StoredCycle or None
        The cycle with its files and checksums; None for a change no stored cycle brought.
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
        if row.cycle_row is not None:
            cycle_row = (
                session.scalars(
                    select(CycleRow)
                    .where(CycleRow.id == row.cycle_row)
                    .options(joinedload(CycleRow.files))
                )
                .unique()
                .one()
            )
            cycle = stored_cycle(cycle_row)
            window_row = session.get(WindowRow, (row.cycle_row, row.window_uid or ""))
            window = None if window_row is None else window_of_row(window_row)
            spans = [w for w in (change.before, change.after) if w is not None]
            if spans:
                start = min(w.start_utc for w in spans)
                end = max(w.end_utc for w in spans)
                hours = tuple(hours_between(session, row.cycle_row, change.site, start, end))
        watch = row.watch
    return Trail(watch, change, window, hours, cycle, deliveries_of(database, change.key))
