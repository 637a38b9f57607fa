"""A watch of one site in the middle of the samples' grid, whose forecasts are fetched."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from random import Random

from fetching import QUICK, Pastime, register
from line_watch import settings_in

from windowwatch.clock import SimulatedClock
from windowwatch.forecast.download.catalogue import Model
from windowwatch.forecast.download.fetch import Fetcher, World
from windowwatch.notices.values import Channel
from windowwatch.scoring.values import Site
from windowwatch.settings.read import read_settings
from windowwatch.storage.store import Store
from windowwatch.watch.polling.network import NetworkPlan, NetworkWatcher
from windowwatch.watch.values import Span

#: Whole grid of the samples.
AREA = (43.0, -38.0, 49.0, -32.0)
#: Launch hours in the daylight of the day after the sample cycle, and the steps they need.
FIRST, LAST = datetime(2026, 5, 5, 8, tzinfo=UTC), datetime(2026, 5, 5, 20, tzinfo=UTC)
STEPS = tuple(range(15, 40, 3))
PHONE = Channel("phone", "none://")


def watcher(
    its: Model, folder: Path, store: Store, now: datetime, **patience: timedelta
) -> NetworkWatcher:
    """A watch of one site in the middle of the sample's grid."""
    watch = read_settings(settings_in(folder)).watch
    watch = replace(
        watch,
        model="gfs",
        sites=(Site("Millfield", 45.6, -35.9, 140.0, "UTC"),),
        span=Span(timedelta(hours=1), 6, FIRST, LAST),
        channels=(PHONE,),
    )
    pastime = Pastime()
    clock = SimulatedClock(now)
    fetcher = register(Fetcher(QUICK, World(clock, pastime.tick, pastime.sleep, Random(1))))
    plan = NetworkPlan(its, folder / "fetched", AREA, **patience)  # type: ignore[arg-type]
    return NetworkWatcher(watch, store, clock, plan=plan, fetcher=fetcher)


def at(hour: float, minute: int = 0) -> datetime:
    return datetime(2026, 5, 4, tzinfo=UTC) + timedelta(hours=hour, minutes=minute)
