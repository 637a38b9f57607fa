"""What hours are drawn with, what other models say of them, and links that let others read."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

UTC_TIME = sa.DateTime(timezone=True)


def upgrade() -> None:
    op.add_column(
        "cycles",
        sa.Column("role", sa.String(length=20), server_default="primary", nullable=False),
    )
    op.add_column("hours", sa.Column("own_chance", sa.Double(), nullable=True))
    op.add_column("hours", sa.Column("others", sa.Text(), server_default="[]", nullable=False))
    op.create_table(
        "hour_details",
        sa.Column("cycle_row", sa.BigInteger().with_variant(sa.Integer(), "sqlite")),
        sa.Column("site", sa.String(length=200), nullable=False),
        sa.Column("time_utc", UTC_TIME, nullable=False),
        sa.Column("value", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("cycle_row", "site", "time_utc", name=op.f("pk_hour_details")),
        sa.ForeignKeyConstraint(
            ["cycle_row"], ["cycles.id"], name=op.f("fk_hour_details_cycle_row"), ondelete="CASCADE"
        ),
    )
    op.create_table(
        "shares",
        sa.Column("token_sha256", sa.String(length=64), nullable=False),
        sa.Column("watch", sa.String(length=200), nullable=False),
        sa.Column("name", sa.String(length=200), nullable=False),
        sa.Column("made_utc", UTC_TIME, nullable=False),
        sa.Column("expires_utc", UTC_TIME, nullable=False),
        sa.Column("revoked_utc", UTC_TIME, nullable=True),
        sa.PrimaryKeyConstraint("token_sha256", name=op.f("pk_shares")),
    )


def downgrade() -> None:
    op.drop_table("shares")
    op.drop_table("hour_details")
    op.drop_column("hours", "others")
    op.drop_column("hours", "own_chance")
    op.drop_column("cycles", "role")
