"""Crews of followed flights: where each last was, and what all of them are advised."""

from datetime import datetime
from typing import TYPE_CHECKING

from sqlalchemy import func, select

from windowwatch.chase.drives import Advice, Crew
from windowwatch.clock import require_utc
from windowwatch.errors import InputError
from windowwatch.storage.engine import Database
from windowwatch.storage.flights import ClosedError
from windowwatch.storage.rows import value_from_json, value_to_json
from windowwatch.storage.tables import (
    AdviceRow,
    CrewPlaceRow,
    FlightAirRow,
    FlightRow,
    LandingRow,
    PositionRow,
)

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

#: Crews of one flight; more are a mistake.
MOST_CREWS = 12


def place_crew(
    database: Database, key: str, crew: Crew, *, received_utc: datetime, source: str
) -> int:
    """Store where a crew is; the number of what was stored.

    Raises
    ------
    ClosedError
        If the flight is closed.
    InputError
        If there is no such flight, the crew has no name, or there are too many.
    """
    if not -90.0 <= crew.latitude_deg <= 90.0 or not -180.0 <= crew.longitude_deg <= 360.0:
        raise InputError(
            f"{crew.name}: {crew.latitude_deg:g}, {crew.longitude_deg:g} is no place on Earth"
        )
    place = crew.latitude_deg, crew.longitude_deg
    return _add(database, key, crew.name, crew.at_utc, received_utc, place, source)


def send_home(database: Database, key: str, name: str, now_utc: datetime) -> None:
    """Store that a crew is not to be counted on any more; it may come back by a new place.

    Raises
    ------
    InputError
        If no such crew is known.
    """
    if name not in {crew.name for crew in crews_of(database, key)}:
        raise InputError(f"flight {key} has no crew {name!r}")
    _add(database, key, name, now_utc, now_utc, (None, None), "by hand")


def _add(
    database: Database,
    key: str,
    name: str,
    at_utc: datetime,
    received_utc: datetime,
    place: tuple[float, float] | tuple[None, None],
    source: str,
) -> int:
    if not name.strip() or len(name) > 80 or not name.isprintable():
        raise InputError("give the crew a name of at most 80 letters")
    with database.writing() as session:
        _require_open(session, key)
        names = set(
            session.scalars(select(CrewPlaceRow.crew).where(CrewPlaceRow.flight == key).distinct())
        )
        if len(names | {name}) > MOST_CREWS:
            raise InputError(f"flight {key} has {len(names)} crews; at most {MOST_CREWS} fit")
        row = CrewPlaceRow(
            flight=key,
            crew=name,
            # a clock that is wrong must not hide where a crew is said to be later
            at_utc=min(require_utc(at_utc), require_utc(received_utc)),
            received_utc=require_utc(received_utc),
            latitude_deg=place[0],
            longitude_deg=place[1],
            source=source[:80],
        )
        session.add(row)
        session.flush()
        return row.id


def _require_open(session: "Session", key: str) -> None:
    row = session.get(FlightRow, key, with_for_update=True)
    if row is None:
        raise InputError(f"there is no flight {key}; `windowwatch flight list` names them")
    if row.closed_utc is not None:
        raise ClosedError(f"flight {key} is closed since {row.closed_utc:%Y-%m-%d %H:%M} UTC")


def crews_of(database: Database, key: str) -> tuple[Crew, ...]:
    """Where each crew of a flight last said it was, by name; those sent home left out.

    The latest time counts, not what came last: a phone sends what it kept, too.
    """
    of = CrewPlaceRow.flight == key
    ranked = (
        select(
            CrewPlaceRow.id,
            func.row_number()
            .over(
                partition_by=CrewPlaceRow.crew,
                order_by=(CrewPlaceRow.at_utc.desc(), CrewPlaceRow.id.desc()),
            )
            .label("place"),
        )
        .where(of)
        .subquery()
    )
    newest = (
        select(CrewPlaceRow)
        .join(ranked, ranked.c.id == CrewPlaceRow.id)
        .where(ranked.c.place == 1)
        .order_by(CrewPlaceRow.crew)
    )
    with database.reading() as session:
        return tuple(
            Crew(row.crew, row.latitude_deg, row.longitude_deg, row.at_utc)
            for row in session.scalars(newest)
            if row.latitude_deg is not None and row.longitude_deg is not None
        )


def crews_mark(database: Database, key: str) -> int:
    """A number that is another one whenever any crew of a flight said where it is."""
    newest = select(func.max(CrewPlaceRow.id)).where(CrewPlaceRow.flight == key)
    with database.reading() as session:
        return int(session.scalar(newest) or 0)


def flights_mark(database: Database) -> str:
    """A word that is another one whenever any flight, report, crew or advice is."""
    newest = (
        select(func.max(PositionRow.id)),
        select(func.max(CrewPlaceRow.id)),
        select(func.sum(LandingRow.number)),
        select(func.count()).select_from(FlightRow),
        select(func.count(FlightRow.closed_utc)),
        select(func.count()).select_from(FlightAirRow),
    )
    with database.reading() as session:
        seen = [session.scalar(each) or 0 for each in newest]
        advised = session.scalar(select(func.max(AdviceRow.made_utc)))
    return ".".join([*map(str, seen), "" if advised is None else f"{advised:%y%m%d%H%M%S%f}"])


def save_advice(database: Database, key: str, advice: Advice) -> bool:
    """Store what crews are advised; False where later advice is there, or the flight is closed."""
    what = f"the advice of flight {key}"
    text = value_to_json(advice, what)
    with database.writing() as session:
        flight = session.get(FlightRow, key, with_for_update=True)
        if flight is None or flight.closed_utc is not None:
            return False
        row = session.get(AdviceRow, key)
        made_utc = require_utc(advice.made_utc)
        if row is None:
            session.add(AdviceRow(flight=key, made_utc=made_utc, value=text))
        elif value_from_json(Advice, row.value, what).number > advice.number:
            return False
        else:
            row.made_utc, row.value = made_utc, text
        return True


def advice_of(database: Database, key: str) -> Advice | None:
    """What the crews of a flight are advised; None before anybody was."""
    with database.reading() as session:
        row = session.get(AdviceRow, key)
        if row is None:
            return None
        return value_from_json(Advice, row.value, f"the advice of flight {key}")
