"""What happens on the wire while apprise hands a message over: the only import of requests.

apprise says "sent" or "not sent". Whether a message that was not answered for may have arrived
all the same is known only to who saw the request leave, so for the time of one hand-over the
connections of `requests` and `smtplib` are ours: the same, but they note how far it came, wait for
a connection and for an answer each its own time, and end at a set moment, drip by drip or not.
"""

import smtplib
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from typing import Any

import requests.sessions
from requests.adapters import HTTPAdapter
from urllib3.connection import HTTPConnection, HTTPSConnection
from urllib3.connectionpool import HTTPConnectionPool, HTTPSConnectionPool

from windowwatch.notices.values import Timeouts


@dataclass
class Handover:
    """How far one hand-over came; what a service answered is kept without its text."""

    timeouts: Timeouts
    unanswered: bool = False  #: the message was sent whole, and no answer came
    taken: bool = False  #: a mail server took it, for one receiver at least
    pages: list[str] = field(default_factory=list)  #: answers of success that are pages
    _sockets: list[socket.socket] = field(default_factory=list)
    _over: bool = False
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def opened(self, line: socket.socket | None) -> None:
        """A connection was made; it ends when the time is over."""
        with self._lock:
            if line is not None:
                self._sockets.append(line)
                if self._over:
                    _shut(line)

    def end(self) -> None:
        """The time is over."""
        with self._lock:
            self._over = True
            for line in self._sockets:
                _shut(line)


def _shut(line: socket.socket) -> None:
    try:
        # The plain one: that of TLS changes what the thread that reads is using.
        socket.socket.shutdown(line, socket.SHUT_RDWR)
    except OSError:
        return  # closed already


_UNDER_WAY: ContextVar[Handover | None] = ContextVar("handover", default=None)
_SWAPPING = threading.Lock()
_ASKS = frozenset({"GET", "HEAD"})
_watching: list[Handover] = []


@contextmanager
def watched(timeouts: Timeouts) -> Iterator[Handover]:
    """Watch what this thread hands over; several threads may at the same time."""
    made = Handover(timeouts)
    timer = threading.Timer(timeouts.longest_s, made.end)
    timer.daemon = True
    token = _UNDER_WAY.set(made)
    _swap(made, watching=True)
    timer.start()
    try:
        yield made
    finally:
        timer.cancel()
        _swap(made, watching=False)
        _UNDER_WAY.reset(token)


def _swap(handed: Handover, *, watching: bool) -> None:
    """Ours while anybody is watched, theirs otherwise."""
    with _SWAPPING:
        if watching:
            _watching.append(handed)
        else:
            _watching[:] = [each for each in _watching if each is not handed]
        ours = bool(_watching)
        vars(requests.sessions)["HTTPAdapter"] = _Adapter if ours else HTTPAdapter
        smtplib.SMTP = _Mail if ours else _PLAIN  # type: ignore[misc]
        smtplib.SMTP_SSL = _SafeMail if ours else _SAFE  # type: ignore[misc]


class _Noting:
    """A connection that notes when a request has left whole."""

    def connect(self) -> None:
        super().connect()  # type: ignore[misc]
        now = _UNDER_WAY.get()
        if now is not None:
            now.opened(getattr(self, "sock", None))

    def getresponse(self) -> Any:
        self.left_whole = True
        return super().getresponse()  # type: ignore[misc]


class _Plain(_Noting, HTTPConnection): ...


class _Safe(_Noting, HTTPSConnection): ...


class _NotingPool:
    """A pool that notes a request that left whole and was not answered."""

    def _make_request(self, conn: Any, method: str, *given: Any, **named: Any) -> Any:
        try:
            return super()._make_request(conn, method, *given, **named)  # type: ignore[misc]
        except Exception:
            now = _UNDER_WAY.get()
            # A question (GET) hands nothing over; anything else may have.
            if now is not None and getattr(conn, "left_whole", False) and method not in _ASKS:
                now.unanswered = True
            raise


class _PlainPool(_NotingPool, HTTPConnectionPool):
    ConnectionCls = _Plain


class _SafePool(_NotingPool, HTTPSConnectionPool):
    ConnectionCls = _Safe


_POOLS = {"http": _PlainPool, "https": _SafePool}


class _Adapter(HTTPAdapter):
    """requests' own, on our connections."""

    def init_poolmanager(self, *given: Any, **named: Any) -> None:
        super().init_poolmanager(*given, **named)
        self.poolmanager.pool_classes_by_scheme = _POOLS

    def proxy_manager_for(self, proxy: str, **named: Any) -> Any:
        manager = super().proxy_manager_for(proxy, **named)
        manager.pool_classes_by_scheme = _POOLS
        return manager

    def send(self, request: Any, *given: Any, **named: Any) -> Any:
        now = _UNDER_WAY.get()
        answer = super().send(request, *given, **named)
        try:
            answer.content  # noqa: B018  read here: an answer that stops half-way is none
        except Exception:
            if now is not None and request.method not in _ASKS:
                now.unanswered = True
            raise
        if now is not None and answer.ok and not answer.is_redirect:
            kind = answer.headers.get("content-type", "").partition(";")[0].strip().lower()
            if kind in {"text/html", "application/xhtml+xml"}:
                now.pages.append(kind)
        return answer


_PLAIN, _SAFE = smtplib.SMTP, smtplib.SMTP_SSL


class _Letters:
    """A mail connection that notes whether a letter has left whole, and whether it was taken."""

    _sends = 0

    def _get_socket(self, host: Any, port: Any, timeout: Any) -> Any:
        now = _UNDER_WAY.get()
        if now is None:
            return super()._get_socket(host, port, timeout)  # type: ignore[misc]
        # smtplib knows one time for both; a server that thinks long is not one that is away.
        line = super()._get_socket(host, port, now.timeouts.connect_s)  # type: ignore[misc]
        line.settimeout(now.timeouts.read_s)
        now.opened(line)
        return line

    def send(self, s: Any) -> None:
        super().send(s)  # type: ignore[misc]
        self._sends += 1

    def data(self, msg: Any) -> Any:
        now, before = _UNDER_WAY.get(), self._sends
        try:
            code, words = super().data(msg)  # type: ignore[misc]
        except (OSError, smtplib.SMTPServerDisconnected):
            # First the command, then the letter with its end.
            if now is not None and self._sends - before >= 2:
                now.unanswered = True
            raise
        if now is not None and code == 250:
            now.taken = True
        return code, words


class _Mail(_Letters, _PLAIN): ...  # type: ignore[misc, valid-type]


class _SafeMail(_Letters, _SAFE): ...  # type: ignore[misc, valid-type]
