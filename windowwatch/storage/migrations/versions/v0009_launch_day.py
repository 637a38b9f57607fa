"""Planned launches, their tables of releases, and what was seen at the sites."""

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None

UTC_TIME = sa.DateTime(timezone=True)
ROW_ID = sa.BigInteger().with_variant(sa.Integer, "sqlite")


def upgrade() -> None:
    op.create_table(
        "plan_entries",
        sa.Column("watch", sa.String(length=200), nullable=False),
        sa.Column("plan", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("number", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("at_utc", UTC_TIME, nullable=False),
        sa.Column("by_whom", sa.String(length=200), nullable=False),
        sa.Column("kind", sa.String(length=40), nullable=False),
        sa.Column("value", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("watch", "plan", "number", name=op.f("pk_plan_entries")),
    )
    op.create_table(
        "release_tables",
        sa.Column("watch", sa.String(length=200), nullable=False),
        sa.Column("plan", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("plan_number", sa.Integer(), nullable=False),
        sa.Column("cycle_id", sa.String(length=200), nullable=False),
        sa.Column("made_utc", UTC_TIME, nullable=False),
        sa.Column("value", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("watch", "plan", name=op.f("pk_release_tables")),
    )
    op.create_table(
        "sightings",
        sa.Column("id", ROW_ID, nullable=False),
        sa.Column("watch", sa.String(length=200), nullable=False),
        sa.Column("site", sa.String(length=200), nullable=False),
        sa.Column("at_utc", UTC_TIME, nullable=False),
        sa.Column("value", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_sightings")),
    )
    op.create_index(
        op.f("ix_sightings_watch_site_at_utc"), "sightings", ["watch", "site", "at_utc"]
    )


def downgrade() -> None:
    op.drop_table("sightings")
    op.drop_table("release_tables")
    op.drop_table("plan_entries")
