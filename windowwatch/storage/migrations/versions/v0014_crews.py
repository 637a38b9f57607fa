"""Crews of followed flights: where they are, what they are advised, and phones that post."""

import sqlalchemy as sa
from alembic import op

revision = "0014"
down_revision = "0013"
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
        "crew_places",
        sa.Column("id", ROW_ID, nullable=False),
        *_flight("crew_places"),
        sa.Column("crew", sa.String(length=80), nullable=False),
        sa.Column("at_utc", UTC_TIME, nullable=False),
        sa.Column("received_utc", UTC_TIME, nullable=False),
        sa.Column("latitude_deg", sa.Double(), nullable=True),
        sa.Column("longitude_deg", sa.Double(), nullable=True),
        sa.Column("source", sa.String(length=80), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_crew_places")),
    )
    op.create_index(op.f("ix_crew_places_flight_crew"), "crew_places", ["flight", "crew"])
    op.create_table(
        "advice",
        *_flight("advice"),
        sa.Column("made_utc", UTC_TIME, nullable=False),
        sa.Column("value", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("flight", name=op.f("pk_advice")),
    )
    op.add_column(
        "trackers",
        sa.Column("is_crew", sa.Boolean(), nullable=False, server_default=sa.false()),
    )


def downgrade() -> None:
    op.drop_column("trackers", "is_crew")
    for table in ("advice", "crew_places"):
        op.drop_table(table)
