"""Health tells the truth: each thing that may be wrong is 503 with its reason, and a figure."""

from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path

import invented
import pytest
from httpx import Client
from invented import NOW
from line_watch import settings_in
from page_week import Week
from patience import PATIENCE_S
from prometheus_client.parser import text_string_to_metric_families

from windowwatch.clock import SimulatedClock
from windowwatch.daemon import room_of
from windowwatch.errors import (
    DeliveryError,
    ForecastError,
    SettingsError,
    StorageError,
    UnansweredError,
    WindowwatchError,
)
from windowwatch.notices.deliver import deliver_pending
from windowwatch.notices.values import Channel, Message
from windowwatch.settings.read import read_settings
from windowwatch.storage.store import Store
from windowwatch.web.app import create_app
from windowwatch.web.data.health import Vitals
from windowwatch.web.server import PageServer
from windowwatch.web.values import Bounds

pytestmark = pytest.mark.night
BOUNDS = Bounds(timedelta(minutes=30), timedelta(minutes=50), 500_000_000)


@dataclass
class Told:
    """A page over one fresh pass, of which all is well until a test says otherwise."""

    store: Store
    clock: SimulatedClock
    vitals: Vitals
    client: Client
    steady_s: list[float]
    room: list[int]

    def health(self) -> tuple[int, str]:
        answer = self.client.get("/health")
        body = answer.json()
        assert body["well"] is (answer.status_code == 200)
        assert (body["reason"] == "") is body["well"]
        assert "\n" not in body["reason"]
        return answer.status_code, body["reason"]

    def page(self) -> str:
        return str(self.client.get("/health/page").text)

    def figures(self) -> dict[str, float]:
        """By name and channel."""
        text = self.client.get("/metrics").text
        return {
            " ".join([sample.name.removeprefix("windowwatch_"), sample.labels.get("channel", "")]
                     ).strip(): sample.value
            for family in text_string_to_metric_families(text)
            for sample in family.samples
        }  # fmt: skip


@pytest.fixture
def told(week: Week, store: Store) -> Iterator[Told]:
    steady_s, room, clock = [0.0], [10**12], SimulatedClock(NOW)
    vitals = Vitals(lambda: steady_s[0])
    facts = replace(
        week.facts, watch=invented.WATCH, channels=("phone", "mail"), bounds=BOUNDS,
        stale_after=timedelta(days=5),
    )  # fmt: skip
    app = create_app(store, facts, clock, life=vitals.now, room=lambda: room[0])
    store.save_pass(invented.record())
    with ExitStack() as open_:
        server = open_.enter_context(PageServer(app, "127.0.0.1", 0))
        client = open_.enter_context(Client(base_url=server.url, timeout=PATIENCE_S))
        yield Told(store, clock, vitals, client, steady_s, room)


def deliver(told: Told, error: DeliveryError | None) -> None:
    """One run on `phone`, which fails so."""

    def send(_channel: Channel, _message: Message) -> None:
        if error is not None:
            raise error

    channel = Channel("phone", "json://127.0.0.1:9/")
    deliver_pending(told.store, [channel], invented.SITES, told.clock, send=send)


def test_all_is_well(told: Told) -> None:
    assert told.health() == (200, "")
    assert "not all is well" not in told.page()
    assert told.figures()["healthy"] == 1.0


def test_passes_that_fail_are_told_until_one_is_made(told: Told) -> None:
    told.vitals.passed(ForecastError("g.grib2: is cut off\nmore of it"), decides=True)
    told.vitals.looked()  # a look at which nothing is tried again is no pass
    assert told.health() == (503, "the last pass failed: g.grib2: is cut off")
    assert "The last pass failed: g.grib2: is cut off." in told.page()
    told.vitals.passed(None, decides=False)
    assert told.health()[0] == 503, "that of another model says nothing of it"
    told.vitals.passed(None, decides=True)
    assert told.health() == (200, "")
    told.vitals.passed(ForecastError("of another model"), decides=False)
    assert told.health() == (200, "")
    figures = told.figures()
    assert (figures["passes_total"], figures["passes_failed_total"]) == (2.0, 2.0)


def test_a_database_that_refuses_is_told_until_it_takes_again(told: Told) -> None:
    error = StorageError("database /srv/w.sqlite3 is read-only; make it writable")
    told.vitals.stored("what is due between passes", error)
    told.vitals.looked()
    status, reason = told.health()
    assert status == 503
    assert "what is due between passes was refused" in reason
    assert "read-only" in reason
    assert "/srv" not in reason, "where files lie is nothing that a page tells"
    told.vitals.stored("what is due between passes")
    assert told.health() == (200, "")
    assert told.figures()["storage_errors_total"] == 1.0


def test_a_database_that_cannot_be_read_is_told(
    told: Told, monkeypatch: pytest.MonkeyPatch
) -> None:
    def gone(_self: Store, _watch: str) -> None:
        raise StorageError("database w.sqlite3 cannot be opened")

    monkeypatch.setattr(Store, "newest_pass", gone)
    status, reason = told.health()
    assert status == 503
    assert "cannot be opened" in reason
    assert told.figures()["healthy"] == 0.0


def test_a_scheduler_that_does_not_look_is_told(told: Told) -> None:
    told.steady_s[0] = 50 * 60.0
    assert told.health() == (200, "")
    told.steady_s[0] += 60.0
    assert told.health() == (503, "no look for 51 min")
    told.vitals.looked(WindowwatchError("the folder is away"))
    assert told.health() == (503, "no look for 51 min: the folder is away"), "a refusal is no look"
    told.vitals.goes_on()
    assert told.health() == (200, "")
    figures = told.figures()
    assert (figures["last_look_age_seconds"], figures["looks_failed_total"]) == (0.0, 1.0)
    assert figures["up_seconds"] == 51 * 60.0


def test_a_channel_that_fails_is_told_after_a_set_time(told: Told) -> None:
    deliver(told, DeliveryError("channel 'phone': away", retry=True))
    assert told.health() == (200, ""), "a moment is not for long"
    told.clock.set(NOW + timedelta(minutes=29))
    assert told.health() == (200, "")
    told.clock.set(NOW + timedelta(minutes=30))
    assert told.health() == (503, "nothing has come through on channel phone for 30 min")
    figures = told.figures()
    assert figures["channel_failing_seconds phone"] == 1800.0
    assert figures["delivery_attempts_failed_total phone"] == 1.0
    deliver(told, None)
    assert told.health() == (200, "")
    told.clock.set(NOW + timedelta(minutes=40))
    assert told.figures()["last_delivery_age_seconds phone"] == 600.0


def test_perhaps_delivered_and_failed_attempts_are_shown(told: Told) -> None:
    deliver(told, UnansweredError("channel 'phone': not answered", retry=True))
    figures = told.figures()
    assert figures["deliveries_perhaps phone"] == 1.0
    assert figures["delivery_attempts_failed_total phone"] == 1.0
    page = told.page()
    assert "perhaps delivered" in page
    row = page[page.index('<tr><th scope="row">phone</th>') :]
    cells = [part.partition("</td>")[0] for part in row.split('<td class="n">')[1:6]]
    assert cells == ["0", "0", "1", "0", "1"]  # sent, waiting, perhaps, given up, attempts failed


def test_a_disk_that_fills_is_told(told: Told) -> None:
    told.room[0] = 500_000_000
    assert told.health() == (200, "")
    told.room[0] = 123_400_000
    assert told.health() == (503, "the disk has 123 MB free, less than 500 MB: make room")
    assert told.figures()["disk_free_bytes"] == 123_400_000.0


def test_several_reasons_stand_in_one_line(told: Told) -> None:
    told.room[0] = 0
    told.vitals.passed(ForecastError("cut off"), decides=True)
    told.clock.set(NOW + timedelta(days=6))
    status, reason = told.health()
    assert status == 503
    assert reason.startswith(
        "the newest forecast is 6 days 4 h old, more than 5 days; the last pass"
    )
    assert "the disk has 0 MB free" in reason


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("channel_failing_min = 0", "health.channel_failing_min = 0"),
        ("no_look_min = 5", "give at least 20.0167"),
        ('disk_free_mb = "500"', "write the number without quotes: disk_free_mb = 500"),
        ("disk_free = 500", "did you mean disk_free_mb?"),
    ],
)
def test_wrong_settings_name_key_and_fix(tmp_path: Path, line: str, said: str) -> None:
    path = settings_in(tmp_path, f"\n[health]\n{line}\n")
    with pytest.raises(SettingsError) as caught:
        read_settings(path)
    assert said in caught.value.message
    assert str(path) in caught.value.message


def test_settings_reach_the_page_and_the_room_is_that_of_the_fullest_disk(tmp_path: Path) -> None:
    more = (
        "\n[health]\nchannel_failing_min = 5\nno_look_min = 90\ndisk_free_mb = 1\n"
        f'\n[database]\nurl = "sqlite:///{tmp_path}/not/yet/w.sqlite3"\n'
    )
    settings = read_settings(settings_in(tmp_path, more))
    minutes = timedelta(minutes=5), timedelta(minutes=90)
    assert settings.bounds == Bounds(*minutes, 1_000_000)
    room = room_of(settings)
    assert room is not None
    assert room > 0
