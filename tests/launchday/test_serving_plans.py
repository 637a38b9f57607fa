"""Planned launches in the daemon as a real process: flown, told on a real sink, whatever dies."""

import os
import signal
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from children import living_children
from line_watch import forecast_in
from service import Service
from sink import Sink

from windowwatch.chase.values import Air
from windowwatch.launchday.countdown import DEFAULT_STEPS
from windowwatch.launchday.plan import LiftMeasured, Planned, Released, Scrubbed
from windowwatch.launchday.releases import ReleaseTable
from windowwatch.settings.read import read_settings
from windowwatch.storage.store import Store, open_store

pytestmark = [pytest.mark.launchday, pytest.mark.process]

#: The daemon's clock starts here; the made forecast is of this hour.
NOW = datetime(2026, 5, 4, 12, 0, tzinfo=UTC)
RELEASE = NOW + timedelta(hours=3, minutes=7)


@pytest.fixture
def served(tmp_path: Path) -> Iterator[tuple[Service, Store, Sink]]:
    with Sink() as sink:
        (tmp_path / "forecasts").mkdir()
        forecast_in(tmp_path / "forecasts")
        service = Service(tmp_path, "", {"WINDOWWATCH_TEST_CREW": sink.url})
        service.until(lambda: service.said("1 change(s)"))
        store = open_store(f"sqlite:///{tmp_path}/serve.sqlite3")
        yield service, store, sink
        store.close()
        service.end()


def newest(store: Store, number: int) -> ReleaseTable | None:
    """The table of plan 1, once it is of that entry."""
    table = store.release_table("line", "1")
    return table if table is not None and table.plan_number >= number else None


def test_a_plan_is_flown_and_told_and_its_lift_flown_again(
    served: tuple[Service, Store, Sink],
) -> None:
    service, store, sink = served
    train = read_settings(service.settings, maps=False).watch.train
    store.make_plan("line", Planned("Field", RELEASE, train), at_utc=NOW, by="Ada")
    service.until(lambda: newest(store, 1) is not None)
    table = newest(store, 1)
    assert table is not None
    assert table.planned is not None
    assert table.planned.time_utc == RELEASE, "the exact minute"
    assert table.flight is not None
    service.until(lambda: any("LAUNCH PLANNED" in each["title"] for each in sink.received))

    # the process that flies dies: the next table is made by another one
    (flier,) = living_children(service.process.pid)
    os.kill(flier, signal.SIGKILL)
    lift = LiftMeasured(train.nozzle_lift_kg + 0.2)
    store.act_on_plan("line", "1", lift, at_utc=NOW, by="Ben", steps=DEFAULT_STEPS)
    service.until(lambda: newest(store, 2) is not None)
    again = newest(store, 2)
    assert again is not None
    assert again.flight is not None
    assert again.flight.landing_utc is not None
    assert table.flight.landing_utc is not None
    assert again.flight.landing_utc < table.flight.landing_utc, "more lift, a quicker rise"

    store.act_on_plan("line", "1", Scrubbed("rain"), at_utc=NOW, by="Ben", steps=DEFAULT_STEPS)
    service.until(lambda: any("SCRUBBED" in each["title"] for each in sink.received))
    service.until(lambda: not living_children(service.process.pid))

    # another one leaves: its flight begins, with the newest cycle's wind, and is estimated
    store.make_plan("line", Planned("Field", RELEASE, train), at_utc=NOW, by="Ada")
    left = Released(NOW + timedelta(seconds=1))
    store.act_on_plan(
        "line", "2", left, at_utc=NOW + timedelta(seconds=1), by="Ada", steps=DEFAULT_STEPS
    )
    service.until(lambda: store.flight_of_plan("line", "2") is not None)
    service.until(lambda: store.flights()[0].begun.air is Air.FORECAST)
    (flight,) = store.flights()
    assert flight.begun.train == train
    assert flight.begun.forecast == "made-2026-05-04T12Z"
    service.until(lambda: store.said(flight.key) is not None)
    service.process.send_signal(signal.SIGTERM)
    assert service.process.wait(60) == 0
