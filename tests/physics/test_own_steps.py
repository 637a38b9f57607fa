"""Members with fewer steps than their grid fly as if they had been put onto its times."""

from dataclasses import replace
from typing import Any

import made_air
import numpy as np
import pytest

from windowwatch.physics.ensemble import shown_aloft
from windowwatch.physics.flights import Flights, FlightStatus, Launches, fly
from windowwatch.physics.paths import fly_path
from windowwatch.physics.spread import KNOT_HEIGHT_M, make_draws
from windowwatch.physics.windgrid import OwnSteps, WindGrid

TRAIN = made_air.train()
STEPS_H = np.arange(0.0, 25.0, 3.0)
OWN_H = np.array([0.0, 6.0, 18.0])  # ends before the grid
LAUNCH_H = np.array([-1.0, 1.0, 5.5, 11.0, 15.75, 17.9, 20.0, 25.0])


def _both() -> tuple[WindGrid, WindGrid]:
    """Two members with steps of their own, and the same put onto the grid's times beforehand."""
    control = made_air.grid(lambda *_: (8.0, -3.0))
    shape = control.air.shape[2:]
    rng = np.random.default_rng(7)

    def moving(hours: Any, members: int) -> Any:
        air = np.repeat(np.repeat(control.air[:1, :1], hours.size, axis=1), members, axis=0)
        return (air + rng.normal(size=(members, hours.size, *shape)) * [2.0, 2.0, 0.5, 0.0]).astype(
            np.float32
        )

    start = made_air.MONDAY
    own = OwnSteps(start + 3600.0 * OWN_H, moving(OWN_H, 2))
    apart = replace(
        control,
        time_unix_s=start + 3600.0 * STEPS_H,
        air=moving(STEPS_H, 1),
        member_labels=("control", "member 1", "member 2"),
        own_steps=(own,),
    )
    laid = replace(apart, air=made_air.whole_air(apart), own_steps=())
    return apart, laid


def _flown(grid: WindGrid) -> tuple[Flights, Launches, Any]:
    time = made_air.MONDAY + 3600.0 * LAUNCH_H
    launches = made_air.launches(46.1, -35.2, 0.0, time)
    draws = make_draws(
        TRAIN, launches, count=5, watch="w", cycle_id="c", site="s",
        cycle_unix_s=made_air.MONDAY,
    )  # fmt: skip
    return fly(grid, launches, TRAIN, draws), launches, draws


def test_flights_are_those_through_the_same_air_at_the_grids_times() -> None:
    """Linear between two steps is linear between all that lie between them: no more to it."""
    apart, laid = _both()
    (one, launches, draws), (other, _, _) = _flown(apart), _flown(laid)
    assert np.array_equal(one.status, other.status)
    assert {FlightStatus.LANDED, FlightStatus.LEFT_TIME, FlightStatus.MISSING_AIR} <= set(
        one.status.ravel().tolist()
    )
    down = one.status == FlightStatus.LANDED
    assert down[:, 1:].any()
    for name in ("landing_latitude_deg", "landing_longitude_deg", "burst_latitude_deg"):
        apart_deg = getattr(one, name)[down] - getattr(other, name)[down]
        assert np.abs(apart_deg).max() < 1e-6, "less than 0.2 m: rounding to float32 alone"
    path = fly_path(apart, launches, TRAIN, draws, launch=2, member=2, draw=3)
    assert path.latitude_deg[-1] == one.landing_latitude_deg[2, 2, 3]


def test_beyond_its_own_steps_a_member_knows_nothing_though_the_grid_goes_on() -> None:
    apart, _ = _both()
    status = _flown(apart)[0].status
    late = np.flatnonzero(LAUNCH_H == 20.0)[0]
    assert (status[late, 1:] == FlightStatus.MISSING_AIR).all()
    assert (status[[0, -1]] == FlightStatus.LEFT_TIME).all()


def test_what_members_show_is_the_same() -> None:
    apart, laid = _both()
    _, launches, _ = _flown(apart)
    one, other = (shown_aloft(grid, launches, KNOT_HEIGHT_M) for grid in (apart, laid))
    assert np.array_equal(one.members, other.members)
    assert one.variance == pytest.approx(other.variance, rel=1e-5, abs=1e-6)
