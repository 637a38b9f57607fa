"""Gas in cylinders held against CoolProp (Bell et al., Ind. Eng. Chem. Res. 53 (2014) 2498)."""

from math import ceil

import pytest
from made_air import train

from windowwatch.physics import fill
from windowwatch.physics.train import Gas

NAMES = {Gas.HYDROGEN: "Hydrogen", Gas.HELIUM: "Helium"}


def coolprop(
    wanted: str, first: str, value: float, second: str, other_value: float, gas: str
) -> float:
    """CoolProp's ``PropsSI``. It takes seconds to load: only whoever asks it does."""
    from CoolProp.CoolProp import PropsSI

    return float(PropsSI(wanted, first, value, second, other_value, gas))


@pytest.mark.parametrize("gas", NAMES)
@pytest.mark.parametrize("temperature_k", [233.15, 253.15, 288.15, 313.15, 333.15])
@pytest.mark.parametrize("pressure_pa", [2e5, 1e7, 2e7, 3e7])
def test_the_real_gas_factor(gas: Gas, temperature_k: float, pressure_pa: float) -> None:
    theirs = coolprop("Z", "T", temperature_k, "P", pressure_pa, NAMES[gas])
    within = 2e-4 if gas is Gas.HYDROGEN else 5e-3
    assert fill.compressibility(gas, pressure_pa, temperature_k) == pytest.approx(
        theirs, rel=within
    )


@pytest.mark.parametrize("gas", NAMES)
@pytest.mark.parametrize("celsius", [-20.0, 15.0, 35.0])
@pytest.mark.parametrize("left_pa", [2e5, 2e6])
def test_a_cold_cylinder_holds_what_it_was_filled_with(
    gas: Gas, celsius: float, left_pa: float
) -> None:
    """Mass by CoolProp: filled to 200 bar at 15 °C, used at the cylinder's temperature."""
    full = coolprop("D", "T", 288.15, "P", 2e7, NAMES[gas])
    left = coolprop("D", "T", celsius + 273.15, "P", left_pa, NAMES[gas])
    one_m3 = 0.05 * (full - left) / coolprop("D", "T", 288.15, "P", 101_325.0, NAMES[gas])

    def count(volume_m3: float) -> int:
        return fill.cylinders(
            gas,
            volume_m3,
            cylinder_m3=0.05,
            pressure_pa=2e7,
            left_pa=left_pa,
            temperature_k=celsius + 273.15,
        )

    for several in (1, 5):
        assert count(several * one_m3 * 0.99) == several
        assert count(several * one_m3 * 1.01) == several + 1


def test_a_gauge_on_a_cold_cylinder_shows_more_gas_than_the_stamp() -> None:
    """200 bar read at -20 °C is 12 to 14 % more gas than 200 bar at 15 °C."""
    ratio = coolprop("D", "T", 253.15, "P", 2e7, "Helium") / coolprop(
        "D", "T", 288.15, "P", 2e7, "Helium"
    )
    assert 1.11 < ratio < 1.15
    given = {"cylinder_m3": 0.05, "pressure_pa": 2e7, "temperature_k": 253.15}
    stamped = fill.cylinders(Gas.HELIUM, 1000.0, **given)
    read = fill.cylinders(Gas.HELIUM, 1000.0, pressure_at_k=253.15, **given)
    assert abs(read - ceil(stamped / ratio)) <= 1


@pytest.mark.parametrize("wanted_m", [28_000.0, 30_000.0, 33_000.0])
def test_a_burst_that_is_met_is_not_called_low(wanted_m: float) -> None:
    met = fill.fill_for_burst_height(train(), wanted_m, wanted_burst_m=wanted_m)
    assert not any("bursts low:" in words for words in met.warnings)
    higher = fill.fill_for_burst_height(train(), wanted_m, wanted_burst_m=wanted_m + 200.0)
    assert any("bursts low:" in words for words in higher.warnings)
