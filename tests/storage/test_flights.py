"""Flights in the database: reports only come to it, each judged once; what is closed stays so."""

import threading
from dataclasses import replace
from datetime import timedelta

import made_air
import numpy as np
import pytest
from made_flight import BEGAN, BEGUN, report, reports
from sqlalchemy import text

from windowwatch.chase.following import track_so_far
from windowwatch.chase.reports import Mark
from windowwatch.chase.values import Air, Closing, Heard, LearnedErrors, NoEstimate, Outcome
from windowwatch.errors import InputError, StorageError
from windowwatch.physics.winderror import FORECAST_ERROR
from windowwatch.storage.flights import ClosedError
from windowwatch.storage.store import Store

pytestmark = pytest.mark.chase


def test_what_was_stored_comes_back_as_it_was(store: Store) -> None:
    store.begin_flight(BEGUN)
    kept = store.add_reports("flight", reports(3))
    assert [each.mark for each in kept] == [Mark.USED] * 4
    assert store.reports("flight") == kept
    flight = store.flight("flight")
    assert flight is not None
    assert flight.begun == BEGUN
    assert store.flights() == (flight,)


def test_each_report_is_judged_by_all_before_whoever_brings_it(store: Store) -> None:
    """One by one, as from processes of their own: the row of doubted ones is not forgotten."""
    store.begin_flight(BEGUN)
    wild = {"latitude_deg": 47.2}
    said = [report(0), report(1), report(1), report(0.5), report(2, **wild), report(3, **wild),
            report(4, **wild), report(5, **wild),
            report(6, latitude_deg=0.0, longitude_deg=0.0)]  # fmt: skip
    marks = [store.add_reports("flight", [each])[0].mark for each in said]
    assert marks == [Mark.USED, Mark.USED, Mark.REPEATED, Mark.LATE, Mark.IMPOSSIBLE,
                     Mark.IMPOSSIBLE, Mark.USED, Mark.USED, Mark.ZERO_ISLAND]  # fmt: skip
    assert [each.mark for each in store.reports("flight")] == marks


def test_two_who_speak_at_once_are_both_heard(store: Store) -> None:
    store.begin_flight(BEGUN)
    failed: list[Exception] = []

    def speak(tracker: str) -> None:
        try:
            for minute in range(10):
                store.add_reports("flight", [report(minute, tracker=tracker)])
        except Exception as error:  # told below, not lost in a thread
            failed.append(error)

    threads = [threading.Thread(target=speak, args=(name,)) for name in ("radio", "satellite")]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failed == []
    kept = store.reports("flight")
    assert len(kept) == 20
    assert {each.mark for each in kept} == {Mark.USED}


def test_a_closed_flight_changes_no_more(store: Store) -> None:
    store.begin_flight(BEGUN)
    store.add_reports("flight", reports(2))
    end = Closing(Outcome.RECOVERED, BEGAN + timedelta(hours=4), "Ada", 46.01, 7.8, "whole", "tree")
    word = store.let_post("flight", "radio", BEGAN)
    assert store.close_flight("flight", end).closing == end
    with pytest.raises(ClosedError, match="closed since 2026-05-08 10:00 UTC"):
        store.add_reports("flight", [report(9)])
    with pytest.raises(ClosedError):
        store.close_flight("flight", end)
    with pytest.raises(ClosedError):
        store.let_post("flight", "satellite", BEGAN)
    assert store.who_posts(word) is not None  # who it is, is known; what it says is refused
    store.follow("flight", BEGAN + timedelta(hours=5))
    assert store.said("flight") is None
    assert len(store.reports("flight")) == 3


def test_a_word_lets_one_tracker_post_until_it_is_taken_back(store: Store) -> None:
    store.begin_flight(BEGUN)
    word = store.let_post("flight", "radio", BEGAN)
    who = store.who_posts(word)
    assert who is not None
    assert (who.flight, who.tracker) == ("flight", "radio")
    assert store.who_posts(word + "x") is None
    assert store.stop_posting("flight", "radio", BEGAN) == 1
    assert store.who_posts(word) is None
    assert [each.revoked_utc for each in store.trackers("flight")] == [BEGAN]


def test_an_estimate_comes_back_as_it_was_and_no_older_one_takes_its_place(store: Store) -> None:
    store.begin_flight(BEGUN)
    now = BEGAN + timedelta(minutes=41)
    assert store.follow("flight", BEGAN).refused is NoEstimate.WAITING
    kept = store.add_reports("flight", reports(40))
    said = store.follow("flight", now)
    assert said.estimate is not None
    assert said.number == kept[-1].number
    assert store.said("flight") == said
    from windowwatch.storage.flights import save_said

    assert not save_said(store, "flight", type(said)(1, now, None, NoEstimate.WAITING))
    assert store.said("flight") == said


def test_the_forecast_goes_with_the_flight(store: Store) -> None:
    air = made_air.grid(lambda t, lat, lon, z: (8.0 + 1e-3 * z, 3.0))
    store.begin_flight(BEGUN, air)
    from windowwatch.storage.flights import air_of

    back = air_of(store, "flight")
    assert back is not None
    assert np.array_equal(back.air, air.air[:1])
    assert (back.top_height_m, back.cycle_unix_s) == (air.top_height_m, air.cycle_unix_s)


def test_what_is_damaged_is_refused(store: Store) -> None:
    store.begin_flight(BEGUN)
    with pytest.raises(InputError, match="there is no flight nowhere"):
        store.add_reports("nowhere", [report(0)])
    with store.writing() as session:
        session.execute(text("UPDATE flights SET begun = replace(begun, '46.0', '\"46\"')"))
    with pytest.raises(StorageError, match="flight flight, latitude_deg"):
        store.flight("flight")


def test_a_planned_launch_has_one_flight_whoever_begins_it(store: Store) -> None:
    found: list[str] = []
    barrier = threading.Barrier(4)

    def begin(number: int) -> None:
        barrier.wait()
        begun = replace(BEGUN, key=f"flight{number}", plan="3", watch="made", air=Air.AWAITED)
        found.append(store.begin_flight(begun).key)

    threads = [threading.Thread(target=begin, args=(number,)) for number in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    (flight,) = store.flights()
    assert found == [flight.key] * 4
    assert store.flight_of_plan("made", "3") == flight
    assert store.flight_of_plan("made", "4") is None
    assert store.flight_of_plan("other", "3") is None
    store.begin_flight(replace(BEGUN, key="another", plan="3", watch="other"))
    store.begin_flight(replace(BEGUN, key="unplanned"))
    store.begin_flight(replace(BEGUN, key="neither"))
    assert len(store.flights()) == 4


def test_an_awaited_forecast_comes_once(store: Store) -> None:
    grid = made_air.grid(lambda t, lat, lon, z: (8.0 + 0.0 * z, 3.0))
    store.begin_flight(replace(BEGUN, air=Air.AWAITED))
    store.begin_flight(replace(BEGUN, key="without"))
    before = store.flights_mark()
    assert store.give_air("flight", "first", grid)
    assert store.flights_mark() != before, "who looks at it is told"
    assert not store.give_air("flight", "second", grid)
    assert not store.give_air("without", "first", grid), "it goes without one, as was said"
    flight = store.flight("flight")
    assert flight is not None
    assert (flight.begun.air, flight.begun.forecast) == (Air.FORECAST, "first")


def test_what_was_learned_is_what_a_forecast_is_doubted_by(store: Store) -> None:
    grid = made_air.grid(
        lambda t, lat, lon, z: (8.0 + 0.0 * z, 3.0),
        latitude_deg=np.arange(43.0, 49.1, 0.5),
        longitude_deg=np.arange(3.0, 13.1, 0.5),
        time_unix_s=BEGAN.timestamp() + np.arange(-3.0, 24.1, 3.0) * 3_600.0,
    )
    sizes = tuple(tuple(3.0 * size for size in row) for row in FORECAST_ERROR.vector_rmse_mps)
    learned = LearnedErrors(replace(FORECAST_ERROR, vector_rmse_mps=sizes), "v7")
    wide = []
    for key, errors in (("memory", None), ("learned", learned)):
        store.begin_flight(replace(BEGUN, key=key, air=Air.AWAITED))
        assert store.give_air(key, "first", grid, errors)
        flight = store.flight(key)
        assert flight is not None
        assert flight.begun.errors == errors
        store.add_reports(key, reports(20))
        said = store.follow(key, BEGAN + timedelta(minutes=21)).estimate
        assert said is not None
        assert said.learned == ("" if errors is None else "v7")
        wide.append(said.landing.major_90_m)
    assert wide[1] > 1.3 * wide[0]


def test_what_is_new_of_a_track_is_read_and_the_last_reports(store: Store) -> None:
    """As all reports say it, however they came: late, twice, by two trackers."""
    store.begin_flight(BEGUN)
    made = [report(n) for n in range(30)]
    made[12] = replace(made[12], latitude_deg=0.0, longitude_deg=0.0)
    other = [replace(report(n + 0.5), tracker="phone") for n in (3, 9, 8, 9)]
    assert store.heard("flight", 12) == Heard((), 0, 0, ())
    for part in (made[:7], other[:1], made[7:20], other[1:], made[20:]):
        store.add_reports("flight", part)
        kept = store.reports("flight")
        track, number = store.track_so_far("flight")
        whole = track_so_far(kept)
        assert number == kept[-1].number
        for name in vars(whole):
            assert np.array_equal(getattr(track, name), getattr(whole, name)), name
        used = [each for each in kept if each.mark is Mark.USED]
        heard = store.heard("flight", 12)
        assert heard.last == kept[-12:]
        assert heard.unused == len(kept) - len(used)
        assert heard.used_number == used[-1].number
        last = {each.report.tracker: each for each in used}
        numbers = sorted(each.number for each in last.values())
        assert heard.by_tracker == tuple(
            each.report for number in numbers for each in used if each.number == number
        )
    assert heard.unused >= 2
