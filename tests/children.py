"""Living processes that `windowwatch.child` started from the process of the tests."""

import os
from pathlib import Path


def living_children() -> list[int]:
    """Their process numbers; Linux only, as proc(5) describes it."""
    found = []
    for folder in Path("/proc").glob("[0-9]*"):
        try:
            status = (folder / "stat").read_text(encoding="utf-8", errors="replace")
            command = (folder / "cmdline").read_text(encoding="utf-8", errors="replace")
        except OSError:  # it ended meanwhile
            continue
        state, parent = status.rpartition(")")[2].split()[:2]
        if int(parent) == os.getpid() and state != "Z" and "windowwatch.child" in command:
            found.append(int(folder.name))
    return sorted(found)
