"""Deliveries: one row for each change and channel, claimed with a lease.

A row is claimed in one short transaction, sent outside of any, and marked in another.
Who dies in between leaves a claim that lapses; the row is then sent again, with the same
key: at least once, and at most one repeat for each death.
"""

import secrets
from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from typing import cast

from sqlalchemy import CursorResult, Update, and_, exists, or_, select, update
from sqlalchemy.orm import aliased, joinedload

from windowwatch.clock import require_utc
from windowwatch.errors import StorageError
from windowwatch.storage.engine import Database
from windowwatch.storage.rows import change_of_row
from windowwatch.storage.tables import ChangeRow, DeliveryRow
from windowwatch.windows.values import Change


class DeliveryState(StrEnum):
    """How far a delivery has come."""

    PENDING = "pending"
    SENT = "sent"
    FAILED = "failed"  #: given up; `error` says why


@dataclass(frozen=True)
class Delivery:
    """A delivery as stored. `tries` counts attempts begun, `error` is of the last one."""

    change: Change
    channel: str
    state: DeliveryState
    tries: int
    next_try_utc: datetime
    sent_utc: datetime | None
    error: str | None


@dataclass(frozen=True)
class Claim:
    """A delivery that is ours until the lease lapses."""

    row: int
    token: str
    delivery: Delivery


def claim_next(
    database: Database, channels: Collection[str], *, now_utc: datetime, lease: timedelta
) -> Claim | None:
    """Claim the delivery that has waited longest, of those due on `channels`.

    Of one window on one channel a later change is never claimed before an earlier one is
    sent or given up: "closed" must not overtake "opened".

    Returns
    -------
    Claim or None
        None when nothing is due. Two processes never hold a claim on the same row at once.
    """
    now_utc = require_utc(now_utc)
    token = secrets.token_hex(16)
    free = or_(DeliveryRow.lease_until_utc.is_(None), DeliveryRow.lease_until_utc <= now_utc)
    earlier, its_change = aliased(DeliveryRow), aliased(ChangeRow)
    overtakes = exists().where(
        earlier.channel == DeliveryRow.channel,
        earlier.state == str(DeliveryState.PENDING),
        earlier.id < DeliveryRow.id,
        earlier.change_key == its_change.key,
        its_change.window_uid == ChangeRow.window_uid,
    )
    due = (
        select(DeliveryRow)
        .join(ChangeRow, DeliveryRow.change_key == ChangeRow.key)
        .where(
            DeliveryRow.state == str(DeliveryState.PENDING),
            DeliveryRow.channel.in_(sorted(channels)),
            DeliveryRow.next_try_utc <= now_utc,
            and_(free, ~overtakes),
        )
        .options(joinedload(DeliveryRow.change))
        .order_by(DeliveryRow.next_try_utc, DeliveryRow.id)
        .limit(1)
    )
    with database.writing() as session:
        row = session.scalar(due)
        if row is None:
            return None
        claimed = cast(
            "CursorResult[None]",
            session.execute(
                update(DeliveryRow)
                .where(DeliveryRow.id == row.id, DeliveryRow.state == "pending", free)
                .values(
                    lease_token=token,
                    lease_until_utc=now_utc + lease,
                    tries=DeliveryRow.tries + 1,
                )
                .execution_options(synchronize_session=False)
            ),
        )
        if claimed.rowcount != 1:
            return None  # another process was faster; the next look finds the next row
        session.refresh(row)
        return Claim(row.id, token, _delivery(row))


def mark_sent(database: Database, claim: Claim, *, now_utc: datetime) -> None:
    """Mark a claimed delivery as sent.

    Marked even when the lease has lapsed meanwhile: it *was* sent.
    """
    _mark(
        database,
        update(DeliveryRow)
        .where(DeliveryRow.id == claim.row)
        .values(
            state=str(DeliveryState.SENT),
            sent_utc=require_utc(now_utc),
            lease_token=None,
            lease_until_utc=None,
            error=None,
        ),
    )


def mark_failed(
    database: Database, claim: Claim, *, error: str, next_try_utc: datetime | None
) -> None:
    """Record a failed attempt.

    Parameters
    ----------
    database : Database
        Where the delivery is stored.
    claim : Claim
        The delivery; nothing happens when its lease lapsed and another process took it.
    error : str
        What went wrong, for people.
    next_try_utc : datetime or None
        When to try again; None gives the delivery up.
    """
    values: dict[str, object] = {"lease_token": None, "lease_until_utc": None, "error": error}
    if next_try_utc is None:
        values["state"] = str(DeliveryState.FAILED)
    else:
        values["next_try_utc"] = require_utc(next_try_utc)
    _mark(
        database,
        update(DeliveryRow)
        .where(DeliveryRow.id == claim.row, DeliveryRow.lease_token == claim.token)
        .values(**values),
    )


def deliveries_of(database: Database, change_key: str) -> tuple[Delivery, ...]:
    """Deliveries of one change, by channel."""
    wanted = (
        select(DeliveryRow)
        .where(DeliveryRow.change_key == change_key)
        .options(joinedload(DeliveryRow.change))
        .order_by(DeliveryRow.channel)
    )
    with database.reading() as session:
        return tuple(_delivery(row) for row in session.scalars(wanted))


def pending_by_channel(database: Database) -> dict[str, int]:
    """How many deliveries wait, by channel; also of channels no settings name any more."""
    wanted = select(DeliveryRow.channel).where(DeliveryRow.state == str(DeliveryState.PENDING))
    counts: dict[str, int] = {}
    with database.reading() as session:
        for channel in session.scalars(wanted):
            counts[channel] = counts.get(channel, 0) + 1
    return counts


def _mark(database: Database, statement: Update) -> None:
    with database.writing() as session:
        session.execute(statement.execution_options(synchronize_session=False))


def _delivery(row: DeliveryRow) -> Delivery:
    try:
        state = DeliveryState(row.state)
    except ValueError as error:
        raise StorageError(f"a stored delivery has the unknown state {row.state!r}") from error
    return Delivery(
        change=change_of_row(row.change),
        channel=row.channel,
        state=state,
        tries=row.tries,
        next_try_utc=row.next_try_utc,
        sent_utc=row.sent_utc,
        error=row.error,
    )
