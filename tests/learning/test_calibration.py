"""Chances that are worth what they say are left alone; others are mended on days not yet seen."""

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import ndtr
from sklearn.linear_model import LogisticRegression
from sklearn.metrics import brier_score_loss

from windowwatch.learning.calibration import FEWEST_DAYS, ChanceMap, fit_map, logistic

pytestmark = pytest.mark.learning

FloatArray = NDArray[np.float64]
SPAN = (0.0, 36.0)


def weeks(
    stream: np.random.Generator, days: int, slope: float = 1.0, hours: int = 10
) -> tuple[FloatArray, FloatArray, NDArray[np.intp]]:
    """Chances, what came, and days. True odds are `slope` times those that are told.

    Chances of one day are alike, and so are their outcomes: hours of a day go by one weather.
    """
    day = np.repeat(np.arange(days), hours)
    level = np.repeat(stream.normal(0.3, 1.5, days), hours) + stream.normal(0.0, 0.7, day.size)
    true = 1.0 / (1.0 + np.exp(-slope * level))
    weather = 0.9 * np.repeat(stream.normal(size=days), hours)
    came = ndtr(weather + np.sqrt(1.0 - 0.9**2) * stream.normal(size=day.size)) < true
    return 1.0 / (1.0 + np.exp(-level)), came.astype(np.float64), day


@pytest.mark.parametrize("days", [20, 60])
def test_calibrated_chances_are_left_alone(days: int) -> None:
    stream = np.random.default_rng(11)
    mended = sum(fit_map("gfs", SPAN, *weeks(stream, days)).mends for _ in range(200))
    print(f"{days} days: {mended} of 200 repeats mended what needed nothing")
    assert mended <= 10


def test_chances_of_the_last_word_are_left_alone_too() -> None:
    # what came is itself a chance, and the one told is its mean: nothing to learn
    stream = np.random.default_rng(12)
    mended = 0
    for _ in range(100):
        day = np.repeat(np.arange(40), 10)
        level = np.repeat(stream.normal(0.0, 1.2, 40), 10)
        told, last = ndtr(level), ndtr(level * np.sqrt(2.0) + stream.normal(size=day.size))
        mended += fit_map("gfs", SPAN, told, last, day).mends
    assert mended <= 5


@pytest.mark.parametrize("slope", [0.4, 1.9])
def test_what_is_too_sure_or_too_shy_is_mended_out_of_sample(slope: float) -> None:
    stream = np.random.default_rng(13)
    better, before, after = 0, 0.0, 0.0
    for _ in range(20):
        learned = fit_map("gfs", SPAN, *weeks(stream, 90, slope))
        chance, came, _ = weeks(stream, 400, slope)
        plain, mended = (brier_score_loss(came, p) for p in (chance, learned.mended(chance)))
        before, after = before + plain / 20, after + mended / 20
        better += mended < plain
        if learned.mends:
            assert abs(learned.slope - 1.0) < abs(slope - 1.0) + 0.35
    print(f"true slope {slope}: Brier {before:.4f} to {after:.4f}, better in {better} of 20")
    assert better >= 15
    assert after < before


def test_order_stays_and_ends_stay() -> None:
    stream = np.random.default_rng(14)
    learned = fit_map("gfs", SPAN, *weeks(stream, 120, 0.3))
    assert learned.mends
    chance = np.array([0.0, 0.1, 0.5, 0.9, 1.0, np.nan])
    mended = learned.mended(chance)
    assert mended[0] == 0.0
    assert np.isnan(mended[-1])
    assert np.all(np.diff(mended[:-1]) > 0.0)
    assert mended[4] < 1.0


def test_few_days_and_one_kind_of_chance_mend_nothing() -> None:
    stream = np.random.default_rng(15)
    few = fit_map("gfs", SPAN, *weeks(stream, FEWEST_DAYS - 1, 0.1))
    assert not few.mends
    assert few.days == FEWEST_DAYS - 1
    chance, came, day = weeks(stream, 40)
    assert not fit_map("gfs", SPAN, np.full_like(chance, 0.7), came, day).mends
    assert not fit_map("gfs", SPAN, np.full_like(chance, np.nan), came, day).mends
    assert np.isnan(ChanceMap("gfs", *SPAN, 0, 0).mended(np.array([np.nan]))).all()


def test_the_regression_is_that_of_scikit_learn() -> None:
    stream = np.random.default_rng(16)
    chance, came, day = weeks(stream, 60, 0.6)
    odds = np.log(chance / (1.0 - chance))
    found, covariance = logistic(np.stack([np.ones_like(odds), odds], axis=1), came, day, 1e-9)
    theirs = LogisticRegression(C=1e9, tol=1e-10, max_iter=1_000).fit(odds[:, None], came)
    assert found == pytest.approx([theirs.intercept_[0], theirs.coef_[0, 0]], rel=1e-4)
    assert np.all(np.linalg.eigvalsh(covariance) > 0.0)


def test_the_covariance_by_days_is_as_wide_as_repeats_are() -> None:
    stream = np.random.default_rng(17)
    slopes, said = [], []
    for _ in range(150):
        chance, came, day = weeks(stream, 80)
        odds = np.clip(np.log(chance / (1.0 - chance)), -4.0, 4.0)
        found, covariance = logistic(np.stack([np.ones_like(odds), odds], axis=1), came, day)
        slopes.append(found)
        said.append(np.sqrt(np.diag(covariance)))
    assert np.mean(said, axis=0) == pytest.approx(np.std(slopes, axis=0), rel=0.3)
