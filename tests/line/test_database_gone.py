"""The database is gone for a while, under a daemon that runs: nothing is lost, nothing told twice.

`WINDOWWATCH_TEST_GAP_S` sets how long it is gone; a few seconds unless given.
"""

import os
import signal
import sqlite3
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest
from doorway import Doorway
from line_watch import forecast_in
from patience import PATIENCE_S
from service import Service
from sink import Sink
from sqlalchemy import make_url

from windowwatch.storage.store import open_store

GAP_S = float(os.environ.get("WINDOWWATCH_TEST_GAP_S", "1.5"))


@contextmanager
def locked(folder: Path) -> Iterator[None]:
    """Another program holds the file for itself."""
    with closing(sqlite3.connect(folder / "kept" / "w.sqlite3", isolation_level=None)) as other:
        other.execute("BEGIN EXCLUSIVE")
        yield
        other.execute("ROLLBACK")


@contextmanager
def moved(folder: Path) -> Iterator[None]:
    """The disk on which it lies is not there."""
    (folder / "kept").rename(folder / "away")
    yield
    (folder / "away").rename(folder / "kept")


@contextmanager
def cut_off(doorway: Doorway) -> Iterator[None]:
    """The server is not reached, and every connection breaks."""
    doorway.shut()
    yield
    doorway.open()


def page_answers(service: Service) -> int:
    """Status of the page while the database is gone."""
    line = next(each["message"] for each in service.log() if "page on " in each["message"])
    try:
        with urllib.request.urlopen(
            line.split("page on ")[1] + "health", timeout=PATIENCE_S
        ) as answer:
            return int(answer.status)
    except urllib.error.HTTPError as error:
        return error.code


@pytest.mark.fault
@pytest.mark.parametrize(
    "how", ["locked", pytest.param("moved", marks=pytest.mark.slow), "cut off"]
)
def test_a_forecast_that_comes_meanwhile_is_told_afterwards(
    how: str, tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    doorway: Doorway | None = None
    url = f"sqlite:///{tmp_path}/kept/w.sqlite3"
    (tmp_path / "kept").mkdir()
    if how == "cut off":
        if not os.environ.get("WINDOWWATCH_TEST_POSTGRES"):
            pytest.skip("no PostgreSQL server: WINDOWWATCH_TEST_POSTGRES is not set")
        server = make_url(request.getfixturevalue("postgres_url"))
        doorway = Doorway(str(server.host), int(server.port or 5432))
        doorway.open()
        request.addfinalizer(doorway.shut)
        url = server.set(host="127.0.0.1", port=doorway.port).render_as_string(False)
    with Sink() as sink:
        service = Service(tmp_path, "", {"WINDOWWATCH_TEST_CREW": sink.url}, url)
        try:
            service.until(lambda: service.said("watching"))
            gone = {"locked": lambda: locked(tmp_path), "moved": lambda: moved(tmp_path)}
            with gone.get(how, lambda: cut_off(doorway))():  # type: ignore[arg-type]
                forecast_in(tmp_path / "forecasts")
                begun = time.monotonic()
                assert page_answers(service) in (200, 503)
                time.sleep(max(0.0, GAP_S - (time.monotonic() - begun)))
                assert service.process.poll() is None
            service.until(lambda: bool(sink.received))
            time.sleep(1.0)  # a second notice would come by now
            service.process.send_signal(signal.SIGTERM)
            assert service.process.wait(PATIENCE_S) == 0
        finally:
            service.end()
        (notice,) = sink.received
        assert notice["title"].startswith("OPEN Field Mon 4 May")
        store = open_store(url)
        assert [c.cycle.id for c in store.cycles("line")] == ["made-2026-05-04T12Z"]
        assert store.pending_deliveries() == {}
        store.close()
    if how != "locked":
        assert any(line["level"] in ("warning", "error") for line in service.log()), "it is said"
