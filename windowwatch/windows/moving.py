"""Why a window moved, in words."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

from windowwatch.scoring.values import Hour
from windowwatch.windows.closing import against, front_words
from windowwatch.windows.phrases import inside, length
from windowwatch.windows.shift import Shift, landing_words
from windowwatch.windows.spoken import written, written_span
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


def moving_reasons(move: Move, hours: Mapping[datetime, Hour], rules: WindowRules) -> list[str]:
    """Say how a window moved, and which check took away the hours it lost.

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
    list of str
        Empty when nothing passed a bound.
    """
    why = []
    if move.parts:
        own = "windows" if len(move.parts) > 1 else "a window"
        why.append(f"broke up: releases {_listed(move.parts)} are now {own} apart")
    if move.joined_to:
        why.append(f"joined with the window of releases {_listed(move.joined_to)}")
    bound = timedelta(minutes=rules.moved_min)
    if why or abs(move.shift.start) > bound or abs(move.shift.end) > bound:
        why += _span_reasons(move, hours, rules)
    if move.shift.landing_km is not None and move.shift.landing_km > rules.moved_km:
        why += landing_words(move.shift)
        if move.after.best_hour_utc != move.before.best_hour_utc:
            why.append(f"best hour is now {written(move.after.best_hour_utc)}")
    return why


def _span_reasons(move: Move, hours: Mapping[datetime, Hour], rules: WindowRules) -> list[str]:
    """``["starts 2 h later (gust 10.1 m/s, limit 9.0 m/s)", "ends 1 h later"]``."""
    shift = move.shift
    nothing = timedelta(0)
    ends = (
        ("starts", shift.start, shift.start > nothing, move.after.start_utc - rules.step),
        ("ends", shift.end, shift.end < nothing, move.after.end_utc),
    )
    reasons = []
    for verb, moved, shorter, first_lost in ends:
        if not moved:
            continue
        words = f"{verb} {length(moved)} {'later' if moved > nothing else 'earlier'}"
        hour = hours.get(first_lost)
        if shorter and not is_unread(hour) and not is_good(hour, rules, inside=True):
            assert hour is not None
            words += f" ({inside(against(hour, rules) + front_words(hour, hours, rules))})"
        reasons.append(words)
    return reasons


def _listed(windows: tuple[Window, ...]) -> str:
    return " and ".join(written_span(w.start_utc, w.last_release_utc) for w in windows)
