"""The standard atmosphere, gravity and heights against printed tables and other libraries."""

from typing import Any

import ambiance
import fluids
import numpy as np
import pytest

from windowwatch.errors import InputError
from windowwatch.physics import atmosphere as air

# U.S. Standard Atmosphere 1976 at geometric heights: z [km], H [m], T [K], p [hPa],
# rho [kg m-3], mu [1e-5 Pa s], g [m s-2]. Pressure and density have the five digits of the
# printed table I of NOAA-S/T 76-1562; rows as reproduced by three libraries.
TABLE = """
0   0        288.150 1013.2   1.2250     1.7894 9.80665
1   999.84   281.651 898.76   1.1117     1.7579 9.80357
3   2998.58  268.659 701.21   0.90925    1.6938 9.79740
5   4996.07  255.676 540.48   0.73643    1.6282 9.79124
10  9984.29  223.252 265.00   0.41351    1.4577 9.77587
11  10981.00 216.774 227.00   0.36480    1.4223 9.77280
15  14964.69 216.650 121.12   0.19476    1.4216 9.76053
20  19937.27 216.650 55.293   0.088910   1.4216 9.74523
25  24902.06 221.552 25.492   0.040084   1.4484 9.72997
30  29859.08 226.509 11.970   0.018410   1.4753 9.71474
32  31839.72 228.490 8.8906   0.013555   1.4859 9.70866
35  34808.35 236.513 5.7459   0.0084634  1.5287 9.69955
40  39749.87 250.350 2.8714   0.0039957  1.6009 9.68439
"""
ROWS = [line.split() for line in TABLE.strip().splitlines()]

# Table I of NOAA-S/T 76-1562, from memory, pressure and density to four digits.
HIGH = [  # z [km], T [K], p [Pa], rho [kg m-3]
    (50, "270.650", "79.78", "1.027e-3"),
    (60, "247.021", "21.96", "3.097e-4"),
    (70, "219.585", "5.221", "8.283e-5"),
    (80, "198.639", "1.052", "1.846e-5"),
    (86, "186.867", "0.3734", "6.958e-6"),
]


def half_last_digit(text: str) -> float:
    mantissa, _, exponent = text.partition("e")
    decimals = len(mantissa.partition(".")[2])
    return float(0.5 * 10.0 ** (float(exponent or 0) - decimals) * 1.0001)


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row[0]}km")
def test_table_rows_to_half_their_last_digit(row: list[str]) -> None:
    z = float(row[0]) * 1e3
    state = air.standard_atmosphere(z)
    geopotential = 6_356_766.0 * z / (6_356_766.0 + z)
    for text, value in (
        (row[1], geopotential),
        (row[2], float(state.temperature_k)),
        (row[3], float(state.pressure_pa) / 100.0),
        (row[4], float(state.density_kgpm3)),
        (row[5], float(air.viscosity_pas(state.temperature_k)) * 1e5),
    ):
        assert value == pytest.approx(float(text), abs=half_last_digit(text))


@pytest.mark.parametrize("row", HIGH, ids=lambda row: f"{row[0]}km")
def test_high_rows(row: tuple[float, str, str, str]) -> None:
    state = air.standard_atmosphere(row[0] * 1e3)
    for text, value in zip(row[1:], state, strict=True):
        assert float(value) == pytest.approx(float(text), abs=half_last_digit(text))


def test_two_independent_libraries_agree() -> None:
    z = np.linspace(0.0, 80_000.0, 161)
    ours = air.standard_atmosphere(z)
    theirs = ambiance.Atmosphere(z)
    np.testing.assert_allclose(ours.temperature_k, theirs.temperature, rtol=2e-5)
    np.testing.assert_allclose(ours.pressure_pa, theirs.pressure, rtol=2e-5)
    np.testing.assert_allclose(ours.density_kgpm3, theirs.density, rtol=2e-5)
    np.testing.assert_allclose(
        air.viscosity_pas(theirs.temperature), theirs.dynamic_viscosity, rtol=1e-5
    )
    for height, p in zip(z, ours.pressure_pa, strict=True):
        assert pytest.approx(p, rel=2e-5) == fluids.ATMOSPHERE_1976(height).P


def test_a_third_library_agrees_to_86_km() -> None:
    ussa1976 = pytest.importorskip("ussa1976", reason="the library ussa1976 is not installed")
    z = np.linspace(0.0, 86_000.0, 173)
    ours = air.standard_atmosphere(z)
    theirs = ussa1976.compute(z=z, variables=["t", "p", "rho"])
    np.testing.assert_allclose(ours.pressure_pa, theirs.p.values, rtol=2e-5)
    np.testing.assert_allclose(ours.density_kgpm3, theirs.rho.values, rtol=2e-5)
    # above 80 km it gives the molecular-scale temperature
    low = z <= 80_000.0
    np.testing.assert_allclose(ours.temperature_k[low], theirs.t.values[low], atol=1e-6)


# ISO 2533 / USSA 1976 inverse: p [hPa] -> z [m], own evaluation of the handbook's formula
@pytest.mark.parametrize(
    ("hpa", "z"),
    [(1000, 110.9), (850, 1457.6), (500, 5579.3), (250, 10379.9), (100, 16221.0),
     (50, 20643.0), (10, 31207.1), (5, 35979.0)],
)  # fmt: skip
def test_height_of_a_pressure(hpa: float, z: float) -> None:
    assert float(air.standard_height_m(hpa * 100.0)) == pytest.approx(z, abs=0.06)


def test_height_of_a_density_is_the_inverse() -> None:
    z = np.array([-1_000.0, 0.0, 11_000.0, 30_123.0, 60_000.0])
    density = air.standard_atmosphere(z).density_kgpm3
    np.testing.assert_allclose(air.standard_density_height_m(density), z, atol=0.02)
    assert np.isnan(air.standard_density_height_m(1e-9))


# Somigliana on WGS 84, and the values of the WMO-No. 8 chapter on upper-air measurements
@pytest.mark.parametrize(
    ("latitude", "sea", "at_30_km", "gpm"),
    [(0, 9.780325, 9.68834, 29_778.5), (30, 9.793247, 9.70130, 29_818.0),
     (45, 9.806198, 9.71428, 29_857.7), (52, 9.812474, 9.72057, 29_876.9),
     (60, 9.819177, 9.72729, 29_897.4)],
)  # fmt: skip
def test_gravity_and_geopotential(latitude: float, sea: float, at_30_km: float, gpm: float) -> None:
    assert float(air.gravity_mps2(latitude)) == pytest.approx(sea, abs=1e-6)
    assert float(air.gravity_mps2(latitude, 30e3)) == pytest.approx(at_30_km, abs=1e-5)
    assert float(air.geopotential_height_m(30e3, latitude)) == pytest.approx(gpm, abs=0.06)
    assert float(air.geometric_height_m(gpm, latitude)) == pytest.approx(30e3, abs=0.06)


def test_hypsometric_thickness() -> None:
    # 1000 to 500 hPa at a mean of 273.15 K is 5542 gpm thick (textbook value)
    gpm = air.geopotential_height_m(5e3, 45.0)
    thickness = 287.053 * 273.15 / 9.80665 * np.log(2.0)
    assert thickness == pytest.approx(5542.0, abs=0.5)
    assert 4990.0 < gpm < 5000.0


def test_humidity_lightens_air() -> None:
    # saturated at 30 C and sea level: 27.2 g/kg, 1.6 % lighter (textbook value)
    dry, moist = air.air_density(101_325.0, 303.15), air.air_density(101_325.0, 303.15, 0.0272)
    assert float(dry / moist) == pytest.approx(1.0165, abs=5e-4)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: air.standard_atmosphere(90e3), "covers -5000 m to 86000 m"),
        (lambda: air.standard_height_m(0.1), "above the standard atmosphere"),
        (lambda: air.air_density(1e5, [280.0, -1.0]), "above 0 K; it is -1.0 K"),
    ],
)
def test_refusals_say_why(call: Any, words: str) -> None:
    with pytest.raises(InputError, match=words):
        call()
