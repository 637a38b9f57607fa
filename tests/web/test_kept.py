"""The board is made and compressed once for all, and not sent to one who has it."""

import gzip
import threading
from datetime import timedelta

import httpx
import invented
import pytest
from page_week import Week
from patience import PATIENCE_S
from starlette.requests import Request

from windowwatch.storage.store import Store
from windowwatch.web.pages import render


def test_a_copy_that_still_holds_is_not_sent_again(week: Week) -> None:
    first = week.client().get("/")
    etag = first.headers["etag"]
    assert first.headers["content-encoding"] == "gzip"
    assert "accept-encoding" in first.headers["vary"].lower()
    again = week.client().get("/", headers={"if-none-match": f'"other", {etag}'})
    assert (again.status_code, again.content) == (304, b"")
    assert again.headers["etag"] == etag
    assert "content-security-policy" in again.headers
    plain = week.client().get("/", headers={"accept-encoding": "identity"})
    assert "content-encoding" not in plain.headers
    assert plain.text == first.text
    raw = httpx.request("GET", f"{week.url()}/", headers={"accept-encoding": "gzip"})
    assert raw.text == first.text
    later = week.client(week.ended_utc + timedelta(hours=30))
    assert later.get("/", headers={"if-none-match": etag}).status_code == 200


def test_compressed_bytes_are_those_of_the_page(
    week: Week, monkeypatch: pytest.MonkeyPatch
) -> None:
    packed: list[bytes] = []
    whole = gzip.compress

    def seen(data: bytes, *more: int, **other: int) -> bytes:
        packed.append(data)
        return whole(data, *more, **other)

    monkeypatch.setattr(gzip, "compress", seen)
    moment = week.ended_utc + timedelta(hours=1)
    texts = {week.client(moment).get("/").text for _ in range(5)}
    assert len(texts) == 1
    assert len(packed) == 1  # five readers, one compression
    assert packed[0].decode() in texts


def test_the_calendar_is_made_once_for_all_who_subscribe(
    made_week: Week, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[str] = []
    whole = Store.window_history

    def counted(self: Store, watch: str, uid: str) -> object:
        asked.append(uid)
        return whole(self, watch, uid)

    monkeypatch.setattr(Store, "window_history", counted)
    made_week.store.save_pass(invented.record())
    client = made_week.client(invented.NOW)
    first = client.get("/data/windows.ics")
    assert len(asked) == 1
    assert first.headers["content-type"].startswith("text/calendar")
    assert "windows.ics" in first.headers["content-disposition"]
    assert client.get("/data/windows.ics").content == first.content
    known = client.get("/data/windows.ics", headers={"if-none-match": first.headers["etag"]})
    assert (known.status_code, len(asked)) == (304, 1)
    made_week.clock(invented.NOW).set(invented.NOW + timedelta(hours=1))
    assert client.get("/data/windows.ics").status_code == 200
    assert len(asked) == 2  # closed windows leave it by and by
    made_week.store.save_pass(invented.record(1))
    newer = client.get("/data/windows.ics")
    assert newer.content != first.content
    assert len(asked) == 3


def test_nobody_waits_for_a_page_that_another_reader_has_made() -> None:
    """Of the same results the last page is given meanwhile, of other results never."""
    pages = render.PageCache()
    request = Request({"type": "http", "method": "GET", "path": "/", "headers": []})

    def asked(made_for: str, html: bytes, same: str) -> bytes:
        return bytes(pages.answer(request, made_for, lambda: html, same=same).body)

    assert asked("pass 1, 08:00", b"old", "pass 1") == b"old"
    begun, end = threading.Event(), threading.Event()
    made: list[bytes] = []

    def slow() -> bytes:
        begun.set()
        assert end.wait(PATIENCE_S)
        return b"new"

    def first() -> None:
        body = pages.answer(request, "pass 1, 08:01", slow, same="pass 1").body
        made.append(bytes(body))

    maker = threading.Thread(target=first)
    maker.start()
    assert begun.wait(PATIENCE_S)
    assert asked("pass 1, 08:01", b"never", "pass 1") == b"old"  # at once, while it is made
    other = threading.Thread(target=lambda: made.append(asked("pass 2", b"other", "pass 2")))
    other.start()
    other.join(0.2)
    assert other.is_alive()  # what is of other results is waited for
    end.set()
    maker.join(10)
    other.join(10)
    assert sorted(made) == [b"new", b"other"]
    assert asked("pass 1, 08:01", b"never", "pass 1") == b"new"


def test_few_pages_are_kept() -> None:
    pages = render.PageCache()
    request = Request({"type": "http", "method": "GET", "path": "/", "headers": []})
    for number in range(10 * render.MOST_PAGES):
        pages.answer(request, number, lambda: b"page", same=number)
    assert len(pages._made) == len(pages._last) == render.MOST_PAGES
