"""Which way is asked: the next one in the same look, and past one that has moved or ended."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from fetch_watch import STEPS, at, watcher
from fetching import MEMBER_LEVELS, MemoryLedger, bench, served
from provider import (
    BEFORE,
    CYCLE,
    Fault,
    Handler,
    Provider,
    Request,
    fill_gfs,
    gfs_messages,
    moved_for_good,
    overloaded,
    provider,
    sent_away,
    too_many,
    web_page,
)

from windowwatch.clock import SimulatedClock
from windowwatch.forecast.download.catalogue import Model
from windowwatch.forecast.download.ledger import CycleStage, CycleState
from windowwatch.storage.store import Store, open_store
from windowwatch.watch.polling.network import Ways
from windowwatch.windows.causes import WayGone
from windowwatch.wording.causes import reason
from windowwatch.wording.phrases import written

LEVELS = (1000.0, 500.0, 100.0, 10.0)


@pytest.fixture
def kept(tmp_path: Path) -> Iterator[Store]:
    store = open_store(f"sqlite:///{tmp_path}/w.sqlite3")
    store.upgrade()
    yield store
    store.close()


def two_ways(
    filtering: Provider, files: Provider, levels: tuple[float, ...] = MEMBER_LEVELS
) -> Model:
    """The area filter, and the very same files by ranges at another host."""
    fine = served("gfs-0.25", 0, [filtering], levels)
    ranges = replace(
        served("gfs-0.25", 1, [files], levels).routes[0],
        products=fine.routes[0].products,
        grid_deg=fine.routes[0].grid_deg,
    )
    return replace(fine, routes=(fine.routes[0], ranges))


@pytest.mark.fault
def test_a_cycle_that_one_way_began_is_ended_by_the_next_in_the_same_look(
    tmp_path: Path, kept: Store
) -> None:
    """The filter limits by 302 in the middle; what it brought stands, the rest comes by ranges."""
    cuts: list[str] = []

    def fault(request: Request, handler: Handler) -> bool:
        if "/filter_" not in request.path:
            return False
        cuts.append(request.path)
        return len(cuts) > 4 and sent_away(request, handler)

    with provider() as host, provider() as files:
        for its in (host, files):
            fill_gfs(its, STEPS, levels_hpa=MEMBER_LEVELS)
        host.fault = fault
        result = watcher(two_ways(host, files), tmp_path, kept, at(15, 40)).look()
        assert result is not None
        assert all(h.refused is None and h.from_cycle is None for h in result.hours)
        (state, *_) = kept.ledger().cycle_states("gfs-0.25")
        assert state.stage is CycleStage.COMPLETE
        ways = [f.route for f in kept.ledger().kept_files("gfs-0.25", CYCLE)]
        assert (ways.count("filter-0.25"), ways.count("ranges-0.25")) == (4, len(STEPS) - 4)
        assert len({r.path for r in files.log if r.span}) == len(STEPS) - 4


def ways_at(now: datetime, its: Model, folder: Path, ledger: MemoryLedger, said: list[str]) -> Ways:
    """Ways as they stand at a time; a cycle is overdue after seven hours."""
    b = bench(its, folder, ledger=ledger, area=(45.2, -36.8, 47.1, -34.2))
    return Ways(
        its,
        ledger,
        lambda route: replace(b.collector, route=route),
        now,
        lambda cycle_utc: now - cycle_utc > timedelta(hours=7),
        said.append,
    )


def silent_for(ledger: MemoryLedger, hours: tuple[int, ...]) -> None:
    """Nothing of the cycles so many hours before came by the filter."""
    for each in hours:
        cycle = CYCLE - timedelta(hours=each)
        ledger.note_cycle(
            CycleState("gfs-0.25 by filter-0.25", cycle, CycleStage.ABSENT, "", 0, 0, CYCLE)
        )


@pytest.mark.fault
def test_a_way_that_is_overdue_is_helped_by_the_next_one(tmp_path: Path) -> None:
    ledger, said = MemoryLedger(), list[str]()
    with provider() as moved, provider() as files:
        its = two_ways(moved, files, LEVELS)
        fill_gfs(files, (0, 3, 6), CYCLE, LEVELS)
        early = ways_at(CYCLE + timedelta(hours=5), its, tmp_path, ledger, said)
        haul, route = early.gather(CYCLE, (0, 3, 6))
        assert (route.name, haul.steps_h) == ("filter-0.25", ()), "not overdue: it is waited for"
        assert files.log == []
        late = ways_at(CYCLE + timedelta(hours=8), its, tmp_path, ledger, said)
        haul, route = late.gather(CYCLE, (0, 3, 6))
        assert (route.name, haul.complete) == ("ranges-0.25", True), "in the same look"
        assert "gfs-0.25 by NOAA area filter, 0.25 degree: overdue" in said[0]
        silent_for(ledger, (6,))
        assert late.gone(CYCLE) == [], "two cycles are no rule"
        silent_for(ledger, (12,))
        (gone,) = late.gone(CYCLE)
        assert gone.since_utc == CYCLE - timedelta(hours=12)
        assert reason((gone.cause(its),), written) == (
            "The provider has moved or ended GFS, 0.25 degree by NOAA area filter, 0.25 degree "
            "(nothing has come since the forecast of 2026-05-04 00:00 UTC); it is fetched by NOAA "
            "index and byte ranges, 0.25 degree instead; run check --live, and write new names "
            "under [forecast.routes] in the settings."
        )


@pytest.mark.fault
@pytest.mark.parametrize("back", [False, True])
def test_a_silent_way_is_passed_over_until_it_is_back(tmp_path: Path, *, back: bool) -> None:
    ledger, said = MemoryLedger(), list[str]()
    silent_for(ledger, (6, 12, 18))
    with provider() as moved, provider() as files:
        its = two_ways(moved, files, LEVELS)
        for host in (moved, files) if back else (files,):
            fill_gfs(host, (0, 3, 6), CYCLE, LEVELS)
        early = ways_at(CYCLE + timedelta(hours=5), its, tmp_path, ledger, said)
        haul, route = early.gather(CYCLE, (0, 3, 6))
        assert (route.name, haul.complete) == ("ranges-0.25", True), "nobody waits for it"
        names = 1 if back else 1 + len(route.products[0].other_paths)
        assert len(moved.log) == names, "but it is asked one question, once a cycle"
        early.gather(CYCLE, (0, 3, 6))
        assert len(moved.log) == names
        assert bool(early.gone(CYCLE)) is not back


TROUBLE: dict[str, Fault] = {
    "302": sent_away,
    "301": moved_for_good,
    "429": too_many(),
    "429 with Retry-After": too_many("600"),
    "503": overloaded(),
    "page": web_page,
    "500": lambda _r, h: h.say(500, b""),
    "script renamed": lambda r, h: "/filter_" in r.path and h.say(404, b""),
    "page for data": lambda r, h: "/filter_" in r.path and web_page(r, h),
    "another cycle inside": lambda r, h: (
        "/filter_" in r.path and h.say(200, h.provider.files["other"][0].data)
    ),
}


@pytest.mark.fault
@pytest.mark.parametrize("name", [*TROUBLE, "no route to the host"])
def test_in_trouble_the_next_way_is_taken_in_the_same_look(name: str, tmp_path: Path) -> None:
    ledger, said = MemoryLedger(), list[str]()
    with provider() as host, provider() as files:
        for each in (host, files):
            fill_gfs(each, (0, 3), CYCLE, LEVELS)
        host.files["other"] = gfs_messages(BEFORE, 3, LEVELS)
        host.steps["other"] = 3
        first = host
        if name in TROUBLE:
            host.fault = TROUBLE[name]
        else:
            first = Provider(url="http://127.0.0.1:9")
        its = two_ways(first, files, LEVELS)
        early = ways_at(CYCLE + timedelta(hours=5), its, tmp_path, ledger, said)
        haul, route = early.gather(CYCLE, (0, 3))
        assert (route.name, haul.complete) == ("ranges-0.25", True), haul.problems
        assert said == [
            "gfs-0.25 by NOAA area filter, 0.25 degree: refused or in trouble; the next way is "
            "tried"
        ]


@pytest.mark.fault
def test_a_refusal_is_no_silence(tmp_path: Path) -> None:
    ledger = MemoryLedger()
    with provider() as host, provider() as files:
        host.fault = sent_away
        fill_gfs(files, (0, 3), CYCLE, LEVELS)
        ways = ways_at(
            CYCLE + timedelta(hours=9), two_ways(host, files, LEVELS), tmp_path, ledger, []
        )
        haul, route = ways.gather(CYCLE, (0, 3))
        assert (route.name, haul.complete) == ("ranges-0.25", True)
        assert ledger.cycle_states("gfs-0.25 by filter-0.25") == []


@pytest.mark.fault
def test_that_the_only_way_has_moved_is_told_once(tmp_path: Path, kept: Store) -> None:
    """Nothing for three cycles: said as what it most likely is, not waited for in silence."""
    with provider() as host:
        w = watcher(served("gfs-0.25", 1, [host], MEMBER_LEVELS), tmp_path, kept, at(6))
        clock = w.clock
        assert isinstance(clock, SimulatedClock)
        for minutes in range(0, 13 * 60, 30):
            clock.set(at(6, minutes))
            w.look()
        told = [
            change.causes[0]
            for change in kept.changes("line")
            if isinstance(change.causes[0], WayGone)
        ]
        assert len(told) == 1
        (gone,) = told
        assert isinstance(gone, WayGone)
        assert gone.instead is None
        silent = kept.ledger().cycle_states("gfs-0.25 by ranges-0.25")
        assert {s.stage for s in silent} == {CycleStage.ABSENT}
        again = watcher(served("gfs-0.25", 1, [host], MEMBER_LEVELS), tmp_path, kept, at(19, 30))
        again.look()
        assert sum(isinstance(c.causes[0], WayGone) for c in kept.changes("line")) == 1
        assert silent[-1].cycle_utc == datetime(2026, 5, 3, 18, tzinfo=UTC)
