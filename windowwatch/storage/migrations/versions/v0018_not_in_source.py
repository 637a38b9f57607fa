"""What a file lacks is noted as facts: what was kept of it as a text is said as it was.

Of kept files the program reads both forms.
"""

from alembic import op

revision = "0018"
down_revision = "0017"
branch_labels = None
depends_on = None

_BEFORE = '{"kind":"not in source","message":"'
_NOW = '{"kind":"said before","text":"not in the source: '


def upgrade() -> None:
    _rewrite(_BEFORE, _NOW)


def downgrade() -> None:
    """What is known as facts only has no text that the version before could read."""
    _rewrite(_NOW, _BEFORE)
    op.execute("UPDATE kept_files SET lacking = '[]' WHERE substr(lacking, 1, 1) = '{'")


def _rewrite(old: str, new: str) -> None:
    op.execute(f"UPDATE cycles SET gaps = replace(gaps, '{old}', '{new}')")
