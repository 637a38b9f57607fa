"""Flights know the planned launch that they are of: one flight a plan."""

import sqlalchemy as sa
from alembic import op

revision = "0015"
down_revision = "0014"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("flights", sa.Column("watch", sa.String(length=200), nullable=True))
    op.add_column("flights", sa.Column("plan", sa.Integer(), nullable=True))
    op.create_index(op.f("ix_flights_watch_plan"), "flights", ["watch", "plan"], unique=True)


def downgrade() -> None:
    op.drop_index(op.f("ix_flights_watch_plan"), "flights")
    op.drop_column("flights", "plan")
    op.drop_column("flights", "watch")
