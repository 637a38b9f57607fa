"""Whatever the daemon lives through, a forecast that stays away is told in time."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from invented import MILLFIELD, NOW, WATCH, cycle, read_at, record
from made_store import new_store
from week import watch_of

from windowwatch.clock import SimulatedClock
from windowwatch.watch.run.between import Silence, between_passes, late_by_bound
from windowwatch.watch.values import Span, Watch
from windowwatch.windows.causes import NothingNewer, StillShown

pytestmark = pytest.mark.night

SILENCE = Silence(bound=timedelta(hours=16), one_look=timedelta(minutes=30))
#: How often the simulated daemon comes to deliver. Less often than the real one, to be quick.
STEP = timedelta(hours=1)
MONTH = timedelta(days=30)


def watch_in(folder: Path) -> Watch:
    rolling = Span(timedelta(hours=1), 6)
    return replace(watch_of(folder, [MILLFIELD]), name=WATCH, span=rolling)


def test_one_cycle_is_enough_and_so_is_none(tmp_path: Path) -> None:
    store, watch = new_store(tmp_path / "w.sqlite3"), watch_in(tmp_path)
    assert late_by_bound(store, watch, SimulatedClock(NOW), SILENCE) is None, "it begins"
    over = NOW + timedelta(hours=16, minutes=1)
    assert late_by_bound(store, watch, SimulatedClock(over), SILENCE) is None, "one look first"
    none = late_by_bound(store, watch, SimulatedClock(over + SILENCE.one_look), SILENCE)
    assert none is not None
    begun = none.causes[0]
    assert isinstance(begun, NothingNewer)
    assert begun.none_yet
    assert abs(begun.since_utc - NOW) < timedelta(minutes=10)
    assert none.causes[1] == StillShown(None)
    store.save_pass(record(0, changes=(), deliveries=()))
    assert late_by_bound(store, watch, SimulatedClock(over - timedelta(hours=4)), SILENCE) is None
    later = cycle().reference_utc + timedelta(hours=17)
    late_by_bound(store, watch, SimulatedClock(later), SILENCE)
    one = late_by_bound(store, watch, SimulatedClock(later + SILENCE.one_look), SILENCE)
    assert one is not None
    assert one.causes[0] == NothingNewer(cycle().reference_utc, SILENCE.bound)
    store.close()


def test_who_wakes_finds_the_new_one_first(tmp_path: Path) -> None:
    """A machine that slept for a day says nothing when its first look brings what is new."""
    store, watch = new_store(tmp_path / "w.sqlite3"), watch_in(tmp_path)
    store.save_pass(record(0, changes=(), deliveries=()))
    woken = read_at(0) + timedelta(days=1)
    assert late_by_bound(store, watch, SimulatedClock(woken), SILENCE) is None
    store.save_pass(record(4, changes=(), deliveries=()))
    assert late_by_bound(store, watch, SimulatedClock(woken + timedelta(hours=2)), SILENCE) is None
    store.close()


#: Runs of time: how long [h], whether cycles come, and after how long the daemon is started anew.
RUNS = st.lists(
    st.tuples(
        st.integers(1, 90),
        st.booleans(),
        st.sampled_from([0.5, 1.0, 2.0, 7.0, 1000.0]),
        st.booleans(),
    ),
    min_size=4,
    max_size=40,
)


@settings(
    max_examples=5,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)
@given(RUNS)
def test_a_month_of_restarts_and_gaps_has_no_silence_untold(
    runs: Sequence[tuple[int, bool, float, bool]],
) -> None:
    with TemporaryDirectory() as name:
        untold = month(Path(name), runs)
    assert not untold


def month(folder: Path, runs: Sequence[tuple[int, bool, float, bool]]) -> list[str]:
    """What was not told in time, while the daemon ran; told twice counts as well."""
    store, watch = new_store(folder / "w.sqlite3"), watch_in(folder)
    clock = SimulatedClock(NOW)
    awake, number, told, wrong = NOW, -1, {}, []
    newest, up_since, over = NOW, NOW, NOW + MONTH
    at, run_end, index = NOW, NOW, -1
    comes, restart, down = True, 1000.0, False
    first_up_over: dict[object, object] = {}
    while at < over:
        if at >= run_end:
            index = (index + 1) % len(runs)
            hours, comes, restart, down = runs[index]
            run_end = at + timedelta(hours=hours)
            down = down and not comes  # the machine is off: nothing is read then
            awake = up_since = at
        if at - awake >= timedelta(hours=restart):
            awake = at  # started anew, or woken
        clock.set(at)
        if not down:
            due = int((at - NOW) / timedelta(hours=6))
            if comes and due > number:
                number = due
                store.save_pass(record(number, changes=(), deliveries=(), saved_utc=at))
                newest = cycle(number).reference_utc
            done = between_passes(
                store, watch, clock, awake_since_utc=awake, silence=SILENCE, send=lambda *_: None
            )
            for change in done.late:
                shown = next(c for c in change.causes if isinstance(c, StillShown))
                if shown in told:
                    wrong.append(f"{at}: told twice")
                told[shown] = at
            now_shown = StillShown(newest if number >= 0 else None)
            if at - newest > SILENCE.bound and now_shown not in told:
                seen = first_up_over.setdefault(now_shown, at)
                # One look from when somebody was there to see it; a step of the simulation more.
                if at - seen > SILENCE.one_look + 2 * STEP:  # type: ignore[operator]
                    wrong.append(f"{at}: {now_shown} untold since {seen}, up since {up_since}")
        at += STEP
    store.close()
    return wrong
