"""The page's server, in a thread of its own: the only module that knows uvicorn."""

import asyncio
import logging
import threading
import time
from types import TracebackType
from typing import Any

import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

from windowwatch.web.listen import listening

_LOG = logging.getLogger(__name__)
#: A request under way at the end has so long. [s]
GRACE_S = 2
#: A connection without a request is kept so long. [s]
IDLE_S = 5
#: The head of a request must have come whole within this. [s]
HEAD_S = 10.0
#: One who does not take an answer for so long is left. [s]
STUCK_S = 30.0
#: Connections at the same time. One more closes the one that has waited longest for a request:
#: half-open ones of strangers must neither keep others out nor use up what the process may open.
MOST_CONNECTIONS = 300


class _Prompt(H11Protocol):
    """A connection that is closed when the head of a request does not come whole in time."""

    _timer: asyncio.TimerHandle | None = None
    _stuck: asyncio.TimerHandle | None = None
    _waits_since_s = 0.0

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Give the first request its time; make room when there are too many."""
        super().connection_made(transport)
        self._waits_since_s = self.loop.time()
        self._timer = self.loop.call_later(HEAD_S, self._give_up)
        if len(self.connections) > MOST_CONNECTIONS:
            self._make_room()

    def _make_room(self) -> None:
        """Close the connection that has waited longest for a request; this one if it must be."""
        idle = [each for each in self.connections if isinstance(each, _Prompt) and each.expendable]
        oldest = min(idle, key=lambda each: each._waits_since_s, default=self)
        self.connections.discard(oldest)  # it goes at the next turn of the loop
        oldest.transport.abort()

    @property
    def expendable(self) -> bool:
        """Whether no request is under way."""
        return self._waits() or self.transport.is_closing()

    def data_received(self, data: bytes) -> None:
        """Take a part of a request; a head that is whole ends the wait for it."""
        super().data_received(data)
        if not self._waits():
            self._stop_timer()
        elif self._timer is None:
            self._timer = self.loop.call_later(HEAD_S, self._give_up)

    def on_response_complete(self) -> None:
        """Wait for the next request."""
        self._waits_since_s = self.loop.time()
        super().on_response_complete()

    def pause_writing(self) -> None:
        """Leave one who takes nothing for long."""
        super().pause_writing()
        self._stuck = self.loop.call_later(STUCK_S, self.transport.abort)

    def resume_writing(self) -> None:
        """It takes again."""
        if self._stuck is not None:
            self._stuck.cancel()
            self._stuck = None
        super().resume_writing()

    def connection_lost(self, exc: Exception | None) -> None:
        """Forget the wait."""
        self._stop_timer()
        if self._stuck is not None:
            self._stuck.cancel()
            self._stuck = None
        super().connection_lost(exc)

    def _waits(self) -> bool:
        return self.cycle is None or self.cycle.response_complete

    def _stop_timer(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

    def _give_up(self) -> None:
        self._timer = None
        if self._waits():
            self.transport.abort()  # nothing is on its way that would be lost


class PageServer:
    """Serves an ASGI application from `start` (or ``with``) to `stop`.

    Parameters
    ----------
    app : ASGI application
        Its method `end`, where it has one, is called first at `stop`.
    host : str
        Name or address to listen on.
    port : int
        0 for one that is free.

    Raises
    ------
    InputError
        If nothing can listen there.
    """

    def __init__(self, app: Any, host: str, port: int) -> None:
        self._end = getattr(app, "end", None)
        self._socket = listening(host, port)
        config = uvicorn.Config(
            app,
            http=_Prompt,
            log_config=None,
            access_log=False,
            proxy_headers=False,  # the guard knows which proxies are trusted
            lifespan="off",
            server_header=False,
            timeout_keep_alive=IDLE_S,
            timeout_graceful_shutdown=GRACE_S,
            # Its own limit counts half-open connections and refuses everybody.
            limit_concurrency=None,
        )
        self._server = uvicorn.Server(config)
        self._thread = threading.Thread(target=self._run, name="page", daemon=True)
        shown = f"[{host}]" if ":" in host else host
        self.url = f"http://{shown}:{self._socket.getsockname()[1]}/"

    def _run(self) -> None:
        try:
            self._server.run(sockets=[self._socket])
        except Exception:
            _LOG.exception("the page has failed")

    def start(self) -> None:
        """Return when the first request can be answered, or the server has failed."""
        logging.getLogger("uvicorn.error").setLevel(logging.WARNING)
        self._thread.start()
        while self._thread.is_alive() and not self._server.started:
            time.sleep(0.01)
        if self.is_alive():
            _LOG.info("page on %s", self.url)

    def is_alive(self) -> bool:
        """Whether it still answers."""
        return self._thread.is_alive()

    def stop(self) -> None:
        """Take no new request and wait, not for long, for those under way."""
        if self._end is not None:
            self._end()
        self._server.should_exit = True
        self._thread.join(GRACE_S + 2)
        self._socket.close()

    def __enter__(self) -> "PageServer":
        self.start()
        return self

    def __exit__(
        self,
        _kind: type[BaseException] | None,
        _error: BaseException | None,
        _trace: TracebackType | None,
    ) -> None:
        self.stop()
