"""Who gets in, what is refused, and that nothing of the machine is told."""

import logging
import re
import socket
import sys
import threading
import time
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from httpx import Client, Response
from page_week import Week
from patience import AN_HOUR_S, PATIENCE_S

from windowwatch.errors import InputError, SettingsError, StorageError
from windowwatch.storage.store import Store
from windowwatch.web import server
from windowwatch.web.access import guard
from windowwatch.web.access.guard import (
    COOKIE,
    MOST_FAILURES,
    MOST_FAILURES_ALL,
    Authenticator,
    checked_token,
    is_loopback,
)
from windowwatch.web.server import PageServer

TOKEN = "a long word for a test only"
PAGES = ("/", "/windows", "/sites", "/notices", "/health/page", "/data")
DATA = ("/data/hours.json", "/data/windows.ics", "/health")


def entering(client: Client, token: str, **more: Any) -> Response:
    """The answer to the form at the door, filled in as a browser does."""
    csrf = re.search(r'name="csrf" value="([0-9a-f]+)"', client.get("/enter").text)
    assert csrf
    return client.post("/enter", data={"token": token, "csrf": csrf[1]}, **more)


def test_others_need_a_token_before_anything_listens() -> None:
    assert checked_token("127.0.0.1", None) is None
    assert checked_token("::1", "") is None
    assert checked_token("0.0.0.0", TOKEN) == TOKEN
    for host in ("0.0.0.0", "::", "192.0.2.7", "example.org", ""):
        with pytest.raises(SettingsError, match="WINDOWWATCH_PAGE_TOKEN"):
            checked_token(host, None)
    with pytest.raises(SettingsError, match="at least 20"):
        checked_token("0.0.0.0", "short")


@pytest.mark.parametrize(
    ("host", "own"),
    [("localhost", True), ("127.9.9.9", True), ("[::1]", True), ("127.0.0.1.example.org", False)],
)
def test_only_loopback_is_loopback(host: str, own: bool) -> None:
    assert is_loopback(host) is own


@pytest.mark.parametrize("name", ["evil.example", "evil.example:8750", "127.0.0.1.evil.example"])
def test_a_foreign_name_is_refused_on_loopback(week: Week, name: str) -> None:
    """Else any web page could read ours through a name that leads to 127.0.0.1."""
    answer = week.client().get("/", headers={"host": name})
    assert answer.status_code == 421
    assert "Millfield" not in answer.text


def test_with_a_token_nothing_is_told_without_it(week: Week) -> None:
    client = week.client(token=TOKEN)
    for path in (*PAGES, *DATA, "/nowhere"):
        answer = client.get(path)
        assert answer.status_code == 401
        assert "Millfield" not in answer.text
    assert client.get("/static/style.css").status_code == 200
    assert client.get("/static/../app.py").status_code in (401, 404)


@pytest.mark.parametrize("name", ["x/static/?", "x/share/", "x/enter#", "x/enter/..", "x?y/enter"])
def test_a_forged_host_opens_no_door(week: Week, name: str) -> None:
    """Who may enter is decided by the path that the answer is chosen by, and by no other."""
    client = week.client(token=TOKEN)
    for path in ("/", "/data/hours.json", "/notices"):
        answer = client.get(path, headers={"host": name})
        assert answer.status_code in {400, 401}, (path, name)
        assert "Millfield" not in answer.text
    bearing = {"authorization": f"Bearer {TOKEN}", "host": name}
    assert client.get("/data/hours.json", headers=bearing).status_code in {200, 400}


@pytest.mark.parametrize("path", ["/sta%09tic/style.css", "/%0Aenter", "/sha%0Dre/x"])
def test_an_address_that_a_reader_of_urls_would_mend_opens_no_door(week: Week, path: str) -> None:
    """Readers of URLs drop tabs and line ends (WHATWG URL, 4.4); routes do not."""
    assert week.client(token=TOKEN).get(path).status_code == 401


def test_the_token_gives_a_cookie_that_scripts_cannot_read(week: Week) -> None:
    client = week.client(token=TOKEN)
    entered = entering(client, TOKEN)
    assert (entered.status_code, entered.headers["location"]) == (303, "/")
    cookie = entered.headers["set-cookie"]
    assert cookie.startswith(f"{COOKIE}=")
    assert "httponly" in cookie.lower()
    assert "samesite=lax" in cookie.lower()
    assert TOKEN not in cookie
    for path in (*PAGES, *DATA):
        answer = client.get(path)
        assert answer.status_code == 200
        assert answer.headers["cache-control"] == "private, no-store"


def test_a_program_may_bear_the_token(week: Week) -> None:
    client = week.client(token=TOKEN)
    bearing = {"authorization": f"Bearer {TOKEN}"}
    assert client.get("/data/hours.json", headers=bearing).status_code == 200
    assert client.get("/", headers={"authorization": "Basic eDp5"}).status_code == 401


def test_a_form_of_another_page_is_refused(week: Week) -> None:
    client = week.client(token=TOKEN)
    foreign = {"origin": "https://evil.example"}
    answer = entering(client, TOKEN, headers=foreign)
    assert answer.status_code == 403
    assert COOKIE not in answer.headers.get("set-cookie", "")


def test_a_form_that_no_page_of_ours_gave_this_browser_is_refused(week: Week) -> None:
    client, other = week.client(token=TOKEN), week.client(token=TOKEN)
    bare = client.post("/enter", data={"token": TOKEN})
    assert (bare.status_code, COOKIE in bare.headers.get("set-cookie", "")) == (403, False)
    foreign = re.search(r'name="csrf" value="([0-9a-f]+)"', other.get("/enter").text)
    assert foreign
    client.get("/enter")
    taken = client.post("/enter", data={"token": TOKEN, "csrf": foreign[1]})
    assert (taken.status_code, COOKIE in taken.headers.get("set-cookie", "")) == (403, False)


def test_a_long_form_is_not_read(week: Week) -> None:
    answer = week.client(token=TOKEN).post("/enter", data={"token": "x" * 10_000})
    assert answer.status_code == 413


@pytest.mark.night
def test_guessing_is_soon_over_and_the_right_word_is_always_heard(week: Week) -> None:
    client = week.client(token=TOKEN + " of its own")
    codes = [entering(client, f"guess {i}").status_code for i in range(7)]
    assert codes == [401] * MOST_FAILURES + [429] * 2
    wrong = {"authorization": f"Bearer {TOKEN} of another"}
    assert client.get("/", headers=wrong).status_code == 429
    bearing = {"authorization": f"Bearer {TOKEN} of its own"}
    assert client.get("/", headers=bearing).status_code == 200
    assert entering(client, TOKEN + " of its own").status_code == 303


def test_threads_may_ask_the_doorkeeper_at_once() -> None:
    """One counts wrong words while others ask; nobody may meet a list that changes under it."""
    authenticator = Authenticator(TOKEN, iter(range(10**9)).__next__)  # a second for each question
    faults: list[BaseException] = []
    over = threading.Event()

    def again_and_again(ask: Callable[[], object]) -> None:
        try:
            while not over.is_set():
                ask()
        except RuntimeError as fault:
            faults.append(fault)

    asked = (
        lambda: authenticator.is_rate_limited("b"),
        lambda: authenticator.count_failure("c"),
        authenticator.new_entry,
        lambda: authenticator.knows("x"),
    )
    usual = sys.getswitchinterval()
    sys.setswitchinterval(1e-5)
    threads = [threading.Thread(target=again_and_again, args=(ask,)) for ask in asked]
    try:
        for thread in threads:
            thread.start()
        time.sleep(0.7)
    finally:
        over.set()
        for thread in threads:
            thread.join()
        sys.setswitchinterval(usual)
    assert faults == []


def test_after_a_minute_one_may_try_again_and_entries_end() -> None:
    now = [0.0]
    authenticator = Authenticator(TOKEN, lambda: now[0])
    for _ in range(MOST_FAILURES):
        assert not authenticator.admits("wrong", "a")
    assert authenticator.is_rate_limited("a")
    assert not authenticator.is_rate_limited("b")
    for i in range(MOST_FAILURES_ALL):
        authenticator.admits("wrong", f"address {i}")
    assert authenticator.is_rate_limited("b")
    now[0] = 61.0
    assert not authenticator.is_rate_limited("a")
    assert authenticator.admits(TOKEN, "a")
    secret = authenticator.new_entry()
    assert authenticator.knows(secret)
    assert not authenticator.knows(secret + "x")
    assert not authenticator.knows("")
    now[0] += timedelta(days=8).total_seconds()
    assert not authenticator.knows(secret)


@pytest.mark.parametrize("path", [*PAGES, *DATA, "/nowhere"])
def test_every_answer_tells_the_browser_what_to_refuse(week: Week, path: str) -> None:
    answer = week.client().get(path)
    policy = answer.headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert "server" not in answer.headers
    if answer.headers.get("content-type", "").startswith("text/html"):
        assert not re.search(r"<script(?![^>]* src=)|\son\w+=|style=|javascript:", answer.text)
        assert not re.search(r'(?:src|href)="(?!/|#|geo:|tel:)', answer.text)


@pytest.mark.parametrize(
    "path",
    ["/hour/x/../../etc/passwd", "/static/%2e%2e/app.py", "/static/..%2fapp.py", "/windows/%00"],
)
def test_no_path_leads_out(week: Week, path: str) -> None:
    answer = week.client().get(path)
    assert answer.status_code == 404
    assert "import" not in answer.text


def test_nothing_can_be_posted_without_a_token(week: Week) -> None:
    for path in (*PAGES, *DATA):
        assert week.client().post(path).status_code in (404, 405)


def test_a_database_that_refuses_gives_a_page_without_its_place(
    week: Week, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def broken(_self: Store, _watch: str) -> None:
        raise StorageError("/secret/place.sqlite3: disk I/O error")

    monkeypatch.setattr(Store, "newest_pass", broken)
    with caplog.at_level(logging.ERROR):
        for path in ("/", "/health", "/data/hours.json"):
            answer = week.client().get(path)
            assert answer.status_code == 503
            assert "/secret" not in answer.text
    assert "/secret/place.sqlite3" in caplog.text


def test_an_accident_gives_a_page_without_its_cause(
    week: Week, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(_self: Store, _watch: str) -> None:
        raise ZeroDivisionError("/secret")

    monkeypatch.setattr(Store, "newest_pass", broken)
    answer = week.client().get("/")
    assert answer.status_code == 500
    assert "Something broke" in answer.text
    assert "/secret" not in answer.text
    assert "content-security-policy" in answer.headers


def test_no_page_names_a_folder_or_a_channels_address(week: Week) -> None:
    for path in (*PAGES, *DATA, "/data/changes.json", "/data/hours.json?checks=yes"):
        text = week.client().get(path).text
        assert str(week.settings.forecast_folder.resolve()) not in text
        assert week.store.place not in text
        assert "none://" not in text


def test_a_port_that_is_taken_is_named() -> None:
    async def app(_scope: object, _receive: object, _send: object) -> None: ...

    first = PageServer(app, "127.0.0.1", 0)
    port = int(first.url.rstrip("/").rsplit(":", 1)[1])
    with first, pytest.raises(InputError, match=f"port {port}.*give another: --port"):
        PageServer(app, "127.0.0.1", port)


def _whole_answer(connection: socket.socket) -> bytes:
    """An answer with its body, however many pieces it comes in."""
    got = b""
    while b"\r\n\r\n" not in got:
        got += connection.recv(65536)
    head, _, body = got.partition(b"\r\n\r\n")
    length = re.search(rb"(?i)content-length: (\d+)", head)
    assert length is not None
    while len(body) < int(length[1]):
        piece = connection.recv(65536)
        got, body = got + piece, body + piece
    return got


def test_one_who_dawdles_over_a_request_is_left(
    week: Week, monkeypatch: pytest.MonkeyPatch
) -> None:
    """So that nobody can take all connections by saying nothing."""
    monkeypatch.setattr(server, "HEAD_S", 0.3)
    monkeypatch.setattr(guard, "LONGEST_WAIT_S", 0.3)
    monkeypatch.setattr(server, "IDLE_S", int(AN_HOUR_S))  # of a server made after this line
    port = int(week.url(week.ended_utc + timedelta(seconds=1)).rsplit(":", 1)[1])
    whole, part = (
        b"GET /data/cycle.json HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n",
        b"GET / HTTP/1.1\r\nHo",
    )
    for first, then in ((b"", b""), (b"", part), (whole, part)):
        with socket.create_connection(("127.0.0.1", port), timeout=PATIENCE_S) as slow:
            if first:
                slow.sendall(first)
                assert _whole_answer(slow).startswith(b"HTTP/1.1 200")
            slow.sendall(then)
            assert slow.recv(65536) == b""  # the server closes, an hour before it tires of the idle
    key = week.store.changes(week.facts.watch)[0].key
    with socket.create_connection(("127.0.0.1", port), timeout=PATIENCE_S) as slow:
        slow.sendall(
            f"POST /notices/{key}/known HTTP/1.1\r\nHost: 127.0.0.1\r\n"
            "Content-Length: 100\r\n\r\nby=".encode()
        )
        assert slow.recv(65536).startswith(b"HTTP/1.1 408")
