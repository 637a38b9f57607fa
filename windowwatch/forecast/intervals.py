"""Fields that stand for an interval, each brought to one interval for each time; time axes.

Sources give precipitation either for each interval between two output times, or as a total
that runs from the start (or from every sixth hour) and must be differenced; averages come in
the same two styles. What is wanted of them is always the interval from the time before.
Greatest and least values cannot be differenced: they keep the interval they come with.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Window:
    """One field over an interval: bounds after the reference time [s], values of any shape."""

    start_s: int
    end_s: int
    values: NDArray[np.float32]


def consecutive_sums(windows: Sequence[Window], edges_s: Sequence[int] = ()) -> list[Window]:
    """Sums over intervals that follow one another.

    Parameters
    ----------
    windows : sequence of Window
        Sums, each over its own interval; overlapping ones allowed.
    edges_s : sequence of int
        Times at which an interval begins and ends besides the ends of the windows. [s]

    Returns
    -------
    list of Window, one for each end time, rising
        From the edge before (for the first: from its own start) to this one, either as
        given or as the difference of two running totals. All NaN where the parts needed are
        not there: part of an interval is never taken for the whole, nor the whole for a part.
    """
    by_bounds = {(w.start_s, w.end_s): w.values for w in windows}
    ends = sorted({w.end_s for w in windows})
    edges = sorted({*ends, *edges_s})
    result: list[Window] = []
    for end in ends:
        own = sorted((w for w in windows if w.end_s == end), key=lambda w: -w.start_s)
        place = edges.index(end)
        if place == 0:
            result.append(own[0])
        else:
            before = edges[place - 1]
            result.append(Window(before, end, _between(by_bounds, own, before)))
    return result


def _between(
    by_bounds: dict[tuple[int, int], NDArray[np.float32]], own: list[Window], before: int
) -> NDArray[np.float32]:
    """Sum from `before` to the common end of `own`, NaN if it does not follow from them."""
    for window in own:
        if window.start_s == before:
            return window.values
    for window in own:
        earlier = by_bounds.get((window.start_s, before))
        if window.start_s < before and earlier is not None:
            return window.values - earlier
    return np.full_like(own[0].values, np.nan)


def consecutive_means(windows: Sequence[Window], edges_s: Sequence[int] = ()) -> list[Window]:
    """Means over intervals that follow one another; as `consecutive_sums`.

    A mean that begins after the edge before and cannot be had from there stays what it is: the
    mean of a part, with the beginning of that part.
    """
    sums = [Window(w.start_s, w.end_s, w.values * (w.end_s - w.start_s)) for w in windows]
    means = []
    for found in consecutive_sums(sums, edges_s):
        length_s = max(found.end_s - found.start_s, 1)
        mean = Window(found.start_s, found.end_s, (found.values / length_s).astype(np.float32))
        parts = [w for w in windows if w.end_s == found.end_s and w.start_s > found.start_s]
        if parts and np.isnan(found.values).all():
            mean = min(parts, key=lambda w: w.start_s)
        means.append(mean)
    return means


def reaching_back(windows: Sequence[Window], edges_s: Sequence[int] = ()) -> list[Window]:
    """One extreme for each end time, rising: greatest or least values cannot be differenced.

    Of several intervals with one end, the shortest that reaches back to the edge before, so
    that no time is left out; where none does, the longest. Edges as in `consecutive_sums`.
    """
    edges = sorted({*edges_s, *(w.end_s for w in windows)})
    result = []
    for end in sorted({w.end_s for w in windows}):
        own = sorted((w for w in windows if w.end_s == end), key=lambda w: -w.start_s)
        place = edges.index(end)
        reaching = [w for w in own if place and w.start_s <= edges[place - 1]]
        result.append(reaching[0] if reaching else own[-1])
    return result


def is_covered(start_s: float, end_s: float, bounds_s: Sequence[tuple[float, float]]) -> bool:
    """Tell whether intervals together leave out nothing from `start_s` to `end_s`."""
    reached = start_s
    for start, end in sorted(bounds_s):
        if start > reached:
            break
        reached = max(reached, end)
    return reached >= end_s


def missing_steps(steps_s: Sequence[int]) -> list[int]:
    """Steps that are not there although the others say they should be. [s]

    Models write their output at even steps that may become longer with lead time but never
    shorter again. So there is a hole where a step is longer than a later one, and where a
    longer step is not followed by another of its length.
    """
    steps = sorted(set(steps_s))
    widths = [later - earlier for earlier, later in pairwise(steps)]
    missing: list[int] = []
    rhythm = min(widths, default=0)
    for place, width in enumerate(widths):
        shortest = min(widths[place:])
        if width == shortest and place > 0 and widths[place + 1 : place + 2] != [width]:
            shortest = rhythm
        if width > shortest and width % shortest == 0:
            missing.extend(range(steps[place] + shortest, steps[place + 1], shortest))
        rhythm = shortest
    return missing
