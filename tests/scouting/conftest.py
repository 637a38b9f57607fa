"""What tests of scouting share: a browser."""

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser
from visiting import chromium


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """A real Chromium; its tests are skipped where none is installed."""
    yield from chromium()
