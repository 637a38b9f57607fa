"""The flight log in the database: imported whole or not at all, and what cycles had said stays."""

from dataclasses import replace
from datetime import timedelta

import invented
import made_air
import numpy as np
import pytest
from made_flight import BEGAN, BEGUN, DOWN_MIN, at, report, reports
from sqlalchemy import delete, func, select

from windowwatch.chase.logbook import Note, NoteKind
from windowwatch.chase.reports import Mark
from windowwatch.chase.values import Air, Closing, Flight, Outcome
from windowwatch.clock import to_unix_s
from windowwatch.errors import InputError, StorageError
from windowwatch.forecast.cycle import Cycle
from windowwatch.launchday.plan import LiftMeasured, Planned
from windowwatch.learning.balloons import Trait
from windowwatch.physics.earth import distance_m
from windowwatch.physics.spread import Footprint
from windowwatch.storage.flightlog import LoggedAt, lessons_of
from windowwatch.storage.store import Store
from windowwatch.storage.tables import FlownRow, HourRow, PositionRow

pytestmark = pytest.mark.learning
END = Closing(Outcome.OVER, BEGAN + timedelta(hours=4), "Ada")
NOTES = (Note(NoteKind.SOURCE, BEGAN, "Ada", "old.csv"),)
WHOLE = int(DOWN_MIN) + 6


def imported(store: Store) -> None:
    store.import_flight(BEGUN, reports(WHOLE), END, NOTES)


def test_an_imported_flight_has_the_same_rows_as_a_followed_one(store: Store) -> None:
    imported(store)
    flight = store.flight("flight")
    assert flight is not None
    assert flight.closing == END
    assert {each.mark for each in store.reports("flight")} == {Mark.USED}
    logged = store.logged_now(flight, BEGAN)
    assert logged.made is not None
    assert store.logged(flight) == logged, "what was made comes back as it was"
    assert not logged.made.flown.lift_measured, "nobody noted a lift"
    store.note_flight("flight", [Note(NoteKind.LIFT, BEGAN, "Ben", number=2.9)])
    again = store.log_flight("flight", BEGAN)
    assert again.made is not None
    assert again.made.flown.lift_measured
    assert again.made.flown.burst is not None
    assert logged.made.flown.burst is not None
    assert again.made.flown.burst.log_value > logged.made.flown.burst.log_value, "more gas"
    (lesson,) = lessons_of([again])
    assert {each.trait for each in lesson.seen} == set(Trait)
    left = [*again.notes, Note(NoteKind.LEFT_OUT, BEGAN, "Ben", "cut down")]
    assert lessons_of([replace(again, notes=tuple(left))]) == ()


def test_an_import_is_whole_or_nothing(store: Store) -> None:
    wild = [report(0), report(1, latitude_deg=52.0), report(2, latitude_deg=57.0)]
    with pytest.raises(InputError, match="of 3 positions 1 can be used"):
        store.import_flight(BEGUN, wild, END, NOTES)
    assert store.flights() == ()
    with store.reading() as session:
        assert session.scalar(select(func.count()).select_from(PositionRow)) == 0
    imported(store)
    with pytest.raises(InputError, match="flight flight has that track already"):
        store.import_flight(replace(BEGUN, key="second"), reports(WHOLE), END)
    with pytest.raises(InputError, match="there is no flight nowhere"):
        store.note_flight("nowhere", NOTES)


def test_what_cycles_had_said_is_held_against_the_landing_and_outlives_their_hours(
    store: Store,
) -> None:
    imported(store)
    spot = at(DOWN_MIN)[:2]
    middle = Footprint(46.1, spot[1], 60, 8e3, 8e3, 16e3, 16e3, 0.0)
    for back, area in ((48, replace(middle, latitude_deg=46.3)), (12, middle)):
        cycle = Cycle(BEGAN - timedelta(hours=back), "made")
        hours = tuple(
            replace(invented.hour(BEGAN + timedelta(hours=n)), footprint=area) for n in (-1, 0, 1)
        )
        store.save_pass(
            invented.record(cycle=cycle, saved_utc=cycle.reference_utc, hours=hours, windows=(),
                            changes=(), deliveries=(), held_until={}, details=())
        )  # fmt: skip
    where = LoggedAt(invented.WATCH, hours[0].site, 2.8)
    logged = store.log_flight("flight", BEGAN, where)
    assert logged.made is not None
    far, near = logged.made.said
    assert (far.lead_h, near.lead_h) == (48.0, 12.0)
    assert near.hour_utc == BEGAN
    assert near.error_m == pytest.approx(float(distance_m(46.1, spot[1], *spot)), abs=500.0)
    assert not near.inside_50
    assert near.inside_90
    assert not far.inside_90
    assert logged.made.forecast == near
    with store.writing() as session:
        session.execute(delete(HourRow))
    assert store.log_flight("flight", BEGAN, where).made == logged.made


def test_a_damaged_row_is_named(store: Store) -> None:
    imported(store)
    store.log_flight("flight", BEGAN)
    with store.writing() as session:
        row = session.get(FlownRow, "flight")
        assert row is not None
        row.value = row.value[:200]
    flight = store.flight("flight")
    assert flight is not None
    with pytest.raises(StorageError, match="what was made of flight flight"):
        store.logged(flight)


def test_the_forecast_that_was_taken_along_and_the_lift_of_the_plan_are_used(store: Store) -> None:
    planned = Planned("Field", BEGAN, replace(BEGUN.train, nozzle_lift_kg=2.7))
    plan = store.make_plan("line", planned, at_utc=BEGAN, by="Ada").key
    begun = replace(BEGUN, air=Air.FORECAST, forecast="made", plan=plan)
    time = to_unix_s(BEGAN) + np.arange(0.0, 7.0) * 3_600.0
    grid = made_air.grid(
        lambda t, y, x, z: (12.0, 0.0), latitude_deg=np.arange(44.0, 48.1, 1.0),
        longitude_deg=np.arange(5.0, 10.1, 1.0), time_unix_s=time, terrain_m=500.0,
    )  # fmt: skip
    store.begin_flight(begun, grid)
    store.add_reports("flight", reports(WHOLE))
    where = LoggedAt("line", None, 2.6)
    one = store.log_flight("flight", BEGAN, where).made
    assert one is not None
    assert one.flown.air is Air.FORECAST
    assert not one.flown.lift_measured
    store.add_entry("line", plan, LiftMeasured(2.8), at_utc=BEGAN, by="Ben", check=lambda _: None)
    two = store.log_flight("flight", BEGAN, where).made
    assert two is not None
    assert two.flown.lift_measured
    assert one.flown.drag is not None
    assert two.flown.drag is not None
    assert two.flown.drag.sigma < one.flown.drag.sigma
    assert lessons_of([store.logged_now(Flight(begun, None), BEGAN)]) == (), "it is still open"
