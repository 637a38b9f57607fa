"""Visits of the page by a real Chromium, during which nothing may go wrong."""

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
#: No name but loopback resolves, and Chromium calls nobody on its own.
FLAGS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    "--host-resolver-rules=MAP * ~NOTFOUND,EXCLUDE 127.0.0.1", "--disable-3d-apis",
]  # fmt: skip
PHONE: dict[str, Any] = {
    "viewport": {"width": 390, "height": 844},
    "device_scale_factor": 2,
    "is_mobile": True,
    "has_touch": True,
}
DESK: dict[str, Any] = {"viewport": {"width": 1280, "height": 900}}
SIZES = {"phone": PHONE, "desk": DESK}


def chromium() -> Iterator[Browser]:
    """A real Chromium, for a fixture; its tests are skipped where none is installed."""
    if CHROMIUM is None:
        pytest.skip("no chromium is installed on this machine")
    with sync_playwright() as play:
        opened = play.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield opened
        opened.close()


@contextmanager
def visit(browser: Browser, url: str, size: dict[str, Any], **more: Any) -> Iterator[Page]:
    """A visit during which nothing may go wrong: no error, no refusal, no outside request."""
    context = browser.new_context(**size, **more)
    page = context.new_page()
    bad: list[str] = []
    page.on("pageerror", lambda error: bad.append(str(error)))
    page.on(
        "console", lambda said: bad.append(said.text) if said.type in {"error", "warning"} else None
    )
    page.on("response", lambda r: bad.append(f"{r.status} {r.url}") if r.status >= 400 else None)
    page.on("request", lambda r: None if r.url.startswith(url) else bad.append(f"out: {r.url}"))
    yield page
    context.close()
    assert bad == []
