"""The pass of a cycle that was fetched: files checked once more, decoded, flown, stored."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime

from windowwatch.errors import DecodeError
from windowwatch.forecast.cutout import Area
from windowwatch.forecast.cycle import Cycle, CycleData
from windowwatch.forecast.ledger import KeptFile
from windowwatch.forecast.sources import load_files
from windowwatch.storage.store import Store, open_store
from windowwatch.watch.pipeline import PassResult, run_pass
from windowwatch.watch.values import Watch

#: Fields a source does not have are the same at every step; so many are named.
_MOST_NAMED = 20


@dataclass(frozen=True)
class Fetched:
    """What there is of a cycle on the disk, and what to say of it.

    `partial` when more is still to come; `credit` is the source's attribution line.
    """

    cycle: Cycle
    files: tuple[KeptFile, ...]
    area: Area
    partial: bool
    credit: str


def load_fetched(fetched: Fetched) -> CycleData:
    """Decode fetched files, and see that they still are what was checked.

    Raises
    ------
    DecodeError
        If the bytes of a file have changed since it was kept.
    ForecastError
        As `windowwatch.forecast.sources.load_files`.
    """
    by_path = {file.path: file for file in fetched.files}
    data = load_files(list(by_path), fetched.cycle.model, area=fetched.area)
    for found in data.files:
        if found.sha256 != by_path[found.path].sha256:
            raise DecodeError(
                f"{found.path}: its bytes have changed since it was checked; it is fetched again",
                retry=True,
            )
    lacking = dict.fromkeys(f"not in the source: {w}" for f in fetched.files for w in f.lacking)
    gaps = (*data.gaps, *list(lacking)[:_MOST_NAMED])
    return replace(data, gaps=gaps, remarks=(*data.remarks, fetched.credit))


def pass_fetched(
    fetched: Fetched,
    watch: Watch,
    store: Store,
    now_utc: datetime,
    stopping: Callable[[], bool] = lambda: False,
) -> PassResult | None:
    """Pass a fetched cycle; None when a pass with as many steps is stored.

    Raises
    ------
    WindowwatchError
        As `load_fetched` and `windowwatch.watch.pipeline.run_pass`.
    """
    data = load_fetched(fetched)
    _, steps_before = store.passes(watch.name, fetched.cycle.id)
    if data.wind.time_unix_s.size <= steps_before:
        return None
    return run_pass(data, watch, store, now_utc=now_utc, stopping=stopping, partial=fetched.partial)


def pass_fetched_in(
    fetched: Fetched, watch: Watch, database_url: str, now_utc: datetime
) -> PassResult | None:
    """As `pass_fetched`, with a database of its own: for a process of its own."""
    store = open_store(database_url)
    try:
        return pass_fetched(fetched, watch, store, now_utc)
    finally:
        store.close()
