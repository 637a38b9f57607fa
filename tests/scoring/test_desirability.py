"""Desirability against its published example, and its plain properties."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from windowwatch.errors import InputError
from windowwatch.scoring.answer import desirability, weighted_geometric_mean

NUMBERS = st.floats(-1e6, 1e6, allow_nan=False)


def test_published_example_of_the_tyre_tread() -> None:
    """G. Derringer and R. Suich, J. Quality Technology 12 (1980) 214-219: four responses.

    Bounds as printed; the optimum 129.5, 1300, 465.7, 68 is printed rounded, and so are its
    desirabilities 0.189, 1, 0.656, 0.932 and the overall 0.583. A target between two bounds
    is the lesser of two one-sided desirabilities.
    """
    abrasion = desirability(129.5, 170.0, 120.0, higher_is_better=True)
    modulus = desirability(1300.0, 1300.0, 1000.0, higher_is_better=True)
    elongation = np.minimum(
        desirability(465.7, 500.0, 400.0, higher_is_better=True),
        desirability(465.7, 500.0, 600.0, higher_is_better=False),
    )
    hardness = np.minimum(
        desirability(68.0, 67.5, 60.0, higher_is_better=True),
        desirability(68.0, 67.5, 75.0, higher_is_better=False),
    )
    four = [float(abrasion), float(modulus), float(elongation), float(hardness)]
    assert four == pytest.approx([0.189, 1.0, 0.656, 0.932], abs=1.5e-3)
    assert weighted_geometric_mean(four, np.ones(4)) == pytest.approx(0.583, abs=1.5e-3)


def test_weighted_mean_by_hand() -> None:
    four = [0.8, 0.5, 1.0, 0.9]
    assert weighted_geometric_mean(four, [1, 1, 1, 1]) == pytest.approx(0.36 ** (1 / 4))
    assert weighted_geometric_mean(four, [2, 1, 1, 1]) == pytest.approx(0.288 ** (1 / 5))
    assert weighted_geometric_mean([0.0, 1.0], [1, 5]) == 0.0
    assert weighted_geometric_mean([0.0, 0.5], [0, 5]) == pytest.approx(0.5)


def test_ends_and_exponent() -> None:
    values = [4.0, 5.0, 7.5, 10.0, 11.0, np.nan]
    straight = desirability(values, 5.0, 10.0, higher_is_better=False)
    assert straight[:5].tolist() == [1.0, 1.0, 0.5, 0.0, 0.0]
    assert np.isnan(straight[5])
    bent = desirability(values, 5.0, 10.0, 2.0, higher_is_better=False)
    assert bent[2] == pytest.approx(0.25)
    # Fine and limit in one: the value itself is still fine (a rule says "more than").
    step = desirability([50.0, 50.1], 50.0, 50.0, higher_is_better=False)
    assert step.tolist() == [1.0, 0.0]


@given(NUMBERS, NUMBERS, NUMBERS, NUMBERS, st.floats(0.1, 10.0), st.booleans())
def test_a_worse_value_is_never_more_desirable(
    one: float, other: float, bound: float, width: float, exponent: float, higher: bool
) -> None:
    fine, limit = (bound, bound - abs(width)) if higher else (bound, bound + abs(width))
    worse, better = (
        (min(one, other), max(one, other)) if higher else (max(one, other), min(one, other))
    )
    low, high = (
        float(desirability(v, fine, limit, exponent, higher_is_better=higher))
        for v in (worse, better)
    )
    assert 0.0 <= low <= high <= 1.0


def test_bounds_on_the_wrong_sides_and_other_nonsense_are_refused() -> None:
    with pytest.raises(InputError, match="lower values are better here"):
        desirability(1.0, 10.0, 5.0, higher_is_better=False)
    with pytest.raises(InputError, match="higher values are better here"):
        desirability(1.0, 5.0, 10.0, higher_is_better=True)
    with pytest.raises(InputError, match=r"exponent 0\.0 must be above zero"):
        desirability(1.0, 5.0, 10.0, 0.0, higher_is_better=False)
    with pytest.raises(InputError, match="must lie in 0 to 1"):
        weighted_geometric_mean([0.5, np.nan], [1, 1])
    with pytest.raises(InputError, match="not be negative nor all zero"):
        weighted_geometric_mean([0.5, 0.5], [0, 0])
