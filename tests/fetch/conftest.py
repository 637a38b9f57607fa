"""Connections of a test are closed at its end."""

from collections.abc import Iterator

import pytest
from fetching import close_all


@pytest.fixture(autouse=True)
def _closed() -> Iterator[None]:
    yield
    close_all()
