"""What tests let a child process do."""

import os
import signal
import time
from collections.abc import Callable, Sequence
from datetime import timedelta
from pathlib import Path

import numpy as np
from patience import AN_HOUR_S

from windowwatch.child import ChildLimits, in_child
from windowwatch.errors import StorageError
from windowwatch.forecast.download.checked import check_file
from windowwatch.forecast.download.wanted import Item, Wanted
from windowwatch.forecast.grib.framing import Framing
from windowwatch.forecast.grib.grid import Area
from windowwatch.forecast.notes import Notes


def double(number: int) -> int:
    return 2 * number


def own_pid() -> int:
    return os.getpid()


def double_in_a_child(number: int) -> int:
    return in_child(double, (number,), ChildLimits(timedelta(seconds=20)))


def print_and_double(number: int) -> int:
    print("by accident", flush=True)
    os.write(1, b"by accident")
    return 2 * number


def tell_for_ever(progress: Callable[[str, float], None]) -> None:
    while True:
        progress("still at it", 0.5)


def give_what_cannot_cross() -> object:
    return lambda: 1


def niceness() -> int:
    return os.getpriority(os.PRIO_PROCESS, 0)


def sleep(seconds: float) -> None:
    time.sleep(seconds)


def die(number: int) -> None:
    os.kill(os.getpid(), number)


def die_building(_asked: object, progress: Callable[[str, float], None]) -> None:
    progress("reading the map", 0.0)
    os.kill(os.getpid(), signal.SIGKILL)


def lack_memory(_asked: object, progress: Callable[[str, float], None]) -> float:
    progress("reading the map", 0.0)
    return float(np.ones(1 << 58).sum())


def die_deaf() -> None:
    """A child that does not listen to SIGTERM."""
    signal.signal(signal.SIGTERM, signal.SIG_IGN)
    time.sleep(AN_HOUR_S)


def refuse() -> None:
    raise StorageError("the disk is full", retry=True)


def divide() -> float:
    return 1 / 0


def fill_memory(mb: int) -> int:
    return int(np.ones(mb * 1_000_000 // 8).size)


def write_pid_and_sleep(path: str) -> None:
    with open(path, "w", encoding="utf-8") as file:  # noqa: PTH123
        file.write(str(os.getpid()))
    time.sleep(AN_HOUR_S)


def tell_and_double(number: int, progress: Callable[[str, float], None]) -> int:
    progress("half of it", 0.5)
    progress("all of it", 1.0)
    return 2 * number


def check_or_die(
    path: Path, item: Item, area: Area, *, asked: Sequence[Wanted] | None
) -> tuple[Framing, Notes]:
    """As the check of a fetched file; but some files kill, or keep for ever, who reads them."""
    if "crash" in path.name:
        os.kill(os.getpid(), signal.SIGSEGV)
    if "endless" in path.name:
        time.sleep(AN_HOUR_S)
    return check_file(path, item, area, asked=asked)
