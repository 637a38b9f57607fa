"""A fetch killed at random points goes on where it was, to the same result."""

import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from random import Random

import pytest
from provider import CYCLE, Handler, Provider, Request, fill_gfs, gfs_messages, provider

from windowwatch.forecast.grib.framing import sha256_of
from windowwatch.storage.store import open_store

ROOT = Path(__file__).resolve().parents[2]
STEPS = tuple(range(0, 19, 3))


def start(host: Provider, folder: Path) -> "subprocess.Popen[str]":
    paths = [str(ROOT), str(ROOT / "tests"), str(ROOT / "grib_samples")]
    arguments = [host.url, str(folder / "f"), f"sqlite:///{folder}/k.sqlite3"]
    return subprocess.Popen(
        [sys.executable, str(ROOT / "tests/fetch_once.py"), *arguments, ",".join(map(str, STEPS))],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(paths)},
    )


def killed_until_done(host: Provider, folder: Path, kills: int, chance: Random) -> int:
    """Kill -9 a process that fetches, again and again; then let one end. How many were killed."""
    done = 0
    for _ in range(kills):
        process = start(host, folder)
        begun = len(host.log)
        after = chance.randint(1, 9)
        pause_s = chance.random() * 0.05

        def fault(
            request: Request,
            _: Handler,
            due: int = begun + after,
            pause_s: float = pause_s,
            pid: int = process.pid,
        ) -> bool:
            if request.number == due:
                time.sleep(pause_s)
                os.kill(pid, signal.SIGKILL)
            return False

        host.fault = fault
        output, _ = process.communicate(timeout=1200)
        if process.returncode == 0:
            assert "complete" in output
            continue  # nothing was left to fetch
        assert process.returncode == -signal.SIGKILL, output
        done += 1
    host.fault = lambda _r, _h: False
    process = start(host, folder)
    output, _ = process.communicate(timeout=1200)
    assert output == "complete\n"
    return done


def check_result(folder: Path) -> None:
    """Every file is there once, whole, and the ledger knows it; nothing else lies about."""
    store = open_store(f"sqlite:///{folder}/k.sqlite3")
    kept = store.ledger().kept_files("gfs-0.25", CYCLE)
    assert [f.step_h for f in kept] == list(STEPS)
    for file in kept:
        true = b"".join(m.data for m in gfs_messages(CYCLE, file.step_h))
        assert Path(file.path).read_bytes() == true
        assert sha256_of(file.path) == file.sha256
    lying = sorted(p for p in (folder / "f").rglob("*") if p.is_file())
    assert lying == sorted(Path(f.path) for f in kept)
    store.close()


def test_killed_a_few_times(tmp_path: Path) -> None:
    with provider() as host:
        fill_gfs(host, STEPS)
        assert killed_until_done(host, tmp_path, 5, Random(1)) >= 3
    check_result(tmp_path)


@pytest.mark.slow
@pytest.mark.timeout(900)
def test_killed_fifty_times(tmp_path: Path) -> None:
    """Fifty processes over several cycles' worth of fetching, each killed at its own point."""
    done, turn = 0, 0
    chance = Random(50)
    while done < 50:
        folder = tmp_path / f"{turn}"
        folder.mkdir()
        with provider() as host:
            fill_gfs(host, STEPS)
            done += killed_until_done(host, folder, 6, chance)
        check_result(folder)
        turn += 1
