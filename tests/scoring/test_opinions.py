"""What other models do to a chance: the named rules of `scoring.opinions`."""

from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st
from invented import at, cycle, hour, refused

from windowwatch.errors import InputError
from windowwatch.forecast.cycle import Cycle
from windowwatch.physics.earth import destination
from windowwatch.scoring.opinions import Voice, chance_interval, own_view, with_opinions
from windowwatch.scoring.values import Hour, Verdict

STALE = timedelta(hours=12)
CYCLE = cycle(2)


#: Chances are shares of flights; numbers that differ by less than rounding are none.
SHARES = st.integers(0, 4096).map(lambda passed: passed / 4096)


def voice(model: str, *hours: Hour, older_h: float = 0.0) -> Voice:
    return Voice(Cycle(CYCLE.reference_utc - timedelta(hours=older_h), model), hours)


def weighed(ours: Hour, *voices: Voice) -> Hour:
    (found,) = with_opinions([ours], CYCLE, voices, STALE)
    return found


def test_the_deciding_model_weighs_as_much_as_all_others_together() -> None:
    """Linear pool with weights 1/2, 1/4, 1/4: 0.5 * 0.8 + 0.25 * 0.4 + 0.25 * 0.2 = 0.55."""
    found = weighed(
        hour(at(7), chance=0.8),
        voice("ifs", hour(at(7), chance=0.4)),
        voice("gefs", hour(at(7), 0.0, chance=0.2, by="rain")),
    )
    assert found.chance == pytest.approx(0.55)
    assert found.own_chance == 0.8
    assert [o.model for o in found.others] == ["gefs", "ifs"], "by name"
    assert [o.says and o.says.name for o in found.others] == ["rain", None]
    assert (found.verdict, found.score) == (Verdict.GO, 80.0), "the deciding model decides"
    assert found.chance_low == pytest.approx(0.7), "the interval is of the own share of flights"
    assert chance_interval(found) is None, "and not shown beside what all say together"
    assert chance_interval(own_view(found)) == pytest.approx((0.7, 0.9))


@given(own=SHARES, others=st.lists(SHARES, max_size=2))
def test_an_interval_that_is_shown_holds_the_chance(own: float, others: list[float]) -> None:
    voices = [voice(f"m{i}", hour(at(7), chance=c)) for i, c in enumerate(others)]
    found = weighed(hour(at(7), chance=own), *voices)
    interval = chance_interval(found)
    if interval is None:
        assert found.chance != own
    else:
        assert found.chance == own
        assert interval[0] <= own <= interval[1]


@given(own=SHARES, others=st.lists(SHARES, min_size=1, max_size=4))
def test_the_chance_lies_between_the_least_and_the_most_sure(
    own: float, others: list[float]
) -> None:
    found = weighed(
        hour(at(7), chance=own),
        *(voice(f"m{i}", hour(at(7), chance=c)) for i, c in enumerate(others)),
    )
    assert found.chance is not None
    assert min(own, *others) - 1e-12 <= found.chance <= max(own, *others) + 1e-12
    if all(other < own for other in others):
        assert found.chance < own
    if all(other > own for other in others):
        assert found.chance > own


@pytest.mark.parametrize(
    "silent",
    [
        voice("ifs", refused(at(7))),
        voice("ifs", hour(at(7), verdict=Verdict.UNKNOWN)),
        voice("ifs", hour(at(8), chance=0.1)),
        voice("ifs", hour(at(7), chance=0.1), older_h=13),
        voice("ifs", replace(hour(at(7), chance=0.1), from_cycle="ifs-2026-05-04T18Z")),
    ],
    ids=["refuses it", "cannot judge it", "has another hour", "is stale", "carries a stale answer"],
)
def test_who_has_no_say_changes_nothing(silent: Voice) -> None:
    ours = hour(at(7), chance=0.8)
    assert weighed(ours, silent) == ours


def test_exactly_as_old_as_is_allowed_has_a_say() -> None:
    found = weighed(hour(at(7), chance=0.8), voice("ifs", hour(at(7), chance=0.4), older_h=12))
    assert found.chance == pytest.approx(0.6)


def test_with_others_is_the_same_hour_in_all_else() -> None:
    ours = hour(at(6), chance=0.8)
    others = weighed(ours, voice("b", hour(at(6), chance=0.4))).others
    assert others
    expected = replace(ours, others=others, chance=0.6, own_chance=0.8)
    assert ours.with_others(others, 0.6, 0.8) == expected
    assert (ours.others, ours.chance) == ((), 0.8), "the hour itself is left as it is"


def test_an_answer_carried_over_speaks_for_the_cycle_that_gave_it() -> None:
    older = Cycle(CYCLE.reference_utc - timedelta(hours=6), "ifs").id
    found = weighed(
        hour(at(7), chance=0.8), voice("ifs", replace(hour(at(7), chance=0.4), from_cycle=older))
    )
    assert found.others[0].cycle_id == older


def test_who_judges_less_may_lower_but_not_raise() -> None:
    """The other model was not asked about cloud; the deciding one was."""

    def less(chance: float) -> Hour:
        full = hour(at(7), chance=chance)
        return replace(full, checks=full.checks[:1])

    assert weighed(hour(at(7), chance=0.4), voice("ifs", less(0.9))).chance == pytest.approx(0.4)
    found = weighed(hour(at(7), chance=0.4), voice("ifs", less(0.2)))
    assert found.chance == pytest.approx(0.3)
    assert found.others[0].lacks == ("cloud",)
    both = weighed(hour(at(7), chance=0.4), voice("ifs", hour(at(7), chance=0.9)))
    assert both.chance == pytest.approx(0.65)
    assert both.others[0].lacks == ()


def test_unknown_stays_unknown() -> None:
    """Data that are missing cannot be made up for by another model."""
    found = weighed(refused(at(7)), voice("ifs", hour(at(7), chance=0.9)))
    assert (found.chance, found.own_chance, found.verdict) == (None, None, Verdict.UNKNOWN)
    assert len(found.others) == 1, "it is shown all the same"
    unknown = hour(at(7), chance=None)
    assert weighed(unknown, voice("ifs", hour(at(7), chance=0.9))).chance is None


def test_how_far_apart_they_land_is_measured_on_the_ellipsoid() -> None:
    there = destination(45.9, -35.5, 90.0, 60_000.0)
    moved = hour(at(7), landing=(float(there[0]), float(there[1])))
    (opinion,) = weighed(hour(at(7)), voice("ifs", moved)).others
    assert opinion.apart_km == pytest.approx(60.0, abs=0.01)
    assert opinion.bearing_deg == pytest.approx(90.0, abs=0.01)
    (opinion,) = weighed(hour(at(7)), voice("ifs", replace(moved, footprint=None))).others
    assert opinion.apart_km is None


def test_weighed_again_it_begins_with_the_own_chance() -> None:
    ours = hour(at(7), chance=0.8)
    once = weighed(ours, voice("ifs", hour(at(7), chance=0.4)))
    assert own_view(once) == ours
    assert weighed(once, voice("ifs", hour(at(7), chance=0.4))) == once
    assert weighed(once) == ours, "a model that is not asked any more leaves nothing behind"


def test_a_model_is_named_once() -> None:
    with pytest.raises(InputError, match="each may be named once"):
        weighed(hour(at(7)), voice("ifs"), voice("ifs"))
    with pytest.raises(InputError, match="each may be named once"):
        weighed(hour(at(7)), voice(CYCLE.model))


def test_a_cycle_is_read_back_from_its_name() -> None:
    assert Cycle.of_id("gfs-0.25-2026-05-04T06Z") == Cycle(at(6) - timedelta(days=3), "gfs-0.25")
    with pytest.raises(InputError, match="names no cycle"):
        Cycle.of_id("gfs")
