"""Open a database for work: made and brought up to date, or only looked at."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sqlalchemy import make_url
from sqlalchemy.exc import ArgumentError

from windowwatch.errors import StorageError
from windowwatch.storage.store import Store, open_store


@contextmanager
def ready_store(url: str) -> Iterator[Store]:
    """Open a database whose schema is brought up to date; closed at the end."""
    store = open_store(url)
    try:
        store.upgrade()
        yield store
    finally:
        store.close()


@contextmanager
def existing_store(url: str) -> Iterator[Store]:
    """Open a database to look at it: nothing is made, no file, no folder and no table.

    Raises
    ------
    StorageError
        If it is not there, or not of this program's version; the message says what to do.
    """
    missing = missing_file(url)
    if missing is not None:
        raise StorageError(f"{missing} is not there yet: the first pass makes it")
    store = open_store(url)
    try:
        store.require_current()
        yield store
    finally:
        store.close()


def missing_file(url: str) -> Path | None:
    """The SQLite file of a URL when there is none; None for any other URL."""
    try:
        parsed = make_url(url)
    except ArgumentError:
        return None  # said in words by whoever opens it
    if parsed.get_backend_name() != "sqlite" or parsed.database in (None, "", ":memory:"):
        return None
    file = Path(str(parsed.database))
    return None if file.exists() else file
