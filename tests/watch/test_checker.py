"""Fetched files checked in a process of its own, and what is heard of a child's progress."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import child_work
import pytest
from children import living_children
from fetching import AREA, LEVELS, bench, close_all, served
from provider import CYCLE, Provider, fill_gfs, gfs_messages, provider

from windowwatch.child import ChildLimits, in_child
from windowwatch.clock import SimulatedClock
from windowwatch.errors import DecodeError
from windowwatch.forecast.download.checked import check_file
from windowwatch.forecast.download.fetch import FetchStoppedError
from windowwatch.forecast.download.wanted import items_of
from windowwatch.watch.run.processes import Checker
from windowwatch.watch.run.supervisor import PassProgress

LIMITS = ChildLimits(timedelta(seconds=60), 1500)


@pytest.fixture(scope="module")
def host() -> Iterator[Provider]:
    with provider() as its:
        fill_gfs(its, (3,))
        yield its


@pytest.fixture
def checker() -> Iterator[Checker]:
    made = Checker(LIMITS, check=child_work.check_or_die)
    yield made
    made.close()
    close_all()
    assert not living_children()


def test_it_finds_what_a_check_in_this_process_finds(
    tmp_path: Path, host: Provider, checker: Checker
) -> None:
    (item,) = items_of(served("gfs-0.25", 1, [host], LEVELS).routes[0].products, CYCLE, 3)
    good, bad = tmp_path / "good.grib2", tmp_path / "bad.grib2"
    good.write_bytes(b"".join(m.data for m in gfs_messages(CYCLE, 3)))
    bad.write_bytes(good.read_bytes()[:-100])
    assert checker(good, item, AREA, asked=None) == check_file(good, item, AREA, asked=None)
    with pytest.raises(DecodeError) as here:
        check_file(bad, item, AREA, asked=None)
    with pytest.raises(DecodeError) as there:
        checker(bad, item, AREA, asked=None)
    assert there.value.message == here.value.message


def test_a_file_that_kills_its_reader_is_set_aside_and_the_rest_is_fetched(
    tmp_path: Path, host: Provider, checker: Checker
) -> None:
    """SIGSEGV in the middle of a check, of one of two files; the look goes on."""
    its = served("gfs-0.25", 1, [host], LEVELS)
    (product,) = its.routes[0].products
    deadly = replace(product, name="crash")
    both = replace(its, routes=(replace(its.routes[0], products=(deadly, product)),))
    desk = bench(both, tmp_path)
    desk.collector.check = checker
    heard: list[tuple[str, float]] = []
    desk.collector.progress = lambda words, share: heard.append((words, share))
    haul = desk.collector.gather(CYCLE, (3,))
    assert list(desk.files()) == [f"{product.name}-f003"], haul.problems
    assert haul.steps_h == ()
    (problem,) = haul.problems
    assert "the process that read it died: signal 11 (SIGSEGV)" in problem
    reasons = sorted(p.name for p in (tmp_path / "set-aside").glob("*.txt"))
    assert len(reasons) == 1
    assert heard[0] == ("gfs-0.25: fetching, 0 of 2 files", 0.0)
    assert heard[-1] == ("gfs-0.25: fetching, 1 of 2 files", 0.5)


def test_a_check_that_never_ends_is_ended(tmp_path: Path, host: Provider) -> None:
    (item,) = items_of(served("gfs-0.25", 1, [host], LEVELS).routes[0].products, CYCLE, 3)
    path = tmp_path / "endless.grib2"
    path.write_bytes(b"")
    checker = Checker(ChildLimits(timedelta(seconds=2), 1500), check=child_work.check_or_die)
    with pytest.raises(DecodeError, match=r"endless\.grib2: checking it does not come to an end"):
        checker(path, item, AREA, asked=None)


def test_stopping_ends_a_check_at_once(tmp_path: Path, host: Provider) -> None:
    (item,) = items_of(served("gfs-0.25", 1, [host], LEVELS).routes[0].products, CYCLE, 3)
    path = tmp_path / "endless.grib2"
    path.write_bytes(b"")
    checker = Checker(ChildLimits(), check=child_work.check_or_die, stopping=lambda: True)
    with pytest.raises(FetchStoppedError):
        checker(path, item, AREA, asked=None)
    assert not living_children()


def test_a_child_tells_how_far_it_is() -> None:
    clock = SimulatedClock(datetime(2026, 5, 4, tzinfo=UTC))
    progress = PassProgress(clock)
    assert progress.now() is None
    heard: list[tuple[str, float]] = []

    def tell(words: str, share: float) -> None:
        heard.append((words, share))
        progress(words, share)
        clock.set(clock.now() + timedelta(minutes=1))

    limits = ChildLimits(timedelta(seconds=30), 1500)
    assert in_child(child_work.tell_and_double, (21,), limits, progress=tell) == 42
    assert heard == [("half of it", 0.5), ("all of it", 1.0)]
    doing = progress.now()
    assert doing is not None
    assert (doing.words, doing.share) == ("all of it", 1.0)
    assert doing.since_utc == datetime(2026, 5, 4, tzinfo=UTC), "since it all began"
    progress.done()
    assert progress.now() is None
    progress("again", 7.0)
    again = progress.now()
    assert again is not None
    assert (again.share, again.since_utc.minute) == (1.0, 2)
