"""Work in a process of its own: what it answers, and all the ways in which it can end."""

import multiprocessing
import os
import signal
import subprocess
import sys
import time
from datetime import timedelta
from pathlib import Path

import child_work
import pytest
from patience import AN_HOUR_S, PATIENCE_S

from windowwatch.errors import InputError, StorageError
from windowwatch.watch.child import NICER_BY, ChildError, ChildLimits, in_child
from windowwatch.watch.pipeline import PassStoppedError

LIMITS = ChildLimits(timedelta(seconds=PATIENCE_S), 1500)


def alive() -> int:
    return len(multiprocessing.active_children())


def test_an_answer_and_an_error_of_ours_come_back_as_they_are() -> None:
    assert in_child(child_work.double, (21,), LIMITS) == 42
    with pytest.raises(StorageError, match="the disk is full") as caught:
        in_child(child_work.refuse, (), LIMITS)
    assert caught.value.retry
    assert alive() == 0


def test_a_child_lets_others_go_first() -> None:
    own = os.getpriority(os.PRIO_PROCESS, 0)
    assert in_child(child_work.niceness, (), LIMITS) == min(19, own + NICER_BY)


def test_a_crash_in_c_ends_the_child_only() -> None:
    with pytest.raises(ChildError, match=r"died: signal 11 \(SIGSEGV\)") as caught:
        in_child(child_work.die, (signal.SIGSEGV,), LIMITS)
    assert caught.value.retry
    assert alive() == 0


def test_a_fault_of_ours_is_named() -> None:
    with pytest.raises(ChildError, match="a fault in a pass: ZeroDivisionError: division by zero"):
        in_child(child_work.divide, (), LIMITS)


def test_too_long_and_deaf() -> None:
    begun = time.monotonic()
    with pytest.raises(ChildError, match=r"took longer than 0\.05 min"):
        in_child(child_work.die_deaf, (), ChildLimits(timedelta(seconds=3)))
    assert time.monotonic() - begun < PATIENCE_S, "it would sleep for an hour"
    assert alive() == 0


def test_too_much_memory() -> None:
    assert in_child(child_work.fill_memory, (800,), LIMITS) == 100_000_000
    with pytest.raises(ChildError, match="more memory than the 1500 MB it is given"):
        in_child(child_work.fill_memory, (1600,), LIMITS)


def test_stopping_ends_it_at_once() -> None:
    begun = time.monotonic()
    with pytest.raises(PassStoppedError):
        in_child(
            child_work.sleep, (AN_HOUR_S,), ChildLimits(timedelta(seconds=AN_HOUR_S), 1500),
            stopping=lambda: time.monotonic() > begun + 1.0,
        )  # fmt: skip
    assert time.monotonic() - begun < PATIENCE_S, "it would sleep for an hour"
    assert alive() == 0


PARENT = """
import sys, child_work
from datetime import timedelta
from windowwatch.watch.child import ChildLimits, in_child
if __name__ == "__main__":
    in_child(child_work.write_pid_and_sleep, (sys.argv[1],), ChildLimits(timedelta(hours=1)))
"""


def test_a_killed_daemon_leaves_no_pass_behind(tmp_path: Path) -> None:
    script, note = tmp_path / "parent.py", tmp_path / "pid"
    script.write_text(PARENT, encoding="utf-8")
    places = [str(Path(child_work.__file__).parent), *filter(None, sys.path)]
    parent = subprocess.Popen(
        [sys.executable, str(script), str(note)],
        env={**os.environ, "PYTHONPATH": os.pathsep.join(places)},
    )
    end = time.monotonic() + PATIENCE_S
    while not (note.exists() and note.read_text(encoding="utf-8")):
        assert time.monotonic() < end
        time.sleep(0.05)
    parent.kill()
    parent.wait()
    child = int(note.read_text(encoding="utf-8"))
    while Path(f"/proc/{child}").exists() and "zombie" not in _status(child):
        assert time.monotonic() < end, "the child lives on"
        time.sleep(0.05)


def _status(pid: int) -> str:
    try:
        return Path(f"/proc/{pid}/status").read_text(encoding="utf-8")
    except OSError:
        return "zombie"


def test_limits_of_no_use() -> None:
    with pytest.raises(InputError):
        ChildLimits(memory_mb=0)
