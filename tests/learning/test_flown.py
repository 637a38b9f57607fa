"""Invented flights whose lift, drag, burst and canopy are known, found again from their tracks."""

from dataclasses import replace
from datetime import timedelta
from functools import cache
from math import exp, log

import made_air
import numpy as np
import pytest
from scipy import stats

from windowwatch.chase.flown import Flown, LandingBy, Odd, flown
from windowwatch.chase.phases import Track
from windowwatch.chase.values import Begun, Closing, Outcome
from windowwatch.clock import from_unix_s
from windowwatch.errors import InputError
from windowwatch.physics.balloon import ascent_rate_mps, burst_height_m
from windowwatch.physics.flights import Launches
from windowwatch.physics.paths import fly_path, fly_paths
from windowwatch.physics.spread import central_draw, make_draws
from windowwatch.physics.train import FlightTrain
from windowwatch.physics.windgrid import WindGrid

pytestmark = pytest.mark.learning

SAID = made_air.train()
WHERE = (46.0, -35.0, 420.0)
HOUR = made_air.MONDAY + 6 * 3_600.0


@cache
def air() -> WindGrid:
    """Winds that grow with height and turn."""
    return made_air.grid(lambda t, y, x, z: (4.0 + 6e-4 * z, 3.0 - 2e-4 * z), terrain_m=WHERE[2])


def track(train: FlightTrain, every_s: float = 30.0, noise_m: float = 8.0, seed: int = 1) -> Track:
    """What a tracker says of a flight through the air, from the release to five minutes at rest."""
    start = Launches(*(np.array([x]) for x in (*WHERE, HOUR)))
    path = fly_path(air(), start, train, central_draw(1))
    time = np.arange(0.0, path.time_unix_s[-1] + 300.0 - HOUR, every_s) + HOUR
    lat, lon, high = (np.interp(time, path.time_unix_s, x)
                      for x in (path.latitude_deg, path.longitude_deg, path.height_m))  # fmt: skip
    up = np.random.default_rng(seed).normal(0.0, noise_m, time.size)
    up[time > path.time_unix_s[-1]] = 0.0
    doubt = np.full(time.size, 10.0)
    return Track(time, lat, lon, high + up, doubt, doubt)


def begun(train: FlightTrain = SAID) -> Begun:
    return Begun("flight", "Invented", from_unix_s(HOUR), *WHERE, train)


def measured(truth: FlightTrain, **given: object) -> Flown:
    return flown(begun(), track(truth), air=air(), **given)  # type: ignore[arg-type]


def test_drag_burst_and_canopy_are_found_back_within_their_doubt() -> None:
    truth = replace(SAID, drag_factor=1.2, burst_diameter_m=7.9, parachute_drag_coefficient=0.95)
    found = measured(truth)
    for each, value, at_most in ((found.drag, 1.2, 0.12), (found.burst, 7.9, 0.02),
                                 (found.canopy, 0.95, 0.08)):  # fmt: skip
        assert each is not None
        assert each.sigma <= at_most, "it must say something"
        assert each.log_value == pytest.approx(log(value), abs=0.5 * at_most)
    top = burst_height_m(truth)
    assert found.burst_height_m == pytest.approx(top, abs=150.0)
    assert {each.odd for each in found.odd} == set(), "none of it is two standard deviations off"
    assert found.landing_by is LandingBy.AT_REST
    assert found.landing_mps == pytest.approx(found.falls[0].measured_mps, rel=0.15)
    assert [each.measured_mps for each in found.falls] == sorted(
        each.measured_mps for each in found.falls
    ), "faster in thin air"


def test_the_lift_that_was_read_wrongly_is_found_where_drag_is_as_reckoned() -> None:
    found = measured(replace(SAID, nozzle_lift_kg=SAID.nozzle_lift_kg * 0.9))
    assert found.lift_kg == pytest.approx(SAID.nozzle_lift_kg * 0.9, rel=0.01)
    assert found.drag is not None
    assert exp(found.drag.log_value) > 1.1, "one rate cannot tell lift from drag"
    unread = measured(SAID, lift_measured=False)
    assert unread.drag is not None
    assert unread.drag.sigma > 1.5 * found.drag.sigma, "a lift that nobody read says less of drag"


def test_all_is_as_said_when_it_flies_as_said() -> None:
    found = measured(SAID)
    for each in (found.drag, found.burst, found.canopy):
        assert each is not None
        assert abs(each.log_value - each.expected) < 0.02
    for rate in (*found.rises, *found.falls):
        assert rate.measured_mps == pytest.approx(rate.reckoned_mps, rel=0.03)
    plain = flown(begun(), track(SAID))
    assert plain.burst is not None
    assert found.burst is not None
    assert plain.burst.sigma > found.burst.sigma, "without a forecast's air there is more doubt"


@pytest.mark.parametrize("every_s", [60.0, 300.0, 600.0])
def test_sparse_reports_are_doubted_and_not_wrong(every_s: float) -> None:
    found = flown(begun(), track(SAID, every_s), air=air())
    assert found.burst_height_m is not None
    assert found.burst_height_sigma_m is not None
    assert abs(found.burst_height_m - burst_height_m(SAID)) < 3.0 * found.burst_height_sigma_m
    assert found.burst is not None
    assert abs(found.burst.log_value - log(SAID.burst_diameter_m)) < 2.0 * found.burst.sigma


def test_a_fall_without_a_canopy_teaches_nothing_of_canopies() -> None:
    found = measured(replace(SAID, parachute_area_m2=0.15))
    assert found.canopy is None
    assert Odd.FELL_FREE in {each.odd for each in found.odd}


def test_the_landing_is_where_it_was_found_else_where_it_was_last_heard_low() -> None:
    whole = track(SAID)
    end = Closing(Outcome.RECOVERED, from_unix_s(HOUR) + timedelta(hours=6), "Ada", 46.3, -34.2)
    found = flown(begun(), whole, end, air=air())
    assert found.landing_by is LandingBy.FOUND
    assert found.landing == (46.3, -34.2)
    high = int(np.argmax(whole.height_m)) + 12
    lost = flown(begun(), whole.part(slice(None, high)), air=air())
    assert lost.landing_by is None
    assert lost.landing is None
    assert lost.drift_m is None
    assert lost.burst_height_m is not None


def test_tracks_that_measure_nothing_are_refused_in_words() -> None:
    whole = track(SAID)
    bare = replace(whole, height_m=np.full(whole.size, np.nan))
    with pytest.raises(InputError, match="fewer than two used reports have a height"):
        flown(begun(), bare)
    still = whole.part(np.zeros(20, dtype=np.intp))
    still = replace(still, time_unix_s=np.asarray(HOUR + 30.0 * np.arange(20.0), np.float64))
    with pytest.raises(InputError, match="never leaves its release"):
        flown(begun(), still)


def test_the_doubt_of_drag_and_burst_is_true() -> None:
    """Lift, drag, burst and rise by height drawn as they are doubted; one report a minute.

    Bounds on the spread of 16 standardised errors are those of chi-square at one in a thousand.
    """
    count = 17
    start = Launches(*(np.array([x]) for x in (*WHERE, HOUR)))
    draws = make_draws(SAID, start, count=count, watch="w", cycle_id="c", site="s",
                       cycle_unix_s=HOUR)  # fmt: skip
    none, each = np.zeros(count, dtype=np.intp), np.arange(count, dtype=np.intp)
    paths = fly_paths(air(), start, SAID, draws, launch=none, member=none, draw=each)
    stream, errors = np.random.default_rng(3), []
    for number, path in enumerate(paths[1:], start=1):
        time = np.arange(HOUR, path.time_unix_s[-1] + 300.0, 60.0)
        ways = (path.latitude_deg, path.longitude_deg, path.height_m)
        lat, lon, high = (np.interp(time, path.time_unix_s, way) for way in ways)
        high = high + stream.normal(0.0, 8.0, time.size) * (time < path.time_unix_s[-1])
        doubt = np.full(time.size, 10.0)
        found = flown(begun(), Track(time, lat, lon, high, doubt, doubt), air=air())
        assert found.drag is not None
        assert found.burst is not None
        errors.append([
            (m.log_value - m.expected - log(float(true[0, number]))) / m.sigma
            for m, true in ((found.drag, draws.drag), (found.burst, draws.burst))
        ])  # fmt: skip
    low, high_bound = np.sqrt(stats.chi2.ppf([0.0005, 0.9995], count - 2) / (count - 2))
    spread = np.std(errors, axis=0, ddof=1)
    assert np.all((spread > low) & (spread < high_bound)), spread
    assert np.all(np.abs(np.mean(errors, axis=0)) < 3.3 / np.sqrt(count - 1))


def test_a_drag_factor_is_one_on_the_coefficient() -> None:
    times, plain = (made_air.train(balloon_drag_coefficient=0.3, drag_factor=1.2),
                    made_air.train(balloon_drag_coefficient=0.36))  # fmt: skip
    assert float(ascent_rate_mps(times, 9e4, 280.0)) == pytest.approx(
        float(ascent_rate_mps(plain, 9e4, 280.0)), rel=1e-12
    )
    assert np.allclose(track(times, noise_m=0.1).height_m, track(plain, noise_m=0.1).height_m)
    curve = made_air.train(drag_factor=1.3)
    slower = ascent_rate_mps(curve, 9e4, 280.0) / ascent_rate_mps(made_air.train(), 9e4, 280.0)
    assert 0.8 < float(slower) < 0.9
