"""Since when there is a watch, and since when it is known that nothing newer comes."""

from datetime import datetime

from sqlalchemy.orm import Session

from windowwatch.clock import require_utc
from windowwatch.storage.engine import Database
from windowwatch.storage.tables import WatchRow


def begun(database: Database, watch: str, now_utc: datetime) -> datetime:
    """When a watch began; now, and stored so, when it has not yet."""
    with database.writing() as session:
        return _row(session, watch, now_utc).begun_utc


def silence_seen(database: Database, watch: str, of: str, now_utc: datetime) -> datetime:
    """When it was first seen that a silence lasts too long; now when it was not yet.

    Parameters
    ----------
    database : Database
    watch : str
    of : str
        What tells one silence from another: the cycle that is the newest all the while.
    now_utc : datetime
        Aware. A time after it was written by a clock that has been put back since, and is
        written anew.
    """
    with database.writing() as session:
        row = _row(session, watch, now_utc)
        if row.silent_since != of or row.silence_seen_utc is None:
            row.silent_since, row.silence_seen_utc = of, require_utc(now_utc)
        elif row.silence_seen_utc > now_utc:
            row.silence_seen_utc = require_utc(now_utc)
        session.flush()
        return row.silence_seen_utc


def _row(session: Session, watch: str, now_utc: datetime) -> WatchRow:
    row = session.get(WatchRow, watch)
    if row is None:
        row = WatchRow(watch=watch, begun_utc=require_utc(now_utc))
        session.add(row)
        session.flush()
    return row
