"""What would make an hour go, and sites against each other, on days with plain answers."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any, NamedTuple

import launch_days as day
import numpy as np
import pytest

from windowwatch.scoring.compare import WantedKind, compare_sites, what_is_wanted
from windowwatch.scoring.hour import score_site
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.scoring.values import Hour, Site, Verdict
from windowwatch.wording.checks import wanted_words


class Run(NamedTuple):
    """A window, as far as sites are compared."""

    site: str
    start_utc: datetime
    end_utc: datetime


PLAN = ScoringPlan()
GROUND = day.ground()
FAR_WEST = Site("Westlea", 46.0, -35.5, 20.0, "America/Noronha")


def scored(changed: dict[str, Any] | None = None, **flown: Any) -> Hour:
    flights = day.flights(**flown)
    launch = np.array([day.LAUNCH])
    return score_site(day.SITE, launch, flights, day.surface(changed), GROUND, PLAN)[0]


@pytest.mark.parametrize(
    ("changed", "flown", "wanted"),
    [
        ({}, {}, ()),
        ({"gust_mps": 11.4}, {}, ((WantedKind.MARGIN, "gust", -1.4),)),
        ({"gust_mps": 10.01}, {}, ((WantedKind.MARGIN, "gust", -0.01),)),
        ({"ceiling_m": 210.0}, {}, ((WantedKind.MARGIN, "ceiling", -90.0),)),
        ({"gust_mps": 12.0, "visibility_m": None}, {},
         ((WantedKind.MARGIN, "gust", -2.0), (WantedKind.KNOWN, "visibility", None))),
        ({"precipitation_rate_mmph": 1.5}, {}, ((WantedKind.MARGIN, "precipitation", -0.5),)),
        ({}, {"draws": 4}, ((WantedKind.LANDINGS, None, None),)),
        ({"gust_mps": 9.99, "wind_u_10m_mps": 7.9, "precipitation_rate_mmph": 0.99}, {},
         ((WantedKind.SCORE, None, None),)),  # 100 · 0.05^(5.5/10 · 3/10) · 0.704: all at the floor
    ],
)  # fmt: skip
def test_what_would_make_it_go(
    changed: dict[str, Any], flown: dict[str, Any], wanted: tuple[Any, ...]
) -> None:
    hour = scored(changed, **flown)
    found = what_is_wanted(hour, PLAN)
    assert tuple((w.kind, w.check.name if w.check else None) for w in found) == tuple(
        (kind, name) for kind, name, _ in wanted
    )
    for each, (kind, _, margin) in zip(found, wanted, strict=True):
        if each.check is not None:
            assert each.check.margin == (
                None if margin is None else pytest.approx(margin, abs=1e-4)
            )
        if kind is WantedKind.SCORE:
            assert each.have == pytest.approx(43.0, abs=0.5)
            assert each.needed == 70.0
        if kind is WantedKind.LANDINGS:
            assert each.refused == hour.refused is not None


def test_a_low_chance_is_named_when_nothing_else_is() -> None:
    longitude = np.where(np.arange(20) < 2, -34.15, -34.3)  # two of twenty: far from the road
    drift = np.where(np.isin(np.arange(20), [2, 3]), 170_000.0, 54_000.0)
    wind = np.where(np.isin(np.arange(20), [4, 5]), 15.0, 3.0)
    strong = np.where(np.isin(np.arange(20), [6, 7]), 90.0, 20.0)
    flown: dict[str, Any] = {
        "landing_longitude_deg": longitude,
        "drift_m": drift,
        "landing_wind_mps": wind,
        "strongest_wind_mps": strong,
    }
    picky = replace(PLAN, go_chance=0.7)
    hour = score_site(day.SITE, np.array([day.LAUNCH]), day.flights(draws=20, **flown),
                      day.surface(), GROUND, picky)[0]  # fmt: skip
    assert hour.verdict is Verdict.CAUTION
    (wanted,) = what_is_wanted(hour, picky)
    assert (wanted.kind, wanted.needed) == (WantedKind.CHANCE, 0.7)
    assert wanted.have == pytest.approx(0.6)


def hour_of(site: Site, day_number: int, clock: int, like: Hour, **changed: Any) -> Hour:
    when = datetime(2026, 5, 5 + day_number, clock, tzinfo=UTC) + timedelta(hours=2)
    return replace(like, site=site.name, time_utc=when, **changed)


def test_sites_are_ranked_by_the_chance_of_any_go_hour() -> None:
    fine, gusty = scored(), scored({"gust_mps": 12.0})
    hours = [
        # Westlea: one good hour; Midlea: two days, one of them late in the local evening.
        hour_of(FAR_WEST, 0, 10, fine, chance=0.9, road_km=4.0),
        hour_of(FAR_WEST, 0, 11, gusty),
        hour_of(FAR_WEST, 1, 10, gusty),
        hour_of(day.SITE, 0, 10, fine, chance=0.8, score=80.0, drift_km=50.0),
        hour_of(day.SITE, 0, 23, fine, chance=0.5, score=90.0, drift_km=70.0),
        hour_of(day.SITE, 1, 9, fine, chance=0.6, score=70.0, drift_km=90.0),
        hour_of(day.SITE, 1, 10, fine, verdict=Verdict.CAUTION, score=99.0),
    ]
    first, second = compare_sites([day.SITE, FAR_WEST], hours, PLAN)
    assert (first.site, second.site) == ("Westlea", "Midlea")
    assert first.chance_any == pytest.approx(0.9)
    assert (first.go_hours, first.in_the_way, first.road_km) == (1, "gust", 4.0)
    assert first.go_days == 1
    # 23 h local on the 5th is already the 6th in UTC, and still the 5th's best.
    assert [hour.score for hour in second.best] == [90.0, 70.0]
    assert second.chance_any == pytest.approx(1.0 - 0.5 * 0.4)
    assert second.drift_km == pytest.approx(80.0)
    assert (second.go_hours, second.caution_hours) == (3, 1)


def test_a_site_without_a_good_hour_and_night_hours() -> None:
    night = scored({"gust_mps": 12.0})
    dark = tuple(
        replace(c, verdict=Verdict.NO_GO) if c.name == "daylight" else c for c in night.checks
    )
    hours = [hour_of(day.SITE, 0, 1, night, checks=dark), hour_of(day.SITE, 0, 10, night)]
    (only,) = compare_sites([day.SITE], hours, PLAN)
    assert (only.best, only.go_hours, only.chance_any, only.drift_km) == ((), 0, None, None)
    assert only.in_the_way == "gust"
    (none,) = compare_sites([day.SITE], [], PLAN)
    assert none.in_the_way is None


def test_stored_checks_of_an_older_version_are_told_in_their_own_numbers() -> None:
    """A check that no longer exists must not break the comparison of old hours."""
    hour = scored({"gust_mps": 12.0})
    gust = next(check for check in hour.checks if check.name == "gust")
    old = replace(gust, name="old_check", unit="km", fine=20.0, limit=10.0, margin=-2.34)
    lower = replace(old, fine=5.0, limit=10.0)
    aged = replace(hour, checks=(*hour.checks, old, lower))
    wanted = what_is_wanted(aged, PLAN)
    assert sorted(each.check.name for each in wanted if each.check) == [
        "gust", "old_check", "old_check",
    ]  # fmt: skip
    assert {"gust 2.0 m/s less", "old check 2.4 km more", "old check 2.4 km less"} == {
        wanted_words(each) for each in wanted
    }
    (only,) = compare_sites([day.SITE], [aged], PLAN)
    assert only.in_the_way in {"gust", "old_check"}


def test_windows_and_recovery_of_a_site() -> None:
    fine = scored()
    walk = replace(fine.checks[0], name="walk", value=20.0)
    crew = replace(fine.checks[0], name="crew", value=-12.0)
    hours = [
        hour_of(day.SITE, 0, 10, replace(fine, checks=(*fine.checks, walk, crew))),
        hour_of(day.SITE, 1, 10, replace(fine, checks=(*fine.checks, replace(walk, value=40.0)))),
    ]
    start = hours[0].time_utc
    runs = [Run(day.SITE.name, start, start + timedelta(hours=h)) for h in (3, 5)]
    runs.append(Run("elsewhere", start, start + timedelta(hours=9)))
    (only,) = compare_sites([day.SITE], hours, PLAN, runs)
    assert (only.window_count, only.window_h, only.longest_window_h) == (2, 8.0, 5.0)
    assert (only.walk_min, only.crew_min) == (30.0, -12.0)
