"""SQLite databases with all tables: the schema is built once in a process, and copied from then on.

Tests of the building itself (`storage/test_schema.py`, commands that make a database) build it.
"""

from collections.abc import Callable
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from windowwatch.storage import engine
from windowwatch.storage.engine import Database, sqlite_url
from windowwatch.storage.store import Store, open_store


def fill(url: str) -> None:
    """Make all tables of the newest version in a database."""
    store = open_store(url)
    store.upgrade()
    store.close()


def migrate(database: Database, way: Callable[[Any, str], None], revision: str) -> None:
    """Lead a database to another version, by Alembic's `upgrade` or `downgrade`."""
    with database.writing() as session:
        config = engine._alembic_config()
        config.attributes["connection"] = session.connection()
        way(config, revision)


@cache
def all_tables() -> bytes:
    """The file of an empty database of the newest version."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / "all.sqlite3"
        fill(sqlite_url(path))
        return path.read_bytes()


def new_store(path: Path) -> Store:
    """An open store with all tables in a new file; its folder is made."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("xb") as file:
        file.write(all_tables())
    return open_store(sqlite_url(path))
