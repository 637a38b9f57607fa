"""Deliveries: one row for each change and channel, claimed with a lease.

A row is claimed in one short transaction, sent outside of any, and marked in another.
Who dies in between leaves a claim that lapses; the row is then sent again, with the same
key: at least once, and at most one repeat for each death.

A row whose `due_utc` lies after its change was found is *held* (quiet hours, a digest). Of
one window on one channel, rows that are due are sent in order; one still held holds nothing
up, and is overtaken by whatever is told of its window meanwhile.
"""

import secrets
from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from functools import cache
from typing import cast

from sqlalchemy import (
    BindParameter,
    ColumnElement,
    CursorResult,
    Exists,
    Select,
    Update,
    and_,
    bindparam,
    case,
    exists,
    func,
    insert,
    or_,
    select,
    update,
)
from sqlalchemy.orm import Session, aliased, joinedload

from windowwatch.clock import require_utc
from windowwatch.errors import StorageError
from windowwatch.storage.engine import Database
from windowwatch.storage.rows import change_of_row, delivery_values
from windowwatch.storage.tables import ChangeRow, DeliveryRow
from windowwatch.windows.values import Change, ChangeKind

#: Kinds that ask or advise about a window: who got one was not told of the window itself.
_ABOUT_IT = (str(ChangeKind.DECISION_DUE), str(ChangeKind.HOLD_ADVICE))


#: What is told of a followed flight and of a planned launch comes before all others.
_PLANS_FIRST = case(
    (ChangeRow.kind.in_([str(ChangeKind.PLAN), str(ChangeKind.FLIGHT)]), 0), else_=1
)


class DeliveryState(StrEnum):
    """How far a delivery has come."""

    PENDING = "pending"
    SENT = "sent"
    FAILED = "failed"  #: given up; `error` says why
    SKIPPED = "skipped"  #: not told on purpose; `error` says why
    PERHAPS = "perhaps"  #: left whole and nothing was answered; may be repeated a few times


@dataclass(frozen=True)
class Delivery:
    """A delivery as stored. `tries` counts attempts begun, `error` is of the last one.

    `instead_of` names the failed channel in whose place this one was made.
    """

    change: Change
    channel: str
    state: DeliveryState
    tries: int
    next_try_utc: datetime
    sent_utc: datetime | None
    error: str | None
    due_utc: datetime
    failing_since_utc: datetime | None = None
    instead_of: str | None = None
    repeats_left: int = 0

    @property
    def held(self) -> bool:
        """Whether it waited on purpose before it was due."""
        return self.due_utc > self.change.found_utc


@dataclass(frozen=True)
class Claim:
    """A delivery that is ours until the lease lapses.

    `heard`: its channel was told of its window before. `overtaken`: something later of its
    window was told there already, or is due there now.
    """

    row: int
    token: str
    delivery: Delivery
    heard: bool = False
    overtaken: bool = False


def claim_next(
    database: Database,
    channels: Collection[str],
    *,
    now_utc: datetime,
    lease: timedelta,
    only_held: bool = False,
    only_keys: Collection[str] | None = None,
    longest_pause: timedelta | None = None,
    longest_repeat: timedelta | None = None,
) -> Claim | None:
    """Claim the delivery that has waited longest, of those due on `channels`; plans come first.

    Of one window on one channel a later change is never claimed before an earlier one is
    sent or given up: "closed" must not overtake "opened". With `only_held` deliveries that
    were due as soon as their change was found are left alone, with `only_keys` those of any other
    change. A retry planned further ahead
    than `longest_pause` was planned by a clock that has been put back since: it is due. So is
    a repeat of what may have arrived, by `longest_repeat`; it holds up nothing that is later.

    Returns
    -------
    Claim or None
        None when nothing is due. Two processes never hold a claim on the same row at once.
    """
    now_utc = require_utc(now_utc)
    token = secrets.token_hex(16)
    asked = {
        "now_utc": now_utc,
        "channels": sorted(channels),
        "keys": sorted(only_keys or ()),
        "far_utc": None if longest_pause is None else now_utc + longest_pause,
        "far_repeat_utc": None if longest_repeat is None else now_utc + longest_repeat,
    }
    due = _due(
        only_held, only_keys is not None, longest_pause is not None, longest_repeat is not None
    )
    with database.writing() as session:
        row = session.scalar(due, asked)
        if row is None:
            return None
        claimed = _executed(
            session,
            update(DeliveryRow)
            .where(DeliveryRow.id == row.id, DeliveryRow.state == row.state, _free(now_utc))
            .values(
                lease_token=token,
                lease_until_utc=now_utc + lease,
                tries=DeliveryRow.tries + 1,
            ),
        )
        if claimed != 1:
            return None  # another process was faster; the next look finds the next row
        session.refresh(row)
        heard, overtaken = _standing(session, row, now_utc)
        return Claim(row.id, token, _delivery(row), heard, overtaken)


@cache
def _due(
    held_only: bool, by_keys: bool, pauses_end: bool, repeats_end: bool
) -> Select[DeliveryRow]:
    """What `claim_next` asks, made once: making it takes longer than asking it.

    It takes `now_utc` and `channels`, and by what is asked `keys`, `far_utc`, `far_repeat_utc`.
    """
    now = bindparam("now_utc", type_=DeliveryRow.next_try_utc.type)
    in_time = DeliveryRow.next_try_utc <= now
    waits = DeliveryRow.state == str(DeliveryState.PENDING)
    again = and_(DeliveryRow.state == str(DeliveryState.PERHAPS), DeliveryRow.repeats_left > 0)
    ends = ((pauses_end, waits, "far_utc"), (repeats_end, again, "far_repeat_utc"))
    for asked, kind, name in ends:
        if asked:
            far = DeliveryRow.next_try_utc > bindparam(name)
            in_time = or_(in_time, and_(kind, DeliveryRow.failing_since_utc.is_not(None), far))
    due = (
        select(DeliveryRow)
        .join(ChangeRow, DeliveryRow.change_key == ChangeRow.key)
        .where(
            or_(waits, again),
            DeliveryRow.channel.in_(bindparam("channels", expanding=True)),
            in_time,
            and_(_free(now), ~_overtakes(now)),
        )
        .options(joinedload(DeliveryRow.change))
        .order_by(_PLANS_FIRST, DeliveryRow.next_try_utc, DeliveryRow.id)
        .limit(1)
    )
    if held_only:
        due = due.where(DeliveryRow.due_utc > ChangeRow.found_utc)
    if by_keys:
        due = due.where(DeliveryRow.change_key.in_(bindparam("keys", expanding=True)))
    return due


def _free(now: datetime | BindParameter[datetime]) -> ColumnElement[bool]:
    """Whether nobody holds a claim on it."""
    return or_(DeliveryRow.lease_until_utc.is_(None), DeliveryRow.lease_until_utc <= now)


def _overtakes(now: BindParameter[datetime]) -> Exists:
    """Whether an earlier notice about the same window still waits on the same channel."""
    earlier, its_change = aliased(DeliveryRow), aliased(ChangeRow)
    return exists().where(
        earlier.channel == DeliveryRow.channel,
        earlier.state == str(DeliveryState.PENDING),
        or_(earlier.tries > 0, earlier.due_utc <= now),
        earlier.id < DeliveryRow.id,
        earlier.change_key == its_change.key,
        its_change.window_uid == ChangeRow.window_uid,
    )


def _standing(session: Session, row: DeliveryRow, now_utc: datetime) -> tuple[bool, bool]:
    """Whether the channel has heard of the row's window, and whether the row is overtaken.

    A window that split from another was named in the notice of that one.
    """
    uid = row.change.window_uid
    if uid is None:
        return False, False
    change = change_of_row(row.change)
    windows = [w for w in (change.before, change.after) if w is not None]
    family = {uid, *(w.split_from for w in windows if w.split_from is not None)}
    others = session.execute(
        select(DeliveryRow.id, DeliveryRow.state, DeliveryRow.due_utc, ChangeRow.window_uid)
        .join(ChangeRow, DeliveryRow.change_key == ChangeRow.key)
        .where(
            DeliveryRow.channel == row.channel,
            DeliveryRow.id != row.id,
            ChangeRow.window_uid.in_(sorted(family)),
            ChangeRow.kind.not_in(_ABOUT_IT),
        )
    ).all()
    # One that failed may have been told on the fallback: better told of twice than never.
    done = (str(DeliveryState.SENT), str(DeliveryState.FAILED), str(DeliveryState.PERHAPS))
    heard = any(other.state in done for other in others)
    overtaken = any(
        other.id > row.id
        and other.window_uid == uid
        and (other.state != str(DeliveryState.PENDING) or other.due_utc <= now_utc)
        for other in others
    )
    return heard, overtaken


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


def mark_skipped(database: Database, claim: Claim, *, why: str) -> None:
    """Record that a claimed delivery is not to be told, and why."""
    _mark(
        database,
        _ours(claim).values(
            state=str(DeliveryState.SKIPPED), lease_token=None, lease_until_utc=None, error=why
        ),
    )


def mark_failed(
    database: Database,
    claim: Claim,
    *,
    error: str,
    next_try_utc: datetime | None,
    failed_utc: datetime | None = None,
    fall_back_to: str | None = None,
    repeats_left: int | None = None,
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
    failed_utc : datetime, optional
        When it failed: from then on its channel counts as failing.
    fall_back_to : str, optional
        Channel that is told instead, from `failed_utc` on; made in the same transaction,
        unless that channel is told of the change anyway.
    repeats_left : int, optional
        Given where nothing was answered: it may have arrived, and is perhaps repeated so
        often. What may have arrived once stays so, whatever comes of a repeat.
    """
    values: dict[str, object] = {"lease_token": None, "lease_until_utc": None, "error": error}
    if failed_utc is not None:
        values["failing_since_utc"] = claim.delivery.failing_since_utc or failed_utc
    if repeats_left is not None or claim.delivery.state is DeliveryState.PERHAPS:
        values["state"] = str(DeliveryState.PERHAPS)
        left = claim.delivery.repeats_left if repeats_left is None else repeats_left
        values["repeats_left"] = 0 if next_try_utc is None else left
        if next_try_utc is not None:
            values["next_try_utc"] = require_utc(next_try_utc)
    elif next_try_utc is None:
        values["state"] = str(DeliveryState.FAILED)
    else:
        values["next_try_utc"] = require_utc(next_try_utc)
    with database.writing() as session:
        marked = _executed(session, _ours(claim).values(**values))
        if marked != 1 or fall_back_to is None or failed_utc is None:
            return
        key = claim.delivery.change.key
        there = select(DeliveryRow.id).where(
            DeliveryRow.change_key == key, DeliveryRow.channel == fall_back_to
        )
        if session.scalar(there) is None:
            row = delivery_values(key, fall_back_to, failed_utc, claim.delivery.channel)
            session.execute(insert(DeliveryRow), [row])


def failing_since(database: Database, channel: str) -> datetime | None:
    """Since when nothing has come through on a channel; None when the last attempt did."""
    last_sent = (
        select(func.max(DeliveryRow.sent_utc))
        .where(DeliveryRow.channel == channel)
        .scalar_subquery()
    )
    first_failed = select(func.min(DeliveryRow.failing_since_utc)).where(
        DeliveryRow.channel == channel,
        DeliveryRow.state.in_(
            [str(DeliveryState.PENDING), str(DeliveryState.FAILED), str(DeliveryState.PERHAPS)]
        ),
        or_(last_sent.is_(None), DeliveryRow.failing_since_utc > last_sent),
    )
    with database.reading() as session:
        return session.scalar(first_failed)


def _ours(claim: Claim) -> Update:
    return update(DeliveryRow).where(
        DeliveryRow.id == claim.row, DeliveryRow.lease_token == claim.token
    )


def _executed(session: Session, statement: Update) -> int:
    result = session.execute(statement.execution_options(synchronize_session=False))
    return cast("CursorResult[None]", result).rowcount


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


def unsettled(database: Database, channels: Collection[str], now_utc: datetime) -> tuple[str, ...]:
    """Which of some channels have a notice that is due and not sent, or have failed since."""
    waiting = select(DeliveryRow.channel).where(
        DeliveryRow.channel.in_(sorted(channels)),
        DeliveryRow.state == str(DeliveryState.PENDING),
        DeliveryRow.due_utc <= require_utc(now_utc),
    )
    with database.reading() as session:
        found = set(session.scalars(waiting.distinct()))
    found.update(name for name in channels if failing_since(database, name) is not None)
    return tuple(sorted(found))


@dataclass(frozen=True)
class ChannelFigures:
    """How a channel does: deliveries by state, the last one sent, and since when it fails."""

    pending: int
    sent: int
    failed: int
    last_sent_utc: datetime | None
    failing_since_utc: datetime | None
    perhaps: int = 0
    attempts_failed: int = 0


def channel_figures(database: Database) -> dict[str, ChannelFigures]:
    """Figures of every channel that was ever to be told something, by name."""
    wanted = (
        select(
            DeliveryRow.channel,
            DeliveryRow.state,
            func.count(),
            func.max(DeliveryRow.sent_utc),
            func.sum(DeliveryRow.tries),
        )
        .group_by(DeliveryRow.channel, DeliveryRow.state)
        .order_by(DeliveryRow.channel)
    )
    with database.reading() as session:
        rows = session.execute(wanted).all()
    figures = {}
    for name in dict.fromkeys(row[0] for row in rows):
        counts = {row[1]: row[2] for row in rows if row[0] == name}
        sent = [row[3] for row in rows if row[0] == name and row[3] is not None]
        figures[name] = ChannelFigures(
            counts.get(str(DeliveryState.PENDING), 0),
            counts.get(str(DeliveryState.SENT), 0),
            counts.get(str(DeliveryState.FAILED), 0),
            max(sent, default=None),
            failing_since(database, name),
            counts.get(str(DeliveryState.PERHAPS), 0),
            # The last try of what was sent went well, and nothing was tried of what was skipped.
            sum(
                int(row[4] or 0) - (row[2] if row[1] == str(DeliveryState.SENT) else 0)
                for row in rows
                if row[0] == name and row[1] != str(DeliveryState.SKIPPED)
            ),
        )
    return figures


def _mark(database: Database, statement: Update) -> None:
    with database.writing() as session:
        _executed(session, statement)


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
        due_utc=row.due_utc,
        failing_since_utc=row.failing_since_utc,
        instead_of=row.instead_of,
        repeats_left=row.repeats_left,
    )
