"""Checks, refusals and what stands between an hour and go, in words."""

from dataclasses import fields, replace

import numpy as np
import pytest
from invented import NOW, at, hour, window

from windowwatch.cli.explaining import _check_cells
from windowwatch.physics.flights import FlightStatus
from windowwatch.scoring.answer import Measure, answer, nothing_known
from windowwatch.scoring.limits import LIMITS, Summary
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.scoring.values import (
    FACTS,
    AtLeast,
    Check,
    Fact,
    FromMeanWind,
    Gap,
    Median,
    Missing,
    MostNear,
    MostThrough,
    NeverReached,
    NotKnown,
    NotLanded,
    Opinion,
    OutOfReach,
    OverInterval,
    Refusal,
    RefusalKind,
    Site,
    Told,
    Unanswered,
    Verdict,
)
from windowwatch.scoring.verdict import Wanted, WantedKind
from windowwatch.web.pages.hourview import check_row
from windowwatch.windows.sites import compare_sites
from windowwatch.windows.standing import week
from windowwatch.windows.window import WindowRules
from windowwatch.wording.checks import (
    WORDS,
    check_head,
    check_sentence,
    hour_head,
    hour_words,
    interval_words,
    missing_words,
    opinion_words,
    others_words,
    refusal_words,
    wanted_words,
    worst_sentences,
)
from windowwatch.wording.phrases import check_label
from windowwatch.wording.standing import site_words

NAMES = sorted(LIMITS)


def answered(name: str, *values: float, facts: tuple[Fact, ...] = ()) -> Check:
    kind = LIMITS[name]
    measure = Measure(name, np.array(values, dtype=np.float64)[None, :, None], (facts,))
    return answer(measure, 0, kind, kind.default).check


def hundred(share_pct: int) -> list[float]:
    """A hundred flights, to so many of which it happens."""
    return [1.0] * share_pct + [0.0] * (100 - share_pct)


def test_every_check_has_words_and_no_words_stand_alone() -> None:
    assert list(WORDS) == list(LIMITS), "in the order of the table of checks"


@pytest.mark.parametrize("name", NAMES)
def test_every_check_is_a_sentence_fit_for_a_phone(name: str) -> None:
    kind = LIMITS[name]
    fine, limit = kind.default.fine, kind.default.limit
    share = kind.summary is Summary.SHARE
    sentence = check_sentence(answered(name, *(hundred(round(fine)) if share else [fine])))
    assert sentence[0].isupper() or sentence[0].isdigit()
    assert sentence.endswith(".")
    # limits of hours are read as hours: "limit 4 h", not 240 minutes
    long = {"crew": "4 h", "flight_time": "5 h", "walk": "2 h 30 min"}.get(name, f"{limit:g}")
    assert f"limit {long}" in sentence
    assert len(sentence) <= 90
    past = limit - 1.0 if kind.higher_is_better else limit + 1.0
    if not share or past <= 100.0:
        beyond = check_sentence(answered(name, *(hundred(round(past)) if share else [past])))
        soft = "" if kind.default.hard else "soft "
        assert f"past the {soft}limit of {long}" in beyond
    unknown = check_sentence(answered(name, np.nan))
    assert unknown.endswith(f" unknown: {missing_words(kind.missing)}.")


@pytest.mark.parametrize(
    ("name", "values", "said"),
    [
        ("gust", [9.41], "Gust 9.4 m/s, limit 10."),
        ("gust", [10.04], "Gust 10.04 m/s, past the limit of 10."),
        ("gust", [9.99], "Gust 9.99 m/s, limit 10."),
        ("gust", [10.0], "Gust 10.0 m/s, limit 10."),
        ("wind", [-0.0], "Wind 0.0 m/s, limit 8."),
        ("cloud", [62.0], "Cloud 62 %, limit 87.5 %."),
        ("middle_cloud", [20.0], "Middle cloud 20 %, limit 87.5 %."),
        ("daylight", [-12.0], "Sun at -12.0° from release to the end of hold, "
                              "past the limit of -0.833°."),
        ("water", hundred(12), "12 % of flights land on water, limit 25 %."),
        ("freezing_rain", hundred(25),
         "Freezing rain in 25 % of forecasts, past the limit of 10 %."),
        ("drift", [84.4], "Drift up to 84 km, limit 160."),
        ("road", [3.21], "Road up to 3.2 km away, limit 6."),
        ("landing_daylight", [92.0], "Daylight left at landing 92 min, limit 30."),
        ("clearance", [-30.0], "Clearance is missed by 30 min, past the limit of 0."),
        ("notice", [48.0], "Notice: 2 days left until it must be given, limit 0."),
        ("notice", [-4.0], "Notice should have been given 4 h ago, past the soft limit of 0."),
        ("touchdown", [13.0], "Touches down at up to 13.0 m/s, sinking and wind together, "
                              "past the soft limit of 12."),
        ("casualty", [182.66],
         "Casualty expectation 182.7 in a million flights, past the soft limit of 100."),
        ("ceiling", [20_000.0], "No cloud ceiling, limit 300."),
        ("ceiling", [1200.0], "Ceiling 1200 m, limit 300."),
        ("tracker", [-100.0],
         "Tracker falls silent 100 min before the crew is there, past the soft limit of 0."),
    ],
)  # fmt: skip
def test_sentences_as_a_person_reads_them(name: str, values: list[float], said: str) -> None:
    assert check_sentence(answered(name, *values)) == said


@pytest.mark.parametrize(
    ("name", "values", "facts", "said"),
    [
        ("road", [2.0], (Median(1.96),), "Road up to 2.0 km away (median 2.0), limit 6."),
        ("front", [24.0], (AtLeast(),), "Front passage 24 h from release or more, limit 2."),
        ("gust", [6.0], (FromMeanWind(1.66),),
         "Gust 6.0 m/s (no gust in the forecast; 1.66 x mean wind), limit 10."),
        ("water", [*[0.0] * 95, 1.0, 1.0, *[np.nan] * 3], (),
         "5 % of flights land on water (3 % not known, counted in), limit 25 %."),
        ("no_landing", hundred(30), (MostNear("Leaton", "town"),),
         "30 % of flights land where they must not, most of them near Leaton (town), "
         "past the limit of 10 %."),
        ("airspace", [1.0], (MostThrough("Later"),),
         "100 % of flights cross closed airspace, most of them Later, past the limit of 5 %."),
        ("crew", [-20.0], (Median(-20.0),),
         "Crew at the road 20 min before the landing (median 20 min before it), limit 4 h."),
        ("crew", [20.0], (Median(20.2), OutOfReach(12.4)),
         "Crew at the road 20 min after the landing (median 20 min), 12 % of flights out of reach, "
         "limit 4 h."),
        ("walk", [20.0], (Median(4.25), OutOfReach(0.4)),
         "Walk from the road up to 20 min (median 4 min), limit 2 h 30 min."),
        ("arrival_daylight", [-7.0], (Median(392.0),),
         "Crew is there 7 min after dark (median 392 min before dark), past the soft limit of 0."),
        ("arrival_daylight", [-7.0], (Median(-5.0),),
         "Crew is there 7 min after dark (median 5 min after dark), past the soft limit of 0."),
        ("walk", [400.0], (NeverReached(40.0, 10.000000000000002),),
         "40 % of flights land where no crew gets to, limit 10 %."),
        ("search_area", [250.0], (NotLanded(3.0),),
         "Nine of ten flights land within 250 km² (3.0 % of flights are lost and not in it), "
         "limit 3000."),
        ("gust", [6.0], (OverInterval("maximum", 3.0),),
         "Gust 6.0 m/s (greatest of 3 h), limit 10."),
        ("gust", [6.0], (OverInterval("mean", 6.0, nearest=True),),
         "Gust 6.0 m/s (mean of 6 h, the nearest there is), limit 10."),
        ("gust", [6.0], (Told("Gust 6 m/s, as it was told."),), "Gust 6 m/s, as it was told."),
    ],
)  # fmt: skip
def test_facts_stand_behind_the_value(
    name: str, values: list[float], facts: tuple[Fact, ...], said: str
) -> None:
    assert check_sentence(answered(name, *values, facts=facts)) == said


def test_an_interval_is_said_where_numbers_stand_alone() -> None:
    """In the table of `explain` and on the page of an hour, beside the unit."""
    mean = answered("gust", 6.0, facts=(OverInterval("mean", 6.0, nearest=True),))
    assert interval_words(mean) == "mean of 6 h, the nearest there is"
    assert check_row(mean).unit == "m/s, mean of 6 h, the nearest there is"
    assert _check_cells(mean)[5] == "m/s, mean of 6 h, the nearest there is"
    assert check_row(answered("gust", 6.0)).unit == "m/s"


def test_no_two_facts_have_the_same_fields() -> None:
    """Where facts are kept inside other values, each is told by its fields alone."""
    shapes = [tuple(field.name for field in fields(kind)) for kind in FACTS.values()]
    assert len(set(shapes)) == len(shapes)


def test_every_fact_is_said_above() -> None:
    cases = test_facts_stand_behind_the_value.pytestmark[0].args[1]  # type: ignore[attr-defined]
    said = {type(fact) for _, _, facts, _ in cases for fact in facts}
    assert said | {NotKnown} == set(FACTS.values())


@pytest.mark.parametrize(
    ("missing", "said"),
    [
        (Missing(Gap.FIELD, ("wind_u_10m_mps", "wind_v_10m_mps")),
         "no wind at 10 m in the forecast for this time"),
        (Missing(Gap.FIELD, ("another_field", "gust_mps")),
         "no another_field and gust in the forecast for this time"),
        (Missing(Gap.OUTSIDE, ("Midlea",)), "Midlea lies outside the area of the forecast"),
        (Missing(Gap.LOST_LANDINGS, most_pct=5.0),
         "too few flights have a landing (at most 5 % may have none)"),
        (Missing(Gap.SETTING, ("battery_h",)), "[scoring] battery_h is not given"),
        (Missing(Gap.LAYER, ("slope_deg",)), "the ground file has no terrain"),
        (Missing(Gap.ROAD_CLASSES, ("primary", "track")),
         "the map has none of the roads that count (primary, track)"),
    ],
)  # fmt: skip
def test_why_a_value_is_missing(missing: Missing, said: str) -> None:
    assert missing_words(missing) == said
    kind = LIMITS["road"]
    check = answer(nothing_known("road", 1, missing), 0, kind, kind.default).check
    assert check_sentence(check) == f"Road unknown: {said}."


@pytest.mark.parametrize("gap", Gap)
def test_every_gap_has_words_of_its_own(gap: Gap) -> None:
    others = {missing_words(Missing(each)) for each in Gap if each is not gap}
    assert missing_words(Missing(gap)) not in others


def test_a_check_of_another_version_is_told_in_its_own_numbers() -> None:
    gust = answered("gust", 12.0)
    old = replace(gust, name="old_check", unit="km")
    assert check_sentence(old) == "Old check 12.0 km, past the limit of 10."
    assert check_sentence(replace(old, limit=None)) == "Old check 12.0 km, no limit."
    assert check_sentence(replace(gust, verdict=Verdict.UNKNOWN, value=None)) == (
        "Gust unknown: data are missing."
    )


def test_refusals() -> None:
    lost = (("left_time", 5), ("left_grid", 3))
    assert refusal_words(Refusal(RefusalKind.LOST_FLIGHTS, 16, lost)) == (
        "of 16 flights 5 ran past the hours of the forecast, 3 left the area of the forecast"
    )
    few = Refusal(RefusalKind.FEW_FLIGHTS, 4, landed=4, needed=8)
    assert refusal_words(few) == "only 4 flights have a landing; 8 are needed"
    names = ("wind", "gust", "precipitation", "thunder")
    unknown = tuple(Unanswered(name, LIMITS[name].missing) for name in names)
    assert refusal_words(Refusal(RefusalKind.UNKNOWN_CHECKS, unknown=unknown)) == (
        "Wind unknown: no wind at 10 m in the forecast for this time; "
        "Gust unknown: no gust in the forecast for this time; and 2 more"
    )
    assert refusal_words(Refusal(RefusalKind.TOLD, told="as it was")) == "as it was"
    for status in FlightStatus:
        if status is not FlightStatus.LANDED:
            said = refusal_words(Refusal(RefusalKind.LOST_FLIGHTS, 1, ((status.name.lower(), 1),)))
            assert said.startswith("of 1 flights 1 ")
            assert status.name.lower() not in said, "it has words"


def test_an_hour_is_told_by_its_refusal_else_by_its_worst_check() -> None:
    made = hour(at(7), 40.0)
    assert hour_words(made) == worst_sentences(made)[0] == "gust 7.4 m/s, limit 9.0 m/s"
    assert hour_words(replace(made, worst=())) == "all is well within the limits."
    refused = replace(made, refused=Refusal(RefusalKind.FEW_FLIGHTS, landed=1, needed=8))
    assert hour_words(refused).startswith("only 1 flights")


@pytest.mark.parametrize(
    ("check", "said"),
    [
        (answered("no_landing", *hundred(30), facts=(MostNear("a, b (c)", "town"),)),
         "30 % of flights land where they must not"),
        (answered("touchdown", 13.0), "Touches down at up to 13.0 m/s"),
        (answered("daylight", 5.0), "Sun at 5.0° from release to the end of hold"),
        (answered("front", 24.0, facts=(AtLeast(),)), "Front passage 24 h from release or more"),
        (answered("ceiling", 20_000.0), "No cloud ceiling"),
        (answered("arrival_daylight", -7.0, facts=(Median(-5.0),)),
         "Crew is there 7 min after dark"),
        (replace(answered("walk", 400.0), value=None, facts=(NeverReached(40.0, 10.0),)),
         "40 % of flights land where no crew gets to, limit 10 %"),
        (answered("gust", np.nan), "Gust unknown: no gust in the forecast for this time"),
        (answered("gust", 6.0, facts=(Told("As told, once."),)), "Gust 6.0 m/s"),
        (replace(answered("gust", 6.0), value=None, facts=(Told("As told, once."),)),
         "As told, once"),
    ],
)  # fmt: skip
def test_a_table_has_the_head_of_it(check: Check, said: str) -> None:
    assert check_head(check) == said
    made = replace(hour(at(7)), checks=(check,), worst=(check.name,))
    assert hour_head(made) == said
    assert hour_head(replace(made, worst=())) == "all is well within the limits"
    lost = Refusal(RefusalKind.LOST_FLIGHTS, 16, (("left_time", 5), ("left_grid", 3)))
    assert hour_head(replace(made, refused=lost)) == (
        "of 16 flights 5 ran past the hours of the forecast"
    )


def test_what_other_models_say() -> None:
    says = Opinion("ifs", "ifs-2026-05-05T06Z", Verdict.NO_GO, 0.0, 0.2, 12.5)
    assert opinion_words(says) == ""
    assert opinion_words(replace(says, says=answered("gust", 12.0))) == (
        "Gust 12.0 m/s, past the limit of 10."
    )
    alone = hour(at(7))
    assert others_words(alone) == ""
    assert others_words(replace(alone, others=(says,))) == "no-go"
    go = replace(says, verdict=Verdict.GO)
    assert others_words(replace(alone, others=(go,))) == "agree"
    assert others_words(replace(alone, others=(says, go, says))) == "2 of 3 not"


@pytest.mark.parametrize(
    ("wanted", "said"),
    [
        (Wanted(WantedKind.MARGIN, answered("gust", 11.38)), "gust 1.4 m/s less"),
        (Wanted(WantedKind.MARGIN, answered("gust", 10.01)), "gust 0.1 m/s less"),
        (Wanted(WantedKind.MARGIN, answered("ceiling", 210.0)), "ceiling 90 m more"),
        (Wanted(WantedKind.MARGIN, answered("precipitation", 1.5)), "rain or snow 0.5 mm/h less"),
        (Wanted(WantedKind.MARGIN, answered("shear", 13.0)),
         "wind shear, 10 to 100 m: 1.0 m/s less"),
        (Wanted(WantedKind.KNOWN, answered("visibility", np.nan)), "visibility known"),
        (Wanted(WantedKind.REACHED, answered("walk", 400.0)), "landings that a crew gets to"),
        (Wanted(WantedKind.LANDINGS, refused=Refusal(RefusalKind.FEW_FLIGHTS, 4, landed=4,
                                                     needed=8)),
         "flights with a landing (only 4 flights have a landing; 8 are needed)"),
        (Wanted(WantedKind.SCORE, have=43.2, needed=70.0), "a score of 70 instead of 43"),
        (Wanted(WantedKind.CHANCE, have=0.6, needed=0.7), "a chance of 70 % instead of 60 %"),
    ],
)  # fmt: skip
def test_what_would_make_it_go(wanted: Wanted, said: str) -> None:
    assert wanted_words(wanted) == said


def test_a_site_in_one_sentence() -> None:
    site = Site("Westlea", 46.0, -35.5, 20.0, "America/Noronha")
    plan = ScoringPlan()
    go, bad = hour(at(12), site="Westlea", chance=0.9), hour(at(13), 0.0, site="Westlea")
    run = window(site="Westlea", start_utc=at(12), end_utc=at(13), best_hour_utc=at(12))
    (one,) = compare_sites(week([go, bad], [run], WindowRules(), NOW), [site], plan)
    assert site_words(one) == (
        "Westlea: 1 go hour in its windows, on 1 day, chance of at least one 90 % (taking days as "
        "independent), mostly in the way: gust."
    )
    (none,) = compare_sites(week([], [], WindowRules(), NOW), [site], plan)
    assert site_words(none) == "Westlea: 0 go hours in its windows, on 0 days."


def test_labels() -> None:
    assert check_label("thunder") == "thunder (CAPE)"
    assert check_label("search_area") == "search area"
    assert check_label("of another version") == "of another version"
