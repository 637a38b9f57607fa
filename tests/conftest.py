"""What tests share: which run when, databases, and what is made once for a whole run."""

import fcntl
import gc
import os
import re
import secrets
import shutil
import sqlite3  # noqa: F401 - before any test loads ecCodes, as windowwatch.forecast.grib does
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from recorded import samples_have_changed
from sqlalchemy import URL, create_engine, make_url, text

from windowwatch.child import look_for_garbage_less_often, one_algebra_thread

if TYPE_CHECKING:
    from windowwatch.storage.store import Store

#: URL of a PostgreSQL server on which tests may make and drop databases.
POSTGRES = "WINDOWWATCH_TEST_POSTGRES"

#: Files and folders by what they need, beside marks that stand at tests themselves: providers and
#: pages on the loopback take their time. What is in none of the groups is marked `quick`: that is
#: README's command, and `.ci/run` runs all the others after it, so nothing falls between but the
#: samples, where nothing that makes them has changed. Naming a file runs it, whatever its group.
GROUPS = {
    "process": (
        "fetch/test_serve.py",
        "forecast/test_pool.py",
        "learning/test_backtest.py",
        "line/test_clock_jumps.py",
        "line/test_daemon.py",
        "line/test_database_gone.py",
        "line/test_ground_command.py",
        "line/test_memory.py",
        "line/test_night_service.py",
        "line/test_real_step.py",
        "line/test_rehearsal.py",
        "line/test_service.py",
        "line/test_start.py",
        "scouting/test_scout_run.py",
        "survey/test_lost_workers.py",
        "scouting/test_scout_start.py",
        "survey/test_workers.py",
        "watch/test_checker.py",
        "watch/test_child.py",
        "web/test_serving.py",
    ),
    "served": ("fetch/", "web/"),
    "kill": ("fetch/test_kill.py", "line/test_kill_week.py", "storage/test_kill.py"),
    "waits": ("notices/test_slow_services.py",),
    "samples": (
        "samples/test_samples_archive.py",
        "samples/test_samples_balance.py",
        "samples/test_samples_damaged.py",
        "samples/test_samples_files.py",
        "samples/test_samples_weather.py",
    ),
}
NOT_QUICK = ("slow", "process", "browser", "kill", "postgres", "samples", "waits", "served")
#: What stands in a file where a test of it is in a group though the file is not. It tells the part
#: after the quick one which files it need not load; `_require_told` holds it to that.
TELLS = re.compile(
    r"\b(store|store_url|postgres|postgres_url|browser)\b|\bmark\.(slow|process|kill|samples|waits|served)\b"
)
#: Files that take longest, the longest first. Workers take whole files, so these must not be
#: left for the end, when one worker would be alone with them. (pytest-xdist would take files with
#: many tests first, and so leave the longest to the end: `pyproject.toml` tells it not to.)
LONG_FILES = (
    "scouting/test_scout_start.py",
    "web/test_browser.py",
    "survey/test_lost_workers.py",
    "fetch/test_real_inventory.py",
    "line/test_night_service.py",
    "line/test_kill_week.py",
    "web/test_flights.py",
    "fetch/test_collect.py",
    "line/test_daemon.py",
    "web/test_survey.py",
    "web/test_plans.py",
    "notices/test_slow_services.py",
    "scouting/test_scout_run.py",
    "web/test_phone_hour.py",
    "fetch/test_network.py",
    "line/test_commands.py",
    "fetch/test_live.py",
    "launchday/test_serving_plans.py",
    "watch/test_flown_ahead.py",
    "line/test_service.py",
    "fetch/test_models.py",
    "web/test_live.py",
    "line/test_database_gone.py",
    "learning/test_backtest.py",
    "web/test_map.py",
    "survey/test_workers.py",
    "watch/test_near_ground.py",
    "web/test_one_answer.py",
    "fetch/test_thinned.py",
    "forecast/test_samples.py",
    "web/test_markup.py",
    "cli/test_listening.py",
    "fetch/test_serve.py",
    "web/test_sheet.py",
    "web/test_flightdata.py",
    "web/test_hour.py",
    "storage/test_kill.py",
    "scouting/test_scout_shown.py",
    "web/test_data.py",
    "web/test_share.py",
    "fetch/test_record.py",
    "watch/test_between.py",
    "fetch/test_kill.py",
    "web/test_health.py",
    "web/test_listing.py",
    "web/test_door.py",
    "fetch/test_live_real.py",
    "watch/test_watching.py",
    "windows/test_generated_weeks.py",
    "web/test_access.py",
    "line/test_real_step.py",
    "watch/test_silence.py",
    "watch/test_weeks.py",
    "fetch/test_archive.py",
    "fetch/test_ways.py",
    "watch/test_child.py",
    "web/test_serving.py",
    "storage/test_passes.py",
    "notices/test_deliver.py",
    "fetch/test_damage.py",
    "scoring/test_missing_all_checks.py",
    "line/test_kill_positions.py",
    "launchday/test_desk.py",
    "survey/test_reading.py",
    "fetch/test_limits.py",
    "ground/test_ground_build.py",
)

#: Fills a folder.
Make = Callable[[Path], None]

# As the program itself does, and like there before numpy is loaded: a process that a test starts
# must not add up in another order than the test.
one_algebra_thread()
# Looking for garbage after every 700 objects takes a tenth of the time of a whole run: it walks
# half a million objects that modules hold, again and again. What the collector finds (files left
# open among it) is found all the same, at the latest at the end of the run.
look_for_garbage_less_often()

# Tests speak to the loopback only, without TLS. Each client would read all authorities of
# certificates that the machine knows, 30 ms of it, before its first word: a minute in a run.
os.environ.pop("SSL_CERT_FILE", None)
os.environ["SSL_CERT_DIR"] = os.devnull

# Processes that tests start keep what Python compiles, or each would compile the house anew.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)


def pytest_configure(config: pytest.Config) -> None:
    """With workers (pytest-xdist), files are handed out in the order given below."""
    if hasattr(config.option, "loadscopereorder"):
        config.option.loadscopereorder = False


def pytest_ignore_collect(collection_path: Path, config: pytest.Config) -> bool | None:
    """Neither part need even load files that have nothing for it."""
    if collection_path.suffix != ".py" or not collection_path.name.startswith("test_"):
        return None
    others = _groups_of(collection_path)
    if config.option.markexpr == "quick":
        nothing = bool(others) and not (others == ["samples"] and samples_have_changed())
    else:
        nothing = config.option.markexpr.startswith("not quick") and not (
            others or TELLS.search(collection_path.read_text(encoding="utf-8"))
        )
    return True if nothing else None


def pytest_collection_finish() -> None:
    """What stands in modules by now stays to the end; the collector need not walk it any more."""
    gc.collect()
    gc.freeze()


@pytest.hookimpl(tryfirst=True)  # before `-m` is asked
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Every test marked by what it needs, and the longest files first."""
    here = Path(__file__).parent
    groups = {path: _groups_of(path) for path in {item.path for item in items}}
    makers_changed = samples_have_changed()
    for item in items:
        for mark in groups[item.path]:
            item.add_marker(mark)
        if _on_postgres(item):
            item.add_marker("postgres")
        needs = {mark for mark in NOT_QUICK if item.get_closest_marker(mark)}
        if not needs or (makers_changed and needs == {"samples"}):
            item.add_marker("quick")
        elif not groups[item.path]:
            _require_told(item.path)
    order = {here / name: number for number, name in enumerate(LONG_FILES)}
    items.sort(key=lambda item: order.get(item.path, len(order)))


@cache
def _require_told(path: Path) -> None:
    """Refuse a file whose tests outside the quick part would be missed (see `TELLS`)."""
    if not TELLS.search(path.read_text(encoding="utf-8")):
        raise pytest.UsageError(
            f"{path}: has tests that are not quick, which nothing in it tells; name it in GROUPS"
        )


def _groups_of(path: Path) -> list[str]:
    """Marks of a file by what it, or its folder, needs."""
    name = path.relative_to(Path(__file__).parent).as_posix()
    folder = f"{name.partition('/')[0]}/"
    return [mark for mark, names in GROUPS.items() if name in names or folder in names]


def _on_postgres(item: pytest.Item) -> bool:
    if "postgres_url" in getattr(item, "fixturenames", ()):
        return True
    chosen = getattr(item, "callspec", None)
    return chosen is not None and chosen.params.get("store_url") == "postgresql"


@pytest.fixture(autouse=True)
def _same_surroundings() -> Iterator[None]:
    """What a test, or a library in it, sets for child processes ends with it: Dask sets four."""
    before = dict(os.environ)
    yield
    if os.environ != before:
        os.environ.clear()
        os.environ.update(before)


@pytest.fixture(scope="session")
def made_once(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str, Make], Path]:
    """Folders that are filled once in a run, by whichever worker comes first.

    Who wants to write takes a copy.
    """
    place = tmp_path_factory.getbasetemp()
    if "PYTEST_XDIST_WORKER" in os.environ:
        place = place.parent  # that of all workers

    def made(name: str, make: Make) -> Path:
        folder, whole = place / name, place / f"{name}.whole"
        with (place / f"{name}.lock").open("w") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)
            if not whole.exists():
                shutil.rmtree(folder, ignore_errors=True)  # of one who failed half-way
                folder.mkdir()
                make(folder)
                whole.touch()
        return folder

    return made


@pytest.fixture(scope="session")
def new_sqlite() -> Callable[[Path, bool], str]:
    """Makes a SQLite database in a folder, empty or with all tables; gives its URL."""

    def make(folder: Path, with_tables: bool) -> str:
        path = folder / "windowwatch.sqlite"
        if with_tables:
            from made_store import all_tables

            path.write_bytes(all_tables())
        return f"sqlite:///{path}"

    return make


@pytest.fixture(scope="session")
def postgres() -> Iterator["Postgres | None"]:
    """The PostgreSQL server for tests; None where none is named."""
    url = os.environ.get(POSTGRES)
    if not url:
        yield None
        return
    server = Postgres(make_url(url).set(drivername="postgresql+pg8000"))
    yield server
    server.close()


class Postgres:
    """A server on which databases are made, empty or as a copy of one that has all tables."""

    def __init__(self, url: URL) -> None:
        self._url = url
        self._engine = create_engine(url, isolation_level="AUTOCOMMIT")
        self._template = ""

    def make(self, with_tables: bool) -> str:
        """Name of a new database."""
        if with_tables and not self._template:
            from made_store import fill

            self._template = self._create("")
            fill(self.address(self._template))
        return self._create(f" TEMPLATE {self._template}" if with_tables else "")

    def address(self, name: str) -> str:
        """URL of a database."""
        return self._url.set(database=name).render_as_string(False)

    def drop(self, name: str) -> None:
        """Drop a database, whoever is connected."""
        self._run(f"DROP DATABASE {name} WITH (FORCE)")

    def close(self) -> None:
        """Leave the server as it was."""
        if self._template:
            self.drop(self._template)
        self._engine.dispose()

    def _create(self, like: str) -> str:
        name = f"test_{secrets.token_hex(6)}"
        self._run(f"CREATE DATABASE {name}{like}")
        return name

    def _run(self, sql: str) -> None:
        with self._engine.connect() as connection:
            connection.execute(text(sql))


@pytest.fixture(params=["sqlite", "postgresql"])
def store_url(
    request: pytest.FixtureRequest,
    tmp_path: Path,
    new_sqlite: Callable[[Path, bool], str],
    postgres: Postgres | None,
) -> Iterator[str]:
    """URL of a new database: an empty one, or the one that `store` has open."""
    with_tables = "store" in request.fixturenames
    if request.param == "sqlite":
        yield new_sqlite(tmp_path, with_tables)
    else:
        with _one_of(postgres, with_tables) as url:
            yield url


@pytest.fixture
def postgres_url(postgres: Postgres | None) -> Iterator[str]:
    """URL of a new, empty database on PostgreSQL."""
    with _one_of(postgres, False) as url:
        yield url


@contextmanager
def _one_of(server: Postgres | None, with_tables: bool) -> Iterator[str]:
    if server is None:
        pytest.skip(f"no PostgreSQL server: {POSTGRES} is not set")
    name = server.make(with_tables)
    yield server.address(name)
    server.drop(name)


@pytest.fixture
def store(store_url: str) -> "Iterator[Store]":
    """An open store with all tables."""
    from windowwatch.storage.store import open_store

    opened = open_store(store_url)
    yield opened
    opened.close()
