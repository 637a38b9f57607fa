"""The watcher at a provider: cycles found, passed bit by bit, late, given up, and pruned."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
import xarray as xr
from fetch_watch import LAST, STEPS, at, watcher
from fetching import MEMBER_LEVELS, served
from provider import BEFORE, CYCLE, Provider, fill_gfs, provider

from windowwatch.clock import SimulatedClock
from windowwatch.errors import SourceError, StorageError
from windowwatch.forecast.download.ledger import CycleStage, CycleState, Keep, prune
from windowwatch.forecast.grib.framing import sha256_of
from windowwatch.storage.store import SqlLedger, Store, open_store
from windowwatch.watch.pipeline import PassResult
from windowwatch.windows.causes import ForecastLate, GivenUp, StillShown
from windowwatch.windows.values import ChangeKind
from windowwatch.wording.gaps import notes_words


@pytest.fixture
def host() -> Iterator[Provider]:
    with provider() as its:
        fill_gfs(its, STEPS, levels_hpa=MEMBER_LEVELS)
        fill_gfs(its, tuple(range(21, 46, 3)), BEFORE, MEMBER_LEVELS)
        yield its


@pytest.fixture
def kept(tmp_path: Path) -> Iterator[Store]:
    store = open_store(f"sqlite:///{tmp_path}/w.sqlite3")
    store.upgrade()
    yield store
    store.close()


def test_a_cycle_comes_in_bit_by_bit(tmp_path: Path, host: Provider, kept: Store) -> None:
    its = served("gfs-0.25", 1, [host], MEMBER_LEVELS)
    w = watcher(its, tmp_path, kept, at(11.5))
    clock = w.clock
    assert isinstance(clock, SimulatedClock)
    old = w.look()  # the cycle of 06 UTC is whole
    assert old is not None
    assert old.cycle_id == "gfs-2026-05-04T06Z"
    assert all(h.from_cycle is None for h in old.hours)
    assert all(h.refused is None for h in old.hours)
    assert any("NOAA/NCEP" in words for words in notes_words(old.remarks))
    assert w.look() is None, "nothing new"

    clock.set(at(15, 30))
    host.upto_h = -1
    asked = len(host.log)
    assert w.look() is None
    assert len(host.log) > asked, "the next cycle is due, and asked for"
    clock.set(at(15, 40))
    host.upto_h = 27
    part = w.look()
    assert part is not None
    assert part.cycle_id == "gfs-2026-05-04T12Z"
    assert part.saved
    fresh = [h for h in part.hours if h.from_cycle is None]
    carried = [h for h in part.hours if h.from_cycle is not None]
    assert {h.from_cycle for h in carried} == {old.cycle_id}
    assert max(h.time_utc for h in fresh) < min(h.time_utc for h in carried)
    before = {h.time_utc: h for h in old.hours}
    assert all(replace(h, from_cycle=None) == before[h.time_utc] for h in carried)
    assert all(h.refused is None for h in part.hours)
    assert any(
        f"{len(carried)} hours keep an earlier answer" in words
        for words in notes_words(part.remarks)
    )
    assert kept.hours("line") == part.hours

    clock.set(at(15, 50))
    host.upto_h = 30
    assert w.look() is None, "a little more, and too soon for another pass"
    clock.set(at(16, 20))
    more = w.look()
    assert more is not None
    assert sum(h.from_cycle is not None for h in more.hours) < len(carried)
    host.upto_h = 1000
    clock.set(at(16, 22))
    whole = w.look()
    assert whole is not None, "the rest is passed at once"
    assert all(h.from_cycle is None for h in whole.hours)
    assert kept.passes("line", whole.cycle_id) == (3, len(STEPS))
    assert [c.cycle.id for c in kept.cycles("line")] == [old.cycle_id, whole.cycle_id]
    (newest, *_) = kept.ledger().cycle_states("gfs-0.25")
    assert newest.stage is CycleStage.COMPLETE
    assert (newest.absent_utc, newest.complete_utc) == (at(16, 20), at(16, 22))
    asked = len(host.log)
    clock.set(at(17))
    assert w.look() is None
    assert len(host.log) == asked, "nothing is asked for until the next cycle is due"


def test_bit_by_bit_ends_as_all_at_once(tmp_path: Path, host: Provider, kept: Store) -> None:
    its = served("gfs-0.25", 1, [host], MEMBER_LEVELS)
    w = watcher(its, tmp_path, kept, at(15, 30), partial_every=timedelta(0))
    results = []
    for upto in (24, 30, 1000):
        host.upto_h = upto
        results.append(w.look())
    last = results[-1]
    assert all(results)
    assert last is not None
    other = open_store(f"sqlite:///{tmp_path}/other.sqlite3")
    other.upgrade()
    (tmp_path / "once").mkdir()
    once = watcher(its, tmp_path / "once", other, at(15, 30)).look()
    assert once is not None
    assert once.hours == last.hours
    other.close()


def test_a_new_start_in_the_middle_goes_on(tmp_path: Path, host: Provider, kept: Store) -> None:
    its = served("gfs-0.25", 1, [host], MEMBER_LEVELS)
    host.upto_h = 27
    first = watcher(its, tmp_path, kept, at(15, 30))
    assert first.look() is not None
    again = watcher(its, tmp_path, kept, at(15, 32))
    asked = len(host.log)
    assert again.look() is None, "as many steps as before are no new pass"
    host.upto_h = 1000
    result = again.look()
    assert result is not None
    assert not any(".f015" in r.path and r.span for r in host.log[asked:]), "kept, not asked again"


def test_a_late_forecast_is_told_once(tmp_path: Path, host: Provider, kept: Store) -> None:
    its = served("gfs-0.25", 1, [host], MEMBER_LEVELS)
    w = watcher(its, tmp_path, kept, at(11.5))
    clock = w.clock
    assert isinstance(clock, SimulatedClock)
    w.look()
    host.upto_h = -1
    clock.set(at(18, 20))  # due 17:35, late from 18:35 on
    w.look()
    late = ChangeKind.FORECAST_LATE
    assert [c for c in kept.changes("line") if c.kind is late] == []
    for minute in (40, 42, 59):
        clock.set(at(18, minute))
        w.look()
    (change,) = [c for c in kept.changes("line") if c.kind is late]
    assert change.causes == (ForecastLate(at(12), at(17, 35), 0, 9), StillShown(at(6)))
    assert kept.pending_deliveries() != {}
    clock.set(at(23, 50))
    w.look()
    w.look()
    told = [c.causes for c in kept.changes("line") if c.kind is late]
    assert told[0] == change.causes
    assert len(told) == 2, "the same silence; but that it is given up is told, once"
    assert told[1] == (GivenUp(at(12), timedelta(hours=11), 0, 9),)


def test_that_a_cycle_is_given_up_is_told_though_the_program_dies_meanwhile(
    tmp_path: Path, host: Provider, kept: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    w = watcher(served("gfs-0.25", 1, [host], MEMBER_LEVELS), tmp_path, kept, at(15, 30))
    clock = w.clock
    assert isinstance(clock, SimulatedClock)
    host.upto_h = -1
    w.look()
    clock.set(at(23, 50))
    note = SqlLedger.note_cycle

    def dies(ledger: SqlLedger, state: CycleState) -> None:
        """The power fails as it is written down."""
        if state.stage is CycleStage.GIVEN_UP:
            raise StorageError("gone")
        note(ledger, state)

    monkeypatch.setattr(SqlLedger, "note_cycle", dies)
    with pytest.raises(StorageError, match="gone"):
        w.look()
    monkeypatch.undo()
    w.look()
    told = [c.causes for c in kept.changes("line") if isinstance(c.causes[0], GivenUp)]
    assert len(told) == 1
    stages = {s.cycle_utc: s.stage for s in kept.ledger().cycle_states("gfs-0.25")}
    assert stages[at(12)] is CycleStage.GIVEN_UP


def test_another_model_under_the_same_name_is_refused(
    tmp_path: Path, host: Provider, kept: Store
) -> None:
    """The source in the settings was changed, the model's name was not."""
    w = watcher(served("gfs-0.25", 1, [host], MEMBER_LEVELS), tmp_path, kept, at(11.5))
    assert w.look() is not None
    other = watcher(served("ifs", 0, [host], MEMBER_LEVELS), tmp_path, kept, at(20))
    asked = len(host.log)
    with pytest.raises(SourceError) as caught:
        other.look()
    assert "cycles stored as 'gfs' are of gfs-0.25, but ifs is fetched now" in caught.value.message
    assert len(host.log) == asked
    finer = watcher(served("gfs-0.5", 1, [host], MEMBER_LEVELS), tmp_path, kept, at(11.6))
    finer.look()  # another grid of the same model goes on under its name


def test_what_stays_incomplete_is_given_up_and_passed_as_it_is(
    tmp_path: Path, host: Provider, kept: Store
) -> None:
    its = served("gfs-0.25", 1, [host], MEMBER_LEVELS)
    w = watcher(its, tmp_path, kept, at(15, 30), give_up_after=timedelta(hours=5))
    clock = w.clock
    assert isinstance(clock, SimulatedClock)
    host.upto_h = 24
    assert w.look() is not None
    host.upto_h = 27
    clock.set(at(17, 10))
    given = w.look()
    assert given is not None
    (state, *_) = kept.ledger().cycle_states("gfs-0.25")
    assert state.stage is CycleStage.GIVEN_UP
    asked = len(host.log)
    clock.set(at(17, 15))
    assert w.look() is None
    assert len(host.log) == asked, "nobody waits for it any more"


def test_the_filter_refused_gives_way_to_byte_ranges(
    tmp_path: Path, host: Provider, kept: Store
) -> None:
    filtered = served("gfs-0.25", 0, [host], MEMBER_LEVELS)
    with provider() as files:
        fill_gfs(files, STEPS, levels_hpa=MEMBER_LEVELS)
        host.fault = lambda r, h: h.say(403, b"no")
        ranges = served("gfs-0.25", 1, [files], MEMBER_LEVELS)
        its = replace(filtered, routes=(*filtered.routes, *ranges.routes))
        result = watcher(its, tmp_path, kept, at(15, 40)).look()
    assert result is not None
    (state, *_) = kept.ledger().cycle_states("gfs-0.25")
    assert state.route == "ranges-0.25"
    assert state.stage is CycleStage.COMPLETE


def test_a_file_that_changes_before_the_pass_is_fetched_again(
    tmp_path: Path, host: Provider, kept: Store
) -> None:
    its = served("gfs-0.25", 1, [host], MEMBER_LEVELS)
    w = watcher(its, tmp_path, kept, at(15, 40))
    first = w.look()
    assert first is not None
    path = next((tmp_path / "fetched").rglob("*f015.grib2"))
    data = bytearray(path.read_bytes())
    data[-300] ^= 4
    path.write_bytes(data)
    again = watcher(its, tmp_path, kept, at(15, 45))
    with kept.writing() as session:
        session.connection().exec_driver_sql("DELETE FROM changes")
        session.connection().exec_driver_sql("DELETE FROM cycles")
    result = again.look()
    assert result is not None
    assert result.hours == first.hours
    assert list((tmp_path / "fetched" / "set-aside").glob("*f015*"))


def test_a_whole_cycle_is_kept_as_one_file_and_read_from_it(
    tmp_path: Path, host: Provider, kept: Store, caplog: pytest.LogCaptureFixture
) -> None:
    its = served("gfs-0.25", 1, [host], MEMBER_LEVELS)
    first = watcher(its, tmp_path, kept, at(15, 40)).look()
    assert first is not None
    path = tmp_path / "fetched" / "gfs-0.25" / "2026050412" / "cycle.nc"
    with xr.open_dataset(path) as dataset:
        assert "NOAA/NCEP" in dataset.attrs["source"]
    stamp = path.stat().st_mtime_ns

    def again() -> PassResult:
        with kept.writing() as session:
            session.connection().exec_driver_sql("DELETE FROM changes")
            session.connection().exec_driver_sql("DELETE FROM cycles")
        result = watcher(its, tmp_path, kept, at(15, 40)).look()
        assert result is not None
        assert result.hours == first.hours
        return result

    assert again().remarks == first.remarks
    assert path.stat().st_mtime_ns == stamp, "it was read, not made again"
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.write_bytes(data)
    again()
    assert "its bytes have changed; it is made again" in caplog.text
    assert sha256_of(path) in {f.sha256 for f in kept.ledger().kept_files("gfs-0.25", CYCLE)}


def test_old_cycles_go_by_age_and_size(tmp_path: Path, kept: Store) -> None:
    ledger = kept.ledger()
    now = at(18)
    for hours in (0, 6, 12, 96):
        folder = tmp_path / "m" / f"{now - timedelta(hours=hours):%Y%m%d%H}" / "r"
        folder.mkdir(parents=True)
        (folder / "a.grib2").write_bytes(b"x" * 1000)
    (tmp_path / "m" / "notes").mkdir()
    gone = prune(tmp_path, "m", ledger, Keep(3.0, 10_000), now)
    assert gone == ["m 2026-04-30T18Z"]
    gone = prune(tmp_path, "m", ledger, Keep(3.0, 1_500), now)
    assert gone == ["m 2026-05-04T06Z", "m 2026-05-04T12Z"]
    assert prune(tmp_path, "m", ledger, Keep(3.0, 1), now) == []
    assert (tmp_path / "m" / "notes").is_dir()


def test_the_days_over_nothing_is_asked(tmp_path: Path, host: Provider, kept: Store) -> None:
    w = watcher(
        served("gfs-0.25", 1, [host], MEMBER_LEVELS), tmp_path, kept, LAST + timedelta(hours=1)
    )
    assert w.look() is None
    assert host.log == []
    assert CYCLE.hour == 12
