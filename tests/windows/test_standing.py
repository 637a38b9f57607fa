"""How hours, windows and the week stand: one answer, on days whose answer is plain."""

from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from invented import NOW, Line, at, check, flat, hour, opened, refused, window

from windowwatch.scoring.values import Hour, Opinion, Verdict
from windowwatch.windows.causes import BestHourIs, ScoreIs
from windowwatch.windows.standing import (
    Launch,
    Place,
    Week,
    is_no_go_by_chance,
    judged,
    week,
)
from windowwatch.windows.values import ChangeKind, Window, WindowState
from windowwatch.windows.window import WindowRules, is_good, join_hours
from windowwatch.wording.causes import reason
from windowwatch.wording.phrases import written

pytestmark = pytest.mark.one_answer

RULES = WindowRules()


def says(chance: float, verdict: Verdict = Verdict.CAUTION) -> Opinion:
    return Opinion("north", "north-2026-05-05T00Z", verdict, 55.0, chance, 12.0)


def stood(hours: list[Hour], *windows: Window, now: float | None = None) -> Week:
    return week(hours, windows, RULES, NOW if now is None else at(now))


@pytest.mark.parametrize(
    ("chance", "verdict"),
    [
        (0.0, Verdict.NO_GO),
        (0.1499, Verdict.NO_GO),
        (0.15, Verdict.CAUTION),
        (None, Verdict.CAUTION),
    ],
)
def test_below_the_closing_chance_an_hour_is_no_go(chance: float | None, verdict: Verdict) -> None:
    made = judged(hour(at(8), 55.0, chance=chance, verdict=Verdict.CAUTION), RULES)
    assert made.verdict is verdict
    assert is_no_go_by_chance(made, RULES) is (verdict is Verdict.NO_GO)
    assert judged(made, RULES) == made


def test_a_veto_is_no_matter_of_chance_and_what_is_not_known_stays_so() -> None:
    vetoed = judged(hour(at(8), 0.0, chance=0.0), RULES)
    assert not is_no_go_by_chance(vetoed, RULES)
    assert judged(refused(at(8)), RULES).verdict is Verdict.UNKNOWN


def test_what_others_lowered_is_told_beside_the_deciding_models_own_verdict() -> None:
    mixed = replace(hour(at(8), 55.0, chance=0.1, verdict=Verdict.CAUTION), own_chance=0.2,
                    others=(says(0.0),))  # fmt: skip
    made = judged(mixed, RULES)
    assert (made.verdict, made.own_verdict) == (Verdict.NO_GO, Verdict.CAUTION)
    assert made.others[0].verdict is Verdict.NO_GO, "a model's own chance judges what it says"
    assert judged(made, RULES) == made
    alone = judged(replace(mixed, own_chance=0.1), RULES)
    assert (alone.verdict, alone.own_verdict) == (Verdict.NO_GO, None)


def test_good_hours_are_the_same_ones_judged_or_not() -> None:
    for chance in (0.0, 0.14, 0.15, 0.3, 0.9):
        for score in (30.0, 55.0, 80.0):
            made = hour(at(8), score, chance=chance)
            for inside in (True, False):
                same = is_good(judged(made, RULES), RULES, inside=inside)
                assert is_good(made, RULES, inside=inside) is same


def test_every_place_that_an_hour_can_have() -> None:
    hours = [hour(at(h), 80.0) for h in (6, 7, 8, 9, 12, 20, 21, 30, 31)]
    hours += [hour(at(14), 52.0, verdict=Verdict.CAUTION), hour(at(16), 0.0), refused(at(17))]
    closed = window(uid="c", start_utc=at(20), end_utc=at(22), state=WindowState.CLOSED)
    seen = window(uid="s", start_utc=at(30), end_utc=at(32), best_hour_utc=at(30),
                  state=WindowState.SIGHTED)  # fmt: skip
    made = stood(hours, window(), closed, seen, now=7)
    places = {h.time_utc: made.standing(h) for h in made.hours["Millfield"].values()}
    assert {t: s.place for t, s in places.items()} == {
        at(6): Place.OVER, at(7): Place.OPEN, at(8): Place.OPEN, at(9): Place.OPEN,
        at(12): Place.TOO_SHORT, at(14): Place.TOO_WEAK, at(16): Place.NOT_GOOD,
        at(17): Place.NOT_GOOD, at(20): Place.CLOSED, at(21): Place.CLOSED,
        at(30): Place.SIGHTED, at(31): Place.SIGHTED,
    }  # fmt: skip
    assert places[at(12)].in_a_row == timedelta(hours=1)
    assert {t for t, s in places.items() if s.counts} == {at(7), at(8), at(9), at(30), at(31)}


def offered(hours: list[Hour], made: Window, now: float = 0.0) -> Launch:
    (launch,) = stood(hours, made, now=now).launches
    return launch


def test_the_planned_hour_stays_and_what_does_better_is_named_beside_it() -> None:
    hours = [hour(at(h), s) for h, s in ((6, 78.0), (7, 78.4), (8, 82.0), (9, 70.0))]
    launch = offered(hours, window(best_hour_utc=at(6)))
    assert (launch.time_utc, launch.score, launch.as_planned) == (at(6), 78.0, True)
    assert launch.now_best is not None
    assert launch.now_best.time_utc == at(8)
    assert offered(hours, window(best_hour_utc=at(8))).now_best is None
    even = [hour(at(6), 78.0), hour(at(7), 78.4)]
    assert offered(even, window(end_utc=at(8), best_hour_utc=at(6))).now_best is None, (
        "people read whole points"
    )


def test_once_the_planned_hour_has_gone_by_the_best_one_to_come_takes_its_place() -> None:
    hours = [hour(at(h), s) for h, s in ((6, 90.0), (7, 78.0), (8, 82.0), (9, 70.0))]
    launch = offered(hours, window(best_hour_utc=at(6)), now=6.5)
    assert (launch.time_utc, launch.score, launch.as_planned) == (at(8), 82.0, False)
    assert launch.now_best is None
    assert stood(hours, window(), now=9).launches != ()
    assert stood(hours, window(), now=9.1).launches == (), "its last release has gone by"


def test_a_window_that_cannot_be_read_offers_what_was_last_known() -> None:
    launch = offered([refused(at(h)) for h in range(6, 10)], window(readable=False))
    assert (launch.hour, launch.score, launch.chance) == (None, 78.0, 0.8)


def test_what_a_pass_stores_of_now_best_is_what_the_week_says() -> None:
    """A window keeps its hour while another is better by at most the margin of five points."""
    line = opened(flat(6, 10), [hour(at(h), 80.0 + 2.0 * (h == 8)) for h in range(6, 10)])
    (made,) = line.open_windows()
    assert (made.best_hour_utc, made.now_best_utc, made.now_best_score) == (at(6), at(8), 82.0)
    (fresh,) = join_hours(flat(6, 10), RULES, now_utc=NOW)
    assert (fresh.now_best_utc, fresh.now_best_score) == (None, None)


def test_the_best_of_the_week_and_the_soonest() -> None:
    def one(uid: str, first: int, chance: float, score: float, **other: object) -> Window:
        return window(uid=uid, start_utc=at(first), end_utc=at(first + 2), best_score=score,
                      best_hour_utc=at(first), chance=chance, **other)  # fmt: skip

    soon, strong = one("soon", 6, 0.7, 70.0), one("strong", 30, 0.88, 90.0)
    sure = one("sure", 54, 0.90, 60.0)
    seen = one("seen", 3, 0.99, 99.0, state=WindowState.SIGHTED)
    hours = [
        hour(w.start_utc + timedelta(hours=i), w.best_score, chance=w.chance)
        for w in (soon, strong, sure, seen)
        for i in range(2)
    ]
    made = stood(hours, sure, soon, seen, strong)
    assert [each.window.uid for each in made.launches] == ["strong", "sure", "soon", "seen"]
    assert made.best is not None
    assert made.soonest is not None
    assert (made.best.window.uid, made.soonest.window.uid) == ("strong", "soon")
    assert made.soonest.setup_utc(90.0) == at(4.5)
    empty = stood(hours)
    assert (empty.best, empty.soonest) == (None, None)


figures = st.tuples(st.integers(15, 100), st.integers(50, 100))


@given(st.lists(figures, min_size=2, max_size=6))
@settings(max_examples=40, deadline=None)
def test_no_launch_stands_before_one_that_is_better_in_both(found: list[tuple[int, int]]) -> None:
    windows, hours = [], []
    for i, (chance, score) in enumerate(found):
        first = 24.0 * i
        share = chance / 100
        windows.append(
            window(
                uid=str(i),
                start_utc=at(first),
                end_utc=at(first + 2),
                best_hour_utc=at(first),
                chance=share,
                best_score=float(score),
            )
        )
        for moment in (at(first), at(first + 1)):
            made = hour(moment, float(score), chance=share, verdict=Verdict.CAUTION)
            hours.append(made)
    launches = stood(hours, *windows).launches
    for i, earlier in enumerate(launches):
        for later in launches[i + 1 :]:
            better = later.score > earlier.score and (later.chance or 0) > (earlier.chance or 0)
            assert not better


def test_a_chance_of_a_check_that_vetoes_is_no_reason() -> None:
    soft = replace(check("cloud", 0.0), hard=False)
    made = judged(
        replace(hour(at(8), 45.0, chance=0.02, verdict=Verdict.CAUTION), checks=(soft,)), RULES
    )
    assert is_no_go_by_chance(made, RULES), "a soft limit is passed: that vetoes nothing"


def test_a_plan_never_moves_in_silence() -> None:
    """Another hour is better by more than the margin of five, and by less than is told: ten."""
    later = [hour(at(h), 80.0 + 8.0 * (h == 8)) for h in range(6, 10)]
    line = opened(flat(6, 10))
    assert line.read(later) == ()
    (made,) = line.open_windows()
    assert (made.best_hour_utc, made.best_score) == (at(6), 80.0)
    assert (made.now_best_utc, made.now_best_score) == (at(8), 88.0)
    told = line.read([hour(at(h), 80.0 + 12.0 * (h == 8)) for h in range(6, 10)])
    assert [(c.kind, c.after and c.after.best_hour_utc) for c in told] == [
        (ChangeKind.STRONGER, at(8))
    ]


def test_a_planned_hour_that_went_bad_is_told_even_where_the_window_is_as_good_as_before() -> None:
    """Landing, ends, score and chance stay: only the hour that people plan on is no-go."""
    line = opened([hour(at(h), 80.0 + 6.0 * (h == 6)) for h in range(6, 10)])
    assert line.open_windows()[0].best_hour_utc == at(6)
    wider = [hour(at(h), 80.0 + 6.0 * (h == 6)) for h in range(5, 10)]
    line.read(wider)
    gone = [hour(at(h), 80.0) for h in range(5, 10)]
    gone[1] = hour(at(6), 55.0, chance=0.2, verdict=Verdict.CAUTION)
    (told,) = line.read(gone)
    assert told.kind is ChangeKind.MOVED
    assert told.after is not None
    assert told.after.best_hour_utc == at(5)
    (why,) = told.causes
    assert isinstance(why, BestHourIs)
    assert why.lost_to[-1] == ScoreIs(55.0)
    assert reason((why,), written) == (
        "Planned hour is now 2026-05-07 05:00 UTC (the one before: gust 6.8 m/s, limit 9.0 m/s; "
        "score 55)."
    )


def test_a_planned_hour_at_the_edge_that_the_window_lost_is_told() -> None:
    """An hour less at the start is not worth telling by itself; it was the planned one."""
    line = opened([hour(at(h), 80.0 + 4.0 * (h == 6)) for h in range(6, 11)])
    assert line.open_windows()[0].best_hour_utc == at(6)
    (told,) = line.read(flat(7, 11))
    assert told.kind is ChangeKind.MOVED
    assert told.after is not None
    assert (told.after.start_utc, told.after.best_hour_utc) == (at(7), at(7))


def test_a_window_opens_with_the_hour_that_is_best_then() -> None:
    """While it is only sighted nobody plans on it."""
    line = Line()
    line.read([hour(at(h), 80.0 + 3.0 * (h == 6)) for h in range(6, 10)])
    (told,) = line.read([hour(at(h), 80.0 + 3.0 * (h == 8)) for h in range(6, 10)])
    assert told.kind is ChangeKind.OPENED
    assert told.after is not None
    assert (told.after.best_hour_utc, told.after.now_best_utc) == (at(8), None)
