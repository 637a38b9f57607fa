"""A pass is saved whole or not at all, also when its process is killed in the middle."""

import os
import signal
import sqlite3
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path
from random import Random

from invented import WATCH, at, hour, record, window

from windowwatch.storage.cycles import PassRecord
from windowwatch.storage.store import Store, open_store
from windowwatch.windows.values import ChangeKind

ROUNDS = 6
HOURS = 432  # three sites of 144 hours

PLACES = [str(Path(__file__).parent), *filter(None, sys.path)]

SAVER = """
import sys
from test_kill import big_pass
from windowwatch.storage.store import open_store

store = open_store(sys.argv[1])
number = int(sys.argv[2])
while True:
    record = big_pass(number)
    print("begin", number, flush=True)
    store.save_pass(record)
    print("saved", number, flush=True)
    number += 1
"""


def big_pass(number: int) -> PassRecord:
    """A pass of usual size."""
    base = record(number)
    hours = tuple(hour(at(i % 144), site=f"site {i // 144}") for i in range(HOURS))
    first = base.changes[0]
    moved = (
        replace(first, key=f"{first.key}-{i}", kind=ChangeKind.MOVED, before=window())
        for i in range(4)
    )
    changes = (first, *moved)
    pairs = tuple((c.key, name) for c in changes for name in ("phone", "mail"))
    return record(number, hours=hours, changes=changes, deliveries=pairs)


def test_killed_while_saving(store: Store, store_url: str) -> None:
    random = Random(20260504)
    store.close()
    begun = saved = interrupted = 0
    for _ in range(ROUNDS):
        first = begun = saved
        process = subprocess.Popen(
            [sys.executable, "-c", SAVER, store_url, str(first)],
            stdout=subprocess.PIPE,
            text=True,
            env={**os.environ, "PYTHONPATH": os.pathsep.join(PLACES)},
        )
        assert process.stdout is not None
        assert process.stdout.readline().startswith("begin")
        time.sleep(random.uniform(0.0, 0.12))
        process.send_signal(signal.SIGKILL)
        said = process.stdout.read().splitlines()
        process.stdout.close()
        assert process.wait() == -signal.SIGKILL
        begun = max([first, *(int(line.split()[1]) for line in said if "begin" in line)])
        told = {int(line.split()[1]) for line in said if line.startswith("saved")}

        reopened = open_store(store_url)
        there = len(reopened.cycles(WATCH))
        assert max(told, default=first - 1) + 1 <= there <= begun + 1
        interrupted += there == begun
        for number in range(first, there):
            expected = big_pass(number)
            assert reopened.hours(WATCH, expected.cycle.id) == expected.hours
            assert reopened.windows(WATCH, expected.cycle.id) == expected.windows
            assert reopened.changes(WATCH, expected.cycle.id) == expected.changes
            for change in expected.changes:
                assert len(reopened.deliveries(change.key)) == 2
        assert len(reopened.changes(WATCH)) == 5 * there
        assert sum(reopened.pending_deliveries().values()) == 10 * there
        reopened.close()
        saved = there
    assert interrupted > 0, "no kill fell into a save; the test shows nothing"
    if store_url.startswith("sqlite"):
        path = Path(store_url.removeprefix("sqlite:///"))
        with sqlite3.connect(path) as connection:
            assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
            assert connection.execute("PRAGMA foreign_key_check").fetchall() == []
        connection.close()
