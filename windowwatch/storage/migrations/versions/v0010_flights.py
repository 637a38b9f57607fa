"""Flights that are followed: position reports, estimates, and trackers that may post."""

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None

UTC_TIME = sa.DateTime(timezone=True)
ROW_ID = sa.BigInteger().with_variant(sa.Integer, "sqlite")


def _flight(table: str) -> tuple[sa.Column[str], sa.ForeignKeyConstraint]:
    """Which flight a row is of, and that it goes with it."""
    return (
        sa.Column("flight", sa.String(length=64), nullable=False),
        sa.ForeignKeyConstraint(
            ["flight"], ["flights.key"], name=op.f(f"fk_{table}_flight"), ondelete="CASCADE"
        ),
    )


def upgrade() -> None:
    op.create_table(
        "flights",
        sa.Column("key", sa.String(length=64), nullable=False),
        sa.Column("begun_utc", UTC_TIME, nullable=False),
        sa.Column("begun", sa.Text(), nullable=False),
        sa.Column("closed_utc", UTC_TIME, nullable=True),
        sa.Column("closing", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("key", name=op.f("pk_flights")),
    )
    op.create_table(
        "positions",
        sa.Column("id", ROW_ID, nullable=False),
        *_flight("positions"),
        sa.Column("tracker", sa.String(length=80), nullable=False),
        sa.Column("time_utc", UTC_TIME, nullable=False),
        sa.Column("received_utc", UTC_TIME, nullable=False),
        *(
            sa.Column(name, sa.Double(), nullable=True)
            for name in ("latitude_deg", "longitude_deg", "height_m")
        ),
        sa.Column("place_sigma_m", sa.Double(), nullable=False),
        sa.Column("height_sigma_m", sa.Double(), nullable=False),
        sa.Column("source", sa.String(length=80), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("mark", sa.String(length=20), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_positions")),
    )
    op.create_index(op.f("ix_positions_flight"), "positions", ["flight"])
    op.create_index(
        op.f("ix_positions_flight_tracker_mark"), "positions", ["flight", "tracker", "mark"]
    )
    op.create_table(
        "landings",
        *_flight("landings"),
        sa.Column("number", sa.BigInteger(), nullable=False),
        sa.Column("value", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("flight", name=op.f("pk_landings")),
    )
    op.create_table(
        "flight_air",
        *_flight("flight_air"),
        sa.Column("value", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("flight", name=op.f("pk_flight_air")),
    )
    op.create_table(
        "trackers",
        sa.Column("token_sha256", sa.String(length=64), nullable=False),
        *_flight("trackers"),
        sa.Column("tracker", sa.String(length=80), nullable=False),
        sa.Column("made_utc", UTC_TIME, nullable=False),
        sa.Column("revoked_utc", UTC_TIME, nullable=True),
        sa.PrimaryKeyConstraint("token_sha256", name=op.f("pk_trackers")),
    )
    op.create_index(op.f("ix_trackers_flight"), "trackers", ["flight"])


def downgrade() -> None:
    for table in ("trackers", "flight_air", "landings", "positions", "flights"):
        op.drop_table(table)
