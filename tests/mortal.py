"""A week that may be killed at any moment: lives are forked by a process that does nothing else.

Run as ``python mortal.py DATABASE SINK FOLDER [lanes]``; with `lanes` every channel delivers on
a thread of its own, as in the daemon. A line on standard input begins a life; it
says its process number once it works. The next line asks how it ended; until then its number
stays its own. Forking spares each life its imports, and is safe because the process that forks
has one thread and no open database.
"""

import os
import sys
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path

from invented import HIGHMOOR, MILLFIELD
from patience import PATIENCE_S
from week import BETWEEN, Week, watch_of

from windowwatch.notices.lanes import Lanes
from windowwatch.notices.values import Channel
from windowwatch.scoring.values import Site
from windowwatch.storage.store import open_store
from windowwatch.watch.values import Watch
from windowwatch.windows.decisions import Decision

START = datetime(2026, 5, 1, tzinfo=UTC)
DAY = datetime(2026, 5, 6, tzinfo=UTC)
CYCLES = 19
CHANNELS = ("phone", "mail", "chat", "pager")
SITES = (MILLFIELD, HIGHMOOR, Site("Brackwater", 46.1, -36.6, 12.0, "America/Noronha"))


def weather(site: str, moment: datetime, number: int) -> tuple[float, str]:
    """Windows that move every third cycle, and one that comes and goes."""
    shift = 3 * (number // 3 % 2) + len(site) % 3
    if site == "Highmoor" and number % 8 in (5, 6):
        return 0.0, "precipitation"
    return (80.0, "gust") if 6 + shift <= moment.hour < 12 + shift else (0.0, "daylight")


def mortal_watch(folder: Path, sink: str) -> Watch:
    """Some channels, and a decision."""
    channels = [Channel(name, f"{sink}/{name}") for name in CHANNELS]
    tell = Decision("tell air traffic", timedelta(hours=24), reminders=0)
    return watch_of(folder, SITES, channels, [tell])


def live(
    url: str, watch: Watch, begun: Callable[[], None] = lambda: None, *, side_by_side: bool = False
) -> None:
    """Go on where the last life ended, to the end of the week; `begun` is called at work."""
    lanes = Lanes(time.monotonic, wait_s=PATIENCE_S)
    store = open_store(url)
    store.upgrade()
    begun()
    week = Week(store, watch, weather, START, DAY)
    if side_by_side:
        week.deliver = lanes.deliver
    done = -1
    latest = store.latest_cycle(watch.name)
    if latest is not None:
        done = (latest.reference_utc - START) // BETWEEN
    week.run(range(done + 1, CYCLES))
    store.close()


def main(url: str, sink: str, folder: str, how: str = "") -> None:
    """Give lives as they are asked for."""
    watch = mortal_watch(Path(folder), sink)
    while sys.stdin.readline():
        life = os.fork()
        if life == 0:
            begun = partial(print, os.getpid(), flush=True)
            live(url, watch, begun, side_by_side=how == "lanes")
            os._exit(0)
        sys.stdin.readline()
        print(os.waitpid(life, 0)[1], flush=True)


if __name__ == "__main__":
    main(*sys.argv[1:])
