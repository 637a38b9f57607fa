"""The page of the daemon: one that ends by itself is started anew, all of it."""

import time
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import httpx
import pytest
from invented import NOW, WATCH, record
from line_watch import settings_in
from patience import PATIENCE_S
from sink import free_port

from windowwatch import daemon
from windowwatch.clock import SimulatedClock
from windowwatch.settings.read import read_settings
from windowwatch.storage.engine import sqlite_url
from windowwatch.storage.store import open_store
from windowwatch.watch.run.supervisor import PassProgress
from windowwatch.web.data.health import Vitals

pytestmark = pytest.mark.night


def test_a_page_that_ends_by_itself_is_started_anew(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    settings = read_settings(settings_in(tmp_path))
    settings = replace(settings, watch=replace(settings.watch, name=WATCH))
    store, clock = open_store(sqlite_url(tmp_path / "w.sqlite3")), SimulatedClock(NOW)
    store.upgrade()
    store.save_pass(record())
    vitals = Vitals(time.monotonic)
    progress = PassProgress(clock)
    work: Any = SimpleNamespace(
        settings=settings, life=vitals.now, progress=progress, troubles=tuple, estimate=None,
        scouts=None,
    )  # fmt: skip
    jobs: Any = SimpleNamespace(next_look_in=lambda: timedelta(0))
    port = free_port()
    page = daemon._Page(daemon._Shown(store, clock, None, jobs, work), "127.0.0.1", port)
    page.see_to()
    first = page._server
    assert first is not None
    _answers(port)
    page.see_to()
    assert page._server is first, "one that answers is left alone"
    first._server.should_exit = True  # as after an error in its loop
    until = time.monotonic() + PATIENCE_S
    while first.is_alive():
        assert time.monotonic() < until
        time.sleep(0.05)
    page.see_to()
    assert "the page has ended by itself; it is started anew" in caplog.text
    _answers(port)
    page.stop()
    page.stop()
    store.close()


def _answers(port: int) -> None:
    url = f"http://127.0.0.1:{port}"
    assert httpx.get(f"{url}/health", timeout=PATIENCE_S).status_code == 200
    with httpx.Client(timeout=PATIENCE_S) as client, client.stream("GET", f"{url}/live") as news:
        assert news.status_code == 200
        assert next(news.iter_lines()).startswith("retry")
