"""The daemon as a service: reload on SIGHUP, signs of life, JSON logs, a pass that dies."""

import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from line_watch import forecast_in
from patience import AN_HOUR_S, PATIENCE_S
from service import Service, called
from sink import Sink, free_port

from windowwatch.errors import DeliveryError
from windowwatch.notices.heartbeat import beat
from windowwatch.watch.run.supervisor import Signals, Supervisor


@contextmanager
def serving(folder: Path, more: str = "", **environment: str) -> Iterator[Service]:
    service = Service(folder, more, {"WINDOWWATCH_TEST_CREW": "json://127.0.0.1:9/", **environment})
    try:
        yield service
    finally:
        service.end()


class Ear:
    """A socket as systemd has one; first lines of what is said stand in `heard`."""

    def __init__(self, path: Path) -> None:
        self.heard: list[str] = []
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(str(path))
        self._path = path
        self._thread = threading.Thread(target=self._listen)
        self._thread.start()

    def _listen(self) -> None:
        while (words := self._socket.recv(200).decode()) != "END":
            self.heard.append(words.split("\n")[0])

    def close(self) -> None:
        self._socket.sendto(b"END", str(self._path))
        self._thread.join()
        self._socket.close()


def test_signs_of_life_json_logs_and_reload(tmp_path: Path) -> None:
    """One run: systemd is told, the heartbeat is called, settings are read again."""
    ear = Ear(tmp_path / "notify")
    more = '\n[service]\nheartbeat_url_env = "WINDOWWATCH_TEST_BEAT"\n'
    life = {"NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": "1000000"}
    with (
        Sink() as sink,
        Sink() as other,
        called() as (url, paths),
        serving(
            tmp_path,
            more,
            WINDOWWATCH_TEST_CREW=sink.url,
            WINDOWWATCH_TEST_NEW=other.url,
            WINDOWWATCH_TEST_BEAT=f"{url}/good?token=hush",
            **life,
        ) as service,
    ):
        service.until(lambda: ear.heard[:2] == ["READY=1", "WATCHDOG=1"])

        good = service.settings.read_text(encoding="utf-8")
        service.settings.write_text(good.replace("draws = 1", "draws = 0"), encoding="utf-8")
        service.process.send_signal(signal.SIGHUP)
        service.until(lambda: service.said("not taken over, the old ones stay"))
        new = good.replace("WINDOWWATCH_TEST_CREW", "WINDOWWATCH_TEST_NEW")
        new = new.replace("draws = 1", 'draws = 1\nnote = "Said anew"')
        service.settings.write_text(new, encoding="utf-8")
        service.process.send_signal(signal.SIGHUP)
        service.until(lambda: service.said("settings read again"))

        forecast_in(tmp_path / "forecasts")
        service.until(lambda: bool(other.received))
        service.until(lambda: bool(paths))
        assert "Said anew" in service.page(), "the page shows what the settings say now"
        service.process.send_signal(signal.SIGTERM)
        assert service.process.wait(PATIENCE_S) == 0
        log = service.log()
    assert sink.received == []
    assert paths == ["/good?token=hush"]
    refusal = next(line for line in log if "not taken over" in line["message"])
    assert refusal["level"] == "error"
    assert "watch.draws = 0" in refusal["message"]
    begun = next(line for line in log if "pass begins" in line["message"])
    assert begun["cycle"] == "made-2026-05-04T12Z"
    assert "hush" not in (tmp_path / "log").read_text(encoding="utf-8")
    ear.close()
    assert set(ear.heard) == {"RELOADING=1", "READY=1", "WATCHDOG=1", "STOPPING=1"}
    assert ear.heard[-1] == "STOPPING=1"


def test_no_sign_of_life_for_what_only_others_say(tmp_path: Path) -> None:
    """That the deciding model is silent must be noticed elsewhere, whatever others bring."""
    more = (
        '\n[service]\nheartbeat_url_env = "WINDOWWATCH_TEST_BEAT"\n'
        '\n[[opinions]]\nmodel = "other"\nforecast_folder = "others"\n'
    )
    (tmp_path / "others").mkdir()
    with (
        called() as (url, paths),
        Sink() as sink,
        serving(
            tmp_path,
            more,
            WINDOWWATCH_TEST_CREW=sink.url,
            WINDOWWATCH_TEST_BEAT=f"{url}/good",
        ) as service,
    ):
        forecast_in(tmp_path / "forecasts")
        service.until(lambda: bool(paths))
        forecast_in(tmp_path / "others", gust=25.0)
        service.until(lambda: service.said("weighed anew"))
        service.process.send_signal(signal.SIGTERM)  # the look under way is ended first
        assert service.process.wait(PATIENCE_S) == 0
    assert paths == ["/good"]


def test_a_pass_that_gets_too_little_time_is_tried_so_often_and_no_more(tmp_path: Path) -> None:
    more = "\n[service]\npass_time_limit_min = 0.01\npass_tries = 2\n"
    with serving(tmp_path, more) as service:
        forecast_in(tmp_path / "forecasts")
        service.until(lambda: service.said("its pass failed 2 times and is not tried again"))
        service.process.send_signal(signal.SIGTERM)
        assert service.process.wait(PATIENCE_S) == 0
        log = service.log()
    passes = [line["message"] for line in log if "tried again at the next look" in line["message"]]
    assert sum("took longer than 0.01 min" in words for words in passes) == 2
    told = [line["message"] for line in log if "tried 2 times" in line["message"]]
    assert len(told) == 1, "that it was given up is told to people"
    assert "could not be worked up" in told[0]


def test_a_heartbeat_that_fails_is_named_without_its_address() -> None:
    with called() as (url, _):
        beat(f"{url}/good")
        with pytest.raises(DeliveryError, match="answers with status 503") as caught:
            beat(f"{url}/hush")
    assert "hush" not in str(caught.value)
    for wrong in (f"http://127.0.0.1:{free_port()}/hush", "http://[hush", "hush"):
        with pytest.raises(DeliveryError, match="cannot be called") as caught:
            beat(wrong)
        assert "hush" not in str(caught.value)


#: Hears signals in a thin loop, and counts what it was asked for.
LISTENER = """
import sys
from windowwatch.watch.run.supervisor import Signals
reloads = 0
with Signals() as signals:
    print("ready", flush=True)
    while not signals.stopping():
        signals.wait(5.0)
        reloads += signals.take_reload()
print(reloads)
"""


def test_a_storm_of_signals_never_locks_the_daemon_up() -> None:
    """A lock taken in a handler would be waited for by the thread that holds it."""
    child = subprocess.Popen([sys.executable, "-c", LISTENER], stdout=subprocess.PIPE, text=True)
    try:
        assert child.stdout is not None
        assert child.stdout.readline() == "ready\n"
        for _ in range(3000):
            child.send_signal(signal.SIGHUP)
        time.sleep(0.2)
        child.send_signal(signal.SIGTERM)
        heard, _ = child.communicate(timeout=PATIENCE_S)
    finally:
        child.kill()
    assert 1 <= int(heard) <= 3000


def test_a_signal_just_before_the_wait_ends_it_at_once() -> None:
    with Signals() as signals:
        os.kill(os.getpid(), signal.SIGHUP)
        begun = time.monotonic()
        signals.wait(AN_HOUR_S)
        assert time.monotonic() - begun < PATIENCE_S
        assert signals.take_reload()
        assert not signals.take_reload()
        signals.wait(0.01)


def test_without_a_supervisor_nothing_is_said(tmp_path: Path) -> None:
    silent = Supervisor({})
    silent.ready()
    assert silent.pause_s is None
    Supervisor({"NOTIFY_SOCKET": str(tmp_path / "gone")}).alive()
    assert Supervisor({"WATCHDOG_USEC": "60000000"}).pause_s == 30.0
