"""How long the page of a flight takes that has many reports. By hand:

    export PYTHONPATH=.:tests
    python tests/benchmarks/flight_page.py [REPORTS]

A flight of 30,000 reports in SQLite, asked for through the whole application. The first time all
of the track is read; after that only what is new of it: one more report comes each time. Times are
of the processor, the best of five.
"""

import sys
import tempfile
import time
from datetime import timedelta
from pathlib import Path

from made_flight import BEGAN, BEGUN, DOWN_MIN, report
from starlette.testclient import TestClient

from windowwatch import daemon
from windowwatch.clock import SimulatedClock
from windowwatch.settings.read import read_settings
from windowwatch.storage.store import ready_store
from windowwatch.web.app import create_app

ROOT = Path(__file__).resolve().parents[2]


def main(count: int) -> None:
    settings = read_settings(ROOT / "config" / "skerra.toml")
    with (
        tempfile.TemporaryDirectory() as folder,
        ready_store(f"sqlite:///{folder}/w.sqlite3") as store,
    ):
        store.begin_flight(BEGUN)
        last = 0.9 * DOWN_MIN
        many = [report(last * n / count) for n in range(count)]
        for n in range(0, count, 500):
            store.add_reports("flight", many[n : n + 500])
        clock = SimulatedClock(BEGAN + timedelta(minutes=last))
        store.follow("flight", clock.now())
        facts = daemon.page_facts(settings, looks=False)
        app = create_app(store, facts, clock)
        client = TestClient(app, base_url="http://127.0.0.1:8750", client=("127.0.0.1", 50_000))
        took = []
        for n in range(6):
            store.add_reports("flight", [report(last + 0.01 * (n + 1))])
            store.follow("flight", clock.now())
            if n == 0:
                forget()
            begun = time.process_time()
            answer = client.get("/flights/flight")
            took.append(time.process_time() - begun)
            assert answer.status_code == 200, answer.text
        print(f"{count} reports: first {1e3 * took[0]:.0f} ms, then {1e3 * min(took[1:]):.0f} ms")


def forget() -> None:
    """As after a start."""
    from windowwatch.storage import flights

    flights._TRACKS.clear()


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 30_000)
