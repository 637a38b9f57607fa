"""What hours are drawn with: flown for real in made air, over an invented map of one road."""

from dataclasses import replace
from typing import Any

import launch_days as day
import made_air
import numpy as np
import pytest

from windowwatch.ground.plane import Grid
from windowwatch.ground.query.features import Ground
from windowwatch.ground.query.rasters import MAPPED_BIT, WALK_STARTS, Base, Layer, Rasters, Routes
from windowwatch.physics.flights import Flights, fly
from windowwatch.physics.paths import fly_paths
from windowwatch.physics.spread import footprint, make_draws
from windowwatch.scoring.drawing import hour_details, middle_flights
from windowwatch.scoring.hour import score_site
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.scoring.values import HourDetail

PLAN = ScoringPlan()
AIR = made_air.grid(
    lambda t, y, x, z: (4.0 + z / 4000.0, 1.0 + t / 90_000.0), members=2,
    time_unix_s=day.LAUNCH - 3600.0 + 3600.0 * np.arange(9.0),
)  # fmt: skip
AIR.air[1, ..., 1] += 1.0
TIMES = day.LAUNCH + 3600.0 * np.arange(3.0)
LAUNCHES = made_air.launches(day.SITE.latitude_deg, day.SITE.longitude_deg, 100.0, TIMES)
TRAIN = made_air.train()
DRAWS = make_draws(TRAIN, LAUNCHES, count=70, watch="w", cycle_id="c", site="s",
                   cycle_unix_s=day.LAUNCH)  # fmt: skip


def _again(launch: Any, member: Any, draw: Any) -> Any:
    return fly_paths(AIR, LAUNCHES, TRAIN, DRAWS, launch=launch, member=member, draw=draw)


def _details(flights: Flights, ground: Ground) -> tuple[HourDetail, ...]:
    hours = score_site(day.SITE, TIMES, flights, day.surface(), ground, PLAN)
    return hour_details(day.SITE, hours, flights, _again, ground, PLAN)


@pytest.fixture(scope="module")
def flights() -> Flights:
    return fly(AIR, LAUNCHES, TRAIN, DRAWS)


@pytest.fixture(scope="module")
def details(flights: Flights) -> tuple[HourDetail, ...]:
    return _details(flights, Ground())


def test_the_middle_flight_lands_nearest_to_the_centre(
    flights: Flights, details: tuple[HourDetail, ...]
) -> None:
    for i, detail in enumerate(details):
        latitude, longitude = flights.landing_latitude_deg[i], flights.landing_longitude_deg[i]
        centre = footprint(latitude, longitude)
        assert centre is not None
        away = np.hypot(latitude - centre.latitude_deg,
                        (longitude - centre.longitude_deg) * np.cos(np.radians(46.0)))  # fmt: skip
        best = np.unravel_index(np.argmin(away), away.shape)
        assert detail.track is not None
        assert detail.track.latitude_deg[-1] == latitude[best]
        assert detail.track.time_unix_s[-1] == flights.landing_time_unix_s[i][best]
        assert detail.track.height_m[detail.track.burst_index] == flights.burst_height_m[i][best]
        assert detail.track.time_unix_s[0] == TIMES[i]
        assert len(detail.track.u_mps) <= 60


def test_the_wind_of_the_track_is_the_forecasts(details: tuple[HourDetail, ...]) -> None:
    for detail in details:
        track = detail.track
        assert track is not None
        low = np.array(track.height_m) < AIR.top_height_m
        low[track.burst_index] = False
        assert np.array(track.u_mps)[low] == pytest.approx(
            4.0 + np.array(track.height_m)[low] / 4000.0, abs=0.05
        )


def test_landings_are_a_sample_of_all_and_bursts_have_a_footprint(
    flights: Flights, details: tuple[HourDetail, ...]
) -> None:
    for i, detail in enumerate(details):
        assert len(detail.landing_latitude_deg) == 100
        assert set(detail.landing_latitude_deg) <= set(flights.landing_latitude_deg[i].ravel())
        half = np.array(detail.landing_latitude_deg)
        assert np.mean(half) == pytest.approx(np.mean(flights.landing_latitude_deg[i]), abs=0.01)
        assert detail.burst == footprint(
            flights.burst_latitude_deg[i], flights.burst_longitude_deg[i]
        )


def test_hours_without_a_landing_are_drawn_without_one(flights: Flights) -> None:
    status = flights.status.copy()
    status[1] = 1
    status[2, 0] = 2
    lost = replace(flights, status=status)
    empty, partly = _details(lost, Ground())[1:]
    assert empty.track is None
    assert empty.landing_latitude_deg == ()
    assert len(partly.landing_latitude_deg) == 70
    hours = score_site(day.SITE, TIMES, lost, day.surface(), Ground(), PLAN)
    chosen = middle_flights(hours, lost)
    assert chosen[:, 0].tolist() == [0, 2]
    assert chosen[1, 1] == 1, "of the member that landed"


def _one_road() -> Rasters:
    """A lane of 100 km due east from the site, at 10 m/s; all walks begin at its far end."""
    grid = Grid(day.SITE.latitude_deg, day.SITE.longitude_deg, -500e3, -500e3, 1e3, 1000, 1000)
    rows, columns = np.mgrid[0:1000, 0:1000]
    layers = {
        "cover": Layer(np.full(grid.shape, 1 << MAPPED_BIT, dtype=np.uint16)),
        "walk_min": Layer(np.full(grid.shape, 30, dtype=np.uint16)),
        **{
            name: Layer((at - here + 32767).astype(np.uint16), 1.0, -32767.0)
            for name, at, here in zip(WALK_STARTS, (500, 600), (rows, columns), strict=True)
        },
    }
    one = {"base_edge": [0, 0], "base_along_s": [0, 9000], "base_off_road_s": [60, 0]}
    routes = Routes(
        first=np.array([0], np.int32), last=np.array([1], np.int32),
        time_s=np.array([10_000], np.float32), allowed=np.array([3], np.uint8),
        point=np.array([[0, 0], [100_000, 0], [200_000, 0]], np.int32),
        point_start=np.array([0, 3], np.int32),
        place_s=np.array([[60, 10_060], [9000, 1000]], np.float32),
        reached_by=np.full((2, 2), -1, np.int32),
        base_edge=np.array(one["base_edge"], np.int32),
        base_along_s=np.array(one["base_along_s"], np.float32),
        base_off_road_s=np.array(one["base_off_road_s"], np.float32),
        start_cell=np.array([500_600], np.int32), start_edge=np.array([0], np.int32),
        start_along_s=np.array([10_000], np.float32),
    )  # fmt: skip
    bases = [Base(day.SITE.name, day.SITE.latitude_deg, day.SITE.longitude_deg),
             Base("depot", 46.0, -33.8)]  # fmt: skip
    return Rasters("invented.ground", grid, layers, bases, ["invented"], (), routes)


def test_the_crew_that_is_first_drives(flights: Flights) -> None:
    rasters = _one_road()
    for crews, start, minutes, begins_m in (
        ((), day.SITE.name, 10_060.0, 0.0),
        (("depot",), "depot", 1000.0, 90e3),
    ):
        for detail in hour_details(
            day.SITE,
            score_site(day.SITE, TIMES, flights, day.surface(), Ground(), PLAN),
            flights, _again, Ground(rasters=rasters, crews=crews), PLAN,
        ):  # fmt: skip
            drive = detail.drive
            assert drive is not None
            assert drive.start == start
            assert drive.minutes == pytest.approx(1.25 * minutes / 60.0)
            x, y = rasters.grid.plane.forward(drive.latitude_deg, drive.longitude_deg)
            assert (x[0], x[-1]) == pytest.approx((begins_m, 100e3), abs=0.5)
            assert y == pytest.approx(0.0, abs=0.5)
