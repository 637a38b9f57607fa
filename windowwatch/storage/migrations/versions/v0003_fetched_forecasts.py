"""Fetched forecasts, how cycles came in, and passes of a cycle that comes in bit by bit."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

UTC_TIME = sa.DateTime(timezone=True)


def upgrade() -> None:
    # Plain additions: rebuilding `cycles` on SQLite would cascade to everything beneath it.
    op.add_column("cycles", sa.Column("passes", sa.Integer(), server_default="1", nullable=False))
    op.add_column("cycles", sa.Column("steps", sa.Integer(), server_default="0", nullable=False))
    op.add_column("hours", sa.Column("from_cycle", sa.String(length=200), nullable=True))
    op.create_table(
        "kept_files",
        sa.Column("model", sa.String(length=200), nullable=False),
        sa.Column("cycle_utc", UTC_TIME, nullable=False),
        sa.Column("route", sa.String(length=80), nullable=False),
        sa.Column("item", sa.String(length=80), nullable=False),
        sa.Column("step_h", sa.Integer(), nullable=False),
        sa.Column("url", sa.Text(), nullable=False),
        sa.Column("path", sa.Text(), nullable=False),
        sa.Column("size_bytes", sa.BigInteger(), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("kept_utc", UTC_TIME, nullable=False),
        sa.Column("lacking", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("model", "cycle_utc", "route", "item", name=op.f("pk_kept_files")),
    )
    op.create_table(
        "cycle_states",
        sa.Column("model", sa.String(length=200), nullable=False),
        sa.Column("cycle_utc", UTC_TIME, nullable=False),
        sa.Column("stage", sa.String(length=20), nullable=False),
        sa.Column("route", sa.String(length=80), nullable=False),
        sa.Column("steps_there", sa.Integer(), nullable=False),
        sa.Column("steps_needed", sa.Integer(), nullable=False),
        sa.Column("looked_utc", UTC_TIME, nullable=False),
        sa.Column("absent_utc", UTC_TIME, nullable=True),
        sa.Column("complete_utc", UTC_TIME, nullable=True),
        sa.PrimaryKeyConstraint("model", "cycle_utc", name=op.f("pk_cycle_states")),
    )


def downgrade() -> None:
    op.drop_table("cycle_states")
    op.drop_table("kept_files")
    op.drop_column("hours", "from_cycle")
    op.drop_column("cycles", "steps")
    op.drop_column("cycles", "passes")
