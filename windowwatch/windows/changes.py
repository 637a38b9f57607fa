"""Windows of one cycle compared with those of the cycle before: what is there to tell? Pure.

Named rules
-----------
overlap
    Two windows are the same window when they share time at the same site.
one heir
    Where several could be, pairs are settled in this order: a window that people were told
    of first, then the pair that keeps the best hour people plan for, then the longer shared
    time, then the earlier start.
split
    Further parts of a window that broke up are windows of their own; they inherit its state
    and how often it was seen.
merge
    A window whose time was taken in by another's heir ends there: state `closed`, with
    `merged_into`, and no notice of its own.

Named rules
-----------
told once it adds up
    A window is compared with what people were *last told* of it, not with the last cycle,
    so a slow creep is told once it passes a bound, and noise below the bounds is not told.
one change
    A window has at most one change a cycle. Of several, the gravest is the kind (closed,
    opened, moved, weaker, stronger); its causes name the others.
unheard of
    A window that was only `sighted` comes and goes without a word.
unread
    A window that cannot be read is never closed for weather. It stays as last known,
    marked; told once as weaker, and once again when it can be read.
planned hour as told
    A plan never moves in silence. The planned hour that people were told of stays as long as it
    is good, has not become weaker by what is told, and nothing else is told; what does better
    by now is named beside it. Otherwise that the plan moved is told.
best hour gone by
    When the best hour people were told of has gone by, score and landing of another hour
    are not held against it; the next best hour silently becomes what later cycles compare with.

They have no site; their times are read aloud in the zone that all sites share.
"""

import hashlib
from collections.abc import Iterable, Mapping, Sequence, Set
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from windowwatch.clock import require_utc
from windowwatch.forecast.cycle import Cycle
from windowwatch.scoring.values import Hour
from windowwatch.windows.causes import (
    BestHourIs,
    Cause,
    Causes,
    CheckAgainst,
    LastKnownStands,
    NearAndLikely,
    PartStillGood,
    ReadableAgain,
    ScoreIs,
    SeenGood,
    StillShown,
)
from windowwatch.windows.diagnosis import (
    Move,
    Shift,
    against,
    closing_causes,
    moving_causes,
    quality,
    shift_between,
)
from windowwatch.windows.values import Change, ChangeKind, Window, WindowState
from windowwatch.windows.window import (
    ACTIVE,
    WindowRules,
    index_hours,
    is_good,
    is_unread,
    opening_chance,
    planned_fields,
    worst_check,
)


@dataclass(frozen=True)
class Match:
    """One candidate of this cycle, and what it comes of.

    Attributes
    ----------
    window : Window
        The candidate.
    heir_of : Window or None
        Old window whose life it continues.
    part_of : Window or None
        Old window that it split from; only when it is nobody's heir.
    took_in : tuple of Window
        Old windows that merged into it.
    """

    window: Window
    heir_of: Window | None
    part_of: Window | None
    took_in: tuple[Window, ...]


def match_windows(
    old: Sequence[Window], joined: Sequence[Window]
) -> tuple[tuple[Match, ...], tuple[Window, ...]]:
    """Match windows by the rules of this module.

    Returns
    -------
    matches : tuple of Match
        One for each candidate, by site and start.
    ended : tuple of Window
        Old windows of which nothing is left.
    """
    pairs = sorted(
        ((o, n) for o in old for n in joined if _shared(o, n) > timedelta(0)),
        key=lambda pair: _order(*pair),
    )
    heir: dict[int, Window] = {}  # position of the candidate -> old window
    position = {id(n): i for i, n in enumerate(joined)}
    settled: set[str] = set()
    for o, n in pairs:
        if o.uid not in settled and position[id(n)] not in heir:
            heir[position[id(n)]] = o
            settled.add(o.uid)
    part: dict[int, Window] = {}
    took: dict[int, list[Window]] = {}
    for o, n in pairs:  # best pair first
        at = position[id(n)]
        if at not in heir:
            part.setdefault(at, o)
        elif o.uid not in settled:
            took.setdefault(at, []).append(o)
            settled.add(o.uid)
    matches = [
        Match(n, heir.get(i), part.get(i), tuple(took.get(i, ()))) for i, n in enumerate(joined)
    ]
    matches.sort(key=lambda m: (m.window.site, m.window.start_utc))
    ended = sorted((o for o in old if o.uid not in settled), key=lambda w: (w.site, w.start_utc))
    return tuple(matches), tuple(ended)


def _shared(old: Window, new: Window) -> timedelta:
    if old.site != new.site:
        return timedelta(0)
    return min(old.end_utc, new.end_utc) - max(old.start_utc, new.start_utc)


def _order(old: Window, new: Window) -> tuple[bool, bool, timedelta, float, float, str]:
    keeps_best = new.start_utc <= old.best_hour_utc < new.end_utc
    return (
        old.state is not WindowState.OPEN,
        not keeps_best,
        -_shared(old, new),
        old.start_utc.timestamp(),
        new.start_utc.timestamp(),
        old.uid,
    )


@dataclass(frozen=True)
class _Pass:
    """What all comparisons of one pass share."""

    hours: Mapping[str, Mapping[datetime, Hour]]
    rules: WindowRules
    cycle: Cycle
    now_utc: datetime
    watch: str
    pass_number: int = 1

    @property
    def label(self) -> str:
        """What makes stable names differ from those of another pass of the same cycle."""
        return pass_label(self.cycle, self.pass_number)


def compare(
    old: Sequence[Window],
    joined: Sequence[Window],
    hours: Sequence[Hour],
    rules: WindowRules,
    *,
    cycle: Cycle,
    now_utc: datetime,
    watch: str,
    pass_number: int = 1,
) -> tuple[tuple[Window, ...], tuple[Change, ...]]:
    """Carry windows over to a new cycle and name what changed.

    Parameters
    ----------
    old : sequence of Window
        Windows as stored with the cycle before; closed and past ones are ignored.
    joined : sequence of Window
        Candidates from `join_hours`, made with the same `hours`, `now_utc` and
        ``known=old``.
    hours : sequence of Hour
        All hours of the new cycle.
    rules : WindowRules
        Bounds.
    cycle : Cycle
        The new cycle.
    now_utc : datetime
        Aware UTC.
    watch : str
        Name of the watch; part of every stable name.
    pass_number : int
        Above 1 when more of the same cycle has come since an earlier pass.

    Returns
    -------
    windows : tuple of Window
        Every window still alive, and those that ended in this cycle, by site and start.
    changes : tuple of Change
        What is to be told, by site and start. The same comparison gives the same keys.

    Raises
    ------
    InputError
        If an hour is given twice or a time has no zone.
    """
    this = _Pass(index_hours(hours), rules, cycle, require_utc(now_utc), watch, pass_number)
    alive = [w for w in old if w.state in ACTIVE]
    gone_by = [w for w in alive if w.end_utc <= this.now_utc]
    alive = [w for w in alive if w.end_utc > this.now_utc]
    matches, ended = match_windows(alive, joined)

    # A notice about a window that cannot be read names no parts: they must speak for themselves.
    mute = {m.heir_of.uid for m in matches if m.heir_of is not None and not m.window.readable}

    results: list[tuple[Window, Change | None]] = []
    results += [(replace(w, state=WindowState.PAST, cycle_id=cycle.id), None) for w in gone_by]
    results += [_end(w, this) for w in ended]
    for match in matches:
        parts = [m.window for m in matches if m.part_of is not None and m.part_of is match.heir_of]
        window, change = _carry_on(match, parts, mute, this)
        results.append((window, change))
        results += [(_merge(w, window, this), None) for w in match.took_in]
    results.sort(key=lambda r: (r[0].site, r[0].start_utc, r[0].uid))
    return tuple(w for w, _ in results), tuple(c for _, c in results if c is not None)


def as_told(window: Window) -> Window:
    """Return the version of a window that counts as told: without its own memory."""
    return replace(window, told=None)


def _end(old: Window, this: _Pass) -> tuple[Window, Change | None]:
    """Close a window of which nothing is left; tell it when people knew of it.

    A window whose last launch hour has gone by did not close: it is over.
    """
    if old.end_utc - this.rules.step < this.now_utc:
        return replace(old, state=WindowState.PAST, cycle_id=this.cycle.id), None
    hours = this.hours.get(old.site, {})
    causes = closing_causes(old, hours, this.rules, this.now_utc, old.told)
    closed = replace(old, state=WindowState.CLOSED, cycle_id=this.cycle.id, limited_by=causes)
    if old.state is not WindowState.OPEN:
        return closed, None
    before = old.told or as_told(old)
    return closed, _change(ChangeKind.CLOSED, before, None, causes, this)


def _merge(old: Window, into: Window, this: _Pass) -> Window:
    return replace(
        old, state=WindowState.CLOSED, cycle_id=this.cycle.id, merged_into=into.uid, unread=()
    )


def _carry_on(
    match: Match, parts: Sequence[Window], mute: Set[str], this: _Pass
) -> tuple[Window, Change | None]:
    """Give a candidate its name, state and memory, and say what is to be told of it."""
    parent = match.heir_of or match.part_of
    if parent is None:
        seen_in = this.cycle.id if match.window.cycles_seen else ""
        return _confirm(replace(match.window, uid=_uid(match.window, this), seen_in=seen_in), this)
    seen_before = parent.cycles_seen
    last_seen = parent.seen_in or parent.cycle_id
    newly_seen = match.window.cycles_seen if last_seen != this.cycle.id else 0
    window = replace(
        match.window,
        uid=parent.uid if match.heir_of else _uid(match.window, this),
        state=parent.state,
        cycle_id=this.cycle.id,
        cycles_seen=seen_before + newly_seen,
        seen_in=this.cycle.id if match.window.cycles_seen else last_seen,
        split_from=parent.split_from if match.heir_of else parent.uid,
    )
    if window.state is WindowState.SIGHTED:
        return _confirm(window, this)
    if match.heir_of is None and parent.uid in mute and window.readable:
        opened = replace(window, told=as_told(window))
        why = PartStillGood()
        return opened, _change(ChangeKind.OPENED, None, as_told(window), (why,), this)
    if match.heir_of is None:
        # The heir's notice names this part, so people know of it as it is now.
        return replace(window, told=as_told(window)), None
    joined_to = [w for w in match.took_in if w.state is WindowState.OPEN]
    return _tell(window, parent.told or as_told(parent), parts, joined_to, this)


def _confirm(window: Window, this: _Pass) -> tuple[Window, Change | None]:
    """Open a sighted window that was seen often enough, or is near and likely enough."""
    window = replace(window, cycle_id=this.cycle.id)
    rules = this.rules
    near = window.start_utc - this.now_utc <= timedelta(hours=rules.near_h)
    near = near and window.seen_in == this.cycle.id  # not on answers of an earlier cycle alone
    chance = opening_chance(window.chance, window.own_chance)
    likely = chance is not None and chance >= rules.near_chance
    if not window.readable:
        return window, None
    why: Cause
    if window.cycles_seen >= rules.confirm_cycles:
        why = SeenGood(window.cycles_seen, window.go_hours, window.good_hours)
    elif near and likely and chance is not None:
        why = NearAndLikely(chance, window.go_hours, window.good_hours)
    else:
        return window, None
    window = replace(window, state=WindowState.OPEN)
    opened = replace(window, told=as_told(window))
    return opened, _change(ChangeKind.OPENED, None, as_told(window), (why,), this)


def _tell(
    window: Window,
    before: Window,
    parts: Sequence[Window],
    joined_to: Sequence[Window],
    this: _Pass,
) -> tuple[Window, Change | None]:
    """Compare an open window with what was last told of it."""
    kind, causes = _difference(window, before, parts, joined_to, this)
    if kind is None and _plan_moved(window, before, this):
        hours = this.hours.get(window.site, {})
        hour = hours[before.best_hour_utc]
        inside = window.start_utc <= before.best_hour_utc < window.end_utc
        good = inside and is_good(hour, this.rules, inside=True)
        if good and not _fell(hour, before, this.rules):
            window = replace(window, **planned_fields(hour, hours.get(window.best_hour_utc)))
        else:
            lost_to = _speaks_against(hour, hours, this.rules)
            kind, causes = ChangeKind.MOVED, (BestHourIs(window.best_hour_utc, lost_to),)
    if kind is None:
        if window.readable and before.best_hour_utc < this.now_utc:
            before = replace(as_told(window), start_utc=before.start_utc, end_utc=before.end_utc)
        return replace(window, told=before), None
    change = _change(kind, before, as_told(window), causes, this)
    return replace(window, told=as_told(window)), change


def _plan_moved(window: Window, before: Window, this: _Pass) -> bool:
    """Whether another hour is the best one, and that which people plan on is still to come."""
    planned = before.best_hour_utc
    read = not is_unread(this.hours.get(window.site, {}).get(planned))
    moved = window.readable and window.best_hour_utc != planned
    return moved and planned >= this.now_utc and read


def _fell(hour: Hour, before: Window, rules: WindowRules) -> bool:
    """Whether the planned hour is so much weaker than told that it is worth telling."""
    score = (hour.score or 0.0) - before.best_score
    known = hour.chance is not None and before.chance is not None
    chance = (hour.chance or 0.0) - (before.chance or 0.0) if known else None
    return _passes(score, -rules.score_step) or _passes(chance, -rules.chance_step)


def _speaks_against(hour: Hour, hours: Mapping[datetime, Hour], rules: WindowRules) -> Causes:
    """What speaks against the hour that was planned on: it is not good, or weaker than told."""
    if not is_good(hour, rules, inside=True):
        return against(hour, hours, rules)
    worst = worst_check(hour)
    return (*(() if worst is None else (CheckAgainst(worst),)), ScoreIs(hour.score or 0.0))


def _difference(
    window: Window,
    before: Window,
    parts: Sequence[Window],
    joined_to: Sequence[Window],
    this: _Pass,
) -> tuple[ChangeKind | None, Causes]:
    """Kind and causes of what is to be told; kind None when nothing is."""
    if not window.readable:
        if not before.readable:
            return None, ()
        return ChangeKind.WEAKER, (*window.unread, LastKnownStands())
    hours = this.hours.get(window.site, {})
    best_hour = hours.get(before.best_hour_utc)
    gone_by = before.best_hour_utc < this.now_utc
    shift = shift_between(before, window, same_ground=not gone_by and not is_unread(best_hour))
    again = () if before.readable else (ReadableAgain(),)
    moved = moving_causes(
        Move(before, window, shift, tuple(parts), tuple(joined_to)), hours, this.rules
    )
    if moved:
        return ChangeKind.MOVED, (*again, *moved, *_quality(window, before, shift, this.rules))
    rules = this.rules
    weaker = _passes(shift.score, -rules.score_step) or _passes(shift.chance, -rules.chance_step)
    stronger = _passes(shift.score, rules.score_step) or _passes(shift.chance, rules.chance_step)
    if weaker or stronger:
        kind = ChangeKind.WEAKER if weaker else ChangeKind.STRONGER
        by = window.limited_by if weaker else ()
        return kind, (*by, *again, quality(before, window))
    if again:
        return ChangeKind.STRONGER, (*again, quality(before, window))
    return None, ()


def _quality(window: Window, before: Window, shift: Shift, rules: WindowRules) -> Causes:
    """Score and chance before and after, when they too passed a bound."""
    bounds = ((shift.score, rules.score_step), (shift.chance, rules.chance_step))
    if any(_passes(moved, sign * step) for moved, step in bounds for sign in (-1.0, 1.0)):
        return (quality(before, window),)
    return ()


def _passes(moved: float | None, bound: float) -> bool:
    """Whether a difference goes past a signed bound, by more than rounding."""
    if moved is None:
        return False
    return moved < bound - 1e-9 if bound < 0 else moved > bound + 1e-9


def _change(
    kind: ChangeKind, before: Window | None, after: Window | None, causes: Causes, this: _Pass
) -> Change:
    window = after or before
    assert window is not None
    return Change(
        key=change_key(this.watch, this.label, kind, window.uid),
        kind=kind,
        site=window.site,
        window_uid=window.uid,
        cycle_id=this.cycle.id,
        found_utc=this.now_utc,
        before=before,
        after=after,
        causes=causes,
    )


def pass_label(cycle: Cycle, pass_number: int) -> str:
    """Name of one pass of a cycle, part of the stable names that it gives."""
    return f"{cycle.id}#{pass_number}" if pass_number > 1 else cycle.id


def change_key(watch: str, cycle_id: str, kind: ChangeKind, window_uid: str) -> str:
    """Stable name of a change: 12 hexadecimal digits, short enough to type.

    The same four words always give the same key; two changes of one database share one by
    chance in fewer than one of ten thousand databases of 200,000 changes (2⁴⁸ keys).
    """
    return _digest(watch, cycle_id, str(kind), window_uid)[:12]


def _uid(window: Window, this: _Pass) -> str:
    """Stable name of a new window: place, day and hour to read, and a tail that is its own."""
    place = "".join(c if c.isalnum() else "-" for c in window.site.lower())
    start = window.start_utc
    tail = _digest(this.watch, this.label, window.site, start.isoformat())[:6]
    return f"{place}-{start:%m%dT%H%M}-{tail}"


def _digest(*words: str) -> str:
    return hashlib.sha256("\x1f".join(words).encode("utf-8")).hexdigest()


def still_shown(newest: Cycle | None) -> StillShown:
    """What people look at meanwhile; the same for as long as nothing newer comes."""
    return StillShown(None if newest is None else newest.reference_utc)


def was_told(changes: Iterable[Change], shown: StillShown) -> bool:
    """Whether one of some changes told of the same silence."""
    return any(shown in change.causes for change in changes)


def about_the_watch(
    kind: ChangeKind, cycle: Cycle, causes: Causes, *, watch: str, label: str, now_utc: datetime
) -> Change:
    """A change without site and window.

    Parameters
    ----------
    kind : ChangeKind
    cycle : Cycle
        The cycle it is about.
    causes : tuple of Cause
    watch : str
        Name of the watch.
    label : str
        What makes its key differ from others about the same cycle; told once for each.
    now_utc : datetime
        Aware UTC.
    """
    return Change(
        key=change_key(watch, label, kind, ""),
        kind=kind,
        site="",
        window_uid=None,
        cycle_id=cycle.id,
        found_utc=now_utc,
        before=None,
        after=None,
        causes=causes,
    )
