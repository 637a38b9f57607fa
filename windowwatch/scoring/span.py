"""Worst of a time series over a span round each launch hour.

Values at a time run straight from one to the next, or jump. A value that stands for an interval
(a mean, a sum, a greatest or a least one) is no value at a time: it counts in full for every
span that its interval touches, however short the span and however long the interval. Where no
interval covers a part of a span (a greatest of the last hour in every three), the nearest one
before and the nearest one after that part count.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from windowwatch.physics.surface import CellMethod, TimeCells
from windowwatch.scoring.facts import OverInterval

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Intervals:
    """Of which intervals values [N, M] are.

    Parameters
    ----------
    method : CellMethod
    length_s : array [N, M]
        0 for a value at a time. [s]
    nearest : bool array [N, M]
        Whether the interval does not touch the span, but is the nearest to a part of it.
    """

    method: CellMethod
    length_s: FloatArray
    nearest: NDArray[np.bool_]

    def of(self, hour: int, members: NDArray[np.bool_]) -> OverInterval | None:
        """The longest of those that some members [M] have their value from; None: instants."""
        length_s = np.where(members, self.length_s[hour], 0.0)
        member = int(np.argmax(length_s))
        if length_s[member] == 0.0:
            return None
        return OverInterval(
            self.method, float(length_s[member]) / 3600.0, bool(self.nearest[hour, member])
        )


def instants(shape: tuple[int, ...]) -> Intervals:
    """Of values [N, M] that are none of any interval."""
    return Intervals(CellMethod.POINT, np.zeros(shape), np.zeros(shape, dtype=np.bool_))


def interpolated(time_s: FloatArray, values: FloatArray, at_s: FloatArray) -> FloatArray:
    """Series [M, T] at times [...], linear between steps: [M, ...].

    NaN before the first step, after the last, and where a step that is needed is NaN.
    """
    if time_s.size == 1:
        held = np.broadcast_to(np.expand_dims(values[:, 0], tuple(range(1, at_s.ndim + 1))),
                               (values.shape[0], *at_s.shape))  # fmt: skip
        return np.where(at_s == time_s[0], held, np.nan)
    left = np.clip(np.searchsorted(time_s, at_s, side="right") - 1, 0, time_s.size - 2)
    part = (at_s - time_s[left]) / (time_s[left + 1] - time_s[left])
    low, high = values[:, left], values[:, left + 1]
    # At a step itself its neighbour has no say, even when that is missing.
    between = np.where(part == 0.0, low, np.where(part == 1.0, high, low + part * (high - low)))
    return np.where((part >= 0.0) & (part <= 1.0), between, np.nan)


def extreme_in_span(
    time_s: FloatArray,
    values: FloatArray,
    start_s: FloatArray,
    end_s: FloatArray,
    *,
    highest: bool,
) -> FloatArray:
    """Highest or lowest value of a series from `start_s` to `end_s`, linear between steps.

    A piecewise straight line has its extremes at the ends of the span and at the steps
    inside it, so these are all that need to be looked at.

    Parameters
    ----------
    time_s : array [T]
        Rising. [s]
    values : array [M, T]
    start_s, end_s : array [N]
        [s]

    Returns
    -------
    array [N, M]
        NaN where any part of the span is not covered by the series.
    """
    first = np.searchsorted(time_s, start_s, side="right")
    last = np.searchsorted(time_s, end_s, side="left")
    most = int(np.max(last - first, initial=0))
    steps = np.minimum(first[:, None] + np.arange(most), time_s.size - 1)
    inside = np.clip(time_s[steps], start_s[:, None], end_s[:, None])
    times = np.concatenate([start_s[:, None], end_s[:, None], inside], axis=1)
    found = interpolated(time_s, values, times)
    return np.asarray((np.max if highest else np.min)(found, axis=2).T)


def extreme_of_steps(
    time_s: FloatArray,
    values: FloatArray,
    start_s: FloatArray,
    end_s: FloatArray,
    *,
    highest: bool,
) -> FloatArray:
    """As `extreme_in_span`, but of the steps themselves, those that bracket the span included.

    For fields that jump: between a ceiling of 300 m and no ceiling there is no 10 km.
    """
    first = np.searchsorted(time_s, start_s, side="right") - 1
    last = np.searchsorted(time_s, end_s, side="left")
    covered = (first >= 0) & (last < time_s.size)
    most = int(np.max(last - first, initial=0)) + 1
    steps = np.clip(np.minimum(first[:, None] + np.arange(most), last[:, None]), 0, time_s.size - 1)
    found = (np.max if highest else np.min)(values[:, steps], axis=2)
    return np.asarray(np.where(covered, found, np.nan).T)


def rate_of_sums(
    time_s: FloatArray, sums_mm: FloatArray, cells: TimeCells
) -> tuple[FloatArray, TimeCells]:
    """Mean rate in the interval of each sum [M, T], and these intervals. [mm/h]"""
    hours = (time_s - cells.start_unix_s) / 3600.0
    return sums_mm / hours, TimeCells(CellMethod.MEAN, cells.start_unix_s)


def extreme_of_cells(
    time_s: FloatArray,
    values: FloatArray,
    cells: TimeCells,
    start_s: FloatArray,
    end_s: FloatArray,
    *,
    highest: bool,
) -> tuple[FloatArray, Intervals]:
    """Highest or lowest value [N, M] of the intervals that each span touches, and which it is of.

    Touching is having more than a moment in common; a span that is itself a moment touches the
    intervals that hold it. Of intervals that leave out a part of the span, the nearest before
    and after that part count as well.

    Parameters
    ----------
    time_s : array [T]
        Rising; where the intervals end. [s]
    values : array [M, T]
    cells : TimeCells
    start_s, end_s : array [N]
        Of the spans. [s]

    Returns
    -------
    values : array [N, M]
        NaN where an interval that counts has no value, and where the span begins before the
        first or ends after the last of all intervals.
    intervals : Intervals
    """
    there = ~np.isnan(cells.start_unix_s)
    begin, end, series = cells.start_unix_s[there], time_s[there], values[:, there]
    shape = (start_s.size, values.shape[0])
    worst, length_s = np.full(shape, np.nan), np.zeros(shape)
    nearest = np.zeros(shape, dtype=np.bool_)
    if begin.size:
        moment = (start_s == end_s)[:, None]
        holds = (begin <= start_s[:, None]) & (end >= start_s[:, None])
        touches = _touches(begin, end, start_s, end_s) | (moment & holds)
        counts = touches | _touches(*_reaching_over_gaps(begin, end), start_s, end_s)
        counts[(start_s < begin.min()) | (end_s > end[-1])] = False
        for n in np.flatnonzero(counts.any(axis=1)):
            which = np.flatnonzero(counts[n])
            which = which[np.argsort(~touches[n, which], kind="stable")]  # those first that touch
            badness = series[:, which] if highest else -series[:, which]
            chosen = which[np.argmax(badness, axis=1)]  # a NaN is the greatest of all to it
            worst[n] = series[np.arange(chosen.size), chosen]
            length_s[n] = end[chosen] - begin[chosen]
            nearest[n] = ~touches[n, chosen]
    return worst, Intervals(cells.method, length_s, nearest)


def _touches(
    begin: FloatArray, end: FloatArray, start_s: FloatArray, end_s: FloatArray
) -> NDArray[np.bool_]:
    """Which intervals [T] have more than a moment in common with which spans: [N, T]."""
    return np.asarray((begin < end_s[:, None]) & (end > start_s[:, None]))


def _reaching_over_gaps(begin: FloatArray, end: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Intervals [T], rising by their ends, each made longer over the gaps beside it."""
    next_begin = np.minimum.accumulate(begin[::-1])[::-1][1:]  # of all that end later
    gap = np.flatnonzero(next_begin > end[:-1])
    wide_begin, wide_end = begin.copy(), end.copy()
    wide_end[gap] = next_begin[gap]
    for before in gap:
        wide_begin[begin == next_begin[before]] = end[before]
    return wide_begin, wide_end


def held(
    time_s: FloatArray, values: FloatArray, cells: TimeCells | None, at_s: FloatArray
) -> FloatArray:
    """Series [M, T] at times [K]: [M, K]; between steps the value of the interval that holds it.

    Without intervals as `interpolated`. An interval holds its end, not its beginning; of
    several the one that ends first. NaN where none does.
    """
    if cells is None:
        return interpolated(time_s, values, at_s)
    there = ~np.isnan(cells.start_unix_s)
    begin, end, series = cells.start_unix_s[there], time_s[there], values[:, there]
    found = np.full((values.shape[0], at_s.size), np.nan)
    if begin.size:
        holds = (begin < at_s[:, None]) & (end >= at_s[:, None])
        some = holds.any(axis=1)
        found[:, some] = series[:, np.argmax(holds[some], axis=1)]
    return found
