"""What reports change in what is not known: hand-worked examples, and the kernels themselves."""

from typing import Any

import made_air
import numpy as np
import pytest

from windowwatch.chase.posterior import (
    KNOT_M,
    NO_GROWTH,
    Normal,
    WindGrowth,
    above,
    condition,
    drawn,
    forget,
    hats,
    kept_share,
    rise_shows,
    wind_prior,
)
from windowwatch.physics.balloon import ascent_rate_mps
from windowwatch.physics.flights import Launches, fly
from windowwatch.physics.paths import fly_path
from windowwatch.physics.sample import air_at
from windowwatch.physics.spread import central_draw, make_draws
from windowwatch.physics.train import FlightTrain
from windowwatch.physics.winderror import FORECAST_ERROR

pytestmark = pytest.mark.chase


def test_a_worked_example() -> None:
    """Two knots, variance 4, covariance 2; one reading of the first: 3, of variance 1.

    By hand: K = (4, 2) / (4 + 1) = (0.8, 0.4); mean (2.4, 1.2); variances 4 - 0.8·4 = 0.8 and
    4 - 0.4·2 = 3.2; covariance 2 - 0.8·2 = 0.4.
    """
    prior = Normal(np.zeros(2), np.array([[4.0, 2.0], [2.0, 4.0]]))
    found = condition(prior, np.array([[1.0, 0.0]]), np.array([3.0]), np.array([1.0]))
    assert found.mean == pytest.approx([2.4, 1.2])
    assert found.covariance == pytest.approx(np.array([[0.8, 0.4], [0.4, 3.2]]))
    assert condition(prior, np.empty((0, 2)), np.empty(0), np.empty(0)) is prior


def test_readings_one_by_one_say_the_same_as_together() -> None:
    prior = wind_prior(FORECAST_ERROR, 30.0)
    heights = np.array([[500.0, 700.0], [4_200.0, 4_400.0], [9_000.0, 9_900.0]])
    shows, said, noise = hats(heights), np.array([2.0, -4.0, 7.0]), np.array([0.3, 0.5, 0.4])
    whole = condition(prior, shows, said, noise)
    part = prior
    for i in range(3):
        part = condition(part, shows[i : i + 1], said[i : i + 1], noise[i : i + 1])
    assert part.mean == pytest.approx(whole.mean, abs=1e-9)
    assert part.covariance == pytest.approx(whole.covariance, abs=1e-9)
    assert np.linalg.eigvalsh(whole.covariance).min() > -1e-9


def test_what_is_forgotten_is_the_prior_again() -> None:
    prior = wind_prior(FORECAST_ERROR, 30.0)
    known = condition(prior, hats(np.full((1, 2), 5_000.0)), np.array([6.0]), np.array([0.2]))
    size = KNOT_M.size
    assert forget(known, prior, np.ones(size)).covariance == pytest.approx(known.covariance)
    gone = forget(known, prior, np.zeros(size))
    assert gone.mean == pytest.approx(np.zeros(size))
    assert gone.covariance == pytest.approx(prior.covariance)


def test_the_difference_after_some_time_is_the_growth_that_is_claimed() -> None:
    """Drawn: an error now, and the same after its time, differ as `WindGrowth` says."""
    prior = wind_prior(FORECAST_ERROR, 48.0)
    growth = WindGrowth((0.0,), (4.0,), 1.0, 2.0, "made up")
    hour, near = np.full(KNOT_M.size, 5_400.0), np.full(KNOT_M.size, 50_000.0)
    kept = kept_share(growth, prior, hour, near)
    stream = np.random.default_rng(5)
    now = drawn(prior, stream.standard_normal((20_000, KNOT_M.size)))
    new = drawn(prior, stream.standard_normal((20_000, KNOT_M.size)))
    later = kept * now + np.sqrt(1.0 - kept**2) * new
    claimed = 0.5 * (16.0 * 0.25 + 4.0 * 0.5)
    assert np.mean((later - now) ** 2, axis=0) == pytest.approx(claimed, rel=0.05)
    assert kept_share(NO_GROWTH, prior, hour, near) == pytest.approx(1.0)


def test_what_has_not_burst_yet_keeps_the_shape_of_its_law() -> None:
    """Of a unit normal above 1: mean φ(1) / (1 - Φ(1)) = 1.5251 (tables of the inverse Mills
    ratio)."""
    z = np.random.default_rng(3).standard_normal(40_000)
    found = above(z, np.ones(z.size))
    assert found.min() >= 1.0
    assert found.mean() == pytest.approx(1.5251, abs=0.01)
    assert above(z, np.full(z.size, -9.0)) == pytest.approx(z)


def test_lift_and_drag_move_the_rate_as_they_are_said_to() -> None:
    train = FlightTrain(1.2, 1.6, 2.8, 8.6, 2.5, balloon_drag_coefficient=0.3)
    row = rise_shows(train, hats(np.full((1, 1), 5_000.0)))[0]
    base = float(ascent_rate_mps(train, 54_000.0, 255.0))
    more = FlightTrain(1.2, 1.6, 2.8 * np.exp(0.1 * 0.03), 8.6, 2.5, balloon_drag_coefficient=0.3)
    rise = np.log(float(ascent_rate_mps(more, 54_000.0, 255.0)) / base) / 0.1
    assert row[0] == pytest.approx(rise, rel=0.02)
    assert row[1] == pytest.approx(-0.5 * train.drag_sigma)
    assert row[2:].sum() == pytest.approx(1.0)


def wind(time: Any, latitude: Any, longitude: Any, height: Any) -> tuple[Any, Any]:
    return 8.0 + 1e-3 * height, 3.0 - 2e-4 * height + 2.0 * (latitude - 46.0)


def test_the_air_along_a_flight_is_the_air_that_the_flight_met() -> None:
    grid = made_air.grid(wind)
    path = fly_path(grid, made_air.launches(46.0, -36.0, 100.0), made_air.train(), central_draw(1))
    seen = air_at(grid, path.time_unix_s, path.latitude_deg, path.longitude_deg, path.height_m)
    assert seen[:, 0] == pytest.approx(path.u_mps, abs=2e-3)
    assert seen[:, 1] == pytest.approx(path.v_mps, abs=2e-3)
    assert np.isnan(air_at(grid, path.time_unix_s[0], 89.0, 0.0, 100.0)).all()


def test_a_flight_taken_up_at_its_burst_lands_where_the_whole_flight_does() -> None:
    grid, train, start = made_air.grid(wind), made_air.train(), made_air.launches(46.0, -36.0)
    draws = make_draws(
        train, start, count=9, watch="w", cycle_id="c", site="s", cycle_unix_s=made_air.MONDAY
    )
    whole = fly(grid, start, train, draws)
    for d in range(9):
        at = tuple(
            x[0, 0, d : d + 1]
            for x in (whole.burst_latitude_deg, whole.burst_longitude_deg, whole.burst_height_m,
                      whole.burst_time_unix_s)
        )  # fmt: skip
        lat, lon, high, when = at
        fall = fly(grid, Launches(lat, lon, high, when, np.array([True])), train, draws)
        assert fall.landing_latitude_deg[0, 0, d] == pytest.approx(
            whole.landing_latitude_deg[0, 0, d], abs=2e-5
        )
        assert fall.landing_time_unix_s[0, 0, d] == pytest.approx(
            whole.landing_time_unix_s[0, 0, d], abs=1.0
        )
        assert fall.burst_height_m[0, 0, d] == at[2]
