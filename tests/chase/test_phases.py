"""What state a flight is in, out of sparse and noisy reports."""

from datetime import timedelta

import numpy as np
import pytest
from numpy.typing import NDArray

from windowwatch.chase.phases import Phase, State, Track, state_of, thinned
from windowwatch.clock import from_unix_s

pytestmark = pytest.mark.chase

START_S = 1_777_971_600.0
RELEASE = (46.0, -36.0, 120.0)
FloatArray = NDArray[np.float64]


def flight(every_s: float, *, noise_m: float = 0.0, seed: int = 1, wait_s: float = 600.0) -> Track:
    """Waits, rises at 5 m/s to 30 km, falls at 25 m/s up there and 6 m/s below, lies."""
    time = np.arange(0.0, wait_s + 10_000.0, every_s)
    flown = time - wait_s
    up = np.where(flown > 0.0, 120.0 + 5.0 * flown, 120.0)
    since = flown - 29_880.0 / 5.0
    knots_s, knots_m = [0.0, 600.0, 1_200.0, 2_100.0, 3_000.0], [3e4, 15e3, 7e3, 1e3, 120.0]
    height = np.where(since > 0.0, np.interp(since, knots_s, knots_m), up)
    down_s = wait_s + 29_880.0 / 5.0 + 3_000.0
    north = np.interp(time, [wait_s, down_s], [0.0, 80_000.0])
    stream = np.random.default_rng(seed)
    doubt = np.full(time.size, max(noise_m, 5.0))
    return Track(
        START_S + time,
        46.0 + (north + stream.normal(0.0, 1.0, time.size) * 5.0) / 111_195.0,
        np.full(time.size, -36.0),
        height + noise_m * stream.normal(0.0, 1.0, time.size),
        np.full(time.size, 10.0),
        doubt,
    )


def at(track: Track, second: float, *, later_s: float = 1.0) -> State:
    """State by the reports up to a time."""
    heard = track.part(track.time_unix_s <= START_S + second)
    last = float(heard.time_unix_s[-1]) if heard.size else START_S
    return state_of(heard, RELEASE, from_unix_s(last + later_s), ground_m=120.0, canopy_mps=20.0)


BURST_S = 600.0 + 5_976.0


@pytest.mark.parametrize("every_s", [10.0, 60.0, 300.0])
@pytest.mark.parametrize("noise_m", [5.0, 40.0])
def test_a_flight_goes_through_its_phases(every_s: float, noise_m: float) -> None:
    track = flight(every_s, noise_m=noise_m)
    assert at(track, 550.0).phase is Phase.WAITING
    assert at(track, 1_900.0).phase is Phase.RISING
    assert at(track, BURST_S - every_s - 1.0).phase is Phase.RISING
    falling = at(track, BURST_S + 2.0 * every_s + 60.0)
    assert falling.phase is Phase.FALLING
    assert falling.burst is not None
    assert falling.burst.after_unix_s - every_s <= START_S + BURST_S
    assert falling.burst.before_unix_s + 1.0 >= START_S + BURST_S
    assert at(track, BURST_S + 2_700.0).phase is Phase.NEAR_GROUND
    assert at(track, BURST_S + 3_900.0).phase is Phase.DOWN


@pytest.mark.parametrize("every_s", [10.0, 60.0, 300.0])
def test_a_release_that_nobody_ticked_is_noticed(every_s: float) -> None:
    found = at(flight(every_s, noise_m=10.0), 1_900.0).released_utc
    assert found is not None
    assert abs((found - from_unix_s(START_S + 600.0)).total_seconds()) <= max(30.0, every_s / 4)


def test_one_wild_height_is_no_burst() -> None:
    track = flight(60.0, noise_m=10.0)
    for row, height_m in ((40, 29_000.0), (60, 3_000.0)):
        track.height_m[row] = height_m
    assert at(track, 60.0 * 62).phase is Phase.RISING
    assert at(track, BURST_S - 120.0).phase is Phase.RISING


def test_a_gap_over_the_burst_is_read_from_both_sides() -> None:
    track = flight(60.0, noise_m=10.0)
    gap = (track.time_unix_s < START_S + BURST_S - 600.0) | (
        track.time_unix_s > START_S + BURST_S + 600.0
    )
    found = at(track.part(gap), BURST_S + 800.0)
    assert found.phase is Phase.FALLING
    assert found.burst is not None
    assert found.burst.after_unix_s <= START_S + BURST_S <= found.burst.before_unix_s


def test_floating_and_falling_free() -> None:
    track = flight(60.0, noise_m=10.0)
    late = track.time_unix_s > START_S + 4_000.0
    level = track.height_m.copy()
    level[late] = level[~late][-1]
    floats = Track(**{**vars(track), "height_m": level})
    assert at(floats, 5_000.0).phase is Phase.FLOATING
    since = track.time_unix_s - START_S - BURST_S
    stone = np.where(since > 0.0, 30_000.0 - 70.0 * since, track.height_m)
    falls = Track(**{**vars(track), "height_m": stone})
    assert at(falls, BURST_S + 300.0).phase is Phase.FALLING_FREE


def test_silence_is_told_and_what_must_have_landed_is_down() -> None:
    track = flight(60.0, noise_m=10.0)
    high = at(track, 3_000.0, later_s=900.0)
    assert (high.phase, high.silent) == (Phase.RISING, True)
    assert high.age == timedelta(seconds=900)
    low = at(track, BURST_S + 2_400.0, later_s=3_600.0)
    assert (low.phase, low.silent) == (Phase.DOWN, False)


def test_a_drive_with_the_payload_on_board_is_no_flight() -> None:
    time = START_S + np.arange(0.0, 3_600.0, 60.0)
    north = np.linspace(0.0, 40_000.0, time.size)
    car = Track(
        time, 46.0 + north / 111_195.0, np.full(time.size, -36.0),
        np.full(time.size, 125.0), np.full(time.size, 10.0), np.full(time.size, 20.0),
    )  # fmt: skip
    assert state_of(car, RELEASE, from_unix_s(time[-1])).phase is Phase.WAITING


def test_no_reports_and_thinning() -> None:
    assert state_of(flight(60.0).part(slice(0, 0)), RELEASE, from_unix_s(START_S)).phase is (
        Phase.WAITING
    )
    many = flight(1.0)
    few = thinned(many)
    assert few.size <= 1_500
    assert few.time_unix_s[-1] == many.time_unix_s[-1]
    assert np.diff(few.time_unix_s[:-1]).min() >= 19.0
