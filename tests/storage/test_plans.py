"""Planned launches in the database: nothing is lost, and two who act at once are seen."""

import threading
from datetime import UTC, datetime, timedelta

import pytest
from invented import WATCH, hour

from windowwatch.errors import StorageError
from windowwatch.launchday.plan import (
    Done,
    Event,
    FillBegun,
    Held,
    LiftMeasured,
    Moved,
    PlanError,
    Planned,
    PlanState,
    Released,
    Scrubbed,
    Ticked,
    Unticked,
    check_next,
    stand,
)
from windowwatch.launchday.releases import release_table
from windowwatch.launchday.sighting import Correction, Sighting, Veto
from windowwatch.physics.train import FlightTrain, Gas
from windowwatch.storage.store import Store

pytestmark = pytest.mark.launchday

NOW = datetime(2026, 5, 5, 8, 0, tzinfo=UTC)
RELEASE = NOW + timedelta(hours=1)
TRAIN = FlightTrain(1.2, 1.6, 2.8, 8.6, 2.5, gas=Gas.HELIUM, measured_ascent_mps=5.5)
PLANNED = Planned("Millfield", RELEASE, TRAIN, ("Ada", "Ben"), "Millfield|w", "gfs 2026-05-05T00Z")


def add(store: Store, key: str, event: Event, by: str = "Ada", at: datetime = NOW) -> None:
    def check(entries: object) -> None:
        check_next(entries, event, at, key=key, steps=("gas",))  # type: ignore[arg-type]

    store.add_entry(WATCH, key, event, at_utc=at, by=by, check=check)


def test_all_that_happened_comes_back(store: Store) -> None:
    made = store.make_plan(WATCH, PLANNED, at_utc=NOW, by="Ada")
    assert made.key == "1"
    events: tuple[Event, ...] = (
        Ticked("gas"),
        Unticked("gas"),
        Held(timedelta(minutes=5)),
        Moved(RELEASE + timedelta(minutes=30)),
        FillBegun(),
        LiftMeasured(2.9),
        Released(NOW),
        Done("found by the pond"),
    )
    for event in events:
        add(store, "1", event, "Ben")
    found = store.plan_entries(WATCH, "1")
    assert [entry.event for entry in found.entries] == [PLANNED, *events]
    assert {entry.by for entry in found.entries[1:]} == {"Ben"}
    assert stand("1", found.entries).state is PlanState.DONE
    other = store.make_plan(WATCH, PLANNED, at_utc=NOW, by="Ada")
    assert [plan.key for plan in store.all_plans(WATCH)] == [other.key, "1"]
    assert store.all_plans("another watch") == ()


def test_what_is_refused_is_not_stored(store: Store) -> None:
    store.make_plan(WATCH, PLANNED, at_utc=NOW, by="Ada")
    add(store, "1", Scrubbed("front"))
    with pytest.raises(PlanError, match="scrubbed"):
        add(store, "1", Ticked("gas"))
    assert len(store.plan_entries(WATCH, "1").entries) == 2
    for key in ("7", "x", "-1", "1e3", "99999999999"):
        with pytest.raises(StorageError, match="has no plan"):
            store.plan_entries(WATCH, key)


def test_of_a_hold_and_a_release_at_one_moment_each_knows_of_the_other(store: Store) -> None:
    """Ten of each at once: all are stored in some order, and after the release no hold is."""
    store.make_plan(WATCH, PLANNED, at_utc=NOW, by="Ada")
    refused: list[str] = []
    broken: list[BaseException] = []
    begin = threading.Barrier(8)

    def act(number: int) -> None:
        begin.wait()
        event: Event = Released(NOW) if number % 2 else Held(timedelta(minutes=5))
        try:
            add(store, "1", event, f"crew {number}")
        except PlanError as error:
            refused.append(error.message)
        except BaseException as error:  # shown below
            broken.append(error)

    crews = [threading.Thread(target=act, args=(n,)) for n in range(8)]
    for crew in crews:
        crew.start()
    for crew in crews:
        crew.join()
    assert not broken
    entries = store.plan_entries(WATCH, "1").entries
    kinds = [entry.event.kind for entry in entries]
    assert kinds.count("released") == 1
    assert kinds[-1] == "released"
    assert len(entries) - 1 + len(refused) == 8
    assert all("left at" in words for words in refused)


def test_two_plans_made_at_once_have_two_keys(store: Store) -> None:
    keys: list[str] = []
    begin = threading.Barrier(4)

    def make() -> None:
        begin.wait()
        keys.append(store.make_plan(WATCH, PLANNED, at_utc=NOW, by="Ada").key)

    makers = [threading.Thread(target=make) for _ in range(4)]
    for maker in makers:
        maker.start()
    for maker in makers:
        maker.join()
    assert sorted(keys) == ["1", "2", "3", "4"]


def test_the_newest_table_takes_the_place_of_the_one_before(store: Store) -> None:
    store.make_plan(WATCH, PLANNED, at_utc=NOW, by="Ada")
    assert store.release_table(WATCH, "1") is None
    veto = Veto(11.0, 10.0, NOW, "Ben")
    for number in (1, 2):
        table = release_table(
            [hour(RELEASE)],
            plan="1",
            plan_number=number,
            planned_utc=RELEASE,
            cycle_id="gfs 2026-05-05T00Z",
            now_utc=NOW,
            vetoes=(veto,),
            correction=Correction(1.0, 1.5, 2, NOW),
        )
        store.save_release_table(WATCH, table)
        assert store.release_table(WATCH, "1") == table


def test_what_was_seen_is_kept_in_order(store: Store) -> None:
    late = Sighting("Millfield", NOW, "Ada", wind_mps=4.0, gust_mps=6.5, told="METAR …")
    early = Sighting("Millfield", NOW - timedelta(hours=1), "Ben", cloud_oktas=3)
    for seen in (late, early, Sighting("Highmoor", NOW, "Ada", wind_mps=1.0)):
        store.save_sighting(WATCH, seen)
    assert store.sightings(WATCH, "Millfield", NOW - timedelta(hours=3)) == (early, late)
    assert store.sightings(WATCH, "Millfield", NOW) == (late,)
