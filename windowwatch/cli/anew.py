"""A database that is made anew beside the old one, and takes its place only when it is whole."""

import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from windowwatch.errors import StorageError

#: SQLite keeps these beside a database while it is in use.
_SIDE_ENDS = ("-wal", "-shm")


@contextmanager
def in_place_of(path: Path) -> Iterator[Path]:
    """Path of a new SQLite file, moved to `path` if all goes well; else the old one stays.

    A process that has the old file open keeps it until its next work, and then opens the
    new one (see `storage.engine`).

    Raises
    ------
    StorageError
        If the file cannot be put in its place.
    """
    # With the process in its name, so that two at a time do not write into one file.
    anew = path.with_name(f"{path.name}.{os.getpid()}.new")
    _remove(anew)
    try:
        yield anew
        try:
            _swap(anew, path)
        except (OSError, sqlite3.Error) as error:
            raise StorageError(f"{path} cannot be replaced ({error}); mend that") from error
    finally:
        _remove(anew)


def _swap(anew: Path, path: Path) -> None:
    with closing(sqlite3.connect(anew)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    # Pages in the log of the old database must not be taken for those of the new one.
    for end in _SIDE_ENDS:
        path.with_name(path.name + end).unlink(missing_ok=True)
    anew.replace(path)


def _remove(path: Path) -> None:
    for end in ("", *_SIDE_ENDS):
        path.with_name(path.name + end).unlink(missing_ok=True)
