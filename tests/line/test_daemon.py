"""The daemon as a real process: a folder that fills, a real sink, signals."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from line_watch import forecast_in, settings_in
from patience import PATIENCE_S
from sink import Sink, free_port

from windowwatch.storage.store import open_store

CHANNEL = '\n[[channels]]\nname = "crew"\nurl_env = "WINDOWWATCH_TEST_CREW"\n'
#: The daemon's clock starts at the cycle's own time.
AT = "2026-05-04T12:00Z"


@contextmanager
def serving(folder: Path, url: str) -> Iterator["subprocess.Popen[str]"]:
    """`windowwatch serve` on the made watch; killed at the end if it still runs."""
    database = f'\n[database]\nurl = "sqlite:///{folder}/serve.sqlite3"\n'
    settings = settings_in(folder, CHANNEL + database)
    command = [sys.executable, "-m", "windowwatch", "serve", "--settings", str(settings)]
    log = (folder / "log").open("w", encoding="utf-8")
    process = subprocess.Popen(
        [*command, "--port", "0", "--at", AT],
        stdout=log,
        stderr=subprocess.STDOUT,
        text=True,
        env={**os.environ, "WINDOWWATCH_TEST_CREW": url},
    )
    try:
        yield process
    finally:
        process.kill()
        process.wait()
        log.close()


def until(what: Callable[[], bool], folder: Path) -> None:
    """Wait for something to be so; fail with the daemon's own words."""
    end = time.monotonic() + PATIENCE_S
    while not what():
        assert time.monotonic() < end, (folder / "log").read_text(encoding="utf-8")
        time.sleep(0.1)


def log_of(folder: Path) -> str:
    return (folder / "log").read_text(encoding="utf-8")


def test_a_file_that_appears_becomes_a_notice_and_sigterm_ends_cleanly(tmp_path: Path) -> None:
    with Sink() as sink, serving(tmp_path, sink.url) as process:
        until(lambda: "watching" in log_of(tmp_path), tmp_path)
        forecast_in(tmp_path / "forecasts")
        until(lambda: bool(sink.received), tmp_path)
        process.send_signal(signal.SIGTERM)
        assert process.wait(PATIENCE_S) == 0, log_of(tmp_path)
    (notice,) = sink.received
    assert notice["title"].startswith("OPEN Field Mon 4 May")
    log = log_of(tmp_path)
    assert "scheduler stopped" in log
    assert sink.url not in log, "an address may hold a secret"
    store = open_store(f"sqlite:///{tmp_path}/serve.sqlite3")
    assert [c.cycle.id for c in store.cycles("line")] == ["made-2026-05-04T12Z"]
    assert store.pending_deliveries() == {}
    store.close()


def test_a_damaged_file_is_named_once_and_the_next_good_one_is_used(tmp_path: Path) -> None:
    with Sink() as sink, serving(tmp_path, sink.url):
        until(lambda: "watching" in log_of(tmp_path), tmp_path)
        good = forecast_in(tmp_path, "whole.grib2").read_bytes()
        (tmp_path / "forecasts" / "cut.grib2").write_bytes(good[: len(good) // 2])
        until(lambda: "set aside" in log_of(tmp_path), tmp_path)
        (tmp_path / "forecasts" / "page.grib2").write_text("<html>busy</html>", encoding="utf-8")
        forecast_in(tmp_path / "forecasts")
        until(lambda: bool(sink.received), tmp_path)
    log = log_of(tmp_path)
    assert log.count("cut.grib2") == 1, log
    assert log.count("page.grib2") == 1, log


def test_a_channel_that_cannot_be_reached_is_named_and_the_result_is_kept(tmp_path: Path) -> None:
    with serving(tmp_path, f"json://127.0.0.1:{free_port()}/") as process:
        until(lambda: "watching" in log_of(tmp_path), tmp_path)
        forecast_in(tmp_path / "forecasts")
        until(lambda: "cannot be reached" in log_of(tmp_path), tmp_path)
        process.send_signal(signal.SIGTERM)
        assert process.wait(PATIENCE_S) == 0
    store = open_store(f"sqlite:///{tmp_path}/serve.sqlite3")
    assert store.pending_deliveries() == {"crew": 1}
    store.close()


@pytest.mark.parametrize("wait_s", [0.0, 0.3, 0.9])
def test_sigterm_in_a_pass_leaves_all_of_it_or_nothing(tmp_path: Path, wait_s: float) -> None:
    with serving(tmp_path, f"json://127.0.0.1:{free_port()}/") as process:
        until(lambda: "watching" in log_of(tmp_path), tmp_path)
        forecast_in(tmp_path / "forecasts")
        until(lambda: "pass begins" in log_of(tmp_path), tmp_path)
        time.sleep(wait_s)
        process.send_signal(signal.SIGTERM)
        assert process.wait(PATIENCE_S) == 0, log_of(tmp_path)
    store = open_store(f"sqlite:///{tmp_path}/serve.sqlite3")
    stored = store.cycles("line")
    assert len(stored) in (0, 1)
    assert len(store.hours("line")) == 6 * len(stored)
    assert len(store.changes("line")) == len(stored)
    store.close()


def test_without_its_channels_address_it_does_not_start(tmp_path: Path) -> None:
    settings = settings_in(tmp_path, CHANNEL)
    environment = {k: v for k, v in os.environ.items() if k != "WINDOWWATCH_TEST_CREW"}
    done = subprocess.run(
        [sys.executable, "-m", "windowwatch", "serve", "--settings", str(settings)],
        capture_output=True,
        text=True,
        env={**environment, "XDG_DATA_HOME": str(tmp_path)},
        check=False,
    )
    assert done.returncode == 1
    assert "the environment variable WINDOWWATCH_TEST_CREW is not set" in done.stderr
    assert "Traceback" not in done.stderr
