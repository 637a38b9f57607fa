"""One fetch by a process of its own, for the tests that kill it: URL, folder, database."""

import sys
import time
from pathlib import Path
from random import Random

from fetching import AREA, LEVELS, QUICK, served
from provider import CYCLE, Provider

from windowwatch.clock import SystemClock
from windowwatch.forecast.download.collect import Collector
from windowwatch.forecast.download.fetch import Fetcher, World
from windowwatch.storage.store import open_store


def main(url: str, folder: str, database: str, steps: str) -> None:
    """Gather a cycle once, as the daemon does at a look."""
    store = open_store(database)
    store.upgrade()
    clock = SystemClock()
    fetcher = Fetcher(QUICK, World(clock, time.monotonic, time.sleep, Random(0)))
    its = served("gfs-0.25", 1, [Provider(url=url)], LEVELS)
    route = its.routes[0]
    collector = Collector(its, route, Path(folder), AREA, store.ledger(), fetcher, clock.now)
    haul = collector.gather(CYCLE, tuple(int(step) for step in steps.split(",")))
    fetcher.close()
    store.close()
    print("complete" if haul.complete else f"not complete: {haul.problems}")


if __name__ == "__main__":
    main(*sys.argv[1:])
