"""A watch beside its passes: since when it is there and silent, and links to it.

Of the word that a link carries only the hash is kept.
"""

import hashlib
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from windowwatch.clock import require_utc
from windowwatch.storage.engine import Database
from windowwatch.storage.tables import ShareRow, WatchRow


def begun(database: Database, watch: str, now_utc: datetime) -> datetime:
    """When a watch began; now, and stored so, when it has not yet."""
    with database.writing() as session:
        return _row_of(session, watch, now_utc).begun_utc


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
        row = _row_of(session, watch, now_utc)
        if row.silent_since != of or row.silence_seen_utc is None:
            row.silent_since, row.silence_seen_utc = of, require_utc(now_utc)
        elif row.silence_seen_utc > now_utc:
            row.silence_seen_utc = require_utc(now_utc)
        session.flush()
        return row.silence_seen_utc


def _row_of(session: Session, watch: str, now_utc: datetime) -> WatchRow:
    row = session.get(WatchRow, watch)
    if row is None:
        row = WatchRow(watch=watch, begun_utc=require_utc(now_utc))
        session.add(row)
        session.flush()
    return row


#: Digits of the hash by which a share is named to people; they let nobody in.
KEY_DIGITS = 12


def hashed(word: str) -> str:
    """What is kept of a word that lets somebody in."""
    return hashlib.sha256(word.encode()).hexdigest()


@dataclass(frozen=True)
class Share:
    """A link that lets others read.

    `key` names it among others; `expires_utc` is when it ends by itself, `revoked_utc` when
    somebody took it back.
    """

    key: str
    watch: str
    name: str
    made_utc: datetime
    expires_utc: datetime
    revoked_utc: datetime | None

    def holds(self, now_utc: datetime) -> bool:
        """Whether it lets its holder in."""
        return self.revoked_utc is None and now_utc < self.expires_utc


def save_share(
    database: Database,
    watch: str,
    *,
    token_sha256: str,
    name: str,
    made_utc: datetime,
    expires_utc: datetime,
) -> Share:
    """Store a new share."""
    row = ShareRow(
        token_sha256=token_sha256,
        watch=watch,
        name=name,
        made_utc=require_utc(made_utc),
        expires_utc=require_utc(expires_utc),
        revoked_utc=None,
    )
    with database.writing() as session:
        session.add(row)
        session.flush()
        return _share(row)


def find_share(database: Database, watch: str, token_sha256: str) -> Share | None:
    """The share of a watch whose word has that hash; it may be over."""
    with database.reading() as session:
        row = session.get(ShareRow, token_sha256)
        return None if row is None or row.watch != watch else _share(row)


def shares_of(database: Database, watch: str) -> tuple[Share, ...]:
    """All shares of a watch, the newest first; also those that are over."""
    wanted = (
        select(ShareRow)
        .where(ShareRow.watch == watch)
        .order_by(ShareRow.made_utc.desc(), ShareRow.token_sha256)
    )
    with database.reading() as session:
        return tuple(_share(row) for row in session.scalars(wanted))


def revoke_share(database: Database, watch: str, key: str, *, now_utc: datetime) -> Share | None:
    """Take a share back; the first time counts. None when the watch has none of that key."""
    if len(key) != KEY_DIGITS or not key.isalnum():
        return None
    wanted = select(ShareRow).where(
        ShareRow.watch == watch, ShareRow.token_sha256.startswith(key, autoescape=True)
    )
    with database.writing() as session:
        row = session.scalar(wanted)
        if row is None:
            return None
        if row.revoked_utc is None:
            row.revoked_utc = require_utc(now_utc)
        session.flush()
        return _share(row)


def _share(row: ShareRow) -> Share:
    return Share(
        key=row.token_sha256[:KEY_DIGITS],
        watch=row.watch,
        name=row.name,
        made_utc=row.made_utc,
        expires_utc=row.expires_utc,
        revoked_utc=row.revoked_utc,
    )
