"""Passes saved whole and read back exactly."""

from dataclasses import fields, replace
from datetime import UTC, datetime, timedelta, timezone
from itertools import count
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from invented import (
    FILES,
    NOW,
    WATCH,
    Line,
    at,
    change,
    check,
    cycle,
    day,
    flat,
    hour,
    read_at,
    record,
    refused,
    window,
)

from windowwatch.errors import InputError, StorageError
from windowwatch.forecast.cycle import Cycle
from windowwatch.physics.spread import Footprint
from windowwatch.scoring.opinions import Role
from windowwatch.scoring.values import (
    FACTS,
    Check,
    Gap,
    Hour,
    Missing,
    Opinion,
    Part,
    Refusal,
    RefusalKind,
    Unanswered,
    Verdict,
)
from windowwatch.storage import codec, rows
from windowwatch.storage.store import Store
from windowwatch.windows.causes import OfPlan
from windowwatch.windows.values import ChangeKind, WindowState


def test_a_new_database_is_empty(store: Store) -> None:
    assert store.latest_cycle(WATCH) is None
    assert store.cycles(WATCH) == ()
    assert store.current_windows(WATCH) == ()
    assert store.hours(WATCH) == ()
    assert store.changes(WATCH) == ()
    assert store.pending_deliveries() == {}
    assert not store.has_pass(WATCH, cycle().id)


def test_a_pass_comes_back_exactly(store: Store) -> None:
    saved = record(hours=(*flat(6, 10), refused(at(24)), hour(at(25), site="Ålesund – øst")))
    assert store.save_pass(saved)
    assert store.latest_cycle(WATCH) == cycle()
    assert store.has_pass(WATCH, cycle().id)
    assert store.hours(WATCH) == saved.hours
    assert store.windows(WATCH) == saved.windows
    assert store.current_windows(WATCH) == saved.windows
    assert store.changes(WATCH) == saved.changes
    (stored,) = store.cycles(WATCH)
    assert (stored.files, stored.gaps, stored.remarks) == (FILES, saved.gaps, saved.remarks)
    assert (stored.watch, stored.cycle, stored.saved_utc) == (WATCH, cycle(), NOW)
    times = [h.time_utc for h in store.hours(WATCH)]
    assert all(t.tzinfo is UTC for t in times)
    assert store.pending_deliveries() == {"mail": 1, "phone": 1}


def test_a_time_in_another_zone_is_the_same_time(store: Store) -> None:
    zone = timezone(timedelta(hours=-2))
    local = replace(hour(at(6)), time_utc=at(6).astimezone(zone))
    store.save_pass(record(hours=(local,)))
    (read,) = store.hours(WATCH)
    assert read == local
    assert read.time_utc.utcoffset() == timedelta(0)


def test_a_naive_time_is_refused(store: Store) -> None:
    naive = replace(hour(at(6)), time_utc=datetime(2026, 5, 7, 6))  # noqa: DTZ001
    with pytest.raises((StorageError, InputError), match="has no time zone"):
        store.save_pass(record(hours=(naive,)))
    assert store.latest_cycle(WATCH) is None


def test_numbers_out_of_arrays_are_stored_as_numbers(store: Store) -> None:
    third: Any = np.float32(1.0) / np.float32(3.0)
    many: Any = np.int64(12)
    true: Any = np.bool_(True)
    scored = replace(
        hour(at(6)),
        score=third,
        chance=np.float64(1.0) / 3.0,
        checks=(replace(check(), value=third, hard=true),),
        footprint=Footprint(np.float64(45.1), -35.0, many, 1.0, 1.0, 2.0, 2.0, 0.0),
    )
    store.save_pass(record(hours=(scored,)))
    (read,) = store.hours(WATCH)
    assert read == scored
    assert read.footprint is not None
    assert type(read.footprint.flights) is int
    assert read.checks[0].hard is True
    assert type(read.score) is float


@pytest.mark.parametrize(
    ("bad", "words"),
    [
        (
            replace(hour(at(6)), score=float("nan")),
            "hour 2026-05-07T06.* at Millfield, score is nan",
        ),
        (replace(hour(at(6)), drift_km=float("inf")), "drift_km is inf"),
        (replace(hour(at(6)), parts={Part.FLIGHT: float("nan")}), "part flight is nan"),
        (replace(hour(at(6)), checks=(check(value=float("nan")),)), "check gust is nan"),
        (
            replace(hour(at(6)), footprint=Footprint(float("nan"), 0, 1, 1, 1, 1, 1, 0)),
            "footprint is nan",
        ),
    ],
)
def test_a_missing_number_may_not_be_nan(store: Store, bad: Hour, words: str) -> None:
    with pytest.raises(StorageError, match=words):
        store.save_pass(record(hours=(hour(at(5)), bad)))
    assert store.latest_cycle(WATCH) is None


def test_the_same_pass_twice_changes_nothing(store: Store) -> None:
    assert store.save_pass(record())
    assert not store.save_pass(record(hours=(), windows=(), changes=(), deliveries=()))
    assert not store.save_pass(record())
    assert store.hours(WATCH) == record().hours
    assert len(store.cycles(WATCH)) == 1
    assert store.pending_deliveries() == {"mail": 1, "phone": 1}


def test_an_older_cycle_is_refused(store: Store) -> None:
    store.save_pass(record(3))
    with pytest.raises(
        StorageError, match=r"skerra-2026-05-05T06Z is older than skerra-2026-05-05T18Z"
    ):
        store.save_pass(record(1))
    assert [c.cycle for c in store.cycles(WATCH)] == [cycle(3)]
    # Another model, and another watch, have an order of their own.
    other_model = Cycle(cycle(1).reference_utc, "other")
    assert store.save_pass(record(1, cycle=other_model, role=Role.OPINION, windows=()))
    assert store.save_pass(record(2, watch="other watch"))
    assert store.latest_cycle(WATCH) == cycle(3)
    assert store.latest_cycle(WATCH, "other") == other_model


def test_a_delivery_must_name_a_change_of_the_pass(store: Store) -> None:
    with pytest.raises(StorageError, match="names the change nowhere, which is not in the pass"):
        store.save_pass(record(deliveries=(("nowhere", "phone"),)))
    assert store.latest_cycle(WATCH) is None


def test_what_is_current_follows_the_newest_cycle(store: Store) -> None:
    ended = window(uid="b", state=WindowState.CLOSED, start_utc=at(12), end_utc=at(14))
    sighted = window(uid="c", state=WindowState.SIGHTED, start_utc=at(16), end_utc=at(18))
    store.save_pass(record(0, windows=(window(),)))
    store.save_pass(record(1, windows=(window(best_score=70.0), ended, sighted)))
    assert store.current_windows(WATCH) == (window(best_score=70.0), sighted)
    assert store.windows(WATCH) == (window(best_score=70.0), ended, sighted)
    assert store.windows(WATCH, cycle(0).id) == (window(),)
    assert store.windows(WATCH, "never") == ()
    assert store.window_history(WATCH, window().uid) == (window(), window(best_score=70.0))
    assert store.window_history("other watch", window().uid) == ()


def test_hours_are_found_by_cycle_site_and_span(store: Store) -> None:
    second = tuple(replace(h, site="Highmoor") for h in day({}))
    store.save_pass(record(0))
    store.save_pass(record(1, hours=(*flat(8, 9), *second)))
    assert store.hours(WATCH, cycle(0).id) == record().hours
    assert store.hours(WATCH, site="Highmoor") == second
    found = store.hours(WATCH, site="Millfield", from_utc=at(8), until_utc=at(10))
    assert [h.time_utc for h in found] == [at(8), at(9)]
    assert store.hours("other watch") == ()


def test_changes_come_in_the_order_they_were_found(store: Store) -> None:
    first = tuple(
        change(k, key=f"{i}") for i, k in enumerate((ChangeKind.CLOSED, ChangeKind.MOVED))
    )
    store.save_pass(record(0, changes=first, deliveries=()))
    store.save_pass(record(1))
    assert store.changes(WATCH) == first + record(1).changes
    assert store.changes(WATCH, cycle(1).id) == record(1).changes


def test_from_a_change_back_to_the_files(store: Store) -> None:
    line = Line()
    for number in range(3):
        hours = flat(6, 10) if number < 2 else flat(6, 13)
        changes = line.read(hours)
        store.save_pass(
            record(
                number,
                hours=tuple(hours),
                windows=line.windows,
                changes=changes,
                deliveries=tuple((c.key, "phone") for c in changes),
            )
        )
    opened, moved = store.changes(WATCH)
    trail = store.explain(moved.key)
    assert trail.change == moved
    assert trail.watch == WATCH
    assert trail.window == line.windows[0]
    assert [h.time_utc for h in trail.hours] == [at(h) for h in range(6, 13)]
    assert trail.cycle is not None
    assert trail.cycle.cycle == cycle(2)
    assert trail.cycle.files == FILES
    assert [d.channel for d in trail.deliveries] == ["phone"]
    assert store.explain(opened.key[:7].upper() + " ").change == opened
    with pytest.raises(StorageError, match="no change has a key that begins with 'zz'"):
        store.explain("zz")
    with pytest.raises(StorageError, match="no change has a key"):
        store.explain("%")
    with pytest.raises(StorageError, match="no change has a key that begins with ''"):
        store.explain("")


def test_what_is_told_of_a_plan_is_explained_by_the_hours_beside_its_release(store: Store) -> None:
    store.save_pass(record(1, hours=tuple(flat(4, 12))))
    told = change(
        ChangeKind.PLAN,
        key="b0a7",
        cycle_id=cycle(1).id,
        window_uid=None,
        before=None,
        after=None,
        causes=(OfPlan("1", at(7) + timedelta(minutes=20), "planned"),),
    )
    store.save_changes(WATCH, (told,), [])
    trail = store.explain(told.key)
    assert trail.cycle is not None
    assert trail.cycle.cycle == cycle(1)
    assert [h.time_utc for h in trail.hours] == [at(7), at(8)]


def test_a_key_that_is_too_short_is_refused(store: Store) -> None:
    store.save_pass(record(1))
    store.save_pass(record(2))
    with pytest.raises(
        StorageError, match="more than one change has a key that begins with '0000'"
    ):
        store.explain("0000")


_NUMBERS = count()
numbers = st.floats(allow_nan=False, allow_infinity=False)
maybe = st.none() | numbers
words = st.text(st.characters(exclude_characters="\0", exclude_categories=["Cs"]), max_size=12)
moments = st.datetimes(datetime(1970, 1, 1), datetime(2100, 1, 1), timezones=st.just(UTC))  # noqa: DTZ001
texts = st.lists(words, max_size=3).map(tuple)
counts = st.integers(0, 10**6)
facts = st.one_of(
    *(
        st.builds(kind, **{
            each.name: words
            if each.type is str
            else st.booleans()
            if each.type is bool
            else numbers
            for each in fields(kind)
        })
        for kind in FACTS.values()
    )
)  # fmt: skip
missing = st.builds(Missing, st.sampled_from(Gap), texts, maybe)
refusals = st.builds(
    Refusal,
    kind=st.sampled_from(RefusalKind),
    flights=counts,
    lost=st.lists(st.tuples(words, counts), max_size=3).map(tuple),
    landed=counts,
    needed=counts,
    unknown=st.lists(st.builds(Unanswered, words, st.none() | missing), max_size=3).map(tuple),
    told=words,
)
checks = st.builds(
    Check,
    name=words,
    part=st.sampled_from(Part),
    verdict=st.sampled_from(Verdict),
    value=maybe,
    unit=words,
    fine=maybe,
    limit=maybe,
    margin=maybe,
    desirability=maybe,
    hard=st.booleans(),
    facts=st.lists(facts, max_size=3).map(tuple),
    missing=st.none() | missing,
)
footprints = st.builds(Footprint, numbers, numbers, st.integers(0, 10**6), *[numbers] * 5)
hours = st.builds(
    Hour,
    site=words,
    time_utc=moments,
    verdict=st.sampled_from(Verdict),
    score=maybe,
    chance=maybe,
    chance_low=maybe,
    chance_high=maybe,
    parts=st.dictionaries(st.sampled_from(Part), maybe),
    checks=st.lists(checks, max_size=3).map(tuple),
    worst=st.lists(words, max_size=3).map(tuple),
    footprint=st.none() | footprints,
    refused=st.none() | refusals,
    drift_km=maybe,
    bearing_deg=maybe,
    road_km=maybe,
    landing_utc=st.none() | moments,
    others=st.lists(
        st.builds(
            Opinion,
            model=words,
            cycle_id=words,
            verdict=st.sampled_from(Verdict),
            score=maybe,
            chance=maybe,
            apart_km=maybe,
            bearing_deg=maybe,
            says=st.none() | checks,
            lacks=texts,
        ),
        max_size=2,
    ).map(tuple),
)


@settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(hour=hours)
def test_any_hour_comes_back_exactly(store: Store, hour: Hour) -> None:
    watch = f"watch {next(_NUMBERS)}"
    assert store.save_pass(
        record(watch=watch, hours=(hour,), windows=(), changes=(), deliveries=())
    )
    assert store.hours(watch) == (hour,)


def test_json_keeps_every_digit() -> None:
    value = replace(check(), value=0.1 + 0.2, limit=5e-324, margin=1.7976931348623157e308)
    assert codec.unpack_checks(codec.pack_checks((value,), "hour")) == (value,)
    assert rows.window_from_json(rows.window_to_json(window(told=window()))) == window(
        told=window()
    )
    assert read_at() == NOW


def test_changes_are_read_by_window_and_by_number(store: Store) -> None:
    for number in range(3):
        key, uid = f"{number:012x}", f"window-{number % 2}"
        made = change(key=key, window_uid=uid, found_utc=read_at(number))
        store.save_pass(record(number, changes=(made,), deliveries=()))
    keys = [each.key for each in store.changes(WATCH)]
    assert keys == [f"{n:012x}" for n in range(3)]
    assert [each.key for each in store.changes(WATCH, last=2)] == keys[1:]
    assert [each.key for each in store.changes(WATCH, window_uid="window-0")] == keys[::2]
    assert [each.key for each in store.changes(WATCH, window_uid="window-0", last=1)] == keys[2:]
    assert store.count_changes(WATCH) == 3
    assert store.count_changes("another watch") == 0
    assert set(store.changes_by_key(keys, WATCH)) == set(keys)
    assert store.changes_by_key(keys, "another watch") == {}
