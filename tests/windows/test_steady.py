"""What waits before it is told, and what never does."""

import json
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta

import pytest
from invented import WATCH, at, cycle, day, flat, hour, read_at

from windowwatch.scoring.opinions import Voice, with_opinions
from windowwatch.scoring.values import Hour, Verdict
from windowwatch.storage.rows import window_from_json, window_to_json
from windowwatch.windows.agreement import AgreementRules, tell_disagreements
from windowwatch.windows.changes import compare
from windowwatch.windows.steady import Weighing, hold_back, waited_in_vain
from windowwatch.windows.values import Change, ChangeKind, Window, WindowState
from windowwatch.windows.window import WindowRules, join_hours

pytestmark = pytest.mark.one_answer
OPENED, MOVED, WEAKER, STRONGER, CLOSED, DISAGREE = (
    ChangeKind.OPENED,
    ChangeKind.MOVED,
    ChangeKind.WEAKER,
    ChangeKind.STRONGER,
    ChangeKind.CLOSED,
    ChangeKind.MODELS_DISAGREE,
)


class Watched:
    """Cycles passed one after the other with all that the pipeline does to windows."""

    def __init__(self, rules: WindowRules | None = None) -> None:
        self.rules = rules or WindowRules()
        self.windows: tuple[Window, ...] = ()
        self.number = -1
        self.passes = 0
        self.hours: Sequence[Hour] = ()

    def read(self, hours: Sequence[Hour], now: datetime | None = None) -> list[ChangeKind]:
        """Pass the next deciding cycle."""
        self.number, self.passes, self.hours = self.number + 1, 0, hours
        return [c.kind for c in self._pass(hours, now or read_at(self.number), None)]

    def hear(
        self, theirs: Sequence[Hour], after: timedelta, due: timedelta = timedelta(hours=6)
    ) -> list[ChangeKind]:
        """Weigh what another model says, so long after the newest cycle was read."""
        self.passes += 1
        voice = Voice(replace(cycle(self.number), model="ifs"), theirs)
        weighed = with_opinions(self.hours, cycle(self.number), [voice], timedelta(hours=12))
        read = read_at(self.number)
        return [c.kind for c in self._pass(weighed, read + after, Weighing(read + due))]

    def _pass(
        self, hours: Sequence[Hour], now: datetime, weighing: Weighing | None
    ) -> tuple[Change, ...]:
        known, of, number = self.windows, cycle(self.number), self.passes + 1
        joined = join_hours(hours, self.rules, now_utc=now, known=known)
        made, changes = compare(
            known, joined, hours, self.rules, cycle=of, now_utc=now, watch=WATCH, pass_number=number
        )
        made, changes = tell_disagreements(
            known, made, changes, hours, self.rules, AgreementRules(),
            cycle=of, now_utc=now, watch=WATCH, pass_number=number,
        )  # fmt: skip
        made, changes = hold_back(
            known, made, changes, self.rules, cycle=of, now_utc=now, weighing=weighing
        )
        # as the database gives them back
        stored = [window_from_json(window_to_json(window)) for window in made]
        self.windows = tuple(
            w
            for w in stored
            if w is not None and w.state in (WindowState.SIGHTED, WindowState.OPEN)
        )
        return changes


def opened(hours: Sequence[Hour], cycles: int = 4) -> Watched:
    """A watch with one open window on a Thursday; the last cycle was read at 22 on Tuesday."""
    line = Watched()
    told = [kind for _ in range(cycles) for kind in line.read(hours)]
    assert told == [OPENED]
    return line


def test_more_hours_are_told_once_two_cycles_have_found_them() -> None:
    line = opened(flat(6, 10))
    assert line.read(flat(4, 12)) == []
    (window,) = line.windows
    assert (window.start_utc, window.end_utc) == (at(4), at(12)), "what is so is known at once"
    assert window.told is not None
    assert (window.told.start_utc, window.told.end_utc) == (at(6), at(10))
    assert line.read(flat(4, 12)) == [MOVED]
    assert line.read(flat(4, 12)) == []


def test_good_news_that_does_not_stand_is_never_told() -> None:
    line = opened(flat(6, 10))
    for _ in range(2):
        assert line.read(flat(4, 12)) == []
        assert line.read(flat(6, 10)) == []
    assert line.windows[0].waits == ()


def test_good_news_of_another_kind_begins_anew() -> None:
    line = opened(flat(6, 10))
    assert line.read(flat(4, 10)) == []
    assert line.read(flat(6, 10, 95)) == [], "earlier, then better: neither has stood"
    assert line.read(flat(6, 10, 95)) == [STRONGER]


@pytest.mark.parametrize(
    ("hours", "kind"),
    [
        (flat(8, 10), MOVED),
        (flat(4, 8), MOVED),
        (flat(6, 10, 62), WEAKER),
        ([hour(at(h), chance=0.4) for h in range(6, 10)], WEAKER),
        ([hour(at(h), landing=(46.5, -35.5)) for h in range(6, 10)], MOVED),
        (day({}), CLOSED),
    ],
)
def test_what_takes_from_the_plan_is_told_at_once(hours: list[Hour], kind: ChangeKind) -> None:
    """Also where another part of the same change is good news."""
    assert opened(flat(6, 10)).read(hours) == [kind]


def theirs(verdict: Verdict = Verdict.NO_GO, chance: float = 0.0) -> list[Hour]:
    """The window's hours as another model sees them."""
    return [hour(at(h), 0.0, chance=chance, verdict=verdict, by="rain") for h in range(6, 10)]


def test_what_another_model_says_waits_for_a_cycle_that_is_due_soon() -> None:
    line = opened(flat(6, 10), cycles=2 + 1)
    assert line.hear(theirs(), timedelta(hours=3)) == []
    assert line.windows[0].dissent == ()
    assert [w.waits_until_utc for w in line.windows] == [read_at(2) + timedelta(hours=6)]
    line.read(flat(6, 10))
    assert [w.waits_until_utc for w in line.windows] == [None]
    line = opened(flat(6, 10), cycles=2 + 1)
    assert line.hear(theirs(), timedelta(hours=2)) != [], "four hours are too long to wait"


def test_a_window_that_others_close_waits_open_until_the_next_cycle_decides() -> None:
    line = opened([hour(at(h), chance=0.75) for h in range(6, 10)])
    line.windows = tuple(replace(w, chance=0.2, told=replace(w, told=None)) for w in line.windows)
    low = [hour(at(h), chance=0.2) for h in range(6, 10)]
    line.hours = low
    assert line.hear(theirs(), timedelta(hours=4)) == []
    assert [w.state for w in line.windows] == [WindowState.OPEN]
    assert line.read(day({})) == [CLOSED]


def test_of_a_near_window_nothing_that_others_say_waits() -> None:
    """Twenty hours before its start, and the next cycle is due in two."""
    hours = flat(6, 10)
    line = opened(hours, cycles=7)
    late = [hour(at(h), chance=0.2) for h in range(6, 10)]
    line.read(late)
    line.hours = late
    assert line.hear(theirs(), timedelta(hours=4)) == [CLOSED]


def test_what_waits_in_vain_is_weighed_again_and_told() -> None:
    line = opened(flat(6, 10), cycles=3)
    assert line.hear(theirs(), timedelta(hours=4)) == []
    due = read_at(2) + timedelta(hours=6)
    assert not waited_in_vain(line.windows, due)
    assert waited_in_vain(line.windows, due + timedelta(minutes=2))
    assert line.hear(theirs(), timedelta(hours=6, minutes=2)) != []
    assert not waited_in_vain(line.windows, due + timedelta(minutes=2))


def test_a_far_window_opens_on_its_smoothed_chance() -> None:
    """0.8 in every cycle: 0.4, 0.6, 0.7; the bound is 0.65. Near by, two cycles do."""
    hours = [replace(h, time_utc=h.time_utc + timedelta(days=2)) for h in flat(6, 10)]
    line = Watched()
    assert [line.read(hours) for _ in range(3)] == [[], [], [OPENED]]
    near = Watched()
    assert [near.read(flat(6, 10), read_at(n + 3)) for n in range(2)] == [[], [OPENED]]


def test_a_good_cycle_or_two_do_not_open_a_far_window() -> None:
    """One that is good in two cycles and gone in the third was opened and closed."""
    hours = [replace(h, time_utc=h.time_utc + timedelta(days=2)) for h in flat(6, 10)]
    line = Watched()
    told = [line.read(each) for each in (hours, hours, day({}))]
    assert told == [[], [], []]


def caution(*go: int) -> list[Hour]:
    """Hours 6 to 10, of which some are go."""
    return [hour(at(h), verdict=Verdict.GO if h in go else Verdict.CAUTION) for h in range(6, 11)]


@pytest.mark.parametrize(
    ("hours", "opens"),
    [
        (caution(), False),
        (caution(7), False),
        (caution(7, 9), False),
        (caution(7, 8), True),
        (caution(6, 8, 10), True),
    ],
)
def test_half_of_its_hours_are_go_or_two_in_a_row(hours: list[Hour], opens: bool) -> None:
    line = Watched()
    told = [kind for _ in range(5) for kind in line.read(hours)]
    assert told == [OPENED] * opens
    anyway = Watched(WindowRules(open_go_share=0.0))
    assert OPENED in [kind for _ in range(5) for kind in anyway.read(hours)]


def test_an_open_window_stays_open_when_its_hours_become_caution() -> None:
    line = opened(flat(6, 11))
    assert CLOSED not in line.read(caution())


def test_no_early_opening_against_a_hard_veto_of_another_model() -> None:
    """It is read for the first time a day before its start, near and likely."""
    hours = with_opinions(
        flat(6, 10), cycle(5), [Voice(replace(cycle(5), model="ifs"), theirs(chance=0.8))],
        timedelta(hours=12),
    )  # fmt: skip
    line = Watched()
    line.number = 4
    assert line.read(hours) == []
    line = Watched()
    line.number = 4
    assert line.read(flat(6, 10)) == [OPENED]


def test_a_landing_is_told_by_how_far_it_was_spread() -> None:
    """The told radius for 90 % of the flights is 40 km: half of that may go without a word."""

    def landing(east_km: float) -> list[Hour]:
        lon = -35.5 + east_km / (111.2 * 0.696)  # cosine of 45.9 degrees
        made = [hour(at(h), landing=(45.9, lon)) for h in range(6, 10)]
        return [_spread(each) for each in made]

    line = opened(landing(0.0))
    assert line.read(landing(18.0)) == []
    assert line.read(landing(22.0)) == [MOVED]
    tight = Watched(WindowRules(moved_share=0.0))
    told = [tight.read(landing(km)) for km in (0.0, 0.0, 0.0, 18.0)]
    assert told[-1] == [MOVED]


def _spread(each: Hour) -> Hour:
    assert each.footprint is not None
    wide = replace(each.footprint, major_90_m=50_000.0, minor_90_m=32_000.0)
    return replace(each, footprint=wide)


def test_a_window_stored_before_there_were_these_rules_is_read() -> None:
    line = opened(flat(6, 10))
    text = window_to_json(line.windows[0])
    assert text is not None
    assert all(f'"{name}":' in text for name in NEW)
    old = window_from_json(_without_new(text))
    assert old is not None
    assert (old.waits, old.spread_km, old.steady_chance) == ((), None, None)
    line.windows = (old,)
    assert line.read(flat(6, 10)) == []
    assert line.read(flat(8, 12)) == [MOVED]


#: What a row of the version before has not.
NEW = ("go_in_row", "spread_km", "steady_chance", "waits", "waits_in", "waits_until_utc")


def _without_new(text: str) -> str:
    values = json.loads(text)
    for each in (values, values.get("told") or {}):
        for name in NEW:
            each.pop(name, None)
    return json.dumps(values)


def test_what_waits_never_hides_that_a_window_closed() -> None:
    line = opened(flat(6, 10))
    assert line.read(flat(4, 12)) == []
    assert line.read(day({})) == [CLOSED]
