"""Which window of this cycle is which window of the cycle before.

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
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta

from windowwatch.windows.values import Window, WindowState


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
