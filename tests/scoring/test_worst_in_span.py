"""Worst of a series over a span: straight lines with plain answers."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from windowwatch.physics.surface import CellMethod, cells_since_time_before
from windowwatch.scoring.checks.series import (
    extreme_in_span,
    extreme_of_cells,
    extreme_of_steps,
    rate_of_sums,
)

TIME = np.array([0.0, 3.0, 6.0, 9.0]) * 3600.0


def hours(*values: float) -> NDArray[np.float64]:
    return np.array(values) * 3600.0


def series(*values: float) -> NDArray[np.float64]:
    return np.array([values])


def highest_rate(sums: NDArray[np.float64], *span: NDArray[np.float64]) -> NDArray[np.float64]:
    """Highest mean rate of sums since the step before: [N]."""
    cells = cells_since_time_before(CellMethod.SUM, TIME)
    found, _ = extreme_of_cells(TIME, *rate_of_sums(TIME, sums, cells), *span, highest=True)
    return found[:, 0]


def test_between_steps_the_line_is_straight() -> None:
    worst = extreme_in_span(TIME, series(0, 3, 0, 9), hours(1, 2, 6), hours(2, 5, 7), highest=True)
    # 1 to 2 h: rising to 2; 2 to 5 h: the peak of 3 at the step; 6 to 7 h: a third of 9.
    assert worst[:, 0] == pytest.approx([2.0, 3.0, 3.0])
    best = extreme_in_span(TIME, series(0, 3, 0, 9), hours(2), hours(5), highest=False)
    assert best[0, 0] == pytest.approx(1.0)  # at 5 h


def test_several_steps_inside_and_members_apart() -> None:
    values = np.array([[0.0, 5.0, 7.0, 0.0], [1.0, 1.0, 1.0, 1.0]])
    worst = extreme_in_span(TIME, values, hours(0), hours(9), highest=True)
    assert worst.tolist() == [[7.0, 1.0]]


@pytest.mark.parametrize(("start", "end"), [(-1, 1), (8, 10), (-2, -1), (10, 11)])
def test_outside_the_series_nothing_is_known(start: float, end: float) -> None:
    for worst in (extreme_in_span, extreme_of_steps):
        found = worst(TIME, series(1, 1, 1, 1), hours(start), hours(end), highest=True)
        assert np.isnan(found[0, 0]), worst
    assert np.isnan(highest_rate(series(1, 1, 1, 1), hours(start), hours(end))[0])


def test_a_missing_step_is_not_skipped() -> None:
    gap = series(1, np.nan, 1, 1)
    spans = hours(1, 4, 6, 0), hours(2, 5, 9, 9)
    found = extreme_in_span(TIME, gap, *spans, highest=True)[:, 0]
    assert np.isnan(found).tolist() == [True, True, False, True]


def test_the_very_step_needs_no_neighbour() -> None:
    gap = series(np.nan, 2, np.nan, 1)
    assert extreme_in_span(TIME, gap, hours(3), hours(3), highest=True)[0, 0] == 2.0


def test_one_step_knows_only_its_own_time() -> None:
    one = np.array([0.0])
    found = extreme_in_span(one, series(4.0), hours(0, 0), hours(0, 1), highest=True)[:, 0]
    assert found[0] == 4.0
    assert np.isnan(found[1])


def test_steps_that_bracket_the_span_count_in_full() -> None:
    ceiling = series(20_000, 300, 20_000, 20_000)
    found = extreme_of_steps(TIME, ceiling, hours(4, 3, 6), hours(5, 4, 7), highest=False)
    assert found[:, 0].tolist() == [300.0, 300.0, 20_000.0]


def test_sums_become_rates_of_their_interval() -> None:
    sums = series(np.nan, 3.0, 0.0, 6.0)
    rates, cells = rate_of_sums(TIME, sums, cells_since_time_before(CellMethod.SUM, TIME))
    assert rates[0, 1:].tolist() == [1.0, 0.0, 2.0]
    assert cells.method is CellMethod.MEAN
    found = highest_rate(sums, hours(1, 2, 4, 5), hours(2, 4, 5, 7))
    assert found.tolist() == [1.0, 1.0, 0.0, 2.0]
    # A span that ends or begins at a step does not touch the interval beyond it.
    assert highest_rate(sums, hours(3), hours(6))[0] == 0.0


@given(
    st.lists(st.floats(-50, 50), min_size=4, max_size=4),
    st.floats(0.0, 9.0),
    st.floats(0.0, 9.0),
)
def test_no_point_of_the_span_is_worse_than_its_worst(
    values: list[float], one: float, other: float
) -> None:
    start, end = min(one, other), max(one, other)
    worst = extreme_in_span(TIME, series(*values), hours(start), hours(end), highest=True)
    fine = np.interp(np.linspace(start, end, 200) * 3600.0, TIME, values)
    assert worst[0, 0] >= fine.max() - 1e-9
    assert worst[0, 0] <= max(values) + 1e-9
