"""Flights against exact answers, an independent integrator, and themselves."""

import json
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import made_air
import numpy as np
import pytest
from geodesic import Geod

from windowwatch.errors import InputError
from windowwatch.physics.atmosphere import standard_atmosphere
from windowwatch.physics.balloon import burst_density_kgpm3
from windowwatch.physics.constants import AIR_GAS_CONSTANT
from windowwatch.physics.earth import radii_of_curvature_m
from windowwatch.physics.flights import Flights, FlightStatus, Launches, fly
from windowwatch.physics.paths import fly_path
from windowwatch.physics.spread import central_draw, make_draws
from windowwatch.physics.train import FlightTrain, canopy_area_m2
from windowwatch.physics.windgrid import WindGrid, hold_single_step

GEOD = Geod()
EQUATOR: dict[str, Any] = {
    "latitude_deg": np.arange(-2.0, 2.01, 0.1),
    "longitude_deg": np.arange(-2.0, 2.01, 0.1),
}


def fly_one(air: WindGrid, start: Launches, flown: FlightTrain, **options: float) -> Flights:
    return fly(air, start, flown, central_draw(start.time_unix_s.size), **options)  # type: ignore[arg-type]


def apogee_train(air: str, height_m: float, rise_mps: float = 5.0) -> FlightTrain:
    """A train that rises at a fixed rate, bursts at a height and lands at 5 m/s."""
    if air == "standard":
        density = float(standard_atmosphere(height_m).density_kgpm3)
    else:
        gas = AIR_GAS_CONSTANT * 250.0
        density = 101_325.0 / gas * np.exp(-9.80665 / gas * height_m)
    first = made_air.train(measured_ascent_mps=rise_mps, parachute_area_m2=canopy_area_m2(1.5, 5.0))
    scale = (burst_density_kgpm3(first) / density) ** (1.0 / 3.0)
    return replace(first, burst_diameter_m=first.burst_diameter_m * scale)


# Handbook of the trade (own evaluation, USSA 1976 density, standard gravity at all heights):
# apogee [km], ascent and descent [s], drift in 10 m/s [km], drift in 1 m/s per km, up and
# down [km]. Our gravity falls with height and a wind covers less ground from higher up:
# 0.3 % covers both.
ANALYTIC = [
    (20, 4000, 2378.0, 63.780, 40.000, 18.839),
    (25, 5000, 2600.1, 76.001, 62.500, 23.798),
    (30, 6000, 2749.8, 87.498, 90.000, 27.892),
    (35, 7000, 2851.5, 98.515, 122.500, 31.180),
]


@pytest.mark.parametrize("row", ANALYTIC, ids=lambda row: f"{row[0]}km")
def test_analytic_trajectories(row: tuple[float, ...]) -> None:
    apogee, up_s, down_s, uniform_km, shear_up_km, shear_down_km = row
    flown = apogee_train("standard", apogee * 1e3)
    start = made_air.launches(45.0, -37.5)
    steady = fly_one(made_air.grid(lambda t, y, x, z: (10.0, 0.0)), start, flown)
    rise = steady.burst_time_unix_s - start.time_unix_s
    fall = steady.landing_time_unix_s - steady.burst_time_unix_s
    assert float(steady.burst_height_m[0, 0, 0]) == pytest.approx(apogee * 1e3, abs=1.0)
    assert float(rise[0, 0, 0]) == pytest.approx(up_s, abs=0.3)
    assert float(fall[0, 0, 0]) == pytest.approx(down_s, rel=2e-3)
    assert float(steady.drift_m[0, 0, 0]) == pytest.approx(uniform_km * 1e3, rel=3e-3)
    leaning = fly_one(made_air.grid(lambda t, y, x, z: (1e-3 * z, 0.0)), start, flown)
    up_m = GEOD.inv(-37.5, 45.0, leaning.burst_longitude_deg[0, 0, 0], 45.0)[2]
    assert up_m == pytest.approx(shear_up_km * 1e3, rel=4e-3)
    down_m = float(leaning.drift_m[0, 0, 0]) - up_m
    assert down_m == pytest.approx(shear_down_km * 1e3, rel=4e-3)


HEIGHTS = np.array([0.0, 20_000.0, 40_000.0])  # few, so that the step is free


def burst_at(wind: made_air.Wind, step_s: float, latitude: float = 0.3) -> tuple[float, float]:
    air = made_air.grid(wind, isothermal=True, height_m=HEIGHTS, **EQUATOR)
    flown = apogee_train("isothermal", 30_000.0)
    flight = fly_one(air, made_air.launches(latitude, 0.1), flown, step_s=step_s)
    assert float(flight.burst_height_m[0, 0, 0]) == pytest.approx(30_000.0, abs=0.5)
    return float(flight.burst_latitude_deg[0, 0, 0]), float(flight.burst_longitude_deg[0, 0, 0])


@pytest.mark.parametrize(
    ("wind", "integral"),
    [
        # integral of u / (w (N + z)) over height, in closed form, without the cosine
        (lambda t, y, x, z: (15.0, 0.0), lambda n, w: 15.0 / w * np.log((n + 3e4) / n)),
        (lambda t, y, x, z: (1e-3 * z, 0.0),
         lambda n, w: 1e-3 / w * (3e4 - n * np.log((n + 3e4) / n))),
        (lambda t, y, x, z: (2e-3 * t, 0.0),
         lambda n, w: 2e-3 / w**2 * (3e4 - n * np.log((n + 3e4) / n))),
    ],
    ids=["uniform", "shear", "linear in time"],
)  # fmt: skip
def test_flows_with_exact_answers(wind, integral) -> None:  # type: ignore[no-untyped-def]
    _, across = radii_of_curvature_m(0.3)
    exact = 0.1 + np.degrees(integral(float(across), 5.0)) / np.cos(np.radians(0.3))
    latitude, longitude = burst_at(wind, 120.0)
    assert latitude == pytest.approx(0.3, abs=1e-9)
    assert longitude == pytest.approx(exact, abs=1.0 / 111_320.0)  # one metre


TURN = 2.0e-4  # radians a second


def rotation(t, y, x, z):  # type: ignore[no-untyped-def]
    """Latitude and longitude turn about (0, 0): an exact circle in degrees."""
    meridian, across = radii_of_curvature_m(y)
    u = -TURN * np.radians(y) * (across + z) * np.cos(np.radians(y))
    return u, TURN * np.radians(x) * (meridian + z)


def test_order_of_convergence_on_solid_rotation() -> None:
    angle = TURN * 6_000.0
    exact = (0.3 * np.cos(angle) + 0.1 * np.sin(angle), 0.1 * np.cos(angle) - 0.3 * np.sin(angle))
    missed = []
    for step_s in (1_000.0, 500.0, 250.0, 125.0):
        latitude, longitude = burst_at(rotation, step_s)
        missed.append(111e3 * np.hypot(latitude - exact[0], longitude - exact[1]))
    orders = np.log2(np.array(missed[:-1]) / missed[1:])
    assert np.all(orders > 1.8)  # Heun's rule: second order
    assert missed[-1] < 100.0


def test_steps_on_the_ellipsoid_against_geodesics() -> None:
    # a flight in even wind is many short lines of one bearing; walk them with PROJ
    for latitude, east in ((62.0, 12.0), (-41.0, 179.6)):
        air = made_air.grid(
            lambda t, y, x, z: (16.0, 11.0),
            latitude_deg=np.arange(latitude - 2, latitude + 3.1, 0.5),
            longitude_deg=np.arange(east - 1, east + 5.1, 0.5),
            height_m=np.arange(-500.0, 40_001.0, 500.0),
        )
        flown = replace(apogee_train("standard", 25e3), measured_ascent_mps=5.0)
        path = fly_path(air, made_air.launches(latitude, east), flown, central_draw(1))
        lon, lat = east, latitude
        rows = np.flatnonzero(path.rising)
        azimuth = np.degrees(np.arctan2(16.0, 11.0))
        for a in rows[1:]:
            seconds = path.time_unix_s[a] - path.time_unix_s[a - 1]
            z = 0.5 * (path.height_m[a] + path.height_m[a - 1])
            meridian, across = (float(r) for r in radii_of_curvature_m(lat))
            radius = np.sqrt(meridian * across)
            for _ in range(50):
                step = np.hypot(16.0, 11.0) * seconds / 50 * radius / (radius + z)
                lon, lat, _ = GEOD.fwd(lon, lat, azimuth, step)
        last = rows[-1]
        missed = GEOD.inv(lon, lat, path.longitude_deg[last], path.latitude_deg[last])[2]
        gone = GEOD.inv(lon, lat, east, latitude)[2]
        assert gone > 90e3
        assert missed < 1e-5 * gone  # 1 m in 100 km


def lively(t, y, x, z):  # type: ignore[no-untyped-def]
    """A jet, shear, a turning wind, waves in latitude and longitude."""
    jet = 30.0 * np.exp(-(((z - 10_500.0) / 4_000.0) ** 2))
    u = 6.0 + jet + 3.0 * np.sin(z / 2_500.0 + t / 9_000.0) + 2.0 * np.sin(2.0 * y + x)
    return u, 6.0 * np.cos(z / 5_000.0 - t / 12_000.0) + 2.0 * np.cos(1.7 * y - x)


def hills() -> np.ndarray:
    latitude, longitude = np.arange(43.0, 49.1, 0.5), np.arange(-38.0, -31.9, 0.5)
    return 350.0 + 300.0 * np.sin(latitude[:, None] * 3.0) * np.cos(longitude[None, :] * 2.0)


@pytest.mark.parametrize("drag", [None, 0.3], ids=["drag curve", "constant drag"])
def test_landing_against_an_adaptive_integrator(drag: float | None) -> None:
    air = made_air.grid(
        lively, terrain_m=hills(), warmth=lambda t, y, x, z: (4 * np.sin(y + x - z / 8e3), 0)
    )
    flown = made_air.train(balloon_drag_coefficient=drag)
    start = made_air.launches(46.1, -36.6, 12.0, made_air.MONDAY + 5_000.0)
    ours, slow = fly_one(air, start, flown), made_air.slow_flight(air, start, flown)
    assert ours.status[0, 0, 0] == FlightStatus.LANDED
    missed = GEOD.inv(
        slow["longitude"], slow["latitude"],
        ours.landing_longitude_deg[0, 0, 0], ours.landing_latitude_deg[0, 0, 0],
    )[2]  # fmt: skip
    assert missed < 20.0
    assert float(ours.landing_height_m[0, 0, 0]) == pytest.approx(slow["height"], abs=1.0)
    assert float(ours.landing_time_unix_s[0, 0, 0]) == pytest.approx(slow["time"], abs=3.0)
    assert float(ours.burst_height_m[0, 0, 0]) == pytest.approx(slow["burst_height"], abs=3.0)
    assert float(ours.drift_m[0, 0, 0]) > 50e3


def test_path_is_the_flight() -> None:
    air = made_air.grid(lively, terrain_m=hills(), members=2)
    start = made_air.launches([46.1, 45.6], [-36.6, -35.9], 12.0)
    flown = made_air.train()
    draws = make_draws(flown, start, count=4, watch="w", cycle_id="c", site="s",
                       cycle_unix_s=made_air.MONDAY)  # fmt: skip
    flights = fly(air, start, flown, draws)
    path = fly_path(air, start, flown, draws, launch=1, member=1, draw=3)
    assert path.status == FlightStatus.LANDED
    assert path.latitude_deg[-1] == flights.landing_latitude_deg[1, 1, 3]
    assert path.longitude_deg[-1] == flights.landing_longitude_deg[1, 1, 3]
    assert path.time_unix_s[-1] == flights.landing_time_unix_s[1, 1, 3]
    assert path.height_m.max() == flights.burst_height_m[1, 1, 3]
    assert np.all(np.diff(path.time_unix_s) >= 0.0)
    assert np.all(np.diff(path.height_m[path.rising]) > 0.0)
    assert np.hypot(path.u_mps, path.v_mps).max() == pytest.approx(
        flights.strongest_wind_mps[1, 1, 3]
    )
    assert path.temperature_k.min() == flights.coldest_air_k[1, 1, 3]


def test_ground_is_met_to_a_metre() -> None:
    air = made_air.grid(lively, terrain_m=hills())
    start = made_air.launches(np.full(9, 46.0), np.linspace(-37.0, -35.0, 9))
    flights = fly_one(air, start, made_air.train())
    y = (flights.landing_latitude_deg[:, 0, 0] - 43.0) / 0.5
    x = (flights.landing_longitude_deg[:, 0, 0] + 38.0) / 0.5
    i, j = y.astype(int), x.astype(int)
    f, g = y - i, x - j
    h = hills()
    ground = (1 - f) * ((1 - g) * h[i, j] + g * h[i, j + 1]) + f * (
        (1 - g) * h[i + 1, j] + g * h[i + 1, j + 1]
    )
    np.testing.assert_allclose(flights.landing_height_m[:, 0, 0], ground, atol=1.0)
    assert np.ptp(ground) > 30.0


def statuses(air: WindGrid, start: Launches, flown: FlightTrain, **options: float) -> list[int]:
    flights = fly_one(air, start, flown, **options)
    lost = flights.status != FlightStatus.LANDED
    for name, values in vars(flights).items():
        if name.startswith(("landing", "drift", "strongest", "coldest")):
            assert np.all(np.isnan(values[lost])), name
            assert np.all(np.isfinite(values[~lost])), name
    return [int(s) for s in flights.status.ravel()]


def test_every_way_a_flight_can_end() -> None:
    flown = made_air.train()
    calm = made_air.grid(lambda t, y, x, z: (10.0, 0.0))
    at = made_air.launches
    assert statuses(calm, at(46.0, -36.0), flown) == [FlightStatus.LANDED]
    assert statuses(calm, at(46.0, -32.2), flown) == [FlightStatus.LEFT_GRID]
    assert statuses(calm, at(50.0, -36.0), flown) == [FlightStatus.LEFT_GRID]
    assert statuses(calm, at(46.0, 20.0), flown) == [FlightStatus.LEFT_GRID]
    late, early = made_air.MONDAY + 29 * 3600.0, made_air.MONDAY - 60.0
    assert (
        statuses(calm, at(46.0, -36.0, 0.0, [early, late]), flown) == [FlightStatus.LEFT_TIME] * 2
    )
    assert statuses(calm, at(46.0, -36.0), flown, longest_flight_s=3_000.0) == [
        FlightStatus.TOO_LONG
    ]
    heavy = made_air.train(burst_diameter_m=1.5)  # smaller than the fill
    assert statuses(calm, at(46.0, -36.0), heavy) == [FlightStatus.NOT_RISING]
    tall = made_air.train(burst_diameter_m=30.0)  # still whole at the grid's top
    assert statuses(calm, at(46.0, -36.0), tall) == [FlightStatus.MISSING_AIR]
    polar = made_air.grid(
        lambda t, y, x, z: (0.0, 30.0),
        latitude_deg=np.arange(84.0, 90.1, 1.0),
        longitude_deg=np.arange(0.0, 360.0, 5.0),
    )
    assert statuses(polar, at([87.5, 89.5], 20.0), flown) == [FlightStatus.NEAR_POLE] * 2


def test_too_little_lift_does_not_rise() -> None:
    flown = made_air.train(nozzle_lift_kg=1.51, lift_sigma=0.05)
    start = made_air.launches(46.0, -36.0)
    draws = replace(central_draw(1), lift=np.array([[0.9]]))
    calm = made_air.grid(lambda t, y, x, z: (0.0, 0.0))
    for other in (flown, replace(flown, balloon_drag_coefficient=0.3),
                  replace(flown, measured_ascent_mps=5.0)):  # fmt: skip
        flights = fly(calm, start, other, draws)
        assert flights.status.tolist() == [[[FlightStatus.NOT_RISING]]]
        assert np.isnan(flights.burst_height_m).all()


def test_missing_wind_is_never_calm_air() -> None:
    air = made_air.grid(lambda t, y, x, z: (10.0, 0.0))
    air.air[:, :, :, 5:, 60:63, 0] = np.nan  # a hole in the east
    flights = fly_one(air, made_air.launches(46.0, [-36.9, -36.0]), made_air.train())
    assert flights.status[:, 0, 0].tolist() == [FlightStatus.MISSING_AIR] * 2
    assert np.isnan(flights.landing_latitude_deg).all()
    # the first met the hole on the way down, the second on the way up
    assert np.isfinite(flights.burst_height_m[:, 0, 0]).tolist() == [True, False]
    hole = replace(air, air=np.nan_to_num(air.air, nan=10.0), terrain_m=air.terrain_m.copy())
    hole.terrain_m[:] = np.nan
    assert statuses(hole, made_air.launches(46.0, -36.0), made_air.train()) == [
        FlightStatus.MISSING_AIR
    ]


def test_round_the_world_and_across_the_date_line() -> None:
    world = made_air.grid(
        lambda t, y, x, z: (25.0, 0.0),
        latitude_deg=np.arange(-90.0, 90.1, 2.5),
        longitude_deg=np.arange(0.0, 360.0, 2.5),
    )
    assert world.covers(40.0, -1.0)
    assert not world.covers(91.0, 0.0)
    start = made_air.launches([40.0, 40.0, 40.0, -40.0], [10.0, -1.0, 179.0, 179.0])
    flights = fly_one(world, start, made_air.train())
    assert np.all(flights.status == FlightStatus.LANDED)
    gone = np.mod(flights.landing_longitude_deg[:, 0, 0] - start.longitude_deg, 360.0)
    np.testing.assert_allclose(gone, gone[0], rtol=1e-6)
    assert flights.landing_longitude_deg[2, 0, 0] < -178.0


def test_site_below_or_above_the_model_terrain() -> None:
    # a valley site takes the column's lowest wind; a hill site the free wind of its height
    air = made_air.grid(lambda t, y, x, z: (1e-2 * np.minimum(z, 2e3), 0.0), terrain_m=300.0)
    path = fly_path(air, made_air.launches(46.0, -36.0, 40.0), made_air.train(), central_draw(1))
    assert path.height_m[0] == 40.0
    assert path.height_m[-1] == pytest.approx(300.0, abs=0.5)
    path = fly_path(air, made_air.launches(46.0, -36.0, 800.0), made_air.train(), central_draw(1))
    assert path.height_m[0] == 800.0
    assert path.u_mps[0] == pytest.approx(8.0, rel=1e-5)


@pytest.mark.parametrize(("delay_s", "off"), [(8.0, 0.01), (20.0, 0.03)])
def test_opening_delay_against_an_integrated_fall(delay_s: float, off: float) -> None:
    from scipy.integrate import solve_ivp

    quick, late = made_air.train(), made_air.train(opening_delay_s=delay_s)
    air = made_air.grid(lambda t, y, x, z: (0.0, 0.0))
    at = made_air.launches(46.0, -36.0)
    flight = fly_one(air, at, quick)
    burst = float(flight.burst_height_m[0, 0, 0])

    def fall(t: float, y: np.ndarray) -> list[float]:
        density = float(standard_atmosphere(y[0]).density_kgpm3)
        return [-y[1], 9.71 - 0.5 * density * 0.05 * y[1] ** 2 / 1.5]

    fallen = burst - solve_ivp(fall, (0.0, delay_s), [burst, 0.0], rtol=1e-8).y[0, -1]
    path = fly_path(air, at, late, central_draw(1))
    first = np.flatnonzero(~path.rising)[0]
    assert burst - path.height_m[first] == pytest.approx(fallen, rel=off)
    # what the open canopy would have taken for the same drop, less the delay, is saved
    calm = fly_path(air, at, quick, central_draw(1))
    down = ~calm.rising
    needed = np.interp(fallen, burst - calm.height_m[down], calm.time_unix_s[down])
    saved = flight.landing_time_unix_s - fly_one(air, at, late).landing_time_unix_s
    expected = needed - float(flight.burst_time_unix_s[0, 0, 0]) - delay_s
    assert float(saved[0, 0, 0]) == pytest.approx(expected, abs=1.0)


def test_members_draws_and_threads() -> None:
    air = made_air.grid(lively, members=3)
    air.air[1, ..., 0] += 2.0
    air.air[2, ..., 1] -= 3.0
    start = made_air.launches(np.full(40, 46.1), np.linspace(-36.9, -35.0, 40))
    flown = made_air.train()
    draws = make_draws(flown, start, count=5, watch="w", cycle_id="c", site="s",
                       cycle_unix_s=made_air.MONDAY)  # fmt: skip
    one, two = (fly(air, start, flown, draws, threads=n) for n in (1, 2))
    turned = fly(replace(air, air=air.air[::-1].copy()), start, flown, draws)
    assert one.status.shape == (40, 3, 5)
    for name, values in vars(one).items():
        np.testing.assert_array_equal(values, getattr(two, name), err_msg=name)
        np.testing.assert_array_equal(values, getattr(turned, name)[:, ::-1], err_msg=name)
    assert one.of_launch(7).landing_latitude_deg.shape == (3, 5)


SCRIPT = """
import json, made_air, numpy as np
from test_flights import lively, hills
from windowwatch.physics.flights import fly
from windowwatch.physics.spread import make_draws
air = made_air.grid(lively, terrain_m=hills())
start = made_air.launches([46.1, 45.6], [-36.6, -35.9])
flown = made_air.train(opening_delay_s=3.0)
draws = make_draws(flown, start, count=2, watch="w", cycle_id="c", site="s",
                   cycle_unix_s=made_air.MONDAY)
flights = fly(air, start, flown, draws)
print(json.dumps({k: v.ravel().tolist() for k, v in vars(flights).items()}))
"""


def test_kernels_say_the_same_uncompiled() -> None:
    said = []
    here = Path(__file__)
    paths = [str(here.parent), str(here.parents[1]), str(here.parents[2])]
    for jit_off in ("0", "1"):
        environment = os.environ | {
            "NUMBA_DISABLE_JIT": jit_off,
            "PYTHONPATH": os.pathsep.join(paths),
        }
        run = subprocess.run(
            [sys.executable, "-c", SCRIPT], env=environment, capture_output=True, check=True
        )
        said.append(json.loads(run.stdout))
    for name, values in said[0].items():
        np.testing.assert_allclose(values, said[1][name], rtol=1e-9, err_msg=name)


def test_bad_input_is_refused_with_reasons() -> None:
    air = made_air.grid(lambda t, y, x, z: (0.0, 0.0))
    at, flown, draw = made_air.launches(46.0, -36.0), made_air.train(), central_draw(1)
    crooked = replace(air, latitude_deg=air.latitude_deg**1.5)
    deep = replace(air, terrain_m=air.terrain_m - 900.0)
    for words, call in (
        ("draws are for 2 launches; there are 1", lambda: fly(air, at, flown, central_draw(2))),
        (
            "launch 1 has no latitude_deg; it is nan",
            lambda: fly(air, made_air.launches([46.0, np.nan], -36.0), flown, central_draw(2)),
        ),
        ("take time", lambda: fly(air, at, flown, draw, step_s=0.0)),
        ("latitude_deg of the grid must be evenly spaced", lambda: fly(crooked, at, flown, draw)),
        ("above terrain at -900 m", lambda: fly(deep, at, flown, draw)),
        ("there is no member 3; there are 1", lambda: fly_path(air, at, flown, draw, member=3)),
    ):
        with pytest.raises(InputError, match=words):
            call()


def test_single_step_is_held_three_hours_each_way() -> None:
    air = made_air.grid(lambda t, y, x, z: (10.0, 0.0), time_unix_s=np.array([made_air.MONDAY]))
    held = hold_single_step(air)
    times = made_air.MONDAY + np.array([-3.5, -2.5, 0.0, 1.5]) * 3600.0
    assert statuses(held, made_air.launches(46.0, -36.0, 0.0, times), made_air.train()) == [
        FlightStatus.LEFT_TIME, FlightStatus.LANDED, FlightStatus.LANDED, FlightStatus.LEFT_TIME
    ]  # fmt: skip
    with pytest.raises(InputError, match="only a single one is held"):
        hold_single_step(held)
