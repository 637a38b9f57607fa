"""What fetching remembers across restarts: files kept, and how each cycle came in.

This floor knows no database; whoever keeps the ledger fits the protocol below.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Protocol


class CycleStage(StrEnum):
    """How far a cycle has come."""

    ABSENT = "absent"  #: looked for, nothing there
    PARTIAL = "partial"  #: some steps are here
    COMPLETE = "complete"  #: all needed steps are here
    GIVEN_UP = "given up"  #: stayed incomplete too long
    SUPERSEDED = "superseded"  #: a newer one came first


@dataclass(frozen=True)
class KeptFile:
    """A fetched and checked file.

    Parameters
    ----------
    model, route, item : str
        Where it belongs.
    cycle_utc : datetime
    step_h : int
    url : str
        Where it came from.
    path : str
        Where it lies.
    size_bytes : int
    sha256 : str
        Of its bytes when it was checked.
    kept_utc : datetime
    lacking : tuple of str
        Messages near the ground that were asked for and not there.
    """

    model: str
    cycle_utc: datetime
    route: str
    item: str
    step_h: int
    url: str
    path: str
    size_bytes: int
    sha256: str
    kept_utc: datetime
    lacking: tuple[str, ...] = ()


@dataclass(frozen=True)
class CycleState:
    """How a cycle came in, as last seen; under a name of its own also by one way alone.

    `absent_utc` is the last look at which it was not complete, `complete_utc` the first at
    which it was; together they bracket when it came. None where that was not seen.
    """

    model: str
    cycle_utc: datetime
    stage: CycleStage
    route: str
    steps_there: int
    steps_needed: int
    looked_utc: datetime
    absent_utc: datetime | None = None
    complete_utc: datetime | None = None


class Ledger(Protocol):
    """Keeps what fetching remembers. Every call is saved when it returns."""

    def kept_files(self, model: str, cycle_utc: datetime) -> Sequence[KeptFile]:
        """Files kept of a cycle."""

    def keep_file(self, file: KeptFile) -> None:
        """Remember a file; one of the same name is replaced."""

    def forget_file(self, file: KeptFile) -> None:
        """Forget a file."""

    def note_cycle(self, state: CycleState) -> None:
        """Remember how a cycle stands; replaces what was known of it."""

    def cycle_states(self, model: str, limit: int = 40) -> Sequence[CycleState]:
        """Newest cycles first."""
