"""From checks to score and verdict: the four rules, the floor, and what is worst."""

from dataclasses import replace
from itertools import pairwise

import pytest

from windowwatch.scoring.limits import LIMITS
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.scoring.values import (
    Check,
    Gap,
    Missing,
    NeverReached,
    Part,
    Refusal,
    RefusalKind,
    Unanswered,
    Verdict,
)
from windowwatch.scoring.verdict import (
    FLOOR,
    NEAR,
    part_scores,
    rule,
    total_score,
    worst_first,
    worst_names,
)

PLAN = ScoringPlan()
GAP = Missing(Gap.FIELD, ("a_field",))
LOST = Refusal(RefusalKind.LOST_FLIGHTS, 16, (("not_rising", 9),), landed=7, needed=8)


def check(name: str, wish: float | None = 1.0, *, hard: bool | None = None, past: bool = False,
          margin: float = 1.0) -> Check:  # fmt: skip
    kind = LIMITS[name]
    verdict = Verdict.UNKNOWN if wish is None else Verdict.GO if wish == 1.0 else Verdict.CAUTION
    return Check(
        name=name,
        part=kind.part,
        verdict=Verdict.NO_GO if past else verdict,
        value=None if wish is None else 1.0,
        unit=kind.unit,
        fine=0.0,
        limit=2.0,
        margin=None if wish is None else margin,
        desirability=wish,
        hard=kind.default.hard if hard is None else hard,
        missing=GAP if wish is None else None,
    )


FINE = [check("wind"), check("drift"), check("water"), check("road")]


def test_all_fine_is_go_with_full_score() -> None:
    ruling = rule(FINE, PLAN, 1.0, None)
    assert (ruling.verdict, ruling.refused) == (Verdict.GO, None)
    assert ruling.score == pytest.approx(100.0)
    assert list(ruling.parts.values()) == pytest.approx([100.0] * 4)


def test_a_veto_beats_everything_even_a_refusal() -> None:
    checks = [check("gust", 0.0, past=True), check("precipitation", None), *FINE]
    ruling = rule(checks, PLAN, 1.0, LOST)
    assert (ruling.verdict, ruling.score, ruling.refused) == (Verdict.NO_GO, 0.0, None)
    assert ruling.parts[Part.RELEASE] == 0.0


def test_lost_flights_refuse() -> None:
    ruling = rule(FINE, PLAN, 1.0, LOST)
    assert (ruling.verdict, ruling.score) == (Verdict.UNKNOWN, None)
    assert ruling.refused == LOST
    assert set(ruling.parts.values()) == {None}


def test_an_unanswered_hard_limit_refuses_and_a_soft_one_costs() -> None:
    hard = rule([*FINE, check("gust", None, hard=True)], PLAN, None, None)
    assert (hard.verdict, hard.score) == (Verdict.UNKNOWN, None)
    unknown = (Unanswered("gust", GAP),)
    assert hard.refused == Refusal(RefusalKind.UNKNOWN_CHECKS, unknown=unknown)
    soft_gap = [*FINE, check("gust", None, hard=False)]
    assert rule(soft_gap, PLAN, None, None).refused == hard.refused
    with_gaps = replace(PLAN, judge_with_gaps=True)
    soft = rule(soft_gap, with_gaps, None, None)
    assert soft.verdict is Verdict.CAUTION
    assert soft.score is not None
    assert soft.score < 100.0
    worst_known = rule([*FINE, check("gust", 0.0, hard=False, past=True)], PLAN, 1.0, None)
    assert soft.score == worst_known.score


def test_a_refusal_names_every_hard_check_that_is_unknown() -> None:
    names = ("wind", "gust", "precipitation", "thunder")
    ruling = rule([check(name, None) for name in names], PLAN, None, None)
    assert ruling.refused is not None
    assert tuple(each.check for each in ruling.refused.unknown) == names


def test_scores_by_hand() -> None:
    # Release: wind 1 (weight 2) and gust 0.25 (weight 2): 50. Others 100. Parts 3, 2, 3, 2.
    ruling = rule([*FINE, check("gust", 0.25)], PLAN, 1.0, None)
    assert ruling.parts[Part.RELEASE] == pytest.approx(50.0)
    assert ruling.score == pytest.approx(100.0 * 0.5**0.3)
    # At a limit that is not passed, and past a soft one, the floor counts.
    assert part_scores([check("road", 0.0)], PLAN)[Part.RECOVERY] == pytest.approx(100.0 * FLOOR)
    assert part_scores([check("road")], PLAN)[Part.LANDING] is None
    assert total_score({Part.RELEASE: 81.0, Part.FLIGHT: None}, PLAN) == pytest.approx(81.0)


def test_score_chance_and_soft_limits_decide_between_go_and_caution() -> None:
    assert rule(FINE, PLAN, 0.6, None).verdict is Verdict.GO
    assert rule(FINE, PLAN, 0.59, None).verdict is Verdict.CAUTION
    assert rule(FINE, PLAN, None, None).verdict is Verdict.CAUTION
    passed = [*FINE, check("cloud", 0.0, past=True, hard=False)]
    lenient = replace(PLAN, go_score=1.0, caution_score=0.0)
    assert rule(passed, lenient, 1.0, None).verdict is Verdict.CAUTION
    # Cloud has a third of the release's weight, the release three tenths of the whole.
    scaled = 70.0 * FLOOR ** (0.3 / 3.0)
    assert rule(passed, PLAN, 1.0, None).score == pytest.approx(scaled)
    assert rule(FINE[:3], lenient, 1.0, None).verdict is Verdict.GO
    low = [check("wind", 0.05), check("drift", 0.05), check("water", 0.05), check("road", 0.05)]
    poor = rule(low, PLAN, 1.0, None)
    assert poor.verdict is Verdict.NO_GO
    assert poor.score == pytest.approx(5.0 * (0.7 + 0.3 * 0.05 / NEAR))


def test_a_value_that_wavers_round_a_soft_limit_does_not_jump() -> None:
    """From just inside a soft limit to just past it the score changes by next to nothing."""
    wishes = [0.02, 0.01, 0.001, 0.0]
    scores = [
        rule([*FINE, check("cloud", wish, hard=False)], PLAN, 1.0, None).score for wish in wishes
    ]
    past = rule([*FINE, check("cloud", 0.0, past=True, hard=False)], PLAN, 1.0, None).score
    assert None not in scores
    assert past is not None
    steps = [float(score or 0.0) for score in [*scores, past]]
    assert steps == sorted(steps, reverse=True)
    assert max(a - b for a, b in pairwise(steps)) < 2.0


def test_worst_first_vetoes_then_unanswered_then_lost_score() -> None:
    checks = [
        check("wind", 0.9),
        check("drift", 0.2),
        check("gust", None, hard=True),
        check("water", 0.0, past=True),
        check("road", 0.5),
    ]
    order = [each.name for each in worst_first(checks, PLAN)]
    assert order == ["water", "gust", "drift", "road", "wind"]
    assert worst_names(checks, PLAN) == ("water", "gust", "drift")


def test_weight_moves_a_check_forward() -> None:
    checks = [check("wind", 0.5), check("gust", 0.5), check("cloud", 0.5)]
    heavy = replace(PLAN, weights={"cloud": 9.0})
    assert worst_first(checks, heavy)[0].name == "cloud"


def test_when_nothing_costs_the_nearest_to_its_limit_is_named() -> None:
    checks = [check("wind", margin=1.9), check("road", margin=1.2), check("drift", margin=1.5)]
    assert [each.name for each in worst_first(checks, PLAN)] == ["road", "drift", "wind"]
    assert worst_names(checks, PLAN) == ("road",)
    assert worst_names([*checks, check("gust", 0.9)], PLAN) == ("gust",)


def test_a_soft_limit_that_is_passed_is_named_before_anything_within_its_limit() -> None:
    """The ceiling has half the weight of others, but it alone keeps the hour from go."""
    checks = [
        check("drift", 0.2),
        check("road", 0.3),
        check("ceiling", 0.0, past=True, hard=False),
        check("visibility", None, hard=False),
    ]
    order = [each.name for each in worst_first(checks, PLAN)]
    assert set(order[:2]) == {"ceiling", "visibility"}
    assert order[2:] == ["drift", "road"]


def test_what_nobody_gets_to_is_named_once() -> None:
    never = (NeverReached(40.0, 10.0),)
    checks = [
        replace(check(name, 0.0, past=True, hard=False), facts=never)
        for name in ("walk", "crew", "arrival_daylight")
    ]
    (first,) = worst_names(checks, PLAN)
    assert first == worst_first(checks, PLAN)[0].name
    other = replace(checks[1], facts=(NeverReached(50.0, 10.0),))
    assert len(worst_names([checks[0], other, checks[2]], PLAN)) == 2, "another share is news"
