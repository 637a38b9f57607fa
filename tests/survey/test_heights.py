"""Heights worked out from temperature and humidity, and a flight through an archive's air."""

from pathlib import Path

import made_air
import made_archive
import numpy as np
import pytest
from ambiance import Atmosphere

from windowwatch.physics.flights import FlightStatus, fly
from windowwatch.physics.spread import central_draw
from windowwatch.survey.air import hydrostatic_heights_m, lay
from windowwatch.survey.flying import Reader

pytestmark = pytest.mark.survey

LEVELS_PA = 100.0 * np.asarray(made_archive.LEVELS_HPA, dtype=np.float64)


def column(values: object) -> np.ndarray:
    """A profile as [1, L, 1, 1]."""
    return np.asarray(values, dtype=np.float64)[None, :, None, None]


@pytest.mark.parametrize(("mean_k", "thickness_m"), [(288.15, 5846.0), (233.15, 4730.0)])
def test_thickness_of_a_layer_by_a_worked_example(mean_k: float, thickness_m: float) -> None:
    """Wallace and Hobbs, Atmospheric Science (2006), exercise 3.3 (from memory): 1000 to 500 hPa at
    mean virtual temperatures of 15 and -40 °C. They take 287 J/(kg K) and 9.81 m/s²: 6e-4 less."""
    levels = np.array([100_000.0, 70_000.0, 50_000.0])
    found = hydrostatic_heights_m(
        levels, column([mean_k] * 3), None, np.full((1, 1, 1), 1e5), np.zeros((1, 1))
    )[0, :, 0, 0]
    assert found[0] == pytest.approx(0.0, abs=1e-6)
    assert found[2] == pytest.approx(thickness_m, rel=1e-3)


def test_heights_of_the_standard_atmosphere() -> None:
    """Against `ambiance` (ICAO 1993): a metre or so off up to the tropopause; 9 m come where it
    lies between two levels, and as much where the air begins to warm at 10 hPa."""
    air = Atmosphere.from_pressure(LEVELS_PA)
    found = hydrostatic_heights_m(
        LEVELS_PA, column(air.temperature), None, np.full((1, 1, 1), 101_325.0), np.zeros((1, 1))
    )[0, :, 0, 0]
    np.testing.assert_allclose(found, air.H, atol=20.0)
    np.testing.assert_allclose(found[LEVELS_PA >= 2.5e4], air.H[LEVELS_PA >= 2.5e4], atol=1.5)


def test_moist_air_stands_higher_by_its_virtual_temperature() -> None:
    """20 g/kg at 300 K is as light as dry air of 303.65 K (WMO-No. 8: 1 + 0.608 q times warmer)."""
    levels = np.array([100_000.0, 85_000.0, 70_000.0])
    base = np.full((1, 1, 1), 1e5), np.zeros((1, 1))
    dry = hydrostatic_heights_m(levels, column([300.0] * 3), None, *base)
    moist = hydrostatic_heights_m(levels, column([300.0] * 3), column([0.02] * 3), *base)
    assert moist[0, 2, 0, 0] / dry[0, 2, 0, 0] == pytest.approx(303.65 / 300.0, rel=3e-5)


@pytest.mark.parametrize("base_pa", [105_000.0, 97_000.0, 60_000.0])
def test_a_base_between_or_under_levels_is_met_at_its_height(base_pa: float) -> None:
    """Against `ambiance`: the ground may be at any pressure, and levels under it go on down."""
    air, ground = Atmosphere.from_pressure(LEVELS_PA), Atmosphere.from_pressure(base_pa)
    found = hydrostatic_heights_m(
        LEVELS_PA,
        column(air.temperature),
        None,
        np.full((1, 1, 1), base_pa),
        ground.H.reshape(1, 1),
    )[0, :, 0, 0]
    np.testing.assert_allclose(found[:10], air.H[:10], atol=3.0)


def test_flights_without_geopotential_land_where_they_would_with_it(tmp_path: Path) -> None:
    """Heights that are 10 m off are 0.1 % of the flight, and so of its drift of 110 km."""
    made = made_archive.archive(days=1.0)
    ends = []
    for name, dataset in (("with", made), ("without", made.drop_vars("z"))):
        archive = made_archive.opened(dataset, tmp_path / f"{name}.zarr")
        reader = Reader(archive, archive.cut((43.0, -39.0, 49.0, -31.0)))
        first = float(archive.times_of("u")[0])
        wind, _ = lay(reader.span(first, first + 18 * 3600.0), first)
        ends.append(fly(wind, made_air.launches(46.0, -35.5, 60.0, first + 3600.0),
                        made_air.train(), central_draw(1), threads=1))  # fmt: skip
    (a, b) = ends
    assert a.status[0, 0, 0] == b.status[0, 0, 0] == FlightStatus.LANDED
    assert a.landing_longitude_deg[0, 0, 0] == pytest.approx(
        b.landing_longitude_deg[0, 0, 0], abs=1e-3
    )
    assert a.burst_height_m[0, 0, 0] == pytest.approx(b.burst_height_m[0, 0, 0], abs=20.0)


def test_a_flight_through_an_archive_against_an_adaptive_integrator(tmp_path: Path) -> None:
    """`scipy.integrate.solve_ivp` through the formulas that the archive was made of.

    Wind is linear in height and time, so no grid changes it; the archive's levels cut the standard
    atmosphere's temperature, which moves the burst by some metres.
    """
    archive = made_archive.opened(made_archive.archive(days=1.0), tmp_path / "x.zarr")
    reader = Reader(archive, archive.cut((43.0, -39.0, 49.0, -31.0)))
    first = float(archive.times_of("u")[0])
    wind, _ = lay(reader.span(first, first + 18 * 3600.0), first)
    launch = made_air.launches(46.0, -35.5, 60.0, first + 3600.0)
    ours = fly(wind, launch, made_air.train(), central_draw(1), threads=1)
    since = made_air.MONDAY - first
    truth = made_air.grid(
        lambda t, y, x, z: made_archive.wind((t + since) / 3600.0, z),
        time_unix_s=wind.time_unix_s, terrain_m=50.0,
    )  # fmt: skip
    slow = made_air.slow_flight(truth, launch, made_air.train())
    assert ours.status[0, 0, 0] == FlightStatus.LANDED
    assert float(ours.drift_m[0, 0, 0]) > 80_000.0
    # 1e-3 degrees are 100 m: of a drift of over 80 km
    assert float(ours.landing_latitude_deg[0, 0, 0]) == pytest.approx(slow["latitude"], abs=1.5e-3)
    assert float(ours.landing_longitude_deg[0, 0, 0]) == pytest.approx(
        slow["longitude"], abs=1.5e-3
    )
    assert float(ours.landing_time_unix_s[0, 0, 0]) == pytest.approx(slow["time"], abs=20.0)
