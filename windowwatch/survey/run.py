"""Blocks of a survey flown on Dask: on this machine, or on any cluster. The only door to Dask.

Workers get the survey once each, and blocks one after the other; they open the archive
themselves, and send each block back as the bytes of its file, which is written here. So workers
need no disk that they share, and a full one is seen in one place. A worker that dies costs the
blocks it was flying, which others fly; a run that is killed costs the same, and goes on later.
Where no worker is left, others are waited for, for a while; where the scheduler is lost the run
ends. Each ends in one error that says what to do, and the same command goes on where it was.
"""

import hashlib
import logging
import pickle
import socket
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import CancelledError
from contextlib import contextmanager, suppress
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
#: How a worker's process is started. Forked from one that has loaded what it needs it works at
#: once; loading takes seconds. Elsewhere than on Linux forks are less safe.
_START_METHOD = "forkserver" if sys.platform == "linux" else "spawn"
#: A block of which so many workers died is given up: it is the block that kills them.
DEATHS_ALLOWED = 3
#: What Python, the libraries, a map and paths of flights take of a worker beside weather. [MB]
#: With the demonstration 380 were measured, without Dask; the rest is room for a larger map.
BESIDE_MB = 900
#: So often it is looked whether a block came in, and whether there is any worker. [s]
_LOOK_S, _COUNT_S = 0.05, 2.0
_GOES_ON = "What was done before is kept: run the same command again, and it goes on from there"


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
    alone_s : float
        Without any worker the run ends after so long: a cluster may take minutes to start some.
        Judgement. [s]
    """

    workers: int = 2
    scheduler: str | None = None
    threads: bool = False
    wait_s: float = 20.0
    alone_s: float = 300.0

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
        _hand_over(client, _Hand(mark, content))
        by_key = {f"{block.key}-{mark[:12]}": block for block in todo}
        futures = [
            client.submit(_fly, mark, block, key=key, retries=0, pure=False)
            for key, block in by_key.items()
        ]
        try:
            coming = _as_they_come(client, futures, crew, progress)
            for done, future in enumerate(coming, start=1):
                block = by_key[future.key]
                took_s, written = _result(future, block, crew)
                shelf.put(block, written)
                future.release()
                if watching is not None:
                    watching(block, took_s)
                progress(
                    f"block {there + done} of {len(planned.blocks)}",
                    (there + done) / len(planned.blocks),
                )
        finally:
            with suppress(Exception):  # a scheduler that is gone has nothing to call off
                client.cancel(futures, force=True)
    return len(todo), there


def _hand_over(client: Any, plugin: "_Hand") -> None:
    """Give the survey to the workers that there are; those to come get it as they come."""
    try:
        client.register_plugin(plugin, name=f"windowwatch-{plugin.mark[:12]}")
    except Exception as error:
        raise SurveyRunError(
            f"the workers cannot take the survey ({type(error).__name__}: {error}); they need the "
            "same windowwatch as here, with what surveys need: pip install 'windowwatch[survey]'"
        ) from error


def _as_they_come(
    client: Any, futures: Sequence[Any], crew: Crew, progress: Progress
) -> Iterator[Any]:
    """Futures as they end; an error where nobody has been left to end them for long."""
    coming = _DASK.as_completed(futures)
    looked_s = alone_s = 0.0
    while coming.count():
        if coming.has_ready():
            yield next(coming)
            continue
        time.sleep(_LOOK_S)
        looked_s += _LOOK_S
        if looked_s < _COUNT_S:
            continue
        alone_s = 0.0 if client.scheduler_info()["workers"] else alone_s + looked_s
        looked_s = 0.0
        if alone_s > crew.alone_s:
            raise SurveyRunError(f"there is no worker{_how_to_start(crew)}. {_GOES_ON}")
        if alone_s:
            done = sum(future.done() for future in futures)
            where = "on this machine yet" if crew.scheduler is None else _how_to_start(crew)[1:]
            progress(f"there is no worker {where}", done / len(futures))


def _how_to_start(crew: Crew) -> str:
    if crew.scheduler is None:
        return (
            " on this machine, and none comes back: most likely there is too little memory for so "
            "many; try fewer (--workers)"
        )
    return f" at {crew.scheduler}: start some with `dask worker {crew.scheduler}`"


def _result(future: Any, block: Block, crew: Crew) -> tuple[float, bytes]:
    try:
        result: tuple[float, bytes] = future.result()
    except WindowwatchError:
        raise
    except CancelledError as error:
        reason = getattr(error, "reason", "unknown")
        if crew.scheduler is not None and reason.startswith("scheduler-"):
            raise SurveyRunError(
                f"the scheduler at {crew.scheduler} was lost; start it again with `dask "
                f"scheduler`, and its workers. {_GOES_ON}"
            ) from error
        raise SurveyRunError(
            f"block {block.key}: was called off by Dask ({reason}). {_GOES_ON}"
        ) from error
    except distributed.KilledWorker as error:
        raise SurveyRunError(
            f"block {block.key}: {DEATHS_ALLOWED} workers died of it, most likely of too little "
            f"memory; give them more (--memory-mb), or fewer at a time (--workers). {_GOES_ON}"
        ) from error
    except Exception as error:
        raise SurveyRunError(
            f"block {block.key}: a fault of a worker ({type(error).__name__}: {error}). {_GOES_ON}"
        ) from error
    return result


@contextmanager
def _client(crew: Crew, memory_mb: int) -> Iterator[Any]:
    """A client of the cluster that is named, or of one of our own that ends with it."""
    config = {
        "distributed.scheduler.allowed-failures": DEATHS_ALLOWED,
        "distributed.admin.large-graph-warning-threshold": "1GB",
        "distributed.comm.timeouts.connect": f"{crew.wait_s}s",
        # who is started again has so long: by Dask's 15 s it is given up for good where starting a
        # process takes longer
        "distributed.deploy.lost-worker-timeout": f"{crew.alone_s}s",
        "distributed.worker.multiprocessing-method": _START_METHOD,
    }
    # what a block ends with is said once, in our words; Dask's own log is for whoever asks
    for name in ("distributed", "distributed.client"):
        logging.getLogger(name).setLevel(logging.CRITICAL)
    with dask.config.set(config):
        if crew.scheduler is not None:
            with _client_at(crew.scheduler, crew.wait_s) as client:
                yield client
            return
        with _own_cluster(crew, memory_mb) as cluster, _DASK.Client(cluster) as client:
            yield client


def _own_cluster(crew: Crew, memory_mb: int) -> Any:
    if not crew.threads and _START_METHOD == "forkserver":
        _load_ahead()
    try:
        return _DASK.LocalCluster(
            n_workers=1 if crew.threads else crew.workers,
            threads_per_worker=crew.workers if crew.threads else 1,
            processes=not crew.threads,
            memory_limit=None if crew.threads else f"{memory_mb + BESIDE_MB}MB",
            dashboard_address="127.0.0.1:0",
            silence_logs=logging.CRITICAL,
        )
    except (OSError, RuntimeError, TimeoutError) as error:
        raise SurveyRunError(
            f"the workers cannot be started on this machine ({type(error).__name__}: {error}); "
            f"try fewer (--workers). {_GOES_ON}"
        ) from error


def _load_ahead() -> None:
    """Have all that a worker imports loaded once, by the process that workers are forked from."""
    context = _DASK.utils.get_mp_context()  # at first it puts down a list of its own
    context.set_forkserver_preload(["distributed", __name__])


def _client_at(address: str, wait_s: float) -> Any:
    """A client of a cluster of others.

    Whether a scheduler listens there is asked first. It speaks before it is spoken to; another
    service that does not (a page of Dask's own, the port beside) would hold a client for ever.
    """
    address = address.strip()
    try:
        host, port = _DASK.comm.get_address_host_port(address)
        if not 0 < port < 65_536:
            raise ValueError(f"there is no port {port}")
    except (TypeError, ValueError, NotImplementedError) as error:
        raise InputError(
            f"--scheduler {address or '(empty)'}: is no address of a scheduler ({error}); write it "
            "as `dask scheduler` prints it, such as tcp://host:8786"
        ) from error
    try:
        with socket.create_connection((host, port), timeout=wait_s) as line:
            if not address.startswith(("tls:", "ws:", "wss:")) and not line.recv(1):
                raise OSError("what listens there ends the call")
        return _DASK.Client(address, timeout=wait_s)
    except (OSError, ValueError, TimeoutError) as error:
        raise SourceError(
            f"no scheduler answers at {address} ({error}); start one with `dask scheduler`, and "
            "workers with `dask worker`, and give the address that the scheduler prints",
            retry=True,
        ) from error


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
