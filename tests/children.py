"""Living processes that `windowwatch.child` started, from the tests or from a daemon of theirs."""

import os
from pathlib import Path


def living_children(of: int | None = None) -> list[int]:
    """Their process numbers; Linux only, as proc(5) describes it.

    Parameters
    ----------
    of
        The process that started them; this one if None.
    """
    found = []
    of = os.getpid() if of is None else of
    for folder in Path("/proc").glob("[0-9]*"):
        try:
            status = (folder / "stat").read_text(encoding="utf-8", errors="replace")
            command = (folder / "cmdline").read_text(encoding="utf-8", errors="replace")
        except OSError:  # it ended meanwhile
            continue
        state, parent = status.rpartition(")")[2].split()[:2]
        if int(parent) == of and state != "Z" and "windowwatch.child" in command:
            found.append(int(folder.name))
    return sorted(found)
