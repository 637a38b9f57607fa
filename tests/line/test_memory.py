"""Freed arrays go back to the system."""

import subprocess
import sys
from pathlib import Path

import pytest

#: Frees one large array, then makes many of 6 MB in threads and frees all but some small ones.
SCRIPT = """
import sys, threading, numpy as np
if sys.argv[1] == "given back":
    from windowwatch.child import give_back_freed_arrays
    give_back_freed_arrays()
def resident():
    return int(open("/proc/self/statm").read().split()[1]) * 4096 / 1e6
del (large := [np.ones(3_500_000)])[:]
before, kept = resident(), []
def work():
    for _ in range(8):
        arrays = [np.ones(750_000) for _ in range(6)]
        kept.append(np.ones(10_000))
threads = [threading.Thread(target=work) for _ in range(4)]
for thread in threads: thread.start()
for thread in threads: thread.join()
print(resident() - before)
"""


@pytest.mark.skipif(not Path("/proc/self/statm").exists(), reason="there is no /proc here")
def test_after_work_the_memory_of_arrays_is_free_again() -> None:
    grown = {}
    for how in ("given back", "kept"):
        said = subprocess.run(
            [sys.executable, "-c", SCRIPT, how], check=True, capture_output=True, text=True
        )
        grown[how] = float(said.stdout)
    assert grown["given back"] < 15.0, grown  # what is kept in the end is 3 MB
