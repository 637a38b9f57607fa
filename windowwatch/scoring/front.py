"""Front passages in the forecast series at one point.

A passage of a cold front is told by five signs over three hours, each graded from 0 (half the
bound) to 1 (the bound):

1. the wind turns by 45° or more with the sun's sense of the hemisphere (veers in the northern,
   backs in the southern), both winds 3 m/s or stronger;
2. the air at 2 m cools by 2 K or more, its mean daily course taken off;
3. the dew point falls by 2 K or more;
4. the pressure, after falling by 0.5 hPa or more in three hours, rises by 1 hPa or more;
5. gusts (or the mean wind) grow by 4 m/s or more, or precipitation sets in (0.5 mm/h).

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

import numpy as np
from numpy.typing import NDArray

from windowwatch.physics.surface import SurfaceSeries
from windowwatch.scoring.span import held, interpolated

FloatArray = NDArray[np.float64]

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
        fall = np.fmax(-before, -during)
        rise = np.fmax(during, after)
        both = np.minimum(_graded(fall, 50.0), _graded(rise, 100.0))
        return np.where(np.isnan(during), np.nan, both)

    def freshening(self) -> FloatArray:
        speed = np.hypot(self._get("wind_u_10m_mps"), self._get("wind_v_10m_mps"))
        gust, later_gust = (self._held("gust_mps", windows) for windows in (0, 1))
        grown = np.fmax(later_gust - gust, self._change(speed))
        rain, later_rain = (self._held("precipitation_rate_mmph", windows) for windows in (0, 1))
        onset = np.where(rain < 0.1, _graded(later_rain, 0.5), 0.0)
        onset = np.where(np.isnan(rain + later_rain), np.nan, onset)
        return _either(_graded(grown, 4.0), onset)

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
        """Mean departure by time of day; zero where the series is too short to know it."""
        course = np.zeros_like(series)
        if self._time_s[-1] - self._time_s[0] < _DAYS_FOR_COURSE * _DAY_S:
            return course
        clock = np.round(np.mod(self._time_s, _DAY_S))
        for time_of_day in np.unique(clock):
            same = clock == time_of_day
            known = ~np.isnan(series[:, same])
            total = np.sum(np.where(known, series[:, same], 0.0), axis=1, keepdims=True)
            course[:, same] = total / np.maximum(np.sum(known, axis=1, keepdims=True), 1)
        return np.asarray(course - course.mean(axis=1, keepdims=True))


def _either(one: FloatArray, other: FloatArray) -> FloatArray:
    """The greater of two signs; NaN where one is missing and the other is not full."""
    greater = np.fmax(one, other)
    return np.where(np.isnan(one + other) & ~(greater >= 1.0), np.nan, greater)


def _graded(value: FloatArray, bound: float) -> FloatArray:
    """0 up to half the bound, 1 from the bound on; NaN stays."""
    return np.asarray(np.clip(2.0 * value / bound - 1.0, 0.0, 1.0))
