"""When it is told that weather models disagree: the named rules of `windows.agreement`."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from invented import WATCH, against, at, cycle, hour, read_at

from windowwatch.errors import InputError
from windowwatch.forecast.cycle import Cycle
from windowwatch.physics.earth import destination
from windowwatch.scoring.opinions import Voice, with_opinions
from windowwatch.scoring.values import Hour
from windowwatch.windows.agreement import AgreementRules, tell_disagreements
from windowwatch.windows.causes import (
    Against,
    ChanceLowered,
    ChanceMovedByOthers,
    ChanceUnder,
    Dissent,
    EdgeMoved,
    ModelsDisagree,
    SeenGood,
)
from windowwatch.windows.changes import compare
from windowwatch.windows.values import Change, ChangeKind, Window, WindowState
from windowwatch.windows.window import WindowRules, join_hours
from windowwatch.wording.checks import check_sentence, opinion_words

RULES = AgreementRules()
DISAGREE = ChangeKind.MODELS_DISAGREE
FOUR = range(6, 10)


class Passes:
    """Passes of the deciding model, each with what others say; `_` in a name is a space."""

    def __init__(self, rules: WindowRules | None = None) -> None:
        self.rules = rules or WindowRules()
        self.windows: tuple[Window, ...] = ()
        self.number = -1
        self.passed = 0

    def read(self, ours: Sequence[Hour], **others: Sequence[Hour]) -> tuple[Change, ...]:
        """The next cycle."""
        self.number, self.passed = self.number + 1, 0
        return self.again(ours, **others)

    def again(self, ours: Sequence[Hour], **others: Sequence[Hour]) -> tuple[Change, ...]:
        """One more pass of the newest cycle."""
        self.passed += 1
        now = read_at(self.number) + timedelta(minutes=self.passed)
        of = cycle(self.number)
        voices = [Voice(Cycle(of.reference_utc, m.replace("_", " ")), h) for m, h in others.items()]
        hours = with_opinions(ours, of, voices, RULES.stale_after)
        joined = join_hours(hours, self.rules, now_utc=now, known=self.windows)
        windows, changes = compare(
            self.windows,
            joined,
            hours,
            self.rules,
            cycle=of,
            now_utc=now,
            watch=WATCH,
            pass_number=self.passed,
        )
        self.windows, changes = tell_disagreements(
            self.windows,
            windows,
            changes,
            hours,
            self.rules,
            RULES,
            cycle=of,
            now_utc=now,
            watch=WATCH,
            pass_number=self.passed,
        )
        return changes


def good(chance: float = 0.8) -> list[Hour]:
    return [hour(at(h), chance=chance) for h in FOUR]


def bad(chance: float = 0.8) -> list[Hour]:
    """A no-go by rain, of nearly the same chance so that nothing but the verdict differs."""
    return [hour(at(h), 0.0, chance=chance, by="rain") for h in FOUR]


def landing(km: float, bearing_deg: float = 90.0, chance: float = 0.8) -> list[Hour]:
    there = destination(45.9, -35.5, bearing_deg, km * 1000.0)
    return [hour(at(h), chance=chance, landing=(float(there[0]), float(there[1]))) for h in FOUR]


def said(change: Change) -> tuple[Against, ...]:
    """Who disagrees by a change: its last cause."""
    cause = change.causes[-1]
    assert isinstance(cause, ModelsDisagree)
    return cause.against


NO_GO_IFS = Dissent("ifs", no_go=True, apart=False)


def opened() -> Passes:
    line = Passes()
    line.read(good(), ifs=good())
    (change,) = line.read(good(), ifs=good())
    assert change.kind is ChangeKind.OPENED
    assert change.causes == (SeenGood(2, 4, 4),), "nothing of ifs"
    return line


def test_it_is_told_once_and_not_again_until_it_changes() -> None:
    line = opened()
    (change,) = line.again(good(), ifs=bad())
    assert change.kind is DISAGREE
    (one,) = said(change)
    assert (one.opinion.model, one.no_go, one.apart) == ("ifs", True, False)
    assert opinion_words(one.opinion) == check_sentence(against(0.0, "rain").check)
    assert line.again(good(), ifs=bad()) == ()
    assert line.read(good(), ifs=bad()) == (), "nor in the next cycle"
    (both,) = line.read(good(), ifs=[replace(b, footprint=f.footprint) for b, f in
                                     zip(bad(), landing(80), strict=True)])  # fmt: skip
    assert both.kind is DISAGREE
    (one,) = said(both)
    assert (one.no_go, one.apart) == (True, True)
    assert one.opinion.apart_km == pytest.approx(80.0)
    assert one.opinion.bearing_deg == pytest.approx(90.0, abs=1.0)
    assert line.read(good(), ifs=good()) == (), "that it has ended is not told"
    (again,) = line.read(good(), ifs=bad())
    assert again.kind is DISAGREE
    assert len({change.key, both.key, again.key}) == 3


def test_a_model_that_falls_silent_has_not_come_to_agree() -> None:
    line = opened()
    assert [c.kind for c in line.again(good(), ifs=bad())] == [DISAGREE]
    assert line.read(good()) == ()
    assert line.windows[0].dissent == (NO_GO_IFS,)
    assert line.read(good(), ifs=bad()) == (), "the same as was told before it fell silent"
    assert line.read(good(), ifs=good()) == ()
    assert not line.windows[0].dissent


def test_landings_far_apart_are_told_and_wavering_ones_only_once() -> None:
    line = opened()
    assert line.again(good(), ifs=landing(49.0)) == ()
    (change,) = line.again(good(), ifs=landing(60.0, 180.0))
    (one,) = said(change)
    assert (one.no_go, one.apart, round(one.opinion.apart_km or 0.0)) == (False, True, 60)
    for km in (49.0, 55.0, 41.0, 60.0):
        assert line.again(good(), ifs=landing(km)) == (), "within four fifths it stays told"
    assert line.again(good(), ifs=landing(39.0)) == ()
    (change,) = line.again(good(), ifs=landing(51.0))
    assert change.kind is DISAGREE


def test_names_with_spaces_are_remembered_too() -> None:
    line = opened()
    (change,) = line.again(good(), our_own=bad(), ifs=bad())
    assert [one.opinion.model for one in said(change)] == ["ifs", "our own"]
    assert line.windows[0].dissent == (NO_GO_IFS, replace(NO_GO_IFS, model="our own"))
    assert line.again(good(), our_own=bad(), ifs=bad()) == ()


def test_half_of_the_models_must_disagree() -> None:
    line = opened()
    assert line.again(good(), a=good(), b=good(), c=bad()) == ()
    (change,) = line.again(good(), a=good(), b=bad(), c=bad(), d=good())
    assert [one.opinion.model for one in said(change)] == ["b", "c"]


def test_half_of_the_best_hours_must_be_against() -> None:
    line = opened()
    assert line.again(good(), ifs=[*bad()[:1], *good()[1:]]) == (), "one of four"
    (change,) = line.again(good(), ifs=[*bad()[:2], *good()[2:]])
    assert change.kind is DISAGREE


def test_hours_far_below_the_best_are_not_asked_about() -> None:
    ours = [hour(at(h), 90.0 if h < 8 else 65.0) for h in FOUR]
    line = Passes()
    line.read(ours)
    line.read(ours)
    theirs = [*(hour(at(h), 90.0) for h in (6, 7)), *bad()[2:]]
    assert line.again(ours, ifs=theirs) == ()


def test_a_sighted_window_is_not_spoken_of_and_then_in_the_notice_that_opens_it() -> None:
    line = Passes()
    assert line.read(good(), ifs=bad()) == ()
    (change,) = line.read(good(), ifs=bad())
    assert change.kind is ChangeKind.OPENED, "one change"
    assert change.causes[0] == SeenGood(2, 4, 4)
    assert [one.opinion.model for one in said(change)] == ["ifs"]
    assert change.after is not None
    assert change.after.dissent == (NO_GO_IFS,)
    assert line.read(good(), ifs=bad()) == ()


def test_a_chance_that_others_lower_is_said_to_be_theirs() -> None:
    line = opened()
    (change,) = line.again(good(), ifs=good(chance=0.2))
    assert change.kind is ChangeKind.WEAKER
    (cause,) = change.causes
    assert isinstance(cause, ChanceMovedByOthers)
    assert (cause.before, cause.fell) == (0.8, True)
    assert cause.after == pytest.approx(0.5)
    assert [(o.model, o.chance) for o in cause.opinions] == [("ifs", 0.2)]
    (change,) = line.read(good(), ifs=good(chance=0.9))
    assert change.kind is ChangeKind.STRONGER
    (cause,) = change.causes
    assert isinstance(cause, ChanceMovedByOthers)
    assert cause.after == pytest.approx(0.85)
    assert not cause.fell
    (change,) = line.read(good(chance=0.3), ifs=good(chance=0.9))
    assert change.kind is ChangeKind.WEAKER
    assert change.causes[0] == against(80.0), "here the deciding model itself has changed"


def test_a_model_that_lowers_the_chance_and_lands_apart_is_named_once() -> None:
    line = opened()
    (change,) = line.again(good(), ifs=landing(71.0, 0.0, chance=0.2))
    assert change.kind is ChangeKind.WEAKER
    moved, _ = change.causes
    assert isinstance(moved, ChanceMovedByOthers)
    (one,) = said(change)
    assert moved.opinions[-1].model == one.opinion.model == "ifs"
    assert (one.no_go, one.apart, round(one.opinion.apart_km or 0.0)) == (False, True, 71)


def unlikely(chance: float, when: Sequence[int] = FOUR) -> list[Hour]:
    """Hours of a score that stays good, but for their chance."""
    return [hour(at(h), 70.0, chance=chance if h in when else 0.8) for h in FOUR]


def test_a_window_that_others_close_is_said_to_be_theirs() -> None:
    line = opened()
    gusty = [hour(at(h), 0.0, chance=0.05) for h in FOUR]
    (change,) = line.read(unlikely(0.17), ifs=gusty)
    assert change.kind is ChangeKind.CLOSED
    (cause,) = change.causes
    assert isinstance(cause, ChanceLowered), "the deciding model's own gust is within its limit"
    assert cause.chance == pytest.approx(0.11)
    assert (cause.bound, cause.own_chance) == (0.15, 0.17)
    assert [(o.model, o.chance) for o in cause.lowered_by] == [("ifs", 0.05)]
    assert opinion_words(cause.lowered_by[0]) == check_sentence(against().check)
    line = opened()
    (change,) = line.read(unlikely(0.17), a=gusty, b=unlikely(0.04), c=unlikely(0.06))
    (cause,) = change.causes
    assert isinstance(cause, ChanceLowered)
    assert [(o.model, o.chance) for o in cause.lowered_by] == [
        ("b", 0.04),
        ("a", 0.05),
        ("c", 0.06),
    ]
    line = opened()
    (change,) = line.read(unlikely(0.1), ifs=gusty)
    own, under = change.causes
    assert own == against(70.0), "the deciding model alone would have closed it"
    assert isinstance(under, ChanceUnder)
    assert under.chance == pytest.approx(0.075)
    assert under.bound == 0.15


def test_hours_that_others_took_away_are_said_to_be_theirs() -> None:
    line = opened()
    (change,) = line.read(unlikely(0.16, (8, 9)), ifs=unlikely(0.05, (8, 9)))
    assert change.kind is ChangeKind.MOVED
    (moved,) = (c for c in change.causes if isinstance(c, EdgeMoved))
    assert moved.by == timedelta(hours=-2)
    (lowered,) = moved.lost_to
    assert isinstance(lowered, ChanceLowered)
    assert [o.model for o in lowered.lowered_by] == ["ifs"]


def test_others_open_no_window_and_may_keep_one_open() -> None:
    sure = good(chance=1.0)
    line = Passes()
    for _ in range(3):
        assert line.read(good(0.1), ifs=sure) == ()
        assert line.windows == (), "55 % together, but 10 % by the model that decides"
    for _ in range(2):
        line.read(good(0.4), ifs=good(0.1))
        assert line.windows == (), "nor without them: 25 %, though 40 % by the one that decides"
    line.read(good(0.3), ifs=sure)
    assert [w.state for w in line.windows] == [WindowState.SIGHTED]
    line = opened()
    assert [c.kind for c in line.read(good(0.1), ifs=sure)] == [ChangeKind.WEAKER]
    assert [w.state for w in line.windows] == [WindowState.OPEN], "for staying all count together"


@pytest.mark.parametrize(("own", "opens"), [(0.69, False), (0.7, True)])
def test_others_make_no_near_window_open_at_once(own: float, opens: bool) -> None:
    line = Passes(WindowRules(near_h=72.0))
    changes = line.read(good(own), ifs=good(1.0))
    assert [c.kind for c in changes] == [ChangeKind.OPENED] * opens
    assert [w.state for w in line.windows] == [WindowState.OPEN if opens else WindowState.SIGHTED]


@settings(max_examples=60, deadline=None)
@given(st.lists(st.sampled_from(["good", "bad", "far", "none"]), min_size=1, max_size=8))
def test_never_the_same_notice_twice(story: list[str]) -> None:
    """Whatever comes in, in as many passes of a cycle as may be: every key is new."""
    line = opened()
    says = {"good": good(), "bad": bad(), "far": landing(90.0), "none": []}
    keys: list[str] = []
    standing: tuple[Dissent, ...] = ()
    for number, words in enumerate(story):
        step = line.again if number % 3 else line.read
        changes = step(good(), ifs=says[words])
        keys += [change.key for change in changes]
        told = {change.kind for change in changes}
        (window,) = line.windows
        assert (DISAGREE in told) == (window.dissent not in ((), standing))
        standing = window.dissent
    assert len(keys) == len(set(keys))


def test_rules_are_bounds() -> None:
    for wrong in ({"apart_km": 0.0}, {"share": 1.5}, {"stale_after_h": float("nan")}):
        with pytest.raises(InputError, match="give a"):
            AgreementRules(**wrong)
