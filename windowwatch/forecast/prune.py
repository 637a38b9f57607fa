"""Old fetched cycles removed, by age and by size; the newest always stays."""

import shutil
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from windowwatch.forecast.ledger import Ledger


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
