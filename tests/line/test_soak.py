"""A thousand cycles in one process: memory, threads and open files must not grow."""

import threading
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from line_watch import REFERENCE, forecast_in, settings_in
from sink import Sink

from windowwatch.clock import SimulatedClock
from windowwatch.forecast.cycle import Cycle
from windowwatch.forecast.sources import load_cycle, scan_folder
from windowwatch.notices.values import Channel
from windowwatch.settings.read import read_settings
from windowwatch.storage.engine import sqlite_url
from windowwatch.storage.store import open_store
from windowwatch.watch.pipeline import run_pass
from windowwatch.watch.run.between import between_passes
from windowwatch.watch.values import area_of

CYCLES = 1000
#: Allowed from the 200th cycle on; the allocator's own play is a few MB. [MB]
MOST_GROWTH_MB = 12.0


def measure() -> tuple[float, int, int]:
    """Resident memory in MB, threads, open files of this process (Linux)."""
    status = Path("/proc/self/status").read_text(encoding="utf-8")
    kb = next(line for line in status.splitlines() if line.startswith("VmRSS")).split()[1]
    files = len(list(Path("/proc/self/fd").iterdir()))
    return int(kb) / 1000.0, threading.active_count(), files


@pytest.mark.slow
@pytest.mark.timeout(3000)
def test_a_thousand_cycles_in_a_row(tmp_path: Path) -> None:
    """Every cycle is decoded, flown, scored, stored, and delivered to a real sink."""
    settings = read_settings(settings_in(tmp_path))
    windy = tmp_path / "windy"
    windy.mkdir()
    forecast_in(tmp_path / "forecasts")
    forecast_in(windy, gust=25.0)
    (good,) = scan_folder(settings.forecast_folder, model="made").cycles
    (bad,) = scan_folder(windy, model="made").cycles
    store = open_store(sqlite_url(tmp_path / "soak.sqlite3"))
    store.upgrade()
    curve: list[tuple[int, float, int, int]] = []
    with Sink() as sink:
        watch = replace(settings.watch, channels=(Channel("crew", sink.url),))
        clock = SimulatedClock(REFERENCE)
        for number in range(CYCLES):
            found = bad if number % 10 == 9 else good  # so that windows open and close
            data = load_cycle(found, area=area_of(watch.sites))
            again = replace(data, cycle=Cycle(REFERENCE + timedelta(hours=number), "made"))
            run_pass(again, watch, store, now_utc=clock.now())
            clock.set(clock.now() + timedelta(seconds=1))
            between_passes(store, watch, clock)
            if number % 50 == 49:
                curve.append((number + 1, *measure()))
    told, stored = len(sink.received), len(store.cycles(settings.watch.name))
    store.close()
    for line in curve:
        print(f"cycle {line[0]:4d}: {line[1]:6.1f} MB, {line[2]} threads, {line[3]} files")
    print(f"{told} notices")
    assert stored == CYCLES
    assert told >= 2 * (CYCLES // 10) - 1
    early = next(line for line in curve if line[0] == 200)
    last = curve[-1]
    assert last[1] - early[1] < MOST_GROWTH_MB
    assert last[2:] == early[2:]
