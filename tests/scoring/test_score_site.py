"""Whole hours: a fine day, one thing wrong at a time, and what must never raise a score."""

import time
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import launch_days as day
import numpy as np
import pytest
from geodesic import Geod
from hypothesis import given, settings
from hypothesis import strategies as st

from windowwatch.errors import InputError
from windowwatch.ground.query.features import Ground
from windowwatch.physics.flights import FlightStatus
from windowwatch.scoring.hour import score_site
from windowwatch.scoring.limits import LIMITS, Limit
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.scoring.values import (
    Gap,
    Hour,
    Missing,
    Part,
    Refusal,
    RefusalKind,
    Unanswered,
    Verdict,
)

PLAN = ScoringPlan()
GROUND = day.ground()
SOFT = ScoringPlan(
    limits={name: replace(kind.default, hard=False) for name, kind in LIMITS.items()}
)


def scored(changed: dict[str, Any] | None = None, plan: ScoringPlan = PLAN, *, members: int = 1,
           ground: Ground = GROUND, land: float | None = 1.0, **flown: Any) -> Hour:  # fmt: skip
    flights = day.flights(members=members, **flown)
    weather = day.surface(changed, members, land)
    return score_site(day.SITE, np.array([day.LAUNCH]), flights, weather, ground, plan)[0]


def verdicts(hour: Hour) -> dict[str, Verdict]:
    return {check.name: check.verdict for check in hour.checks}


def test_a_fine_day_is_go() -> None:
    hour = scored()
    assert (hour.verdict, hour.refused) == (Verdict.GO, None)
    assert hour.score == pytest.approx(100.0)
    assert set(verdicts(hour).values()) == {Verdict.GO}
    assert set(verdicts(hour)) == {n for n, k in LIMITS.items() if k.asked} - {"clearance"}
    assert hour.chance == 1.0
    assert hour.chance_high == 1.0
    assert hour.chance_low == pytest.approx(8 / (8 + 1.959964**2), abs=1e-6)  # Wilson, 8 of 8
    assert hour.time_utc == datetime(2026, 5, 5, 12, tzinfo=UTC)
    assert hour.landing_utc == datetime(2026, 5, 5, 14, tzinfo=UTC)
    assert hour.drift_km == pytest.approx(54.0)
    assert hour.bearing_deg == pytest.approx(Geod().inv(-35, 46, -34.3, 46)[0], abs=0.01)
    assert hour.road_km == pytest.approx(0.0, abs=1e-3)
    assert hour.footprint is not None
    assert hour.footprint.flights == 8
    assert len(hour.worst) == 1, "nothing costs; the check nearest to its limit is named"


ONE_THING_WRONG: list[tuple[str, dict[str, Any], dict[str, Any]]] = [
    ("wind", {"wind_u_10m_mps": 9.0}, {}),
    ("gust", {"gust_mps": 11.0}, {}),
    ("precipitation", {"precipitation_rate_mmph": 3.0}, {}),
    ("thunder", {"cape_jpkg": 2000.0}, {}),
    ("water", {}, {"landing_longitude_deg": -34.55}),
    ("no_landing", {}, {"landing_longitude_deg": -33.95}),
]


@pytest.mark.parametrize(("name", "weather", "flown"), ONE_THING_WRONG)
def test_a_hard_limit_passed_is_a_veto_and_stands_first(
    name: str, weather: dict[str, Any], flown: dict[str, Any]
) -> None:
    hour = scored(weather, **flown)
    assert (hour.verdict, hour.score, hour.chance) == (Verdict.NO_GO, 0.0, 0.0)
    assert verdicts(hour)[name] is Verdict.NO_GO
    assert hour.worst[0] == name


@pytest.mark.parametrize(
    ("name", "weather", "flown"),
    [
        ("cloud", {"cloud_total_pct": 100.0}, {}),
        ("ceiling", {"ceiling_m": 200.0}, {}),
        ("visibility", {"visibility_m": 1000.0}, {}),
        ("strongest_wind", {}, {"strongest_wind_mps": 80.0}),
        ("drift", {}, {"drift_m": 200_000.0}),
        ("flight_time", {}, {"landing_time_unix_s": day.LAUNCH + 6 * 3600.0}),
        ("landing_wind", {}, {"landing_wind_mps": 15.0}),
        ("road", {}, {"landing_longitude_deg": -34.2}),
        ("landing_daylight", {}, {"landing_time_unix_s": day.LAUNCH + 9.5 * 3600.0}),
    ],
)
def test_a_soft_limit_passed_costs_but_does_not_veto(
    name: str, weather: dict[str, Any], flown: dict[str, Any]
) -> None:
    hour = scored(weather, **flown)
    assert hour.verdict is Verdict.CAUTION
    assert hour.score is not None
    assert 40.0 < hour.score < PLAN.go_score
    assert hour.worst[0] == name


def test_night_is_a_veto() -> None:
    late = day.LAUNCH + 10 * 3600.0
    hour = day.score_hour(
        day.SITE, late, day.flights(11).of_launch(10), day.surface(), GROUND, PLAN
    )
    assert verdicts(hour)["daylight"] is Verdict.NO_GO
    assert hour.score == 0.0


def test_chance_is_the_share_of_flights_in_which_all_is_within_limits() -> None:
    # Draws 0 and 1 land far from the road, draws 1 and 2 drift too far: 5 of 8 are go.
    longitude = np.full(8, -34.3)
    longitude[:2] = -34.15
    drift = np.full(8, 54_000.0)
    drift[1:3] = 170_000.0
    hour = scored(landing_longitude_deg=longitude, drift_m=drift)
    assert hour.chance == pytest.approx(5 / 8)


def test_a_member_past_a_limit_takes_its_flights_with_it() -> None:
    gust = {"gust_mps": day.by_member(3.0, 3.0, 3.0, 9.9, 10.5, 3.0, 3.0, 3.0, 3.0, 3.0)}
    hour = scored(gust, members=10, draws=4)
    # Nine of ten members stay within 9.9: that is the value; one member of ten is past 10.
    assert next(c.value for c in hour.checks if c.name == "gust") == pytest.approx(9.9, abs=1e-5)
    assert hour.chance == pytest.approx(0.9)
    assert hour.chance_low is not None
    assert hour.chance_low < 0.6, "ten members, not forty flights, stand behind it"


def test_a_member_without_data_is_not_go() -> None:
    gap = {"gust_mps": day.by_member(*[3.0] * 9, np.nan)}
    hour = scored(gap, members=10, draws=4)
    assert verdicts(hour)["gust"] is Verdict.GO
    assert hour.chance == pytest.approx(0.9)
    few = {"gust_mps": day.by_member(3.0, np.nan)}
    refused = scored(few, members=2, draws=8)
    assert (refused.verdict, refused.score, refused.chance) == (Verdict.UNKNOWN, None, None)
    assert refused.refused == Refusal(
        RefusalKind.UNKNOWN_CHECKS, unknown=(Unanswered("gust", LIMITS["gust"].missing),)
    )


def lost_to(*lost: tuple[str, int], landed: int) -> Refusal:
    """Eight flights, of which so many were lost."""
    return Refusal(RefusalKind.LOST_FLIGHTS, 8, lost, landed=landed, needed=PLAN.min_flights)


def test_too_many_lost_flights_refuse_with_the_reason() -> None:
    lost = np.array([[[True, True, False, False, False, False, False, False]]])
    flights = day.with_lost(day.flights(), lost, FlightStatus.LEFT_TIME)
    hour = score_site(day.SITE, np.array([day.LAUNCH]), flights, day.surface(), GROUND, PLAN)[0]
    assert hour.verdict is Verdict.UNKNOWN
    assert hour.refused == lost_to(("left_time", 2), landed=6)
    assert hour.footprint is not None, "what is known of the landings is still told"
    all_lost = day.with_lost(day.flights(), np.ones((1, 1, 8), dtype=bool))
    none = score_site(day.SITE, np.array([day.LAUNCH]), all_lost, day.surface(), GROUND, PLAN)[0]
    assert (none.refused, none.footprint, none.drift_km, none.landing_utc) == (
        lost_to(("left_grid", 8), landed=0), None, None, None,
    )  # fmt: skip
    few = scored(draws=4)
    assert few.refused == Refusal(RefusalKind.FEW_FLIGHTS, 4, landed=4, needed=8)


def test_a_lost_flight_is_not_go_even_where_only_the_site_is_asked() -> None:
    lost = np.arange(20)[None, None] == 3
    flights = day.with_lost(day.flights(draws=20), lost)
    site_only = replace(PLAN, limits={"gust": PLAN.limits["gust"]})
    launch = np.array([day.LAUNCH])
    hour = score_site(day.SITE, launch, flights, day.surface(), GROUND, site_only)[0]
    assert hour.chance == pytest.approx(19 / 20)


def test_a_veto_stands_even_when_flights_are_lost() -> None:
    lost = day.with_lost(day.flights(), np.ones((1, 1, 8), dtype=bool))
    stormy = day.surface({"gust_mps": 15.0})
    hour = score_site(day.SITE, np.array([day.LAUNCH]), lost, stormy, GROUND, PLAN)[0]
    assert (hour.verdict, hour.score, hour.refused) == (Verdict.NO_GO, 0.0, None)


def test_without_maps_the_hour_is_refused_until_the_director_leaves_the_checks_out() -> None:
    bare = scored(ground=Ground())
    assert bare.refused is not None
    assert bare.refused.unknown == (
        Unanswered("no_landing", Missing(Gap.AREAS)),
        Unanswered("road", Missing(Gap.ROADS)),
    )
    asked = {n: limit for n, limit in PLAN.limits.items() if n not in {"no_landing", "road"}}
    told = scored(ground=Ground(), plan=replace(PLAN, limits=asked))
    assert told.verdict is Verdict.GO
    assert told.road_km is None


def test_a_soft_check_without_data_refuses_the_hour_unless_gaps_are_judged() -> None:
    gap = Unanswered("visibility", Missing(Gap.FIELD, ("visibility_m",)))
    refused = scored({"visibility_m": None})
    assert refused.verdict is Verdict.UNKNOWN
    assert refused.refused == Refusal(RefusalKind.UNKNOWN_CHECKS, unknown=(gap,))
    hour = scored({"visibility_m": None}, plan=replace(PLAN, judge_with_gaps=True))
    assert (hour.verdict, hour.chance, hour.refused) == (Verdict.CAUTION, None, None)
    assert "visibility" in hour.worst
    (seen,) = (check for check in hour.checks if check.name == "visibility")
    assert seen.missing == Missing(Gap.FIELD, ("visibility_m",))


def test_clearance_is_asked_when_there_is_one() -> None:
    plan = replace(PLAN, clearance=(day.LAUNCH - 7200.0, day.LAUNCH + 3600.0))
    hour = scored(plan=plan)
    assert hour.verdict is Verdict.NO_GO
    assert hour.worst[0] == "clearance"
    assert hour.worst_checks[0].value == pytest.approx(-60.0)


def test_hours_come_in_order_and_one_hour_alone_is_the_same() -> None:
    launch = day.LAUNCH + 3600.0 * np.arange(4.0)
    flights, weather = day.flights(4), day.surface({"gust_mps": day.by_step(3.0, 3.0, 9.0)})
    hours = score_site(day.SITE, launch, flights, weather, GROUND, PLAN)
    assert [hour.time_utc.hour for hour in hours] == [12, 13, 14, 15]
    alone = day.score_hour(day.SITE, launch[2], flights.of_launch(2), weather, GROUND, PLAN)
    assert alone == hours[2]


def test_what_does_not_fit_together_is_refused() -> None:
    with pytest.raises(InputError, match="the first axis must be the launch hours"):
        score_site(day.SITE, np.zeros(3), day.flights(2), day.surface(), GROUND, PLAN)
    with pytest.raises(InputError, match="wind has 3 members, the flights have 2"):
        score_site(day.SITE, np.array([day.LAUNCH]), day.flights(1, 2), day.surface(None, 3),
                   GROUND, PLAN)  # fmt: skip
    with pytest.raises(InputError, match="none of the checks that are asked"):
        scored(plan=replace(PLAN, limits={"clearance": LIMITS["clearance"].default}))


# What may be worse: each entry makes one thing worse by a number from 0 to 1.
WORSE_WEATHER = {
    "wind_u_10m_mps": (2.0, 10.0),
    "gust_mps": (3.0, 14.0),
    "cloud_total_pct": (10.0, 100.0),
    "ceiling_m": (5000.0, 100.0),
    "visibility_m": (20_000.0, 500.0),
    "precipitation_rate_mmph": (0.0, 2.0),
    "cape_jpkg": (0.0, 1500.0),
}
WORSE_FLIGHT = {
    "strongest_wind_mps": (20.0, 90.0),
    "drift_m": (54_000.0, 200_000.0),
    "landing_wind_mps": (3.0, 16.0),
    "landing_longitude_deg": (-34.3, -34.18),
}
LEVELS = st.fixed_dictionaries(
    {name: st.floats(0.0, 1.0) for name in (*WORSE_WEATHER, *WORSE_FLIGHT)}
)
VERDICT_ORDER = [Verdict.UNKNOWN, Verdict.NO_GO, Verdict.CAUTION, Verdict.GO]


def at_levels(levels: dict[str, float], plan: ScoringPlan, missing: str | None = None) -> Hour:
    def between(table: dict[str, tuple[float, float]]) -> dict[str, Any]:
        return {n: a + levels[n] * (b - a) for n, (a, b) in table.items()}

    weather = between(WORSE_WEATHER)
    if missing is not None:
        weather[missing] = None
    return scored(weather, plan, **between(WORSE_FLIGHT))


@settings(max_examples=60, deadline=None)
@given(LEVELS, st.sampled_from(sorted({**WORSE_WEATHER, **WORSE_FLIGHT})), st.floats(0.0, 1.0),
       st.sampled_from([PLAN, SOFT]))  # fmt: skip
def test_one_thing_getting_worse_never_raises_score_chance_or_verdict(
    levels: dict[str, float], name: str, more: float, plan: ScoringPlan
) -> None:
    before = at_levels(levels, plan)
    after = at_levels({**levels, name: min(levels[name] + more, 1.0)}, plan)
    assert (after.score or 0.0) <= (before.score or 0.0) + 1e-9
    assert (after.chance or 0.0) <= (before.chance or 0.0)
    assert VERDICT_ORDER.index(after.verdict) <= VERDICT_ORDER.index(before.verdict)


@settings(max_examples=60, deadline=None)
@given(LEVELS, st.sampled_from(sorted(WORSE_WEATHER)), st.sampled_from([PLAN, SOFT]))
def test_what_is_not_known_never_raises_score_or_chance(
    levels: dict[str, float], name: str, plan: ScoringPlan
) -> None:
    before, after = at_levels(levels, plan), at_levels(levels, plan, missing=name)
    assert (after.score or 0.0) <= (before.score or 0.0) + 1e-9
    assert after.chance in (None, 0.0)
    assert after.verdict is not Verdict.GO


@settings(max_examples=60, deadline=None)
@given(LEVELS, st.sets(st.integers(0, 7)), st.sampled_from([PLAN, SOFT]))
def test_lost_flights_never_raise_score_or_chance(
    levels: dict[str, float], which: set[int], plan: ScoringPlan
) -> None:
    drift = 54_000.0 + 120_000.0 * levels["drift_m"] * np.arange(8) / 7.0
    whole = day.flights(drift_m=drift, landing_longitude_deg=-34.3 + 0.02 * np.arange(8))
    lost = np.isin(np.arange(8), list(which))[None, None, :]
    launch, weather = np.array([day.LAUNCH]), day.surface()
    lenient = replace(plan, min_flights=1, max_lost_share=1.0)
    before = score_site(day.SITE, launch, whole, weather, GROUND, lenient)[0]
    after = score_site(day.SITE, launch, day.with_lost(whole, lost), weather, GROUND, lenient)[0]
    assert (after.score or 0.0) <= (before.score or 0.0) + 1e-9
    assert (after.chance or 0.0) <= (before.chance or 0.0)


def test_weights_and_parts_are_those_of_the_plan() -> None:
    hour = scored({"cloud_total_pct": 68.75})
    release = 100.0 * 0.5 ** (1.0 / (2.0 + 2.0 + 1.0 + 0.5 + 0.5 + 1.5 + 1.0 + 1.5))
    assert hour.parts[Part.RELEASE] == pytest.approx(release)
    assert hour.score == pytest.approx(100.0 * (release / 100.0) ** 0.3)
    own = ScoringPlan(limits={"cloud": Limit(50.0, 87.5), "drift": Limit(80.0, 160.0)},
                      part_weights={Part.RELEASE: 1.0, Part.FLIGHT: 1.0})  # fmt: skip
    assert scored({"cloud_total_pct": 68.75}, own).score == pytest.approx(100.0 * 0.5**0.5)


def test_a_week_of_hours_is_scored_hour_by_hour(
    record_property: Callable[[str, object], None],
) -> None:
    """How long three sites take is reported and fails nothing."""
    hours, members, draws = 168, 7, 16
    rng = np.random.default_rng(2)
    shape = (hours, members, draws)
    flights = day.flights(
        hours, members, draws,
        landing_latitude_deg=rng.normal(46.0, 0.15, shape),
        landing_longitude_deg=rng.normal(-34.2, 0.2, shape),
        drift_m=rng.uniform(3e4, 9e4, shape),
    )  # fmt: skip
    steps = day.LAUNCH + 3600.0 * np.arange(-6.0, 200.0, 3.0)
    small = day.surface(None, members)
    repeated = {n: np.repeat(v[:, :1], steps.size, axis=1) for n, v in small.fields.items()}
    weather = replace(small, time_unix_s=steps, fields=repeated)
    launch = day.LAUNCH + 3600.0 * np.arange(float(hours))
    begun = time.process_time()
    for _ in range(3):
        scored = score_site(day.SITE, launch, flights, weather, GROUND, PLAN)
        assert [hour.time_utc.timestamp() for hour in scored] == launch.tolist()
    record_property("cpu_s", time.process_time() - begun)


def test_doubt_about_the_wind_lowers_the_chance_and_not_the_score() -> None:
    """Drawn errors of 0, +1, +4 and -6 m/s on a gust of 8 with a limit of 10, factor 1.5."""
    weather = day.surface({"gust_mps": 8.0})
    errors = np.array([[0.0, 1.0, 4.0, -6.0] * 2])
    launch = np.array([day.LAUNCH])
    plan = replace(ScoringPlan(), go_chance=0.0)
    (sure,) = score_site(day.SITE, launch, day.flights(), weather, day.ground(), plan)
    (doubted,) = score_site(day.SITE, launch, day.flights(), weather, day.ground(), plan, errors)
    assert sure.chance == 1.0
    assert doubted.chance == pytest.approx(0.75)  # 8, 9.5, 14 and -1 m/s: one in four is past 10
    assert doubted.score == sure.score
    assert doubted.checks == sure.checks
