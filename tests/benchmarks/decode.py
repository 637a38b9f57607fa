"""How fast a cycle is read, against a bare ecCodes loop over the same messages. By hand:

    export PYTHONPATH=.:tests
    python tests/benchmarks/decode.py grib_samples/skerra-2026-05-04T00Z.grib2
    python tests/benchmarks/decode.py grib_samples/skerra*2026-05-04T12Z.grib2
    python tests/benchmarks/decode.py FOLDER/gfs.t12z.pgrbf120.2p5deg.grib2

The bare loop reads six keys and the values of every message and throws them away. "Laid out"
is everything up to the grids that flights see. Ratios of wall time (best of three), taken turn
about so that another load on the machine meets all of them; `--cpu` counts the time of all
processors instead, for a machine that is not quiet, where two processes gain nothing. Peak
memory of a process that does only this (Linux).
"""

import argparse
import os
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path

import eccodes

from windowwatch.forecast.grib.arrange import open_cycle
from windowwatch.forecast.grib.framing import walk
from windowwatch.forecast.sources import load_files

KEYS = (
    "discipline",
    "parameterCategory",
    "parameterNumber",
    "typeOfFirstFixedSurface",
    "scaledValueOfFirstFixedSurface",
    "endStep",
)


def bare(paths: Sequence[str]) -> int:
    """Read everything with ecCodes alone; how many fields there are."""
    count = 0
    eccodes.codes_grib_multi_support_on()
    for path in paths:
        with open(path, "rb") as file:  # noqa: PTH123 - ecCodes wants one with a name
            while (handle := eccodes.codes_grib_new_from_file(file)) is not None:
                for key in KEYS:
                    eccodes.codes_get_long(handle, key)
                eccodes.codes_get_values(handle)
                eccodes.codes_release(handle)
                count += 1
    eccodes.codes_grib_multi_support_off()
    return count


def cpu_s() -> float:
    """Time of the processors spent by this process and those that it waited for. [s]"""
    return sum(os.times()[:4])


def peak_mb(paths: Sequence[str], work: str) -> float:
    """Highest resident memory of a process that imports us and does one thing. [MB]"""
    found = subprocess.run(
        [sys.executable, __file__, "--peak", work, *paths],
        check=True, capture_output=True, text=True,
    )  # fmt: skip
    return float(found.stdout)


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("paths", nargs="+")
    ask.add_argument("--cpu", action="store_true", help="time of all processors")
    ask.add_argument("--peak", choices=("nothing", "bare", "load"))
    asked = ask.parse_args()
    paths: list[str] = asked.paths
    if asked.peak:
        if asked.peak == "bare":
            bare(paths)
        elif asked.peak == "load":
            load_files(paths, "x")
        status = Path("/proc/self/status").read_text(encoding="ascii")
        print(float(status.split("VmHWM:")[1].split()[0]) / 1024.0)
        return
    framings = [walk(path) for path in paths]
    works: dict[str, Callable[[], object]] = {
        "bare ecCodes loop": lambda: bare(paths),
        "opened, one process": lambda: open_cycle(framings, None, 1),
        "opened, two processes": lambda: open_cycle(framings, None, 2),
        "laid out, as a pass does it": lambda: load_files(paths, "x"),
    }
    took = dict.fromkeys(works, float("inf"))
    for work in works.values():
        work()
    clock = cpu_s if asked.cpu else time.perf_counter
    for _ in range(3):
        for name, work in works.items():
            start = clock()
            work()
            took[name] = min(took[name], clock() - start)
    print(f"{bare(paths)} fields in {len(paths)} file(s)")
    for name, seconds in took.items():
        print(f"{name:28s} {seconds:6.2f} s  {seconds / took['bare ecCodes loop']:5.2f}")
    for name in ("nothing", "bare", "load"):
        print(f"peak memory, {name:7s} {peak_mb(paths, name):6.0f} MB")


if __name__ == "__main__":
    main()
