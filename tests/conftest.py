"""A database for tests: each runs on SQLite, and on PostgreSQL where a server is named."""

import os
import secrets
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import create_engine, make_url, text

from windowwatch.storage.store import Store, open_store

#: URL of an empty PostgreSQL database that tests may make and drop schemas in.
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
    url = make_url(server).set(drivername="postgresql+psycopg")
    schema = f"test_{secrets.token_hex(6)}"
    engine = create_engine(url)
    with engine.begin() as connection:
        connection.execute(text(f"CREATE SCHEMA {schema}"))
    yield url.update_query_dict({"options": f"-csearch_path={schema}"}).render_as_string(False)
    with engine.begin() as connection:
        connection.execute(text(f"DROP SCHEMA {schema} CASCADE"))
    engine.dispose()


@pytest.fixture
def store(store_url: str) -> Iterator[Store]:
    """An open store with all tables."""
    opened = open_store(store_url)
    opened.upgrade()
    yield opened
    opened.close()
