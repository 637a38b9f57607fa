"""A real daemon whose page, channel or passes fail: it goes on, and says so."""

import socket
import time
from contextlib import closing
from pathlib import Path

import pytest
from line_watch import forecast_in
from service import Service, called, health, port_of, stop
from sink import Sink, free_port

from windowwatch.storage.store import open_store

pytestmark = pytest.mark.night
#: A channel more than the tests' own.
SECOND = '\n[[channels]]\nname = "mail"\nurl_env = "WINDOWWATCH_TEST_MAIL"\n'
BEAT = '\n[service]\nheartbeat_url_env = "WINDOWWATCH_TEST_BEAT"\n'


def test_a_busy_port_leaves_watching_and_alerting_alone(tmp_path: Path) -> None:
    port = free_port()
    life = {"WATCHDOG_USEC": "1000000"}  # looked to every half second
    with Sink() as sink, closing(socket.create_server(("127.0.0.1", port))) as other:
        environment = {"WINDOWWATCH_TEST_CREW": sink.url, **life}
        service = Service(tmp_path, "", environment, port=port)
        try:
            service.until(lambda: service.said("tried again and again, the watch goes on"))
            forecast_in(tmp_path / "forecasts")
            service.until(lambda: bool(sink.received))
            other.close()
            service.until(lambda: service.said("page on "))
            assert "Field" in service.page()
            stop(service)
        finally:
            service.end()
    refusals = [each for each in service.log() if "cannot listen" in each["message"]]
    assert len(refusals) == 1, "said once, not at every try"
    assert refusals[0]["level"] == "error"


def test_the_heartbeat_waits_for_deliveries_and_a_dead_channel_holds_no_other_up(
    tmp_path: Path,
) -> None:
    """A service that takes a connection and never says a word hangs for a minute and more."""
    silent = socket.create_server(("127.0.0.1", 0))
    hanging = f"json://127.0.0.1:{silent.getsockname()[1]}/"
    with called() as (url, paths), Sink() as sink, closing(silent):
        environment = {
            "WINDOWWATCH_TEST_CREW": hanging,
            "WINDOWWATCH_TEST_MAIL": sink.url,
            "WINDOWWATCH_TEST_BEAT": f"{url}/good",
        }
        service = Service(tmp_path, SECOND + BEAT, environment)
        try:
            forecast_in(tmp_path / "forecasts", "first.grib2", hour=6)
            service.until(lambda: bool(sink.received))
            one = len(sink.received)
            # The next cycle's notices come while the first channel still hangs.
            begun = time.monotonic()
            forecast_in(tmp_path / "forecasts", "next.grib2", hour=12, gust=25.0)
            service.until(lambda: len(sink.received) > one)
            print(f"told beside a hanging channel after {time.monotonic() - begun:.1f} s")
            assert paths == [], "no sign of life while a notice is on its way"
            silent.close()  # what hangs would be waited for
            stop(service)
        finally:
            service.end()
    store = open_store(f"sqlite:///{tmp_path}/serve.sqlite3")
    figures = store.channel_figures()
    store.close()
    assert figures["mail"].pending == 0
    assert figures["crew"].sent == 0


def test_passes_that_fail_are_at_the_page_with_status_503(tmp_path: Path) -> None:
    more = "\n[service]\npass_time_limit_min = 0.01\npass_tries = 1\n"
    service = Service(tmp_path, more, {"WINDOWWATCH_TEST_CREW": "json://127.0.0.1:9/"})
    try:
        forecast_in(tmp_path / "forecasts")
        service.until(lambda: service.said("its pass failed 1 times"))
        said = health(port_of(service))
        assert said["well"] is False
        assert "the last pass failed" in said["reason"]
        assert "took longer than 0.01 min" in said["reason"]
        stop(service)
    finally:
        service.end()
