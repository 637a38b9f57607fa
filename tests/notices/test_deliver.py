"""From stored rows to a real HTTP server on loopback: at least once, marked after sending."""

import os
import signal
import subprocess
import sys
from datetime import timedelta
from pathlib import Path

import pytest
from invented import NOW, SITES, change, record
from sink import Sink, free_port

from windowwatch.clock import SimulatedClock
from windowwatch.errors import DeliveryError
from windowwatch.notices.deliver import DeliveryReport, Result, deliver_pending
from windowwatch.notices.policy import RetryRules, next_try, plan_deliveries
from windowwatch.notices.values import Channel, Message
from windowwatch.storage.deliveries import DeliveryState
from windowwatch.storage.store import Store
from windowwatch.windows.values import ChangeKind

RULES = RetryRules()
KEY = record().changes[0].key


def deliver(
    store: Store, *channels: Channel, after: timedelta = timedelta(0), **other: object
) -> DeliveryReport:
    clock = SimulatedClock(NOW + after)
    return deliver_pending(store, channels, SITES, clock, **other)  # type: ignore[arg-type]


def results(report: DeliveryReport) -> list[tuple[str, Result]]:
    return [(a.channel, a.result) for a in report.attempts]


def test_delivered_once_to_each_channel(store: Store) -> None:
    store.save_pass(record())
    with Sink() as phone, Sink() as mail:
        channels = (Channel("phone", phone.url), Channel("mail", mail.url))
        report = deliver(store, *channels)
        assert deliver(store, *channels).attempts == ()
    assert sorted(results(report)) == [("mail", Result.SENT), ("phone", Result.SENT)]
    for sink in (phone, mail):
        (got,) = sink.received
        assert got["title"] == "OPEN Millfield Thu 7 May 04:00 to 07:00 local"
        assert KEY in got["message"]
    assert {d.state for d in store.deliveries(KEY)} == {DeliveryState.SENT}
    assert {d.sent_utc for d in store.deliveries(KEY)} == {NOW}


def test_down_then_up(store: Store) -> None:
    store.save_pass(record(deliveries=((KEY, "phone"),)))
    port = free_port()
    channel = Channel("phone", f"json://127.0.0.1:{port}/")
    (first,) = deliver(store, channel).attempts
    assert first.result is Result.LATER
    assert first.error == (
        "channel 'phone': the service cannot be reached; check network, host and port"
    )
    assert first.next_try_utc == NOW + timedelta(seconds=30)
    assert deliver(store, channel, after=timedelta(seconds=29)).attempts == ()
    with Sink(port) as sink:
        assert deliver(store, channel, after=timedelta(seconds=29)).attempts == ()
        (second,) = deliver(store, channel, after=timedelta(seconds=30)).attempts
        assert deliver(store, channel, after=timedelta(days=1)).attempts == ()
    assert second.result is Result.SENT
    assert [KEY in got["message"] for got in sink.received] == [True]


def test_one_dead_channel_does_not_keep_the_others_waiting(store: Store) -> None:
    changes = tuple(change(key=f"{i}", window_uid=f"w{i}") for i in range(3))
    dead = Channel("dead", f"json://127.0.0.1:{free_port()}/")
    with Sink() as sink:
        channels = (dead, Channel("phone", sink.url))
        store.save_pass(record(changes=changes, deliveries=plan_deliveries(changes, channels)))
        report = deliver(store, *channels)
    assert len(sink.received) == 3
    # The dead one was tried once, not three times.
    assert sorted(results(report)) == [("dead", Result.LATER), *[("phone", Result.SENT)] * 3]
    assert store.pending_deliveries() == {"dead": 3}


def test_an_address_of_no_use_is_given_up_with_the_reason(store: Store) -> None:
    store.save_pass(record(deliveries=((KEY, "phone"),)))
    (attempt,) = deliver(store, Channel("phone", "nonsense://x")).attempts
    assert (attempt.result, attempt.next_try_utc) == (Result.FAILED, None)
    (row,) = store.deliveries(KEY)
    assert row.state is DeliveryState.FAILED
    assert row.error is not None
    assert row.error.startswith("channel 'phone': what its variable holds is not a usable")


def test_too_old_is_given_up_unsent(store: Store) -> None:
    store.save_pass(record(deliveries=((KEY, "phone"),)))
    with Sink() as sink:
        report = deliver(store, Channel("phone", sink.url), after=timedelta(hours=24, seconds=1))
    assert results(report) == [("phone", Result.FAILED)]
    assert sink.received == []
    (row,) = store.deliveries(KEY)
    assert row.error == "given up, too old: it could not be sent in time"


def test_pauses_grow_until_it_is_given_up(store: Store) -> None:
    store.save_pass(record(deliveries=((KEY, "phone"),)))
    waits, after = [], timedelta(0)
    with Sink(status=503) as sink:
        channel = Channel("phone", sink.url)
        while True:
            (attempt,) = deliver(store, channel, after=after).attempts
            if attempt.next_try_utc is None:
                break
            waits.append((attempt.next_try_utc - NOW - after).total_seconds())
            after = attempt.next_try_utc - NOW
    assert waits[:7] == [30, 60, 120, 240, 480, 900, 900]
    assert set(waits[5:]) == {900}
    assert timedelta(hours=23) < after <= timedelta(hours=24)
    assert attempt.result is Result.FAILED
    assert len(sink.paths) == len(waits) + 1


def test_a_channel_that_is_gone_from_the_settings_waits(store: Store) -> None:
    store.save_pass(record())
    with Sink() as sink:
        deliver(store, Channel("phone", sink.url))
    assert store.pending_deliveries() == {"mail": 1}
    assert deliver(store).attempts == ()


def test_stopping_leaves_nothing_claimed(store: Store) -> None:
    store.save_pass(record())
    with Sink() as sink:
        channels = (Channel("phone", sink.url), Channel("mail", sink.url))
        assert deliver(store, *channels, stop=lambda: True).attempts == ()
        stops = iter([False, True])
        assert len(deliver(store, *channels, stop=lambda: next(stops)).attempts) == 1
        assert len(deliver(store, *channels).attempts) == 1
    assert len(sink.received) == 2


CRASH = """
import os, signal, sys
from invented import NOW, SITES
from windowwatch.clock import SimulatedClock
from windowwatch.notices.channels import send
from windowwatch.notices.deliver import deliver_pending
from windowwatch.notices.values import Channel
from windowwatch.storage.store import open_store

def send_and_die(channel, message):
    send(channel, message)
    os.kill(os.getpid(), signal.SIGKILL)

deliver_pending(
    open_store(sys.argv[1]), [Channel("phone", sys.argv[2])], SITES, SimulatedClock(NOW),
    send=send_and_die,
)
"""


def test_killed_between_sending_and_marking(store: Store, store_url: str) -> None:
    store.save_pass(record(deliveries=((KEY, "phone"),)))
    places = [str(Path(__file__).parents[1]), *filter(None, sys.path)]
    with Sink() as sink:
        done = subprocess.run(
            [sys.executable, "-c", CRASH, store_url, sink.url],
            env={**os.environ, "PYTHONPATH": os.pathsep.join(places)},
            check=False,
        )
        assert done.returncode == -signal.SIGKILL
        assert len(sink.received) == 1
        channel = Channel("phone", sink.url)
        assert deliver(store, channel, after=RULES.lease / 2).attempts == ()
        (again,) = deliver(store, channel, after=RULES.lease).attempts
        assert again.result is Result.SENT
        assert deliver(store, channel, after=timedelta(hours=1)).attempts == ()
    assert [KEY in got["message"] for got in sink.received] == [True, True]
    assert sink.received[0] == sink.received[1]


def test_an_unexpected_error_is_not_swallowed(store: Store) -> None:
    """A fault in our own code must be seen; the claim lapses and the notice is not lost."""
    store.save_pass(record(deliveries=((KEY, "phone"),)))

    def faulty(channel: Channel, text: Message) -> None:
        raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        deliver(store, Channel("phone", "json://127.0.0.1:1/"), send=faulty)
    with Sink() as sink:
        assert len(deliver(store, Channel("phone", sink.url), after=RULES.lease).attempts) == 1


def test_who_hears_what() -> None:
    changes = [change(kind, key=str(kind)) for kind in (ChangeKind.OPENED, ChangeKind.CLOSED)]
    channels = [
        Channel("all", "json://x"),
        Channel("only closed", "json://x", frozenset({ChangeKind.CLOSED})),
        Channel("none", "json://x", frozenset()),
    ]
    assert plan_deliveries(changes, iter(channels)) == (
        ("opened", "all"),
        ("closed", "all"),
        ("closed", "only closed"),
    )


def test_next_try_counts_from_when_the_change_was_found() -> None:
    later = NOW + timedelta(hours=23, minutes=46)
    assert next_try(1, due_utc=NOW, now_utc=NOW, rules=RULES) == NOW + timedelta(seconds=30)
    assert next_try(10**6, due_utc=NOW, now_utc=NOW, rules=RULES) == NOW + timedelta(minutes=15)
    assert next_try(9, due_utc=NOW, now_utc=later, rules=RULES) is None
    with pytest.raises(Exception, match="retry rule lease must be longer than nothing"):
        RetryRules(lease=timedelta(0))
    assert issubclass(DeliveryError, Exception)
