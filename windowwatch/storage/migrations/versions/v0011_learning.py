"""Answers kept to be judged, what was learned of them, and what each pass flew with."""

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0010"
branch_labels = None
depends_on = None

UTC_TIME = sa.DateTime(timezone=True)


def upgrade() -> None:
    op.add_column("cycles", sa.Column("learned", sa.String(length=40), nullable=True))
    op.add_column("hours", sa.Column("raw_chance", sa.Double(), nullable=True))
    op.create_table(
        "records",
        sa.Column("watch", sa.String(length=200), nullable=False),
        sa.Column("cycle_id", sa.String(length=200), nullable=False),
        sa.Column("site", sa.String(length=200), nullable=False),
        sa.Column("reference_utc", UTC_TIME, nullable=False),
        sa.Column("form", sa.Integer(), nullable=False),
        sa.Column("value", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("watch", "cycle_id", "site", name=op.f("pk_records")),
    )
    op.create_index(op.f("ix_records_watch_reference_utc"), "records", ["watch", "reference_utc"])
    for table, key in (("learned", ("watch", "version")), ("learned_tables", ("watch",))):
        op.create_table(
            table,
            sa.Column("watch", sa.String(length=200), nullable=False),
            sa.Column("version", sa.String(length=40), nullable=False),
            sa.Column("made_utc", UTC_TIME, nullable=False),
            sa.Column("value", sa.LargeBinary(), nullable=False),
            sa.PrimaryKeyConstraint(*key, name=op.f(f"pk_{table}")),
        )


def downgrade() -> None:
    for table in ("learned_tables", "learned", "records"):
        op.drop_table(table)
    op.drop_column("hours", "raw_chance")
    op.drop_column("cycles", "learned")
