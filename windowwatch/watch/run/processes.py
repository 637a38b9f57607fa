"""Passes, and checks of fetched files, in processes of their own: neither can kill the daemon."""

import logging
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from windowwatch.child import (
    Child,
    ChildDiedError,
    ChildError,
    ChildFaultError,
    ChildLimits,
    ChildMemoryError,
    ChildStoppedError,
    Progress,
    in_child,
    never,
    unheard,
)
from windowwatch.errors import DecodeError
from windowwatch.forecast.cycle import Cycle, CycleData
from windowwatch.forecast.download.catalogue import MODELS
from windowwatch.forecast.download.checked import check_file
from windowwatch.forecast.download.fetch import FetchStoppedError
from windowwatch.forecast.download.ledger import STORE, KeptFile, Ledger
from windowwatch.forecast.download.wanted import Item, Wanted
from windowwatch.forecast.grib.framing import Framing, sha256_of
from windowwatch.forecast.grib.grid import Area
from windowwatch.forecast.notes import AtSteps, Attribution, Notes
from windowwatch.forecast.sources import FoundCycle, load_cycle, open_files
from windowwatch.logs import LogStyle
from windowwatch.storage.store import Store, open_store
from windowwatch.watch.flying import PassStoppedError
from windowwatch.watch.nearby import NearFiles, read_near
from windowwatch.watch.pipeline import PassResult, run_pass
from windowwatch.watch.values import Watch, area_of

# What cycles are read with takes a second and 150 MB: passes load it, not who starts them.
if TYPE_CHECKING:
    from windowwatch.forecast.dataset import CycleDataset

Answer = TypeVar("Answer")
#: What a check gives: frames and checksum of the file, and what it lacks.
Checked = tuple[Framing, Notes]


def pass_in_child(
    work: Callable[..., Answer],
    given: tuple[Any, ...],
    limits: ChildLimits,
    *,
    style: LogStyle | None = None,
    stopping: Callable[[], bool] = never,
    progress: Progress | None = None,
) -> Answer:
    """Do a pass in a child: `pass_found_in` here, or `pass_fetched_in` of `polling.fetched`.

    Raises
    ------
    WindowwatchError
        What the pass raised; ChildError when the child died or was ended at a limit;
        PassStoppedError when `stopping` said so. Nothing of the pass is stored then, unless
        it died after its last step.
    """
    try:
        return in_child(
            work,
            given,
            limits,
            what="a pass",
            style=style or LogStyle(),
            stopping=stopping,
            progress=progress,
        )
    except ChildStoppedError as error:
        raise PassStoppedError(
            "the pass was stopped; nothing of it is stored", retry=True
        ) from error


def pass_found_in(
    found: FoundCycle,
    watch: Watch,
    database_url: str,
    now_utc: datetime,
    near: NearFiles | None = None,
    progress: Progress = unheard,
) -> PassResult:
    """Decode, fly, score and store a cycle of the forecast folder; for a process of its own."""
    store = open_store(database_url)
    try:
        progress(f"{found.cycle.id}: reading", 0.0)
        data = load_cycle(found, area=area_of(watch.sites))
        at_sites = read_near(near, watch, data.cycle)
        return run_pass(data, watch, store, now_utc=now_utc, progress=progress, near=at_sites)
    finally:
        store.close()


class Checker:
    """Checks files one after the other in a process that is started when it is needed.

    May be shared by threads. After a file at which the process died, another one is started
    for the next; the file counts as damaged.

    Parameters
    ----------
    limits : ChildLimits
        What the process may use; its time is for one file.
    style : LogStyle
        How it writes its logs.
    check : callable
        A module's function; `windowwatch.forecast.download.checked.check_file` but for tests.
    stopping : callable
        Asked while a file is checked; True ends it.
    """

    def __init__(
        self,
        limits: ChildLimits | None = None,
        style: LogStyle | None = None,
        check: Callable[..., Checked] = check_file,
        stopping: Callable[[], bool] = never,
    ) -> None:
        self._check, self._stopping = check, stopping
        self._lock = threading.Lock()
        self._limits = limits or ChildLimits()
        self._child = Child(self._limits, style=style or LogStyle())

    def __call__(
        self, path: Path, item: Item, area: Area, *, asked: Sequence[Wanted] | None
    ) -> Checked:
        """Check one file, as `windowwatch.forecast.download.checked.check_file`.

        Raises
        ------
        DecodeError
            As `check_file`; and when the process died at the file, or did not come to an end.
        FetchStoppedError
            If `stopping` said so.
        """
        work = partial(self._check, asked=asked)
        with self._lock:
            try:
                return self._child.call(work, (path, item, area), stopping=self._stopping)
            except ChildStoppedError as error:
                raise FetchStoppedError("fetching was stopped", retry=True) from error
            except ChildError as error:
                raise DecodeError(f"{path.name}: {self._what_happened(error)}") from error

    def close(self) -> None:
        """End the process; the next check starts another one."""
        with self._lock:
            self._child.close()

    def _what_happened(self, error: ChildError) -> str:
        if isinstance(error, ChildDiedError):
            return f"the process that read it died: {error.cause or error.message}"
        if isinstance(error, ChildMemoryError):
            return f"reading it needs more than {self._limits.memory_mb} MB of memory"
        if isinstance(error, ChildFaultError):
            return f"a fault in its check: {error.cause}"
        return "checking it does not come to an end"


_LOG = logging.getLogger(__name__)
#: So many of what files lack are named.
_MOST_NAMED = 20


@dataclass(frozen=True)
class Fetched:
    """What there is of a cycle on the disk, and what to say of it.

    `partial` when more is still to come; `credit` is the source's attribution line; `store_path`
    is where the cycle is kept as one NetCDF file once it is whole. `near` is what is at hand of a
    finer model near the ground, where one is asked.
    """

    cycle: Cycle
    files: tuple[KeptFile, ...]
    area: Area
    partial: bool
    credit: str
    store_path: str
    near: NearFiles | None = None

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
    from windowwatch.forecast.dataset import files_of, with_origin
    from windowwatch.forecast.normalise import build_cycle

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
    gaps = (*data.gaps, *_lacking(fetched.files)[:_MOST_NAMED])
    remarks = (*data.remarks, Attribution(fetched.credit))
    model = MODELS.get(fetched.cycle.model)
    surface = data.surface if model is None else data.surface.with_lost(model.near)
    return replace(data, surface=surface, gaps=gaps, remarks=remarks)


def _lacking(files: Sequence[KeptFile]) -> Notes:
    """What the files of a cycle lack, each once with all its steps."""
    from windowwatch.forecast.near import GapList

    steps_h = sorted({file.step_h for file in files})
    joined, others = GapList(), GapList()
    for note in (note for file in files for note in file.lacking):
        if isinstance(note, AtSteps):
            joined.at_steps(note.lack, note.leads_s, steps_h)
        else:
            others.add(note)
    return (*joined.notes(), *others.notes())


def _from_store(fetched: Fetched, ledger: Ledger) -> "CycleDataset | None":
    """The cycle as it was kept before; None if it is not there as it was."""
    from windowwatch.forecast.dataset import files_of, read_archive

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


def _to_store(
    fetched: Fetched, archived: "CycleDataset", ledger: Ledger, now_utc: datetime
) -> None:
    """Keep a whole cycle; a pass does not fail when the disk refuses."""
    from windowwatch.forecast.dataset import write_archive

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
        near=read_near(fetched.near, watch, data.cycle),
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
