"""The conjugate update, against a printed example, brute force, and its own claims."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from math import exp, log

import made_air
import numpy as np
import pytest
from scipy import stats

from windowwatch.learning.balloons import (
    Belief,
    Lesson,
    Seen,
    Trait,
    courses,
    kit_of,
    learned,
    prior,
    train_lines,
    weight_of,
)

pytestmark = pytest.mark.learning

#: Newcomb's times of light, 66 of them: A. Gelman et al., "Bayesian Data Analysis", third edition
#: (2013), section 3.2, printed there: mean 26.2, deviation 10.8, and for the mean the central
#: 95 % interval 23.6 to 28.8 with no prior. Numbers from memory; mean and deviation check them.
NEWCOMB = [
    28, 26, 33, 24, 34, -44, 27, 16, 40, -2, 29, 22, 24, 21, 25, 30, 23, 29, 31, 19, 24, 20, 36, 32,
    36, 28, 25, 21, 28, 29, 37, 25, 28, 26, 30, 32, 36, 26, 30, 22, 36, 23, 27, 27, 28, 27, 31, 27,
    26, 33, 26, 32, 32, 24, 39, 28, 24, 25, 32, 25, 29, 27, 28, 29, 16, 23,
]  # fmt: skip


def test_the_printed_example() -> None:
    assert np.mean(NEWCOMB) == pytest.approx(26.2, abs=0.05)
    assert np.std(NEWCOMB, ddof=1) == pytest.approx(10.8, abs=0.06)
    belief = Belief(0.0, 1e-12, -1.0, 0.0, 1.0)  # no prior at all
    for each in NEWCOMB:
        belief = learned(belief, float(each))
    assert belief.degrees == 65.0
    scale = np.sqrt(belief.scale2 / belief.weight)
    low, high = stats.t.interval(0.95, belief.degrees, belief.mean, scale)
    assert low == pytest.approx(23.6, abs=0.06)
    assert high == pytest.approx(28.8, abs=0.06)
    assert belief.mean_sigma == pytest.approx(stats.t.std(65.0, scale=scale))


def test_the_closed_form_is_bayes_rule_on_a_grid() -> None:
    """Weighted flights: posterior of mean and variance by brute force over both."""
    first = prior(8.63, 0.06)
    flights = [(log(8.1), 1.0), (log(8.3), 0.4), (log(7.9), 0.8), (log(8.9), 0.15)]
    found = first
    for x, w in flights:
        found = learned(found, x, w)
    mean = np.linspace(first.mean - 0.3, first.mean + 0.3, 601)[:, np.newaxis]
    variance = np.geomspace(1e-5, 0.2, 800)[np.newaxis]
    # scaled inverse chi-square, density by the logarithm of variance
    half = first.degrees / 2.0
    density = stats.invgamma.logpdf(variance, half, scale=half * first.scale2) + np.log(variance)
    density = density + stats.norm.logpdf(mean, first.mean, np.sqrt(variance / first.weight))
    for x, w in flights:
        density = density + stats.norm.logpdf(x, mean, np.sqrt(variance / w))
    share = np.exp(density - density.max())
    share /= share.sum()
    middle = float(np.sum(share * mean))
    assert found.mean == pytest.approx(middle, abs=1e-4)
    assert found.mean_sigma == pytest.approx(
        np.sqrt(np.sum(share * (mean - middle) ** 2)), rel=0.01
    )
    backwards = first
    for x, w in reversed(flights):
        backwards = learned(backwards, x, w)
    assert backwards.mean == pytest.approx(found.mean)
    assert backwards.scale2 == pytest.approx(found.scale2)


def test_before_any_flight_the_next_one_is_as_doubtful_as_its_settings_say() -> None:
    first = prior(0.75, 0.2)
    assert exp(first.mean) == pytest.approx(0.75)
    assert first.next_sigma == pytest.approx(0.2)
    assert weight_of(first, 0.0) == 1.0
    assert weight_of(first, np.sqrt(first.usual2)) == pytest.approx(0.5)


@pytest.mark.parametrize("factor", [0.9, 1.15])
def test_invented_balloons_are_learned_and_the_doubt_is_true(factor: float) -> None:
    """Six flights of 200 kinds each: nine in ten next flights are within the 90 % bounds."""
    stream, train = np.random.default_rng(5), made_air.train()
    kit, inside = kit_of(train), []
    for number in range(200):
        true = log(train.burst_diameter_m) + stream.normal(log(factor), 0.01)
        lessons = [
            Lesson(
                f"{number}-{flight}", datetime(2026, 5, 1 + flight, tzinfo=UTC), kit, train,
                (Seen(Trait.BURST, true + stream.normal(0.0, 0.05) + stream.normal(0.0, 0.02),
                      0.02),),
            )
            for flight in range(6)
        ]  # fmt: skip
        (course,) = courses(lessons)
        last = course.last
        inside.append(abs(true + stream.normal(0.0, 0.05) - last.mean) < 1.645 * last.next_sigma)
        assert abs(last.mean - true) < abs(course.first.mean - true)
    assert 0.83 <= np.mean(inside) <= 0.97


def test_settings_lines_name_what_flights_of_such_a_kit_say_and_nothing_else() -> None:
    train = made_air.train()
    kit, began = kit_of(train), datetime(2026, 5, 1, tzinfo=UTC)
    seen = (Seen(Trait.BURST, log(7.9), 0.02), Seen(Trait.CANOPY, log(0.9), 0.05),
            Seen(Trait.DRAG, log(1.1), 9.0))  # fmt: skip
    lessons = [Lesson(str(n), began + timedelta(days=n), kit, train, seen) for n in range(4)]
    other = Lesson("other", began, kit_of(train, "from Ada"), train, seen)
    lines = train_lines(train, kit, courses([*lessons, other]))
    assert [each.key for each in lines] == ["burst_diameter_m", "parachute_drag_coefficient"]
    burst, canopy = lines
    assert burst.flights == 4
    assert 7.9 < burst.value < 8.63
    assert canopy.flights == 5, "the same canopy under another balloon"
    assert burst.value_sigma < burst.sigma
    later = replace(train, burst_diameter_m=burst.value, burst_sigma=burst.sigma)
    again = [replace(each, train=later) for each in lessons[1:]]
    assert train_lines(later, kit, courses([lessons[0], *again]))[0].value == pytest.approx(
        burst.value
    ), "what was learned does not come in again as a prior"
    on_a_number = replace(train, balloon_drag_coefficient=0.3)
    assert len(courses([replace(lessons[0], train=on_a_number), lessons[1]])) == 4
