"""What the ground or the wind does not say never makes a landing look harmless."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from windowwatch.ground.build.walking import _step_times_s
from windowwatch.scoring.checks.casualty import HARMLESS_BELOW_J, Impact, casualty_expectation

pytestmark = pytest.mark.missing

HEIGHTS = st.lists(st.floats(0.0, 500.0), min_size=9, max_size=9)


def test_wind_is_a_part_of_the_energy() -> None:
    # 1 kg sinking at 3 m/s has 4.5 J, less than harmless; the wind of 14.66 m/s brings 112 J.
    light = Impact(1.0, 0.09, 10.0)
    assert HARMLESS_BELOW_J > 0.5 * 3.0**2
    assert float(casualty_expectation(light, 3.0, 0.0, 1000.0)) == 0.0
    assert float(casualty_expectation(light, 3.0, 14.66, 1000.0)) > 0.0
    assert np.isnan(casualty_expectation(light, 3.0, np.nan, 1000.0))


@given(HEIGHTS, st.sets(st.integers(0, 8), max_size=9))
def test_taking_heights_away_never_makes_a_step_sooner(
    heights: list[float], gone: set[int]
) -> None:
    speed = np.full((3, 3), 1.0, dtype=np.float32)
    whole = np.array(heights, dtype=np.float32).reshape(3, 3)
    part = whole.copy()
    part.ravel()[list(gone)] = np.nan
    for step in ((0, 1), (1, 0), (1, 1), (1, -1)):
        for full, less in zip(
            _step_times_s(25.0, speed, whole, step),
            _step_times_s(25.0, speed, part, step),
            strict=True,
        ):
            assert np.all(less >= full)
