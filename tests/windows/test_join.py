"""Hours joined to windows: hysteresis, shortest length, order, gaps, time gone by."""

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from random import Random

import pytest
from invented import DAY, NOW, STEP, at, day, flat, hour, opened, refused

from windowwatch.errors import InputError
from windowwatch.scoring.values import Refusal, RefusalKind, Verdict
from windowwatch.storage.rows import window_from_json, window_to_json
from windowwatch.windows.causes import NotReadable, Refused
from windowwatch.windows.values import Window, WindowState
from windowwatch.windows.window import WindowRules, is_good, join_hours, worst_check

RULES = WindowRules()


def spans(windows: tuple[Window, ...]) -> list[tuple[float, float]]:
    """Start and end in hours after midnight."""
    return [((w.start_utc - DAY) / STEP, (w.end_utc - DAY) / STEP) for w in windows]


@pytest.mark.parametrize(
    ("scores", "expected"),
    [
        ({}, []),
        ({6: 80}, []),  # one hour: shorter than two
        ({6: 80, 7: 80}, [(6, 8)]),
        ({6: 60, 7: 60}, [(6, 8)]),  # the opening score itself is good
        ({6: 59.9, 7: 80, 8: 80}, [(7, 9)]),
        ({6: 80, 7: 80, 9: 80, 10: 80}, [(6, 8), (9, 11)]),
        ({22: 80, 23: 80}, [(22, 24)]),
        ({0: 80, 1: 80}, [(0, 2)]),
    ],
)
def test_hours_join(scores: dict[float, float], expected: list[tuple[float, float]]) -> None:
    assert spans(join_hours(day(scores), RULES, now_utc=NOW)) == expected


def test_inside_a_known_window_an_hour_stays_good_down_to_the_closing_score() -> None:
    known = opened(flat(6, 10)).windows
    sagging = day({5: 55, 6: 55, 7: 80, 8: 50, 9: 49.9, 10: 55})
    assert spans(join_hours(sagging, RULES, now_utc=NOW, known=known)) == [(6, 9)]
    assert spans(join_hours(sagging, RULES, now_utc=NOW)) == []


@pytest.mark.parametrize(
    ("chance", "opens", "stays"),
    [(0.0, False, False), (0.14, False, False), (0.2, False, True), (0.3, True, True),
     (None, False, False)],
)  # fmt: skip
def test_the_chance_has_a_say_of_its_own(chance: float | None, opens: bool, stays: bool) -> None:
    seen = hour(at(6), 90.0, chance=chance)
    assert is_good(seen, RULES, inside=False) is opens
    assert is_good(seen, RULES, inside=True) is stays


@pytest.mark.parametrize(
    ("verdict", "accept_caution", "good"),
    [
        (Verdict.GO, True, True),
        (Verdict.GO, False, True),
        (Verdict.CAUTION, True, True),
        (Verdict.CAUTION, False, False),
        (Verdict.NO_GO, True, False),
        (Verdict.UNKNOWN, True, False),
    ],
)
def test_which_verdicts_are_good(verdict: Verdict, accept_caution: bool, good: bool) -> None:
    rules = WindowRules(accept_caution=accept_caution)
    assert is_good(hour(at(6), 90.0, verdict=verdict), rules, inside=False) is good
    assert not is_good(refused(at(6)), rules, inside=True)
    assert not is_good(None, rules, inside=True)


def test_the_order_of_hours_does_not_matter_and_the_best_hour_is_the_best() -> None:
    hours = day({6: 70, 7: 90, 8: 90, 9: 75, 14: 61, 15: 62})
    expected = join_hours(hours, RULES, now_utc=NOW)
    assert [w.best_hour_utc for w in expected] == [at(7), at(15)]  # of equal ones the earlier
    for seed in range(5):
        shuffled = list(hours)
        Random(seed).shuffle(shuffled)
        assert join_hours(shuffled, RULES, now_utc=NOW) == expected


def test_of_equal_scores_the_better_chance_is_best() -> None:
    hours = [hour(at(6), 80, chance=0.7), hour(at(7), 80, chance=0.9), hour(at(8), 80, chance=None)]
    (only,) = join_hours(hours, RULES, now_utc=NOW)
    assert only.best_hour_utc == at(7)


def test_the_best_hour_is_kept_until_another_beats_it_by_the_margin() -> None:
    known = opened(day({6: 80, 7: 78, 8: 70})).windows
    assert known[0].best_hour_utc == at(6)
    near = join_hours(day({6: 76, 7: 81, 8: 70}), RULES, now_utc=NOW, known=known)
    assert (near[0].best_hour_utc, near[0].best_score) == (at(6), 76)
    beaten = join_hours(day({6: 75, 7: 81, 8: 70}), RULES, now_utc=NOW, known=known)
    assert (beaten[0].best_hour_utc, beaten[0].best_score) == (at(7), 81)


def test_an_unread_hour_is_never_good_but_keeps_its_place_in_a_known_window() -> None:
    hours = [h for h in flat(6, 10) if h.time_utc not in (at(8), at(9))] + [refused(at(8))]
    assert spans(join_hours(hours, RULES, now_utc=NOW)) == [(6, 8)]
    (kept,) = join_hours(hours, RULES, now_utc=NOW, known=opened(flat(6, 10)).windows)
    assert spans((kept,)) == [(6, 10)]
    assert kept.readable
    # Of two reasons for one hour each, that of the earlier hour is told, and the other counted.
    why = Refused(Refusal(RefusalKind.TOLD, told="the wind at 10 hPa is missing"))
    assert kept.unread == (NotReadable(((at(8), at(9)),), why, other_reasons=1),)


def test_hours_gone_by_make_no_window_and_keep_their_place_in_an_open_one() -> None:
    now = at(7.5)
    assert spans(join_hours(flat(6, 10), RULES, now_utc=now)) == [(8, 10)]
    known = opened(flat(6, 10)).windows
    assert spans(join_hours(flat(6, 10), RULES, now_utc=now, known=known)) == [(6, 10)]
    assert join_hours(flat(6, 8), RULES, now_utc=now, known=known) == ()
    sighted = tuple(replace(w, state=WindowState.SIGHTED) for w in known)
    assert spans(join_hours(flat(6, 10), RULES, now_utc=now, known=sighted)) == [(8, 10)]


@pytest.mark.parametrize("step_min", [15, 30, 90])
def test_other_steps(step_min: int) -> None:
    step = timedelta(minutes=step_min)
    rules = WindowRules(step_min=step_min, min_length_min=2 * step_min)
    hours = [hour(at(6) + i * step) for i in range(5) if i != 2]
    joined = join_hours(hours, rules, now_utc=NOW)
    assert [w.end_utc - w.start_utc for w in joined] == [2 * step, 2 * step]


@pytest.mark.parametrize(
    "midnight",
    [
        pytest.param(datetime(2026, 3, 28, 22, tzinfo=UTC), id="Europe, clocks go forward"),
        pytest.param(datetime(2026, 10, 24, 22, tzinfo=UTC), id="Europe, clocks go back"),
        pytest.param(datetime(2026, 11, 1, 4, tzinfo=UTC), id="US, clocks go back"),
        pytest.param(datetime(2028, 2, 28, 22, tzinfo=UTC), id="leap day"),
    ],
)
def test_a_clock_change_night_is_one_window(midnight: datetime) -> None:
    hours = [hour(midnight + i * STEP) for i in range(6)]
    (only,) = join_hours(hours, RULES, now_utc=midnight - STEP)
    assert only.end_utc - only.start_utc == timedelta(hours=6)


def test_an_hour_given_twice_is_refused() -> None:
    with pytest.raises(InputError, match=r"2026-05-07T06:00:00\+00:00 at Millfield is given twice"):
        join_hours([hour(at(6)), hour(at(6), 20.0)], RULES, now_utc=NOW)


def test_naive_now_is_refused() -> None:
    with pytest.raises(InputError, match="no time zone"):
        join_hours([], RULES, now_utc=datetime(2026, 5, 7))  # noqa: DTZ001


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"open_score": 40.0}, "close_score must not exceed open_score"),
        ({"open_score": 101.0}, "neither 100"),
        ({"open_chance": 0.1}, "close_chance must not exceed open_chance"),
        ({"moved_km": -1.0}, "moved_km = -1.0"),
        ({"near_h": float("nan")}, "near_h = nan"),
        ({"chance_step": 15.0}, "chance_step = 15.0: give a share"),
        ({"step_min": 0}, "step_min = 0: give 1 or more"),
    ],
)
def test_rules_check_themselves(values: dict[str, float], words: str) -> None:
    with pytest.raises(InputError, match=words):
        WindowRules(**values)  # type: ignore[arg-type]


def test_the_worst_check_without_word_of_scoring() -> None:
    silent = replace(hour(at(6), 0.0), worst=())
    assert worst_check(silent) == silent.checks[0]
    fine = replace(
        silent,
        checks=tuple(replace(c, verdict=Verdict.GO, desirability=1.0) for c in silent.checks),
    )
    assert worst_check(fine) is None


@pytest.mark.parametrize("verdicts", ["gcccc", "gcgc", "ccc", "ggg"])
def test_it_is_counted_how_many_launch_hours_are_go(verdicts: str) -> None:
    kinds = {"g": Verdict.GO, "c": Verdict.CAUTION}
    hours = [replace(hour(at(6 + i), 80.0), verdict=kinds[v]) for i, v in enumerate(verdicts)]
    (window,) = join_hours(hours, WindowRules(), now_utc=NOW)
    assert (window.go_hours, window.good_hours) == (verdicts.count("g"), len(verdicts))
    # As it is stored; and as an older version stored it, without the counts.
    text = window_to_json(window)
    assert text is not None
    assert window_from_json(text) == window
    older = json.loads(text)
    del older["go_hours"], older["good_hours"]
    read = window_from_json(json.dumps(older))
    assert read is not None
    assert (read.go_hours, read.good_hours) == (None, None)
