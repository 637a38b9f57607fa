"""Rule sets: the shipped files, classification with its traps, limits by status.

Classes: Regulation (EU) No 923/2012, Annex, Appendix 2, 1.1, and ICAO Annex 2, appendix on
unmanned free balloons, 1; 14 CFR 101.1(a)(4).
"""

import copy
import tomllib
from pathlib import Path
from typing import Any

import pytest

from windowwatch.errors import InputError
from windowwatch.scoring.limits import LIMITS, Limit
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.scoring.rules import (
    Package,
    Question,
    RuleSet,
    Status,
    classify,
    limits_of,
    rule_set,
)
from windowwatch.wording.rules import class_words

FOLDER = Path(__file__).resolve().parents[2] / "config" / "rules"
FILES = sorted(FOLDER.glob("*.toml"))


def document(name: str) -> dict[str, Any]:
    return tomllib.loads((FOLDER / f"{name}.toml").read_text(encoding="utf-8"))


SERA, ICAO, US = (rule_set(document(name)) for name in ("sera", "icao", "us-14cfr101"))
#: A face so large that the area density is far below any bound.
WIDE = 1.0
#: Grams on a square centimetre in kilograms on a square metre.
PER_CM2 = 10.0


def by(rules: RuleSet, *masses_kg: float, face_m2: float | None = WIDE,
       separation_n: float | None = 100.0) -> str | None:  # fmt: skip
    packages = [Package(mass, face_m2) for mass in masses_kg]
    return classify(rules, packages, separation_n).name


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_every_shipped_file_is_whole(path: Path) -> None:
    rules = rule_set(tomllib.loads(path.read_text(encoding="utf-8")))
    assert rules.name == path.stem
    assert "authority" in rules.decides
    assert all(entry.paragraph for entry in rules.criteria)
    assert all(entry.paragraph for entry in rules.limits)
    assert all(entry.paragraph for entry in rules.duties)


@pytest.mark.parametrize("rules", [SERA, ICAO], ids=["sera", "icao"])
@pytest.mark.parametrize(
    ("masses", "expected"),
    [
        ([1.5], "light"),
        ([2.9, 1.0], "light"),
        ([3.999], "heavy"),  # one package of 3 kg or more
        ([2.0, 2.0], "medium"),  # exactly 4 kg is not light
        ([1.1, 1.4, 1.5], "medium"),  # 4 kg, though a sum of floats may fall short of it
        ([4.5], "heavy"),  # a single package: never medium
        ([2.9, 2.9], "medium"),
        ([2.0, 2.0, 2.0], "heavy"),  # exactly 6 kg is heavy
        ([3.0], "heavy"),
    ],
)
def test_masses(rules: RuleSet, masses: list[float], expected: str) -> None:
    assert by(rules, *masses) == expected


def test_area_density_counts_from_two_kilograms_on_and_above_thirteen() -> None:
    assert by(SERA, 2.0, face_m2=2.0 / (13.0 * PER_CM2)) == "light"  # exactly 13: not more than
    assert by(SERA, 2.0, face_m2=2.0 / (13.1 * PER_CM2)) == "heavy"
    assert by(SERA, 1.9, face_m2=1.9 / (20.0 * PER_CM2)) == "light"


def test_both_conditions_must_hold_for_one_package() -> None:
    small_dense, large_light = Package(0.5, 0.5 / (30 * PER_CM2)), Package(2.5, WIDE)
    assert classify(SERA, [small_dense, large_light], 0.0).name == "light"


def test_separation_force_differs_between_the_rules() -> None:
    assert by(SERA, 1.0, separation_n=230.0) == "heavy"  # 230 N or more
    assert by(SERA, 1.0, separation_n=229.9) == "light"
    # 14 CFR: more than 50 lb of force, that is 222.41 N.
    assert by(US, 1.0, separation_n=222.41) == "outside part 101"
    assert by(US, 1.0, separation_n=222.42) == "within part 101"


@pytest.mark.parametrize(
    ("masses", "face_m2", "expected"),
    [
        ([2.72], WIDE, "outside part 101"),  # 6 lb is 2.7216 kg, and more than that is asked
        ([2.73], WIDE, "within part 101"),
        ([1.82], 1.82 / (13.2 * PER_CM2), "within part 101"),  # over 4 lb and 3 oz/in²
        ([1.82], 1.82 / (13.1 * PER_CM2), "outside part 101"),
        ([1.81], 1.81 / (20.0 * PER_CM2), "outside part 101"),
        ([1.8, 1.8, 1.8], WIDE, "outside part 101"),  # 5.40 kg; 12 lb is 5.443 kg
        ([1.8, 1.8, 1.9], WIDE, "within part 101"),
    ],
)
def test_the_four_criteria_of_the_united_states(
    masses: list[float], face_m2: float, expected: str
) -> None:
    assert by(US, *masses, face_m2=face_m2) == expected


def test_pounds_and_ounces_are_converted_exactly() -> None:
    # International pound: 0.45359237 kg (1959). Standard gravity: 9.80665 m/s².
    pound = 0.45359237
    bounds = {(c.quantity, round(c.bound, 3)) for k in US.criteria for c in k.when}
    assert {
        ("package_kg", round(4 * pound, 3)),
        ("package_kg", round(6 * pound, 3)),
        ("payload_kg", round(12 * pound, 3)),
        ("separation_n", round(50 * pound * 9.80665, 3)),
        ("package_g_per_cm2", round(3 * pound / 16 * 1000 / 2.54**2, 3)),
    } <= bounds


def test_what_is_not_known_is_asked_and_no_class_is_given_away() -> None:
    open_force = classify(SERA, [Package(1.0, WIDE)])
    assert open_force.name is None
    assert open_force.open_questions == (Question.SEPARATION,)
    assert "cannot be said without the impact force" in class_words(SERA, open_force)
    open_face = classify(SERA, [Package(2.5)], 100.0)
    assert open_face.open_questions == (Question.FACES,)
    # Heavy already for another reason: the open questions change nothing.
    assert classify(SERA, [Package(6.5)]).name == "heavy"
    # Below 2 kg the face does not matter.
    assert classify(SERA, [Package(1.5)], 100.0).name == "light"


@pytest.mark.parametrize("rules", [SERA, ICAO, US], ids=["sera", "icao", "us"])
def test_every_answer_says_who_decides(rules: RuleSet) -> None:
    for force in (None, 100.0):
        said = class_words(rules, classify(rules, [Package(1.0, WIDE)], force))
        assert "Local authority and its permission decide; a class is not a permission." in said


def test_light_needs_an_authorisation_too_and_that_is_said() -> None:
    said = class_words(SERA, classify(SERA, [Package(1.0, WIDE)], 100.0))
    assert said.startswith("Light by sera 1.1(a). Any unmanned free balloon, light ones too, needs")


def test_duties_are_those_of_the_class() -> None:
    assert SERA.duties_of("light") == ()
    notices = {duty.notice_h for duty in SERA.duties_of("medium")}
    assert 7 * 24.0 in notices  # 5.1.1: seven days
    assert len(SERA.duties_of("heavy")) > len(SERA.duties_of("medium"))


def test_what_is_from_memory_never_vetoes() -> None:
    asked = dict(ScoringPlan().limits)
    limits = limits_of(SERA, "heavy", asked)
    assert limits["cloud"] == Limit(50.0, 50.0, False)  # more than 4 oktas
    assert limits["visibility"] == Limit(8.0, 8.0, False)
    own_hard = limits_of(SERA, "heavy", {"cloud": Limit(60.0, 75.0, True)})["cloud"]
    assert own_hard == Limit(50.0, 75.0, True)
    assert limits_of(SERA, "heavy", {})["cloud"].hard is False


def test_what_was_read_becomes_hard_and_never_looser() -> None:
    limits = limits_of(US, "within part 101", ScoringPlan().limits)
    assert limits["cloud"] == Limit(50.0, 50.0, True)
    strict = limits_of(US, "within part 101", {"cloud": Limit(10.0, 25.0)})["cloud"]
    assert strict == Limit(10.0, 25.0, False)
    assert limits_of(US, "outside part 101", {"cloud": Limit(10.0, 25.0)})["cloud"].limit == 25.0
    ScoringPlan(limits=limits)  # fits the table of checks


def _without(table: dict[str, Any], key: str) -> dict[str, Any]:
    return {k: v for k, v in table.items() if k != key}


def test_wrong_files_are_named_by_table_and_key() -> None:
    good = document("sera")

    def wrong(said: str, **changed: Any) -> None:
        with pytest.raises(InputError, match=said):
            rule_set({**copy.deepcopy(good), **changed})

    first, limit = good["classes"][0], good["limits"][0]
    wrong("the file: decides is missing; give a text", decides="")
    wrong("collected_on: give a date", collected_on="yesterday")
    wrong("the file: author is not a key here", author="x")
    wrong("classes: give at least one", classes=[], limits=[], duties=[])
    wrong("classes: must be a list of tables", classes=[1])
    wrong(r"classes\[1\]: paragraph is missing", classes=[_without(first, "paragraph")])
    wrong(r"classes\[1\]: status = 'sure': give one of \"confirmed\"",
          classes=[{**first, "status": "sure"}])  # fmt: skip
    wrong(r"classes\[1\].when: give at least one", classes=[{**first, "when": []}])
    wrong(r"when\[1\].quantity = 'lb': give one of payload_kg",
          classes=[{**first, "when": [{"quantity": "lb", "at_least": 1}]}])  # fmt: skip
    wrong(r"when\[1\]: give exactly one of at_least",
          classes=[{**first, "when": [{"quantity": "packages"}]}])  # fmt: skip
    wrong(r"at_least = '6': give a number",
          classes=[{**first, "when": [{"quantity": "packages", "at_least": "6"}]}])  # fmt: skip
    wrong(r"limits\[1\].check = 'fog': give one of wind", limits=[{**limit, "check": "fog"}])
    wrong(r"limits\[1\]: bound_pct = None: give a number", limits=[_without(limit, "bound_pct")])
    wrong(r"limits\[1\]: bound_km is not a key here", limits=[{**limit, "bound_km": 1.0}])
    wrong(r"limits\[1\]: classes = \['huge'\]: give some of heavy, light, medium",
          limits=[{**limit, "classes": ["huge"]}])  # fmt: skip


def test_wrong_trains_are_refused() -> None:
    with pytest.raises(InputError, match="at least one package"):
        classify(SERA, [])
    with pytest.raises(InputError, match="must be above zero"):
        classify(SERA, [Package(0.0)])
    with pytest.raises(InputError, match="must be above zero"):
        classify(SERA, [Package(1.0, -1.0)])


def test_every_status_is_used_and_kept() -> None:
    rules = (SERA, ICAO, US)
    used = {entry.status for each in rules for entry in each.limits}
    used |= {entry.status for each in rules for entry in each.duties}
    used |= {entry.status for each in rules for entry in each.criteria}
    assert used == set(Status)
    assert set(LIMITS) >= {limit.check for r in (SERA, ICAO, US) for limit in r.limits}


@pytest.mark.launchday
def test_levels_that_a_rule_asks_for_are_fifths_of_thousands_of_feet() -> None:
    # 14 CFR 101.37(a) asks for the time to 60,000 feet standard pressure altitude (from memory)
    assert US.levels_fl == (600,)
    for wrong in ([610], ["600"], 600, [0], [True]):
        with pytest.raises(InputError, match="multiples of 50"):
            rule_set({**document("sera"), "levels_fl": wrong})
