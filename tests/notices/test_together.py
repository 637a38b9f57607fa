"""What one pass finds of far windows comes in one message, and what is near comes alone."""

from datetime import timedelta

import pytest
from invented import NOW, SITES, WATCH, change, record, window
from sink import Sink, free_port

from windowwatch.clock import SimulatedClock
from windowwatch.notices.channels import send
from windowwatch.notices.deliver import DeliveryReport, Result, deliver_pending
from windowwatch.notices.policy import plan_deliveries, together
from windowwatch.notices.surroundings import Surroundings
from windowwatch.notices.values import Channel
from windowwatch.storage.deliveries import DeliveryState
from windowwatch.storage.store import Store
from windowwatch.windows.causes import DecideBy
from windowwatch.windows.decisions import Decision
from windowwatch.windows.values import Change, ChangeKind
from windowwatch.windows.window import WindowRules

pytestmark = pytest.mark.one_answer
RULES = WindowRules()


def of(
    key: str, ahead_h: float, kind: ChangeKind = ChangeKind.OPENED, after_s: float = 0
) -> Change:
    """A change of a window that starts so long after it was found."""
    found = NOW + timedelta(seconds=after_s)
    start = found + timedelta(hours=ahead_h)
    here = window(
        uid=f"w{key}",
        start_utc=start,
        end_utc=start + timedelta(hours=4),
        best_hour_utc=start + timedelta(hours=1),
    )
    made = change(kind, key=key, window_uid=here.uid, found_utc=found)
    if kind is ChangeKind.CLOSED:
        return Change(**{**vars(made), "before": here, "after": None})
    return Change(**{**vars(made), "after": here})


STORY = (
    of("aa1", 72),
    of("aa2", 96, ChangeKind.CLOSED),
    of("bb1", 30),
    of("aa3", 49, ChangeKind.WEAKER),
    of("bb2", 20, ChangeKind.CLOSED),
)


def test_which_changes_go_together() -> None:
    assert together(STORY[0], STORY, RULES) == ("aa2", "aa3")
    assert together(STORY[2], STORY, RULES) == (), "near"
    assert together(STORY[0], (of("aa4", 72, after_s=1),), RULES) == (), "found at another time"
    due = of("cc1", 72, ChangeKind.DECISION_DUE)
    assert together(due, STORY, RULES) == ()
    assert together(STORY[0], (due,), RULES) == (), "who is asked something is asked alone"
    assert together(of("aa5", 48), STORY, RULES) == ()


def saved(store: Store, *channels: Channel) -> None:
    store.save_pass(record(changes=STORY, deliveries=plan_deliveries(STORY, channels)))


def run(store: Store, *channels: Channel, after_s: float = 0, **other: object) -> DeliveryReport:
    clock = SimulatedClock(NOW + timedelta(seconds=after_s))
    around = Surroundings(store, WATCH, SITES, rules=RULES)
    return deliver_pending(store, channels, SITES, clock, surroundings=around, **other)  # type: ignore[arg-type]


def test_far_windows_come_in_one_message_and_near_ones_alone(store: Store) -> None:
    with Sink() as sink:
        phone = Channel("phone", sink.url)
        saved(store, phone)
        report = run(store, phone)
    assert [a.result for a in report.attempts] == [Result.SENT] * 3
    titles = [got["title"] for got in sink.received]
    assert titles[0] == "3 NOTICES: 1 open, 1 closed, 1 weaker"
    assert [title.split(" Mill")[0] for title in titles[1:]] == ["OPEN", "CLOSED"]
    assert [key in sink.received[0]["message"] for key in ("[aa1]", "[aa2]", "[aa3]")] == [True] * 3
    for each in STORY:
        assert [d.state for d in store.deliveries(each.key)] == [DeliveryState.SENT]


def test_it_comes_in_one_message_also_after_a_failure(store: Store) -> None:
    """Killed or refused before it was marked, nothing is lost, and it is tried again."""
    port = free_port()
    phone = Channel("phone", f"json://127.0.0.1:{port}/")
    saved(store, phone)
    assert [a.result for a in run(store, phone).attempts] == [Result.LATER]
    states = {key: store.deliveries(key)[0].state for key in ("aa1", "aa2", "aa3")}
    assert set(states.values()) == {DeliveryState.PENDING}
    with Sink(port) as sink:
        run(store, phone, after_s=60)
    assert sorted(got["title"].split(" Mill")[0] for got in sink.received) == [
        "3 NOTICES: 1 open, 1 closed, 1 weaker",
        "CLOSED",
        "OPEN",
    ]


def test_each_channel_gets_what_it_wants_to_hear(store: Store) -> None:
    with Sink() as sink:
        only = Channel("phone", sink.url, kinds=frozenset({ChangeKind.OPENED}))
        saved(store, only)
        run(store, only, send=send)
    assert [got["title"].split(" Mill")[0] for got in sink.received] == ["OPEN", "OPEN"]


def test_a_notice_says_what_is_to_be_decided_next(store: Store) -> None:
    gas = Decision("buy gas", timedelta(hours=48))
    crew = Decision("book the crew", timedelta(hours=24))
    late = Decision("tell air traffic", timedelta(hours=96))
    around = Surroundings(store, WATCH, SITES, decisions=(crew, gas, late))
    opened = STORY[0]
    beside = around.beside(opened, Channel("phone", "json://127.0.0.1:9"))
    left = timedelta(hours=24)
    assert beside.decide == DecideBy("buy gas", NOW + left, timedelta(hours=48), left)
    closed = around.beside(STORY[1], Channel("phone", "json://127.0.0.1:9"))
    assert closed.decide is None
