"""What is found and not told yet: it waits until it stands, or for the next deciding cycle. Pure.

A window that is put back stays as the newest cycle sees it, but for what people were told of it:
the next cycle is compared with that again, and what is still so then is told as if it were new.

Named rules
-----------
good news stands
    That an open window became longer or better, and nothing else, is told once `good_cycles`
    deciding cycles in a row have found it; two findings are of one kind when they agree in one
    part, a later end, say. Nothing else waits for that: never a window that closed, became
    shorter or weaker, or whose landing moved.
theirs wait
    What only other models have changed of a window that is not near waits while the next
    deciding cycle is due within `wait_h`: it will say what it makes of it. A window is near
    while it starts within `near_h`. When that cycle does not come, they are weighed once more.
at once
    Never put back are: what could not be read and can be read again, a window that broke up
    (its parts are known by that notice alone), and one that opened.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from windowwatch.forecast.cycle import Cycle
from windowwatch.windows.causes import (
    BrokeUp,
    EdgeMoved,
    LandingMoved,
    LastKnownStands,
    ModelsDisagree,
    ReadableAgain,
)
from windowwatch.windows.values import Change, ChangeKind, Window, WindowState
from windowwatch.windows.window import WindowRules

_AT_ONCE = (BrokeUp, LastKnownStands, ReadableAgain)
#: More hours, and better ones.
_GOOD = frozenset({"start earlier", "end later", "score higher", "chance higher"})


@dataclass(frozen=True)
class Weighing:
    """That a pass only weighs anew what other models say, and when the next cycle decides.

    `decides_at_utc` is about when the next deciding cycle will have been read; None when that is
    not known.
    """

    decides_at_utc: datetime | None = None


def ways(change: Change, rules: WindowRules) -> frozenset[str]:
    """In what ways a window differs from what was told of it, as stable words.

    Parameters
    ----------
    change : Change
        Of an open window.
    rules : WindowRules
        Bounds of score and chance.
    """
    found: set[str] = set()
    for cause in change.causes:
        if isinstance(cause, EdgeMoved):
            found.add(f"{cause.edge} {'later' if cause.by > timedelta(0) else 'earlier'}")
        elif isinstance(cause, LandingMoved):
            found.add("landing")
        elif isinstance(cause, ModelsDisagree):
            found.add("models disagree")
    before, after = change.before, change.after
    if before is None or after is None:
        return frozenset(found)
    moved = [("score", after.best_score - before.best_score, rules.score_step)]
    if before.chance is not None and after.chance is not None:
        moved.append(("chance", after.chance - before.chance, rules.chance_step))
    for what, by, step in moved:
        if abs(by) > step:
            found.add(f"{what} {'higher' if by > 0.0 else 'lower'}")
    return frozenset(found)


def hold_back(
    known: Sequence[Window],
    windows: Sequence[Window],
    changes: Sequence[Change],
    rules: WindowRules,
    *,
    cycle: Cycle,
    now_utc: datetime,
    weighing: Weighing | None = None,
) -> tuple[tuple[Window, ...], tuple[Change, ...]]:
    """Windows and changes of a pass without what is not to be told yet.

    Parameters
    ----------
    known : sequence of Window
        As they were before the pass.
    windows, changes
        As `windowwatch.windows.agreement.tell_disagreements` gave.
    rules : WindowRules
        Bounds.
    cycle : Cycle
        The deciding cycle of the pass.
    now_utc : datetime
        Aware UTC.
    weighing : Weighing, optional
        Where only what other models say is new; None where the deciding cycle is.
    """
    before = {window.uid: window for window in known}
    told: list[Change] = []
    waits: dict[str, frozenset[str]] = {}
    theirs: set[str] = set()
    for change in changes:
        old = before.get(change.window_uid or "")
        if old is None or not _may_wait(change):
            told.append(change)
        elif weighing is not None and _theirs_wait(change, rules, now_utc, weighing):
            waits[old.uid] = frozenset(old.waits)
            theirs.add(old.uid)
        elif standing := _good_news(change, old, rules, cycle):
            waits[old.uid] = standing
        else:
            told.append(change)
    kept = []
    for window in windows:
        old = before.get(window.uid)
        if old is not None and window.uid in waits:
            made = _put_back(window, old, waits[window.uid], cycle)
            until = weighing.decides_at_utc if weighing and window.uid in theirs else None
            kept.append(replace(made, waits_until_utc=until))
        elif old is not None and weighing is not None and not _is_told(window, told):
            # what others say takes nothing from what a deciding cycle has found
            made = replace(window, waits=old.waits, waits_in=old.waits_in, waits_until_utc=None)
            kept.append(made)
        else:
            kept.append(replace(window, waits=(), waits_in=(), waits_until_utc=None))
    return tuple(kept), tuple(told)


def waited_in_vain(windows: Sequence[Window], now_utc: datetime) -> bool:
    """Whether the deciding cycle has not come for which what others say of a window waits."""
    return any(
        window.waits_until_utc is not None and window.waits_until_utc < now_utc
        for window in windows
    )


def _is_told(window: Window, told: Sequence[Change]) -> bool:
    return any(change.window_uid == window.uid for change in told)


def _may_wait(change: Change) -> bool:
    if change.kind is ChangeKind.OPENED or (change.after or change.before) is None:
        return False
    return not any(isinstance(cause, _AT_ONCE) for cause in change.causes)


def _theirs_wait(change: Change, rules: WindowRules, now_utc: datetime, weighing: Weighing) -> bool:
    window, decides = change.after or change.before, weighing.decides_at_utc
    if window is None or decides is None:
        return False
    near = window.start_utc - now_utc <= timedelta(hours=rules.near_h)
    return not near and now_utc <= decides <= now_utc + timedelta(hours=rules.wait_h)


def _good_news(
    change: Change, old: Window, rules: WindowRules, cycle: Cycle
) -> frozenset[str] | None:
    """What of a change waits as good news that does not stand yet; None when nothing does."""
    now = ways(change, rules)
    if change.kind is ChangeKind.CLOSED or not now or not now <= _GOOD:
        return None
    same = now & set(old.waits)
    cycles = len({*old.waits_in, cycle.id}) if same else 1
    return None if cycles >= rules.good_cycles else (same or now)


def _put_back(window: Window, old: Window, waits: Collection[str], cycle: Cycle) -> Window:
    """A window of which nothing is told: as it is now, and told as before."""
    seen = old.waits_in if set(waits) & set(old.waits) else ()
    since = tuple(dict.fromkeys((*seen, cycle.id))) if waits else ()
    before = old.told or replace(old, told=None)
    if window.state is WindowState.CLOSED:
        window = replace(old, cycle_id=cycle.id)
    return replace(
        window, told=before, dissent=old.dissent, waits=tuple(sorted(waits)), waits_in=since
    )
