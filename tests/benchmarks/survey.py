"""What a survey costs: by part, by worker, on many workers, and for thirty years. By hand:

    export PYTHONPATH=.:tests:grib_samples
    python tests/benchmarks/survey.py parts     # read, lay, fly and score: CPU of one block
    python tests/benchmarks/survey.py workers   # one worker against two, overhead of a block
    python tests/benchmarks/survey.py many      # what the loop costs, and up to 1024 workers played
    python tests/benchmarks/survey.py table     # thirty years, fifty sites, hourly, from the parts

The archive is the invented one, made in the folder that `--folder` names. `workers` compares wall
times, so the machine must be quiet; all others count CPU, or serial time that a load makes longer.
In `many` Dask's own scheduler and client hand out blocks that only sleep, and every answer is
written as a block: what that costs is done one after the other, however many workers there are.
With it, and with the times of blocks that were really flown, surveys are played on many workers.
"""

import argparse
import asyncio
import heapq
import logging
import os
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import timedelta
from functools import partial
from pathlib import Path
from typing import Any

import distributed
import fsspec
import make_archive
import numpy as np
from fsspec.implementations.local import LocalFileSystem

from windowwatch.settings.read import read_settings
from windowwatch.survey.air import lay
from windowwatch.survey.archive import Archive
from windowwatch.survey.blocks import Shelf, block_bytes
from windowwatch.survey.flying import Reader, fly_block
from windowwatch.survey.names import Mapped
from windowwatch.survey.opening import open_archive
from windowwatch.survey.plan import AFTER, BEFORE, Block, Planned, planned
from windowwatch.survey.rows import State
from windowwatch.survey.run import Crew, run_blocks

DISTRIBUTED: Any = distributed
#: A large reanalysis: points of a degree, levels, fields on levels, bytes of a value as stored.
FINE_PER_DEG, FINE_LEVELS, FINE_FIELDS, FINE_BYTES = 4, 37, 5, 2


class Counting(LocalFileSystem):  # type: ignore[misc]
    """Files of this machine, with the bytes that are read of them."""

    protocol = "counting"
    cachable = False
    read_bytes = 0

    def cat_file(self, path: str, *args: Any, **more: Any) -> Any:
        """Read, and count."""
        content = super().cat_file(path, *args, **more)
        type(self).read_bytes += len(content)
        return content

    @classmethod
    def _strip_protocol(cls, path: Any) -> Any:
        return super()._strip_protocol(str(path).removeprefix("counting://"))


def survey_of(address: str, months: int) -> tuple[Planned, Archive]:
    """The demonstration's survey, its first months of spring alone."""
    watch = read_settings(Path("config/skerra.toml")).watch
    archive = open_archive(address)
    found = planned(watch, archive, Mapped(), (2024, 2024), step=timedelta(hours=3))
    return replace(found, blocks=found.blocks[2 : 2 + months]), archive


@dataclass
class Costs:
    """CPU of a block's parts. [s]"""

    read_s: float
    lay_s: float
    rest_s: float
    column_times: int
    values: int
    flown: int
    hours: int
    stored_bytes: int


def _cpu(work: Callable[[], Any]) -> tuple[float, Any]:
    begun = time.process_time()
    done = work()
    return time.process_time() - begun, done


def parts(address: str) -> Costs:
    """CPU of reading, laying out, and flying with scoring, and what they are of."""
    found, archive = survey_of(address, 1)
    block = found.blocks[0]
    fly_block(found.survey, archive, block)  # compiled, and in the disk's cache
    first, last = block.span_unix_s
    span = first - BEFORE.total_seconds(), last + AFTER.total_seconds()
    cut = archive.cut(block.area)
    read_s, raw = _cpu(lambda: Reader(archive, cut).span(*span))
    lay_s, _ = _cpu(lambda: lay(raw, last))
    whole_s, rows = _cpu(lambda: fly_block(found.survey, archive, block))
    fsspec.register_implementation("counting", Counting, clobber=True)
    counted = open_archive(f"counting://{address}")
    Counting.read_bytes = 0
    Reader(counted, cut).span(*span)
    costs = Costs(
        read_s, lay_s, max(whole_s - read_s - lay_s, 0.0),
        raw.time_unix_s.size * cut.latitude_deg.size * cut.longitude_deg.size,
        sum(values.size for values in (*raw.aloft.values(), *raw.near.values())),
        int(np.isin(rows.state, (State.GOOD, State.BAD, State.UNKNOWN)).sum()),
        int((rows.state != State.UNKNOWN).sum()), Counting.read_bytes,
    )  # fmt: skip
    print(f"block {block.key}: {rows.state.size} launch hours, {costs.flown} of them flown")
    print(f"  read and decode   {read_s:6.2f} s CPU  {1e9 * read_s / costs.values:6.1f} ns a value")
    print(f"  onto heights      {lay_s:6.2f} s CPU  "
          f"{1e6 * lay_s / costs.column_times:6.1f} us a column and time")  # fmt: skip
    print(f"  fly and score     {costs.rest_s:6.2f} s CPU  "
          f"{1e3 * costs.rest_s / costs.flown:6.2f} ms a flown hour of 12 flights")  # fmt: skip
    print(f"  stored bytes read {costs.stored_bytes / 1e6:.2f} MB, "
          f"{costs.stored_bytes / costs.hours:.0f} bytes an answered launch hour")  # fmt: skip
    return costs


def _into(marks: list[tuple[float, float]]) -> Callable[[Block, float], None]:
    """When each block was put down, and how long it took its worker."""
    return lambda _block, took_s: marks.append((time.perf_counter(), took_s))


def workers(address: str, months: int) -> None:
    """Wall time with one and two workers; what a block costs beside its own work."""
    found, _ = survey_of(address, months)
    walls = {}
    for count in (1, 2):
        marks: list[tuple[float, float]] = []
        with tempfile.TemporaryDirectory() as folder:
            run_blocks(found, Shelf(Path(folder)), Crew(count), watching=_into(marks))
        # from the first answer of each worker on, when all of them have what they need
        begun = marks[count - 1][0]
        walls[count] = (marks[-1][0] - begun) / (len(marks) - count)
        inside = sum(took for _, took in marks[count:]) / (len(marks) - count)
        print(f"{count} workers: a block every {walls[count]:.2f} s; in its worker {inside:.2f} s; "
              f"beside that {1e3 * (walls[count] * count - inside):.0f} ms; load "
              f"{os.getloadavg()[0]:.1f}")  # fmt: skip
    print(f"speed-up 1 to 2: {walls[1] / walls[2]:.2f}")


async def _asleep(seconds: float, size: int, _number: int) -> bytes:
    await asyncio.sleep(seconds)
    return bytes(size)


async def _many(
    count: int, blocks: int, seconds: float, size: int, shelf: Shelf
) -> tuple[float, float]:
    """Wall time, and CPU of scheduler, workers and client together, from the first block on."""
    cluster = DISTRIBUTED.LocalCluster(
        n_workers=count, threads_per_worker=1, processes=False, asynchronous=True,
        dashboard_address="127.0.0.1:0", silence_logs=logging.CRITICAL,
    )  # fmt: skip
    async with cluster, DISTRIBUTED.Client(cluster, asynchronous=True) as client:
        await client.gather(client.map(_asleep, [0.0] * count, [size] * count, range(count)))
        begun, cpu = time.perf_counter(), time.process_time()
        futures = [client.submit(_asleep, seconds, size, n, pure=False) for n in range(blocks)]
        done = 0
        async for future in DISTRIBUTED.as_completed(futures):
            content = await future
            shelf.put(Block(0, (), (0, 0, 0, 0), 1 + done // 12, 1 + done % 12, 0), content)
            done += 1
        return time.perf_counter() - begun, time.process_time() - cpu


def many(address: str, hurry: float) -> None:
    """What one block costs the loop, then recorded blocks on ever more workers that are played."""
    found, archive = survey_of(address, 3)
    recorded = []
    for block in found.blocks:
        seconds, rows = _cpu(partial(fly_block, found.survey, archive, block))
        recorded.append(seconds)
    size = len(block_bytes(rows, found.blocks[-1]))
    took_s, workers_asleep, blocks = float(np.mean(recorded)), 8, 128
    with tempfile.TemporaryDirectory() as folder:
        shelf = Shelf(Path(folder))
        wall, cpu = asyncio.run(_many(workers_asleep, blocks, took_s / hurry, size, shelf))
    serial_s = cpu / blocks
    print(
        f"recorded blocks of {took_s:.2f} s CPU and {size / 1e3:.0f} kB; {workers_asleep} workers "
        f"of Dask asleep: {1e3 * serial_s:.1f} ms CPU a block for scheduler, client and disk, "
        f"{1e3 * wall / blocks:.1f} ms by the clock; load {os.getloadavg()[0]:.1f}"
    )
    for longer, words in ((1.0, "as recorded"), (40.0, "40 times as long: hourly, fine, 50 sites")):
        print(f"  blocks {words}:")
        alone = played(1, 12 * 30 * 8, recorded, serial_s, longer)
        for count in (1, 2, 8, 16, 32, 64, 128, 256, 512, 1024):
            speed = alone / played(count, 12 * 30 * 8, recorded, serial_s, longer)
            print(f"    {count:5d} workers: {speed:7.1f} times one, {100 * speed / count:4.0f} %")


def played(count: int, blocks: int, recorded: list[float], serial_s: float, longer: float) -> float:
    """Wall time of a survey on so many workers; what hands out and writes does one at a time."""
    ready = [(0.0, worker) for worker in range(count)]
    free_s = last_s = 0.0
    for number in range(blocks):
        now_s, worker = heapq.heappop(ready)
        free_s = max(free_s, now_s) + serial_s
        last_s = free_s + longer * recorded[number % len(recorded)]
        heapq.heappush(ready, (last_s, worker))
    return max(each for each, _ in ready)


def table(costs: Costs) -> None:
    """Thirty years, fifty sites, every hour, from what the parts cost."""
    times, sites = 30 * 8_766, 50
    hours = times * sites
    flown = 0.55 * hours  # the others are in the dark
    ways = {
        "fifty sites in 8 x 8 degrees, read together": (20.0, 25.5, 1),
        "the same, each site read alone, or fifty sites far apart": (12.0, 17.5, 50),
    }
    for words, (high, wide, groups) in ways.items():
        points = (high * FINE_PER_DEG + 1) * (wide * FINE_PER_DEG + 1) * groups
        values = points * FINE_LEVELS * FINE_FIELDS * times
        read = values * FINE_BYTES
        core_s = (
            values * costs.read_s / costs.values
            + points * times * costs.lay_s / costs.column_times * FINE_LEVELS / 24.0
            + flown * costs.rest_s / costs.flown
        )
        each = read / core_s
        print(f"{words}: {read / 1e12:.2f} TB, {read / hours / 1e3:.0f} kB a launch hour, "
              f"{core_s / 3600:.0f} core hours; a core takes {each / 1e6:.0f} MB/s, so reading "
              f"limits from {118e6 / each:.0f} workers on at 1 Gbit/s, "
              f"{1180e6 / each:.0f} at 10 Gbit/s")  # fmt: skip


def main() -> None:
    """Run the command line."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("what", choices=("parts", "workers", "many", "table"))
    parser.add_argument("--folder", type=Path, default=Path(tempfile.gettempdir()))
    parser.add_argument("--months", type=int, default=8)
    parser.add_argument("--hurry", type=float, default=10.0)
    asked = parser.parse_args()
    address = str(make_archive.write(asked.folder))
    if asked.what == "many":
        many(address, asked.hurry)
        return
    if asked.what == "workers":
        workers(address, asked.months)
        return
    costs = parts(address)
    if asked.what == "table":
        table(costs)


if __name__ == "__main__":
    main()
