"""Channels side by side: one that hangs holds no other up, and nothing is told twice for it."""

import threading
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta

import pytest
from invented import NOW, SITES, WATCH, change, record
from patience import PATIENCE_S
from sink import Sink, free_port

from windowwatch.clock import SimulatedClock
from windowwatch.errors import DeliveryError, StorageError, WindowwatchError
from windowwatch.notices import lanes as lanes_module
from windowwatch.notices.channels import send as real_send
from windowwatch.notices.deliver import Result, deliver_pending
from windowwatch.notices.lanes import Lanes
from windowwatch.notices.policy import plan_deliveries
from windowwatch.notices.values import Channel, Message
from windowwatch.storage.store import Store

pytestmark = pytest.mark.night
CLOCK = SimulatedClock(NOW)
CHANGES = tuple(change(key=f"{i}", window_uid=f"w{i}") for i in range(3))


@contextmanager
def made(
    ended: list[tuple[str, WindowwatchError | None]] | None = None, wait_s: float = 0.1
) -> Iterator[Lanes]:
    seen = [] if ended is None else ended
    lanes = Lanes(time.monotonic, lambda name, error: seen.append((name, error)), wait_s)
    yield lanes
    lanes.close(PATIENCE_S)
    assert lanes.idle()


def stored(store: Store, *channels: Channel) -> None:
    store.save_pass(record(changes=CHANGES, deliveries=plan_deliveries(CHANGES, channels)))


def test_a_hanging_channel_holds_no_other_up(store: Store) -> None:
    """Run after run the others tell what came, while one attempt has not ended yet."""
    let_go = threading.Event()
    with Sink() as sink, Sink() as second:
        phone, mail = Channel("phone", sink.url), Channel("mail", second.url)
        dead = Channel("dead", "json://127.0.0.1:9/")
        stored(store, dead, phone, mail)

        def send(channel: Channel, message: Message) -> None:
            if channel.name == "dead":
                assert let_go.wait(PATIENCE_S)
                raise DeliveryError("channel 'dead': away", retry=True)
            real_send(channel, message)

        with made() as lanes:
            reports = [lanes.deliver(store, [dead, phone, mail], SITES, CLOCK, send=send)]
            until = time.monotonic() + PATIENCE_S
            while len(sink.received) < 3 or len(second.received) < 3:
                assert time.monotonic() < until
                time.sleep(0.01)
            more = (change(key="later", window_uid="later"),)
            store.save_changes(WATCH, more, plan_deliveries(more, [phone]))
            reports.append(lanes.deliver(store, [dead, phone, mail], SITES, CLOCK, send=send))
            while len(sink.received) < 4 or set(lanes.hanging(timedelta(0))) != {"dead"}:
                assert time.monotonic() < until
                time.sleep(0.01)
            assert not lanes.idle()
            assert lanes.hanging(timedelta(hours=1)) == {}
            let_go.set()
            reports.append(lanes.settle(PATIENCE_S))
    ended = Counter((a.channel, a.result) for r in reports for a in r.attempts)
    assert ended[("phone", Result.SENT)] == 4
    assert ended[("mail", Result.SENT)] == 3
    assert ended[("dead", Result.LATER)] >= 1
    assert store.unsettled_channels(["phone", "mail"], NOW) == ()
    assert store.unsettled_channels(["dead", "phone"], NOW) == ("dead",)


def test_what_falls_back_is_told_at_once(store: Store) -> None:
    with Sink() as sink:
        mail = Channel("mail", sink.url)
        dead = Channel(
            "dead", f"json://127.0.0.1:{free_port()}/", fallback="mail",
            fallback_after=timedelta(0),
        )  # fmt: skip
        stored(store, dead)
        with made(wait_s=PATIENCE_S) as lanes:
            lanes.deliver(store, [mail, dead], SITES, CLOCK)
        assert len(sink.received) == 1


def test_a_refusal_of_the_database_is_told_and_the_lane_goes_on(
    store: Store, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    ended: list[tuple[str, WindowwatchError | None]] = []
    errors: list[Exception] = [StorageError("locked"), RuntimeError("a bug")]

    def broken(*given: object, **named: object) -> object:
        if errors:
            raise errors.pop(0)
        return deliver_pending(*given, **named)  # type: ignore[arg-type]

    monkeypatch.setattr(lanes_module, "deliver_pending", broken)
    with Sink() as sink, made(ended, PATIENCE_S) as lanes:
        phone = Channel("phone", sink.url)
        stored(store, phone)
        for _ in range(3):
            lanes.deliver(store, [phone], SITES, CLOCK)
        assert len(sink.received) == 3
    assert [(name, str(error)) for name, error in ended] == [
        ("phone", "locked"), ("phone", "None"), ("phone", "None"),
    ]  # fmt: skip
    assert "its deliveries broke" in caplog.text


def test_nothing_is_begun_after_the_end(store: Store) -> None:
    with Sink() as sink:
        phone = Channel("phone", sink.url)
        stored(store, phone)
        with made() as lanes:
            pass
        assert lanes.deliver(store, [phone], SITES, CLOCK).attempts == ()
        assert sink.received == []
