"""News for open pages: heard by real sockets and in a real browser; bounded, and soon ended."""

import json
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from typing import Any

import httpx
import invented
import pytest
from page_week import Week
from patience import AN_HOUR_S, PATIENCE_S
from playwright.sync_api import Browser, Page
from visiting import PHONE, visit

from windowwatch.clock import SimulatedClock
from windowwatch.storage.store import Store
from windowwatch.web import live, server
from windowwatch.web.app import create_app
from windowwatch.web.server import PageServer
from windowwatch.web.values import Underway


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(live, "LOOK_EVERY_S", 0.05)


class Served:
    """A page over made-up passes whose pass under way can be set."""

    def __init__(self, week: Week, **more: Any) -> None:
        self.underway: Underway | None = None
        self.clock = SimulatedClock(invented.NOW)
        self.app = create_app(
            week.store, week.facts, self.clock, underway=lambda: self.underway, **more
        )
        self.server = PageServer(self.app, "127.0.0.1", 0)
        self.url = self.server.url.rstrip("/")


@pytest.fixture
def served(made_week: Week) -> Iterator[Served]:
    made = Served(made_week)
    with made.server:
        yield made


@contextmanager
def listening(url: str) -> Iterator[Iterator[dict[str, Any]]]:
    """The news as they come."""
    with httpx.Client(timeout=PATIENCE_S) as client, client.stream("GET", f"{url}/live") as answer:
        assert answer.status_code == 200
        assert answer.headers["content-type"] == "text/event-stream; charset=utf-8"
        assert answer.headers["cache-control"] == "no-store"
        assert "content-encoding" not in answer.headers  # compressed, it would be held back
        lines = answer.iter_lines()
        yield (json.loads(line[6:]) for line in lines if line.startswith("data: "))


def test_passes_and_how_far_one_is_are_heard(served: Served, made_week: Week) -> None:
    with listening(served.url) as news:
        assert next(news) == {
            "pass": "", "plans": "0.0.", "flights": "0.0.0.0.0.0.", "scout": "0",
            "underway": None,
        }  # fmt: skip
        served.underway = Underway(0.4, "flying")
        assert next(news)["underway"] == {
            "share": 0.4, "text": "Pass under way: 40\xa0%, flying",
        }  # fmt: skip
        made_week.store.save_pass(invented.record(hours=(), steps=1))
        first = next(news)["pass"]
        assert first.startswith(f"{invented.cycle().id}.1.")
        # A second pass of the same cycle is news as well.
        second = invented.record(hours=(), changes=(), deliveries=(), pass_number=2, steps=2)
        made_week.store.save_pass(second)
        assert next(news)["pass"].startswith(f"{invented.cycle().id}.2.")
        served.underway = None
        assert next(news)["underway"] is None


def test_listeners_are_bounded_and_are_no_threads(made_week: Week) -> None:
    made = Served(made_week)
    desk_live = made.app.end.__self__  # type: ignore[attr-defined]
    desk_live._most = 20
    with made.server, ExitStack() as open_:
        next(open_.enter_context(listening(made.url)))
        before = threading.active_count()
        for _ in range(19):
            next(open_.enter_context(listening(made.url)))
        assert desk_live.listeners == 20
        assert threading.active_count() <= before + 1
        full = httpx.get(f"{made.url}/live", timeout=PATIENCE_S)
        assert (full.status_code, full.headers["retry-after"]) == (503, "60")
        instead = httpx.get(f"{made.url}/data/cycle.json", timeout=PATIENCE_S)
        assert instead.status_code == 200
        open_.close()
        _until(lambda: desk_live.listeners == 0)
        with listening(made.url) as news:
            assert next(news)["pass"] == ""


def test_all_streams_end_with_the_server(made_week: Week, monkeypatch: pytest.MonkeyPatch) -> None:
    """A server that waited for them would wait for an hour."""
    monkeypatch.setattr(server, "GRACE_S", int(AN_HOUR_S))
    monkeypatch.setattr(live, "LONGEST_S", AN_HOUR_S)
    made = Served(made_week)
    made.server.start()
    ended: list[float] = []

    def hear() -> None:
        with listening(made.url) as news:
            heard.release()
            for _ in news:
                pass
        ended.append(time.monotonic())

    heard = threading.Semaphore(0)
    threads = [threading.Thread(target=hear) for _ in range(10)]
    for each in threads:
        each.start()
    for _ in threads:
        assert heard.acquire(timeout=PATIENCE_S)
    asked = time.monotonic()
    made.server.stop()
    assert time.monotonic() - asked < PATIENCE_S
    for each in threads:
        each.join(PATIENCE_S)
    assert len(ended) == 10


def test_one_who_hangs_up_is_forgotten_and_one_who_listens_long_must_come_again(
    served: Served, monkeypatch: pytest.MonkeyPatch
) -> None:
    desk_live = served.app.end.__self__  # type: ignore[attr-defined]
    port = int(served.url.rsplit(":", 1)[1])
    with socket.create_connection(("127.0.0.1", port)) as raw:
        raw.sendall(b"GET /live HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
        assert raw.recv(1000)
        _until(lambda: desk_live.listeners == 1)
    _until(lambda: desk_live.listeners == 0)
    with listening(served.url) as news:
        next(news)  # from now on it is known what there is to tell
    _until(lambda: desk_live.listeners == 0)
    monkeypatch.setattr(live, "LONGEST_S", 0.2)
    monkeypatch.setattr(live, "QUIET_S", 0.1)
    with listening(served.url) as news:
        assert [each["pass"] for each in news] == [""]  # and the stream ends
    assert httpx.post(f"{served.url}/live").status_code == 405


def test_a_database_that_is_away_ends_no_stream(
    served: Served, made_week: Week, monkeypatch: pytest.MonkeyPatch
) -> None:
    from windowwatch.errors import StorageError

    with listening(served.url) as news:
        assert next(news)["pass"] == ""
        whole = Store.newest_pass

        def broken(_self: Store, _watch: str) -> None:
            raise StorageError("away")

        monkeypatch.setattr(Store, "newest_pass", broken)
        time.sleep(0.2)
        monkeypatch.setattr(Store, "newest_pass", whole)
        made_week.store.save_pass(invented.record(hours=()))
        assert next(news)["pass"]


def _until(so: Any) -> None:
    end = time.monotonic() + PATIENCE_S
    while not so():
        assert time.monotonic() < end
        time.sleep(0.02)


@pytest.mark.browser
def test_an_open_page_shows_a_new_pass_without_reloading(
    served: Served, made_week: Week, browser: Browser
) -> None:
    store = made_week.store
    store.save_pass(invented.record())
    with visit(browser, served.url, PHONE) as page:
        page.goto(f"{served.url}/#millfield")
        page.evaluate("window.sameDocument = true")
        days = page.locator("#millfield .days")
        assert days.is_visible()
        assert page.locator(".site").count() > 1
        served.underway = Underway(0.4)
        line = page.get_by_text("Pass under way: 40")
        line.wait_for(state="visible")
        served.underway = None
        store.save_pass(invented.record(1))
        page.locator(f"body[data-cycle='{invented.cycle(1).id}']").wait_for()
        line.wait_for(state="hidden")
        assert page.evaluate("window.sameDocument") is True
        assert days.is_visible()  # still unfolded
        assert "06:00 UTC" in page.locator("footer").inner_text()  # of the newer cycle
        _arrow_keys_still_work(page)


def _arrow_keys_still_work(page: Page) -> None:
    cells = page.locator("#millfield .cells a.cell")
    cells.first.focus()
    first = page.evaluate("document.activeElement.getAttribute('href')")
    page.keyboard.press("ArrowRight")
    assert page.evaluate("document.activeElement.getAttribute('href')") != first


@pytest.mark.browser
def test_who_writes_is_not_disturbed(served: Served, made_week: Week, browser: Browser) -> None:
    from windowwatch.windows.values import ChangeKind

    change = invented.change(ChangeKind.CLOSED, found_utc=invented.NOW)
    made_week.store.save_pass(invented.record(hours=(), changes=(change,), deliveries=()))
    with visit(browser, served.url, PHONE) as page:
        page.goto(f"{served.url}/notices")
        page.locator("main summary").click()
        page.get_by_label("Your name").fill("Ad")
        made_week.store.save_pass(invented.record(1, hours=()))
        page.get_by_text("A newer forecast has come.").wait_for(state="visible")
        assert page.get_by_label("Your name").input_value() == "Ad"
        assert page.locator("body").get_attribute("data-cycle") == invented.cycle(0).id


@pytest.mark.browser
def test_without_script_the_browser_loads_it_anew_now_and_then(
    served: Served, made_week: Week, browser: Browser
) -> None:
    made_week.store.save_pass(invented.record(hours=()))
    served.underway = Underway(0.25)
    with visit(browser, served.url, PHONE, java_script_enabled=False) as page:
        page.goto(served.url)
        again = page.locator("meta[http-equiv=refresh]")
        assert again.get_attribute("content") == "300"
        assert page.get_by_text("Pass under way: 25").is_visible()
        page.goto(f"{served.url}/notices")  # there one writes
        assert again.count() == 0
