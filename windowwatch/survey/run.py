"""Blocks of a survey flown on Dask: on this machine, or on any cluster. The only door to Dask.

Workers get the survey once each, and blocks one after the other; they open the archive
themselves, and send each block back as the bytes of its file, which is written here. So workers
need no disk that they share, and a full one is seen in one place. A worker that dies costs the
blocks it was flying, which others fly; a run that is killed costs the same, and goes on later.
"""

import hashlib
import logging
import pickle
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from threading import Lock
from typing import Any

import dask
import distributed

from windowwatch.child import Progress, pickled, unheard
from windowwatch.errors import InputError, SourceError, WindowwatchError
from windowwatch.survey.archive import Archive
from windowwatch.survey.blocks import Shelf, block_bytes
from windowwatch.survey.flying import fly_block
from windowwatch.survey.opening import open_archive
from windowwatch.survey.plan import Block, Planned, Survey

#: Much of it carries no types.
_DASK: Any = distributed
#: A block of which so many workers died is given up: it is the block that kills them.
DEATHS_ALLOWED = 3
#: What Python, the libraries, a map and paths of flights take of a worker beside weather. [MB]
#: With the demonstration 380 were measured, without Dask; the rest is room for a larger map.
BESIDE_MB = 900


class SurveyRunError(WindowwatchError):
    """Workers could not do their work; the message says what to do."""


@dataclass(frozen=True)
class Crew:
    """Who flies the blocks.

    Parameters
    ----------
    workers : int
        Processes on this machine.
    scheduler : str, optional
        Address of a cluster instead.
    threads : bool
        Threads of this process instead of processes; for tests and small archives.
    wait_s : float
        A scheduler must answer so soon. [s]
    """

    workers: int = 2
    scheduler: str | None = None
    threads: bool = False
    wait_s: float = 20.0

    def __post_init__(self) -> None:
        if self.workers < 1:
            raise InputError(f"{self.workers} workers fly nothing; give 1 or more")


def run_blocks(
    planned: Planned,
    shelf: Shelf,
    crew: Crew,
    *,
    progress: Progress = unheard,
    watching: Callable[[Block, float], None] | None = None,
) -> tuple[int, int]:
    """Fly the blocks that are not there yet.

    Parameters
    ----------
    planned : Planned
    shelf : Shelf
        Where blocks are put.
    crew : Crew
    progress : callable
    watching : callable, optional
        Told each block that was put down, and how long its worker took. [s]

    Returns
    -------
    flown, there : int
        Blocks flown now, and that were there already.

    Raises
    ------
    WindowwatchError
        The first that a block ended with; blocks that were done by then are kept.
    """
    todo = [block for block in planned.blocks if not shelf.has(block)]
    there = len(planned.blocks) - len(todo)
    if not todo:
        return 0, there
    progress("starting workers", there / len(planned.blocks))
    with _client(crew, planned.survey.memory_mb) as client:
        content = pickled(planned.survey)
        mark = hashlib.sha256(content).hexdigest()
        client.register_plugin(_Hand(mark, content), name=f"windowwatch-{mark[:12]}")
        by_key = {f"{block.key}-{mark[:12]}": block for block in todo}
        futures = [
            client.submit(_fly, mark, block, key=key, retries=0, pure=False)
            for key, block in by_key.items()
        ]
        try:
            for done, future in enumerate(_DASK.as_completed(futures), start=1):
                block = by_key[future.key]
                took_s, written = _result(future, block)
                shelf.put(block, written)
                future.release()
                if watching is not None:
                    watching(block, took_s)
                progress(
                    f"block {there + done} of {len(planned.blocks)}",
                    (there + done) / len(planned.blocks),
                )
        finally:
            client.cancel(futures, force=True)
    return len(todo), there


def _result(future: Any, block: Block) -> tuple[float, bytes]:
    try:
        result: tuple[float, bytes] = future.result()
    except WindowwatchError:
        raise
    except distributed.KilledWorker as error:
        raise SurveyRunError(
            f"block {block.key}: {DEATHS_ALLOWED} workers died of it, most likely of too little "
            "memory; give them more (--memory-mb), or fewer at a time (--workers). What was done "
            "before is kept"
        ) from error
    except Exception as error:
        raise SurveyRunError(
            f"block {block.key}: a fault of a worker ({type(error).__name__}: {error}); what was "
            "done before is kept"
        ) from error
    return result


@contextmanager
def _client(crew: Crew, memory_mb: int) -> Iterator[Any]:
    """A client of the cluster that is named, or of one of our own that ends with it."""
    config = {
        "distributed.scheduler.allowed-failures": DEATHS_ALLOWED,
        "distributed.admin.large-graph-warning-threshold": "1GB",
        "distributed.comm.timeouts.connect": f"{crew.wait_s}s",
    }
    # what a block ends with is said once, in our words; Dask's own log is for whoever asks
    logging.getLogger("distributed").setLevel(logging.CRITICAL)
    with dask.config.set(config):
        if crew.scheduler is not None:
            try:
                client = _DASK.Client(crew.scheduler, timeout=crew.wait_s)
            except (OSError, ValueError, TimeoutError) as error:
                raise SourceError(
                    f"no scheduler answers at {crew.scheduler} ({error}); start one with "
                    "`dask scheduler`, and workers with `dask worker`",
                    retry=True,
                ) from error
            with client:
                yield client
            return
        cluster = _DASK.LocalCluster(
            n_workers=1 if crew.threads else crew.workers,
            threads_per_worker=crew.workers if crew.threads else 1,
            processes=not crew.threads,
            memory_limit=None if crew.threads else f"{memory_mb + BESIDE_MB}MB",
            dashboard_address="127.0.0.1:0",
            silence_logs=logging.CRITICAL,
        )
        with cluster, _DASK.Client(cluster) as client:
            yield client


class _Hand(distributed.WorkerPlugin):
    """Hands the survey to every worker, also to those that come later."""

    def __init__(self, mark: str, content: bytes) -> None:
        self.mark, self.content = mark, content

    def setup(self, worker: Any) -> None:
        """Keep it in the worker's process."""
        del worker
        with _ONE_AT_A_TIME:
            if self.mark not in _HANDED:
                _HANDED[self.mark] = _Handed(self.content)


class _Handed:
    """The survey in a worker's process, and its archive, opened when first needed."""

    def __init__(self, content: bytes) -> None:
        self._content, self._lock = content, Lock()
        self._opened: tuple[Survey, Archive] | None = None

    def opened(self) -> tuple[Survey, Archive]:
        with self._lock:
            if self._opened is None:
                survey = pickle.loads(self._content)
                self._opened = survey, open_archive(survey.archive, survey.mapped)
            return self._opened


_HANDED: dict[str, _Handed] = {}
_ONE_AT_A_TIME = Lock()


def _fly(mark: str, block: Block) -> tuple[float, bytes]:
    """In a worker: one block flown; how long it took, and the bytes of its file."""
    import time

    begun = time.perf_counter()
    survey, archive = _HANDED[mark].opened()
    written = block_bytes(fly_block(survey, archive, block), block)
    return time.perf_counter() - begun, written
