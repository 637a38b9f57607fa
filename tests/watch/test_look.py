"""The folder watcher: a cycle that comes in pieces, and one that is of no use."""

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from grib_maker import write
from line_watch import BOX, REFERENCE, forecast_in, messages, settings_in
from made_store import new_store

from windowwatch.clock import SimulatedClock
from windowwatch.errors import WindowwatchError
from windowwatch.settings.read import read_settings
from windowwatch.storage.store import Store
from windowwatch.watch.polling.watcher import FolderWatcher
from windowwatch.windows.causes import ErrorSaid, PassFailed, StillShown
from windowwatch.windows.values import ChangeKind


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    opened = new_store(tmp_path / "look.sqlite3")
    yield opened
    opened.close()


def _watcher(folder: Path, store: Store) -> FolderWatcher:
    settings = read_settings(settings_in(folder))
    clock = SimulatedClock(REFERENCE + timedelta(hours=2))
    return FolderWatcher(settings.watch, store, clock, tries=2, folder=settings.forecast_folder)


def _refused(store: Store) -> int:
    return sum(hour.refused is not None for hour in store.hours("line"))


def test_the_second_half_of_a_cycle_is_read_when_it_comes(tmp_path: Path, store: Store) -> None:
    watcher = _watcher(tmp_path, store)
    folder = tmp_path / "forecasts"
    whole = list(messages())
    write(folder / "first.grib2", [m for m in whole if m.step <= 6], BOX)
    assert watcher.look() is None, "a file must be quiet for one look before it is taken"
    assert watcher.look() is not None
    assert _refused(store) > 0
    assert watcher.look() is None, "nothing new, nothing done"
    write(folder / "second.grib2", [m for m in whole if m.step > 6], BOX)
    assert watcher.look() is None
    again = watcher.look()
    assert again is not None
    assert again.saved
    assert _refused(store) == 0
    assert [each.cycle.id for each in store.cycles("line")] == ["made-2026-05-04T12Z"]
    assert watcher.look() is None


def test_a_file_fixed_in_its_place_is_read_again(tmp_path: Path, store: Store) -> None:
    watcher = _watcher(tmp_path, store)
    path = tmp_path / "forecasts" / "made.grib2"
    gap = [m for m in messages() if not (m.what == "u" and m.level == 300 and m.step in (3, 6))]
    write(path, gap, BOX)
    watcher.look()
    watcher.look()
    assert _refused(store) > 0
    write(path, messages(), BOX)
    watcher.look()
    assert watcher.look() is not None
    assert _refused(store) == 0


def test_a_newer_cycle_of_no_use_gives_way_to_the_one_before(tmp_path: Path, store: Store) -> None:
    watcher = _watcher(tmp_path, store)
    forecast_in(tmp_path / "forecasts", "good.grib2")
    bad = [m for m in messages(hour=13) if m.what == "gust"]  # no wind aloft at all
    write(tmp_path / "forecasts" / "bad.grib2", bad, BOX)
    watcher.look()
    for _ in range(2):
        with pytest.raises(WindowwatchError):
            watcher.look()
    result = watcher.look()
    assert result is not None
    assert result.cycle_id == "made-2026-05-04T12Z"
    (told,) = [c for c in store.changes("line") if c.kind is ChangeKind.PASS_FAILED]
    assert told.cycle_id == "made-2026-05-04T13Z"
    failed, shown, said = told.causes
    assert failed == PassFailed(datetime(2026, 5, 4, 13, tzinfo=UTC), tries=2)
    assert shown == StillShown(None)
    assert isinstance(said, ErrorSaid)
    assert "wind" in said.text
    assert watcher.look() is None
    assert len([c for c in store.changes("line") if c.kind is ChangeKind.PASS_FAILED]) == 1
