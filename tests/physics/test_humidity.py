"""Water vapour: its pressure and weight against published values, and what it does to flights."""

from collections.abc import Callable
from dataclasses import replace

import made_air
import numpy as np
import pytest
from scipy.integrate import solve_ivp

from windowwatch.physics import constants as c
from windowwatch.physics.atmosphere import (
    air_density,
    geopotential_height_m,
    gravity_mps2,
    saturation_pressure_pa,
    specific_humidity,
    standard_atmosphere,
    standard_height_m,
    virtual_factor,
    viscosity_pas,
)
from windowwatch.physics.balloon import lift_fraction, sounding_balloon_drag
from windowwatch.physics.flights import FlightStatus, fly
from windowwatch.physics.spread import central_draw
from windowwatch.physics.train import FlightTrain
from windowwatch.physics.windgrid import (
    LOG_PRESSURE,
    TEMPERATURE,
    LevelRun,
    WindGrid,
    build_wind_grid,
)

#: Over water. IAPWS-IF97 (2007 revision), table 35, gives 300 K; the other rows are those of
#: steam tables after IAPWS-95 (from memory). [K], [Pa]
OVER_WATER = ((273.16, 611.657), (283.15, 1_228.2), (293.15, 2_339.3), (300.0, 3_536.58941),
              (313.15, 7_384.9))  # fmt: skip
#: Over ice. IAPWS R14-08(2011), table 3: the check value of the sublimation pressure at 230 K;
#: the other two are those of the Smithsonian Meteorological Tables, table 96 (from memory).
OVER_ICE = ((230.0, 8.94735), (253.15, 103.2), (233.15, 12.83))


@pytest.mark.parametrize(("kelvin", "pascal"), [*OVER_WATER, *OVER_ICE])
def test_saturation_pressure_against_published_values(kelvin: float, pascal: float) -> None:
    assert float(saturation_pressure_pa(kelvin)) == pytest.approx(pascal, rel=4e-3)


def test_saturation_pressure_against_a_library() -> None:
    """pvlib finds the dew point of a relative humidity by the same annex of WMO-No. 8."""
    atmosphere = pytest.importorskip("pvlib.atmosphere")
    celsius = np.array([0.0, 10.0, 25.0, 40.0])
    for humid in (20.0, 60.0, 95.0):
        dew = atmosphere.tdew_from_rh(celsius, humid)
        warm = dew > 0.0  # below, ours has ice in it
        ratio = saturation_pressure_pa(dew + 273.15) / saturation_pressure_pa(celsius + 273.15)
        np.testing.assert_allclose(100.0 * ratio[warm], humid, rtol=1e-3)


def test_between_water_and_ice_there_is_no_jump_and_none_goes_back() -> None:
    kelvin = np.arange(210.0, 320.0, 0.01)
    pressure = saturation_pressure_pa(kelvin)
    assert np.all(np.diff(np.log(pressure)) > 0.0)
    assert np.all(np.diff(np.log(pressure)) < 2e-3)


def test_moist_density_is_the_sum_of_its_gases() -> None:
    """Dalton: vapour and dry air, each by its own gas law; WMO-No. 8, annex 4.B, for the masses."""
    for kelvin, hpa, humid in (
        (303.15, 1013.25, 100.0),
        (288.15, 850.0, 50.0),
        (250.0, 500.0, 80.0),
    ):
        vapour = humid / 100.0 * float(saturation_pressure_pa(kelvin))
        r_dry, r_vapour = c.AIR_GAS_CONSTANT, c.AIR_GAS_CONSTANT / c.WATER_TO_AIR
        dalton = (100.0 * hpa - vapour) / (r_dry * kelvin) + vapour / (r_vapour * kelvin)
        q = specific_humidity(humid, kelvin, 100.0 * hpa)
        assert q == pytest.approx(vapour / (r_vapour * kelvin) / dalton, rel=1e-12)
        assert air_density(100.0 * hpa, kelvin, q) == pytest.approx(dalton, rel=1e-12)
    # saturated at 30 °C and 1013.25 hPa: 1.146 kg/m³, dry 1.164 (steam and air tables)
    q = specific_humidity(100.0, 303.15, 101_325.0)
    assert float(air_density(101_325.0, 303.15, q)) == pytest.approx(1.146, abs=1e-3)


PRESSURE = 100.0 * np.array([1000, 975, 950, 925, 900, 850, 800, 700, 600, 500, 400, 300, 250,
                             200, 150, 100, 70, 50, 30, 20, 10.0])  # fmt: skip
LATITUDE, LONGITUDE = np.arange(43.0, 48.1, 1.0), np.arange(-40.0, -27.9, 1.0)
SITE = (45.0, -38.0)


def _tropical() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Height, temperature and specific humidity of moist tropical air on the levels: 12 K above
    standard, saturated to 90 % at the ground and less above, as over a warm sea."""
    z = standard_height_m(PRESSURE)
    kelvin = standard_atmosphere(z).temperature_k + 12.0 * np.exp(-z / 9_000.0)
    humid = 90.0 * np.exp(-z / 6_000.0)
    return z, kelvin, specific_humidity(humid, kelvin, PRESSURE)


def _grid(moist: bool) -> WindGrid:
    z, kelvin, q = _tropical()
    shape = (1, 2, PRESSURE.size, LATITUDE.size, LONGITUDE.size)

    def full(column: np.ndarray) -> np.ndarray:
        return np.broadcast_to(column[:, None, None], shape).astype(np.float32)

    gpm = np.broadcast_to(geopotential_height_m(z[:, None], LATITUDE)[:, :, None], shape[2:])
    run = LevelRun(
        time_unix_s=made_air.MONDAY + np.array([0.0, 12.0]) * 3600.0,
        pressure_pa=PRESSURE,
        u_mps=full(5.0 + 1e-3 * z),
        v_mps=full(2.0 * np.sin(z / 4_000.0)),
        temperature_k=full(kelvin),
        geopotential_height_m=np.broadcast_to(gpm, shape).astype(np.float32),
        specific_humidity=full(q) if moist else None,
    )
    return build_wind_grid(
        run, latitude_deg=LATITUDE, longitude_deg=LONGITUDE, cycle_unix_s=made_air.MONDAY,
        terrain_m=np.zeros((LATITUDE.size, LONGITUDE.size), np.float32),
    )  # fmt: skip


def test_the_grid_holds_the_density_of_moist_air_and_the_true_temperature() -> None:
    moist, dry = _grid(True), _grid(False)
    z, kelvin, q = _tropical()
    for level in range(2, 14):  # grid heights do not fall on levels: compare what is between
        k = int(np.searchsorted(moist.height_m, z[level]))
        lower, upper = moist.air[0, 0, 2, 3, k - 1], moist.air[0, 0, 2, 3, k]
        held = np.exp(np.array([lower[3], upper[3]], dtype=np.float64)) / (
            c.AIR_GAS_CONSTANT * np.array([lower[2], upper[2]])
        )
        true = float(air_density(PRESSURE[level], kelvin[level], q[level]))
        assert held[1] < true < held[0]
    np.testing.assert_array_equal(moist.air[..., TEMPERATURE], dry.air[..., TEMPERATURE])
    lighter = np.exp(moist.air[..., LOG_PRESSURE] - dry.air[..., LOG_PRESSURE])
    assert lighter[..., 5].mean() == pytest.approx(1.0 / virtual_factor(q[0]), abs=3e-4)
    assert np.all(lighter <= 1.0 + 1e-6)
    assert moist.moisture is not None
    assert moist.moisture.mean() == pytest.approx(1.0 - 1.0 / virtual_factor(q[0]), abs=1e-6)
    assert dry.moisture is None


def test_air_without_humidity_is_dry_air_bit_by_bit() -> None:
    """Missing humidity is dry air, never missing air."""
    dry = _grid(False)
    shape = (1, 2, PRESSURE.size, 2, 2)
    height = np.broadcast_to(standard_height_m(PRESSURE)[:, None, None], shape)
    same = np.full(shape, 1.0, np.float32)
    blank = LevelRun(
        time_unix_s=dry.time_unix_s, pressure_pa=PRESSURE, u_mps=same, v_mps=same,
        temperature_k=250.0 * same, geopotential_height_m=height.astype(np.float32),
        specific_humidity=np.nan * same,
    )  # fmt: skip
    axes = {"latitude_deg": LATITUDE[:2], "longitude_deg": LONGITUDE[:2],
            "terrain_m": np.zeros((2, 2), np.float32), "cycle_unix_s": 0.0}  # fmt: skip
    one = build_wind_grid(blank, **axes)  # type: ignore[arg-type]
    other = build_wind_grid(replace(blank, specific_humidity=None), **axes)  # type: ignore[arg-type]
    np.testing.assert_array_equal(one.air, other.air)
    assert one.moisture is not None
    assert np.all(one.moisture == 0.0)


def _exact(grid: WindGrid, flown: FlightTrain) -> tuple[float, float]:
    """Landing by an adaptive integrator, with gas at the true pressure and temperature.

    The mass of gas is what gives the nozzle lift in the moist air of the site; its volume
    follows true pressure and temperature, its lift the density of the moist air round it.
    """
    z_levels, _, q = _tropical()
    order = np.argsort(z_levels)
    air = grid.air[0, 0, 2, 3].astype(np.float64)
    heights = grid.height_m

    def state(z: float) -> tuple[float, float, float, float, float]:
        u, v, warm, log_p = (float(np.interp(z, heights, air[:, n])) for n in range(4))
        moist = float(np.interp(z, z_levels[order], q[order]))
        if z > z_levels.max():
            moist = 0.0
        density = np.exp(log_p) / (c.AIR_GAS_CONSTANT * warm)
        return u, v, warm, float(density), float(virtual_factor(moist))

    share = lift_fraction(flown.gas, flown.gas_purity)
    *_, factor0 = state(0.0)
    # density of dry air at true pressure and temperature is the moist one times the factor
    displaced = flown.total_lift_kg / (share - (1.0 - 1.0 / factor0))

    def rise(z: float, g: float) -> float:
        _, _, warm, density, factor = state(z)
        volume = displaced / (density * factor)
        size = np.cbrt(6.0 / np.pi * volume)
        lift = displaced / factor - displaced * (1.0 - share)  # moist air less gas
        free = lift - flown.balloon_mass_kg - flown.payload_mass_kg
        push = 8.0 * free * g * density / (np.pi * float(viscosity_pas(warm)) ** 2)
        low, high = np.log(1e3), np.log(1e8)
        for _ in range(60):
            middle = 0.5 * (low + high)
            under = float(sounding_balloon_drag(np.exp(middle))) * np.exp(2.0 * middle) < push
            low, high = (middle, high) if under else (low, middle)
        return float(np.exp(low) * viscosity_pas(warm) / (density * size))

    def slope(_: float, y: np.ndarray, rising: bool) -> list[float]:
        u, v, density = (state(y[2])[n] for n in (0, 1, 3))
        g = float(gravity_mps2(SITE[0], y[2]))
        area = flown.parachute_drag_coefficient * flown.parachute_area_m2
        sinking = float(np.sqrt(2.0 * flown.falling_mass_kg * g / (density * area)))
        w = rise(y[2], g) if rising else -sinking
        over_ground = 6.378e6 / (6.378e6 + y[2])
        return [v * over_ground, u * over_ground, w]

    def burst(_: float, y: np.ndarray) -> float:
        density, factor = state(y[2])[3:]
        return float(np.cbrt(6.0 / np.pi * displaced / (density * factor)) - flown.burst_diameter_m)

    def ground(_: float, y: np.ndarray) -> float:
        return float(y[2])

    options = {"rtol": 1e-6, "atol": 1e-3, "max_step": 60.0}
    up = solve_ivp(
        slope, (0.0, 2e4), [0.0, 0.0, 0.0], args=(True,), events=[_with(burst)], **options
    )
    down = solve_ivp(
        slope, (0.0, 2e4), up.y[:, -1], args=(False,), events=[_with(ground)], **options
    )
    return float(down.y[0, -1]), float(down.y[1, -1])


def _with(event: Callable[[float, np.ndarray], float]) -> Callable[..., float]:
    """An event that is asked with the same arguments as the slope."""

    def asked(t: float, y: np.ndarray, _: bool) -> float:
        return event(t, y)

    asked.terminal = True  # type: ignore[attr-defined]
    return asked


def test_landing_in_moist_air_against_exact_gas_volume_and_lift() -> None:
    """The worst case, tropical air: what our form of humidity leaves out, and what leaving
    humidity out would cost."""
    flown, start = made_air.train(), made_air.launches(*SITE)
    landed = {}
    for name, grid in (("moist", _grid(True)), ("dry", _grid(False))):
        flights = fly(grid, start, flown, central_draw(1), step_s=10.0)
        assert flights.status[0, 0, 0] == FlightStatus.LANDED
        landed[name] = flights
    north, east = _exact(_grid(True), flown)
    exact = float(np.hypot(north, east))
    moist, dry = (float(landed[name].drift_m[0, 0, 0]) for name in ("moist", "dry"))
    print(f"drift {moist:.0f} m moist, {dry:.0f} m dry, {exact:.0f} m exact")
    assert abs(moist - exact) < 0.002 * exact
    assert 0.01 * exact < dry - exact < 0.03 * exact
