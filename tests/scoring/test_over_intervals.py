"""Values that stand for an interval: worst over a span, against a reading by brute force."""

from dataclasses import replace
from itertools import pairwise

import launch_days as day
import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from windowwatch.errors import InputError
from windowwatch.physics.surface import (
    CellMethod,
    SurfaceGrid,
    SurfaceSeries,
    TimeCells,
    cells_since_time_before,
)
from windowwatch.scoring.answer import Measure, answer
from windowwatch.scoring.checks.release import release_measures
from windowwatch.scoring.checks.series import extreme_of_cells, front_signs, held
from windowwatch.scoring.limits import LIMITS
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.scoring.values import OverInterval
from windowwatch.wording.checks import check_sentence

FloatArray = NDArray[np.float64]
PLAN = ScoringPlan()  # set-up 60 min, hold 30 min
HOUR = 3600.0
Cell = tuple[float, float, float]


def worst(cells: list[Cell], start: float, end: float) -> tuple[float, float, bool]:
    """Highest of cells (begin, end, value) in a span, the length of its cell, nearest or not."""
    begin, close, value = np.array(cells, dtype=np.float64).T
    found, over = extreme_of_cells(
        close, value[None], TimeCells(CellMethod.MAXIMUM, begin), np.array([start]),
        np.array([end]), highest=True,
    )  # fmt: skip
    return float(found[0, 0]), float(over.length_s[0, 0]), bool(over.nearest[0, 0])


def read_by_moments(cells: list[Cell], start: float, end: float) -> float:
    """The same, moment by moment: between any two bounds nothing changes."""
    known = [cell for cell in cells if not np.isnan(cell[0])]
    if not known or start < min(c[0] for c in known) or end > max(c[1] for c in known):
        return float("nan")
    bounds = sorted({start, end, *(b for c in known for b in c[:2] if start < b < end)})
    moments = [(a + b) / 2.0 for a, b in pairwise(bounds)]
    seen: list[float] = []
    for moment in moments:
        holding = [c for c in known if c[0] < moment < c[1]]
        if not holding:
            last = max(c[1] for c in known if c[1] < moment)
            first = min(c[0] for c in known if c[0] > moment)
            holding = [c for c in known if c[1] == last or c[0] == first]
        seen += [c[2] for c in holding]
    if start == end:
        seen = [c[2] for c in known if c[0] <= start <= c[1]]
        if not seen:
            last = max(c[1] for c in known if c[1] < start)
            first = min(c[0] for c in known if c[0] > start)
            seen = [c[2] for c in known if c[1] == last or c[0] == first]
    return float("nan") if np.isnan(seen).any() else max(seen)


@st.composite
def some_cells(draw: st.DrawFn) -> list[Cell]:
    """Intervals of one to seven hours that end at rising times: joined, apart or overlapping."""
    ends = sorted(draw(st.sets(st.integers(1, 24), min_size=1, max_size=9)))
    cells: list[Cell] = []
    for end in ends:
        length = draw(st.sampled_from([1, 2, 3, 6, 7]))
        begin = draw(st.sampled_from([float(end - length), float(end - length), float("nan")]))
        value = draw(st.one_of(st.integers(0, 40), st.just(float("nan"))))
        cells.append((begin, float(end), float(value)))
    return cells


@settings(max_examples=500)
@example(cells=[(2.0, 3.0, 12.0), (5.0, 6.0, 30.0)], start=6, length=0)
@given(some_cells(), st.integers(-16, 52), st.integers(0, 16))
def test_the_worst_is_that_of_a_reading_moment_by_moment(
    cells: list[Cell], start: int, length: int
) -> None:
    span = start / 2.0, (start + length) / 2.0
    expected = read_by_moments(cells, *span)
    assert worst(cells, *span)[0] == pytest.approx(expected, nan_ok=True)
    begin, close, value = np.array(cells, dtype=np.float64).T
    lowest, _ = extreme_of_cells(
        close, -value[None], TimeCells(CellMethod.MINIMUM, begin), np.array([span[0]]),
        np.array([span[1]]), highest=False,
    )  # fmt: skip
    assert lowest[0, 0] == pytest.approx(-expected, nan_ok=True)


def test_a_greatest_counts_in_full_wherever_it_touches() -> None:
    cells = [(0.0, 3.0, 5.0), (3.0, 6.0, 17.0), (6.0, 9.0, 8.0)]
    assert worst(cells, 3.0, 4.0) == (17.0, 3.0, False)
    assert worst(cells, 2.0, 3.1) == (17.0, 3.0, False)
    assert worst(cells, 6.0, 7.0) == (8.0, 3.0, False)  # at 6 h it has only a moment in common
    assert worst(cells, 6.0, 6.0) == (17.0, 3.0, False)  # the moment itself
    assert np.isnan(worst(cells, -1.0, 1.0)[0])
    assert np.isnan(worst(cells, 8.0, 9.5)[0])


def test_between_intervals_the_nearest_on_both_sides_count() -> None:
    """The greatest of the last hour, written every three hours."""
    cells = [(2.0, 3.0, 12.0), (5.0, 6.0, 7.0), (8.0, 9.0, 30.0)]
    assert worst(cells, 3.5, 4.5) == (12.0, 1.0, True)
    assert worst(cells, 4.0, 5.5) == (12.0, 1.0, True)
    assert worst(cells, 5.0, 6.0) == (7.0, 1.0, False)
    assert worst(cells, 5.5, 6.5) == (30.0, 1.0, True)
    gone = [(2.0, 3.0, 12.0), (3.0, 6.0, float("nan")), (8.0, 9.0, 30.0)]
    assert np.isnan(worst(gone, 4.0, 4.5)[0]), "a plane that is missing is not leapt over"


def test_a_series_holds_the_value_of_its_interval() -> None:
    time = np.array([0.0, 1.0, 3.0, 6.0])
    cells = TimeCells(CellMethod.MAXIMUM, np.array([np.nan, 0.0, 2.0, 3.0]))
    found = held(time, np.array([[9.0, 1.0, 2.0, 3.0]]), cells, np.array([0, 0.5, 1, 1.5, 3, 5, 7]))
    assert found[0] == pytest.approx([np.nan, 1, 1, np.nan, 2, 3, np.nan], nan_ok=True)


# --- from the grid to the check ----------------------------------------------------------------


def measured(grid: SurfaceGrid, plan: ScoringPlan = PLAN) -> dict[str, Measure]:
    launch = np.array([day.LAUNCH])
    return {m.name: m for m in release_measures(day.SITE, launch, day.flights(), grid, plan)}


def with_cells(name: str, cells: TimeCells, *values: float) -> SurfaceGrid:
    return replace(day.surface({name: day.by_step(*values)}), cells={name: cells})


def spoken(measure: Measure) -> str:
    kind = LIMITS[measure.name]
    return check_sentence(answer(measure, 0, kind, kind.default).check)


GREATEST = cells_since_time_before(CellMethod.MAXIMUM, day.STEPS)


def test_a_gust_of_three_hours_is_the_gust_of_each_of_them_and_says_so() -> None:
    gust = with_cells("gust_mps", GREATEST, 5.0, 6.0, 15.0)
    found = measured(gust)["gust"]
    assert found.values[0, 0, 0] == 15.0
    assert spoken(found) == "Gust 15.0 m/s (greatest of 3 h), past the limit of 10."
    as_instants = measured(replace(gust, cells={}))["gust"]
    assert as_instants.values[0, 0, 0] == pytest.approx(7.5)
    assert spoken(as_instants) == "Gust 7.5 m/s, limit 10."


def test_the_greatest_of_the_last_hour_says_that_it_is_only_the_nearest() -> None:
    # launch at a step: set-up lies in the hour before it, hold after it
    last_hour = TimeCells(CellMethod.MAXIMUM, day.STEPS - HOUR)
    found = measured(with_cells("gust_mps", last_hour, 5.0, 6.0, 9.0))["gust"]
    assert spoken(found) == "Gust 9.0 m/s (greatest of 1 h, the nearest there is), limit 10."
    found = measured(with_cells("gust_mps", last_hour, 5.0, 8.0, 6.0))["gust"]
    assert spoken(found) == "Gust 8.0 m/s (greatest of 1 h), limit 10."


def test_a_mean_is_called_a_mean_and_is_of_the_member_that_gave_the_value() -> None:
    mean = cells_since_time_before(CellMethod.MEAN, day.STEPS)
    cloud = measured(with_cells("cloud_total_pct", mean, 10.0, 60.0, 40.0))["cloud"]
    assert spoken(cloud) == "Cloud 60 % (mean of 3 h), limit 87.5 %."
    two = np.concatenate([day.by_step(1.0, 1.0, 1.0), day.by_step(9.0, 9.0, 9.0)])
    grid = replace(
        day.surface({"precipitation_mm": two, "precipitation_rate_mmph": 2.0}, members=2),
        cells={"precipitation_mm": cells_since_time_before(CellMethod.SUM, day.STEPS)},
    )
    rain = measured(grid)["precipitation"]
    assert rain.values[0, :, 0].tolist() == [2.0, 3.0]
    assert rain.over is not None
    assert rain.over.of(0, np.array([True, False])) is None
    assert rain.over.of(0, np.array([True, True])) == OverInterval(CellMethod.MEAN, 3.0)
    kind = LIMITS["precipitation"]
    assert "2.0 mm/h, past" in check_sentence(answer(rain, 0, kind, kind.default, 0.5).check)
    assert "3.0 mm/h (mean of 3 h)" in check_sentence(
        answer(rain, 0, kind, kind.default, 0.9).check
    )


def test_the_rate_of_a_sum_is_by_the_length_of_its_own_interval() -> None:
    """12 mm in six hours on an axis of three is 2 mm/h, not 4."""
    begin = np.where(np.arange(day.STEPS.size) % 2 == 0, day.STEPS - 6 * HOUR, np.nan)
    amount = np.where(np.isnan(begin), np.nan, 12.0)[None, :, None, None]
    grid = day.surface({"precipitation_mm": amount, "precipitation_rate_mmph": None})
    found = measured(replace(grid, cells={"precipitation_mm": TimeCells(CellMethod.SUM, begin)}))
    assert found["precipitation"].values[0, 0, 0] == pytest.approx(2.0)
    assert "(mean of 6 h)" in spoken(found["precipitation"])
    assert np.isnan(measured(grid)["precipitation"].values[0, 0, 0])


def test_freezing_rain_in_a_mean_falls_in_all_of_it() -> None:
    mean = cells_since_time_before(CellMethod.MEAN, day.STEPS)
    found = measured(with_cells("freezing_rain", mean, 0.0, 0.0, 0.1))["freezing_rain"]
    assert found.values[0, 0, 0] == 1.0
    assert "100 % of forecasts (mean of 3 h)" in spoken(found)


def test_a_least_value_counts_in_full() -> None:
    least = cells_since_time_before(CellMethod.MINIMUM, day.STEPS)
    found = measured(with_cells("visibility_m", least, 20_000.0, 20_000.0, 400.0))["visibility"]
    assert found.values[0, 0, 0] == pytest.approx(0.4)
    assert "(least of 3 h)" in spoken(found)


def test_a_front_sees_the_gust_of_an_interval_at_every_time_it_holds() -> None:
    """Steps of one hour, gusts as the greatest of six: 9 m/s, then 16 m/s from 12 h on."""
    time = np.arange(0.0, 25.0) * HOUR
    begin = np.where((time > 0) & (time % (6 * HOUR) == 0), time - 6 * HOUR, np.nan)
    gust = np.where(np.isnan(begin), np.nan, np.where(time <= 12 * HOUR, 9.0, 16.0))
    calm = {"wind_u_10m_mps": np.full((1, 25), 5.0), "wind_v_10m_mps": np.zeros((1, 25))}
    fields = {**calm, "gust_mps": gust[None]}
    cells = {"gust_mps": TimeCells(CellMethod.MAXIMUM, begin)}
    least, _ = front_signs(SurfaceSeries(time, fields, cells), 46.0)
    steady, _ = front_signs(SurfaceSeries(time, calm), 46.0)
    grown = np.flatnonzero(least[0] > steady[0])
    assert (time[grown] / HOUR).tolist() == [7, 8, 9, 10, 11, 12]


@pytest.mark.parametrize(
    "cells",
    [
        {"gust_mps": TimeCells(CellMethod.MAXIMUM, day.STEPS)},  # without length
        {"gust_mps": TimeCells(CellMethod.MAXIMUM, day.STEPS[1:] - 1.0)},
        {"gust_mps": TimeCells(CellMethod.POINT, day.STEPS - 1.0)},
        {"lifted_index_k": TimeCells(CellMethod.MEAN, day.STEPS - 1.0)},
    ],
)
def test_intervals_that_cannot_be_are_refused(cells: dict[str, TimeCells]) -> None:
    with pytest.raises(InputError):
        replace(day.surface(), cells=cells)
