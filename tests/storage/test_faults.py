"""A database that refuses: locked, full, read-only, foreign, forbidden. On the real thing."""

import os
import sqlite3
import subprocess
import tempfile
import warnings
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest
from invented import WATCH, record

from windowwatch.errors import StorageError
from windowwatch.storage.engine import sqlite_url
from windowwatch.storage.store import Store, open_store

NOBODY = 65534


def new_store(path: Path) -> Store:
    store = open_store(sqlite_url(path), busy_timeout_s=0.1)
    store.upgrade()
    return store


def test_locked_by_another_process(tmp_path: Path) -> None:
    path = tmp_path / "windowwatch.sqlite"
    store = new_store(path)
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN EXCLUSIVE")
    with pytest.raises(StorageError, match="is locked: another process holds it") as caught:
        store.save_pass(record())
    assert str(path) in str(caught.value)
    assert caught.value.retry
    assert store.cycles(WATCH) == ()  # readers are not held up
    other.execute("ROLLBACK")
    other.close()
    assert store.save_pass(record())
    store.close()


def test_what_is_asked_while_all_is_closed_leaves_no_connection_open(tmp_path: Path) -> None:
    store = new_store(tmp_path / "windowwatch.sqlite")
    with store.engine.connect() as asking:
        held = asking.connection.driver_connection
        store.close()
        assert asking.exec_driver_sql("SELECT 1").scalar() == 1
    assert isinstance(held, sqlite3.Connection)
    with pytest.raises(sqlite3.ProgrammingError, match="closed database"):
        held.execute("SELECT 1")


@pytest.mark.parametrize("content", [b"GRIB and other things\n" * 1000, b"\x00" * 4096])
def test_not_a_database(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "notes.txt"
    path.write_bytes(content)
    store = open_store(sqlite_url(path))
    with pytest.raises(StorageError, match=r"notes.txt is not a database; name another file"):
        store.upgrade()
    assert path.read_bytes() == content
    store.close()


def test_a_folder_is_not_a_database(tmp_path: Path) -> None:
    store = open_store(sqlite_url(tmp_path))
    with pytest.raises(StorageError, match="cannot be opened; check that the path is a file"):
        store.upgrade()
    store.close()


def test_a_folder_that_cannot_be_made(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    store = open_store(sqlite_url(tmp_path / "file" / "x.sqlite"))
    with pytest.raises(StorageError, match=r"file/x.sqlite: (Not a directory|File exists)"):
        store.upgrade()
    store.close()


def test_a_database_that_is_not_there_is_never_made_by_opening_it(tmp_path: Path) -> None:
    """Its disk may be gone for a while: an empty file in its place would be taken for it."""
    path = tmp_path / "kept" / "windowwatch.sqlite"
    store = new_store(path)
    store.save_pass(record())
    (tmp_path / "kept").rename(tmp_path / "away")
    for each in (store, open_store(sqlite_url(path))):
        with pytest.raises(StorageError, match="cannot be opened") as caught:
            each.latest_cycle(WATCH)
        assert caught.value.retry, "it may come back"
    assert not (tmp_path / "kept").exists()
    (tmp_path / "away").rename(tmp_path / "kept")
    assert store.latest_cycle(WATCH) == record().cycle
    store.close()


def test_a_damaged_database(tmp_path: Path) -> None:
    path = tmp_path / "windowwatch.sqlite"
    store = new_store(path)
    store.save_pass(record())
    store.close()
    content = bytearray(path.read_bytes())
    content[4096:] = os.urandom(len(content) - 4096)
    path.write_bytes(content)
    store = open_store(sqlite_url(path))
    with pytest.raises(StorageError, match=r"windowwatch\.sqlite is damaged; restore a backup"):
        store.hours(WATCH)
    store.close()


# ----- other users -------------------------------------------------------------------------


def as_nobody(work: Callable[[], None]) -> str:
    """Words of the StorageError that `work` raises for a user without rights."""
    if os.geteuid() != 0:
        with pytest.raises(StorageError) as caught:
            work()
        return str(caught.value)
    reading, writing = os.pipe()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # the child starts no thread
        child = os.fork()
    if child == 0:
        said = "no error"
        try:
            os.setgid(NOBODY)
            os.setuid(NOBODY)
            work()
        except StorageError as error:
            said = str(error)
        except BaseException as error:
            said = repr(error)
        os.write(writing, said.encode())
        os._exit(0)
    os.close(writing)
    os.waitpid(child, 0)
    with os.fdopen(reading, "rb") as pipe:
        return pipe.read().decode()


@pytest.fixture
def shared_folder() -> Iterator[Path]:
    """A folder that every user may enter, unlike pytest's own."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        folder.chmod(0o755)
        yield folder


def test_a_file_that_may_not_be_read(shared_folder: Path) -> None:
    path = shared_folder / "windowwatch.sqlite"
    new_store(path).close()
    path.chmod(0o000)

    def work() -> None:
        with closing(open_store(sqlite_url(path))) as store:
            store.cycles(WATCH)

    said = as_nobody(work)
    assert f"{path} cannot be opened; check that the path is a file this user may write" in said


def test_a_file_that_may_not_be_written(shared_folder: Path) -> None:
    path = shared_folder / "windowwatch.sqlite"
    new_store(path).close()
    path.chmod(0o444)

    def work() -> None:
        with closing(open_store(sqlite_url(path))) as store:
            store.save_pass(record())

    if os.geteuid() != 0:
        shared_folder.chmod(0o555)
    said = as_nobody(work)
    shared_folder.chmod(0o755)
    assert f"{path} " in said
    assert "read-only" in said or "cannot be opened" in said


def test_a_folder_that_may_not_be_written(shared_folder: Path) -> None:
    if os.geteuid() != 0:
        shared_folder.chmod(0o555)
    said = as_nobody(lambda: new_store(shared_folder / "sub" / "x.sqlite").close())
    shared_folder.chmod(0o755)
    assert "sub/x.sqlite: Permission denied" in said


# ----- a real small disk -------------------------------------------------------------------


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of one and a half megabytes."""
    folder = tmp_path / "disk"
    folder.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=1536k", "tmpfs", str(folder)]
    try:
        done = subprocess.run(command, capture_output=True, text=True, check=False)
    except OSError as error:
        pytest.skip(f"no small file system can be mounted here: {error}")
    if done.returncode:
        pytest.skip(f"no small file system can be mounted here: {done.stderr.strip()}")
    yield folder
    subprocess.run(["umount", "-l", str(folder)], check=True)


def test_full_disk(small_disk: Path) -> None:
    path = small_disk / "windowwatch.sqlite"
    store = new_store(path)
    filler = small_disk / "filler"
    filler.write_bytes(b"x" * 300_000)
    saved: list[int] = []

    def fill() -> None:
        for number in range(400):
            store.save_pass(record(number))
            saved.append(number)

    with pytest.raises(StorageError, match="cannot grow: the disk is full; make room") as caught:
        fill()
    assert str(path) in str(caught.value)
    assert saved
    # Nothing of the pass that failed is there, all of those before it is.
    assert len(store.cycles(WATCH)) == len(saved)
    for number in saved:
        assert store.hours(WATCH, record(number).cycle.id) == record(number).hours
    filler.unlink()
    assert store.save_pass(record(len(saved)))
    store.close()
    with sqlite3.connect(path) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    connection.close()


def test_read_only_disk(small_disk: Path) -> None:
    path = small_disk / "windowwatch.sqlite"
    new_store(path).close()
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    store = open_store(sqlite_url(path))
    with pytest.raises(StorageError, match=r"is read-only|cannot be opened"):
        store.save_pass(record())
    store.close()
