"""Flight log: notes of flights, and what was made of each."""

import sqlalchemy as sa
from alembic import op

revision = "0012"
down_revision = "0011"
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
        "flight_notes",
        sa.Column("id", ROW_ID, nullable=False),
        *_flight("flight_notes"),
        sa.Column("at_utc", UTC_TIME, nullable=False),
        sa.Column("by_whom", sa.String(length=200), nullable=False),
        sa.Column("kind", sa.String(length=40), nullable=False),
        sa.Column("value", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_flight_notes")),
    )
    op.create_index(op.f("ix_flight_notes_flight"), "flight_notes", ["flight"])
    op.create_table(
        "flown",
        *_flight("flown"),
        sa.Column("number", sa.BigInteger(), nullable=False),
        sa.Column("made_utc", UTC_TIME, nullable=False),
        sa.Column("value", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("flight", name=op.f("pk_flown")),
    )


def downgrade() -> None:
    for table in ("flown", "flight_notes"):
        op.drop_table(table)
