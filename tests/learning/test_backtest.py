"""Backtests: the same rows as a rehearsal's, out of GRIB and out of kept cycles; two compared."""

import shutil
from pathlib import Path
from typing import Any

import pytest
from line_watch import forecast_in, settings_in
from sqlalchemy import create_engine, text
from typed import typed

from windowwatch.cli.backtest import backtest_file, run_one
from windowwatch.errors import SourceError
from windowwatch.forecast.dataset import with_origin, write_archive
from windowwatch.forecast.sources import open_files
from windowwatch.settings.read import read_settings
from windowwatch.storage.engine import sqlite_url
from windowwatch.storage.store import ready_store
from windowwatch.watch.run import ahead
from windowwatch.watch.run.backtest import stored_cycles
from windowwatch.watch.run.rehearsal import rehearse
from windowwatch.watch.values import area_of

pytestmark = pytest.mark.learning
HOURS = (0, 6, 12)


@pytest.fixture(scope="module")
def watch(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Settings of a watch over three cycles, in folders of their own."""
    folder = tmp_path_factory.mktemp("watch")
    settings = settings_in(folder, first_utc="2026-05-04T08:00:00Z")
    for hour in HOURS:
        below = folder / "forecasts" / f"{hour:02d}"
        below.mkdir()
        forecast_in(below, f"made{hour}.grib2", wind=5.0 + 0.3 * hour, hour=hour)
    return settings


#: What differs from run to run by its nature: numbers of rows, and paths.
TABLES = {
    "hours": "site, time_utc, verdict, score, chance, drift_km, footprint, checks, from_cycle",
    "windows": "uid, state, start_utc, end_utc, value",
    "changes": "key, kind, site, cycle_id, found_utc, causes",
    "cycles": "watch, cycle_id, saved_utc, passes, steps, gaps",
    "records": "watch, cycle_id, site, form, value",
}


def rows(file: Path) -> dict[str, list[Any]]:
    plain = create_engine(sqlite_url(file))
    with plain.connect() as connection:
        found = {
            table: sorted(map(repr, connection.execute(text(f"SELECT {columns} FROM {table}"))))
            for table, columns in TABLES.items()
        }
    plain.dispose()
    return found


def test_its_rows_are_those_of_a_rehearsal_whatever_the_cycles_lie_in(
    watch: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nor does it matter whether they are flown here, or ahead of their turn by processes."""
    settings = read_settings(watch)
    cycles = stored_cycles([watch.parent / "forecasts"], "made").cycles
    assert [each.cycle.reference_utc.hour for each in cycles] == list(HOURS)
    area = area_of(settings.watch.sites)
    with ready_store(sqlite_url(tmp_path / "rehearsed.sqlite3")) as store:
        rehearse(cycles, settings.watch, store, available_after=settings.available_after,
                 send=lambda _channel, _message: None)  # fmt: skip
    done = run_one(watch, (), tmp_path / "backtest.sqlite3", 1)
    assert done.cycles == 3
    assert done.learned.cycles == 3
    kept = tmp_path / "kept"
    for each in cycles[:2]:
        opened, files = open_files(each.files, area)
        write_archive(kept / f"{each.cycle.id}.nc", with_origin(opened, each.cycle, files, ""))
    (kept / "torn.nc").write_bytes((kept / f"{cycles[0].cycle.id}.nc").read_bytes()[:900])
    shutil.copytree(watch.parent / "forecasts" / "12", kept / "12")
    found = stored_cycles([kept], "made")
    assert [each.files[0].endswith(".nc") for each in found.cycles] == [True, True, False]
    assert len(found.set_aside) == 1
    assert "torn.nc: cannot be read as a stored cycle" in found.set_aside[0]
    monkeypatch.setattr(ahead, "WORTH_BYTES", 1)
    run_one(watch, (kept,), tmp_path / "archived.sqlite3", 2)
    wanted = rows(tmp_path / "rehearsed.sqlite3")
    assert len(wanted["hours"]) > 20
    assert wanted["records"], "what is judged later is kept, too"
    for file in ("backtest", "archived"):
        found_rows = rows(tmp_path / f"{file}.sqlite3")
        for table, some in wanted.items():
            assert found_rows[table] == some, (file, table)


def test_nothing_to_pass_is_said_by_name(tmp_path: Path) -> None:
    with pytest.raises(SourceError, match="no cycle of made is there"):
        stored_cycles([tmp_path], "made")


def test_two_settings_are_compared_with_one_command(watch: Path) -> None:
    strict = watch.with_name("strict.toml")
    strict.write_text(
        watch.read_text(encoding="utf-8") + "\n[limits.gust]\nfine_mps = 0.5\nlimit_mps = 1.0\n",
        encoding="utf-8",
    )
    answer = typed(watch.parent, "backtest", "--settings", str(watch), "--against", str(strict),
                   width=120)  # fmt: skip
    assert answer.code == 0, answer.err
    assert "watch.toml: 3 cycles, made-2026-05-04T00Z to made-2026-05-04T12Z" in answer.words
    assert "strict.toml: 3 cycles" in answer.words
    held: dict[str, list[str]] = {}
    for line in answer.out.splitlines():
        words = line.split()
        for name in ("watch", "strict"):
            if name in words[:3] and len(words) >= 8:
                held.setdefault(name, words[words.index(name) + 1 :])
    assert held["watch"][0] == held["strict"][0], "the same hours are judged"
    assert int(held["watch"][4]) > int(held["strict"][4]) == 0, "a gust of 5 m/s is no go there"
    same = typed(watch.parent, "backtest", "--settings", str(watch), "--against", str(watch))
    assert same.code == 1
    assert "--against names the same settings file" in same.err
    assert backtest_file(read_settings(watch)) != backtest_file(read_settings(strict))
