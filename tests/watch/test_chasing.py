"""Flights in the air are followed: who hears what on a real sink, once each, and crews' advice."""

from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from invented import SITES
from made_flight import BEGAN, BEGUN, DOWN_MIN, TRAIN, report
from made_roads import NOW, estimate, town
from made_store import new_store
from sink import Sink

from windowwatch.chase.drives import Chances, Crew, NoAdvice, Order, Share
from windowwatch.chase.following import state_by, track_so_far
from windowwatch.chase.reports import Mark
from windowwatch.chase.values import ChaseRules, Closing, Flight, Happened, Kept, Outcome, Said
from windowwatch.clock import SimulatedClock
from windowwatch.ground.query.features import Ground
from windowwatch.notices.deliver import deliver_pending
from windowwatch.notices.values import Channel
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.storage.flights import ClosedError, save_said
from windowwatch.storage.store import Store
from windowwatch.watch.chasing import Chasing, news_of
from windowwatch.watch.values import Span, Watch
from windowwatch.windows.causes import FlightNews
from windowwatch.windows.window import WindowRules

pytestmark = pytest.mark.chase
TOWN = town()


def watch(*channels: Channel, ground: Ground | None = None) -> Watch:
    return Watch(
        "skerra", "made", tuple(SITES.values()), TRAIN, Span(timedelta(hours=1), 2.0), 1,
        ScoringPlan(), WindowRules(), ground or Ground(), channels, chase=ChaseRules(moved_m=500.0),
    )  # fmt: skip


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    opened = new_store(tmp_path / "w.sqlite3")
    opened.begin_flight(BEGUN)
    yield opened
    opened.close()


def said(number: int, east_m: float) -> Said:
    what = estimate(east_m + np.linspace(-900, 900, 9), np.linspace(-300, 300, 9), TOWN.rasters)
    return Said(number, NOW, what, None)


def test_a_whole_flight_is_told_once_each(store: Store) -> None:
    """Every look is a daemon that only starts now; two of them look at once, and nobody doubles."""
    clock = SimulatedClock(BEGAN)
    with Sink() as sink, ThreadPoolExecutor(2) as two:
        here = watch(
            Channel("crew", sink.url),
            Channel("windows only", sink.url + "/never", kinds=frozenset()),
        )
        minutes = [0, 2, 4, 6, 70, 76, 78, 79, 80, 81, 82]
        for minute in [*minutes, 90, 100, 101, 102, *range(105, int(DOWN_MIN) + 9, 2)]:
            clock.set(BEGAN + timedelta(minutes=minute, seconds=10))
            if minute not in (90, 100):  # silent for a while
                store.add_reports("flight", [report(minute)])
                save_said(store, "flight", said(minute + 1, 40.0 * minute))
            for found in two.map(lambda _: Chasing(here, store, clock).look(), range(2)):
                assert all(change.site == "" for change in found)
            deliver_pending(store, here.channels, {}, clock)
        store.close_flight("flight", Closing(Outcome.RECOVERED, clock.now(), "Ada", 46.0, 7.1))
        for _ in range(2):
            Chasing(here, store, clock).look()
            deliver_pending(store, here.channels, {}, clock)
    titles = Counter(got["title"].partition(":")[0] for got in sink.received)
    assert titles["RELEASED"] == titles["BURST"] == titles["FOUND"] == 1
    assert titles["SILENT"] == 1, "after 90 min, and still after 100"
    assert titles["DOWN"] == 1
    assert 2 <= titles["LANDING MOVED"] <= 5, "not for every report"
    assert set(titles) == {"RELEASED", "BURST", "FOUND", "SILENT", "DOWN", "LANDING MOVED"}
    assert set(sink.paths) == {"/hook"}
    for got in sink.received:
        lines = got["message"].splitlines()
        assert BEGUN.name in got["title"]
        assert lines[-2].split(":")[0] in ("Crews", "Director"), "one thing to do"
        assert len(got["message"]) <= 280
    moved = [got for got in sink.received if got["title"].startswith("LANDING MOVED")]
    assert all("east" in got["message"] for got in moved)


def test_the_landing_is_not_told_too_often_nor_for_little() -> None:
    kept = [Kept(n + 1, report(n), Mark.USED) for n in range(30)]
    now = BEGAN + timedelta(minutes=30)
    flight, state = Flight(BEGUN, None), state_by(BEGUN, track_so_far(kept), now)
    rules = ChaseRules(moved_m=1_000.0, again=timedelta(minutes=10))
    what = said(30, 0.0).estimate
    assert what is not None
    lat, lon = TOWN.rasters.grid.plane.backward(-1_500.0, 0.0)
    far = (float(lat), float(lon))
    near = (what.landing.latitude_deg, what.landing.longitude_deg + 0.001)

    def found(told_min: float, place: tuple[float, float], water: float = 0.0) -> list[Happened]:
        at = now - timedelta(minutes=told_min)
        told = [(at, FlightNews(BEGUN.key, BEGUN.name, Happened.RELEASED, at, *place))]
        on = Chances(water=Share(water, 0.0))
        news = [each for _, each in news_of(flight, state, None, what, on, told, now, rules)]
        assert all(each.km is None or each.km == pytest.approx(1.5, rel=0.01) for each in news)
        return [Happened(each.happened) for each in news]

    assert found(11.0, far) == [Happened.MOVED]
    assert found(9.0, far) == []
    assert found(11.0, near) == []
    assert found(9.0, near, 0.19) == []
    assert found(9.0, near, 0.2) == [Happened.WATER]
    late = news_of(flight, state, None, what, None, (), now + timedelta(hours=9), rules)
    assert late == (), "what is long past is no news"


def test_crews_are_advised_and_the_advice_is_kept(store: Store) -> None:
    clock = SimulatedClock(NOW)
    store.add_reports("flight", [report(minute) for minute in range(0, 89, 4)])
    save_said(store, "flight", said(30, 0.0))
    lat, lon = TOWN.rasters.grid.plane.backward(-3000.0, -2000.0)
    ada = Crew("Ada", float(lat), float(lon), NOW)
    chasing = Chasing(watch(ground=Ground(rasters=TOWN.rasters)), store, clock)
    chasing.look()
    advice = store.advice("flight")
    assert advice is not None
    assert advice.crews == ()
    store.place_crew("flight", replace(ada, name="Ben"), received_utc=NOW, source="page")
    store.place_crew("flight", ada, received_utc=NOW, source="page")
    old = replace(ada, latitude_deg=1.0, at_utc=NOW - timedelta(minutes=5))
    store.place_crew("flight", old, received_utc=NOW, source="posted")
    assert store.crews("flight")[0] == ada, "the latest time counts, not what came last"
    chasing.look()
    advice = store.advice("flight")
    assert advice is not None
    assert [each.crew.name for each in advice.crews] == ["Ada", "Ben"]
    assert all(each.order in (Order.WAIT, Order.STAY) for each in advice.crews)
    store.send_home("flight", "Ben", NOW)
    clock.set(NOW + timedelta(seconds=70))
    again = Chasing(watch(ground=Ground(rasters=TOWN.rasters)), store, clock)
    again.look()
    later = store.advice("flight")
    assert later is not None
    assert [each.crew.name for each in later.crews] == ["Ada"]
    assert later.made_utc == clock.now()
    assert not store.save_advice("flight", replace(later, number=1)), "an earlier one is late"
    Chasing(watch(), store, clock).look()
    bare = store.advice("flight")
    assert bare is not None
    assert bare.refused is NoAdvice.NO_ROADS
    store.close_flight("flight", Closing(Outcome.GIVEN_UP, NOW, "Ada"))
    with pytest.raises(ClosedError):
        store.place_crew("flight", ada, received_utc=NOW, source="page")
    assert not store.save_advice("flight", later)
