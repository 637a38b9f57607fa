"""Which checks of an hour a finer model near the ground answers, and why not all."""

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("hours", sa.Column("near_ground", sa.Text(), nullable=True))


def downgrade() -> None:
    op.drop_column("hours", "near_ground")
