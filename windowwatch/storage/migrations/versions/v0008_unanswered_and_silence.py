"""Deliveries that nobody answered; since when there is a watch, and its silence."""

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None

UTC_TIME = sa.DateTime(timezone=True)
STATES_BEFORE = "state IN ('pending', 'sent', 'failed', 'skipped')"
STATES = "state IN ('pending', 'sent', 'failed', 'skipped', 'perhaps')"


def upgrade() -> None:
    with op.batch_alter_table("deliveries") as batch:
        batch.add_column(
            sa.Column("repeats_left", sa.Integer(), server_default="0", nullable=False)
        )
        batch.drop_constraint(op.f("ck_deliveries_state"), type_="check")
        batch.create_check_constraint(op.f("ck_deliveries_state"), STATES)
    op.create_table(
        "watches",
        sa.Column("watch", sa.String(length=200), nullable=False),
        sa.Column("begun_utc", UTC_TIME, nullable=False),
        sa.Column("silent_since", sa.String(length=200), nullable=True),
        sa.Column("silence_seen_utc", UTC_TIME, nullable=True),
        sa.PrimaryKeyConstraint("watch", name=op.f("pk_watches")),
    )


def downgrade() -> None:
    op.drop_table("watches")
    # The schema before knows no "perhaps": nobody said that it arrived.
    op.execute("UPDATE deliveries SET state = 'failed' WHERE state = 'perhaps'")
    with op.batch_alter_table("deliveries") as batch:
        batch.drop_constraint(op.f("ck_deliveries_state"), type_="check")
        batch.create_check_constraint(op.f("ck_deliveries_state"), STATES_BEFORE)
        batch.drop_column("repeats_left")
