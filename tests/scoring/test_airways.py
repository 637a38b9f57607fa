"""Flights against airspace and permitted area: flown for real, held against each one's path."""

import os
import subprocess
import sys
import tracemalloc
from dataclasses import replace
from pathlib import Path

import launch_days as day
import made_air
import numpy as np
import pytest
import shapely

from windowwatch.ground.query.airspace import Airspace, AirspaceKind, Level, Permitted, Volume
from windowwatch.ground.query.features import Ground
from windowwatch.physics import kernels as k
from windowwatch.physics.atmosphere import (
    air_density,
    specific_humidity,
    standard_height_m,
    virtual_factor,
)
from windowwatch.physics.flights import Flights, fly
from windowwatch.physics.paths import fly_paths
from windowwatch.physics.spread import make_draws
from windowwatch.scoring.checks.flight import AirWatch, airway_measures, pressure_heights_m
from windowwatch.scoring.hour import score_site
from windowwatch.scoring.limits import LIMITS
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.scoring.values import Gap, Hour, Missing, MostThrough, Verdict

ASKED = ("airspace", "permitted_area")
PLAN = ScoringPlan(
    limits={**ScoringPlan().limits, **{name: LIMITS[name].default for name in ASKED}}
)
AIR = made_air.grid(
    lambda t, y, x, z: (6.0 + z / 4000.0, 1.0 + t / 90_000.0), members=2,
    time_unix_s=day.LAUNCH - 3600.0 + 3600.0 * np.arange(9.0),
)  # fmt: skip
TIMES = day.LAUNCH + 3600.0 * np.arange(2.0)
LAUNCHES = made_air.launches(day.SITE.latitude_deg, day.SITE.longitude_deg, 100.0, TIMES)
TRAIN = made_air.train()
DRAWS = make_draws(TRAIN, LAUNCHES, count=40, watch="w", cycle_id="c", site="s",
                   cycle_unix_s=day.LAUNCH)  # fmt: skip
SHAPE = (2, 2, 40)
#: A slab 300 m thick east of the site: only flights that are at its height just there cross it.
SLAB = Volume(
    "Slab",
    AirspaceKind.CLOSED,
    shapely.box(-34.93, 45.9, -34.9, 46.2),
    Level(4300.0),
    Level(4600.0),
)
#: From the first launch's 40th minute on: the second hour's flights all pass it active.
LATER = Volume(
    "Later", AirspaceKind.CLOSED, shapely.box(-35.1, 45.9, -34.0, 46.3), Level(23_000.0),
    Level(np.inf), ((day.LAUNCH + 3600.0, day.LAUNCH + 9 * 3600.0),),
)  # fmt: skip
GROUND = Ground(
    airspace=Airspace([SLAB, LATER]),
    permitted=Permitted([shapely.box(-35.5, 45.0, -33.75, 47.0)], "P"),
)


@pytest.fixture(scope="module")
def flown() -> tuple[Flights, AirWatch]:
    watch = AirWatch(GROUND, PLAN, SHAPE)
    return fly(AIR, LAUNCHES, TRAIN, DRAWS, watching=watch, threads=2), watch


def _hours(flights: Flights, ground: Ground, watch: AirWatch | None) -> tuple[Hour, ...]:
    crossings = None if watch is None else watch.crossings()
    return score_site(day.SITE, TIMES, flights, day.surface(), ground, PLAN, None, crossings)


def test_every_flight_is_answered_as_its_own_path_says(flown: tuple[Flights, AirWatch]) -> None:
    _, watch = flown
    found = watch.crossings()
    assert found.airspace is not None
    assert found.left is not None
    launch, member, draw = (each.ravel() for each in np.indices(SHAPE))
    paths = fly_paths(AIR, LAUNCHES, TRAIN, DRAWS, launch=launch, member=member, draw=draw)
    crossed, left = np.zeros((160, 2), dtype=bool), np.zeros(160, dtype=bool)
    for i, path in enumerate(paths):
        at = np.linspace(0.0, path.time_unix_s.size - 1.0, 20_000)
        x, y, z, t = (
            np.interp(at, np.arange(path.time_unix_s.size), column)
            for column in (path.longitude_deg, path.latitude_deg, path.height_m, path.time_unix_s)
        )
        for j, volume in enumerate((SLAB, LATER)):
            inside = (z >= volume.floor.height_m) & (z <= volume.ceiling.height_m)
            for begin, end in volume.active:
                inside &= (t >= begin) & (t <= end)
            crossed[i, j] = np.any(shapely.contains_xy(volume.shape, x[inside], y[inside]))
        left[i] = np.any(x > -33.75)
    assert 5 < crossed[:, 0].sum() < 155
    assert np.array_equal(found.airspace.ravel(), crossed.any(axis=1))
    assert np.array_equal(found.by_volume, crossed.reshape(2, 80, 2).sum(axis=1))
    assert 5 < left.sum() < 155
    assert np.array_equal(found.left.ravel(), left)


def test_four_threads_may_ask_at_once() -> None:
    """GEOS crashes the process if they ask one prepared geometry; so in a process of its own.

    Without the lock of `AirWatch` this dies within the first few rounds.
    """
    folder = Path(__file__).parents[1]
    done = subprocess.run(
        [sys.executable, folder / "many_threads.py", "150"], check=False, capture_output=True,
        text=True, env={**os.environ, "PYTHONPATH": str(folder.parent)},
    )  # fmt: skip
    assert (done.returncode, done.stdout) == (0, "150 rounds, all alike\n"), done.stderr


def test_only_sums_are_kept_however_many_volumes_there_are() -> None:
    """A country's 3 000 volumes: all flights by all volumes would be 29 MB for these few."""
    boxes = shapely.box(-34.9, 46.0, np.linspace(-34.8, -34.0, 3000), 46.1)
    many = [Volume("v", AirspaceKind.CLOSED, b, Level(20_000.0), Level(np.inf)) for b in boxes]
    ground = Ground(airspace=Airspace(many))
    shape = (120, 2, 40)
    tracemalloc.start()
    watch = AirWatch(ground, PLAN, shape)
    paths = np.zeros((1, 2, 40, 2, k.PATH))
    paths[..., 1], paths[..., 2], paths[..., 3] = 46.05, [-34.85, -34.5], 21_000.0
    paths[..., 7], paths[..., 8] = 217.0, np.log(0.07)
    watch(7, 0, paths, np.full((1, 2, 40), 2))
    found = watch.crossings()
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 12e6
    assert found.airspace is not None
    assert found.airspace[7].all()
    assert found.airspace.sum() == 80
    assert found.by_volume.shape == (120, 3000)
    assert np.all(found.by_volume[7] == 80)
    assert found.by_volume.sum() == 80 * 3000


@pytest.mark.parametrize(
    ("hpa", "celsius", "apart_m"),
    [(1013.25, 15.0, 57.0), (1013.25, 30.0, 142.0), (700.0, 10.0, 55.0), (150.0, -60.0, 0.0)],
)
def test_vapour_leaves_two_heights_between_which_the_true_one_lies(
    hpa: float, celsius: float, apart_m: float
) -> None:
    kelvin, pascal = np.array(celsius + 273.15), 100.0 * hpa
    for humidity in (0.0, 40.0, 80.0, 100.0) if hpa > 200.0 else (0.0,):
        moist = specific_humidity(humidity, kelvin, pascal)
        density = air_density(pascal, kelvin, moist)
        greatest, least = pressure_heights_m(kelvin, np.log(density))
        assert least - 0.01 <= standard_height_m(pascal) <= greatest + 0.01
        assert greatest - least == pytest.approx(apart_m, abs=1.5)


def test_humid_air_does_not_lift_a_flight_over_a_ceiling() -> None:
    """Released at 100 m into humid air at 30 °C, under a flight level that is 150 m there.

    By density alone, as if the air were dry, the release would be at about 210 m.
    """
    humid = made_air.grid(
        lambda t, y, x, z: (6.0 + 0.0 * z, 0.0 * z), warmth=lambda t, y, x, z: (15.0, 0.0),
        time_unix_s=AIR.time_unix_s,
    )  # fmt: skip
    warm, pascal = humid.air[..., 2], np.exp(humid.air[..., 3])
    share = virtual_factor(specific_humidity(80.0, warm, pascal))
    humid.air[..., 3] -= np.where(pascal > 20_000.0, np.log(share), 0.0)
    near = shapely.box(-35.02, 45.98, -34.98, 46.02)
    assert shapely.contains_xy(near, day.SITE.longitude_deg, day.SITE.latitude_deg)
    levels = (  # the first and the last are met
        (Level(0.0), Level(150.0, True)),
        (Level(0.0), Level(50.0, True)),
        (Level(150.0, True), Level(160.0, True)),
    )
    ground = Ground(
        airspace=Airspace([Volume("v", AirspaceKind.CLOSED, near, *pair) for pair in levels])
    )
    watch = AirWatch(ground, PLAN, (2, 1, 40))
    fly(humid, LAUNCHES, TRAIN, DRAWS, watching=watch)
    assert watch.crossings().by_volume.tolist() == [[40, 0, 40]] * 2


def test_shares_and_what_is_crossed_most(flown: tuple[Flights, AirWatch]) -> None:
    flights, watch = flown
    second = _hours(flights, GROUND, watch)[1]
    checks = {check.name: check for check in second.checks}
    assert checks["airspace"].value == 100.0
    assert checks["airspace"].facts == (MostThrough("Later"),)
    assert checks["airspace"].verdict is Verdict.NO_GO
    assert checks["permitted_area"].value is not None


def test_lost_flights_are_not_known_and_no_file_is_said(flown: tuple[Flights, AirWatch]) -> None:
    flights, watch = flown
    status = flights.status.copy()
    status[0, 0, :4] = 1
    lost = replace(flights, status=status)
    first, _ = airway_measures(lost, GROUND, watch.crossings())
    assert np.isnan(first.values[0, 0, :4]).all()
    assert not np.isnan(first.values[0, 0, 4:]).any()
    none = AirWatch(Ground(), PLAN, SHAPE)
    assert not none.needed
    assert not AirWatch(GROUND, ScoringPlan(), SHAPE).needed
    hour = _hours(flights, Ground(), none)[0]
    missing = {check.name: check.missing for check in hour.checks}
    assert missing["airspace"] == Missing(Gap.AIRSPACE)
    assert missing["permitted_area"] == Missing(Gap.PERMITTED_AREA)
    assert hour.verdict is Verdict.UNKNOWN, "a hard limit that cannot be checked refuses the hour"
