"""Tables of releases name what they hold: minutes after the landing, not of the drive."""

from alembic import op

revision = "0016"
down_revision = "0015"
branch_labels = None
depends_on = None


def upgrade() -> None:
    _rename("drive_min", "crew_after_min")


def downgrade() -> None:
    _rename("crew_after_min", "drive_min")


def _rename(old: str, new: str) -> None:
    op.execute(f"""UPDATE release_tables SET value = replace(value, '"{old}":', '"{new}":')""")
