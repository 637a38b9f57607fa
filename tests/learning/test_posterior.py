"""Made errors of known size are found, and corners that nobody saw stay as they were."""

import numpy as np
import pytest
from made_answers import FIRST, forecasts

from windowwatch.clock import to_unix_s
from windowwatch.learning.posterior import learn_surface, learn_wind
from windowwatch.learning.record import pairs_of
from windowwatch.physics.winderror import FORECAST_ERROR, SURFACE_ERROR

pytestmark = pytest.mark.learning

UNTIL = to_unix_s(FIRST) + 60 * 86_400.0


@pytest.mark.parametrize("factor", [2.0, 0.5, 1.0])
def test_measured_errors_are_found_to_a_tenth_in_sixty_days(factor: float) -> None:
    pairs = pairs_of(forecasts(60, factor, measured=True, seed=1), "gfs", UNTIL)
    wind = learn_wind(pairs, FORECAST_ERROR)
    found = np.exp(np.mean(np.log(wind.factor)))
    corners = wind.factor
    below = learn_surface(pairs, SURFACE_ERROR)
    print(f"{factor}: wind {found:.3f} ({corners.min():.2f} to {corners.max():.2f} in single "
          f"corners), surface {np.round(below.factor, 2)}")  # fmt: skip
    assert found == pytest.approx(factor, rel=0.1)
    assert np.all(np.abs(np.log(corners / factor)) < np.log(1.3))
    assert np.exp(np.mean(np.log(below.factor))) == pytest.approx(factor, rel=0.15)


@pytest.mark.parametrize("factor", [2.0, 0.5])
def test_growth_since_the_last_word_is_found_and_the_analysis_left_alone(factor: float) -> None:
    pairs = pairs_of(forecasts(60, factor, measured=False, seed=2), "gfs", UNTIL)
    wind = learn_wind(pairs, FORECAST_ERROR)
    before, now = np.asarray(wind.prior_mps), np.asarray(wind.vector_rmse_mps)
    assert np.array_equal(now[0], before[0])
    grown = np.sqrt((now[1:] ** 2 - before[0] ** 2) / (before[1:] ** 2 - before[0] ** 2))
    print(f"{factor}: growth {np.exp(np.mean(np.log(grown))):.3f}, rows {np.round(grown, 2)}")
    assert np.exp(np.mean(np.log(grown))) == pytest.approx(factor, rel=0.1)


def test_corners_that_nobody_saw_stay_at_the_prior() -> None:
    answers = forecasts(30, 2.0, measured=True, seed=3, top_m=13_000.0)
    wind = learn_wind(pairs_of(answers, "gfs", UNTIL), FORECAST_ERROR)
    table, prior = np.asarray(wind.vector_rmse_mps), np.asarray(FORECAST_ERROR.vector_rmse_mps)
    assert np.array_equal(table[:, 4:], prior[:, 4:])
    assert np.all(np.asarray(wind.days)[:, 4:] == 0.0)
    assert np.all(table[:, :3] > 1.2 * prior[:, :3])


def test_few_days_move_little() -> None:
    answers = forecasts(9, 2.0, measured=True, seed=4)
    few = learn_wind(pairs_of(answers, "gfs", to_unix_s(FIRST) + 8 * 86_400.0), FORECAST_ERROR)
    assert np.all(np.asarray(few.days)[5] <= 3.0)  # seven days ahead, of eight that went by
    assert np.all(few.factor[5] < 1.6)
