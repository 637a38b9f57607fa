"""What fetching remembers across restarts, when cycles are due by it, and what is removed.

This floor knows no database; whoever keeps the ledger fits the protocol below.
"""

import shutil
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from pathlib import Path
from statistics import median
from typing import Protocol

from windowwatch.forecast.download.catalogue import Model
from windowwatch.forecast.notes import Notes

#: What takes the place of a route in the ledger for a cycle's NetCDF file.
STORE = "store"


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
    lacking : tuple of Note
        Messages near the ground that were asked for and are not there, or are over another
        interval than is documented.
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
    lacking: Notes = ()


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


#: An arrival is known well enough when the looks before and after it are this near together.
_BRACKET = timedelta(minutes=30)
#: How many arrivals are remembered, and from how many on they are believed.
_REMEMBERED, _ENOUGH = 12, 3
#: First steps are asked for a little before they are commonly there.
_EARLY = 0.95


@dataclass(frozen=True)
class Due:
    """When a cycle should be complete, and from how many arrivals that is known (0: table)."""

    at_utc: datetime
    learned_from: int


def cycles_between(model: Model, since_utc: datetime, now_utc: datetime) -> list[datetime]:
    """Cycles that began in a span of time, the newest first."""
    day = since_utc.replace(hour=0, minute=0, second=0, microsecond=0)
    found = []
    while day <= now_utc:
        found += [day + timedelta(hours=hour) for hour in sorted(model.steps)]
        day += timedelta(days=1)
    return [cycle for cycle in reversed(found) if since_utc <= cycle <= now_utc]


def first_due(model: Model, cycle_utc: datetime) -> datetime:
    """From when on the first steps of a cycle are worth asking for."""
    return cycle_utc + timedelta(minutes=_EARLY * model.after_min(cycle_utc.hour)[0])


def complete_due(model: Model, states: Sequence[CycleState], cycle_utc: datetime) -> Due:
    """When a cycle should be complete, by how earlier ones of the same hour came in.

    Where too few of that hour are known, all hours count together; where too few in all, the
    table does. The middle of the bracket counts as the arrival, the median as the rule.
    """
    delays = {
        state.cycle_utc: (state.absent_utc + (state.complete_utc - state.absent_utc) / 2)
        - state.cycle_utc
        for state in states
        if state.absent_utc is not None
        and state.complete_utc is not None
        and state.cycle_utc != cycle_utc
        and state.complete_utc - state.absent_utc <= _BRACKET
    }
    same_hour = {at: d for at, d in delays.items() if at.hour == cycle_utc.hour}
    known = same_hour if len(same_hour) >= _ENOUGH else delays
    newest = [known[at] for at in sorted(known, reverse=True)[:_REMEMBERED]]
    if len(newest) < _ENOUGH:
        return Due(cycle_utc + timedelta(minutes=model.after_min(cycle_utc.hour)[1]), 0)
    seconds = median(delay.total_seconds() for delay in newest)
    return Due(cycle_utc + timedelta(seconds=seconds), len(newest))


def next_words(model: Model, states: Sequence[CycleState], now_utc: datetime) -> str:
    """When the next cycle is looked for and should be complete, in words."""
    ahead = cycles_between(model, now_utc - timedelta(hours=24), now_utc + timedelta(hours=24))
    done = {state.cycle_utc for state in states if state.complete_utc is not None}
    waiting = [c for c in reversed(ahead) if c not in done and c > max(done, default=c)]
    if not waiting:
        waiting = [c for c in reversed(ahead) if first_due(model, c) > now_utc]
    cycle = waiting[0]
    due = complete_due(model, states, cycle)
    how = f"as {due.learned_from} before it" if due.learned_from else "as commonly seen"
    look = max(first_due(model, cycle), now_utc)
    return (
        f"next look for cycle {cycle:%Y-%m-%d %HZ} about {look:%H:%M} UTC; complete about "
        f"{due.at_utc:%H:%M} UTC, {how}"
    )


@dataclass(frozen=True)
class Keep:
    """What is kept on the disk.

    Parameters
    ----------
    days : float
        Cycles, and files set aside, older than this go.
    size_bytes : int
        When all of a model's cycles together are larger, the oldest go.
    """

    days: float = 3.0
    size_bytes: int = 5_000_000_000


def prune(folder: Path, model: str, ledger: Ledger, keep: Keep, now_utc: datetime) -> list[str]:
    """Remove what is too old or too much; name the cycles that went.

    The newest cycle is kept whatever its age and size.
    """
    cycles = sorted(_cycles(folder / model))
    gone: list[str] = []
    size = sum(_size(path) for _, path in cycles)
    for cycle_utc, path in cycles[:-1]:
        too_old = now_utc - cycle_utc > timedelta(days=keep.days)
        if not too_old and size <= keep.size_bytes:
            continue
        size -= _size(path)
        shutil.rmtree(path, ignore_errors=True)
        for file in ledger.kept_files(model, cycle_utc):
            ledger.forget_file(file)
        gone.append(f"{model} {cycle_utc:%Y-%m-%dT%HZ}")
    aside = folder / "set-aside"
    if aside.is_dir():
        oldest = (now_utc - timedelta(days=keep.days)).timestamp()
        for path in sorted(aside.iterdir()):
            if path.stat().st_mtime < oldest:
                path.unlink(missing_ok=True)
    return gone


def _cycles(folder: Path) -> list[tuple[datetime, Path]]:
    found = []
    for path in folder.iterdir() if folder.is_dir() else ():
        try:
            found.append((datetime.strptime(path.name, "%Y%m%d%H").replace(tzinfo=UTC), path))
        except ValueError:
            continue  # not ours
    return found


def _size(folder: Path) -> int:
    return sum(path.stat().st_size for path in folder.rglob("*") if path.is_file())
