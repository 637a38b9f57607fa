"""Errors of the database in plain words: the border that no foreign exception crosses."""

from collections.abc import Iterator
from contextlib import contextmanager

from sqlalchemy.exc import DBAPIError, SQLAlchemyError
from sqlalchemy.exc import TimeoutError as PoolTimeoutError

from windowwatch.errors import StorageError

#: Words and `retry` for what SQLite names. Names: SQLite, "Result and Error Codes".
_SQLITE = {
    "SQLITE_BUSY": ("is locked: another process holds it; wait, or end that process", True),
    "SQLITE_LOCKED": ("is locked: another process holds it; wait, or end that process", True),
    "SQLITE_FULL": ("cannot grow: the disk is full; make room and try again", False),
    "SQLITE_READONLY": ("is read-only; make the file and its folder writable", False),
    "SQLITE_PERM": ("may not be opened by this user; mend its permissions", False),
    "SQLITE_AUTH": ("may not be opened by this user; mend its permissions", False),
    "SQLITE_CANTOPEN": (
        "cannot be opened; check that the path is a file this user may write, in a folder "
        "this user may write, on a disk that is there",
        True,
    ),
    "SQLITE_NOTADB": ("is not a database; name another file, or move this one away", False),
    "SQLITE_CORRUPT": ("is damaged; restore a backup", False),
    "SQLITE_IOERR": ("cannot be read or written: the disk reports a fault", False),
}

#: The same for PostgreSQL, by the head of SQLSTATE. PostgreSQL, appendix A, "Error Codes".
_POSTGRES = {
    "53100": ("cannot grow: the server's disk is full; make room and try again", False),
    "53300": ("has no free connection; wait, or raise max_connections", True),
    "55P03": ("is locked: another process holds it; wait, or end that process", True),
    "40": ("was changed by another process at the same moment; try again", True),
    "57": ("is shutting down or starting; try again", True),
    "08": ("cannot be reached; check server, host and port", True),
    "25006": ("is read-only", False),
    "28": ("refuses this user or password; check both", False),
    "42501": ("refuses this user; grant it the right to create and write tables", False),
    "3D000": ("does not exist on the server; create it", False),
}


@contextmanager
def plain_words(place: str) -> Iterator[None]:
    """Turn whatever a database library raises inside into StorageError.

    Parameters
    ----------
    place : str
        How the database is named to people: the path of its file, or its URL without password.
    """
    try:
        yield
    except PoolTimeoutError as error:
        raise StorageError(f"database {place}: all connections are in use", retry=True) from error
    except DBAPIError as error:
        raise _explain(place, error.orig or error) from error
    except SQLAlchemyError as error:
        raise StorageError(f"database {place}: {_first_line(error)}") from error
    except OSError as error:
        raise StorageError(f"database {place}: {error.strerror or error}") from error
    except Exception as error:
        # An event hook of the pool raises the driver's own class.
        if type(error).__module__.split(".")[0] in {"sqlite3", "pg8000"}:
            raise _explain(place, error) from error
        raise


def _explain(place: str, error: BaseException) -> StorageError:
    name = getattr(error, "sqlite_errorname", None)
    if name is not None:
        for head, (words, retry) in _SQLITE.items():
            if name == head or name.startswith(head + "_"):
                return StorageError(f"database {place} {words} ({_first_line(error)})", retry=retry)
        return StorageError(f"database {place}: {_first_line(error)} ({name})")
    state, said = _postgres_report(error)
    if state is not None:
        for head, (words, retry) in _POSTGRES.items():
            if state.startswith(head):
                return StorageError(f"database {place} {words} ({said})", retry=retry)
        return StorageError(f"database {place}: {said} (SQLSTATE {state})")
    if type(error).__module__.startswith("pg8000") and "Interface" in type(error).__name__:
        words, retry = _POSTGRES["08"]
        return StorageError(f"database {place} {words} ({said})", retry=retry)
    return StorageError(f"database {place}: {_first_line(error)}")


def _postgres_report(error: BaseException) -> tuple[str | None, str]:
    """SQLSTATE and message that a PostgreSQL server sent, as its driver hands them on."""
    report = error.args[0] if error.args else None
    if isinstance(report, dict) and "C" in report:  # fields of the protocol's ErrorResponse
        return str(report["C"]), str(report.get("M", ""))
    return None, _first_line(error)


def _first_line(error: BaseException) -> str:
    return (str(error).strip().splitlines() or [type(error).__name__])[0]
