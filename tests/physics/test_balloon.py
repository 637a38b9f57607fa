"""Lift, size, drag, rise, burst and fill against published tables."""

from collections.abc import Callable

import fluids
import made_air
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq

from windowwatch.errors import InputError
from windowwatch.physics import balloon, fill
from windowwatch.physics.atmosphere import standard_atmosphere, viscosity_pas
from windowwatch.physics.train import DragCurve, FlightTrain, Gas

# Common published values for natural-latex sounding balloons, hydrogen: balloon [g],
# release diameter [cm], gross lift, nozzle lift, payload, free lift [g], rise [m/min],
# burst diameter [cm], burst volume [m3], burst height [km]
PUBLISHED = """
200  117  960  760  250  510 320  300   14.1 21.2
300  123 1110  810  250  560 320  378   28.3 24.7
350  125 1185  835  250  585 320  412   36.6 25.9
450  130 1335  885  250  635 320  472   55.1 27.7
500  133 1405  905  250  655 320  499   65.1 28.4
600  142 1720 1120  250  870 320  602  114.2 30.8
700  146 1870 1170  250  920 320  653  145.8 31.8
800  150 2020 1220  250  970 320  700  179.6 32.6
1000 157 2310 1310  250 1060 320  786  254.3 33.9
1200 179 3440 2240 1050 1190 320  863  336.5 33.2
1500 185 3830 2330 1050 1280 320  944  440.5 34.2
2000 195 4470 2470 1050 1420 320 1054  613.1 35.4
3000 212 5720 2720 1050 1670 320 1300 1150.3 37.9
"""
ROWS = [[float(x) for x in line.split()] for line in PUBLISHED.strip().splitlines()]


def published(row: list[float], **changes: object) -> FlightTrain:
    return made_air.train(
        balloon_mass_kg=row[0] / 1e3, nozzle_lift_kg=row[3] / 1e3, payload_mass_kg=row[4] / 1e3,
        burst_diameter_m=row[7] / 1e2, gas_purity=1.0, **changes,
    )  # fmt: skip


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row[0]:.0f}g")
def test_published_balloons(row: list[float]) -> None:
    train = published(row)
    assert train.total_lift_kg == pytest.approx(row[2] / 1e3)
    assert train.free_lift_kg == pytest.approx(row[5] / 1e3)
    # release size at 15 C: published diameters are whole centimetres of a rounded lift
    assert float(balloon.diameter_m(train, 1.225)) == pytest.approx(row[1] / 100, rel=0.008)
    # the published height follows from density alone within -0.03 to +0.25 km
    assert -30.0 < balloon.burst_height_m(train) - row[9] * 1e3 < 260.0
    assert balloon.usual_burst_diameter_m(row[0] / 1e3) == pytest.approx(row[7] / 100)
    # the drag coefficient that gives 320 m/min at sea level
    constant = published(row, balloon_drag_coefficient=0.3)
    rate = float(balloon.ascent_rate_mps(constant, 101_325.0, 288.15))
    implied = 0.3 * (rate / (320.0 / 60.0)) ** 2
    assert 0.262 < implied < 0.312
    # the published drag curve gives the rate itself within 10 % from 600 g on; it is known
    # not to fit the smaller balloons, which it makes slower than they are
    curve = float(balloon.ascent_rate_mps(train, 101_325.0, 288.15)) / (320.0 / 60.0)
    assert (0.90 if row[0] >= 600.0 else 0.82) < curve < 1.10


@pytest.mark.parametrize(
    ("gas", "purity", "celsius", "lift"),
    [(Gas.HYDROGEN, 1.0, 0.0, 1.2023), (Gas.HYDROGEN, 1.0, 15.0, 1.1397),
     (Gas.HELIUM, 1.0, 0.0, 1.1137), (Gas.HELIUM, 1.0, 15.0, 1.0557),
     (Gas.HELIUM, 0.99, 15.0, 1.0452), (Gas.HELIUM, 0.95, 15.0, 1.0029),
     (Gas.HYDROGEN, 0.98, 15.0, 1.1169)],
)  # fmt: skip
def test_lift_of_a_cubic_metre(gas: Gas, purity: float, celsius: float, lift: float) -> None:
    # gas law with molar masses of IUPAC and ISO 2533 at 1013.25 hPa
    density = float(101_325.0 / (287.05287 * (273.15 + celsius)))
    volume = float(balloon.gas_volume_m3(lift, density, gas, purity))
    assert volume == pytest.approx(1.0, abs=1.5e-4)


# Worked examples, 15 C and 1013.25 hPa: gross lift [kg], burst diameter [m], then volume,
# diameter and burst height with hydrogen and with helium
HEAD_TO_HEAD = [
    (1.720, 6.02, (1.5091, 1.4231, 30_840), (1.6292, 1.4599, 30_341)),
    (2.310, 7.86, (2.0268, 1.5701, 34_080), (2.1881, 1.6107, 33_591)),
    (3.440, 8.63, (3.0183, 1.7930, 33_329), (3.2585, 1.8394, 32_845)),
    (5.720, 13.00, (5.0187, 2.1242, 38_028), (5.4182, 2.1791, 37_516)),
]


@pytest.mark.parametrize("row", HEAD_TO_HEAD, ids=lambda row: f"{row[0]}kg")
def test_hydrogen_against_helium(row) -> None:  # type: ignore[no-untyped-def]
    gross, burst, *both = row
    for gas, (volume, size, height) in zip((Gas.HYDROGEN, Gas.HELIUM), both, strict=True):
        train = made_air.train(
            balloon_mass_kg=0.5, nozzle_lift_kg=gross - 0.5, payload_mass_kg=0.2, gas=gas,
            burst_diameter_m=burst, gas_purity=1.0,
        )  # fmt: skip
        assert float(balloon.gas_volume_m3(gross, 1.225, gas)) == pytest.approx(volume, abs=2e-4)
        assert float(balloon.diameter_m(train, 1.225)) == pytest.approx(size, abs=1e-4)
        assert balloon.burst_height_m(train) == pytest.approx(height, abs=3.0)


def test_constant_drag_rises_as_density_to_the_sixth() -> None:
    train = published(ROWS[8], balloon_drag_coefficient=0.30)
    air = standard_atmosphere(np.array([0.0, 5e3, 10e3, 15e3, 20e3, 25e3, 30e3]))
    rate = balloon.ascent_rate_mps(train, air.pressure_pa, air.temperature_k)
    np.testing.assert_allclose(
        rate / rate[0], [1, 1.0885, 1.1984, 1.3587, 1.5483, 1.7682, 2.0130], atol=6e-5
    )
    assert rate[[0, 2, 6]] == pytest.approx([5.4053, 6.4778, 10.881], abs=6e-4)


def test_who_writes_to_a_drag_table_changes_no_other() -> None:
    train = published(ROWS[9])
    table = balloon.drag_table(train)[2]
    kept = table.copy()
    table[:] = 0.0
    assert np.array_equal(balloon.drag_table(train)[2], kept)


@pytest.mark.parametrize("curve", DragCurve)
def test_rise_without_iteration_is_the_root_of_the_force_balance(curve: DragCurve) -> None:
    known = {
        DragCurve.SOUNDING: balloon.sounding_balloon_drag,
        DragCurve.SPHERE: balloon.sphere_drag,
    }
    train = published(ROWS[9], drag_curve=curve)
    for z in (0.0, 6e3, 12e3, 20e3, 30e3):
        air = standard_atmosphere(z)
        density, viscosity = float(air.density_kgpm3), float(viscosity_pas(air.temperature_k))
        size = float(balloon.diameter_m(train, density))

        def excess(w: float, rho: float = density, mu: float = viscosity, d: float = size) -> float:
            drag = float(known[curve](rho * w * d / mu))
            return 0.5 * rho * drag * np.pi / 4 * d**2 * w**2 - 1.190 * 9.80665

        rate = float(balloon.ascent_rate_mps(train, air.pressure_pa, air.temperature_k))
        assert rate == pytest.approx(brentq(excess, 0.1, 50.0), rel=2e-4)


def test_drag_curve() -> None:
    # evaluations of the published mean curve (Gallice et al. 2011; from memory)
    reynolds = np.array([3e5, 5e5, 5.73e5, 7.7e5])
    np.testing.assert_allclose(
        balloon.sounding_balloon_drag(reynolds), [0.40, 0.32, 0.30, 0.27], atol=0.006
    )
    # below Re 2.1e5 the effective coefficient of real ascents, and no jump where they meet
    np.testing.assert_allclose(
        balloon.sounding_balloon_drag([2e4, 3e4, 1.2e5, 2.1e5]), [1.22, 1.22, 1.12, 0.48], atol=5e-3
    )
    assert np.all(np.diff(balloon.sounding_balloon_drag(np.geomspace(1e4, 1e8, 500))) <= 0.0)


def test_smooth_sphere() -> None:
    reynolds = np.array([1e2, 1e3, 1e4, 1e5, 2e5])
    theirs = [fluids.drag.Clift_Gauvin(re) for re in reynolds]
    np.testing.assert_allclose(balloon.sphere_drag(reynolds), theirs, rtol=1e-12)
    np.testing.assert_allclose(balloon.sphere_drag([1e3, 1e5]), [0.464, 0.467], atol=5e-4)


@pytest.mark.parametrize("curve", [balloon.sounding_balloon_drag, balloon.sphere_drag])
def test_one_rate_of_rise_for_each_lift(curve: Callable[[object], np.ndarray]) -> None:
    # drag must grow with speed throughout, or the balloon would have two steady speeds
    number = np.geomspace(1e2, 1e8, 5_000)
    assert np.all(np.diff(curve(number) * number**2) > 0.0)


@given(
    lift=st.floats(1.6, 6.0), more=st.floats(1e-3, 2.0), z=st.floats(0.0, 35e3),
    drag=st.one_of(st.none(), st.floats(0.2, 0.6)), gas=st.sampled_from(Gas),
)  # fmt: skip
def test_more_gas_never_rises_slower(
    lift: float, more: float, z: float, drag: float | None, gas: Gas
) -> None:
    air = standard_atmosphere(z)
    few, many = (
        balloon.ascent_rate_mps(
            made_air.train(nozzle_lift_kg=x, balloon_drag_coefficient=drag, gas=gas),
            air.pressure_pa, air.temperature_k,
        )
        for x in (lift, lift + more)
    )  # fmt: skip
    assert many >= few * (1.0 - 1e-9)


def test_fill_three_ways_is_the_same_fill() -> None:
    train, air = made_air.train(), fill.SiteAir(99_800.0, 283.0)
    first = fill.fill_for_ascent_rate(train, 5.2, air)
    assert first.mean_rate_mps == pytest.approx(5.2, abs=1e-4)
    for other in (
        fill.fill_for_burst_height(train, first.burst_height_m, air),
        fill.fill_for_gas(train, first.standard_volume_m3, air),
        fill.fill_for_lift(train, first.nozzle_lift_kg, air),
    ):
        assert other.nozzle_lift_kg == pytest.approx(first.nozzle_lift_kg, rel=1e-4)
        assert other.volume_m3 == pytest.approx(first.volume_m3, rel=1e-4)
    # mass and volume by the gas law: 99 % hydrogen, 1 % air at the site's air
    molar = 0.99 * 2.01588 + 0.01 * 28.9644
    assert first.gas_mass_kg == pytest.approx(
        99_800.0 * first.volume_m3 / (8_314.32 / molar * 283.0), rel=1e-5
    )


def test_fill_of_the_published_row() -> None:
    made = fill.fill_for_lift(published(ROWS[9]), 2.24)
    assert made.diameter_m == pytest.approx(1.79, abs=0.01)
    assert made.standard_volume_m3 == pytest.approx(3.018, abs=0.002)
    assert made.volume_m3 == made.standard_volume_m3


def test_warnings_and_conflicts_in_words() -> None:
    train = made_air.train()
    slow = fill.fill_for_lift(train, 1.9, surface_wind_mps=12.0, wanted_burst_m=36e3)
    assert [w.split(":")[0] for w in slow.warnings] == [
        "too little free lift for the wind", "slow", "bursts low"
    ]  # fmt: skip
    fast = fill.fill_for_lift(train, 3.6, surface_wind_mps=5.0)
    assert [w.split(":")[0] for w in fast.warnings] == ["fast"]
    assert fill.explain_conflict(train, 5.0, 30e3) is None
    words = fill.explain_conflict(train, 5.0, 33.2e3)
    assert words is not None
    assert "Filled to reach it, it rises at only" in words
    words = fill.explain_conflict(train, 5.0, 37e3)
    assert words is not None
    assert words.endswith("No fill reaches that height; take a larger balloon or less payload.")


def test_refusals() -> None:
    train = made_air.train()
    for words, call in (
        (r"a rise of 40\.0 m/s cannot be had", lambda: fill.fill_for_ascent_rate(train, 40.0)),
        (r"it bursts at 8\.63 m", lambda: fill.fill_for_lift(train, 600.0)),
        (r"2\.00 m³ of gas lift 2\.26 kg", lambda: fill.fill_for_gas(train, 2.0)),
        ("gas purity must be", lambda: balloon.lift_fraction(Gas.HELIUM, 1.2)),
        ("give burst_diameter_m", lambda: balloon.usual_burst_diameter_m(4.0)),
        ("flow of gas must be", lambda: fill.fill_time_s(3.0, 0.0)),
        ("more pressure than is left", lambda: fill.cylinders(
            Gas.HELIUM, 3.0, cylinder_m3=0.05, pressure_pa=1e5)),
        ("opening_delay_s must lie between 0 and 60", lambda: made_air.train(opening_delay_s=90.0)),
        ("measured_ascent_mps must be above", lambda: made_air.train(measured_ascent_mps=-1.0)),
    ):  # fmt: skip
        with pytest.raises(InputError, match=words):
            call()


def test_cylinders_and_time() -> None:
    # compressibility at 200 bar and 15 C: hydrogen 1.13, helium 1.10 (gas handbooks, from
    # memory), so a 50 l cylinder gives 50 l * 198 bar / 1.013 bar / Z = 8.65 and 8.9 m3
    for gas, held in ((Gas.HYDROGEN, 8.65), (Gas.HELIUM, 8.9)):
        for part, count in ((0.97, 1), (1.03, 2), (3.1, 4)):
            assert fill.cylinders(gas, part * held, cylinder_m3=0.05, pressure_pa=2e7) == count
    assert fill.fill_time_s(3.0, 0.005) == 600.0
