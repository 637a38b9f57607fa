"""Decisions asked for between two passes, through stored rows to a real HTTP sink."""

from datetime import datetime, timedelta
from pathlib import Path

import pytest
from invented import MILLFIELD, NOW, WATCH, at, change, record, window
from line_watch import settings_in
from sink import Sink

from windowwatch.clock import SimulatedClock
from windowwatch.errors import InputError, StorageError
from windowwatch.notices.values import Channel
from windowwatch.settings.read import read_settings
from windowwatch.storage.store import Store, open_store
from windowwatch.watch.run.between import between_passes
from windowwatch.watch.values import Watch
from windowwatch.windows.decisions import Decision
from windowwatch.windows.values import ChangeKind, WindowState

DAY = timedelta(hours=24)
TELL = Decision("tell air traffic", DAY)
BOOK = Decision("book the crew", 2 * DAY, escalate_to=("director",))
#: The window begins at 06 UTC on the 7th: a day before, less three hours of warning.
ASKED = at(6) - DAY - timedelta(hours=3)


def watch_of(tmp_path: Path, *decisions: Decision, channels: tuple[Channel, ...] = ()) -> Watch:
    made = read_settings(settings_in(tmp_path)).watch
    return Watch(
        WATCH,
        "skerra",
        (MILLFIELD,),
        made.train,
        made.span,
        1,
        made.plan,
        made.rules,
        made.ground,
        channels,
        decisions,
    )


class Desk:
    """A store with one open window, and a clock that runs."""

    def __init__(self, store: Store, folder: Path, *decisions: Decision, sink: Sink) -> None:
        channels = (
            Channel("phone", sink.url, frozenset({ChangeKind.DECISION_DUE, ChangeKind.CLOSED})),
            Channel("director", sink.url.replace("/hook", "/director"), frozenset()),
        )
        self.sink, self.store = sink, store
        self.watch = watch_of(folder, *decisions, channels=channels)
        self.clock = SimulatedClock(NOW)
        store.save_pass(record(0, deliveries=()))

    def until(self, moment: datetime, step: timedelta = timedelta(minutes=60)) -> None:
        while self.clock.now() < moment:
            self.clock.set(min(self.clock.now() + step, moment))
            between_passes(self.store, self.watch, self.clock)

    def told(self) -> list[str]:
        return [body["message"].split("\n")[0] for body in self.sink.received]


def test_asked_once_then_reminded_then_escalated(store: Store, tmp_path: Path) -> None:
    with Sink() as sink:
        desk = Desk(store, tmp_path, TELL, sink=sink)
        desk.until(ASKED - timedelta(minutes=15))
        assert desk.told() == []
        desk.until(ASKED)
        desk.until(at(6))
    words = "ell air traffic: decide by Wed 6 04:00 local (06:00 UTC); {} left"
    heads = [
        "T" + words.format("3 h") + "; 24 h before the first release.",
        "Reminder, nobody has acknowledged this: t" + words.format("2 h"),
        "Last reminder, nobody has acknowledged this: t" + words.format("1 h"),
    ]
    assert len(desk.told()) == 3
    for told, head in zip(desk.told(), heads, strict=True):
        assert told.startswith(head), "what is left is never cut off"
    body = sink.received[0]["message"]
    assert sink.received[0]["title"] == "DECISION DUE Millfield Thu 7 May 04:00 to 07:00 local"
    key = body.split("[")[-1].split("]")[0]
    assert f"Seen to? windowwatch acknowledge {key} --by NAME" in body
    assert all(len(n["message"]) <= 280 for n in sink.received)
    assert "[" + key in body


def test_an_acknowledgement_of_any_of_them_ends_it(store: Store, tmp_path: Path) -> None:
    with Sink() as sink:
        desk = Desk(store, tmp_path, TELL, sink=sink)
        desk.until(ASKED)
        desk.until(ASKED + timedelta(hours=1))
        assert len(desk.told()) == 2
        key = store.changes(WATCH)[-1].key
        assert store.acknowledge(key[:8], by_whom="Ines", now_utc=desk.clock.now()) is None
        assert store.acknowledge(f"[{key}]", by_whom="Jon", now_utc=desk.clock.now()) == "Ines"
        desk.until(at(6))
        assert len(desk.told()) == 2
    with pytest.raises(StorageError, match="no change has a key that begins with 'ffff'"):
        store.acknowledge("ffff", by_whom="Ines", now_utc=NOW)
    with pytest.raises(StorageError, match="needs a name"):
        store.acknowledge(key, by_whom=" ", now_utc=NOW)


def test_a_window_that_opens_late_says_that_it_is_late(store: Store, tmp_path: Path) -> None:
    with Sink() as sink:
        desk = Desk(store, tmp_path, Decision("buy gas", 3 * DAY, reminders=0), sink=sink)
        desk.until(NOW + timedelta(minutes=15))
        desk.until(at(6))
    assert desk.told() == [
        "Buy gas: it was to be decided by Mon 4 04:00 local (06:00 UTC); 22 h 15 min ago; 3 days "
        "before the first release."
    ]


def test_a_closing_after_the_question_must_be_acknowledged(store: Store, tmp_path: Path) -> None:
    with Sink() as sink:
        desk = Desk(store, tmp_path, BOOK, sink=sink)
        asked = at(6) - 2 * DAY - timedelta(hours=3)
        desk.until(max(asked, NOW + timedelta(minutes=15)))
        (first,) = store.changes_since(WATCH, NOW, ChangeKind.DECISION_DUE)
        store.acknowledge(first.key, by_whom="Ines", now_utc=desk.clock.now())
        gone = window(state=WindowState.CLOSED)
        closing = change(ChangeKind.CLOSED, key="c105ed", found_utc=desk.clock.now())
        store.save_pass(record(1, windows=(gone,), changes=(closing,), deliveries=()))
        desk.until(desk.clock.now() + timedelta(hours=4))
    lines = desk.told()[1:]
    off = "Nobody has acknowledged that this window closed; call off: book the crew."
    assert lines == [off] * 3, "one reminder, and the last one to two channels"
    assert sink.paths[-2:] == ["/hook", "/director"] or sink.paths[-2:] == ["/director", "/hook"]
    assert "do not plan on it: Millfield Thu 7 04:00 to 07:00 local" in sink.received[-1]["message"]


def test_nobody_is_asked_of_windows_that_are_not_open(store: Store, tmp_path: Path) -> None:
    with Sink() as sink:
        desk = Desk(
            store, tmp_path, TELL, Decision("elsewhere", DAY, sites=frozenset({"X"})), sink=sink
        )
        store.save_pass(record(1, windows=(window(state=WindowState.SIGHTED),), deliveries=()))
        desk.until(at(6))
        assert desk.told() == []


def test_two_daemons_ask_once(store: Store, store_url: str, tmp_path: Path) -> None:
    other = open_store(store_url)
    with Sink() as sink:
        desk = Desk(store, tmp_path, TELL, sink=sink)
        desk.clock.set(ASKED)
        for each in (store, other, store, other):
            between_passes(each, desk.watch, desk.clock)
    other.close()
    assert len(desk.told()) == 1


def test_decisions_of_no_use() -> None:
    for wrong in (
        {"name": " ", "before": DAY},
        {"name": "x", "before": -DAY},
        {"name": "x", "before": DAY, "reminders": 11},
    ):
        with pytest.raises(InputError):
            Decision(**wrong)  # type: ignore[arg-type]
