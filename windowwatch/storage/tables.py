"""All tables, with their constraints, and nothing else.

What is looked for or sorted by has a column; what is only read back whole (checks, parts,
the windows inside a change) is JSON, so that a stored value comes back exactly: JSON
carries the shortest digits that give the same floating-point number.
"""

from datetime import UTC, datetime
from typing import Any, ClassVar

from sqlalchemy import (
    BigInteger,
    CheckConstraint,
    DateTime,
    Dialect,
    Double,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Text,
    TypeDecorator,
    UniqueConstraint,
    false,
)
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column, relationship

from windowwatch.clock import require_utc

#: Every constraint has a name, so that a later schema can change it on any database.
NAMING = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_name)s",
    "pk": "pk_%(table_name)s",
}

#: Row numbers: 64 bits everywhere; SQLite numbers rows by itself only for INTEGER.
RowId = BigInteger().with_variant(Integer, "sqlite")


class UtcTime(TypeDecorator[datetime]):
    """Aware UTC in Python; with time zone on PostgreSQL, plain UTC text on SQLite."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Refuse a naive time, and store UTC."""
        if value is None:
            return None
        moment = require_utc(value)
        return moment.replace(tzinfo=None) if dialect.name == "sqlite" else moment

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Give back aware UTC."""
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


class Base(DeclarativeBase):
    """Base of all tables."""

    metadata = MetaData(naming_convention=NAMING)
    type_annotation_map: ClassVar[dict[Any, Any]] = {datetime: UtcTime, float: Double}


class CycleRow(Base):
    """One pass: a cycle, seen by one watch."""

    __tablename__ = "cycles"
    __table_args__ = (
        UniqueConstraint("watch", "cycle_id"),
        Index(None, "watch", "reference_utc"),
    )

    id: Mapped[int] = mapped_column(RowId, primary_key=True)
    watch: Mapped[str] = mapped_column(String(200))
    cycle_id: Mapped[str] = mapped_column(String(200))
    model: Mapped[str] = mapped_column(String(200))
    reference_utc: Mapped[datetime]
    saved_utc: Mapped[datetime]
    passes: Mapped[int] = mapped_column(server_default="1")
    steps: Mapped[int] = mapped_column(server_default="0")
    role: Mapped[str] = mapped_column(String(20), server_default="primary")
    gaps: Mapped[str] = mapped_column(Text)
    remarks: Mapped[str] = mapped_column(Text)
    learned: Mapped[str | None] = mapped_column(String(40))
    files: Mapped[list["FileRow"]] = relationship(order_by="FileRow.position")


class FileRow(Base):
    """A file that a cycle was read from."""

    __tablename__ = "files"

    cycle_row: Mapped[int] = mapped_column(
        RowId, ForeignKey("cycles.id", ondelete="CASCADE"), primary_key=True
    )
    position: Mapped[int] = mapped_column(primary_key=True)
    path: Mapped[str] = mapped_column(Text)
    sha256: Mapped[str] = mapped_column(String(64))
    size_bytes: Mapped[int] = mapped_column(BigInteger)


class HourRow(Base):
    """One launch hour as one cycle saw it."""

    __tablename__ = "hours"

    cycle_row: Mapped[int] = mapped_column(
        RowId, ForeignKey("cycles.id", ondelete="CASCADE"), primary_key=True
    )
    site: Mapped[str] = mapped_column(String(200), primary_key=True)
    time_utc: Mapped[datetime] = mapped_column(primary_key=True)
    verdict: Mapped[str] = mapped_column(String(20))
    score: Mapped[float | None]
    chance: Mapped[float | None]
    chance_low: Mapped[float | None]
    chance_high: Mapped[float | None]
    drift_km: Mapped[float | None]
    bearing_deg: Mapped[float | None]
    road_km: Mapped[float | None]
    landing_utc: Mapped[datetime | None]
    refused: Mapped[str | None] = mapped_column(Text)
    from_cycle: Mapped[str | None] = mapped_column(String(200))
    parts: Mapped[str] = mapped_column(Text)
    checks: Mapped[bytes] = mapped_column(LargeBinary)
    worst: Mapped[str] = mapped_column(Text)
    footprint: Mapped[str | None] = mapped_column(Text)
    own_chance: Mapped[float | None]
    others: Mapped[str] = mapped_column(Text, server_default="[]")
    near_ground: Mapped[str | None] = mapped_column(Text)
    raw_chance: Mapped[float | None]


class HourDetailRow(Base):
    """What an hour is drawn with; read one at a time, kept for the newest cycles only."""

    __tablename__ = "hour_details"

    cycle_row: Mapped[int] = mapped_column(
        RowId, ForeignKey("cycles.id", ondelete="CASCADE"), primary_key=True
    )
    site: Mapped[str] = mapped_column(String(200), primary_key=True)
    time_utc: Mapped[datetime] = mapped_column(primary_key=True)
    value: Mapped[bytes] = mapped_column(LargeBinary)


class WindowRow(Base):
    """One window as it stood after one cycle; together its rows are its history."""

    __tablename__ = "windows"
    __table_args__ = (Index(None, "uid"),)

    cycle_row: Mapped[int] = mapped_column(
        RowId, ForeignKey("cycles.id", ondelete="CASCADE"), primary_key=True
    )
    uid: Mapped[str] = mapped_column(String(260), primary_key=True)
    site: Mapped[str] = mapped_column(String(200))
    state: Mapped[str] = mapped_column(String(20))
    start_utc: Mapped[datetime]
    end_utc: Mapped[datetime]
    value: Mapped[str] = mapped_column(Text)


class ChangeRow(Base):
    """A change. `cycle_row` is empty for one that no stored cycle brought (a late forecast).

    `reason` is the sentence that versions up to schema 4 kept in the place of causes. It is empty
    since, and nothing reads it: a table cannot lose a column on every SQLite without a rebuild.
    """

    __tablename__ = "changes"
    __table_args__ = (Index(None, "watch", "found_utc"), Index(None, "window_uid"))

    key: Mapped[str] = mapped_column(String(64), primary_key=True)
    cycle_row: Mapped[int | None] = mapped_column(
        RowId, ForeignKey("cycles.id", ondelete="CASCADE"), index=True
    )
    watch: Mapped[str] = mapped_column(String(200))
    position: Mapped[int]
    kind: Mapped[str] = mapped_column(String(40))
    site: Mapped[str] = mapped_column(String(200))
    window_uid: Mapped[str | None] = mapped_column(String(260))
    cycle_id: Mapped[str] = mapped_column(String(200))
    found_utc: Mapped[datetime]
    before: Mapped[str | None] = mapped_column(Text)
    after: Mapped[str | None] = mapped_column(Text)
    reason: Mapped[str] = mapped_column(Text)
    causes: Mapped[str] = mapped_column(Text, server_default='{"version":1,"causes":[]}')


class DeliveryRow(Base):
    """One change to be told on one channel, and how far that has come."""

    __tablename__ = "deliveries"
    __table_args__ = (
        UniqueConstraint("change_key", "channel"),
        CheckConstraint(
            "state IN ('pending', 'sent', 'failed', 'skipped', 'perhaps')", name="state"
        ),
        Index(None, "state", "next_try_utc"),
    )

    id: Mapped[int] = mapped_column(RowId, primary_key=True)
    change_key: Mapped[str] = mapped_column(
        String(64), ForeignKey("changes.key", ondelete="CASCADE")
    )
    channel: Mapped[str] = mapped_column(String(200))
    state: Mapped[str] = mapped_column(String(20))
    tries: Mapped[int]
    due_utc: Mapped[datetime]
    next_try_utc: Mapped[datetime]
    failing_since_utc: Mapped[datetime | None]
    instead_of: Mapped[str | None] = mapped_column(String(200))
    lease_until_utc: Mapped[datetime | None]
    lease_token: Mapped[str | None] = mapped_column(String(64))
    sent_utc: Mapped[datetime | None]
    error: Mapped[str | None] = mapped_column(Text)
    repeats_left: Mapped[int] = mapped_column(server_default="0")
    change: Mapped[ChangeRow] = relationship()


class AcknowledgementRow(Base):
    """Somebody has said that they know of a change; the first one counts."""

    __tablename__ = "acknowledgements"

    change_key: Mapped[str] = mapped_column(
        String(64), ForeignKey("changes.key", ondelete="CASCADE"), primary_key=True
    )
    by_whom: Mapped[str] = mapped_column(String(200))
    at_utc: Mapped[datetime]


class KeptFileRow(Base):
    """A forecast file that was fetched and checked."""

    __tablename__ = "kept_files"

    model: Mapped[str] = mapped_column(String(200), primary_key=True)
    cycle_utc: Mapped[datetime] = mapped_column(primary_key=True)
    route: Mapped[str] = mapped_column(String(80), primary_key=True)
    item: Mapped[str] = mapped_column(String(80), primary_key=True)
    step_h: Mapped[int]
    url: Mapped[str] = mapped_column(Text)
    path: Mapped[str] = mapped_column(Text)
    size_bytes: Mapped[int] = mapped_column(BigInteger)
    sha256: Mapped[str] = mapped_column(String(64))
    kept_utc: Mapped[datetime]
    lacking: Mapped[str] = mapped_column(Text)


class CycleStateRow(Base):
    """How a model's cycle came in."""

    __tablename__ = "cycle_states"

    model: Mapped[str] = mapped_column(String(200), primary_key=True)
    cycle_utc: Mapped[datetime] = mapped_column(primary_key=True)
    stage: Mapped[str] = mapped_column(String(20))
    route: Mapped[str] = mapped_column(String(80))
    steps_there: Mapped[int]
    steps_needed: Mapped[int]
    looked_utc: Mapped[datetime]
    absent_utc: Mapped[datetime | None]
    complete_utc: Mapped[datetime | None]


class ShareRow(Base):
    """A link that lets others read a watch; only the hash of what it carries is kept."""

    __tablename__ = "shares"

    token_sha256: Mapped[str] = mapped_column(String(64), primary_key=True)
    watch: Mapped[str] = mapped_column(String(200))
    name: Mapped[str] = mapped_column(String(200))
    made_utc: Mapped[datetime]
    expires_utc: Mapped[datetime]
    revoked_utc: Mapped[datetime | None]


class WatchRow(Base):
    """Since when there is a watch, and since when it is known that its forecast is too old."""

    __tablename__ = "watches"

    watch: Mapped[str] = mapped_column(String(200), primary_key=True)
    begun_utc: Mapped[datetime]
    silent_since: Mapped[str | None] = mapped_column(String(200))
    silence_seen_utc: Mapped[datetime | None]


class PlanEntryRow(Base):
    """One thing that happened to a planned launch; rows are only ever added."""

    __tablename__ = "plan_entries"

    watch: Mapped[str] = mapped_column(String(200), primary_key=True)
    plan: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    number: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    at_utc: Mapped[datetime]
    by_whom: Mapped[str] = mapped_column(String(200))
    kind: Mapped[str] = mapped_column(String(40))
    value: Mapped[str] = mapped_column(Text)


class ReleaseTableRow(Base):
    """The newest table of releases of a planned launch."""

    __tablename__ = "release_tables"

    watch: Mapped[str] = mapped_column(String(200), primary_key=True)
    plan: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    plan_number: Mapped[int]
    cycle_id: Mapped[str] = mapped_column(String(200))
    made_utc: Mapped[datetime]
    value: Mapped[str] = mapped_column(Text)


class SightingRow(Base):
    """What somebody saw or measured at a site; rows are only ever added."""

    __tablename__ = "sightings"
    __table_args__ = (Index(None, "watch", "site", "at_utc"),)

    id: Mapped[int] = mapped_column(RowId, primary_key=True)
    watch: Mapped[str] = mapped_column(String(200))
    site: Mapped[str] = mapped_column(String(200))
    at_utc: Mapped[datetime]
    value: Mapped[str] = mapped_column(Text)


class FlightRow(Base):
    """A flight that is followed, the planned launch it is of, and how it ended."""

    __tablename__ = "flights"
    __table_args__ = (Index(None, "watch", "plan", unique=True),)

    key: Mapped[str] = mapped_column(String(64), primary_key=True)
    watch: Mapped[str | None] = mapped_column(String(200))
    plan: Mapped[int | None]
    begun_utc: Mapped[datetime]
    begun: Mapped[str] = mapped_column(Text)
    closed_utc: Mapped[datetime | None]
    closing: Mapped[str | None] = mapped_column(Text)


class PositionRow(Base):
    """A position report as it came, and what was thought of it then; never changed."""

    __tablename__ = "positions"
    __table_args__ = (Index(None, "flight", "tracker", "mark"),)

    id: Mapped[int] = mapped_column(RowId, primary_key=True)
    flight: Mapped[str] = mapped_column(
        String(64), ForeignKey("flights.key", ondelete="CASCADE"), index=True
    )
    tracker: Mapped[str] = mapped_column(String(80))
    time_utc: Mapped[datetime]
    received_utc: Mapped[datetime]
    latitude_deg: Mapped[float | None]
    longitude_deg: Mapped[float | None]
    height_m: Mapped[float | None]
    place_sigma_m: Mapped[float]
    height_sigma_m: Mapped[float]
    source: Mapped[str] = mapped_column(String(80))
    text: Mapped[str] = mapped_column(Text)
    mark: Mapped[str] = mapped_column(String(20))


class LandingRow(Base):
    """The newest estimate of a flight's landing, or why there is none."""

    __tablename__ = "landings"

    flight: Mapped[str] = mapped_column(
        String(64), ForeignKey("flights.key", ondelete="CASCADE"), primary_key=True
    )
    number: Mapped[int] = mapped_column(BigInteger)
    value: Mapped[str] = mapped_column(Text)


class FlightAirRow(Base):
    """The forecast that a flight is followed with, so that no network is needed for it."""

    __tablename__ = "flight_air"

    flight: Mapped[str] = mapped_column(
        String(64), ForeignKey("flights.key", ondelete="CASCADE"), primary_key=True
    )
    value: Mapped[bytes] = mapped_column(LargeBinary)


class TrackerRow(Base):
    """A tracker that may post positions; only the hash of its word is kept."""

    __tablename__ = "trackers"

    token_sha256: Mapped[str] = mapped_column(String(64), primary_key=True)
    flight: Mapped[str] = mapped_column(
        String(64), ForeignKey("flights.key", ondelete="CASCADE"), index=True
    )
    tracker: Mapped[str] = mapped_column(String(80))
    made_utc: Mapped[datetime]
    revoked_utc: Mapped[datetime | None]
    is_crew: Mapped[bool] = mapped_column(server_default=false())


class CrewPlaceRow(Base):
    """Where a crew said it was; rows are only ever added. Without a place it has gone home."""

    __tablename__ = "crew_places"
    __table_args__ = (Index(None, "flight", "crew"),)

    id: Mapped[int] = mapped_column(RowId, primary_key=True)
    flight: Mapped[str] = mapped_column(String(64), ForeignKey("flights.key", ondelete="CASCADE"))
    crew: Mapped[str] = mapped_column(String(80))
    at_utc: Mapped[datetime]
    received_utc: Mapped[datetime]
    latitude_deg: Mapped[float | None]
    longitude_deg: Mapped[float | None]
    source: Mapped[str] = mapped_column(String(80))


class AdviceRow(Base):
    """What the crews of a flight are advised now: the next advice hangs on it."""

    __tablename__ = "advice"

    flight: Mapped[str] = mapped_column(
        String(64), ForeignKey("flights.key", ondelete="CASCADE"), primary_key=True
    )
    made_utc: Mapped[datetime]
    value: Mapped[str] = mapped_column(Text)


class FlightNoteRow(Base):
    """What somebody noted of a flight; rows are only ever added."""

    __tablename__ = "flight_notes"

    id: Mapped[int] = mapped_column(RowId, primary_key=True)
    flight: Mapped[str] = mapped_column(
        String(64), ForeignKey("flights.key", ondelete="CASCADE"), index=True
    )
    at_utc: Mapped[datetime]
    by_whom: Mapped[str] = mapped_column(String(200))
    kind: Mapped[str] = mapped_column(String(40))
    value: Mapped[str] = mapped_column(Text)


class FlownRow(Base):
    """What was made of a flight, by its reports up to a number."""

    __tablename__ = "flown"

    flight: Mapped[str] = mapped_column(
        String(64), ForeignKey("flights.key", ondelete="CASCADE"), primary_key=True
    )
    number: Mapped[int] = mapped_column(BigInteger)
    made_utc: Mapped[datetime]
    value: Mapped[str] = mapped_column(Text)


class RecordRow(Base):
    """What one cycle said of a site's launch hours, packed, to be judged when they have gone by."""

    __tablename__ = "records"
    __table_args__ = (Index(None, "watch", "reference_utc"),)

    watch: Mapped[str] = mapped_column(String(200), primary_key=True)
    cycle_id: Mapped[str] = mapped_column(String(200), primary_key=True)
    site: Mapped[str] = mapped_column(String(200), primary_key=True)
    reference_utc: Mapped[datetime]
    form: Mapped[int]
    value: Mapped[bytes] = mapped_column(LargeBinary)


class LearnedRow(Base):
    """What flights were made with, by its version, or could have been; rows are only ever added."""

    __tablename__ = "learned"

    watch: Mapped[str] = mapped_column(String(200), primary_key=True)
    version: Mapped[str] = mapped_column(String(40), primary_key=True)
    made_utc: Mapped[datetime]
    value: Mapped[bytes] = mapped_column(LargeBinary)


class LearnedTablesRow(Base):
    """The newest of all that was learned: tables for people, beside what flights are made with."""

    __tablename__ = "learned_tables"

    watch: Mapped[str] = mapped_column(String(200), primary_key=True)
    version: Mapped[str] = mapped_column(String(40))
    made_utc: Mapped[datetime]
    value: Mapped[bytes] = mapped_column(LargeBinary)


class ScoutingRow(Base):
    """The newest scouting of a watch, as far as it has come."""

    __tablename__ = "scoutings"

    watch: Mapped[str] = mapped_column(String(200), primary_key=True)
    number: Mapped[int]
    made_utc: Mapped[datetime]
    value: Mapped[str] = mapped_column(Text)


class SurveyRow(Base):
    """A survey of years of a watch; the newest has the greatest number.

    `usual` are the usual chances that it tells.
    """

    __tablename__ = "surveys"

    watch: Mapped[str] = mapped_column(String(200), primary_key=True)
    mark: Mapped[str] = mapped_column(String(40), primary_key=True)
    number: Mapped[int]
    made_utc: Mapped[datetime]
    value: Mapped[str] = mapped_column(Text)
    usual: Mapped[str | None] = mapped_column(Text)


class ScoutRunRow(Base):
    """The scouting of a watch that was started last from its page, and how it does.

    `word` tells who flies it; while they do, `seen_utc` is kept new.
    """

    __tablename__ = "scout_runs"

    watch: Mapped[str] = mapped_column(String(200), primary_key=True)
    word: Mapped[str] = mapped_column(String(40))
    begun_utc: Mapped[datetime]
    seen_utc: Mapped[datetime]
    state: Mapped[str] = mapped_column(String(20))
    share: Mapped[float] = mapped_column(Double)
    stop: Mapped[bool]
    error: Mapped[str] = mapped_column(Text)
    asked: Mapped[str] = mapped_column(Text)
