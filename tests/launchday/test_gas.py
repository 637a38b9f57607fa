"""The fill of the day against CoolProp: what leaves which cylinder, and what is left."""

import pytest

from windowwatch.errors import InputError
from windowwatch.launchday.gas import Cylinder, fill_of_day
from windowwatch.physics.fill import SiteAir
from windowwatch.physics.train import FlightTrain, Gas

pytestmark = pytest.mark.launchday

AIR = SiteAir(99_000.0, 276.15)


def train(gas: Gas) -> FlightTrain:
    return FlightTrain(1.2, 1.6, 2.8, 8.6, 2.5, gas=gas)


@pytest.mark.parametrize("gas", list(Gas))
@pytest.mark.parametrize("celsius", [-5.0, 30.0])
def test_the_gas_that_leaves_is_the_gas_that_fills(gas: Gas, celsius: float) -> None:
    """Amounts by CoolProp's reference equations of state, at each pressure that is told."""
    from CoolProp.CoolProp import PropsSI  # takes seconds to load: only whoever asks it does

    kelvin = celsius + 273.15
    bank = [
        Cylinder("blue", 0.05, 180e5, kelvin),
        Cylinder("old", 0.05, 40e5, kelvin),
        Cylinder("low", 0.05, 1.5e5, kelvin),
    ]
    found = fill_of_day(train(gas), AIR, bank, left_pa=2e5, flow_m3ps=0.01)

    def amount(pressure_pa: float) -> float:
        return 0.05 * float(PropsSI("Dmolar", "P", pressure_pa, "T", kelvin, gas.value))

    out = sum(amount(each.from_pa) - amount(each.to_pa) for each in found.drawn)
    put_in = found.fill.standard_volume_m3 * 101_325.0 / (8.314462618 * 288.15)
    assert out == pytest.approx(put_in, rel=0.006)
    assert [each.name for each in found.drawn] == ["old", "blue"]  # "low" gives nothing any more
    assert found.drawn[0].to_pa == pytest.approx(2e5, rel=1e-6)
    assert found.short_m3 == 0.0
    left = amount(found.drawn[1].to_pa) - amount(2e5)
    assert found.left_m3 * 101_325.0 / (8.314462618 * 288.15) == pytest.approx(left, rel=0.006)
    assert found.second_tries == pytest.approx(found.left_m3 / found.fill.standard_volume_m3)
    assert found.time_s == pytest.approx(found.fill.standard_volume_m3 / 0.01)


def test_what_is_missing_is_said() -> None:
    found = fill_of_day(train(Gas.HELIUM), AIR, [Cylinder("a", 0.05, 60e5)], left_pa=2e5)
    assert found.short_m3 > 0.5
    assert (found.left_m3, found.second_tries, found.time_s) == (0.0, 0.0, None)
    assert found.drawn[0].to_pa == pytest.approx(2e5, rel=1e-6)


@pytest.mark.parametrize(
    ("values", "words"),
    [
        (("a", 50.0, 200e5), r"50000 l; give 1 to 5000"),
        (("a", 0.05, 0.0), "0 bar; give 0 to 1000"),
        (("a", 0.05, 2e9), "20000 bar"),
    ],
)
def test_a_cylinder_that_cannot_be_is_refused(values: tuple[str, float, float], words: str) -> None:
    with pytest.raises(InputError, match=words):
        Cylinder(*values)


def test_two_of_one_name_are_refused() -> None:
    bank = [Cylinder("a", 0.05, 60e5)] * 2
    with pytest.raises(InputError, match="two cylinders are called 'a'"):
        fill_of_day(train(Gas.HELIUM), AIR, bank, left_pa=2e5)
