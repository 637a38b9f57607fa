"""A week whose daemon is killed again and again: every notice arrives, few arrive twice."""

import os
import re
import signal
import sqlite3
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from random import Random

import mortal
import pytest
from sink import Sink
from sqlalchemy import create_engine, make_url, text

from windowwatch.storage.deliveries import DeliveryState
from windowwatch.storage.store import open_store

pytestmark = pytest.mark.kill
PLACES = [str(Path(mortal.__file__).parent), *filter(None, sys.path)]
_KEY = re.compile(r"\[([0-9a-f]{12}), cycle")


class Mortal:
    """The process that gives lives."""

    def __init__(self, url: str, sink: Sink, folder: Path) -> None:
        self._process = subprocess.Popen(
            [sys.executable, mortal.__file__, url, sink.url.removesuffix("/hook"), str(folder)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            env={**os.environ, "PYTHONPATH": os.pathsep.join(PLACES)},
        )

    def life(self, seconds: float | None) -> bool:
        """One life, killed after a while; whether it came to its own end."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write("\n")
        self._process.stdin.flush()
        pid = int(self._process.stdout.readline())
        if seconds is not None:
            time.sleep(seconds)
            os.kill(pid, signal.SIGKILL)  # until it is waited for, its number stays its own
        status = int(self._process.stdout.readline())
        return os.WIFEXITED(status) and os.WEXITSTATUS(status) == 0

    def end(self) -> None:
        assert self._process.stdin is not None
        self._process.stdin.close()
        assert self._process.wait(30) == 0
        assert self._process.stdout is not None
        self._process.stdout.close()


def kills(url: str, folder: Path, random: Random, most: int, longest_s: float) -> int:
    """One week, killed up to so often, then left to end; checked; returns the kills made."""
    with Sink() as sink:
        lives = Mortal(url, sink, folder)
        made = 0
        while made < most and not lives.life(random.uniform(0.0, longest_s)):
            made += 1
        assert lives.life(None), "the last life is not disturbed"
        lives.end()
        arrived = Counter(
            (path, key)
            for path, body in zip(sink.paths, sink.received, strict=True)
            for key in _KEY.findall(body["message"])
        )
    store = open_store(url)
    watched = {c.key for c in store.changes("week")}
    expected = expected_keys(folder)
    assert watched == expected, "the same changes as in a week without kills"
    assert set(arrived) == {(f"/{name}", key) for key in expected for name in ("phone", "mail")}
    assert sum(arrived.values()) - len(arrived) <= made, "at most one repeat for each kill"
    rows = [row for key in expected for row in store.deliveries(key)]
    assert {row.state for row in rows} == {DeliveryState.SENT}
    assert len(store.cycles("week")) == mortal.CYCLES
    store.close()
    if url.startswith("sqlite"):
        with closing(sqlite3.connect(url.removeprefix("sqlite:///"))) as plain:
            assert plain.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
            assert plain.execute("PRAGMA foreign_key_check").fetchall() == []
    return made


_EXPECTED: dict[str, set[str]] = {}


def expected_keys(folder: Path) -> set[str]:
    """Keys of the changes of a week that nobody disturbs."""
    if "keys" not in _EXPECTED:
        url = f"sqlite:///{folder}/undisturbed.sqlite3"
        with Sink() as sink:
            mortal.live(url, mortal.mortal_watch(folder, sink.url.removesuffix("/hook")))
        store = open_store(url)
        _EXPECTED["keys"] = {change.key for change in store.changes("week")}
        store.close()
    assert len(_EXPECTED["keys"]) > 20
    return _EXPECTED["keys"]


def test_killed_some_times(store_url: str, tmp_path: Path) -> None:
    assert kills(store_url, tmp_path, Random(8), 8, 0.4) == 8


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


@pytest.mark.slow
@pytest.mark.timeout(1800)
def test_killed_two_hundred_times(many_urls: Iterator[str], tmp_path: Path) -> None:
    random, made, weeks = Random(200), 0, 0
    for url in many_urls:
        made += kills(url, tmp_path, random, 60, 0.25)
        weeks += 1
        if made >= 200:
            break
    print(f"{made} kills in {weeks} weeks")
