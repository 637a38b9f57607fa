"""Intervals of shares against scipy and its published formula; what flights are worth."""

import numpy as np
import pytest
from scipy.stats import binomtest, norm

from windowwatch.scoring.answer import Z_95, independent_count, wilson_interval


def test_normal_point() -> None:
    assert pytest.approx(norm.ppf(0.975), rel=1e-12) == Z_95


@pytest.mark.parametrize("count", [1, 7, 16, 31, 112])
def test_wilson_agrees_with_scipy(count: int) -> None:
    for hits in range(count + 1):
        expected = binomtest(hits, count).proportion_ci(0.95, method="wilson")
        assert wilson_interval(hits / count, count) == pytest.approx(
            (expected.low, expected.high), abs=1e-12
        )


def test_nothing_in_31_members_still_leaves_eleven_percent() -> None:
    # Brown, Cai and DasGupta (2001) recommend this interval for small numbers; value: scipy.
    low, high = wilson_interval(0.0, 31)
    assert low == 0.0
    assert high == pytest.approx(0.1103, abs=5e-5)


def test_one_member_or_one_draw_counts_every_flight() -> None:
    assert independent_count(np.array([[True, False, True]])) == 3.0
    assert independent_count(np.array([[True], [False], [True]])) == 3.0


def test_draws_of_one_member_are_one_voice_when_only_the_member_matters() -> None:
    passes = np.zeros((7, 16), dtype=bool)
    passes[:6] = True  # one member is wholly past a limit
    assert independent_count(passes) == 7.0


def test_draws_count_in_full_when_all_members_agree() -> None:
    passes = np.zeros((7, 16), dtype=bool)
    passes[:, :12] = True
    assert independent_count(passes) == 112.0


def test_between_the_two_the_scatter_of_the_members_decides() -> None:
    passes = np.zeros((4, 10), dtype=bool)
    for member, good in enumerate((10, 8, 6, 4)):
        passes[member, :good] = True
    # Shares 1, .8, .6, .4: mean .7; variance .0667; over 4 members .01667. .21 / .01667.
    assert independent_count(passes) == pytest.approx(0.21 / (0.2 / 3 / 4))
