"""From flights to an answered check: each row of the table, quantiles, shares, what is missing."""

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from windowwatch.errors import InputError
from windowwatch.scoring.answer import Answer, Measure, answer, nothing_known
from windowwatch.scoring.limits import LIMITS, CheckKind, Limit, Summary
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.scoring.values import Gap, Median, Missing, NotKnown, Part, Verdict

NAMES = sorted(LIMITS)


def measured(kind: CheckKind, *values: float) -> Measure:
    return Measure(kind.name, np.array(values, dtype=np.float64)[None, :, None])


def asked(kind: CheckKind, *values: float, limit: Limit | None = None, q: float = 0.9) -> Answer:
    return answer(measured(kind, *values), 0, kind, limit or kind.default, q)


def hundred(share_pct: float) -> list[float]:
    """A hundred flights, to so many of which it happens."""
    return [1.0] * round(share_pct) + [0.0] * (100 - round(share_pct))


def flights_with(kind: CheckKind, value: float) -> list[float]:
    return hundred(value) if kind.summary is Summary.SHARE else [value]


@pytest.mark.parametrize("name", NAMES)
def test_every_check_at_fine_between_past_and_unknown(name: str) -> None:
    kind = LIMITS[name]
    fine, limit = kind.default.fine, kind.default.limit
    step = 1.0 if kind.summary is Summary.SHARE else 0.01 * abs(limit - fine)
    past = limit - step if kind.higher_is_better else limit + step
    within = asked(kind, *flights_with(kind, fine)).check
    assert (within.verdict, within.desirability) == (Verdict.GO, 1.0)
    between = asked(kind, *flights_with(kind, (fine + limit) / 2)).check
    assert between.verdict is Verdict.CAUTION
    assert between.desirability == pytest.approx(0.5, abs=0.1)
    at_limit = asked(kind, *flights_with(kind, limit)).check
    assert (at_limit.verdict, at_limit.desirability) == (Verdict.CAUTION, 0.0)
    assert at_limit.margin == pytest.approx(0.0)
    if past <= 100.0 or kind.summary is Summary.QUANTILE:
        beyond = asked(kind, *flights_with(kind, past)).check
        assert (beyond.verdict, beyond.desirability) == (Verdict.NO_GO, 0.0)
        assert beyond.margin is not None
        assert beyond.margin < 0.0
    unknown = asked(kind, np.nan)
    assert unknown.passes is None
    assert (unknown.check.verdict, unknown.check.desirability) == (Verdict.UNKNOWN, None)
    assert unknown.check.value is None
    assert unknown.check.missing == kind.missing


@pytest.mark.parametrize("name", NAMES)
def test_every_row_is_whole(name: str) -> None:
    kind = LIMITS[name]
    kind.check_limit(kind.default)
    assert kind.name == name
    assert kind.weight > 0.0
    assert kind.source
    assert kind.suffix.isalnum()
    assert kind.in_chance or kind.summary is not Summary.QUANTILE


def test_all_four_parts_are_asked() -> None:
    assert {kind.part for kind in LIMITS.values()} == set(Part)


def test_what_a_measure_adds_stands_beside_the_value() -> None:
    kind = LIMITS["road"]
    measure = Measure("road", np.array([[[1.0]], [[2.0]]]), ((Median(1.0),), (Median(2.0),)))
    assert answer(measure, 1, kind, kind.default).check.facts == (Median(2.0),)
    lost = nothing_known("road", 2, Missing(Gap.ROADS))
    assert answer(lost, 1, kind, kind.default).check.missing == Missing(Gap.ROADS)


@given(st.lists(st.floats(0, 20), min_size=1, max_size=40), st.floats(0.05, 1.0))
def test_the_value_is_the_quantile_by_the_inverted_distribution(
    values: list[float], share: float
) -> None:
    # Definition 1 of Hyndman and Fan (1996), The American Statistician 50, 361-365.
    expected = np.quantile(values, share, method="inverted_cdf")
    assert asked(LIMITS["gust"], *values, q=share).check.value == expected


def test_low_side_of_checks_whose_higher_values_are_better() -> None:
    values = [float(v) for v in range(1, 11)]
    assert asked(LIMITS["visibility"], *values).check.value == 2.0  # nine of ten see farther


def test_flights_that_pass_are_those_within_the_limit() -> None:
    passes = asked(LIMITS["gust"], 5.0, 10.0, 10.1, np.nan, q=0.5).passes
    assert passes is not None
    assert passes[:, 0].tolist() == [True, True, False, False]
    dry = asked(LIMITS["water"], *([0.0] * 18), 1.0, np.nan).passes
    assert dry is not None
    assert dry[-3:, 0].tolist() == [True, False, False]
    above = asked(LIMITS["extrapolated"], 1.0, 0.0).passes
    assert above is not None
    assert above.all(), "flying above the top is a matter of trust, not of the day"


def test_a_few_missing_flights_count_as_the_worst() -> None:
    gust = LIMITS["gust"]
    nine = [float(v) for v in range(1, 10)]
    assert asked(gust, *nine, np.nan).check.value == 9.0  # without it: 8.1, so the 9th of 9
    assert asked(gust, *nine[:8], np.nan, np.nan).check.verdict is Verdict.UNKNOWN
    # Even if the two missing ones were calm, nine of ten are past the limit.
    storm = asked(gust, *[12.0 + v for v in range(8)], np.nan, np.nan).check
    assert storm.verdict is Verdict.NO_GO


def test_shares_count_missing_flights_in() -> None:
    water = LIMITS["water"]
    some = asked(water, *([0.0] * 95), *([1.0] * 2), *([np.nan] * 3))
    assert some.check.value == pytest.approx(5.0)
    assert some.check.facts == (NotKnown(3.0),)
    undecided = asked(water, *([0.0] * 70), *([1.0] * 20), *([np.nan] * 10))
    assert undecided.check.verdict is Verdict.UNKNOWN
    decided = asked(water, *([0.0] * 60), *([1.0] * 30), *([np.nan] * 10))
    assert decided.check.verdict is Verdict.NO_GO
    assert decided.check.value == pytest.approx(30.0)
    assert asked(water, 1.0).check.value == 100.0
    assert asked(water, 0.0).check.value == 0.0


def counted(each: Answer) -> tuple[int, float]:
    """Goodness of an answer: past the limit, then unknown, then by desirability."""
    rank = {Verdict.NO_GO: 0, Verdict.UNKNOWN: 1}.get(each.check.verdict, 2)
    return rank, each.check.desirability or 0.0


FLIGHT_VALUES = st.lists(st.floats(0, 15), min_size=1, max_size=30)


@given(FLIGHT_VALUES, st.data())
def test_a_flight_that_gets_worse_or_lost_never_helps(values: list[float], data: Any) -> None:
    which = data.draw(st.integers(0, len(values) - 1))
    before = asked(LIMITS["gust"], *values)
    worse = list(values)
    worse[which] += data.draw(st.floats(0, 15))
    assert counted(asked(LIMITS["gust"], *worse)) <= counted(before)
    lost = list(values)
    lost[which] = np.nan
    # A lost flight cannot clear the others: if enough are past the limit, they still are.
    after = asked(LIMITS["gust"], *lost)
    if before.check.verdict is not Verdict.NO_GO:
        assert counted(after) <= counted(before)
    else:
        assert after.check.verdict in {Verdict.NO_GO, Verdict.UNKNOWN}


def test_where_there_is_no_cloud_ceiling_it_is_go() -> None:
    """A model's number for "none", also less a site's height, is no height of anything."""
    for value in (20_000.0, 19_580.0):
        check = asked(LIMITS["ceiling"], value).check
        assert check.verdict is Verdict.GO
        assert check.value == value


def test_plan_refuses_what_it_cannot_mean() -> None:
    bad: list[tuple[dict[str, Any], str]] = [
        ({"limits": {"gale": Limit(1, 2)}}, "check 'gale' is not one of wind, gust"),
        ({"limits": {"gust": Limit(12, 10)}}, "fine_mps = 12 lies above limit_mps = 10"),
        ({"limits": {"ceiling": Limit(300, 900)}}, "fine_m = 300 lies below limit_m = 900"),
        ({"limits": {"water": Limit(5, 120)}}, "are shares of flights; give 0 to 100"),
        ({"limits": {}}, "no check is asked"),
        ({"weights": {"gust": 0.0}}, "weight of check gust is 0.0"),
        ({"part_weights": {Part.FLIGHT: -1.0}}, "weight of part flight is -1.0"),
        ({"hold_min": -5.0}, "hold_min is -5.0"),
        ({"quantile": 1.5}, "quantile is 1.5; give a share"),
        ({"go_score": 30.0}, "the first not above the second"),
        ({"gust_factor": 0.5}, "gust_factor is 0.5; give 1 to 3"),
        ({"min_flights": 0}, "min_flights is 0"),
        ({"clearance": (2.0, 1.0)}, "ends before it begins"),
    ]
    for changed, said in bad:
        with pytest.raises(InputError, match=said):
            ScoringPlan(**changed)
    with pytest.raises(InputError, match="must be finite"):
        Limit(1.0, float("nan"))
    with pytest.raises(InputError, match="exponent -1 must be above zero"):
        Limit(1.0, 2.0, exponent=-1)


def test_an_exponent_shapes_the_way_to_the_limit() -> None:
    steep = asked(LIMITS["gust"], 8.5, limit=Limit(7.0, 10.0, True, 2.0)).check
    assert steep.desirability == pytest.approx(0.25)
    assert steep.margin == pytest.approx(1.5)
