"""A flood of strangers on real sockets keeps neither /health nor a token's holder out.

How long answers take is reported, and bounded only generously: the machine may be busy.
"""

import resource
import socket
import time
from collections.abc import Iterator
from contextlib import ExitStack, closing, suppress
from dataclasses import replace
from datetime import timedelta
from http.client import HTTPConnection

import httpx
import pytest
from page_week import Week
from patience import PATIENCE_S

from windowwatch.clock import SimulatedClock
from windowwatch.web import live, server
from windowwatch.web.access import guard
from windowwatch.web.access.guard import GUEST_COOKIE, make_share, new_secret
from windowwatch.web.app import create_app
from windowwatch.web.server import PageServer

pytestmark = pytest.mark.night
TOKEN = "a long word for a test only"
HELD = {"authorization": f"Bearer {TOKEN}"}
HALF_OPEN, STREAMS = 250, 500
#: Answers come within a second or three; what fails is that they do not come at all. [s]
CEILING_S = 30.0


@pytest.fixture
def served(week: Week) -> Iterator[PageServer]:
    clock = SimulatedClock(week.ended_utc)
    facts = replace(week.facts, page_url="http://127.0.0.1")
    with PageServer(create_app(week.store, facts, clock, token=TOKEN), "127.0.0.1", 0) as made:
        yield made


def port_of(served: PageServer) -> int:
    return int(served.url.rstrip("/").rsplit(":", 1)[1])


def half_open(served: PageServer, words: bytes = b"GET / HTTP/1.1\r\nHost: 127") -> socket.socket:
    line = socket.create_connection(("127.0.0.1", port_of(served)), timeout=PATIENCE_S)
    with suppress(OSError):
        line.sendall(words)
    return line


def asked(path: str, cookie: str = "") -> bytes:
    more = f"Cookie: {cookie}\r\n" if cookie else ""
    return f"GET {path} HTTP/1.1\r\nHost: 127.0.0.1\r\n{more}\r\n".encode()


def timed(served: PageServer, path: str, status: int = 200) -> float:
    """How long a token's holder takes to get an answer. [s]

    A connection that is closed before any answer is made anew, as browsers do with a GET (RFC 9110,
    section 9.2.2); the time goes on.
    """
    begun = time.monotonic()
    while True:
        line = HTTPConnection("127.0.0.1", port_of(served), timeout=CEILING_S)
        with closing(line):
            try:
                line.request("GET", path, headers=HELD)
                answer = line.getresponse()
            except ConnectionError:
                assert time.monotonic() - begun < CEILING_S, "it was closed again and again"
                continue
            answer.read()
        assert answer.status == status
        return time.monotonic() - begun


def room_for(sockets: int) -> bool:
    """Whether this process may open so many; both ends are in it."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    wanted = 2 * sockets + 200
    if soft < wanted and (hard == resource.RLIM_INFINITY or hard >= wanted):
        resource.setrlimit(resource.RLIMIT_NOFILE, (wanted, hard))
        return True
    return soft >= wanted


@pytest.mark.parametrize("who", ["without a word", "with a link", "with a wrong link"])
def test_strangers_leave_room_for_health_and_for_who_is_known(
    served: PageServer, week: Week, who: str
) -> None:
    assert room_for(HALF_OPEN + STREAMS), "this process may not open so many sockets"
    secret = new_secret()
    if who == "with a link":
        day = timedelta(days=1)
        make_share(week.store, week.facts.watch, "all", day, week.ended_utc, secret)
    cookie = "" if who == "without a word" else f"{GUEST_COOKIE}={secret}"
    calm = timed(served, "/health"), timed(served, "/")
    with ExitStack() as open_:
        for _ in range(HALF_OPEN):
            open_.enter_context(closing(half_open(served)))
        for _ in range(STREAMS):
            open_.enter_context(closing(half_open(served, asked("/live", cookie))))
        flooded = [(timed(served, "/health"), timed(served, "/")) for _ in range(3)]
        assert len(served._server.server_state.connections) <= server.MOST_CONNECTIONS + 1
    health_s, board_s = (max(each) for each in zip(*flooded, strict=True))
    print(
        f"{who}: /health {1000 * calm[0]:.0f} ms calm, {1000 * health_s:.0f} ms flooded; "
        f"board {1000 * calm[1]:.0f} ms calm, {1000 * board_s:.0f} ms flooded"
    )


def test_guests_never_take_every_stream(
    served: PageServer, week: Week, monkeypatch: pytest.MonkeyPatch
) -> None:
    secret = new_secret()
    make_share(week.store, week.facts.watch, "all", timedelta(days=1), week.ended_utc, secret)
    monkeypatch.setattr(live, "GUESTS_SHARE", 0.03)
    with ExitStack() as open_:
        lines = [
            open_.enter_context(
                closing(half_open(served, asked("/live", f"{GUEST_COOKIE}={secret}")))
            )
            for _ in range(6)
        ]
        heads = [line.recv(12) for line in lines]
        assert sorted(heads) == [b"HTTP/1.1 200"] * 3 + [b"HTTP/1.1 503"] * 3
        with (
            httpx.Client(timeout=PATIENCE_S) as client,
            client.stream("GET", f"{served.url}live", headers=HELD) as known,
        ):
            assert known.status_code == 200


def test_strangers_who_write_slowly_wait_for_one_another_and_nobody_waits_for_them(
    served: PageServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Forms whose body never comes hold the places for strangers, and no others."""
    monkeypatch.setattr(guard, "LONGEST_QUEUE_S", 0.2)
    form = b"POST /enter HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 50\r\n\r\n"
    with ExitStack() as open_:
        for _ in range(guard.MOST_INSIDE_EACH):
            open_.enter_context(closing(half_open(served, form)))
        deadline = time.monotonic() + PATIENCE_S
        while httpx.get(f"{served.url}enter", timeout=CEILING_S).status_code != 503:
            assert time.monotonic() < deadline
        assert timed(served, "/health") < CEILING_S
        assert timed(served, "/") < CEILING_S
    deadline = time.monotonic() + PATIENCE_S
    while httpx.get(f"{served.url}enter", timeout=CEILING_S).status_code != 200:
        assert time.monotonic() < deadline, "places come free again"


def test_the_oldest_half_open_connection_goes_first(
    served: PageServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(server, "MOST_CONNECTIONS", 3)
    with ExitStack() as open_:
        lines = [open_.enter_context(closing(half_open(served))) for _ in range(4)]
        assert _ended(lines[0])
        for line in lines[1:]:
            line.sendall(b".0.0.1\r\nAuthorization: Bearer " + TOKEN.encode() + b"\r\n\r\n")
            assert line.recv(12) == b"HTTP/1.1 200"


def _ended(line: socket.socket) -> bool:
    try:
        return line.recv(1) == b""
    except ConnectionError:
        return True


def test_one_who_takes_nothing_is_left(served: PageServer, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(server, "STUCK_S", 0.2)
    head = (
        f"GET /data/hours.json HTTP/1.1\r\nHost: 127.0.0.1\r\nAuthorization: Bearer {TOKEN}\r\n\r\n"
    )
    with socket.socket() as line:
        line.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 2048)
        line.connect(("127.0.0.1", port_of(served)))
        line.sendall(head.encode() * 60)  # more than any buffer between holds
        deadline = time.monotonic() + PATIENCE_S
        while served._server.server_state.connections:
            assert time.monotonic() < deadline, "still there"
            time.sleep(0.05)
