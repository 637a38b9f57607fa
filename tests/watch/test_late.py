"""A forecast that does not come is told, once for each silence."""

from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from invented import MILLFIELD, WATCH, cycle, read_at, record
from made_store import new_store
from week import watch_of

from windowwatch.clock import SimulatedClock
from windowwatch.storage.store import Store
from windowwatch.watch.run.between import late_by_rhythm, tell_of
from windowwatch.watch.values import Span, Watch
from windowwatch.windows.causes import Causes, NoForecast, StillShown
from windowwatch.windows.values import ChangeKind

#: Cycles of 00 and 06 UTC, the second read at 10:00: the third is expected at 16:00, and late
#: from 19:00 on.
LATE = read_at(1) + timedelta(hours=9)


@pytest.fixture
def store(tmp_path: Path) -> Store:
    opened = new_store(tmp_path / "w.sqlite3")
    opened.save_pass(record(0, changes=(), deliveries=()))
    return opened


@pytest.fixture
def watch(tmp_path: Path) -> Watch:
    return replace(watch_of(tmp_path, [MILLFIELD]), name=WATCH)


def causes(store: Store, watch: Watch, now: datetime, awake: datetime | None = None) -> Causes:
    found = late_by_rhythm(store, watch, SimulatedClock(now), awake)
    return () if found is None else found.causes


def test_it_is_late_after_half_a_cycle_of_grace(store: Store, watch: Watch) -> None:
    assert causes(store, watch, LATE + timedelta(days=1)) == (), "one cycle has no rhythm"
    store.save_pass(record(1, changes=(), deliveries=()))
    assert causes(store, watch, LATE) == ()
    said = (NoForecast(read_at(2)), StillShown(cycle(1).reference_utc))
    assert causes(store, watch, LATE + timedelta(minutes=1)) == said


def test_who_has_only_just_woken_looks_first(store: Store, watch: Watch) -> None:
    store.save_pass(record(1, changes=(), deliveries=()))
    woken = LATE + timedelta(hours=30)
    assert causes(store, watch, woken + timedelta(hours=3), awake=woken) == ()
    assert causes(store, watch, woken + timedelta(hours=3, minutes=1), awake=woken) != ()


def test_it_is_told_once_for_each_silence(store: Store, watch: Watch) -> None:
    store.save_pass(record(1, changes=(), deliveries=()))
    found = late_by_rhythm(store, watch, SimulatedClock(LATE + timedelta(hours=1)))
    assert found is not None
    assert found.kind is ChangeKind.FORECAST_LATE
    assert tell_of(store, watch, (found,)) == (found,)
    assert causes(store, watch, LATE + timedelta(hours=20)) == ()
    store.save_pass(record(2, changes=(), deliveries=()))
    assert causes(store, watch, read_at(2) + timedelta(hours=10)) != (), "another silence"


def test_when_no_launch_hour_is_to_come_nobody_waits(store: Store, watch: Watch) -> None:
    store.save_pass(record(1, changes=(), deliveries=()))
    over = Span(timedelta(hours=1), 6, read_at(0), read_at(1))
    assert causes(store, replace(watch, span=over), LATE + timedelta(hours=1)) == ()
