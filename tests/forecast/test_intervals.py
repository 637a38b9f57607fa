"""Sums and means over intervals, and steps that are missing. Expected values by hand."""

import numpy as np
import pytest

from windowwatch.forecast.near import (
    Window,
    consecutive_means,
    consecutive_sums,
    missing_steps,
)


def _windows(*items: tuple[int, int, float]) -> list[Window]:
    return [Window(start, end, np.array([value], dtype=np.float32)) for start, end, value in items]


def _rows(windows: list[Window]) -> list[tuple[int, int, float]]:
    return [(w.start_s, w.end_s, round(float(w.values[0]), 4)) for w in windows]


@pytest.mark.parametrize(
    ("style", "given"),
    [
        ("each interval by itself", _windows((0, 3, 1.0), (3, 6, 2.0), (6, 9, 0.5), (9, 12, 4.0))),
        ("totals from the start", _windows((0, 3, 1.0), (0, 6, 3.0), (0, 9, 3.5), (0, 12, 7.5))),
        ("totals from each 6 h", _windows((0, 3, 1.0), (0, 6, 3.0), (6, 9, 0.5), (6, 12, 4.5))),
        (
            "both windows at one step",
            _windows((0, 3, 1), (0, 6, 3), (3, 6, 2), (6, 9, 0.5), (0, 9, 3.5), (0, 12, 7.5)),
        ),
    ],
)
def test_every_style_of_totals_gives_the_same_amounts(style: str, given: list[Window]) -> None:
    expected = [(0, 3, 1.0), (3, 6, 2.0), (6, 9, 0.5), (9, 12, 4.0)]
    assert _rows(consecutive_sums(given)) == expected, style
    assert _rows(consecutive_sums(given[::-1])) == expected, "order in the file means nothing"


def test_a_part_is_never_taken_for_the_whole_nor_the_whole_for_a_part() -> None:
    part = consecutive_sums(_windows((0, 3, 1.0), (5, 6, 2.0)))
    whole = consecutive_sums(_windows((0, 3, 1.0), (2, 6, 2.0)))
    assert np.isnan(part[1].values).all()
    assert np.isnan(whole[1].values).all()


def test_amounts_after_a_missing_total_are_unknown_not_doubled() -> None:
    total = _windows((0, 3, 1.0), (0, 9, 3.5), (0, 12, 7.5))
    rows = consecutive_sums(total, edges_s=[6])
    assert [w.end_s for w in rows] == [3, 9, 12]
    assert np.isnan(rows[1].values).all()
    assert rows[2].values[0] == 4.0


def test_running_means_become_means_of_the_interval() -> None:
    # 10 in the first three hours and 40 in the next: 25 over all six.
    means = consecutive_means(_windows((0, 3, 10.0), (0, 6, 25.0), (6, 9, 7.0), (6, 12, 5.0)))
    assert _rows(means) == [(0, 3, 10.0), (3, 6, 40.0), (6, 9, 7.0), (9, 12, 3.0)]


@pytest.mark.parametrize(
    ("steps", "missing"),
    [
        ([0, 3, 6, 9], []),
        ([0, 3, 9, 12], [6]),
        ([0, 3, 12, 15], [6, 9]),
        ([0, 6, 9, 12], [3]),
        ([0, 1, 2, 3, 6, 9, 12], []),  # hourly, then three-hourly: as models write it
        ([0, 1, 3, 4, 6, 9, 12], [2, 5]),
        ([0, 3, 6, 12, 18, 24], []),
        ([0, 3, 6, 12], [9]),
        ([120], []),
        ([6, 12], []),
        ([], []),
    ],
)
def test_a_step_that_breaks_the_rhythm_is_missing(steps: list[int], missing: list[int]) -> None:
    assert missing_steps(steps) == missing
