"""Flights that are followed: reports are only ever added, each with its mark; a closed one is shut.

Who stores a report is the only one to judge it: it is judged in the transaction that stores it, on
top of all that were stored before, so that two trackers that speak at once are heard one after
the other.
"""

import hashlib
import io
import secrets
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import TYPE_CHECKING, Any, cast
from weakref import WeakKeyDictionary

import numpy as np
from sqlalchemy import Row, func, select
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from windowwatch.chase.following import Used, estimated, rows_of, track_of_rows
from windowwatch.chase.phases import Track
from windowwatch.chase.reports import Mark, Report, Screened, screen
from windowwatch.chase.values import Air, Begun, Closing, Flight, Heard, Kept, LearnedErrors, Said
from windowwatch.clock import require_utc
from windowwatch.errors import InputError, StorageError
from windowwatch.launchday.plan import Plan
from windowwatch.scoring.values import Site
from windowwatch.storage.engine import Database
from windowwatch.storage.rows import value_from_json, value_to_json
from windowwatch.storage.tables import (
    FlightAirRow,
    FlightRow,
    LandingRow,
    PositionRow,
    TrackerRow,
)
from windowwatch.storage.watches import hashed
from windowwatch.units import FloatArray

if TYPE_CHECKING:  # takes long to load, and whoever looks at a flight only reads
    from windowwatch.physics.windgrid import WindGrid

_REPORT = ("tracker", "time_utc", "received_utc", "latitude_deg", "longitude_deg", "height_m",
           "place_sigma_m", "height_sigma_m", "source", "text")  # fmt: skip
_TRACK = ("time_utc", "latitude_deg", "longitude_deg", "height_m", "place_sigma_m",
          "height_sigma_m")  # fmt: skip
#: Of the keys of flights: none that is taken for another.
_LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"
#: Doubted reports that may still turn out right: the third of a row that fits is used.
_DOUBTED = 2
#: Arrays and numbers of a forecast that are kept with a flight.
_AIR = ("time_unix_s", "height_m", "latitude_deg", "longitude_deg", "air", "terrain_m",
        "top_height_m", "cycle_unix_s")  # fmt: skip

#: Flights whose used reports are kept as numbers, at most: 48 bytes a report.
_MOST_TRACKS = 8
_TRACKS: WeakKeyDictionary[Database, dict[str, tuple[int, FloatArray]]] = WeakKeyDictionary()
_LAST_AIR: WeakKeyDictionary[Database, tuple[str, "WindGrid"]] = WeakKeyDictionary()


class ClosedError(InputError):
    """The flight is closed: nothing of it changes."""


def new_key() -> str:
    """A word that names a flight in addresses; short enough to be typed from a phone."""
    return "".join(secrets.choice(_LETTERS) for _ in range(6))


def key_of(what: str) -> str:
    """Such a word, the same one for the same thing: of a flight that is to be flown again alike."""
    number = int.from_bytes(hashlib.blake2b(what.encode(), digest_size=8).digest(), "little")
    return "".join(_LETTERS[number // len(_LETTERS) ** i % len(_LETTERS)] for i in range(6))


def begin_flight(database: Database, begun: Begun, air: "WindGrid | None" = None) -> Flight:
    """Store a new flight, and the forecast that it will be followed with.

    A planned launch has one flight: whoever begins another is given the one that is there.
    """
    planned = flight_of_plan(database, begun.watch, begun.plan) if begun.plan else None
    if planned is not None:
        return planned
    try:
        with database.writing() as session:
            session.add(
                FlightRow(
                    key=begun.key,
                    watch=begun.watch if begun.plan else None,
                    plan=int(begun.plan) if begun.plan else None,
                    begun_utc=require_utc(begun.begun_utc),
                    begun=value_to_json(begun, f"flight {begun.key}"),
                    closed_utc=None,
                    closing=None,
                )
            )
            session.flush()
            if air is not None:
                session.add(FlightAirRow(flight=begun.key, value=_packed(air)))
    except StorageError as error:
        if not (begun.plan and isinstance(error.__cause__, IntegrityError)):
            raise
        planned = flight_of_plan(database, begun.watch, begun.plan)  # somebody was faster
        if planned is None:
            raise
        return planned
    return Flight(begun, None)


def begin_planned(
    database: Database, watch: str, plan: Plan, site: Site, now_utc: datetime
) -> Flight:
    """The flight of a planned launch, begun where there is none: its train, lift, site, release.

    The forecast comes after it (`give_air`): a release waits for nothing. What is drawn for a
    flight hangs on its key, which comes of the plan: a rehearsal is to be the same again, whoever
    begins its flight first.
    """
    planned = f"{watch}, {plan.key}, {plan.site}, {plan.release_utc:%Y-%m-%dT%H:%M:%S}"
    return begin_flight(
        database,
        Begun(
            key=key_of(planned),
            name=f"{plan.site}, {plan.release_utc:%Y-%m-%d}",
            begun_utc=now_utc,
            latitude_deg=site.latitude_deg,
            longitude_deg=site.longitude_deg,
            height_m=site.height_m,
            train=plan.train,
            released_utc=plan.released_utc,
            air=Air.AWAITED,
            plan=plan.key,
            watch=watch,
        ),
    )


def flight_of_plan(database: Database, watch: str, plan: str) -> Flight | None:
    """The flight of a planned launch; None while there is none."""
    if not (plan.isascii() and plan.isdigit() and len(plan) < 10):
        return None
    wanted = select(FlightRow).where(FlightRow.watch == watch, FlightRow.plan == int(plan))
    with database.reading() as session:
        row = session.scalar(wanted)
        return None if row is None else _flight(row)


def give_air(
    database: Database,
    key: str,
    forecast: str,
    air: "WindGrid",
    errors: LearnedErrors | None = None,
) -> bool:
    """Store the forecast that an open flight awaits, and by which errors it is doubted.

    False where it awaits none (any more).
    """
    packed = _packed(air)
    with database.writing() as session:
        row = session.get(FlightRow, key, with_for_update=True)
        if row is None or row.closed_utc is not None:
            return False
        begun = _flight(row).begun
        if begun.air is not Air.AWAITED:
            return False
        begun = replace(begun, air=Air.FORECAST, forecast=forecast, errors=errors)
        row.begun = value_to_json(begun, f"flight {key}")
        session.add(FlightAirRow(flight=key, value=packed))
        return True


def flights_of(database: Database) -> tuple[Flight, ...]:
    """All flights, the newest first."""
    wanted = select(FlightRow).order_by(FlightRow.begun_utc.desc(), FlightRow.key)
    with database.reading() as session:
        return tuple(map(_flight, session.scalars(wanted)))


def find_flight(database: Database, key: str) -> Flight | None:
    """The flight of a key; None when there is none."""
    with database.reading() as session:
        row = session.get(FlightRow, key)
        return None if row is None else _flight(row)


def add_reports(database: Database, key: str, reports: Sequence[Report]) -> tuple[Kept, ...]:
    """Store reports, each with what is thought of it. All of them, or none.

    Raises
    ------
    ClosedError
        If the flight is closed.
    InputError
        If there is no such flight.
    """
    with database.writing() as session:
        flight = _open_flight(session, key)
        found, so_far = [], _screened(session, flight.begun)
        for report in reports:
            mark, so_far = screen(so_far, report)
            row = PositionRow(flight=key, mark=str(mark), **report_values(report))
            session.add(row)
            session.flush()
            found.append(Kept(row.id, report, mark))
        return tuple(found)


def report_values(report: Report) -> dict[str, Any]:
    """Columns of a report."""
    return {name: getattr(report, name) for name in _REPORT}


def _screened(session: Session, begun: Begun) -> Screened:
    """What the next report is judged by: for each tracker its last used one, and doubted ones."""
    place = (begun.latitude_deg, begun.longitude_deg)
    so_far = Screened(release=place, released_utc=begun.released_utc)
    of = PositionRow.flight == begun.key
    names = session.scalars(select(PositionRow.tracker).where(of).distinct()).all()
    last, doubted = {}, []
    for name in sorted(names):
        mine = select(PositionRow).where(of, PositionRow.tracker == name)
        newest = mine.order_by(PositionRow.id.desc())
        used = session.scalar(newest.where(PositionRow.mark == str(Mark.USED)).limit(1))
        if used is None:
            continue
        last[name] = _report(used)
        since = newest.where(
            PositionRow.mark == str(Mark.IMPOSSIBLE), PositionRow.id > used.id
        ).limit(_DOUBTED)
        doubted += [_report(row) for row in reversed(session.scalars(since).all())]
    so_far = Screened(last, {}, so_far.release, so_far.released_utc)
    for report in doubted:
        _, so_far = screen(so_far, report)
    return so_far


def reports_of(database: Database, key: str) -> tuple[Kept, ...]:
    """All reports of a flight, in the order in which they came."""
    columns = [getattr(PositionRow, name) for name in ("id", *_REPORT, "mark")]
    wanted = select(*columns).where(PositionRow.flight == key).order_by(PositionRow.id)
    with database.reading() as session:
        return tuple(Kept(row.id, _report(row), Mark(row.mark)) for row in session.execute(wanted))


def heard_of(database: Database, key: str, count: int) -> Heard:
    """The last `count` reports of a flight, and what is to be said of all of them."""
    of, used = PositionRow.flight == key, PositionRow.mark == str(Mark.USED)
    columns = [getattr(PositionRow, name) for name in ("id", *_REPORT, "mark")]
    newest = select(*columns).where(of).order_by(PositionRow.id.desc()).limit(count)
    numbers = select(func.max(PositionRow.id)).where(of, used).group_by(PositionRow.tracker)
    unused = select(func.count()).where(of, PositionRow.mark != str(Mark.USED))
    with database.reading() as session:
        last = [Kept(row.id, _report(row), Mark(row.mark)) for row in session.execute(newest)]
        by_tracker = sorted(session.scalars(numbers).all())
        rows = select(*columns).where(PositionRow.id.in_(by_tracker)).order_by(PositionRow.id)
        reports = tuple(map(_report, session.execute(rows)))
        number = by_tracker[-1] if by_tracker else 0
        return Heard(tuple(reversed(last)), session.scalar(unused) or 0, number, reports)


def track_so_far(database: Database, key: str) -> tuple[Track, int]:
    """Track of the used reports of a flight, and the number of the last report of all.

    Reports are only ever added, and one after the other: those that were read before are not read
    again as long as the database is open.
    """
    of = PositionRow.flight == key
    columns = [getattr(PositionRow, name) for name in ("id", *_TRACK)]
    used = select(*columns).where(of, PositionRow.mark == str(Mark.USED)).order_by(PositionRow.id)
    known = _TRACKS.setdefault(database, {})
    last, rows = known.get(key, (0, rows_of(())))
    with database.reading() as session:
        number = session.scalar(select(func.max(PositionRow.id)).where(of)) or 0
        new = session.execute(used.where(PositionRow.id > last)).all()
    if new:
        rows = np.concatenate([rows, rows_of([_used(row) for row in new])])
        known.pop(key, None)
        known[key] = new[-1].id, rows
        while len(known) > _MOST_TRACKS:
            known.pop(next(iter(known)), None)
    return track_of_rows(rows), number


def save_said(database: Database, key: str, said: Said) -> bool:
    """Store an estimate; False where one of a later report is there, or the flight is closed."""
    text = value_to_json(said, f"the estimate of flight {key}")
    with database.writing() as session:
        flight = session.get(FlightRow, key, with_for_update=True)
        if flight is None or flight.closed_utc is not None:
            return False
        row = session.get(LandingRow, key)
        if row is None:
            session.add(LandingRow(flight=key, number=said.number, value=text))
        elif row.number > said.number:
            return False
        else:
            row.number, row.value = said.number, text
        return True


def said_of(database: Database, key: str) -> Said | None:
    """The newest estimate of a flight; None before the first."""
    with database.reading() as session:
        row = session.get(LandingRow, key)
        if row is None:
            return None
        return value_from_json(Said, row.value, f"the estimate of flight {key}")


def follow(database: Database, key: str, now_utc: datetime) -> Said:
    """Estimate a flight anew by all that is stored of it, and store that."""
    flight = find_flight(database, key)
    if flight is None:
        raise _no_flight(key)
    track, number = track_so_far(database, key)
    said = estimated(flight.begun, track, number, now_utc, air=air_of(database, key))
    save_said(database, key, said)
    return said


def close_flight(database: Database, key: str, closing: Closing) -> Flight:
    """Close a flight: recovered, or given up.

    Raises
    ------
    ClosedError
        If it is closed already.
    """
    with database.writing() as session:
        _open_flight(session, key)
        row = session.get(FlightRow, key)
        assert row is not None
        row.closed_utc = require_utc(closing.at_utc)
        row.closing = value_to_json(closing, f"the end of flight {key}")
        session.flush()
        return _flight(row)


def air_of(database: Database, key: str) -> "WindGrid | None":
    """The forecast that a flight is followed with; None without one.

    It never changes, so the one that was asked for last is kept as long as its database is open.
    """
    last = _LAST_AIR.get(database)
    if last is not None and last[0] == key:
        return last[1]
    with database.reading() as session:
        row = session.get(FlightAirRow, key)
        value = None if row is None else row.value
    if value is None:
        return None
    air = _unpacked(value, key)
    _LAST_AIR[database] = (key, air)
    return air


@dataclass(frozen=True)
class Tracker:
    """A tracker that may post positions of one flight; `key` names it among others.

    `is_crew` says that it is a crew's phone: its positions are those of the crew.
    """

    key: str
    flight: str
    tracker: str
    made_utc: datetime
    revoked_utc: datetime | None
    is_crew: bool = False


def let_post(
    database: Database, key: str, tracker: str, now_utc: datetime, *, is_crew: bool = False
) -> str:
    """Give a tracker a word of its own by which it posts to a flight; only its hash is kept."""
    if not tracker.strip() or len(tracker) > 80:
        raise InputError("give the tracker a name of at most 80 letters")
    word = secrets.token_urlsafe(18)
    with database.writing() as session:
        _open_flight(session, key)
        session.add(
            TrackerRow(
                token_sha256=hashed(word),
                flight=key,
                tracker=tracker,
                made_utc=require_utc(now_utc),
                revoked_utc=None,
                is_crew=is_crew,
            )
        )
    return word


def who_posts(database: Database, word: str) -> Tracker | None:
    """Whose word it is; None for one that nobody has, or that was taken back."""
    with database.reading() as session:
        row = session.get(TrackerRow, hashed(word))
        return None if row is None or row.revoked_utc is not None else _tracker(row)


def trackers_of(database: Database, key: str) -> tuple[Tracker, ...]:
    """Who may post to a flight, or might once."""
    wanted = select(TrackerRow).where(TrackerRow.flight == key).order_by(TrackerRow.made_utc)
    with database.reading() as session:
        return tuple(map(_tracker, session.scalars(wanted)))


def stop_posting(database: Database, key: str, tracker: str, now_utc: datetime) -> int:
    """Take back every word of a tracker; how many there were."""
    wanted = select(TrackerRow).where(
        TrackerRow.flight == key, TrackerRow.tracker == tracker, TrackerRow.revoked_utc.is_(None)
    )
    with database.writing() as session:
        rows = session.scalars(wanted).all()
        for row in rows:
            row.revoked_utc = require_utc(now_utc)
        return len(rows)


def _tracker(row: TrackerRow) -> Tracker:
    return Tracker(
        row.token_sha256[:12],
        row.flight,
        row.tracker,
        row.made_utc,
        row.revoked_utc,
        bool(row.is_crew),
    )


def _open_flight(session: Session, key: str) -> Flight:
    """A flight that is not closed; nobody else writes to it until the end of the transaction."""
    row = session.get(FlightRow, key, with_for_update=True)
    if row is None:
        raise _no_flight(key)
    if row.closed_utc is not None:
        raise ClosedError(f"flight {key} is closed since {row.closed_utc:%Y-%m-%d %H:%M} UTC")
    return _flight(row)


def _no_flight(key: str) -> InputError:
    return InputError(f"there is no flight {key}; `windowwatch flight list` names them")


def _flight(row: FlightRow) -> Flight:
    what = f"flight {row.key}"
    closing = row.closing
    return Flight(
        value_from_json(Begun, row.begun, what),
        None if closing is None else value_from_json(Closing, closing, f"the end of {what}"),
    )


def _report(row: PositionRow | Row[Any]) -> Report:
    return Report(**{name: getattr(row, name) for name in _REPORT})


def _used(row: Row[Any]) -> Used:
    return cast(Used, tuple(row)[1:])


def _packed(air: "WindGrid") -> bytes:
    """A forecast as bytes."""
    kept: dict[str, Any] = {name: getattr(air, name) for name in _AIR}
    kept["air"] = kept["air"][:1]  # one member is flown
    out = io.BytesIO()
    np.savez_compressed(out, **kept)
    return out.getvalue()


def _unpacked(value: bytes, key: str) -> "WindGrid":
    from windowwatch.physics.windgrid import WindGrid

    try:
        with np.load(io.BytesIO(value), allow_pickle=False) as kept:
            found = {name: kept[name] for name in _AIR}
    except (ValueError, KeyError, OSError) as error:
        raise StorageError(f"the forecast of flight {key} is damaged: {error}") from error
    for name in ("top_height_m", "cycle_unix_s"):
        found[name] = float(found[name])
    return WindGrid(**found)
