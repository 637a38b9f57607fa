"""Decisions that a window asks for, and when people are to be told of them.

Named rules
-----------
once
    A decision is asked for once for each window, from `warn` before it is due on; at once
    when the window opened later than that.
reminded
    While nobody acknowledges it is asked for again every `remind`, up to `reminders` times.
    The last time those in `escalate_to` are told as well.
called off
    When a window closes after people were asked to decide on it, somebody must acknowledge
    the closing; else that is reminded of in the same way.
"""

import hashlib
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from windowwatch.clock import require_utc
from windowwatch.errors import InputError
from windowwatch.windows.causes import CallOff, Cause, DecideBy
from windowwatch.windows.values import Change, ChangeKind, Window, WindowState

#: More reminders than this are noise. Common practice, no source.
MOST_REMINDERS = 10


@dataclass(frozen=True)
class Decision:
    """Something to be decided a set time before a window: tell air traffic, book the crew.

    Parameters
    ----------
    name : str
        What is to be done, as an order: "tell air traffic".
    before : timedelta
        Decide by so long before the window's start.
    warn : timedelta
        People are asked so long before that.
    sites : frozenset of str, optional
        At which sites; all by default.
    remind : timedelta
        Pause before each reminder.
    reminders : int
        How many of them, at most.
    escalate_to : tuple of str
        Channels that are told with the last reminder, whatever else they hear.
    """

    name: str
    before: timedelta
    warn: timedelta = timedelta(hours=3)
    sites: frozenset[str] | None = None
    remind: timedelta = timedelta(hours=1)
    reminders: int = 2
    escalate_to: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if not self.name.strip():
            raise InputError("a decision has no name; say what is to be done")
        if self.before < timedelta(0) or self.warn < timedelta(0) or self.remind <= timedelta(0):
            raise InputError(f"decision {self.name!r}: times must be longer than nothing")
        if not 0 <= self.reminders <= MOST_REMINDERS:
            raise InputError(f"decision {self.name!r}: give 0 to {MOST_REMINDERS} reminders")

    def asked_of(self, window: Window) -> bool:
        """Whether a window asks for it."""
        return self.sites is None or window.site in self.sites


@dataclass(frozen=True)
class Asked:
    """A change that asks for a decision, and channels to be told beside those that want it."""

    change: Change
    escalate_to: tuple[str, ...] = ()


def thread(first_key: str, reminders: int) -> tuple[str, ...]:
    """Keys of a question and its reminders; acknowledging any of them answers all."""
    return (first_key, *(_key(first_key, str(n)) for n in range(1, reminders + 1)))


def first_key(watch: str, decision: Decision, window_uid: str) -> str:
    """Stable key of the change that first asks for a decision on a window."""
    return _key(watch, "decision", decision.name, window_uid)


def keys_to_know(
    windows: Sequence[Window], closed: Sequence[Change], decisions: Sequence[Decision], watch: str
) -> frozenset[str]:
    """Keys whose changes and acknowledgements `ask` needs."""
    uids = {w.uid for w in windows} | {c.window_uid for c in closed if c.window_uid is not None}
    keys: set[str] = set()
    for decision in decisions:
        for uid in uids:
            keys.update(thread(first_key(watch, decision, uid), decision.reminders))
    for change in closed:
        keys.update(thread(change.key, MOST_REMINDERS))
    return frozenset(keys)


def ask(
    windows: Sequence[Window],
    closed: Sequence[Change],
    decisions: Sequence[Decision],
    *,
    known: Mapping[str, Change],
    acknowledged: Collection[str],
    now_utc: datetime,
    watch: str,
) -> tuple[Asked, ...]:
    """Ask for what is due now and was not asked for yet.

    Parameters
    ----------
    windows : sequence of Window
        As the newest cycle left them.
    closed : sequence of Change
        Closings of the last days.
    decisions : sequence of Decision
        What the watch's windows ask for.
    known : mapping of str to Change
        Those of `keys_to_know` that are stored.
    acknowledged : collection of str
        Those of `keys_to_know` that somebody acknowledged.
    now_utc : datetime
        Aware UTC.
    watch : str
        Name of the watch; part of every key.

    Returns
    -------
    tuple of Asked
        By window and decision. The same question always has the same key.
    """
    now_utc = require_utc(now_utc)
    told = _Told(known, frozenset(acknowledged), now_utc)
    asked = []
    for window in windows:
        if window.state is not WindowState.OPEN or window.start_utc <= now_utc:
            continue
        for decision in decisions:
            if decision.asked_of(window):
                asked += _of_window(window, decision, told, first_key(watch, decision, window.uid))
    for change in closed:
        asked += _called_off(change, decisions, told, watch)
    return tuple(asked)


@dataclass(frozen=True)
class _Told:
    known: Mapping[str, Change]
    acknowledged: frozenset[str]
    now_utc: datetime

    def next_reminder(self, first: Change, remind: timedelta, reminders: int) -> int | None:
        """Number of the reminder that is due now, None when none is."""
        keys = thread(first.key, reminders)
        if self.acknowledged.intersection(thread(first.key, MOST_REMINDERS)):
            return None
        number = next((n for n, key in enumerate(keys) if n and key not in self.known), None)
        if number is None:
            return None
        last = first if number == 1 else self.known[keys[number - 1]]
        return number if self.now_utc >= last.found_utc + remind else None


def _of_window(window: Window, decision: Decision, told: _Told, key: str) -> list[Asked]:
    by = window.start_utc - decision.before
    first = told.known.get(key)
    if first is None:
        if told.now_utc < by - decision.warn:
            return []
        cause = DecideBy(decision.name, by, decision.before, by - told.now_utc)
        return [Asked(_change(key, window, None, cause, told.now_utc))]
    number = told.next_reminder(first, decision.remind, decision.reminders)
    if number is None:
        return []
    last = number == decision.reminders
    cause = DecideBy(decision.name, by, decision.before, by - told.now_utc, number, last)
    change = _change(_key(key, str(number)), window, None, cause, told.now_utc)
    return [Asked(change, decision.escalate_to if last else ())]


def _called_off(
    closing: Change, decisions: Sequence[Decision], told: _Told, watch: str
) -> list[Asked]:
    """Remind of a closing that nobody acknowledged, where people had been asked to act."""
    window = closing.before
    if window is None or closing.window_uid is None or window.start_utc <= told.now_utc:
        return []
    acted = [
        d
        for d in decisions
        if d.asked_of(window) and first_key(watch, d, closing.window_uid) in told.known
    ]
    if not acted:
        return []
    reminders = max(d.reminders for d in acted)
    number = told.next_reminder(closing, min(d.remind for d in acted), reminders)
    if number is None:
        return []
    cause = CallOff(tuple(d.name for d in acted))
    change = _change(_key(closing.key, str(number)), None, window, cause, told.now_utc)
    others = dict.fromkeys(name for d in acted for name in d.escalate_to)
    return [Asked(change, tuple(others) if number == reminders else ())]


def _change(
    key: str, after: Window | None, before: Window | None, cause: Cause, now_utc: datetime
) -> Change:
    window = after or before
    assert window is not None
    return Change(
        key=key,
        kind=ChangeKind.DECISION_DUE,
        site=window.site,
        window_uid=window.uid,
        cycle_id=window.cycle_id,
        found_utc=now_utc,
        before=before,
        after=after,
        causes=(cause,),
    )


def _key(*words: str) -> str:
    return hashlib.sha256("\x1f".join(words).encode("utf-8")).hexdigest()[:12]
