"""From the last needed step published to the notice delivered. By hand:

    export PYTHONPATH=.:tests
    python tests/benchmarks/end_to_end.py FOLDER --sites 5 --days 7 --draws 8

A made ensemble of 31 members, named and laid out as GEFS is, stands on a provider on the
loopback; all of its steps but the last were published, fetched and checked before. Then the
last one appears, and the time runs until a real sink on the loopback has the notice: fetch,
check, decode, fly, score, store, word, send. The pass runs in a process of its own, as in the
daemon. Waiting out of politeness (100 requests a minute at the real host) costs nothing here,
and the poll that finds the step is not counted. Real flights, on steady made air.
"""

import argparse
import os
import resource
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from random import Random
from typing import Any

import provider as loopback
from fetching import QUICK, Pastime, served
from grib_maker import Box, Message, encode
from provider import Provider, Sample, provider
from sink import Sink

from windowwatch.child import ChildLimits
from windowwatch.clock import SimulatedClock
from windowwatch.forecast.download.fetch import Fetcher, World
from windowwatch.forecast.download.wanted import needed_steps
from windowwatch.logs import LogStyle
from windowwatch.notices.values import Channel
from windowwatch.scoring.values import Site
from windowwatch.settings.read import read_settings
from windowwatch.storage.engine import sqlite_url
from windowwatch.storage.store import open_store
from windowwatch.watch.pipeline import PassResult
from windowwatch.watch.polling.network import NetworkPlan, NetworkWatcher
from windowwatch.watch.run.between import between_passes
from windowwatch.watch.run.processes import Fetched, pass_fetched_in, pass_in_child
from windowwatch.watch.values import Span
from windowwatch.wording.checks import refusal_words

CONFIG = Path(__file__).parents[2] / "config"
CYCLE = datetime(2026, 5, 4, 12, tzinfo=UTC)
NOW = datetime(2026, 5, 4, 18, 45, tzinfo=UTC)
AREA = (43.0, -38.0, 49.0, -32.0)
BOX = Box(north=49.0, west=322.0, rows=13, columns=13, step=0.5)
MEMBERS = tuple(range(31))
A_LEVELS = (1000, 925, 850, 700, 500, 300, 250, 200, 100, 50, 10)
B_LEVELS = (600, 400, 150, 70, 30, 20)
SITES = (
    ("Brackwater", 46.10, -36.60, 12.0),
    ("Millfield", 45.60, -35.90, 140.0),
    ("Highmoor", 46.70, -35.50, 420.0),
    ("Third Field", 45.80, -35.40, 120.0),
    ("Fourth Field", 46.30, -35.00, 160.0),
)
_NOT_ASKED = {
    *("gust", "ceiling", "visibility"),
    *("built_up", "hazard_line", "forest", "slope", "crew", "walk", "arrival_daylight"),
}
_NUMBERS = {"u": (2, 2), "v": (2, 3), "t": (0, 0), "gh": (3, 5)}
_NEAR = {
    "10u": ((2, 2, 103, 10), 1.5),
    "10v": ((2, 3, 103, 10), -1.0),
    "2t": ((0, 0, 103, 2), 286.0),
    "prmsl": ((3, 1, 101, 0), 101_800.0),
    "sp": ((3, 0, 1, 0), 100_600.0),
    "total cloud": ((6, 1, 1, 0), 10.0),
    "cape": ((7, 6, 1, 0), 0.0),
}


@cache
def template(what: str, level: int, member: int) -> bytes:
    """A message at step 0; members differ by up to 3 m/s."""
    height = 44_330.0 * (1.0 - (level / 1013.25) ** 0.19) if level else 0.0
    own = (member - 15) / 5.0
    values = {"u": 7.0 + own, "v": -2.0 + own / 2.0, "t": 288.0 - 6.0e-3 * min(height, 11e3),
              "gh": height}.get(what) if level else _NEAR[what][1]  # fmt: skip
    assert values is not None
    packing: dict[str, Any] = {"packingType": "grid_simple", "bitsPerValue": 12}
    message = Message(what, 0, values, level, member=member, members=31, keys=packing)
    return encode(message, BOX)


def at_step(data: bytes, step: int) -> bytes:
    """The message with another forecast time: octets 19 to 22 of section 4 (FM 92 GRIB 2)."""
    place = 16
    while data[place + 4] != 4:
        place += int.from_bytes(data[place : place + 4], "big")
    return data[: place + 18] + step.to_bytes(4, "big") + data[place + 22 :]


@cache
def rain(step: int, member: int) -> bytes:
    return encode(Message("rain", step, 0.0, member=member, members=31,
                          window=(max(step - 3, 0), step)), BOX)  # fmt: skip


def messages(step: int, member: int, levels: tuple[int, ...], *, near: bool) -> Iterator[Sample]:
    """What one file holds."""
    day = f"{CYCLE:%Y%m%d%H}"
    for level in levels:
        for what, (category, number) in _NUMBERS.items():
            data = at_step(template(what, level, member), step)
            yield Sample(data, (0, category, number, 100, level * 100), step, step, member, day)
    if near:
        for what, ((category, number, surface, height), _) in _NEAR.items():
            data = at_step(template(what, 0, member), step)
            yield Sample(data, (0, category, number, surface, height), step, step, member, day)
        if step:
            yield Sample(rain(step, member), (0, 1, 8, 1, 0), step - 3, step, member, day)


def fill(its: Provider, steps: tuple[int, ...]) -> None:
    for step in steps:
        for member in MEMBERS:
            run = f"p{member:02d}" if member else "c00"
            for letter, levels in (("a", A_LEVELS), ("b", B_LEVELS)):
                path = (f"gefs.{CYCLE:%Y%m%d}/{CYCLE:%H}/atmos/pgrb2{letter}p5/"
                        f"ge{run}.t{CYCLE:%H}z.pgrb2{letter}.0p50.f{step:03d}")  # fmt: skip
                its.add(path, step, tuple(messages(step, member, levels, near=letter == "a")))


def _cpu_s() -> float:
    """CPU time of this process and of its children that have ended. [s]"""
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(each.ru_utime + each.ru_stime for each in used)


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    asked.add_argument("folder", type=Path)
    asked.add_argument("--sites", type=int, default=5)
    asked.add_argument("--days", type=int, default=7)
    asked.add_argument("--draws", type=int, default=8)
    given = asked.parse_args()
    # The made grid is no larger than what is asked for: the filter has nothing to cut away.
    loopback.cut_out = lambda data, *_box: data
    given.folder.mkdir(parents=True, exist_ok=True)
    url = sqlite_url(given.folder / "w.sqlite3")
    settings = read_settings(CONFIG / "skerra.toml")
    sites = tuple(Site(*each, "America/Noronha") for each in SITES[: given.sites])
    with provider() as host, Sink() as sink:
        watch = replace(
            settings.watch,
            model="gefs",
            sites=sites,
            others=(),
            span=Span(timedelta(hours=1), given.days, None, None),
            draws=given.draws,
            channels=(Channel("phone", sink.url),),
            rules=replace(settings.watch.rules, confirm_cycles=1),
            # What GEFS does not forecast, and the ground file of three sites does not know of
            # five, cannot be asked.
            ground=replace(settings.watch.ground, rasters=None),
            plan=replace(
                settings.watch.plan,
                limits={k: v for k, v in settings.watch.plan.limits.items() if k not in _NOT_ASKED},
            ),
        )
        its = served("gefs", 0, [host], ())
        products = tuple(replace(p, levels_hpa=dict.fromkeys(_NUMBERS, tuple(map(float, levels))))
                         for p, levels in zip(its.routes[0].products, (A_LEVELS, B_LEVELS),
                                              strict=True))  # fmt: skip
        its = replace(its, routes=(replace(its.routes[0], products=products, workers=4),))
        hours = watch.span.hours(NOW)
        steps = needed_steps(its, CYCLE, hours[0], hours[-1])
        begun = time.monotonic()
        fill(host, steps)
        print(f"{len(hours)} hours x {len(sites)} sites x 31 members x {given.draws} draws = "
              f"{len(hours) * len(sites) * 31 * given.draws:,} flights; {len(steps)} steps, "
              f"{sum(len(f) for f in host.files.values()):,} messages made in "
              f"{time.monotonic() - begun:.0f} s", flush=True)  # fmt: skip
        store = open_store(url)
        store.upgrade()
        clock, pastime = SimulatedClock(NOW), Pastime()
        fetcher = Fetcher(QUICK, World(clock, pastime.tick, pastime.sleep, Random(1)))
        limits = ChildLimits(timedelta(minutes=20), 8192)
        phases: dict[str, float] = {}

        def passing(fetched: Fetched, now_utc: datetime) -> PassResult | None:
            phases["pass begins"] = time.monotonic()
            work = (fetched, watch, url, now_utc)
            result = pass_in_child(pass_fetched_in, work, limits, style=LogStyle())
            phases["pass done"] = time.monotonic()
            return result

        plan = NetworkPlan(its, given.folder / "fetched", AREA, partial_every=timedelta(days=1))
        watcher = NetworkWatcher(
            watch, store, clock, plan=plan, fetcher=fetcher,
            passing=lambda _fetched, _now: None,
        )  # fmt: skip
        host.upto_h = steps[-2]
        begun = time.monotonic()
        watcher.look()
        print(f"all but the last step fetched and checked in {time.monotonic() - begun:.0f} s, "
              f"{len(host.log)} requests", flush=True)  # fmt: skip
        watcher.passing = passing
        clock.set(NOW + timedelta(minutes=5))
        host.upto_h = steps[-1]
        asked_before = len(host.log)
        begun, cpu_s = time.monotonic(), _cpu_s()
        result = watcher.look()
        if result is None:
            sys.exit("no pass was made")
        between_passes(store, watch, clock)
        done = time.monotonic()
        print(f"last step: fetched and checked {phases['pass begins'] - begun:.1f} s "
              f"({len(host.log) - asked_before} requests), pass "
              f"{phases['pass done'] - phases['pass begins']:.1f} s, delivered "
              f"{done - phases['pass done']:.1f} s; in all {done - begun:.1f} s, "
              f"{_cpu_s() - cpu_s:.1f} s of CPU")  # fmt: skip
        refused = sum(hour.refused is not None for hour in result.hours)
        print(f"{len(result.hours)} hours, {refused} refused, {result.flights:,} flights, "
              f"{len(result.changes)} change(s), {len(sink.received)} notice(s); load "
              f"{os.getloadavg()[0]:.1f}")  # fmt: skip
        for hour in result.hours:
            if hour.refused:
                print(refusal_words(hour.refused))
                break
        store.close()
        fetcher.close()


if __name__ == "__main__":
    main()
