"""Causes in the place of sentences, on changes and in windows.

A sentence of an older version cannot be taken apart again: it becomes a cause of kind "told
earlier" that holds its text. Which models disagree was kept as "ifs:no-go|gefs:apart", which is
read exactly.
"""

import json
from collections.abc import Callable
from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None

#: Rows that are held at once.
AT_ONCE = 500
EMPTY = '{"version":1,"causes":[]}'

changes = sa.table(
    "changes",
    sa.column("key", sa.String),
    sa.column("before", sa.Text),
    sa.column("after", sa.Text),
    sa.column("reason", sa.Text),
    sa.column("causes", sa.Text),
)
windows = sa.table(
    "windows",
    sa.column("cycle_row", sa.BigInteger),
    sa.column("uid", sa.String),
    sa.column("value", sa.Text),
)


def upgrade() -> None:
    op.add_column("changes", sa.Column("causes", sa.Text(), server_default=EMPTY, nullable=False))
    _rewrite(_window_in_causes, lambda row: {"reason": "", "causes": _dump(_wrapped(row.reason))})


def downgrade() -> None:
    """What was told as a sentence comes back; what is known as facts only has no sentence."""
    _rewrite(_window_in_words, lambda row: {"reason": _words(json.loads(row.causes)["causes"])})
    op.drop_column("changes", "causes")


def _rewrite(
    window: Callable[[dict[str, Any]], dict[str, Any]], of_change: Callable[[Any], dict[str, Any]]
) -> None:
    """Rewrite every window as it stands in its rows and in changes, and every change."""

    def text(value: str | None) -> str | None:
        return None if value is None else _dump(window(json.loads(value)))

    bind = op.get_bind()
    for keys in _batches(bind.execute(sa.select(changes.c.key)).scalars().all()):
        rows = bind.execute(sa.select(changes).where(changes.c.key.in_(keys))).all()
        for row in rows:
            values = {"before": text(row.before), "after": text(row.after), **of_change(row)}
            bind.execute(sa.update(changes).where(changes.c.key == row.key).values(values))
    cycles = bind.execute(sa.select(windows.c.cycle_row).distinct()).scalars().all()
    for cycle_row in cycles:
        here = windows.c.cycle_row == cycle_row
        for row in bind.execute(sa.select(windows).where(here)).all():
            this = sa.and_(here, windows.c.uid == row.uid)
            bind.execute(sa.update(windows).where(this).values(value=text(row.value)))


def _batches(keys: Any) -> list[Any]:
    return [keys[i : i + AT_ONCE] for i in range(0, len(keys), AT_ONCE)]


def _window_in_causes(values: dict[str, Any]) -> dict[str, Any]:
    told = values.get("told")
    return {
        "version": 1,
        **values,
        "limited_by": _told_earlier(values.get("limited_by")),
        "unread": _told_earlier(values.get("unread")),
        "dissent": _dissent(values.get("dissent")),
        "told": None if told is None else _without_version(_window_in_causes(told)),
    }


def _window_in_words(values: dict[str, Any]) -> dict[str, Any]:
    told = values.get("told")
    models = [
        f"{d['model']}:{'no-go' * d['no_go']}{'apart' * d['apart']}"
        for d in values.get("dissent", [])
    ]
    return {
        **_without_version(values),
        "limited_by": _words(values.get("limited_by", [])),
        "unread": _words(values.get("unread", [])),
        "dissent": "|".join(models),
        "told": None if told is None else _window_in_words(told),
    }


def _told_earlier(text: str | None) -> list[dict[str, str]]:
    return [{"kind": "told earlier", "text": text}] if text else []


def _wrapped(text: str) -> dict[str, Any]:
    return {"version": 1, "causes": _told_earlier(text)}


def _words(causes: list[dict[str, Any]]) -> str:
    return "; ".join(each["text"] for each in causes if each["kind"] == "told earlier")


def _dissent(text: str | None) -> list[dict[str, Any]]:
    made = []
    for word in (text or "").split("|"):
        model, _, how = word.partition(":")
        if model:
            made.append({"model": model, "no_go": "no-go" in how, "apart": how.endswith("apart")})
    return made


def _without_version(values: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in values.items() if name != "version"}


def _dump(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
