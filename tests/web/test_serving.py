"""The page as real processes: the daemon with it, the page alone, and how they end."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

import httpx
import invented
import pytest
from click.testing import CliRunner
from line_watch import settings_in
from patience import PATIENCE_S
from sink import free_port

from windowwatch.cli.main import main
from windowwatch.storage.store import open_store


@contextmanager
def running(
    folder: Path, *words: str, more: Mapping[str, str] | None = None
) -> Iterator["subprocess.Popen[str]"]:
    """A command of ours; killed at the end if it still runs."""
    with (folder / "log").open("w", encoding="utf-8") as log:
        process = subprocess.Popen(
            [sys.executable, "-m", "windowwatch", *words],
            stdout=log,
            stderr=subprocess.STDOUT,
            text=True,
            cwd=folder,
            env={**os.environ, "XDG_DATA_HOME": str(folder / "data"), **(more or {})},
        )
        try:
            yield process
        finally:
            process.kill()
            process.wait()


def answered(url: str, folder: Path) -> httpx.Response:
    """The first answer; fails with the program's own words."""
    until = time.monotonic() + PATIENCE_S
    while True:
        try:
            return httpx.get(url, timeout=PATIENCE_S)
        except httpx.TransportError:
            assert time.monotonic() < until, (folder / "log").read_text(encoding="utf-8")
            time.sleep(0.1)


def end(process: "subprocess.Popen[str]") -> None:
    """SIGTERM, to which nothing answers but a clean end."""
    process.send_signal(signal.SIGTERM)
    assert process.wait(PATIENCE_S) == 0


def test_the_daemon_serves_its_page_and_stops_with_a_visitor_connected(tmp_path: Path) -> None:
    database = f'\n[database]\nurl = "sqlite:///{tmp_path}/serve.sqlite3"\n'
    settings = str(settings_in(tmp_path, database))
    port = free_port()
    url = f"http://127.0.0.1:{port}"
    with running(tmp_path, "serve", "--settings", settings, "--port", str(port)) as process:
        assert "Nothing to show yet" in answered(url, tmp_path).text
        with httpx.Client(timeout=PATIENCE_S) as visitor:  # keeps its connection
            told = visitor.get(f"{url}/health")
            assert told.status_code == 503
            assert told.json()["condition"] == "empty"
            end(process)
    log = (tmp_path / "log").read_text(encoding="utf-8")
    assert f"page on {url}/" in log
    assert "Traceback" not in log


def test_a_result_appears_while_the_page_alone_is_open(tmp_path: Path) -> None:
    database = f"sqlite:///{tmp_path}/w.sqlite3"
    settings = settings_in(tmp_path, f'\n[database]\nurl = "{database}"\n')
    text = settings.read_text(encoding="utf-8").replace('"line"', f'"{invented.WATCH}"')
    settings.write_text(text.replace('"Field"', '"Millfield"'), encoding="utf-8")
    port = free_port()
    words = ("page", "--settings", str(settings), "--port", str(port), "--at")
    with running(tmp_path, *words, "2026-05-05T04:00Z") as process:
        url = f"http://127.0.0.1:{port}"
        assert "Nothing to show yet" in answered(url, tmp_path).text
        store = open_store(database)
        good = tuple(
            invented.hour(invented.at(h), 80.0 if 6 <= h < 10 else 0.0, by="wind")
            for h in range(24)
        )
        store.save_pass(invented.record(hours=good))
        store.close()
        page = httpx.get(url, timeout=PATIENCE_S).text
        assert (
            "Thu 7 May, release 07:00 to 10:00" in page
        )  # Europe/London, one hour ahead of UTC in May
        end(process)


def refused(folder: Path, *words: str, **more: str) -> str:
    """What a command says that does not start."""
    environment = {"XDG_DATA_HOME": str(folder / "data"), "WINDOWWATCH_PAGE_TOKEN": None, **more}
    done = CliRunner().invoke(main, words, env=environment)
    assert done.exit_code == 1, done.output
    return done.output


def test_what_stands_in_the_way_is_said_before_anything_starts(tmp_path: Path) -> None:
    settings = str(settings_in(tmp_path))
    told = refused(tmp_path, "page", "--rehearsal", "--settings", settings)
    assert "run `windowwatch rehearse` first" in told
    told = refused(tmp_path, "serve", "--settings", settings, "--host", "0.0.0.0")
    assert "WINDOWWATCH_PAGE_TOKEN" in told
    assert not (tmp_path / "data").exists()


@pytest.mark.parametrize("host", ["192.0.2.1"])  # a documentation address (RFC 5737): not ours
def test_an_address_of_another_machine_is_named(tmp_path: Path, host: str) -> None:
    words = ("page", "--settings", str(settings_in(tmp_path)), "--host", host)
    told = refused(tmp_path, *words, WINDOWWATCH_PAGE_TOKEN="a long word for a test only")
    assert f"the page cannot listen on {host}" in told
