"""The pass of a cycle that was fetched: files checked once more, decoded, flown, stored."""

import logging
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from windowwatch.child import Progress, unheard
from windowwatch.errors import DecodeError
from windowwatch.forecast.cycle import Cycle, CycleData
from windowwatch.forecast.dataset import (
    CycleDataset,
    files_of,
    read_archive,
    with_origin,
    write_archive,
)
from windowwatch.forecast.download.ledger import KeptFile, Ledger
from windowwatch.forecast.grib.cutout import Area
from windowwatch.forecast.grib.framing import sha256_of
from windowwatch.forecast.normalise import build_cycle
from windowwatch.forecast.sources import open_files
from windowwatch.storage.store import Store, open_store
from windowwatch.watch.pipeline import PassResult, run_pass
from windowwatch.watch.values import Watch

_LOG = logging.getLogger(__name__)
#: What takes the place of a route in the ledger for a cycle's NetCDF file.
STORE = "store"
#: Fields a source does not have are the same at every step; so many are named.
_MOST_NAMED = 20


@dataclass(frozen=True)
class Fetched:
    """What there is of a cycle on the disk, and what to say of it.

    `partial` when more is still to come; `credit` is the source's attribution line; `store_path`
    is where the cycle is kept as one NetCDF file once it is whole.
    """

    cycle: Cycle
    files: tuple[KeptFile, ...]
    area: Area
    partial: bool
    credit: str
    store_path: str

    @property
    def checksums(self) -> dict[str, str]:
        """SHA-256 of every file when it was checked, by path."""
        return {file.path: file.sha256 for file in self.files}


def load_fetched(fetched: Fetched, ledger: Ledger, now_utc: datetime) -> CycleData:
    """Decode fetched files, and see that they still are what was checked.

    A whole cycle is kept as one NetCDF file beside them, and read from there the next time:
    when the ledger knows that file, its bytes are what they were, and it was made of the
    very same files.

    Raises
    ------
    DecodeError
        If the bytes of a file have changed since it was kept.
    ForecastError
        As `windowwatch.forecast.sources.load_files`.
    """
    archived = _from_store(fetched, ledger)
    if archived is None:
        opened, files = open_files(list(fetched.checksums), fetched.area)
        for found in files:
            if found.sha256 != fetched.checksums[found.path]:
                raise DecodeError(
                    f"{found.path}: its bytes have changed since it was checked; it is fetched "
                    f"again",
                    retry=True,
                )
        archived = with_origin(opened, fetched.cycle, files, fetched.credit)
        if not fetched.partial:
            _to_store(fetched, archived, ledger, now_utc)
    data = build_cycle(archived, fetched.cycle, files_of(archived))
    lacking = dict.fromkeys(f"not in the source: {w}" for f in fetched.files for w in f.lacking)
    gaps = (*data.gaps, *list(lacking)[:_MOST_NAMED])
    return replace(data, gaps=gaps, remarks=(*data.remarks, fetched.credit))


def _from_store(fetched: Fetched, ledger: Ledger) -> CycleDataset | None:
    """The cycle as it was kept before; None if it is not there as it was."""
    path = Path(fetched.store_path)
    first = fetched.files[0]
    for kept in ledger.kept_files(first.model, first.cycle_utc):
        if kept.route != STORE or kept.path != str(path) or not path.is_file():
            continue
        if sha256_of(path) != kept.sha256:
            _LOG.warning("%s: its bytes have changed; it is made again", path)
            continue
        archived = read_archive(path)
        if {file.path: file.sha256 for file in files_of(archived)} == fetched.checksums:
            return archived
    return None


def _to_store(fetched: Fetched, archived: CycleDataset, ledger: Ledger, now_utc: datetime) -> None:
    """Keep a whole cycle; a pass does not fail when the disk refuses."""
    path, first = Path(fetched.store_path), fetched.files[0]
    try:
        write_archive(path, archived)
    except OSError as error:
        _LOG.warning("%s: cannot be written (%s); the pass goes on", path, error)
        return
    size = path.stat().st_size
    ledger.keep_file(
        KeptFile(
            first.model,
            first.cycle_utc,
            STORE,
            "cycle",
            first.step_h,
            "",
            str(path),
            size,
            sha256_of(path),
            now_utc,
        )
    )


def pass_fetched(
    fetched: Fetched,
    watch: Watch,
    store: Store,
    now_utc: datetime,
    stopping: Callable[[], bool] = lambda: False,
    progress: Progress = unheard,
) -> PassResult | None:
    """Pass a fetched cycle; None when a pass with as many steps is stored.

    Raises
    ------
    WindowwatchError
        As `load_fetched` and `windowwatch.watch.pipeline.run_pass`.
    """
    progress(f"{fetched.cycle.id}: reading", 0.0)
    data = load_fetched(fetched, store.ledger(), now_utc)
    _, steps_before = store.passes(watch.name, fetched.cycle.id)
    if data.wind.time_unix_s.size <= steps_before:
        return None
    return run_pass(
        data,
        watch,
        store,
        now_utc=now_utc,
        stopping=stopping,
        progress=progress,
        partial=fetched.partial,
    )


def pass_fetched_in(
    fetched: Fetched,
    watch: Watch,
    database_url: str,
    now_utc: datetime,
    progress: Progress = unheard,
) -> PassResult | None:
    """As `pass_fetched`, with a database of its own: for a process of its own."""
    store = open_store(database_url)
    try:
        return pass_fetched(fetched, watch, store, now_utc, progress=progress)
    finally:
        store.close()
