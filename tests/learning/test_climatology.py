"""Chances against a survey's usual ones: as pandas and scikit-learn have it, row by row."""

import subprocess
import sys
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pandas as pd
import pytest
from invented import NOW, WATCH
from made_air import train
from made_answers import FIRST, weeks
from made_years import surveyed as years_surveyed
from sklearn.metrics import brier_score_loss
from sqlalchemy import update

from windowwatch.clock import to_unix_s
from windowwatch.learning.climatology import (
    FEWEST_HOURS,
    Climatology,
    Reference,
    Unlike,
    asked_in_chance,
    chance_settings,
    site_climate,
)
from windowwatch.learning.learned import Learned, learn
from windowwatch.learning.record import Answers, Pairs, answers_of, pairs_of
from windowwatch.learning.scores import Days, survey_skill
from windowwatch.scoring.limits import LIMITS, Limit
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.scoring.values import Site
from windowwatch.storage.rows import value_from_json, value_to_json
from windowwatch.storage.store import Store
from windowwatch.storage.tables import SurveyRow
from windowwatch.watch.learned import reference_of
from windowwatch.watch.values import Span, Watch
from windowwatch.wording.learned import lead_more_words, survey_words

pytestmark = pytest.mark.learning

ZONE = "Europe/Berlin"
SITES = (Site("North", 54.0, 9.0, 30.0, ZONE), Site("South", 48.0, 9.0, 500.0, ZONE))
PLAN = ScoringPlan(limits={n: LIMITS[n].default for n in ("wind", "gust", "drift", "forest")})
DAYS = 40


def surveyed(seed: int = 3) -> pd.DataFrame:
    """Six years of hours of both sites, at either end of summer time too; some not known."""
    stream = np.random.default_rng(seed)
    time = np.arange(to_unix_s(FIRST) - 6 * 365 * 86_400, to_unix_s(FIRST), 3600.0)
    parts = []
    for number, site in enumerate(SITES):
        local = pd.to_datetime(time, unit="s", utc=True).tz_convert(ZONE)
        level = 0.5 + 0.3 * np.sin(2 * np.pi * (local.hour.to_numpy() - 8) / 24) - 0.1 * number
        chance = np.clip(level + stream.normal(0.0, 0.25, time.size), 0.0, 1.0)
        chance[stream.random(time.size) < 0.05] = np.nan
        parts.append(pd.DataFrame({"site": site.name, "time": time, "chance": chance}))
    return pd.concat(parts, ignore_index=True)


def told_by(hours: pd.DataFrame, plan: ScoringPlan = PLAN) -> Climatology:
    sites = tuple(
        site_climate(site, mine.time.to_numpy(np.int64), mine.chance.to_numpy())
        for site in SITES
        for mine in [hours[hours.site == site.name]]
    )
    settings = chance_settings(plan, train())
    return Climatology("made for a test", 2020, 2025, sites, asked_in_chance(plan), settings)


def usual_by_pandas(hours: pd.DataFrame) -> pd.Series:
    local = pd.to_datetime(hours.time, unit="s", utc=True).dt.tz_convert(ZONE)
    by = [hours.site, local.dt.month.rename("month"), local.dt.hour.rename("hour")]
    return hours.chance.groupby(by).mean()


@pytest.fixture(scope="module")
def hours() -> pd.DataFrame:
    return surveyed()


@pytest.fixture(scope="module")
def answers() -> Answers:
    return answers_of(weeks(DAYS, 3, ("North", "South")))


def rows_of(pairs: Pairs) -> pd.DataFrame:
    local = pd.to_datetime(pairs.said.time_unix_s, unit="s", utc=True).tz_convert(ZONE)
    return pd.DataFrame({
        "site": [pairs.said.sites[n] for n in pairs.said.site], "lead": pairs.lead_class_h,
        "month": local.month, "hour": local.hour,
        "said": pairs.said.judged[:, 1], "came": pairs.came.judged[:, 1],
    })  # fmt: skip


def learned_with(climatology: Climatology, answers: Answers, plan: ScoringPlan = PLAN) -> Learned:
    reference = Reference(climatology, plan, train(), SITES)
    return learn(answers, FIRST + timedelta(days=DAYS), reference=reference)


def test_usual_chances_are_the_means_that_pandas_finds(hours: pd.DataFrame) -> None:
    expected = usual_by_pandas(hours)
    for each in told_by(hours).sites:
        mine = expected[each.site.name].unstack().to_numpy()
        np.testing.assert_allclose(np.array(each.chance, dtype=float), mine, rtol=1e-12)
    assert (
        sum(sum(row) for row in told_by(hours).sites[0].hours)
        == hours.chance[hours.site == "North"].count()
    )


def test_skill_is_the_textbooks_over_the_same_rows(hours: pd.DataFrame, answers: Answers) -> None:
    # D. S. Wilks, "Statistical Methods in the Atmospheric Sciences": BSS = 1 - BS / BS_ref; what
    # came is itself a chance, so each square is the expected one
    found = learned_with(told_by(hours), answers)
    rows = rows_of(pairs_of(answers, "gfs", to_unix_s(FIRST + timedelta(days=DAYS)))).dropna()
    usual = usual_by_pandas(hours).rename("usual")
    rows = rows.join(usual, on=["site", "month", "hour"])

    def brier(p: pd.Series, o: pd.Series) -> float:
        return float((o * (1 - p) ** 2 + (1 - o) * p**2).mean())

    checked = 0
    for table in found.tables:
        mine = rows[(rows.lead == table.lead_h) & (rows.site.eq(table.site) | (table.site == ""))]
        held = table.chance.survey
        assert held.hours == len(mine)
        assert held.usual_brier == pytest.approx(brier(mine.usual, mine.came), rel=1e-9)
        expected = 1.0 - brier(mine.said, mine.came) / brier(mine.usual, mine.came)
        assert held.skill.value == pytest.approx(expected, rel=1e-9)
        assert held.factor == 1.0
        checked += 1
    assert checked == 18  # six leads, of both sites together and of each
    assert found.against is not None
    one_of_each = rows_of(pairs_of(answers, "gfs")).dropna()
    assert found.against.hours <= len(one_of_each)
    assert not found.against.unlike


def test_of_yes_and_no_it_is_that_of_scikit_learn() -> None:
    stream = np.random.default_rng(8)
    usual, came = stream.random(600), (stream.random(600) < 0.4).astype(float)
    chance = np.clip(came + stream.normal(0.0, 0.4, 600), 0.0, 1.0)
    found = survey_skill(chance, came, usual, Days(np.arange(600) // 10))
    expected = 1.0 - brier_score_loss(came, chance) / brier_score_loss(came, usual)
    assert found.skill.value == pytest.approx(expected, rel=1e-12)
    assert found.skill.low is not None
    assert found.skill.high is not None
    assert found.skill.low < expected < found.skill.high
    same = survey_skill(usual, came, usual, Days(np.arange(600) // 10))
    assert same.skill.value == pytest.approx(0.0, abs=1e-12)
    some = np.where(np.arange(600) % 2, usual, np.nan)
    half = survey_skill(chance, came, some, Days(np.arange(600) // 10))
    assert half.hours == 300
    assert half.brier == pytest.approx(brier_score_loss(came[1::2], chance[1::2]), rel=1e-12)


def test_a_laxer_survey_is_made_as_hard_to_beat_as_it_can_be() -> None:
    stream = np.random.default_rng(9)
    usual = stream.random(40_000)
    # of the hours that pass all that the survey asked, seven tenths pass the rest as well
    came = ((stream.random(40_000) < usual) & (stream.random(40_000) < 0.7)).astype(float)
    chance, days = 0.5 * usual + 0.3 * came, Days(np.arange(40_000) // 20)
    found = survey_skill(chance, came, usual, days, laxer=True)
    fitted = np.linalg.lstsq(usual[:, None], came, rcond=None)[0][0]
    assert found.factor == pytest.approx(fitted, rel=1e-9)
    assert found.factor == pytest.approx(0.7, abs=0.02)
    others = [survey_skill(chance, came, k * usual, days).skill.value for k in (1, 0.9, 0.7, 0.5)]
    assert found.skill.value is not None
    assert all(each is not None and found.skill.value <= each + 1e-12 for each in others)
    stricter = survey_skill(chance, np.ones(40_000), usual, days, laxer=True)
    assert stricter.factor == 1.0, "a laxer survey's chances are never raised"


def test_what_was_not_asked_is_said_with_the_factor(hours: pd.DataFrame, answers: Answers) -> None:
    asked = replace(PLAN, limits={n: v for n, v in PLAN.limits.items() if n != "gust"})
    found = learned_with(told_by(hours, asked), answers)
    assert found.against is not None
    assert found.against.left_out == ("gust",)
    assert not found.against.unlike
    first, second, *_ = survey_words(found)
    assert "the survey of 2020 to 2025 (made for a test)" in first
    assert "could not ask gust, so its chances are too high" in second
    factor = found.tables[0].chance.survey.factor
    assert 0.0 < factor < 1.0
    assert f"(its chances times {factor:.2f})" in lead_more_words(found.tables[0])


@pytest.mark.parametrize(
    ("plan", "kind", "words"),
    [
        (replace(PLAN, limits={**PLAN.limits, "wind": Limit(3.0, 6.0, True)}), Unlike.LIMIT,
         "its limit of wind is"),
        (replace(PLAN, limits={"wind": PLAN.limits["wind"]}), Unlike.ASKED,
         "it asked gust, and the watch does not"),
        (replace(PLAN, hold_min=45.0), Unlike.SETTING, "[scoring] hold_min was 30, and is 45"),
    ],
)  # fmt: skip
def test_a_survey_of_something_else_is_refused_by_name(
    hours: pd.DataFrame, answers: Answers, plan: ScoringPlan, kind: Unlike, words: str
) -> None:
    found = learned_with(told_by(hours), answers, plan)
    assert found.against is not None
    assert kind in {each.kind for each in found.against.unlike}
    assert all(table.chance.survey.hours == 0 for table in found.tables)
    assert all(table.chance.survey.skill.value is None for table in found.tables)
    (said,) = survey_words(found)
    assert said.startswith("Not held against the survey of 2020 to 2025")
    assert words in said


def test_where_a_limit_begins_to_cost_score_is_no_difference(hours: pd.DataFrame) -> None:
    fine = replace(PLAN.limits["wind"], fine=PLAN.limits["wind"].fine / 2.0)
    other = replace(PLAN, limits={**PLAN.limits, "wind": fine, "forest": Limit(1.0, 2.0)})
    assert not Reference(told_by(hours), other, train(), SITES).against.unlike


def test_airspace_taken_as_closed_at_all_times_is_no_measure(hours: pd.DataFrame) -> None:
    told = replace(told_by(hours), always_closed=("Range 7",))
    assert not Reference(told, PLAN, train(), SITES).against.unlike, "airspace is not asked"
    asks = replace(PLAN, limits={**PLAN.limits, "airspace": LIMITS["airspace"].default})
    found = Reference(told, asks, train(), SITES).against
    assert [each.name for each in found.unlike] == ["Range 7"]


def test_sites_and_hours_that_it_does_not_know_are_left_out_and_counted(
    hours: pd.DataFrame, answers: Answers
) -> None:
    told = told_by(hours)
    north = told.sites[0]
    few = tuple(
        tuple(FEWEST_HOURS - 1 if hour == 9 else n for hour, n in enumerate(row))
        for row in north.hours
    )
    found = learned_with(replace(told, sites=(replace(north, hours=few),)), answers)
    assert found.against is not None
    assert found.against.no_site == ("South",)
    times = rows_of(pairs_of(answers, "gfs", to_unix_s(FIRST + timedelta(days=DAYS))))
    assert found.against.uncovered > 0
    at_nine = times[(times.site == "North") & (times.hour == 9)]
    assert found.against.uncovered <= len(at_nine)
    moved = replace(told.sites[1], site=replace(SITES[1], latitude_deg=48.5))
    found = learned_with(replace(told, sites=(north, moved)), answers)
    assert found.against is not None
    assert found.against.moved == ("South",)
    south = [table for table in found.tables if table.site == "South"]
    assert south
    assert all(table.chance.survey.hours == 0 for table in south)
    assert any("South (the survey has it at another place)" in w for w in survey_words(found))


def test_it_is_kept_and_read_without_what_surveys_need(
    hours: pd.DataFrame, answers: Answers, store: Store
) -> None:
    watch = Watch(
        WATCH, "gfs", SITES, train(), Span(timedelta(hours=1), 6.0), 3, PLAN,
        rules=None, ground=None,  # type: ignore[arg-type]
    )  # fmt: skip
    assert reference_of(store, watch) == (None, ()), "no survey, and nothing to say of it"
    survey = replace(years_surveyed(), watch=WATCH)
    store.save_survey(survey)
    assert reference_of(store, watch) == (None, ()), "a survey that tells no chances"
    store.save_survey(survey, told_by(hours))
    assert store.usual_chances(WATCH) == told_by(hours)
    reference, amiss = reference_of(store, watch)
    assert reference is not None
    assert amiss == ()
    learned = learn(answers, FIRST + timedelta(days=DAYS), reference=reference)
    store.save_learned(WATCH, learned)
    assert store.learned_tables(WATCH) == learned
    with store.writing() as session:
        session.execute(update(SurveyRow).values(usual='{"version": 1, "weather": 7}'))
    reference, amiss = reference_of(store, watch)
    assert reference is None
    assert "usual chances of" in amiss[0]
    code = "import sys, windowwatch.watch.learned, windowwatch.cli.learned; print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert not set(done.stdout.split()) & {"pyarrow", "dask", "zarr", "fsspec", "distributed"}


def test_what_was_learned_before_there_were_surveys_is_read(answers: Answers) -> None:
    learned = learn(answers, NOW)
    text = value_to_json(learned, "what was learned").replace(',"against":null', "")
    assert '"against"' not in text
    assert value_from_json(Learned, text, "what was learned") == learned
    assert survey_words(learned) == []
