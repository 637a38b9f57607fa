"""Chance from the neighbourhood in space and time, against a brute-force count on the grid."""

from dataclasses import replace
from typing import Any

import launch_days as day
import numpy as np
import pytest

from windowwatch.ground.query.features import Ground
from windowwatch.physics.earth import destination
from windowwatch.physics.neighbourhood import NeighbourhoodModel, Shifts, draw_shifts
from windowwatch.scoring.checks.release import release_measures
from windowwatch.scoring.hour import score_site
from windowwatch.scoring.plan import ScoringPlan

pytestmark = pytest.mark.coverage

PLAN = replace(ScoringPlan(), go_chance=0.0)
LAUNCH = np.array([day.LAUNCH])
WORDS: dict[str, Any] = {"watch": "w", "cycle_id": "c", "site": "s"}
MODEL = NeighbourhoodModel(60_000.0, 0.0, 7_200.0, 0.0)


def _shifts(count: int, model: NeighbourhoodModel = MODEL) -> Shifts:
    return draw_shifts(count, cycle_unix_s=day.LAUNCH - 86_400.0, model=model, **WORDS)


def test_displacements_fill_the_disc_and_the_time_evenly() -> None:
    shifts = _shifts(4001)
    radius2 = np.hypot(shifts.east, shifts.north)[1:] ** 2
    for values, low, high in ((radius2, 0.0, 1.0), (shifts.later[1:], -1.0, 1.0)):
        counted, _ = np.histogram(values, bins=20, range=(low, high))
        assert np.all(np.abs(counted - 200) < 12)
    assert shifts.east[0] == shifts.north[0] == shifts.later[0] == 0.0
    assert abs(np.corrcoef(shifts.east, shifts.north)[0, 1]) < 0.02
    again = _shifts(4001)
    assert np.array_equal(again.east, shifts.east)


def test_the_neighbourhood_grows_with_lead() -> None:
    shifts = draw_shifts(65, watch="w", cycle_id="c", site="s", cycle_unix_s=0.0)
    wide = [float(np.ptp(shifts.of_lead(46.0, -35.0, lead)[0])) for lead in (0.0, 24.0, 120.0)]
    late = [float(np.ptp(shifts.of_lead(46.0, -35.0, lead)[2])) for lead in (0.0, 24.0, 120.0)]
    assert wide == sorted(wide)
    assert late == sorted(late)
    assert wide[2] > 4.0 * wide[0]


@pytest.mark.parametrize("edge_deg", [-0.35, -0.1, 0.0, 0.2, 0.5])
def test_the_chance_is_the_share_of_the_neighbourhood(edge_deg: float) -> None:
    """Rain falls east of a line, sloping over one cell; counted on a fine net over the disc."""
    rain = np.clip((day.LONGITUDE + 35.0 - edge_deg) / 0.5, 0.0, 1.0) * 4.0
    weather = day.surface({"precipitation_rate_mmph": rain[None, None, None, :]})
    plan = replace(PLAN, setup_min=0.0, hold_min=0.0)
    shifts = _shifts(513)
    measures = release_measures(
        day.SITE, LAUNCH, day.flights(draws=513), weather, plan, shifts=shifts
    )
    found = next(m for m in measures if m.name == "precipitation")
    assert found.doubted is not None
    share = float(np.mean(found.doubted[0, 0] <= 1.0))

    axis = np.linspace(-1.0, 1.0, 161)
    east, north = (values.ravel() for values in np.meshgrid(axis, axis))
    inside = np.hypot(east, north) <= 1.0
    east, north = east[inside], north[inside]
    bearing, away = np.degrees(np.arctan2(east, north)), np.hypot(east, north)
    _, longitude = destination(46.0, -35.0, bearing, MODEL.radius_m * away)
    counted = float(np.mean(np.interp(longitude, day.LONGITUDE, rain) <= 1.0))
    assert share == pytest.approx(counted, abs=0.02)


def test_a_step_in_time_is_a_share_of_the_time() -> None:
    """Cloud of 100 % from one step on, none before: straight between, so 87.5 % at 0.875 of it."""
    weather = day.surface({"cloud_total_pct": day.by_step(0.0, 0.0, 100.0)})
    plan = replace(PLAN, setup_min=0.0, hold_min=0.0)
    (hour,) = score_site(
        day.SITE, LAUNCH, day.flights(draws=257), weather, Ground(), plan, shifts=_shifts(257)
    )
    (sure,) = score_site(day.SITE, LAUNCH, day.flights(draws=257), weather, Ground(), plan)
    measures = release_measures(
        day.SITE, LAUNCH, day.flights(draws=257), weather, plan, shifts=_shifts(257)
    )
    found = next(m for m in measures if m.name == "cloud")
    assert found.doubted is not None
    series = weather.fields["cloud_total_pct"][0, :, 4, 4]
    times = day.LAUNCH + np.linspace(-7_200.0, 7_200.0, 20_001)
    share = np.mean(np.interp(times, day.STEPS, series) <= 87.5)
    assert np.mean(found.doubted[0, 0] <= 87.5) == pytest.approx(share, abs=0.02)
    assert [c.value for c in hour.checks] == [c.value for c in sure.checks]
    assert hour.score == sure.score


def test_near_the_limit_no_step_is_left() -> None:
    """1.000 and 1.001 mm/h at the site, of a field with a slope: the chances lie side by side."""

    def share(at_site: float) -> float:
        rain = np.maximum(at_site + 2.0 * (day.LONGITUDE + 35.0), 0.0)
        weather = day.surface({"precipitation_rate_mmph": rain[None, None, None, :]})
        measures = release_measures(
            day.SITE, LAUNCH, day.flights(draws=257), weather, PLAN, shifts=_shifts(257)
        )
        found = next(m for m in measures if m.name == "precipitation")
        assert found.doubted is not None
        return float(np.mean(found.doubted[0, 0] <= 1.0))

    assert share(1.000) - share(1.001) < 0.02
    assert 0.4 < share(1.0) < 0.6


def test_fields_of_one_draw_belong_together() -> None:
    slope = (day.LONGITUDE + 35.0)[None, None, None, :]
    weather = day.surface(
        {
            "precipitation_rate_mmph": 4.0 + slope,
            "cloud_total_pct": 50.0 + 10.0 * slope,
            "gust_mps": 8.0 + slope,
        }
    )
    measures = {
        m.name: m.doubted
        for m in release_measures(
            day.SITE, LAUNCH, day.flights(draws=33), weather, PLAN, shifts=_shifts(33)
        )
    }
    rain, cloud, gust = (measures[n] for n in ("precipitation", "cloud", "gust"))
    assert rain is not None
    assert cloud is not None
    assert gust is not None
    assert np.allclose(rain - 4.0, (cloud - 50.0) / 10.0, atol=1e-5)
    assert np.allclose(rain - 4.0, gust - 8.0, atol=1e-5)


def test_off_the_grid_and_on_holes_is_not_known_and_never_good() -> None:
    wide = NeighbourhoodModel(600_000.0, 0.0, 0.0, 0.0)
    off = _shifts(65, wide)
    latitude, longitude, _ = off.of_lead(46.0, -35.0, 24.0)
    inside = (np.abs(latitude - 46.0) <= 2.0) & (np.abs(longitude + 35.0) <= 2.0)
    assert 0.0 < inside.mean() < 0.8
    holes = np.zeros((1, day.STEPS.size, day.LATITUDE.size, day.LONGITUDE.size))
    holes[..., 7:] = np.nan
    weather = day.surface({"precipitation_rate_mmph": holes})
    measures = release_measures(day.SITE, LAUNCH, day.flights(draws=65), weather, PLAN, shifts=off)
    for name in ("cloud", "precipitation", "gust"):
        found = next(m for m in measures if m.name == name)
        assert found.doubted is not None
        known = ~np.isnan(found.doubted[0, 0])
        expected = inside if name != "precipitation" else inside & (longitude <= -34.0)
        assert np.array_equal(known, expected)
    (hour,) = score_site(
        day.SITE, LAUNCH, day.flights(draws=65), weather, day.ground(), PLAN, shifts=off
    )
    assert hour.chance is not None
    assert hour.chance <= float(np.mean(inside & (longitude <= -34.0))) + 1e-9


def test_members_have_a_neighbourhood_each() -> None:
    weather = day.surface({"precipitation_rate_mmph": day.by_member(0.0, 3.0)}, members=2)
    (hour,) = score_site(
        day.SITE, LAUNCH, day.flights(members=2, draws=9), weather, day.ground(), PLAN,
        shifts=_shifts(9),
    )  # fmt: skip
    assert hour.chance == pytest.approx(0.5)
