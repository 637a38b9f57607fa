"""Living processes that `windowwatch.child` started, from the tests or from a daemon of theirs."""

import os
from pathlib import Path

#: What stands in the command of a process that forks others, and in theirs.
_FORKS = "multiprocessing.forkserver"


def living_children(of: int | None = None, running: str = "windowwatch.child") -> list[int]:
    """Their process numbers; Linux only, as proc(5) describes it.

    Parameters
    ----------
    of
        The process that started them; this one if None.
    running
        What stands in their command.
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
        if int(parent) == of and state != "Z" and running in command:
            found.append(int(folder.name))
    return sorted(found)


def survey_workers() -> list[int]:
    """Processes of the workers of a survey that this process runs on its own machine.

    They are forked from one that has loaded what they need, itself a child of this one.
    """
    servers = living_children(running=_FORKS)
    return [worker for server in servers for worker in living_children(server, _FORKS)]
