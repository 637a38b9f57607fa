"""Casualty expectation against the published formula, by hand and through a whole check."""

from dataclasses import replace

import launch_days as day
import numpy as np
import pytest
import shapely

from windowwatch.errors import InputError
from windowwatch.ground.query.features import Area, AreaKind, Areas, Ground
from windowwatch.scoring.answer import Measure, answer
from windowwatch.scoring.checks.casualty import (
    HARMLESS_BELOW_J,
    Impact,
    casualty_area_m2,
    casualty_expectation,
)
from windowwatch.scoring.checks.landing import landing_measures
from windowwatch.scoring.limits import LIMITS
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.scoring.values import Gap, Missing, Verdict

CASUALTY = LIMITS["casualty"]
PLAN = ScoringPlan(
    limits={**ScoringPlan().limits, "casualty": CASUALTY.default},
    impact_mass_kg=2.0,
    impact_face_m2=0.09,
    country_people_per_km2=10.0,
)
TOWN = Areas([Area("Leaton", AreaKind.TOWN, day.TOWN, 2000.0)])


@pytest.mark.parametrize(
    ("face_m2", "area_m2"),
    [(0.01, 0.410), (0.04, 0.548), (0.09, 0.706), (0.16, 0.884), (0.25, 1.082)],
)
def test_casualty_area_is_a_disc_of_package_and_person(face_m2: float, area_m2: float) -> None:
    # π (rp + rf)² with rp one foot (14 CFR 417, RCC 321): values by that formula, by hand.
    assert float(casualty_area_m2(face_m2)) == pytest.approx(area_m2, abs=5e-4)


def test_a_slant_adds_a_strip() -> None:
    radius = 0.3048 + np.sqrt(0.09 / np.pi)
    expected = 0.706 + 2.0 * radius * 1.8 * 1.2
    assert float(casualty_area_m2(0.09, 6.0 / 5.0)) == pytest.approx(expected, abs=1e-3)


@pytest.mark.parametrize(("people", "expected"), [(1, 7.06e-7), (100, 7.06e-5), (5000, 3.53e-3)])
def test_expectation_is_area_times_people(people: float, expected: float) -> None:
    hurt = casualty_expectation(Impact(2.0, 0.09, 0.0), 5.0, 0.0, people)
    assert float(hurt) == pytest.approx(expected, rel=1e-3)


def test_one_in_ten_thousand_is_about_142_people_on_a_square_kilometre() -> None:
    hurt = casualty_expectation(Impact(2.0, 0.09, 0.0), 5.0, 0.0, 141.7)
    assert float(hurt) == pytest.approx(1e-4, rel=1e-3)


def test_the_screen_of_eleven_foot_pounds() -> None:
    assert pytest.approx(14.9, abs=0.05) == HARMLESS_BELOW_J
    light, heavy = Impact(1.0, 0.09, 0.0), Impact(2.0, 0.09, 0.0)  # 12.5 J and 25 J at 5 m/s
    assert float(casualty_expectation(light, 5.0, 0.0, 5000.0)) == 0.0
    assert float(casualty_expectation(heavy, 5.0, 0.0, 5000.0)) > 0.0
    assert np.isnan(casualty_expectation(light, np.nan, 0.0, 5000.0))


def test_landings_in_town_and_country() -> None:
    longitude = np.array([-34.3] * 7 + [-33.95])
    flights = day.flights(landing_longitude_deg=longitude, landing_wind_mps=0.0)
    found = {m.name: m for m in landing_measures(flights, day.surface(), Ground(TOWN), PLAN)}
    values = found["casualty"].values[0, 0]
    assert values[:7] == pytest.approx([7.06] * 7, rel=1e-3)  # in a million flights
    assert values[7] == pytest.approx(1412.0, rel=1e-3)
    check = answer(found["casualty"], 0, CASUALTY, CASUALTY.default).check
    assert check.value == pytest.approx((7 * 7.06 + 1412.0) / 8, rel=1e-3)
    assert (check.verdict, check.limit) == (Verdict.NO_GO, 100.0)
    lost = day.with_lost(flights, np.arange(8)[None, None] == 0)
    with_lost = {m.name: m for m in landing_measures(lost, day.surface(), Ground(TOWN), PLAN)}
    worse = answer(with_lost["casualty"], 0, CASUALTY, CASUALTY.default).check
    assert worse.value == pytest.approx((6 * 7.06 + 2 * 1412.0) / 8, rel=1e-3)


def test_what_is_not_given_stays_unknown() -> None:
    flights = day.flights()
    for ground, plan, gap in (
        (Ground(), PLAN, Gap.AREAS),
        (Ground(TOWN), replace(PLAN, impact_mass_kg=None), Gap.IMPACT),
    ):
        found = {m.name: m for m in landing_measures(flights, day.surface(), ground, plan)}
        check = answer(found["casualty"], 0, CASUALTY, CASUALTY.default).check
        assert check.verdict is Verdict.UNKNOWN
        assert check.missing == Missing(gap)
    assert "casualty" not in {
        m.name for m in landing_measures(flights, day.surface(), Ground(TOWN), ScoringPlan())
    }
    hole = Measure("casualty", np.array([[[1.0, np.nan]]]))
    assert answer(hole, 0, CASUALTY, CASUALTY.default).check.verdict is Verdict.UNKNOWN


def test_people_come_from_the_densest_area_and_only_where_the_map_says_so() -> None:
    core = shapely.box(-33.96, 45.98, -33.94, 46.02)
    areas = Areas([
        Area("Leaton", AreaKind.TOWN, day.TOWN, 500.0),
        Area("core", AreaKind.TOWN, core, 4000.0),
        Area("wood", AreaKind.FOREST, shapely.box(-34.4, 45.9, -34.2, 46.1)),
    ])  # fmt: skip
    people = areas.people_per_km2(np.full(4, 46.0), np.array([-33.95, -33.91, -34.3, -35.0]))
    assert people[:2].tolist() == [4000.0, 500.0]
    assert np.all(np.isnan(people[2:]))
    nobody = Areas([Area("wood", AreaKind.FOREST, core)])
    assert np.isnan(nobody.people_per_km2(46.0, -33.95))


def test_nonsense_is_refused() -> None:
    with pytest.raises(InputError, match=r"mass_kg must be above zero; it is 0\.0"):
        ScoringPlan(impact_mass_kg=0.0, impact_face_m2=0.1, country_people_per_km2=1.0)
    with pytest.raises(InputError, match=r"people_per_km2 is -1\.0"):
        Impact(1.0, 0.1, -1.0)
