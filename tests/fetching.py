"""What tests of fetching share: a world in which waiting costs nothing, a ledger in memory."""

import threading
import time
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from random import Random

from provider import Provider

from windowwatch.clock import SimulatedClock
from windowwatch.forecast.download.catalogue import Model, Route, model
from windowwatch.forecast.download.collect import Collector
from windowwatch.forecast.download.fetch import Fetcher, RetryPolicy, World
from windowwatch.forecast.download.ledger import CycleState, KeptFile

#: Levels of the samples, and of their members. [hPa]
LEVELS: tuple[float, ...] = (1000, 975, 950, 925, 900, 850, 800, 700, 600, 500, 400, 300)
LEVELS += (250, 200, 150, 100, 70, 50, 30, 20, 10, 5)
MEMBER_LEVELS: tuple[float, ...] = (1000, 925, 850, 700, 500, 300, 200, 100, 50, 20, 10, 5)
#: The whole grid of the samples, and a part of it.
AREA = (43.0, -38.0, 49.0, -32.0)
PART = (45.2, -36.8, 47.1, -34.2)
QUICK = RetryPolicy(connect_s=10.0, read_s=20.0, whole_s=60.0, tries=4)


@dataclass
class Pastime:
    """Sleeping moves the clock and nothing else."""

    slept: list[float] = field(default_factory=list)
    ahead_s: float = 0.0
    lock: threading.Lock = field(default_factory=threading.Lock)

    def tick(self) -> float:
        return time.monotonic() + self.ahead_s

    def sleep(self, seconds: float) -> None:
        with self.lock:
            self.slept.append(seconds)
            self.ahead_s += seconds


@dataclass
class MemoryLedger:
    """A ledger that lives as long as the test."""

    files: dict[tuple[str, datetime, str, str], KeptFile] = field(default_factory=dict)
    states: dict[tuple[str, datetime], CycleState] = field(default_factory=dict)

    def kept_files(self, model: str, cycle_utc: datetime) -> list[KeptFile]:
        return [f for f in self.files.values() if (f.model, f.cycle_utc) == (model, cycle_utc)]

    def keep_file(self, file: KeptFile) -> None:
        self.files[file.model, file.cycle_utc, file.route, file.item] = file

    def forget_file(self, file: KeptFile) -> None:
        self.files.pop((file.model, file.cycle_utc, file.route, file.item), None)

    def note_cycle(self, state: CycleState) -> None:
        self.states[state.model, state.cycle_utc] = state

    def cycle_states(self, model: str, limit: int = 40) -> list[CycleState]:
        mine = [s for s in self.states.values() if s.model == model]
        return sorted(mine, key=lambda s: s.cycle_utc, reverse=True)[:limit]


def served(name: str, route: int, hosts: list[Provider], levels: tuple[float, ...]) -> Model:
    """A model of the table whose one route leads to the loopback, on the levels served."""
    its = model(name)
    way = its.routes[route]
    roots = tuple((f"{h.url}/cgi-bin", h.url) for h in hosts)
    here = tuple(map(float, levels))
    products = tuple(replace(p, levels_hpa=dict.fromkeys(p.levels_hpa, here)) for p in way.products)
    return replace(its, routes=(replace(way, hosts=roots, products=products),))


#: Fetchers of the running test, for `close_all`.
_OPEN: list[Fetcher] = []


def close_all() -> None:
    while _OPEN:
        _OPEN.pop().close()


def register(fetcher: Fetcher) -> Fetcher:
    """Have a fetcher closed at the end of the test."""
    _OPEN.append(fetcher)
    return fetcher


@dataclass
class Bench:
    """A collector with everything it needs."""

    collector: Collector
    fetcher: Fetcher
    pastime: Pastime
    ledger: MemoryLedger

    def files(self) -> dict[str, bytes]:
        """What is kept, by item."""
        return {f.item: Path(f.path).read_bytes() for f in self.ledger.files.values()}


def bench(
    its: Model,
    folder: Path,
    *,
    area: tuple[float, float, float, float] = AREA,
    retry_policy: RetryPolicy = QUICK,
    ledger: MemoryLedger | None = None,
) -> Bench:
    """A collector by the model's first route."""
    pastime = Pastime()
    clock = SimulatedClock(datetime(2026, 5, 4, 17, tzinfo=UTC))
    world = World(clock, pastime.tick, pastime.sleep, Random(4))
    fetcher = Fetcher(retry_policy, world)
    register(fetcher)
    kept = ledger or MemoryLedger()
    route: Route = its.routes[0]
    collector = Collector(its, route, folder, area, kept, fetcher, clock.now)
    return Bench(collector, fetcher, pastime, kept)
