"""The page killed while trackers post: what was answered is stored, and the estimate comes back."""

import os
import random
import signal
import subprocess
import sys
import threading
import time
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx
import pytest
from line_watch import settings_in
from made_flight import BEGUN, at
from patience import PATIENCE_S
from sink import free_port
from typed import ROOT

from windowwatch.storage.store import open_store

pytestmark = [pytest.mark.chase, pytest.mark.kill]
MINUTE = timedelta(minutes=1)


def serve(settings: Path, port: int) -> subprocess.Popen[bytes]:
    """A page as a process of its own, once it answers."""
    process = subprocess.Popen(
        [sys.executable, "-m", "windowwatch", "page", "--settings", str(settings),
         "--port", str(port)],
        cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True,
    )  # fmt: skip
    until = time.monotonic() + PATIENCE_S
    while time.monotonic() < until:
        try:
            httpx.get(f"http://127.0.0.1:{port}/flights")
            return process
        except httpx.HTTPError:
            time.sleep(0.05)
    raise AssertionError("the page does not answer")


def post(port: int, word: str, began: datetime, end: threading.Event, told: list[int]) -> None:
    """Post the flight minute by minute until the end; who is not answered says it again."""
    minute = 0
    while not end.is_set():
        lat, lon, height = at(minute % 75)
        said = {"time_utc": (began + minute * MINUTE / 60).isoformat(), "latitude_deg": lat,
                "longitude_deg": lon, "height_m": height}  # fmt: skip
        try:
            answer = httpx.post(
                f"http://127.0.0.1:{port}/data/positions", json=said, timeout=PATIENCE_S,
                headers={"authorization": f"Bearer {word}"},
            )  # fmt: skip
        except httpx.HTTPError:
            time.sleep(0.02)
            continue
        assert answer.status_code == 201, answer.text
        told.extend(each["number"] for each in answer.json()["positions"])
        minute += 1


@pytest.mark.parametrize("kills", [2, pytest.param(200, marks=pytest.mark.slow)])
def test_no_position_that_was_answered_is_lost(tmp_path: Path, kills: int) -> None:
    database = f"sqlite:///{tmp_path}/line.sqlite3"
    settings = settings_in(tmp_path, f'\n[database]\nurl = "{database}"\n')
    began = datetime.now(UTC) - timedelta(hours=1)
    with closing(open_store(database)) as store:
        store.upgrade()
        store.begin_flight(BEGUN)
        word = store.let_post("flight", "radio", began)
    port, end, told, dice = free_port(), threading.Event(), list[int](), random.Random(4)
    process = serve(settings, port)
    poster = threading.Thread(target=post, args=(port, word, began, end, told))
    poster.start()
    try:
        for _ in range(kills):
            time.sleep(dice.uniform(0.05, 0.6))
            os.kill(process.pid, signal.SIGKILL)
            process.wait()
            process = serve(settings, port)
        before, until = len(told), time.monotonic() + PATIENCE_S
        while len(told) <= before and time.monotonic() < until:
            time.sleep(0.02)
    finally:
        end.set()
        poster.join()
        process.kill()
        process.wait()
    with closing(open_store(database)) as store:
        stored = [each.number for each in store.reports("flight")]
        assert told
        assert set(told) <= set(stored)
        assert len(stored) <= len(told) + kills, "at most one is stored unanswered for each kill"
        # by the reports alone, whoever was killed over it
        now = began + timedelta(hours=1)
        assert store.follow("flight", now) == store.follow("flight", now)
