"""How a database of very many cycles answers. By hand:

    export PYTHONPATH=.:tests
    python tests/benchmarks/storage_scale.py FILE --cycles 10000 --with-hours 360
    python tests/benchmarks/storage_scale.py FILE --cycles 10000 --with-hours 10000

Fills a SQLite file with cycles of 5 sites x 168 launch hours (those of the newest
`--with-hours` cycles are kept, as upkeep leaves them after so many), 10 windows and 2 changes
a cycle, each told on 2 channels, then times what page and daemon ask for: best and median of
some calls. Rows are made by the store's own code from hours that a rehearsal of the invented
island gave, and written in bulk past the store; a last pass is saved by the store itself.
"""

import argparse
import sqlite3
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import cycle as again
from pathlib import Path
from typing import Any

from invented import change, window

from windowwatch.errors import StorageError
from windowwatch.forecast.cycle import Cycle, SourceFile
from windowwatch.forecast.sources import load_cycle, scan_folder
from windowwatch.notices.values import Message
from windowwatch.scoring.values import Hour
from windowwatch.settings.read import read_settings
from windowwatch.storage import rows
from windowwatch.storage.cycles import PassRecord
from windowwatch.storage.engine import sqlite_url
from windowwatch.storage.store import Store, open_store
from windowwatch.watch.pipeline import run_pass
from windowwatch.watch.values import area_of
from windowwatch.windows.values import ChangeKind

CONFIG = Path(__file__).parents[2] / "config"
WATCH = "scale"
SITES, HOURS = 5, 168
FIRST = datetime(2020, 1, 1, tzinfo=UTC)
BETWEEN = timedelta(hours=6)
CHANNELS = ("phone", "mail")


def island_hours() -> list[Hour]:
    """Hours as a pass of the island scores them, with all their checks."""
    settings = read_settings(CONFIG / "skerra.toml")
    watch = replace(settings.watch, draws=2)
    found = scan_folder(settings.forecast_folder, model=watch.model).cycles[-1]
    now = found.cycle.reference_utc + settings.available_after
    with tempfile.TemporaryDirectory() as folder:
        store = open_store(sqlite_url(Path(folder) / "w.sqlite3"))
        store.upgrade()
        data = load_cycle(found, area=area_of(watch.sites))
        result = run_pass(data, watch, store, now_utc=now)
        store.close()
    return [hour for hour in result.hours if hour.refused is None]


def sql_time(moment: datetime) -> str:
    """A time as SQLAlchemy writes it on SQLite."""
    return f"{moment:%Y-%m-%d %H:%M:%S}.000000"


def plain(values: dict[str, Any]) -> dict[str, Any]:
    """Columns as SQLite takes them."""
    return {k: sql_time(v) if isinstance(v, datetime) else v for k, v in values.items()}


def hours_of(made: list[Hour], reference: datetime) -> Iterator[dict[str, Any]]:
    """Rows of one cycle's hours."""
    source = again(made)
    for site in range(SITES):
        for n in range(HOURS):
            moment = reference + timedelta(hours=n)
            yield plain({**rows.hour_values(next(source)), "site": f"Site {site}",
                         "time_utc": moment, "landing_utc": moment})  # fmt: skip


def insert(db: sqlite3.Connection, table: str, values: list[dict[str, Any]]) -> None:
    names = list(values[0])
    marks = ",".join("?" * len(names))
    db.executemany(f"INSERT INTO {table} ({','.join(names)}) VALUES ({marks})",
                   [tuple(v[n] for n in names) for v in values])  # fmt: skip


def fill(path: Path, cycles: int, with_hours: int) -> None:
    """Write everything but the newest cycle."""
    made = island_hours()
    print(f"{len(made)} scored hours to copy from, {len(made[0].checks)} checks each")
    templates = list(hours_of(made, FIRST))
    db = sqlite3.connect(path)
    db.execute("PRAGMA synchronous = OFF")
    db.execute("PRAGMA cache_size = -400000")
    begun = time.monotonic()
    for n in range(cycles - 1):
        reference = FIRST + n * BETWEEN
        row, cycle = n + 1, Cycle(reference, "skerra")
        insert(db, "cycles", [plain({
            "id": row, "watch": WATCH, "cycle_id": cycle.id, "model": "skerra",
            "reference_utc": reference, "saved_utc": reference + timedelta(hours=4),
            "passes": 1, "steps": 57, "role": "primary", "gaps": "[]", "remarks": "[]",
        })])  # fmt: skip
        files = [{"cycle_row": row, "position": p, "path": f"/f/{n}-{p}.grib2",
                  "sha256": f"{n:064x}", "size_bytes": 10**7} for p in range(5)]  # fmt: skip
        insert(db, "files", files)
        if n >= cycles - with_hours:
            shift = reference - FIRST
            moved = [
                {**t, "cycle_row": row,
                 "time_utc": sql_time(FIRST + shift + timedelta(hours=i % HOURS))}
                for i, t in enumerate(templates)
            ]  # fmt: skip
            insert(db, "hours", moved)
        life = n // 28  # a window lives for a week of cycles
        windows = [window(uid=f"w{life}-{w}", site=f"Site {w % SITES}", cycle_id=cycle.id,
                          told=window()) for w in range(10)]  # fmt: skip
        insert(db, "windows", [plain({**rows.window_values(w), "cycle_row": row}) for w in windows])
        changes = [
            change(ChangeKind.MOVED, key=f"{n:08x}{c:04x}", window_uid=f"w{life}-{c}",
                   cycle_id=cycle.id, found_utc=reference + timedelta(hours=4))
            for c in range(2)
        ]  # fmt: skip
        insert(db, "changes", [plain({**rows.change_values(c), "cycle_row": row, "watch": WATCH,
                                      "position": i}) for i, c in enumerate(changes)])  # fmt: skip
        told = [plain({**rows.delivery_values(c.key, name, c.found_utc), "state": "sent",
                       "tries": 1, "sent_utc": c.found_utc})
                for c in changes for name in CHANNELS]  # fmt: skip
        insert(db, "deliveries", told)
        if n % 500 == 0:
            db.commit()
            print(f"{n} cycles, {path.stat().st_size / 1e6:.0f} MB, "
                  f"{time.monotonic() - begun:.0f} s", flush=True)  # fmt: skip
    db.commit()
    db.close()
    print(f"filled in {time.monotonic() - begun:.0f} s")


def save_last(store: Store, cycles: int) -> float:
    """The newest pass, by the store itself. [s]"""
    reference = FIRST + (cycles - 1) * BETWEEN
    source = again(island_hours())
    hours = [replace(next(source), site=f"Site {s}", time_utc=reference + timedelta(hours=n))
             for s in range(SITES) for n in range(HOURS)]  # fmt: skip
    cycle = Cycle(reference, "skerra")
    story = change(ChangeKind.OPENED, key="feed" * 3, window_uid="w-last", cycle_id=cycle.id,
                   found_utc=reference + timedelta(hours=4))  # fmt: skip
    begun = time.monotonic()
    store.save_pass(
        PassRecord(
            watch=WATCH,
            cycle=cycle,
            saved_utc=reference + timedelta(hours=4),
            hours=tuple(hours),
            windows=(window(uid="w-last", cycle_id=cycle.id),),
            changes=(story,),
            deliveries=((story.key, "phone"),),
            files=(SourceFile("/f/last.grib2", "ab" * 32, 1),),
        )
    )
    return time.monotonic() - begun


def timed(name: str, call: Callable[[], Any], times: int = 7) -> None:
    took = []
    for _ in range(times):
        begun = time.perf_counter()
        call()
        took.append(1e3 * (time.perf_counter() - begun))
    print(f"{name:46} first {took[0]:8.1f}  best {min(took):8.1f}  "
          f"median {statistics.median(took):8.1f} ms", flush=True)  # fmt: skip


def ask(store: Store, cycles: int) -> None:
    """Time what page and daemon ask for."""
    now = FIRST + (cycles - 1) * BETWEEN + timedelta(hours=5)
    timed(
        "hours of the newest cycle, without checks", lambda: store.hours(WATCH, with_checks=False)
    )
    timed("hours of the newest cycle, with checks", lambda: store.hours(WATCH))
    one = {"site": "Site 3", "from_utc": now, "until_utc": now + timedelta(hours=1)}
    timed("one hour with checks", lambda: store.hours(WATCH, None, **one))  # type: ignore[arg-type]
    timed("windows now", lambda: store.current_windows(WATCH))
    timed("history of a window", lambda: store.window_history(WATCH, f"w{cycles // 56}-3"))
    timed("newest cycle", lambda: store.latest_cycle(WATCH))
    timed("8 newest cycles with files", lambda: store.cycles(WATCH, last=8))
    timed(
        "changes of a cycle", lambda: store.changes(WATCH, Cycle(now - 50 * BETWEEN, "skerra").id)
    )
    timed("the 60 newest changes", lambda: store.changes(WATCH, last=60))
    timed("all changes", lambda: store.changes(WATCH), 3)
    timed(
        "closings of 16 days",
        lambda: store.changes_since(WATCH, now - timedelta(days=16), ChangeKind.CLOSED),
    )
    timed("trail of a notice", lambda: store.explain(f"{cycles // 2:08x}0001"))
    timed("acknowledge (unknown key)", lambda: _refused(store))
    timed("since when a channel fails", lambda: store.failing_since("phone"))
    timed("deliveries that wait", store.pending_deliveries)
    timed("figures of all channels", store.channel_figures)
    held = {"now_utc": now - timedelta(days=9999), "lease": timedelta(minutes=3)}
    timed("claim when nothing is due", lambda: store.claim_delivery(CHANNELS, **held))  # type: ignore[arg-type]
    _claim(store, now)


def _claim(store: Store, now: datetime) -> None:
    begun = time.perf_counter()
    claim = store.claim_delivery(CHANNELS, now_utc=now, lease=timedelta(minutes=3))
    print(f"claim the one that is due: {1e3 * (time.perf_counter() - begun):.1f} ms")
    assert claim is not None
    assert Message("", "", claim.delivery.change.key).key == "feed" * 3
    store.mark_sent(claim, now_utc=now)


def _refused(store: Store) -> None:
    try:
        store.acknowledge("ffffffffffff", by_whom="x", now_utc=FIRST)
    except StorageError:
        return


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    asked.add_argument("file", type=Path)
    asked.add_argument("--cycles", type=int, default=10_000)
    asked.add_argument("--with-hours", type=int, default=360)
    given = asked.parse_args()
    if given.file.exists():
        sys.exit(f"{given.file} is there already")
    store = open_store(sqlite_url(given.file))
    store.upgrade()
    fill(given.file, given.cycles, given.with_hours)
    print(f"saving the newest pass: {save_last(store, given.cycles):.2f} s")
    size = given.file.stat().st_size
    print(
        f"file {size / 1e6:.0f} MB; {size / given.with_hours / 1e3:.0f} kB for each cycle with "
        f"hours, {size / given.cycles / 1e3:.0f} kB for each cycle"
    )
    ask(store, given.cycles)
    begun = time.perf_counter()
    dropped = store.drop_old_hours(WATCH, FIRST + (given.cycles - given.with_hours + 1) * BETWEEN)
    print(f"hours of {dropped} cycle(s) dropped in {time.perf_counter() - begun:.2f} s")
    store.close()


if __name__ == "__main__":
    main()
