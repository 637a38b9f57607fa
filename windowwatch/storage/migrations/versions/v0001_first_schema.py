"""The first schema: cycles, files, hours, windows, changes, deliveries."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

UTC_TIME = sa.DateTime(timezone=True)
ROW_ID = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    op.create_table(
        "cycles",
        sa.Column("id", ROW_ID, nullable=False),
        sa.Column("watch", sa.String(length=200), nullable=False),
        sa.Column("cycle_id", sa.String(length=200), nullable=False),
        sa.Column("model", sa.String(length=200), nullable=False),
        sa.Column("reference_utc", UTC_TIME, nullable=False),
        sa.Column("saved_utc", UTC_TIME, nullable=False),
        sa.Column("gaps", sa.Text(), nullable=False),
        sa.Column("remarks", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_cycles")),
        sa.UniqueConstraint("watch", "cycle_id", name=op.f("uq_cycles_watch_cycle_id")),
    )
    op.create_index(
        op.f("ix_cycles_watch_reference_utc"), "cycles", ["watch", "reference_utc"], unique=False
    )
    op.create_table(
        "changes",
        sa.Column("key", sa.String(length=64), nullable=False),
        sa.Column("cycle_row", ROW_ID, nullable=True),
        sa.Column("watch", sa.String(length=200), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=40), nullable=False),
        sa.Column("site", sa.String(length=200), nullable=False),
        sa.Column("window_uid", sa.String(length=260), nullable=True),
        sa.Column("cycle_id", sa.String(length=200), nullable=False),
        sa.Column("found_utc", UTC_TIME, nullable=False),
        sa.Column("before", sa.Text(), nullable=True),
        sa.Column("after", sa.Text(), nullable=True),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["cycle_row"], ["cycles.id"], name=op.f("fk_changes_cycle_row"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("key", name=op.f("pk_changes")),
    )
    op.create_index(op.f("ix_changes_cycle_row"), "changes", ["cycle_row"], unique=False)
    op.create_index(
        op.f("ix_changes_watch_found_utc"), "changes", ["watch", "found_utc"], unique=False
    )
    op.create_index(op.f("ix_changes_window_uid"), "changes", ["window_uid"], unique=False)
    op.create_table(
        "files",
        sa.Column("cycle_row", ROW_ID, nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("path", sa.Text(), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("size_bytes", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(
            ["cycle_row"], ["cycles.id"], name=op.f("fk_files_cycle_row"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("cycle_row", "position", name=op.f("pk_files")),
    )
    op.create_table(
        "hours",
        sa.Column("cycle_row", ROW_ID, nullable=False),
        sa.Column("site", sa.String(length=200), nullable=False),
        sa.Column("time_utc", UTC_TIME, nullable=False),
        sa.Column("verdict", sa.String(length=20), nullable=False),
        sa.Column("score", sa.Double(), nullable=True),
        sa.Column("chance", sa.Double(), nullable=True),
        sa.Column("chance_low", sa.Double(), nullable=True),
        sa.Column("chance_high", sa.Double(), nullable=True),
        sa.Column("drift_km", sa.Double(), nullable=True),
        sa.Column("bearing_deg", sa.Double(), nullable=True),
        sa.Column("road_km", sa.Double(), nullable=True),
        sa.Column("landing_utc", UTC_TIME, nullable=True),
        sa.Column("refused", sa.Text(), nullable=True),
        sa.Column("parts", sa.Text(), nullable=False),
        sa.Column("checks", sa.LargeBinary(), nullable=False),
        sa.Column("worst", sa.Text(), nullable=False),
        sa.Column("footprint", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(
            ["cycle_row"], ["cycles.id"], name=op.f("fk_hours_cycle_row"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("cycle_row", "site", "time_utc", name=op.f("pk_hours")),
    )
    op.create_table(
        "windows",
        sa.Column("cycle_row", ROW_ID, nullable=False),
        sa.Column("uid", sa.String(length=260), nullable=False),
        sa.Column("site", sa.String(length=200), nullable=False),
        sa.Column("state", sa.String(length=20), nullable=False),
        sa.Column("start_utc", UTC_TIME, nullable=False),
        sa.Column("end_utc", UTC_TIME, nullable=False),
        sa.Column("value", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["cycle_row"], ["cycles.id"], name=op.f("fk_windows_cycle_row"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("cycle_row", "uid", name=op.f("pk_windows")),
    )
    op.create_index(op.f("ix_windows_uid"), "windows", ["uid"], unique=False)
    op.create_table(
        "deliveries",
        sa.Column("id", ROW_ID, nullable=False),
        sa.Column("change_key", sa.String(length=64), nullable=False),
        sa.Column("channel", sa.String(length=200), nullable=False),
        sa.Column("state", sa.String(length=20), nullable=False),
        sa.Column("tries", sa.Integer(), nullable=False),
        sa.Column("next_try_utc", UTC_TIME, nullable=False),
        sa.Column("lease_until_utc", UTC_TIME, nullable=True),
        sa.Column("lease_token", sa.String(length=64), nullable=True),
        sa.Column("sent_utc", UTC_TIME, nullable=True),
        sa.Column("error", sa.Text(), nullable=True),
        sa.CheckConstraint(
            "state IN ('pending', 'sent', 'failed')", name=op.f("ck_deliveries_state")
        ),
        sa.ForeignKeyConstraint(
            ["change_key"],
            ["changes.key"],
            name=op.f("fk_deliveries_change_key"),
            ondelete="CASCADE",
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_deliveries")),
        sa.UniqueConstraint("change_key", "channel", name=op.f("uq_deliveries_change_key_channel")),
    )
    op.create_index(
        op.f("ix_deliveries_state_next_try_utc"),
        "deliveries",
        ["state", "next_try_utc"],
        unique=False,
    )


def downgrade() -> None:

    op.drop_index(op.f("ix_deliveries_state_next_try_utc"), table_name="deliveries")
    op.drop_table("deliveries")
    op.drop_index(op.f("ix_windows_uid"), table_name="windows")
    op.drop_table("windows")
    op.drop_table("hours")
    op.drop_table("files")
    op.drop_index(op.f("ix_changes_window_uid"), table_name="changes")
    op.drop_index(op.f("ix_changes_watch_found_utc"), table_name="changes")
    op.drop_index(op.f("ix_changes_cycle_row"), table_name="changes")
    op.drop_table("changes")
    op.drop_index(op.f("ix_cycles_watch_reference_utc"), table_name="cycles")
    op.drop_table("cycles")
