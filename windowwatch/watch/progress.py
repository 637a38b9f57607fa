"""What the daemon is doing just now, so that others may show it: words, share done, since when."""

import threading
from dataclasses import dataclass
from datetime import datetime

from windowwatch.clock import Clock


@dataclass(frozen=True)
class Doing:
    """What is being done.

    Attributes
    ----------
    words : str
        For example ``"gfs-0.25 2026-05-04 06Z: fetching, 12 of 57 files"``.
    share : float
        Share done, 0 to 1.
    since_utc : datetime
        When this run, all of its steps together, began.
    """

    words: str
    share: float
    since_utc: datetime


class PassProgress:
    """The newest word of whoever works, for whoever asks; may be shared by threads.

    It is called as `windowwatch.child.Progress` is; `now` is what a page shows.

    Parameters
    ----------
    clock : Clock
    """

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._doing: Doing | None = None

    def __call__(self, words: str, share: float) -> None:
        """Say what is done, and how much of it; shares outside 0 to 1 are brought inside."""
        inside = min(max(share, 0.0), 1.0)
        with self._lock:
            since = self._clock.now() if self._doing is None else self._doing.since_utc
            self._doing = Doing(words, inside, since)

    def done(self) -> None:
        """Say that nothing is being done any more."""
        with self._lock:
            self._doing = None

    def now(self) -> Doing | None:
        """What is being done, None when nothing is."""
        with self._lock:
            return self._doing
