"""Doubt of a finer model near the ground, and of gusts: each counted once, against brute force."""

from dataclasses import replace
from typing import Any

import launch_days as day
import numpy as np
import pytest

from windowwatch.physics.neighbourhood import NeighbourhoodModel, Shifts, draw_shifts
from windowwatch.physics.surface import SurfaceGrid, SurfaceSeries
from windowwatch.scoring.answer import Measure
from windowwatch.scoring.checks.release import measures_of_series, release_measures
from windowwatch.scoring.hour import score_site
from windowwatch.scoring.nearby import NearWeather
from windowwatch.scoring.plan import ScoringPlan

pytestmark = pytest.mark.coverage

PLAN = replace(ScoringPlan(), go_chance=0.0, setup_min=0.0, hold_min=0.0)
LAUNCH = np.array([day.LAUNCH])
DRAWS = 65
MODEL = NeighbourhoodModel(60_000.0, 0.0, 7_200.0, 0.0)
SLOPE = (day.LONGITUDE + 35.0)[None, None, None, :]


def _shifts() -> Shifts:
    begin = day.LAUNCH - 86_400.0
    return draw_shifts(DRAWS, watch="w", cycle_id="c", site="s", cycle_unix_s=begin, model=MODEL)


def _beside(weather: SurfaceGrid, shifts: Shifts) -> dict[float, tuple[SurfaceSeries | None, ...]]:
    """What a model says where the draws are displaced to, read place by place."""
    at = shifts.of_lead(day.SITE.latitude_deg, day.SITE.longitude_deg, 24.0)
    there = zip(at[0], at[1], strict=True)
    return {24.0: tuple(weather.at(float(y), float(x)) for y, x in there)}


def _drawn(measures: list[Measure], name: str) -> Any:
    found = next(m for m in measures if m.name == name).doubted
    assert found is not None
    return found[0, 0]


def test_a_finer_model_has_the_neighbourhood_of_its_own_fields() -> None:
    """Where both models say the same, both have the same doubt: draw by draw."""
    shifts, error = _shifts(), np.linspace(-2.0, 2.0, DRAWS)[None, :]
    weather = day.surface(
        {"precipitation_rate_mmph": 1.0 + SLOPE, "cloud_total_pct": 60.0 + 40.0 * SLOPE,
         "visibility_m": 4000.0 + 9000.0 * SLOPE, "gust_mps": 8.0 + 2.0 * SLOPE}
    )  # fmt: skip
    series = weather.at(day.SITE.latitude_deg, day.SITE.longitude_deg)
    near = measures_of_series(
        day.SITE, series, LAUNCH, PLAN, error, shifts, _beside(weather, shifts)
    )
    flown = day.flights(draws=DRAWS)
    own = release_measures(day.SITE, LAUNCH, flown, weather, PLAN, error, shifts=shifts)
    for name in ("precipitation", "cloud", "visibility", "gust", "wind", "ceiling"):
        assert np.allclose(_drawn(near, name), _drawn(own, name), atol=1e-9), name
    assert np.ptp(_drawn(near, "precipitation")) > 0.5


def test_the_chance_of_an_hour_counts_the_finer_models_neighbourhood() -> None:
    """Rain of 4 mm/h begins 20 km east of the site; dry at the site itself."""
    shifts = _shifts()
    rain = np.where(day.LONGITUDE > -34.9, 4.0, 0.0)[None, None, None, :]
    weather = day.surface({"precipitation_rate_mmph": rain})
    series = weather.at(day.SITE.latitude_deg, day.SITE.longitude_deg)
    beside = _beside(weather, shifts)
    flown = day.flights(draws=DRAWS)

    def chance(near: NearWeather) -> float:
        found = score_site(
            day.SITE, LAUNCH, flown, day.surface(), day.ground(), PLAN, near=near, shifts=shifts
        )[0]
        assert found.near_ground is not None
        assert "precipitation" in found.near_ground.checks
        assert found.chance is not None
        return found.chance

    whole = chance(NearWeather("fine", "c", series, shifts=shifts, beside=beside))
    places = shifts.of_lead(day.SITE.latitude_deg, day.SITE.longitude_deg, 24.0)[1]
    wet = np.interp(places, day.LONGITUDE, rain[0, 0, 0]) > 1.0
    assert whole == pytest.approx(1.0 - float(np.mean(wet)))
    assert 0.3 < whole < 0.95
    assert chance(NearWeather("fine", "c", series)) == 1.0, "by itself it has no doubt"
    holes = {
        24.0: tuple(None if gone else each for gone, each in zip(wet, beside[24.0], strict=True))
    }
    known = chance(NearWeather("fine", "c", series, shifts=shifts, beside=holes))
    assert known == whole, "what is not known beside the site is not within the limit"


@pytest.mark.parametrize("slope", [0.0, 1.0, 3.0, 8.0])
def test_of_a_gust_no_doubt_is_counted_twice(slope: float) -> None:
    """The variance is that of the drawn error, or the neighbourhood's where that is greater."""
    shifts = _shifts()
    error = np.random.default_rng(4).standard_normal((1, DRAWS))
    error[0, 0] = 0.0
    weather = day.surface({"gust_mps": 30.0 + slope * SLOPE})
    flown = day.flights(draws=DRAWS)

    def spread(given: Any, shift: Shifts | None) -> float:
        found = release_measures(day.SITE, LAUNCH, flown, weather, PLAN, given, shifts=shift)
        return float(np.std(_drawn(found, "gust")))

    alone = spread(error, None)
    assert alone == pytest.approx(PLAN.gust_error_factor * float(np.std(error)))
    beside = spread(None, shifts)
    both = spread(error, shifts)
    assert both == pytest.approx(max(alone, beside), rel=0.15)
    summed = float(np.hypot(alone, beside))
    if 0.5 < beside / alone < 2.0:
        assert both < 0.95 * summed, "not the sum of both"


def test_an_even_stream_keeps_the_whole_error_of_the_gust() -> None:
    error = np.random.default_rng(4).standard_normal((1, DRAWS))
    flown, weather = day.flights(draws=DRAWS), day.surface({"gust_mps": 8.0})
    found = release_measures(day.SITE, LAUNCH, flown, weather, PLAN, error, shifts=_shifts())
    assert np.allclose(_drawn(found, "gust"), 8.0 + 1.5 * error[0], atol=1e-5)


def test_what_is_not_known_beside_the_site_stays_unknown_of_a_gust() -> None:
    holes = np.full((1, day.STEPS.size, day.LATITUDE.size, day.LONGITUDE.size), 6.0)
    holes[..., day.LONGITUDE > -34.8] = np.nan
    weather, flown = day.surface({"gust_mps": holes}), day.flights(draws=DRAWS)
    error = np.ones((1, DRAWS))
    found = release_measures(day.SITE, LAUNCH, flown, weather, PLAN, error, shifts=_shifts())
    places = _shifts().of_lead(day.SITE.latitude_deg, day.SITE.longitude_deg, 24.0)[1]
    assert np.array_equal(np.isnan(_drawn(found, "gust")), places > -35.0)
