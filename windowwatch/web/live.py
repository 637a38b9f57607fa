"""News for pages that are open: server-sent events (WHATWG HTML, section 9.2).

One task looks for news while anybody listens; listeners are tasks, never threads. A stream
ends by itself after some minutes and the browser comes again, so that one whose share or entry
has ended does not hear on.
"""

import asyncio
import json
from collections.abc import Callable
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.responses import JSONResponse, PlainTextResponse
from starlette.types import Receive, Scope, Send

from windowwatch.errors import WindowwatchError
from windowwatch.web.access.guard import guest_of

#: Pause between two looks. [s]
LOOK_EVERY_S = 2.0
#: A listener hears something at least so often, so that nothing between takes it for gone. [s]
QUIET_S = 20.0
#: A stream ends by itself after this. [s]
LONGEST_S = 300.0
#: One who does not take what is sent for so long is left. [s]
PATIENCE_S = 10.0
#: Listeners at the same time; more are told to ask now and then instead.
MOST_LISTENERS = 100
#: Of them, those who came by a link that others were given: the rest is for who is known.
GUESTS_SHARE = 0.6
#: Browsers come again so soon after a stream has ended. [ms]
_AGAIN_MS = 3000


class Live:
    """The address of the news, an ASGI application.

    Parameters
    ----------
    news : callable
        What pages are to know, as plain values for JSON; called in a thread, again and again.
    most : int
        Listeners at the same time.
    """

    def __init__(self, news: Callable[[], dict[str, Any]], most: int = MOST_LISTENERS) -> None:
        self._news = news
        self._most = most
        self._listeners = 0
        self._guests = 0
        self._ended = False
        self._text: str | None = None
        self._changed = asyncio.Event()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._looking: asyncio.Task[None] | None = None

    @property
    def listeners(self) -> int:
        """How many listen now."""
        return self._listeners

    def end(self) -> None:
        """End all streams; may be called from any thread."""
        self._ended = True
        if self._loop is not None and not self._loop.is_closed():
            self._loop.call_soon_threadsafe(self._wake)

    def _wake(self) -> None:
        self._changed.set()
        self._changed = asyncio.Event()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one listener until it goes, the stream is old, or all is over."""
        if scope["method"] != "GET":
            await PlainTextResponse("", 405)(scope, receive, send)
            return
        guest = guest_of(scope) is not None
        if self._ended or self._is_full(guest):
            full = JSONResponse({"error": "too many listen; ask /data/cycle.json"}, 503)
            full.headers["retry-after"] = "60"
            await full(scope, receive, send)
            return
        self._listeners += 1
        self._guests += guest
        gone = asyncio.create_task(_disconnected(receive))
        try:
            self._start_looking()
            await self._stream(send, gone)
        except TimeoutError:
            pass  # it did not take what it was sent
        finally:
            gone.cancel()
            self._listeners -= 1
            self._guests -= guest

    def _is_full(self, guest: bool) -> bool:
        if guest and self._guests >= GUESTS_SHARE * self._most:
            return True
        return self._listeners >= self._most

    async def _stream(self, send: Send, gone: "asyncio.Task[None]") -> None:
        loop = asyncio.get_running_loop()
        over_s = loop.time() + LONGEST_S
        headers = [
            (b"content-type", b"text/event-stream; charset=utf-8"),
            (b"cache-control", b"no-store"),
            (b"x-accel-buffering", b"no"),
        ]
        await send({"type": "http.response.start", "status": 200, "headers": headers})
        await _send(send, f"retry: {_AGAIN_MS}\n\n")
        told: str | None = None
        while not self._ended and not gone.done():
            changed, text = self._changed, self._text
            if text is not None and text != told:
                await _send(send, f"data: {text}\n\n")
                told = text
            if loop.time() >= over_s:
                break  # not before what is known was told, however slow the machine
            waiting = asyncio.create_task(changed.wait())
            try:
                done, _ = await asyncio.wait(
                    {waiting, gone}, timeout=QUIET_S, return_when=asyncio.FIRST_COMPLETED
                )
            finally:
                waiting.cancel()
            if not done:
                await _send(send, ":\n\n")
        await send({"type": "http.response.body", "body": b"", "more_body": False})

    def _start_looking(self) -> None:
        self._loop = asyncio.get_running_loop()
        if self._looking is None or self._looking.done():
            self._looking = asyncio.create_task(self._look())

    async def _look(self) -> None:
        """Look for news as long as anybody listens."""
        while self._listeners and not self._ended:
            try:
                text = json.dumps(await run_in_threadpool(self._news))
            except WindowwatchError:
                text = self._text or ""  # the database is away: nothing new is known
            if text and text != self._text:
                self._text = text
                self._wake()
            await asyncio.sleep(LOOK_EVERY_S)


async def _send(send: Send, text: str) -> None:
    async with asyncio.timeout(PATIENCE_S):
        await send({"type": "http.response.body", "body": text.encode(), "more_body": True})


async def _disconnected(receive: Receive) -> None:
    while (await receive())["type"] != "http.disconnect":
        pass
