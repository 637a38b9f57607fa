"""A week whose daemon is killed again and again: every notice arrives, few arrive twice."""

import os
import re
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from random import Random
from typing import Any

import mortal
import pytest
from patience import PATIENCE_S
from sink import Sink
from sqlalchemy import create_engine, make_url, text

from windowwatch.storage.deliveries import DeliveryState
from windowwatch.storage.store import open_store

pytestmark = pytest.mark.kill
PLACES = [str(Path(mortal.__file__).parent), *filter(None, sys.path)]
#: How long the sink takes to answer: a notice has arrived by then, and is not marked yet. [s]
PAUSE_S = 0.01
_KEY = re.compile(r"\[([0-9a-f]{12})\]")


class Mortal:
    """The process that gives lives."""

    def __init__(self, url: str, sink: Sink, folder: Path, how: str = "") -> None:
        address = sink.url.removesuffix("/hook")
        self._process = subprocess.Popen(
            [sys.executable, mortal.__file__, url, address, str(folder), how],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            env={**os.environ, "PYTHONPATH": os.pathsep.join(PLACES)},
        )

    def life(self, seconds: float | None) -> bool:
        """One life, killed after a while; whether it came to its own end."""
        pid = self.begin()
        if seconds is not None:
            time.sleep(seconds)
            os.kill(pid, signal.SIGKILL)
        return self.ends()

    def begin(self) -> int:
        """Process number of a new life that has begun its work."""
        return int(self._ask())

    def ends(self) -> bool:
        """Wait for the end of a life; whether it came to its own."""
        status = int(self._ask())
        return os.WIFEXITED(status) and os.WEXITSTATUS(status) == 0

    def _ask(self) -> str:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write("\n")
        self._process.stdin.flush()
        return self._process.stdout.readline()

    def end(self) -> None:
        assert self._process.stdin is not None
        self._process.stdin.close()
        assert self._process.wait(PATIENCE_S) == 0
        assert self._process.stdout is not None
        self._process.stdout.close()


@dataclass(frozen=True)
class Tally:
    """What killing came to."""

    kills: int = 0
    weeks: int = 0
    notices: int = 0
    told_twice: int = 0

    def __add__(self, other: "Tally") -> "Tally":
        return Tally(
            self.kills + other.kills,
            self.weeks + other.weeks,
            self.notices + other.notices,
            self.told_twice + other.told_twice,
        )


def kills(
    url: str, folder: Path, random: Random, most: int, calm: tuple[frozenset[str], float]
) -> Tally:
    """One week, killed up to so often, then left to end; checked.

    Each life is killed at a random moment of what its first five cycles take on that database
    when nobody disturbs; `calm` says what such a week finds, and how long a cycle takes. [s]
    """
    expected, cycle_s = calm
    with Sink(pause_s=PAUSE_S) as sink:
        lives = Mortal(url, sink, folder)
        made = 0
        while made < most and not lives.life(random.uniform(0.0, 5.0 * cycle_s)):
            made += 1
        assert lives.life(None), "the last life is not disturbed"
        lives.end()
    return checked(url, sink, expected, made, most_repeats=made)


def checked(
    url: str, sink: Sink, expected: frozenset[str], made: int, *, most_repeats: int
) -> Tally:
    """Hold a week that was killed so often against one that was not."""
    messages = [
        {(path, key) for key in _KEY.findall(body["message"])}
        for path, body in zip(sink.paths, sink.received, strict=True)
    ]
    arrived = Counter(told for message in messages for told in message)
    store = open_store(url)
    watched = {c.key for c in store.changes("week")}
    assert watched == expected, "the same changes as in a week without kills"
    assert set(arrived) == {(f"/{name}", key) for key in expected for name in mortal.CHANNELS}
    # one message may tell of many changes: what is sent again is the message
    before: set[tuple[str, str]] = set()
    repeats = 0
    for message in messages:
        repeats += bool(message & before)
        before |= message
    assert repeats <= most_repeats, "more repeats than attempts were on their way at the kills"
    rows = [row for key in expected for row in store.deliveries(key)]
    assert [row for row in rows if row.state is not DeliveryState.SENT] == []
    assert len(store.cycles("week")) == mortal.CYCLES
    store.close()
    if url.startswith("sqlite"):
        with closing(sqlite3.connect(url.removeprefix("sqlite:///"))) as plain:
            assert plain.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
            assert plain.execute("PRAGMA foreign_key_check").fetchall() == []
    return Tally(made, 1, len(arrived), repeats)


class Arrivals(list[dict[str, Any]]):
    """Messages as they arrive; some are the last thing that whoever sent them does.

    The kill falls between a message's arrival and its mark: the sink has it whole, and whoever
    sent it has no answer yet.
    """

    def __init__(self, random: Random) -> None:
        super().__init__()
        self.kills, self.most, self._random = 0, 0, random
        self.pid: int | None = None
        self._lock = threading.Lock()

    def append(self, body: dict[str, Any]) -> None:
        """Take a message."""
        with self._lock:
            super().append(body)
            if self.pid is None or self.kills >= self.most or self._random.random() > 0.15:
                return
            os.kill(self.pid, signal.SIGKILL)
            self.pid, self.kills = None, self.kills + 1


def kills_at_arrival(
    url: str, folder: Path, random: Random, most: int, expected: frozenset[str]
) -> Tally:
    """One week, killed up to so often when a message has just arrived; then left to end."""
    arrivals = Arrivals(random)
    arrivals.most = most
    with Sink(pause_s=PAUSE_S) as sink:
        sink.received = arrivals
        lives = Mortal(url, sink, folder, "lanes")
        whole = False
        while not whole:
            arrivals.pid = lives.begin()
            whole = lives.ends()
            arrivals.pid = None
        lives.end()
    at_once = len(mortal.CHANNELS)
    tally = checked(url, sink, expected, arrivals.kills, most_repeats=at_once * arrivals.kills)
    assert tally.told_twice >= arrivals.kills, "each kill left a message that was not marked"
    return tally


def undisturbed(url: str, folder: Path) -> tuple[frozenset[str], float]:
    """Keys of the changes of a week that nobody disturbs, and how long a cycle of it takes."""
    begun = time.monotonic()
    with Sink(pause_s=PAUSE_S) as sink:
        mortal.live(url, mortal.mortal_watch(folder, sink.url.removesuffix("/hook")))
    took_s = time.monotonic() - begun
    store = open_store(url)
    keys = frozenset(change.key for change in store.changes("week"))
    store.close()
    assert len(keys) > 20
    return keys, took_s / mortal.CYCLES


@pytest.fixture
def many_urls(store_url: str, tmp_path: Path) -> Iterator[str]:
    """Database after database: on PostgreSQL the one database is emptied."""

    def urls() -> Iterator[str]:
        number = 0
        while True:
            number += 1
            if store_url.startswith("sqlite"):
                yield f"sqlite:///{tmp_path}/{number}.sqlite3"
            else:
                _empty(store_url)
                yield store_url

    return urls()


def _empty(url: str) -> None:
    engine = create_engine(make_url(url).set(drivername="postgresql+pg8000"))
    with engine.begin() as connection:
        connection.execute(text("DROP SCHEMA public CASCADE"))
        connection.execute(text("CREATE SCHEMA public"))
    engine.dispose()


def killed_weeks(urls: Iterator[str], folder: Path, wanted: int) -> Tally:
    """Weeks one after the other until so many kills were made."""
    random, all_weeks = Random(wanted), Tally()
    calm = undisturbed(next(urls), folder)
    for url in urls:
        all_weeks += kills(url, folder, random, wanted - all_weeks.kills, calm)
        if all_weeks.kills >= wanted:
            break
    print(all_weeks)
    return all_weeks


def killed_at_arrival(urls: Iterator[str], folder: Path, wanted: int) -> Tally:
    """Weeks one after the other until so many kills fell between arrival and mark."""
    random, all_weeks = Random(wanted), Tally()
    expected, _ = undisturbed(next(urls), folder)
    for url in urls:
        all_weeks += kills_at_arrival(url, folder, random, wanted - all_weeks.kills, expected)
        if all_weeks.kills >= wanted:
            break
    print(all_weeks)
    return all_weeks


@pytest.mark.night
@pytest.mark.slow
@pytest.mark.timeout(1800)
def test_killed_two_hundred_times_between_arrival_and_mark(
    many_urls: Iterator[str], tmp_path: Path
) -> None:
    """All channels at once, as in the daemon: each kill leaves one message or a few unmarked."""
    assert killed_at_arrival(many_urls, tmp_path, 200).kills == 200


def test_killed_some_times(many_urls: Iterator[str], tmp_path: Path) -> None:
    assert killed_weeks(many_urls, tmp_path, 8).kills == 8


@pytest.mark.slow
@pytest.mark.timeout(1800)
def test_killed_two_hundred_times(many_urls: Iterator[str], tmp_path: Path) -> None:
    made = killed_weeks(many_urls, tmp_path, 200)
    assert made.kills == 200
    assert made.weeks > 1, "no life came far; the test shows nothing"
    assert made.told_twice > 0, "no kill fell into a delivery; the test shows nothing"
