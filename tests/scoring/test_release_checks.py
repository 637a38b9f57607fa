"""Weather, light and clearance at the site, from set-up to hold."""

from dataclasses import replace
from typing import Any

import launch_days as day
import numpy as np
import pvlib
import pytest
from numpy.typing import NDArray

from windowwatch.physics.surface import SurfaceGrid
from windowwatch.scoring.answer import Measure
from windowwatch.scoring.checks.release import release_measures
from windowwatch.scoring.limits import LIMITS
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.scoring.values import FromMeanWind, Gap, Missing, Site

PLAN = ScoringPlan()  # set-up 60 min, hold 30 min
LAUNCH = np.array([day.LAUNCH])


def measured(
    changed: dict[str, Any] | None = None,
    plan: ScoringPlan = PLAN,
    *,
    grid: SurfaceGrid | None = None,
    site: Site = day.SITE,
    launch: NDArray[np.float64] = LAUNCH,
) -> dict[str, Measure]:
    weather = day.surface(changed) if grid is None else grid
    found = release_measures(site, launch, day.flights(launch.size), weather, plan)
    return {measure.name: measure for measure in found}


def value(measure: Measure) -> float:
    assert measure.values.shape[0] == 1
    return float(measure.values.ravel()[0])


def test_fine_day() -> None:
    found = measured()
    assert value(found["wind"]) == pytest.approx(2.0)
    assert value(found["gust"]) == pytest.approx(3.0)
    assert value(found["cloud"]) == pytest.approx(10.0)
    assert value(found["ceiling"]) == pytest.approx(5000.0)
    assert value(found["visibility"]) == pytest.approx(20.0)
    assert value(found["precipitation"]) == 0.0
    assert value(found["thunder"]) == 0.0
    assert "clearance" not in found


def test_wind_is_the_worst_from_set_up_to_hold() -> None:
    # Steps at -3, 0, +3 h: 5, 2, 8 m/s. An hour before: 3; half an hour after: 3.
    rising = {"wind_u_10m_mps": day.by_step(5.0, 2.0, 8.0)}
    assert value(measured(rising)["wind"]) == pytest.approx(3.0)
    longer = replace(PLAN, setup_min=180.0)
    assert value(measured(rising, longer)["wind"]) == pytest.approx(5.0)
    held = replace(PLAN, hold_min=120.0)
    assert value(measured(rising, held)["wind"]) == pytest.approx(6.0)


def test_wind_speed_is_of_both_components() -> None:
    both = {"wind_u_10m_mps": 3.0, "wind_v_10m_mps": -4.0}
    assert value(measured(both)["wind"]) == pytest.approx(5.0)


def test_members_keep_apart() -> None:
    weather = day.surface({"gust_mps": day.by_member(3.0, 9.0, np.nan)}, members=3)
    gust = measured(grid=weather)["gust"].values
    assert gust.shape == (1, 3, 1)
    assert gust[0, :2, 0].tolist() == [3.0, 9.0]
    assert np.isnan(gust[0, 2, 0])


def test_a_missing_gust_is_unknown_unless_the_director_gives_a_factor() -> None:
    assert np.isnan(value(measured({"gust_mps": None})["gust"]))
    # WMO/TD-No. 1555 (Harper, Kepert, Ginger 2010): 3 s gust over 600 s mean, in-land 1.66.
    found = measured({"gust_mps": None}, replace(PLAN, gust_factor=1.66))["gust"]
    assert value(found) == pytest.approx(1.66 * 2.0)
    assert found.facts == ((FromMeanWind(1.66),),)
    # A gust that is there with a gap is a gap, factor or not.
    gap = measured({"gust_mps": np.nan}, replace(PLAN, gust_factor=1.66))["gust"]
    assert np.isnan(value(gap))
    calmless = {"gust_mps": None, "wind_u_10m_mps": None}
    assert np.isnan(value(measured(calmless, replace(PLAN, gust_factor=1.66))["gust"]))


@pytest.mark.parametrize(
    ("name", "fields"),
    [
        ("wind", ["wind_v_10m_mps"]),
        ("cloud", ["cloud_total_pct"]),
        ("ceiling", ["ceiling_m"]),
        ("visibility", ["visibility_m"]),
        ("precipitation", ["precipitation_rate_mmph", "precipitation_mm"]),
        ("thunder", ["cape_jpkg"]),
    ],
)
def test_an_absent_field_is_unknown_never_calm(name: str, fields: list[str]) -> None:
    assert np.isnan(value(measured(dict.fromkeys(fields))[name]))


def test_ceiling_takes_the_lower_of_the_steps_around() -> None:
    lifting = {"ceiling_m": day.by_step(200.0, 20_000.0, 20_000.0)}
    assert value(measured(lifting)["ceiling"]) == pytest.approx(200.0)


def test_rain_between_the_steps_is_seen_by_its_sum() -> None:
    shower = {"precipitation_mm": day.by_step(0.0, 0.0, 6.0)}  # in the three hours after
    assert value(measured(shower)["precipitation"]) == pytest.approx(2.0)
    rate_only = {"precipitation_rate_mmph": day.by_step(0.0, 3.0, 0.0)}
    assert value(measured(rate_only)["precipitation"]) == pytest.approx(3.0)
    sums_only = {**shower, "precipitation_rate_mmph": None}
    assert value(measured(sums_only)["precipitation"]) == pytest.approx(2.0)
    half_gone = {"precipitation_mm": np.nan}
    assert np.isnan(value(measured(half_gone)["precipitation"]))


def test_before_the_forecast_begins_nothing_is_known() -> None:
    early = measured(launch=np.array([day.STEPS[0] + 1800.0]))
    assert np.isnan(value(early["wind"]))
    assert np.isnan(value(early["ceiling"]))
    assert not np.isnan(value(measured(launch=np.array([day.STEPS[0] + 3600.0]))["wind"]))


def test_a_site_off_the_grid_is_unknown_and_says_so() -> None:
    found = measured(site=replace(day.SITE, latitude_deg=60.0))
    assert np.isnan(value(found["wind"]))
    assert found["gust"].missing == Missing(Gap.OUTSIDE, ("Midlea",))


def test_daylight_is_the_lower_sun_of_release_and_hold() -> None:
    """Against pvlib's SPA (Reda and Andreas 2004), which is outside this project."""
    times = day.LAUNCH + 3600.0 * np.array([0.0, 0.5, 8.5, 9.0])
    sun = pvlib.spa.solar_position(times, 46.0, -35.0, 0.0, 1013.25, 12.0, 69.2, 0.5667)[3]
    found = measured(launch=np.array([day.LAUNCH, day.LAUNCH + 8.5 * 3600.0]))["daylight"]
    expected = [min(sun[0], sun[1]), min(sun[2], sun[3])]
    assert found.values[:, 0, 0] == pytest.approx(expected, abs=0.03)


def test_shear_is_the_difference_of_the_two_winds_not_of_their_speeds() -> None:
    turned = {"wind_u_100m_mps": -3.0, "wind_v_100m_mps": 0.0}  # 2 m/s east below it
    assert value(measured(turned)["shear"]) == pytest.approx(5.0)
    assert np.isnan(value(measured({"wind_u_100m_mps": 4.0})["shear"]))


def test_temperature_is_the_lowest_in_degrees_celsius() -> None:
    cooling = {"temperature_2m_k": day.by_step(275.15, 275.15, 269.15)}
    # Half an hour after the launch the air has cooled by a sixth of 6 K.
    assert value(measured(cooling)["temperature"]) == pytest.approx(1.0, abs=1e-4)  # float32
    assert np.isnan(value(measured()["temperature"]))


def test_front_is_measured_only_when_it_is_asked() -> None:
    assert "front" not in measured()
    plan = replace(PLAN, limits={**PLAN.limits, "front": LIMITS["front"].default})
    calm = {"temperature_2m_k": 288.0, "dew_point_2m_k": 280.0, "pressure_msl_pa": 101_000.0}
    found = measured(calm, plan)["front"]
    assert value(found) == 6.0  # nothing is known from before the forecast's first step
    later = measured(calm, plan, launch=LAUNCH + 6 * 3600.0)["front"]
    assert value(later) == 12.0
    assert found.facts == ((),)
    off = measured(plan=plan, site=replace(day.SITE, latitude_deg=60.0))["front"]
    assert off.missing == Missing(Gap.OUTSIDE, ("Midlea",))


def test_clearance_binds_release_and_landing() -> None:
    # Flights take two hours.
    opens, closes = day.LAUNCH - 600.0, day.LAUNCH + 3.0 * 3600.0
    found = measured(plan=replace(PLAN, clearance=(opens, closes)))["clearance"]
    assert value(found) == pytest.approx(10.0)  # ten minutes after it opens
    tight = measured(plan=replace(PLAN, clearance=(opens, closes - 5400.0)))["clearance"]
    assert value(tight) == pytest.approx(-30.0)  # lands half an hour after it closes
    lost = day.with_lost(day.flights(), np.array([[[True] + [False] * 7]]))
    grid = day.surface()
    plan = replace(PLAN, clearance=(opens, closes))
    by_flight = {m.name: m for m in release_measures(day.SITE, LAUNCH, lost, grid, plan)}
    assert np.isnan(by_flight["clearance"].values[0, 0]).tolist() == [True] + [False] * 7
