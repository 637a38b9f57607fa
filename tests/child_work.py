"""What tests let a child process do."""

import os
import signal
import time

import numpy as np

from windowwatch.errors import StorageError


def double(number: int) -> int:
    return 2 * number


def sleep(seconds: float) -> None:
    time.sleep(seconds)


def die(number: int) -> None:
    os.kill(os.getpid(), number)


def die_deaf() -> None:
    """A child that does not listen to SIGTERM."""
    signal.signal(signal.SIGTERM, signal.SIG_IGN)
    time.sleep(60)


def refuse() -> None:
    raise StorageError("the disk is full", retry=True)


def divide() -> float:
    return 1 / 0


def fill_memory(mb: int) -> int:
    return int(np.ones(mb * 1_000_000 // 8).size)


def write_pid_and_sleep(path: str) -> None:
    with open(path, "w", encoding="utf-8") as file:  # noqa: PTH123
        file.write(str(os.getpid()))
    time.sleep(60)
