"""Work in a process of its own: what it answers, and all the ways in which it can end."""

import os
import signal
import subprocess
import sys
import time
from datetime import timedelta
from pathlib import Path

import child_work
import pytest
from children import living_children
from patience import AN_HOUR_S, PATIENCE_S

from windowwatch.child import (
    NICER_BY,
    Child,
    ChildDiedError,
    ChildFaultError,
    ChildLimits,
    ChildMemoryError,
    ChildStoppedError,
    ChildTimeoutError,
    in_child,
)
from windowwatch.errors import InputError, StorageError
from windowwatch.watch.flying import PassStoppedError
from windowwatch.watch.run.processes import pass_in_child

LIMITS = ChildLimits(timedelta(seconds=PATIENCE_S), 1500)


def alive() -> int:
    return len(living_children())


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
    with pytest.raises(ChildDiedError, match=r"died: signal 11 \(SIGSEGV\)") as caught:
        in_child(child_work.die, (signal.SIGSEGV,), LIMITS)
    assert caught.value.retry
    assert alive() == 0


def test_a_fault_of_ours_is_named() -> None:
    fault = "a fault in a pass: ZeroDivisionError: division by zero"
    with pytest.raises(ChildFaultError, match=fault) as caught:
        in_child(child_work.divide, (), LIMITS, what="a pass")
    assert not caught.value.retry


def test_what_cannot_be_called_or_answered_is_a_fault_too() -> None:
    with pytest.raises(ChildFaultError, match="ModuleNotFoundError: No module named 'nowhere'"):
        in_child("nowhere:work", (), LIMITS)
    with pytest.raises(ChildDiedError, match="exit code 1"):
        in_child(child_work.give_what_cannot_cross, (), LIMITS)


def test_too_long_and_deaf() -> None:
    begun = time.monotonic()
    with pytest.raises(ChildTimeoutError, match=r"took longer than 0\.05 min"):
        in_child(child_work.die_deaf, (), ChildLimits(timedelta(seconds=3)))
    assert time.monotonic() - begun < PATIENCE_S, "it would sleep for an hour"
    assert alive() == 0


def test_too_much_memory() -> None:
    assert in_child(child_work.fill_memory, (800,), LIMITS) == 100_000_000
    with pytest.raises(ChildMemoryError, match="more memory than the 1500 MB it is given"):
        in_child(child_work.fill_memory, (1600,), LIMITS)


def test_stopping_ends_it_at_once() -> None:
    begun = time.monotonic()
    with pytest.raises(ChildStoppedError):
        in_child(
            child_work.sleep, (AN_HOUR_S,), ChildLimits(timedelta(seconds=AN_HOUR_S), 1500),
            stopping=lambda: time.monotonic() > begun + 1.0,
        )  # fmt: skip
    with pytest.raises(PassStoppedError, match="nothing of it is stored"):
        pass_in_child(child_work.sleep, (AN_HOUR_S,), LIMITS, stopping=lambda: True)
    assert time.monotonic() - begun < PATIENCE_S, "it would sleep for an hour"
    assert alive() == 0


PARENT = """
import sys, child_work
from datetime import timedelta
from windowwatch.child import ChildLimits, in_child
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


def test_one_child_does_many_calls_and_another_one_follows_a_death() -> None:
    with Child(LIMITS) as child:
        first = child.call(child_work.own_pid, ())
        again: int = child.call("child_work:own_pid", ())
        assert again == first
        assert living_children() == [first]
        with pytest.raises(StorageError):
            child.call(child_work.refuse, ())
        assert child.call(child_work.own_pid, ()) == first, "an error of ours ends no child"
        with pytest.raises(ChildDiedError):
            child.call(child_work.die, (signal.SIGKILL,))
        assert child.call(child_work.own_pid, ()) not in (first, os.getpid())
    assert alive() == 0


def test_a_child_that_nobody_holds_any_more_ends() -> None:
    child = Child(LIMITS)
    child.call(child_work.double, (1,))
    assert alive() == 1
    del child
    assert alive() == 0


def test_a_child_may_have_a_child() -> None:
    assert in_child(child_work.double_in_a_child, (21,), LIMITS) == 42


def test_words_printed_by_accident_do_not_get_among_the_answers() -> None:
    assert in_child(child_work.print_and_double, (21,), LIMITS) == 42


def test_progress_without_end_does_not_outlive_the_limit() -> None:
    limits = ChildLimits(timedelta(seconds=2))
    with pytest.raises(ChildTimeoutError):
        in_child(child_work.tell_for_ever, (), limits, progress=lambda _words, _share: None)


def test_no_room_for_another_process_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "executable", "/nowhere/python")
    with pytest.raises(ChildDiedError, match=r"no process can be started \(No such file") as caught:
        in_child(child_work.double, (1,), LIMITS)
    assert caught.value.retry
