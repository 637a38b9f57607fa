"""Checks of weather by level, of notice, touch-down, height and search area, one by one."""

from typing import Any

import launch_days as day
import numpy as np
import pytest

from windowwatch.physics.flights import FlightStatus
from windowwatch.physics.spread import footprint
from windowwatch.scoring.hour import score_site
from windowwatch.scoring.limits import LIMITS
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.scoring.values import Check, Gap, Missing, NotLanded, Verdict

ASKED = ("low_cloud", "middle_cloud", "high_cloud", "lifted_index", "freezing_rain", "notice",
         "touchdown", "landing_height", "search_area", "battery", "tracker")  # fmt: skip
PLAN = ScoringPlan(
    limits={**ScoringPlan().limits, **{name: LIMITS[name].default for name in ASKED}},
    notice_h=24.0,
)


def _checks(
    changed: dict[str, Any] | None = None, now_h: float = -72.0, members: int = 1, **flown: Any
) -> dict[str, Check]:
    hour = score_site(
        day.SITE, np.array([day.LAUNCH]), day.flights(members=members, **flown),
        day.surface(changed, members=members), day.ground(), PLAN, None, None,
        day.LAUNCH + 3600.0 * now_h,
    )[0]  # fmt: skip
    return {check.name: check for check in hour.checks}


def test_cloud_by_level_is_the_worst_of_the_span() -> None:
    layers = {"cloud_low_pct": day.by_step(10, 40, 90), "cloud_middle_pct": 20.0}
    found = _checks(layers)
    assert found["low_cloud"].value == pytest.approx(40.0 + 50.0 * 0.5 / 3.0)  # half an hour on
    assert (found["middle_cloud"].value, found["middle_cloud"].limit) == (20.0, 87.5)
    assert found["high_cloud"].verdict is Verdict.UNKNOWN
    assert found["high_cloud"].missing == Missing(Gap.FIELD, ("cloud_high_pct",))


def test_the_lowest_lifted_index_counts() -> None:
    found = _checks({"lifted_index_k": day.by_step(4.0, 1.0, -5.0)})["lifted_index"]
    assert found.value == pytest.approx(0.0)
    assert found.verdict is Verdict.CAUTION
    assert _checks({"lifted_index_k": -3.0})["lifted_index"].verdict is Verdict.NO_GO


def test_freezing_rain_counts_members() -> None:
    assert _checks({"freezing_rain": 0.0})["freezing_rain"].verdict is Verdict.GO
    one = _checks({"freezing_rain": day.by_member(1.0, 0.0, 0.0, 0.0)}, members=4)["freezing_rain"]
    assert (one.value, one.verdict) == (25.0, Verdict.NO_GO)
    soon = _checks({"freezing_rain": day.by_step(0.0, 0.0, 1.0)})["freezing_rain"]
    assert soon.value == 100.0, "before the next step says so it may have begun"


@pytest.mark.parametrize(
    ("now_h", "left_h", "verdict"),
    [
        (-72.0, 48.0, Verdict.GO),
        (-30.0, 6.0, Verdict.CAUTION),
        (-20.0, -4.0, Verdict.NO_GO),
    ],
)
def test_notice_must_still_be_possible(now_h: float, left_h: float, verdict: Verdict) -> None:
    found = _checks(now_h=now_h)["notice"]
    assert found.value == pytest.approx(left_h)
    assert found.verdict is verdict


def test_touch_down_is_sinking_and_wind_together() -> None:
    found = _checks(landing_speed_mps=5.0, landing_wind_mps=12.0)["touchdown"]
    assert found.value == pytest.approx(13.0)
    assert found.verdict is Verdict.NO_GO


def test_height_of_the_landing() -> None:
    heights = np.array([100.0] * 6 + [700.0, 1600.0])
    found = _checks(landing_height_m=heights)["landing_height"]
    assert found.value == 1600.0  # what 90 % of eight flights keep to is the worst of them
    assert found.verdict is Verdict.NO_GO


def test_search_area_is_that_of_the_ninety_percent_ellipse() -> None:
    rng = np.random.default_rng(6)
    latitude, longitude = 46.0 + 0.05 * rng.normal(size=64), -34.4 + 0.1 * rng.normal(size=64)
    flown: dict[str, Any] = {"landing_latitude_deg": latitude, "landing_longitude_deg": longitude}
    found = _checks(draws=64, **flown)["search_area"]
    spot = footprint(latitude, longitude)
    assert spot is not None
    area = np.pi * spot.major_90_m * spot.minor_90_m / 1e6
    assert found.value == pytest.approx(area)
    # a normal cloud: 90 % of it lie within 2.146 standard deviations (chi-square, 4.605)
    assert area == pytest.approx(np.pi * 4.605 * 5.556 * 7.74, rel=0.35)
    assert found.facts == ()


def test_lost_flights_do_not_shrink_the_search_area_unsaid() -> None:
    """The farthest flights are lost: few are told of, more make the area unknown."""
    rng = np.random.default_rng(6)
    longitude = np.sort(-34.4 + 0.1 * rng.normal(size=100))
    latitude = 46.0 + 0.05 * rng.normal(size=100)
    said = {}
    for lost in (0, 3, 5, 6, 10):
        status = np.where(np.arange(100) >= 100 - lost, int(FlightStatus.LEFT_GRID), 0)
        where: dict[str, Any] = {
            "landing_latitude_deg": np.where(status == 0, latitude, np.nan),
            "landing_longitude_deg": np.where(status == 0, longitude, np.nan),
        }
        said[lost] = _checks(draws=100, status=status, **where)["search_area"]
    assert said[0].facts == ()
    for lost in (3, 5):
        (fact,) = said[lost].facts
        assert isinstance(fact, NotLanded)
        assert fact.not_landed_pct == pytest.approx(float(lost))
    for lost in (6, 10):
        assert said[lost].verdict is Verdict.UNKNOWN
        assert said[lost].missing == Missing(Gap.LOST_LANDINGS, most_pct=5.0)


def test_what_is_not_given_is_said() -> None:
    found = _checks()
    assert found["battery"].missing == Missing(Gap.SETTING, ("battery_h",))
    assert found["tracker"].verdict is Verdict.UNKNOWN
