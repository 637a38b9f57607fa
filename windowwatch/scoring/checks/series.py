"""Time series at one point: the worst over a span round each launch hour, and front passages.

Values at a time run straight from one to the next, or jump. A value that stands for an interval
(a mean, a sum, a greatest or a least one) is no value at a time: it counts in full for every
span that its interval touches, however short the span and however long the interval. Where no
interval covers a part of a span (a greatest of the last hour in every three), the nearest one
before and the nearest one after that part count.

A passage of a cold front is told by five signs over three hours, each graded from 0 (half the
bound) to 1 (the bound):

1. the wind turns by 45° or more with the sun's sense of the hemisphere (veers in the northern,
   backs in the southern), both winds 3 m/s or stronger;
2. the air at 2 m cools by 2 K or more, its mean daily course taken off;
3. the dew point falls by 2 K or more;
4. the pressure, after falling by 0.5 hPa or more in three hours, rises by 1 hPa or more;
5. gusts or the mean wind grow by 4 m/s or more, or precipitation sets in (0.5 mm/h).

A sign of which a part is missing is not known, unless what is there shows it in full: nothing
that is missing makes a front less likely.

Three of them within six hours make a passage: wind shift and trough often come an hour or
more before the cooling, so two neighbouring windows are looked at together. The bounds are
common practice, no source; that wind shift and cooling must be asked together is the finding
of Bitsa et al. [1]_, who so lost almost 40 % of the false alarms of the wind criterion of
Simmonds et al. [2]_, whose six hours these are. A warm front seldom shows enough of these
signs; it is not looked for.

A gust or a rate of rain that stands for an interval counts for every time that its interval
holds.

References
----------
.. [1] H. Bitsa et al., Climate 7 (2019) 130.
.. [2] I. Simmonds, K. Keay, J. A. T. Bye, Journal of Climate 25 (2012) 1945-1962.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from windowwatch.physics.surface import CellMethod, SurfaceSeries, TimeCells
from windowwatch.scoring.values import OverInterval
from windowwatch.units import FloatArray

#: Of which place each span is [N], where series of several places [M, P, T] are asked; None
#: where there is one series [M, T] for all spans.
Places = NDArray[np.intp] | None


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


def _of(values: FloatArray, step: NDArray[np.intp], place: Places) -> FloatArray:
    """Values of a series [M, T] at some steps [...]: [M, ...]; see `Places`."""
    if place is None:
        return values[:, step]
    return values[:, place.reshape(-1, *(1,) * (step.ndim - 1)), step]


def interpolated(
    time_s: FloatArray, values: FloatArray, at_s: FloatArray, place: Places = None
) -> FloatArray:
    """Series [M, T] at times [...], linear between steps: [M, ...].

    NaN before the first step, after the last, and where a step that is needed is NaN. With
    `place` the series are [M, P, T] and the times [N, ...].
    """
    if time_s.size == 1:
        held = _of(values, np.zeros(at_s.shape, dtype=np.intp), place)
        return np.where(at_s == time_s[0], held, np.nan)
    left = np.clip(np.searchsorted(time_s, at_s, side="right") - 1, 0, time_s.size - 2)
    part = (at_s - time_s[left]) / (time_s[left + 1] - time_s[left])
    low, high = _of(values, left, place), _of(values, left + 1, place)
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
    place: Places = None,
) -> FloatArray:
    """Highest or lowest value of a series from `start_s` to `end_s`, linear between steps.

    A piecewise straight line has its extremes at the ends of the span and at the steps
    inside it, so these are all that need to be looked at.

    Parameters
    ----------
    time_s : array [T]
        Rising. [s]
    values : array [M, T], or [M, P, T] with `place`
    start_s, end_s : array [N]
        [s]
    place : Places

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
    found = interpolated(time_s, values, times, place)
    return np.asarray((np.max if highest else np.min)(found, axis=2).T)


def extreme_of_steps(
    time_s: FloatArray,
    values: FloatArray,
    start_s: FloatArray,
    end_s: FloatArray,
    *,
    highest: bool,
    place: Places = None,
) -> FloatArray:
    """As `extreme_in_span`, but of the steps themselves, those that bracket the span included.

    For fields that jump: between a ceiling of 300 m and no ceiling there is no 10 km.
    """
    first = np.searchsorted(time_s, start_s, side="right") - 1
    last = np.searchsorted(time_s, end_s, side="left")
    covered = (first >= 0) & (last < time_s.size)
    most = int(np.max(last - first, initial=0)) + 1
    steps = np.clip(np.minimum(first[:, None] + np.arange(most), last[:, None]), 0, time_s.size - 1)
    found = (np.max if highest else np.min)(_of(values, steps, place), axis=2)
    return np.asarray(np.where(covered, found, np.nan).T)


def rate_of_sums(
    time_s: FloatArray, sums_mm: FloatArray, cells: TimeCells
) -> tuple[FloatArray, TimeCells]:
    """Mean rate in the interval of each sum [M, ..., T], and these intervals. [mm/h]"""
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
    place: Places = None,
) -> tuple[FloatArray, Intervals]:
    """Highest or lowest value [N, M] of the intervals that each span touches, and which it is of.

    Touching is having more than a moment in common; a span that is itself a moment touches the
    intervals that hold it. Of intervals that leave out a part of the span, the nearest before
    and after that part count as well.

    Parameters
    ----------
    time_s : array [T]
        Rising; where the intervals end. [s]
    values : array [M, T], or [M, P, T] with `place`
    cells : TimeCells
    start_s, end_s : array [N]
        Of the spans. [s]
    place : Places

    Returns
    -------
    values : array [N, M]
        NaN where an interval that counts has no value, and where the span begins before the
        first or ends after the last of all intervals.
    intervals : Intervals
    """
    there = ~np.isnan(cells.start_unix_s)
    begin, end, series = cells.start_unix_s[there], time_s[there], values[..., there]
    shape = (start_s.size, values.shape[0])
    worst, length_s = np.full(shape, np.nan), np.zeros(shape)
    nearest = np.zeros(shape, dtype=np.bool_)
    if begin.size:
        moment = (start_s == end_s)[:, None]
        holds = (begin <= start_s[:, None]) & (end >= start_s[:, None])
        touches = _touches(begin, end, start_s, end_s) | (moment & holds)
        counts = touches | _touches(*_reaching_over_gaps(begin, end), start_s, end_s)
        counts[(start_s < begin.min()) | (end_s > end[-1])] = False
        some = counts.any(axis=1)
        most = int(counts.sum(axis=1).max(initial=1))
        # those first that touch, then the others that count: of equal ones the first is taken
        order = np.argsort(2 - counts - touches, axis=1, kind="stable")[:, :most]
        found = _of(series, order, place)
        badness = np.where(
            np.take_along_axis(counts, order, axis=1), found if highest else -found, -np.inf
        )
        taken = np.argmax(badness, axis=2)  # [M, N]; a NaN is the greatest of all to it
        span = np.arange(some.size)
        chosen = order[span, taken]
        worst[some] = np.take_along_axis(found, taken[..., None], axis=2)[..., 0].T[some]
        length_s[some] = (end - begin)[chosen].T[some]
        nearest[some] = ~touches[span, chosen].T[some]
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


#: Length of the window in which each sign is looked for; a passage takes two of them. [s]
WINDOW_S = 3.0 * 3600.0
#: Signs that make a passage, of five.
SIGNS_NEEDED = 3.0
#: A front that is farther off than this is not told apart from none. [h]
FAR_H = 24.0
#: Least number of whole days from which a mean daily course can be taken.
_DAYS_FOR_COURSE = 3
_DAY_S = 86_400.0
_COUNT = 5


def front_signs(series: SurfaceSeries, latitude_deg: float) -> tuple[FloatArray, FloatArray]:
    """Signs of a front in the six hours after each step.

    Parameters
    ----------
    series : SurfaceSeries
        Fields [M or 1, T] at one point.
    latitude_deg : float
        Its sign gives the hemisphere. [deg]

    Returns
    -------
    least, most : array [M, T]
        Sum of the graded signs, 0 to 5: with what is missing counted as no sign, and as a
        full one. [1]
    """
    time_s = series.time_unix_s
    members = max((values.shape[0] for values in series.values.values()), default=1)
    shape = (members, time_s.size)
    signs = np.full((_COUNT, *shape), np.nan)
    window = _Window(series)
    for row, sign in enumerate(
        (
            window.turning(1.0 if latitude_deg >= 0.0 else -1.0),
            window.cooling(),
            window.drying(),
            window.trough(),
            window.freshening(),
        )
    ):
        signs[row] = np.broadcast_to(sign, shape)
    for row in range(_COUNT):
        next_window = interpolated(time_s, signs[row], time_s + WINDOW_S)
        signs[row] = _either(signs[row], next_window)
    missing = np.isnan(signs)
    least = np.sum(np.where(missing, 0.0, signs), axis=0)
    return least, least + np.sum(missing, axis=0)


def hours_from_front(
    series: SurfaceSeries, latitude_deg: float, launch_s: FloatArray
) -> FloatArray:
    """Hours between each launch and the nearest front passage: [N, M], at most `FAR_H`.

    Before or after it, the number is the distance alone. What cannot be judged, and what lies
    before the first or after the last step of the forecast, counts as if a front stood there.
    NaN where nothing at all can be judged. [h]
    """
    time_s = series.time_unix_s
    least, most = front_signs(series, latitude_deg)
    passage_or_open = most >= SIGNS_NEEDED
    whole = time_s + 2.0 * WINDOW_S <= time_s[-1]
    judged = (least >= SIGNS_NEEDED) | ~passage_or_open
    if not np.any(judged[:, whole]):
        return np.full((launch_s.size, least.shape[0]), np.nan)
    middle = time_s + WINDOW_S
    away_s = np.abs(launch_s[:, None] - middle)
    edge_s = np.minimum(launch_s - time_s[0], time_s[-1] - launch_s)
    near = np.where((passage_or_open & whole)[None], away_s[:, None, :], np.inf).min(axis=2)
    hours = np.minimum(near, np.maximum(edge_s, 0.0)[:, None]) / 3600.0
    return np.asarray(np.minimum(hours, FAR_H))


class _Window:
    """The signs of the three hours after each step; arrays [M or 1, T], NaN where missing."""

    def __init__(self, series: SurfaceSeries) -> None:
        self._time_s = series.time_unix_s
        self._values = series.values
        self._cells = series.cells
        self._nothing = np.full((1, self._time_s.size), np.nan)

    def turning(self, sense: float) -> FloatArray:
        u, v = (self._get(f"wind_{axis}_10m_mps") for axis in "uv")
        u1, v1, u2, v2 = self._later(u, 0), self._later(v, 0), self._later(u, 1), self._later(v, 1)
        # The angle by which the wind's direction turns clockwise.
        turned = np.degrees(np.arctan2(v1 * u2 - u1 * v2, u1 * u2 + v1 * v2))
        strong = np.minimum(np.hypot(u1, v1), np.hypot(u2, v2)) >= 3.0
        sign = np.where(strong, _graded(sense * turned, 45.0), 0.0)
        return np.where(np.isnan(turned), np.nan, sign)

    def cooling(self) -> FloatArray:
        warmth = self._get("temperature_2m_k")
        return _graded(-self._change(warmth - self._daily_course(warmth)), 2.0)

    def drying(self) -> FloatArray:
        return _graded(-self._change(self._get("dew_point_2m_k")), 2.0)

    def trough(self) -> FloatArray:
        """The lowest pressure may lie at either end of the window, or inside it."""
        pressure = self._get("pressure_msl_pa")
        before, during, after = (self._change(pressure, start) for start in (-1, 0, 1))
        fall = _either(_graded(-before, 50.0), _graded(-during, 50.0))
        rise = _either(_graded(during, 100.0), _graded(after, 100.0))
        return np.asarray(np.minimum(fall, rise))

    def freshening(self) -> FloatArray:
        speed = np.hypot(self._get("wind_u_10m_mps"), self._get("wind_v_10m_mps"))
        gust, later_gust = (self._held("gust_mps", windows) for windows in (0, 1))
        grown = _either(_graded(later_gust - gust, 4.0), _graded(self._change(speed), 4.0))
        rain, later_rain = (self._held("precipitation_rate_mmph", windows) for windows in (0, 1))
        onset = np.where(rain < 0.1, _graded(later_rain, 0.5), 0.0)
        onset = np.where(np.isnan(rain + later_rain), np.nan, onset)
        return _either(grown, onset)

    def _get(self, key: str) -> FloatArray:
        return self._values.get(key, self._nothing)

    def _later(self, series: FloatArray, windows: int) -> FloatArray:
        """The series some windows after each step."""
        return interpolated(self._time_s, series, self._time_s + windows * WINDOW_S)

    def _held(self, key: str, windows: int) -> FloatArray:
        """A field some windows after each step; over its intervals where it has some."""
        at_s = self._time_s + windows * WINDOW_S
        return held(self._time_s, self._get(key), self._cells.get(key), at_s)

    def _change(self, series: FloatArray, start: int = 0) -> FloatArray:
        return self._later(series, start + 1) - self._later(series, start)

    def _daily_course(self, series: FloatArray) -> FloatArray:
        """Mean departure by time of day; zero where the series is too short to know it.

        NaN where a value is missing, throughout: the mean of the others is another course.
        """
        course = np.zeros_like(series)
        if self._time_s[-1] - self._time_s[0] < _DAYS_FOR_COURSE * _DAY_S:
            return course
        clock = np.round(np.mod(self._time_s, _DAY_S))
        for time_of_day in np.unique(clock):
            same = clock == time_of_day
            course[:, same] = series[:, same].mean(axis=1, keepdims=True)
        return np.asarray(course - course.mean(axis=1, keepdims=True))


def _either(one: FloatArray, other: FloatArray) -> FloatArray:
    """The greater of two signs; NaN where one is missing and the other is not full."""
    greater = np.fmax(one, other)
    return np.where(np.isnan(one + other) & ~(greater >= 1.0), np.nan, greater)


def _graded(value: FloatArray, bound: float) -> FloatArray:
    """0 up to half the bound, 1 from the bound on; NaN stays."""
    return np.asarray(np.clip(2.0 * value / bound - 1.0, 0.0, 1.0))
