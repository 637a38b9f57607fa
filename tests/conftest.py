"""A database for tests: each runs on SQLite, and on PostgreSQL where a server is named."""

import os
import secrets
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import create_engine, make_url, text

from windowwatch.storage.store import Store, open_store

#: URL of a PostgreSQL server on which tests may make and drop databases.
POSTGRES = "WINDOWWATCH_TEST_POSTGRES"


@pytest.fixture(params=["sqlite", "postgresql"])
def store_url(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """URL of a new, empty database."""
    if request.param == "sqlite":
        yield f"sqlite:///{tmp_path / 'windowwatch.sqlite'}"
        return
    server = os.environ.get(POSTGRES)
    if not server:
        pytest.skip(f"no PostgreSQL server: {POSTGRES} is not set")
    url = make_url(server).set(drivername="postgresql+pg8000")
    name = f"test_{secrets.token_hex(6)}"
    engine = create_engine(url, isolation_level="AUTOCOMMIT")
    with engine.connect() as connection:
        connection.execute(text(f"CREATE DATABASE {name}"))
    yield url.set(database=name).render_as_string(False)
    with engine.connect() as connection:
        connection.execute(text(f"DROP DATABASE {name} WITH (FORCE)"))
    engine.dispose()


@pytest.fixture
def store(store_url: str) -> Iterator[Store]:
    """An open store with all tables."""
    opened = open_store(store_url)
    opened.upgrade()
    yield opened
    opened.close()
