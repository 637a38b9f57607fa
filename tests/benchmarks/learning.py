"""How long learning takes of a year of answers, and how large these are. By hand:

    export PYTHONPATH=.:tests
    python tests/benchmarks/learning.py FILE --days 365 --sites 5

Fills a SQLite file with made answers, four cycles a day of hourly launch hours a week ahead, then
times what a pass does once a day: reading them, and learning from them. Packed sizes are of made
weather that changes as red noise does.
"""

import argparse
import resource
import time
from datetime import timedelta
from pathlib import Path

from invented import cycle
from made_answers import FIRST, weather, weeks

from windowwatch.learning.learned import learn
from windowwatch.storage.engine import sqlite_url
from windowwatch.storage.learned import keep, pack
from windowwatch.storage.store import open_store

WATCH = "benchmark"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("file", type=Path)
    parser.add_argument("--days", type=int, default=365)
    parser.add_argument("--sites", type=int, default=5)
    given = parser.parse_args()
    names = tuple(f"site {n}" for n in range(given.sites))
    packed = sum(len(pack(weather(cycle(), name, seed=n))) for n, name in enumerate(names))
    print(f"{packed / 1e3:.0f} kB a cycle of {given.sites} sites x 168 h, packed")
    store = open_store(sqlite_url(given.file))
    store.upgrade()
    began, kept = time.perf_counter(), 0
    waiting = []
    for record in weeks(given.days, 1, names, sure=1.5):
        waiting.append(record)
        if len(waiting) == 20 * given.sites:
            with store.writing() as session:
                keep(session, WATCH, waiting)
            kept, waiting = kept + len(waiting), []
    print(f"{kept} records written in {time.perf_counter() - began:.1f} s")
    began = time.perf_counter()
    answers, faults = store.answers(WATCH)
    read = time.perf_counter() - began
    began = time.perf_counter()
    learned = learn(answers, FIRST + timedelta(days=given.days), faults=faults)
    print(
        f"read in {read:.1f} s ({answers.model.size} answers), learned in "
        f"{time.perf_counter() - began:.1f} s; {learned.hours} hours on {learned.days} days, "
        f"{len(learned.tables)} tables"
    )
    began = time.perf_counter()
    store.save_learned(WATCH, learned)
    again = store.learned_tables(WATCH)
    print(f"tables saved and read in {time.perf_counter() - began:.2f} s, same: {again == learned}")
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    print(f"file {given.file.stat().st_size / 1e6:.0f} MB, at most {most:.0f} MB of memory")
    store.close()


if __name__ == "__main__":
    main()
