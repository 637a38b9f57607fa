"""The air at the site when the balloon is filled, out of a flight's density."""

from math import exp

import numpy as np
import pytest

from windowwatch.physics.fill import SiteAir
from windowwatch.physics.flights import FlightStatus
from windowwatch.physics.paths import FlightPath
from windowwatch.scoring.drawing import site_air


def path(temperature_k: float, density_kgpm3: float) -> FlightPath:
    def pair(first: float) -> np.ndarray:
        return np.array([first, 0.5 * first])

    two = np.zeros(2)
    return FlightPath(
        FlightStatus.LANDED, two, two, two, two, np.array([True, False]), two, two,
        pair(temperature_k), pair(density_kgpm3), two, two,
    )  # fmt: skip


@pytest.mark.parametrize(("warmth_degc", "pressure_pa"), [(-15.0, 95_000.0), (15.0, 101_325.0),
                                                         (30.0, 100_200.0)])  # fmt: skip
@pytest.mark.parametrize("humidity", [0.0, 0.5, 1.0])
def test_it_is_the_air_at_the_release_whatever_its_vapour(
    warmth_degc: float, pressure_pa: float, humidity: float
) -> None:
    """Density of moist air by Dalton's law, gas constants of dry air and vapour 287.05 and 461.5
    J/(kg K), vapour pressure by Magnus' formula (WMO-No. 8, annex 4.B; all from memory)."""
    warmth_k = warmth_degc + 273.15
    vapour_pa = humidity * 611.2 * exp(17.62 * warmth_degc / (243.12 + warmth_degc))
    density = (pressure_pa - vapour_pa) / (287.05 * warmth_k) + vapour_pa / (461.5 * warmth_k)
    found = site_air(path(warmth_k, density))
    assert found.temperature_k == warmth_k
    # not how moist it is: off by half of what vapour can be, 0.9 % at 30 °C
    assert found.pressure_pa == pytest.approx(pressure_pa, rel=0.009)
    if humidity == 0.5:
        assert found.pressure_pa == pytest.approx(pressure_pa, rel=2e-4)
    assert SiteAir(found.pressure_pa, warmth_k).density_kgpm3 == pytest.approx(density, rel=0.01)
