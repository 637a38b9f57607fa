"""How a window moved: the causes of it. Pure."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

from windowwatch.scoring.values import Hour
from windowwatch.windows.causes import (
    BestHourIs,
    BrokeUp,
    Cause,
    Edge,
    EdgeMoved,
    JoinedWith,
    LandingMoved,
    Span,
)
from windowwatch.windows.closing import against
from windowwatch.windows.shift import Shift
from windowwatch.windows.values import Window
from windowwatch.windows.window import WindowRules, is_good, is_unread


@dataclass(frozen=True)
class Move:
    """A window as last told and as it is, with what broke off it and what it took in."""

    before: Window
    after: Window
    shift: Shift
    parts: tuple[Window, ...] = ()
    joined_to: tuple[Window, ...] = ()


def moving_causes(move: Move, hours: Mapping[datetime, Hour], rules: WindowRules) -> list[Cause]:
    """How a window moved, and which check took away the hours it lost.

    Parameters
    ----------
    move : Move
        What to compare.
    hours : mapping of datetime to Hour
        Hours of its site in the new cycle.
    rules : WindowRules
        Bounds.

    Returns
    -------
    list of Cause
        Empty when nothing passed a bound.
    """
    why: list[Cause] = []
    if move.parts:
        why.append(BrokeUp(_spans(move.parts)))
    if move.joined_to:
        why.append(JoinedWith(_spans(move.joined_to)))
    bound = timedelta(minutes=rules.moved_min)
    shift = move.shift
    if why or abs(shift.start) > bound or abs(shift.end) > bound:
        why += _edges(move, hours, rules)
    if shift.landing_km is not None and shift.landing_km > rules.moved_km:
        if shift.landing_bearing_deg is not None:
            why.append(LandingMoved(shift.landing_km, shift.landing_bearing_deg))
        if move.after.best_hour_utc != move.before.best_hour_utc:
            why.append(BestHourIs(move.after.best_hour_utc))
    return why


def _edges(move: Move, hours: Mapping[datetime, Hour], rules: WindowRules) -> list[EdgeMoved]:
    """Ends that moved, each with what took hours away there."""
    shift = move.shift
    nothing = timedelta(0)
    ends = (
        (Edge.START, shift.start, shift.start > nothing, move.after.start_utc - rules.step),
        (Edge.END, shift.end, shift.end < nothing, move.after.end_utc),
    )
    moved = []
    for edge, by, shorter, first_lost in ends:
        if not by:
            continue
        hour = hours.get(first_lost)
        lost = shorter and not is_unread(hour) and not is_good(hour, rules, inside=True)
        lost_to = against(hour, hours, rules) if lost and hour is not None else ()
        moved.append(EdgeMoved(edge, by, lost_to))
    return moved


def _spans(windows: tuple[Window, ...]) -> tuple[Span, ...]:
    return tuple((w.start_utc, w.last_release_utc) for w in windows)
