"""Worst of a time series over a span round each launch hour."""

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


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


def rate_from_sums(time_s: FloatArray, sums_mm: FloatArray) -> FloatArray:
    """Mean rate in the interval that ends at each step [M, T]; NaN at the first. [mm/h]"""
    hours = np.diff(time_s) / 3600.0
    rate = np.full(sums_mm.shape, np.nan)
    rate[:, 1:] = sums_mm[:, 1:] / hours
    return rate


def highest_interval(
    time_s: FloatArray, rates: FloatArray, start_s: FloatArray, end_s: FloatArray
) -> FloatArray:
    """Highest of a quantity that holds for the interval ending at each step: [N, M].

    Every interval that the span touches counts in full.
    """
    first = np.searchsorted(time_s, start_s, side="right")
    last = np.maximum(np.searchsorted(time_s, end_s, side="left"), first)
    covered = (start_s >= time_s[0]) & (last < time_s.size)
    most = int(np.max(last - first, initial=0)) + 1
    steps = np.clip(np.minimum(first[:, None] + np.arange(most), last[:, None]), 0, time_s.size - 1)
    return np.asarray(np.where(covered, np.max(rates[:, steps], axis=2), np.nan).T)
