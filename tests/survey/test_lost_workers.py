"""Workers, schedulers and disks that are lost while a survey runs: one clear error, and it goes on.

Schedulers and workers are processes of their own here, and are killed as a machine would lose them.
"""

import contextlib
import os
import re
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from threading import Event, Thread

import made_archive
import pytest
from typed import ROOT

from windowwatch.errors import InputError, SourceError
from windowwatch.survey.archive import Archive
from windowwatch.survey.blocks import Shelf
from windowwatch.survey.plan import Block, Planned
from windowwatch.survey.run import Crew, SurveyRunError, run_blocks

pytestmark = pytest.mark.survey

PATHS = os.pathsep.join([str(ROOT), str(ROOT / "tests")])
KEPT = "What was done before is kept: run the same command again"

#: In a namespace of its own, on a disk too small for all blocks, made larger after the first run.
ON_A_SMALL_DISK = """
import os, subprocess, sys
from pathlib import Path
import made_archive
from windowwatch.errors import StorageError
from windowwatch.survey.blocks import Shelf, block_bytes
from windowwatch.survey.flying import fly_block
from windowwatch.survey.opening import open_archive
from windowwatch.survey.run import Crew, run_blocks
archive, disk = open_archive(sys.argv[1]), Path(sys.argv[2])
found, kept = made_archive.survey_of(archive), disk / "kept"
right = {b.key: block_bytes(fly_block(found.survey, archive, b), b) for b in found.blocks}
sizes = sorted(len(each) for each in right.values())
room = f"size={(sum(sizes) - sizes[0] // 2) // 1024}k"
subprocess.run(["mount", "-t", "tmpfs", "-o", room, "tmpfs", str(disk)], check=True)
try:
    run_blocks(found, Shelf(kept), Crew(2, threads=True))
except StorageError as error:
    print(error.message)
there = Shelf(kept).there()
print("there", len(there), "of", len(right), sorted(p.suffix for p in (kept / "blocks").iterdir()))
subprocess.run(["mount", "-o", "remount,size=9m", str(disk)], check=True)
print("again", run_blocks(found, Shelf(kept), Crew(2, threads=True)) == (
    len(right) - len(there), len(there)))
print("equal", {k: (kept / "blocks" / f"{k}.parquet").read_bytes() for k in right} == right)
"""


def goes_on(found: Planned, right: dict[str, bytes], shelf: Shelf) -> None:
    """What was lost is flown by others, and all is as if nothing had been."""
    before = len(shelf.there())
    assert before < len(right)
    assert made_archive.written(shelf) == {key: right[key] for key in shelf.there()}
    assert run_blocks(found, shelf, Crew(1, threads=True)) == (len(right) - before, before)
    assert made_archive.written(shelf) == right


class Cluster:
    """A scheduler and workers in processes of their own; their logs lie in a folder."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._running: list[subprocess.Popen[bytes]] = []
        self.scheduler, log = self._start("dask_scheduler", "--host", "127.0.0.1", "--port", "0")
        self.address = said_in(log, self.scheduler, r"Scheduler at:\s+(tcp://\S+)")

    def worker(self, **variables: str) -> "subprocess.Popen[bytes]":
        """One more, without anybody who starts it again."""
        asked = ("dask_worker", self.address, "--nthreads", "1", "--no-nanny")
        made, log = self._start(*asked, **variables)
        said_in(log, made, r"(Registered to)")
        return made

    def _start(self, what: str, *asked: str, **variables: str
               ) -> "tuple[subprocess.Popen[bytes], Path]":  # fmt: skip
        log = self._folder / f"{len(self._running)}.log"
        with log.open("wb") as into:
            running = subprocess.Popen(
                [sys.executable, "-m", f"distributed.cli.{what}", *asked, "--no-dashboard"],
                stderr=into, stdout=into, cwd=self._folder,
                env={**os.environ, "PYTHONPATH": PATHS, **variables},
            )  # fmt: skip
        self._running.append(running)
        return running, log

    def end(self) -> None:
        for running in reversed(self._running):
            running.kill()
            running.wait()


def said_in(log: Path, running: "subprocess.Popen[bytes]", pattern: str) -> str:
    """The words of a log that show that its process is ready."""
    while running.poll() is None:
        if told := re.search(pattern, log.read_text()):
            return told[1]
        Event().wait(0.1)
    raise AssertionError(log.read_text())


@pytest.fixture
def cluster(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Cluster]:
    made = Cluster(tmp_path_factory.mktemp("cluster"))
    yield made
    made.end()


def once(what: Callable[[], object]) -> Callable[[Block, float], None]:
    """Does something when the first block is put down."""
    done: list[Block] = []

    def watching(block: Block, _took_s: float) -> None:
        done.append(block)
        if len(done) == 1:
            what()

    return watching


def test_the_only_worker_is_lost(
    found: Planned, right: dict[str, bytes], cluster: Cluster, tmp_path: Path
) -> None:
    worker, said = cluster.worker(), []
    crew = Crew(1, scheduler=cluster.address, alone_s=3.0)
    with pytest.raises(SurveyRunError) as refused:
        run_blocks(found, Shelf(tmp_path), crew, watching=once(worker.kill),
                   progress=lambda words, _share: said.append(words))  # fmt: skip
    start = f"start some with `dask worker {cluster.address}`"
    assert f"there is no worker at {cluster.address}: {start}" in refused.value.message
    assert KEPT in refused.value.message
    assert any(words.startswith("there is no worker at") for words in said), "said before it ends"
    assert len(Shelf(tmp_path).there()) == 1
    goes_on(found, right, Shelf(tmp_path))


def test_a_worker_that_comes_in_time_takes_over(
    found: Planned, right: dict[str, bytes], cluster: Cluster, tmp_path: Path
) -> None:
    """Nobody is there at first; the one that comes is killed, and another one comes."""
    first: list[subprocess.Popen[bytes]] = []

    def start(words: str, _share: float) -> None:
        if words.startswith("there is no worker at") and not first:
            first.append(cluster.worker())

    def replaced() -> None:
        first[0].kill()
        cluster.worker()

    crew = Crew(1, scheduler=cluster.address, alone_s=60.0)
    run_blocks(found, Shelf(tmp_path), crew, watching=once(replaced), progress=start)
    assert first
    assert made_archive.written(Shelf(tmp_path)) == right


def test_the_scheduler_is_lost(
    found: Planned, right: dict[str, bytes], cluster: Cluster, tmp_path: Path,
    capfd: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    cluster.worker()
    crew = Crew(1, scheduler=cluster.address, wait_s=3.0)
    with pytest.raises(SurveyRunError) as refused:
        run_blocks(found, Shelf(tmp_path), crew, watching=once(cluster.scheduler.kill))
    assert f"the scheduler at {cluster.address} was lost; start it again" in refused.value.message
    assert KEPT in refused.value.message
    assert "Traceback" not in "".join(capfd.readouterr()), "Dask's own words are not shown"
    goes_on(found, right, Shelf(tmp_path))


def test_workers_without_what_is_needed(found: Planned, cluster: Cluster, tmp_path: Path) -> None:
    (tmp_path / "sitecustomize.py").write_text(
        "import sys\nsys.modules['windowwatch.survey.run'] = None\n"
    )
    cluster.worker(PYTHONPATH=str(tmp_path))
    with pytest.raises(SurveyRunError, match=r"the workers cannot take the survey .*same windoww"):
        run_blocks(found, Shelf(tmp_path), Crew(1, scheduler=cluster.address))


@pytest.mark.parametrize(
    ("address", "said"),
    [
        ("foo", "missing port number"),
        ("tcp://127.0.0.1", "missing port number"),
        ("http://127.0.0.1:8787", "unknown address scheme 'http'"),
        ("tcp://127.0.0.1:99999", "there is no port 99999"),
        ("tcp://127.0.0.1:x", "'x'"),
        ("", "missing port number"),
    ],
)
def test_what_is_no_address_is_refused(
    found: Planned, tmp_path: Path, address: str, said: str
) -> None:
    with pytest.raises(InputError, match=rf"--scheduler .*: is no address .*{said}") as refused:
        run_blocks(found, Shelf(tmp_path), Crew(1, scheduler=address))
    assert "such as tcp://host:8786" in refused.value.message


def test_where_nobody_answers_or_another_service_does(found: Planned, tmp_path: Path) -> None:
    with pytest.raises(SourceError, match=r"no scheduler answers at tcp://nosuch\.invalid:8786"):
        run_blocks(found, Shelf(tmp_path), Crew(1, scheduler="tcp://nosuch.invalid:8786"))
    server = ThreadingHTTPServer(("127.0.0.1", 0), BaseHTTPRequestHandler)
    server.daemon_threads = True
    Thread(target=server.serve_forever, daemon=True).start()
    address = f"tcp://127.0.0.1:{server.server_port}"
    try:
        with pytest.raises(SourceError, match=f"no scheduler answers at {address}"):
            run_blocks(found, Shelf(tmp_path), Crew(1, scheduler=address, wait_s=2.0))
    finally:
        server.shutdown()
        server.server_close()


def test_all_workers_of_this_machine_are_killed_and_come_back(
    found: Planned, right: dict[str, bytes], tmp_path: Path
) -> None:
    killed: list[int] = []

    def kill_all() -> None:
        for each in made_archive.workers():
            killed.append(each)
            os.kill(each, signal.SIGKILL)

    run_blocks(found, Shelf(tmp_path), Crew(2), watching=once(kill_all))
    assert len(killed) >= 2
    assert made_archive.written(Shelf(tmp_path)) == right


def test_a_block_that_its_workers_die_of_is_named(
    found: Planned, right: dict[str, bytes], tmp_path: Path
) -> None:
    """Every worker is killed as soon as it has a block, again and again, as for want of memory."""
    over, killed = Event(), list[int]()

    def kill_whoever_works() -> None:
        while not over.wait(0.1):
            for each in made_archive.workers(at_work=True):
                with contextlib.suppress(ProcessLookupError):  # its death is not noticed yet
                    os.kill(each, signal.SIGKILL)
                    killed.append(each)

    hunter = Thread(target=kill_whoever_works, daemon=True)
    hunter.start()
    try:
        with pytest.raises(SurveyRunError) as refused:
            run_blocks(found, Shelf(tmp_path), Crew(1))
    finally:
        over.set()
        hunter.join()
    assert re.match(r"block g\d\d-2024-\d\d: 3 workers died of it", refused.value.message)
    assert "--memory-mb" in refused.value.message
    assert KEPT in refused.value.message
    assert len(killed) >= 3
    goes_on(found, right, Shelf(tmp_path))


def test_a_disk_that_gets_full_midway(archive: Archive, tmp_path: Path) -> None:
    """A real one of a few kB, and more room after it."""
    alone = ["unshare", "--mount", "--user", "--map-root-user"]
    if shutil.which("unshare") is None or subprocess.run([*alone, "true"], check=False).returncode:
        alone = alone[:2]
        if os.geteuid() != 0 or subprocess.run([*alone, "true"], check=False).returncode:
            pytest.skip("no disk of its own may be mounted here")
    done = subprocess.run(
        [*alone, sys.executable, "-c", ON_A_SMALL_DISK, archive.address, str(tmp_path)],
        capture_output=True, text=True, check=False, env={**os.environ, "PYTHONPATH": PATHS},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    said, there, *rest = done.stdout.splitlines()
    assert re.search(r"parquet cannot be written \(No space left on device\)", said)
    assert "what was done before is kept: make room, or name another [survey] folder" in said
    assert re.match(r"there [1-3] of 4 \['\.parquet'(, '\.parquet')*\]$", there), "no half of one"
    assert rest == ["again True", "equal True"]
    assert not done.stderr or "Traceback" not in done.stderr
