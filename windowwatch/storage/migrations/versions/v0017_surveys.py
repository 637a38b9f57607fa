"""Surveys of years, and scoutings that are started on the page."""

import sqlalchemy as sa
from alembic import op

revision = "0017"
down_revision = "0016"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "surveys",
        sa.Column("watch", sa.String(length=200), nullable=False),
        sa.Column("mark", sa.String(length=40), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("made_utc", sa.DateTime(timezone=True), nullable=False),
        sa.Column("value", sa.Text(), nullable=False),
        sa.Column("usual", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("watch", "mark", name=op.f("pk_surveys")),
    )
    op.create_table(
        "scout_runs",
        sa.Column("watch", sa.String(length=200), nullable=False),
        sa.Column("word", sa.String(length=40), nullable=False),
        sa.Column("begun_utc", sa.DateTime(timezone=True), nullable=False),
        sa.Column("seen_utc", sa.DateTime(timezone=True), nullable=False),
        sa.Column("state", sa.String(length=20), nullable=False),
        sa.Column("share", sa.Double(), nullable=False),
        sa.Column("stop", sa.Boolean(), nullable=False),
        sa.Column("error", sa.Text(), nullable=False),
        sa.Column("asked", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("watch", name=op.f("pk_scout_runs")),
    )


def downgrade() -> None:
    op.drop_table("scout_runs")
    op.drop_table("surveys")
