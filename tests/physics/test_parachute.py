"""Descent against published and worked values."""

import made_air
import numpy as np
import pytest
from scipy.integrate import solve_ivp

from windowwatch.errors import InputError
from windowwatch.physics.atmosphere import gravity_mps2, standard_atmosphere
from windowwatch.physics.flights import fly
from windowwatch.physics.paths import fly_path
from windowwatch.physics.spread import central_draw
from windowwatch.physics.train import canopy_area_m2, descent_rate_mps, landing_energy_j


# Drag coefficient 0.75 on total canopy area, sea level: mass [kg], speed [m/s], nominal
# diameter [m], energy [J] (own evaluation of the terminal-speed formula)
@pytest.mark.parametrize(
    ("mass", "speed", "diameter", "energy"),
    [(0.5, 3, 1.229, 2.2), (1.0, 5, 1.043, 12.5), (2.0, 4, 1.843, 16.0), (3.0, 6, 1.505, 54.0)],
)
def test_canopy_for_a_landing_speed(
    mass: float, speed: float, diameter: float, energy: float
) -> None:
    area = canopy_area_m2(mass, speed)
    assert np.sqrt(4 * area / np.pi) == pytest.approx(diameter, abs=6e-4)
    train = made_air.train(payload_mass_kg=mass, nozzle_lift_kg=mass + 1.0, parachute_area_m2=area)
    assert float(descent_rate_mps(train, 1.225)) == pytest.approx(speed)
    assert float(landing_energy_j(train, 1.225)) == pytest.approx(energy, abs=0.06)


def test_sinking_by_density() -> None:
    train = made_air.train(parachute_area_m2=canopy_area_m2(1.5, 5.0))
    air = standard_atmosphere(np.array([5e3, 10e3, 15e3, 20e3, 25e3, 30e3, 35e3]))
    np.testing.assert_allclose(
        descent_rate_mps(train, air.density_kgpm3),
        [6.45, 8.61, 12.54, 18.56, 27.64, 40.79, 60.15], atol=6e-3,
    )  # fmt: skip


def test_remnant_of_the_balloon_weighs_on_the_canopy() -> None:
    bare, fouled = made_air.train(), made_air.train(remnant_fraction=0.4)
    ratio = descent_rate_mps(fouled, 1.0) / descent_rate_mps(bare, 1.0)
    assert float(ratio) == pytest.approx(np.sqrt((1.5 + 0.4 * 1.2) / 1.5))


def test_quasi_steady_descent_against_the_equation_of_motion() -> None:
    train = made_air.train(parachute_area_m2=canopy_area_m2(1.5, 5.0), gas_purity=1.0)
    air = made_air.grid(lambda t, y, x, z: (0.0, 0.0))
    at = made_air.launches(46.0, -36.0)
    flight = fly(air, at, train, central_draw(1))
    burst = float(flight.burst_height_m[0, 0, 0])

    def motion(t: float, y: np.ndarray) -> list[float]:
        density = float(standard_atmosphere(max(y[0], 0.0)).density_kgpm3)
        drag = 0.5 * density * 0.75 * train.parachute_area_m2 * y[1] * abs(y[1]) / 1.5
        return [y[1], -float(gravity_mps2(46.0, y[0])) - drag]

    def ground(t: float, y: np.ndarray) -> float:
        return float(y[0])

    ground.terminal = True  # type: ignore[attr-defined]
    full = solve_ivp(motion, (0, 5e3), [burst, 5.0], events=ground, rtol=1e-7, max_step=5.0)
    ours = float((flight.landing_time_unix_s - flight.burst_time_unix_s)[0, 0, 0])
    assert ours == pytest.approx(full.t[-1], rel=1e-3)
    assert float(flight.landing_speed_mps[0, 0, 0]) == pytest.approx(-full.y[1, -1], rel=1e-3)


def test_fastest_fall_stays_under_ninety() -> None:
    # common practice, no source: up to about 90 m/s just after a burst at 30 to 36 km
    for burst_m, landing, low, high in ((30e3, 5.0, 38.0, 45.0), (36e3, 6.8, 80.0, 90.0)):
        density = float(standard_atmosphere(burst_m).density_kgpm3)
        train = made_air.train(parachute_area_m2=canopy_area_m2(1.5, landing))
        size = 8.63 * (float(standard_atmosphere(32.6e3).density_kgpm3) / density) ** (1 / 3)
        train = made_air.train(
            parachute_area_m2=train.parachute_area_m2, burst_diameter_m=size, nozzle_lift_kg=2.9
        )
        path = fly_path(
            made_air.grid(lambda t, y, x, z: (0.0, 0.0)), made_air.launches(46.0, -36.0), train,
            central_draw(1),
        )  # fmt: skip
        assert path.height_m.max() == pytest.approx(burst_m, abs=600.0)
        down = ~path.rising
        fall = -np.diff(path.height_m[down]) / np.diff(path.time_unix_s[down])
        assert low < np.nanmax(fall) < high


def test_refusals() -> None:
    with pytest.raises(InputError, match="landing speed must be above zero; it is 0"):
        canopy_area_m2(1.0, 0.0)
