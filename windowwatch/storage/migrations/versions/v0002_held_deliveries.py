"""Deliveries that are held, fall back or are skipped; acknowledgements."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

UTC_TIME = sa.DateTime(timezone=True)
STATES = "state IN ('pending', 'sent', 'failed', 'skipped')"


def upgrade() -> None:
    with op.batch_alter_table("deliveries") as batch:
        batch.add_column(sa.Column("due_utc", UTC_TIME, nullable=True))
        batch.add_column(sa.Column("failing_since_utc", UTC_TIME, nullable=True))
        batch.add_column(sa.Column("instead_of", sa.String(length=200), nullable=True))
        batch.drop_constraint(op.f("ck_deliveries_state"), type_="check")
        batch.create_check_constraint(op.f("ck_deliveries_state"), STATES)
    # Nothing was held before: every delivery was due when its change was found.
    op.execute(
        "UPDATE deliveries SET due_utc = "
        "(SELECT found_utc FROM changes WHERE changes.key = deliveries.change_key)"
    )
    with op.batch_alter_table("deliveries") as batch:
        batch.alter_column("due_utc", existing_type=UTC_TIME, nullable=False)
    op.create_table(
        "acknowledgements",
        sa.Column("change_key", sa.String(length=64), nullable=False),
        sa.Column("by_whom", sa.String(length=200), nullable=False),
        sa.Column("at_utc", UTC_TIME, nullable=False),
        sa.ForeignKeyConstraint(
            ["change_key"],
            ["changes.key"],
            name=op.f("fk_acknowledgements_change_key"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("change_key", name=op.f("pk_acknowledgements")),
    )
