"""The flight log in the database: imported flights, notes, and what was made of each flight.

An imported flight has the same rows as one that was followed, closed from the start. What cycles
had said of it is kept here when their hours are long dropped.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import func, select

from windowwatch.chase.flown import (
    Flown,
    LandingBy,
    Measured,
    SaidBefore,
    flown,
    held_against,
    said_before,
)
from windowwatch.chase.logbook import Logged, Made, Note, NoteKind, as_filled, merged
from windowwatch.chase.phases import Track
from windowwatch.chase.reports import Mark, Report, Screened, screen
from windowwatch.chase.values import Air, Begun, Closing, Flight
from windowwatch.clock import require_utc
from windowwatch.errors import InputError, StorageError
from windowwatch.launchday.plan import stand
from windowwatch.learning.balloons import Lesson, Seen, Trait, kit_of
from windowwatch.physics.earth import distance_m
from windowwatch.scoring.values import Site
from windowwatch.storage import rows
from windowwatch.storage.engine import Database
from windowwatch.storage.flights import (
    air_of,
    find_flight,
    report_values,
    track_so_far,
)
from windowwatch.storage.plans import plan_entries
from windowwatch.storage.rows import value_from_json, value_to_json
from windowwatch.storage.tables import (
    CycleRow,
    FlightNoteRow,
    FlightRow,
    FlownRow,
    HourRow,
    PositionRow,
)

#: A launch hour is that of a release when it is no further from it.
NEAREST_HOUR = timedelta(minutes=90)

#: Further from every site, a flight had no forecast. [m]
NEAREST_SITE_M = 5_000.0


@dataclass(frozen=True)
class LoggedAt:
    """Where cycles are asked what they had said of a flight, and the lift that is usually meant.

    `meant_lift_kg` is that of the settings: a flight that was begun with another one had its lift
    measured.
    """

    watch: str
    site: str | None
    meant_lift_kg: float | None


def logged_from(
    watch: str, sites: Iterable[Site], meant_lift_kg: float | None, begun: Begun
) -> LoggedAt:
    """Where a flight's forecasts are: at the site of a watch that is nearest to its release."""

    def away_m(site: Site) -> float:
        place = site.latitude_deg, site.longitude_deg
        return float(distance_m(*place, begun.latitude_deg, begun.longitude_deg))

    near = min(sites, key=away_m, default=None)
    there = near is not None and away_m(near) <= NEAREST_SITE_M
    return LoggedAt(watch, near.name if near is not None and there else None, meant_lift_kg)


def import_flight(
    database: Database,
    begun: Begun,
    reports: Sequence[Report],
    closing: Closing,
    notes: Sequence[Note] = (),
) -> Flight:
    """Store a flight of before, with all its reports and its end, in one transaction.

    Raises
    ------
    InputError
        If a flight has that track already, or no two of its reports can be used.
    """
    used = 0
    so_far = Screened(
        release=(begun.latitude_deg, begun.longitude_deg), released_utc=begun.released_utc
    )
    with database.writing() as session:
        first = reports[0]
        twin = select(PositionRow.flight).where(
            PositionRow.time_utc == first.time_utc,
            PositionRow.latitude_deg == first.latitude_deg,
            PositionRow.longitude_deg == first.longitude_deg,
        )
        known = session.scalar(twin.limit(1))
        if known is not None:
            raise InputError(f"flight {known} has that track already; nothing was imported")
        session.add(
            FlightRow(
                key=begun.key,
                begun_utc=require_utc(begun.begun_utc),
                begun=value_to_json(begun, f"flight {begun.key}"),
                closed_utc=require_utc(closing.at_utc),
                closing=value_to_json(closing, f"the end of flight {begun.key}"),
            )
        )
        session.flush()
        for report in reports:
            mark, so_far = screen(so_far, report)
            used += mark is Mark.USED
            session.add(PositionRow(flight=begun.key, mark=str(mark), **report_values(report)))
        if used < 2:
            raise InputError(
                f"of {len(reports)} positions {used} can be used, and a flight needs two; is the "
                "release right (--place, --site), are the times? Nothing was imported"
            )
        session.add_all(_note_row(begun.key, note) for note in notes)
    return Flight(begun, closing)


def add_notes(database: Database, key: str, notes: Iterable[Note]) -> None:
    """Note something of a flight, closed or not."""
    with database.writing() as session:
        if session.get(FlightRow, key) is None:
            raise InputError(f"there is no flight {key}; `windowwatch log` names them")
        session.add_all(_note_row(key, note) for note in notes)


def notes_of(database: Database, key: str) -> tuple[Note, ...]:
    """Notes of a flight in the order in which they came."""
    wanted = select(FlightNoteRow.value).where(FlightNoteRow.flight == key)
    with database.reading() as session:
        found = session.scalars(wanted.order_by(FlightNoteRow.id)).all()
    return tuple(value_from_json(Note, each, f"a note of flight {key}") for each in found)


def logged(database: Database, flight: Flight) -> Logged:
    """A flight as the log has it."""
    with database.reading() as session:
        row = session.get(FlownRow, flight.key)
        text = None if row is None else row.value
    made = None
    if text is not None:
        made = value_from_json(Made, text, f"what was made of flight {flight.key}")
    return Logged(flight, notes_of(database, flight.key), made)


def log_flight(
    database: Database, key: str, now_utc: datetime, at: LoggedAt | None = None
) -> Logged:
    """Make anew of a flight what its track and the stored cycles say, and keep it.

    Returns
    -------
    Logged
        Where its track measures nothing, what was made before, with `why`.
    """
    flight = find_flight(database, key)
    if flight is None:
        raise InputError(f"there is no flight {key}; `windowwatch log` names them")
    before = logged(database, flight)
    track, number = track_so_far(database, key)
    try:
        found = _flown(database, before, track, at)
    except InputError as error:
        return Logged(flight, before.notes, before.made, error.message)
    said = () if at is None or at.site is None else _said(database, at.watch, at.site, found)
    old = () if before.made is None else before.made.said
    made = Made(number, require_utc(now_utc), found, merged(_against(old, found), said))
    with database.writing() as session:
        row = session.get(FlownRow, key, with_for_update=True)
        values = {"number": number, "made_utc": made.made_utc,
                  "value": value_to_json(made, f"what was made of flight {key}")}  # fmt: skip
        if row is None:
            session.add(FlownRow(flight=key, **values))
        else:
            for name, value in values.items():
                setattr(row, name, value)
    return Logged(flight, before.notes, made)


def _flown(database: Database, before: Logged, track: Track, at: LoggedAt | None) -> Flown:
    begun = before.flight.begun
    air = air_of(database, begun.key) if begun.air is Air.FORECAST else None
    return flown(
        as_filled(begun, before.notes),
        track,
        before.flight.closing,
        air=air,
        lift_measured=_was_measured(database, before, at),
    )


def _was_measured(database: Database, before: Logged, at: LoggedAt | None) -> bool:
    """Whether the scale at the neck was read, as far as anybody said."""
    begun = before.flight.begun
    if before.noted(NoteKind.LIFT) is not None:
        return True
    if begun.plan and at is not None:
        try:
            entries = plan_entries(database, at.watch, begun.plan).entries
        except StorageError:
            return False  # the plan is of another watch, or gone
        return stand(begun.plan, entries).measured_lift_kg is not None
    if before.noted(NoteKind.SOURCE) is not None:
        return False
    return at is None or begun.train.nozzle_lift_kg != at.meant_lift_kg


def _said(database: Database, watch: str, site: str, found: Flown) -> tuple[SaidBefore, ...]:
    """What every stored cycle had said of the launch hour that is nearest to the release."""
    released = found.released_utc
    columns = [c for c in HourRow.__table__.c if c.name != "checks"]
    wanted = (
        select(CycleRow.cycle_id, CycleRow.model, CycleRow.reference_utc, *columns)
        .join(CycleRow, HourRow.cycle_row == CycleRow.id)
        .where(
            CycleRow.watch == watch,
            CycleRow.reference_utc <= released,
            HourRow.site == site,
            HourRow.time_utc >= released - NEAREST_HOUR,
            HourRow.time_utc <= released + NEAREST_HOUR,
        )
    )
    nearest: dict[str, SaidBefore] = {}
    with database.reading() as session:
        for row in session.execute(wanted):
            hour = rows.hour_of_row(row, with_checks=False)
            said = said_before(row.cycle_id, row.model, row.reference_utc, hour, found)
            other = nearest.get(row.cycle_id)
            if other is None or _off(said, released) < _off(other, released):
                nearest[row.cycle_id] = said
    return tuple(nearest.values())


def _off(said: SaidBefore, released_utc: datetime) -> timedelta:
    return abs(said.hour_utc - released_utc)


def _against(old: Sequence[SaidBefore], found: Flown) -> tuple[SaidBefore, ...]:
    """What was kept of cycles, held against the landing as it is known now."""
    return tuple(held_against(each, found) for each in old)


def logged_now(
    database: Database, flight: Flight, now_utc: datetime, at: LoggedAt | None = None
) -> Logged:
    """A flight as the log has it; made anew where reports or its end came after it was made."""
    found = logged(database, flight)
    newest = select(func.max(PositionRow.id)).where(PositionRow.flight == flight.key)
    with database.reading() as session:
        number = session.scalar(newest)
    if found.made is not None and number is not None and number <= found.made.number:
        end, by = flight.closing, found.made.flown.landing_by
        if end is None or end.latitude_deg is None or by is LandingBy.FOUND:
            return found
    return log_flight(database, flight.key, now_utc, at)


def lessons_of(log: Iterable[Logged]) -> tuple[Lesson, ...]:
    """What can be learned of logged flights; those that are left out, or still open, are not in."""
    return tuple(_lesson(each, each.made) for each in log
                 if each.made is not None and each.flight.closing is not None
                 and each.noted(NoteKind.LEFT_OUT) is None)  # fmt: skip


def _lesson(log: Logged, made: Made) -> Lesson:
    found = made.flown
    traits: tuple[tuple[Trait, Measured | None], ...] = (
        (Trait.BURST, found.burst), (Trait.DRAG, found.drag), (Trait.CANOPY, found.canopy),
    )  # fmt: skip
    train = log.flight.begun.train
    kit = kit_of(train, log.text(NoteKind.BALLOON), log.text(NoteKind.PARACHUTE))
    seen = tuple(Seen(trait, m.log_value, m.sigma) for trait, m in traits if m is not None)
    return Lesson(log.flight.key, found.released_utc, kit, train, seen)


def _note_row(key: str, note: Note) -> FlightNoteRow:
    return FlightNoteRow(
        flight=key,
        at_utc=require_utc(note.at_utc),
        by_whom=note.by,
        kind=str(note.kind),
        value=value_to_json(note, f"a note of flight {key}"),
    )
