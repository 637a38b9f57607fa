"""Several models stored: who is the newest, hours weighed anew, and passes that are overtaken."""

import threading
from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from invented import FILES, MILLFIELD, NOW, at, cycle, hour, read_at
from line_watch import settings_in
from patience import PATIENCE_S

from windowwatch.errors import InputError, StorageError
from windowwatch.forecast.cycle import Cycle
from windowwatch.forecast.notes import DryAir
from windowwatch.notices.values import Channel
from windowwatch.scoring.opinions import Role
from windowwatch.scoring.values import Hour, HourDetail
from windowwatch.settings.read import read_settings
from windowwatch.storage.cycles import OvertakenError, PassRecord
from windowwatch.storage.store import Store
from windowwatch.watch.pipeline import (
    conclude,
    keep_opinion,
    newest_recombined,
    recombine,
    with_others,
)
from windowwatch.watch.values import Watch
from windowwatch.web.data.formats import windows_calendar
from windowwatch.windows.causes import Dissent
from windowwatch.windows.values import ChangeKind, WindowState
from windowwatch.windows.window import WindowRules

PHONE = Channel("phone", "json://127.0.0.1:9")


@pytest.fixture
def watch(tmp_path: Path) -> Watch:
    made = read_settings(settings_in(tmp_path)).watch
    return replace(
        made,
        name="several",
        model="skerra",
        sites=(MILLFIELD,),
        rules=WindowRules(),
        channels=(PHONE,),
        others=("ifs",),
    )


def good(chance: float = 0.8) -> tuple[Hour, ...]:
    return tuple(hour(at(h), chance=chance) for h in range(6, 10))


def bad() -> tuple[Hour, ...]:
    return tuple(hour(at(h), 0.0, chance=0.8, by="rain") for h in range(6, 10))


def found(watch: Watch, of: Cycle, hours: Sequence[Hour], minutes: int = 0) -> PassRecord:
    """What a pass of a cycle has found before it is compared."""
    number = round((of.reference_utc - cycle(0).reference_utc) / timedelta(hours=6))
    return PassRecord(
        watch.name,
        of,
        read_at(number) + timedelta(minutes=minutes),
        tuple(hours),
        (),
        (),
        steps=10,
        role=watch.role,
    )


def decide(watch: Watch, store: Store, number: int, hours: Sequence[Hour]) -> PassRecord:
    of = found(watch, cycle(number), hours)
    record, saved = conclude(of, watch, store, lambda record: with_others(record, watch, store))
    assert saved
    return record


def say(watch: Watch, store: Store, number: int, hours: Sequence[Hour], model: str = "ifs") -> None:
    of = Cycle(cycle(number).reference_utc, model)
    seen = watch.as_seen_by(model)
    _, saved = keep_opinion(found(seen, of, hours), store)
    assert saved


def test_newest_is_of_the_deciding_model(watch: Watch, store: Store) -> None:
    decide(watch, store, 0, good())
    say(watch, store, 1, bad())
    assert store.latest_cycle(watch.name) == cycle(0)
    assert store.latest_cycle(watch.name, "ifs") == Cycle(cycle(1).reference_utc, "ifs")
    assert [each.cycle.model for each in store.cycles(watch.name)] == ["skerra"]
    assert [each.role for each in store.cycles(watch.name, model="ifs")] == [Role.OPINION]
    assert store.hours(watch.name) == good()
    assert store.hours(watch.name, "ifs-2026-05-05T06Z") == bad()
    assert [w.state for w in store.current_windows(watch.name)] == ["sighted"]
    (opinion,) = store.opinions(watch.name)
    assert opinion.cycle.model == "ifs"
    newest = store.newest_pass(watch.name)
    assert newest is not None
    assert newest.cycle == cycle(0)


def test_dropping_old_hours_spares_those_of_the_newest_deciding_cycle(
    watch: Watch, store: Store
) -> None:
    decide(watch, store, 0, good())
    say(watch, store, 3, bad())
    assert store.drop_old_hours(watch.name, NOW + timedelta(days=40)) == 0
    assert store.hours(watch.name) == good()
    decide(watch, store, 4, good())
    assert store.drop_old_hours(watch.name, NOW + timedelta(days=40)) == 2
    assert store.hours(watch.name, "ifs-2026-05-05T18Z") == ()


def test_what_comes_in_later_is_weighed_told_once_and_changes_nothing_else(
    watch: Watch, store: Store
) -> None:
    decide(watch, store, 0, good())
    detail = HourDetail("Millfield", at(7), None, (45.9,), (-35.5,), None, None)
    whole = replace(
        found(watch, cycle(1), good()), files=FILES, gaps=(DryAir(),), details=(detail,)
    )
    conclude(whole, watch, store)
    before = store.cycles(watch.name)[-1]
    assert recombine(watch, store, read_at(1)) is None, "nobody has said anything"
    say(watch, store, 1, bad())
    now = read_at(1) + timedelta(hours=2)  # and the next cycle decides in four hours
    result = recombine(watch, store, now)
    assert result is not None
    assert (result.saved, result.recombined, result.flights) == (True, True, 0)
    assert [c.kind for c in result.changes] == [ChangeKind.MODELS_DISAGREE]
    assert store.pending_deliveries() == {"phone": 2}, "that it opened, and this"
    assert recombine(watch, store, now) is None, "weighed already"
    after = store.cycles(watch.name)[-1]
    assert (after.cycle, after.passes) == (before.cycle, before.passes + 1)
    assert after.saved_utc == before.saved_utc, "it was not read once more"
    assert (after.files, after.gaps, after.steps) == (FILES, (DryAir(),), 10)
    drawn = store.detail(watch.name, after.cycle.id, site="Millfield", time_utc=at(7))
    assert drawn == detail, "what it was flown for stays"
    assert all(h.others[0].model == "ifs" for h in store.hours(watch.name))
    (window,) = store.current_windows(watch.name)
    assert window.cycles_seen == 2, "it was not seen once more"
    assert window.dissent == (Dissent("ifs", no_go=True, apart=False),)


@pytest.mark.one_answer
def test_what_waits_for_a_cycle_that_does_not_come_is_told_after_all(
    watch: Watch, store: Store
) -> None:
    """Also by a daemon that was started meanwhile: until when it waits is stored."""
    decide(watch, store, 0, good())
    decide(watch, store, 1, good())
    say(watch, store, 1, bad())
    now = read_at(1) + timedelta(hours=5)
    result = recombine(watch, store, now)
    assert result is not None
    assert result.changes == ()
    assert store.pending_deliveries() == {"phone": 1}, "that it opened"
    (window,) = store.current_windows(watch.name)
    assert window.waits_until_utc == read_at(2)
    assert all(hour.others for hour in store.hours(watch.name)), "the page shows it at once"
    assert recombine(watch, store, now) is None
    late = recombine(watch, store, read_at(2) + timedelta(minutes=2))
    assert late is not None
    assert [c.kind for c in late.changes] == [ChangeKind.MODELS_DISAGREE]
    assert store.pending_deliveries() == {"phone": 2}
    assert recombine(watch, store, read_at(2) + timedelta(minutes=4)) is None


def test_the_next_cycle_is_stored_with_what_others_said(watch: Watch, store: Store) -> None:
    say(watch, store, 0, good(chance=0.4))
    record = decide(watch, store, 1, good())
    assert [h.chance for h in record.hours] == pytest.approx([0.6] * 4)
    assert store.hours(watch.name) == record.hours
    assert recombine(watch, store, read_at(1)) is None


def test_a_model_that_is_not_asked_any_more_is_not_heard(watch: Watch, store: Store) -> None:
    say(watch, store, 1, good(chance=0.4))
    decide(watch, store, 1, good())
    alone = replace(watch, others=())
    result = recombine(alone, store, read_at(1) + timedelta(hours=1))
    assert result is not None
    assert store.hours(watch.name) == good()


def test_a_pass_that_was_overtaken_is_refused_and_made_again(watch: Watch, store: Store) -> None:
    """Another process saves the next cycle between reading windows and saving."""
    decide(watch, store, 0, good())
    others: list[PassRecord] = []

    def meanwhile(record: PassRecord) -> PassRecord:
        if not others:
            others.append(decide(watch, store, 1, good()))
        return record

    record, saved = conclude(found(watch, cycle(2), good()), watch, store, meanwhile)
    assert saved
    assert [w.cycles_seen for w in record.windows] == [3], "it follows from what was saved between"
    assert [c.kind for c in store.changes(watch.name)] == [ChangeKind.OPENED], "told by one only"


def test_of_two_passes_at_one_moment_one_is_stored_and_tells(watch: Watch, store: Store) -> None:
    """Both have read the same windows before either saves."""
    decide(watch, store, 0, good())
    both_have_read = threading.Barrier(2, timeout=PATIENCE_S)
    saved: list[bool] = []

    def run() -> None:
        waited = False

        def meet(record: PassRecord) -> PassRecord:
            nonlocal waited
            if not waited:
                waited = True
                both_have_read.wait()
            return record

        saved.append(conclude(found(watch, cycle(1), good()), watch, store, meet)[1])

    threads = [threading.Thread(target=run) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(saved) == [False, True]
    assert [c.kind for c in store.changes(watch.name)] == [ChangeKind.OPENED]
    assert [each.passes for each in store.cycles(watch.name)] == [1, 1]


def test_overtaken_again_and_again_it_says_so(watch: Watch, store: Store) -> None:
    number = iter(range(1, 100))
    decide(watch, store, 0, good())
    late = found(watch, cycle(50), good())

    def faster(record: PassRecord) -> PassRecord:
        decide(watch, store, next(number), good())
        return record

    with pytest.raises(OvertakenError, match="it is made again") as caught:
        conclude(late, watch, store, faster)
    assert caught.value.retry
    assert not store.has_pass(watch.name, cycle(50).id)


def test_weighing_gives_way_to_a_cycle_that_came_in_meanwhile(watch: Watch, store: Store) -> None:
    decide(watch, store, 0, good())
    say(watch, store, 0, bad())
    stale = newest_recombined(watch, store, read_at(0) + timedelta(hours=1))
    assert stale is not None
    decide(watch, store, 1, good())
    with pytest.raises(OvertakenError):
        conclude(stale, watch, store, tries=1)
    assert [each.passes for each in store.cycles(watch.name)] == [1, 1]


@pytest.mark.parametrize("bit_by_bit", [True, False], ids=["more steps", "others' opinion"])
def test_a_window_that_closed_stays_closed_in_a_later_pass_of_the_cycle(
    watch: Watch, store: Store, bit_by_bit: bool
) -> None:
    decide(watch, store, 0, good())
    (opened,) = decide(watch, store, 1, good()).windows
    assert opened.state is WindowState.OPEN
    (closed,) = decide(watch, store, 2, bad()).windows
    later = read_at(2) + timedelta(minutes=30)
    if bit_by_bit:
        more = replace(found(watch, cycle(2), bad(), 30), steps=12)
        again, saved = conclude(more, watch, store)
        assert (saved, again.windows, again.changes) == (True, (closed,), ())
    else:
        say(watch, store, 2, good(chance=0.4))
        weighed = recombine(watch, store, later)
        assert weighed is not None
        assert (weighed.windows, weighed.changes) == ((closed,), ())
    assert store.current_windows(watch.name) == ()
    history = store.window_history(watch.name, opened.uid)
    assert [w.state for w in history] == ["sighted", "open", "closed"]
    passes = store.passes_by_cycle(watch.name, {w.cycle_id for w in history})
    # RFC 5545 3.8.1.11: an event that does not take place is CANCELLED.
    calendar = windows_calendar(watch.name, [history], (MILLFIELD,), later, passes=passes)
    assert b"STATUS:CANCELLED" in calendar
    assert b"STATUS:CONFIRMED" not in calendar


def test_an_opinion_never_takes_the_place_of_a_newer_one(watch: Watch, store: Store) -> None:
    say(watch, store, 2, good())
    with pytest.raises(StorageError, match=r"ifs-2026-05-05T06Z is older than ifs-2026-05-05T12Z"):
        say(watch, store, 1, good())


def test_the_model_that_decides_from_now_on_is_not_hidden_by_the_one_before(
    watch: Watch, store: Store
) -> None:
    """The settings are changed; the last cycle of the old one is later than the first of the new.

    Windows go on, and the old one is heard from its next cycle on.
    """
    decide(watch, store, 1, good())
    (window,) = decide(watch, store, 2, good()).windows
    swapped = replace(watch, model="ifs", others=("skerra",))
    assert recombine(swapped, store, read_at(2)) is None
    say(swapped, store, 3, good(chance=0.4), model="skerra")
    assert recombine(swapped, store, read_at(3)) is None, "nothing of the deciding model yet"
    assert store.hours(watch.name) == good()

    first = Cycle(cycle(1).reference_utc, "ifs")
    record, saved = conclude(
        found(swapped, first, good()), swapped, store, lambda r: with_others(r, swapped, store)
    )
    assert saved
    newest = store.newest_pass(watch.name)
    assert newest is not None
    assert newest.cycle == first
    assert store.cycles(watch.name)[-1].cycle == first
    assert store.hours(watch.name) == record.hours
    assert [h.chance for h in record.hours] == pytest.approx([0.6] * 4)
    assert [w.uid for w in store.current_windows(watch.name)] == [window.uid]
    second = Cycle(cycle(2).reference_utc, "ifs")
    conclude(found(swapped, second, bad()), swapped, store)
    assert [w.state for w in store.window_history(watch.name, window.uid)] == [
        "sighted",
        "open",
        "open",
        "closed",
    ]


def test_a_stored_cycle_keeps_its_role(watch: Watch, store: Store) -> None:
    """More of a cycle comes in after the settings were changed."""
    decide(watch, store, 0, good())
    decide(watch, store, 1, good())
    swapped = replace(watch, model="ifs", others=("skerra",))
    more = replace(found(swapped.as_seen_by("skerra"), cycle(1), bad()), steps=12)
    assert not keep_opinion(more, store)[1]
    assert store.latest_cycle(watch.name) == cycle(1)
    assert [w.state for w in store.current_windows(watch.name)] == ["open"]
    assert store.opinions(watch.name) == ()

    say(watch, store, 1, good())
    whole = replace(found(swapped, Cycle(cycle(1).reference_utc, "ifs"), bad()), steps=12)
    assert not conclude(whole, swapped, store)[1]
    assert [each.cycle.model for each in store.opinions(watch.name)] == ["ifs"]
    assert store.latest_cycle(watch.name) == cycle(1)


def test_a_watch_names_a_model_once(watch: Watch) -> None:
    with pytest.raises(InputError, match="names a weather model twice"):
        replace(watch, others=("ifs", "skerra"))
    with pytest.raises(InputError, match="does not ask the weather model 'gfs'"):
        watch.as_seen_by("gfs")
