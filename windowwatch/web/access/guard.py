"""Who may see the page and post to it: token, cookies, links for guests, and what is refused.

On loopback anybody at this machine may look; a foreign name in the Host header is refused,
so that no other web page can read ours through the visitor's browser. Beyond loopback a
token is asked for.
"""

import asyncio
import hmac
import ipaddress
import secrets
import threading
from collections import Counter, deque
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any
from urllib.parse import parse_qs, urlsplit

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import Request
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from windowwatch.errors import InputError, SettingsError, StorageError
from windowwatch.storage.store import Store
from windowwatch.storage.watches import Share, hashed
from windowwatch.web.access.proxies import (
    LOOPBACK,
    counted_as,
    is_authority,
    is_origin,
    network,
    visitor,
)

#: Environment variable that holds the token.
TOKEN_ENV = "WINDOWWATCH_PAGE_TOKEN"
SHORTEST_TOKEN = 20
COOKIE = "windowwatch_entry"
#: The cookie of one who came by a link that lets others read.
GUEST_COOKIE = "windowwatch_guest"
_GUEST = "windowwatch.guest"
_PAGE_URL = "windowwatch.page_url"
ENTRY_LASTS_S = 7 * 24 * 3600
#: Wrong words within a minute, by one address and by all, before further wrong ones are
#: answered late. The right word is heard at all times: it has 20 characters by chance, which
#: nobody guesses, and whoever holds it must not be kept out by others who guess.
MOST_FAILURES, MOST_FAILURES_ALL, FAILURES_WITHIN_S = 5, 50, 60.0
MOST_ENTRIES = 1000
#: So late, and so many at once, by one address and by all; more are answered at once. [s]
LATE_S = 1.0
MOST_LATE, MOST_LATE_ALL = 4, 20
MOST_REMEMBERED = 10_000

SAFE_HEADERS = {
    "content-security-policy": (
        "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; "
        "connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    ),
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
}


def is_loopback(host: str) -> bool:
    """Whether only this machine can reach an address; False for a name that is none."""
    if host.lower() == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


def checked_token(host: str, token: str | None) -> str | None:
    """The token to ask for on `host`; None where none is needed.

    Raises
    ------
    SettingsError
        If others could reach the page and there is no token, or it is too short.
    """
    if token and len(token) < SHORTEST_TOKEN:
        raise SettingsError(
            f"{TOKEN_ENV} has {len(token)} characters; give at least {SHORTEST_TOKEN}, by chance"
        )
    if not token and not is_loopback(host):
        raise SettingsError(
            f"the page on {host} could be read by others: set the environment variable "
            f"{TOKEN_ENV} to a long random word, or leave --host at 127.0.0.1"
        )
    return token or None


class Authenticator:
    """Remembers who has entered and who has guessed; asks `monotonic_s` for the time.

    May be shared by threads: links are answered in several at once.
    """

    def __init__(self, token: str, monotonic_s: Callable[[], float]) -> None:
        self._token = token.encode()
        self._time = monotonic_s
        self._lock = threading.Lock()
        self._entries: dict[str, float] = {}
        self._failures: deque[tuple[float, str]] = deque()
        self._by_address: Counter[str] = Counter()
        self._late: Counter[str] = Counter()

    def is_rate_limited(self, address: str) -> bool:
        """Whether an address, or all together, guessed too often within a minute."""
        since = self._time() - FAILURES_WITHIN_S
        with self._lock:
            while self._failures and self._failures[0][0] < since:
                self._forget_oldest()
            if len(self._failures) >= MOST_FAILURES_ALL:
                return True
            return self._by_address[counted_as(address)] >= MOST_FAILURES

    def _forget_oldest(self) -> None:
        _, who = self._failures.popleft()
        self._by_address[who] -= 1
        if not self._by_address[who]:
            del self._by_address[who]

    async def slow_down(self, address: str) -> None:
        """Keep one who guesses waiting; only so many at once, for each takes up room."""
        who = counted_as(address)
        with self._lock:
            if self._late[who] >= MOST_LATE or self._late.total() >= MOST_LATE_ALL:
                return
            self._late[who] += 1
        try:
            await asyncio.sleep(LATE_S)
        finally:
            with self._lock:
                self._late[who] -= 1
                if not self._late[who]:
                    del self._late[who]

    def admits(self, word: str, address: str) -> bool:
        """Whether a word is the token; a wrong one is counted."""
        right = hmac.compare_digest(word.encode(), self._token)
        if not right:
            self.count_failure(address)
        return right

    def count_failure(self, address: str) -> None:
        """Count a wrong word."""
        with self._lock:
            who = counted_as(address)
            self._failures.append((self._time(), who))
            self._by_address[who] += 1
            if len(self._failures) > MOST_REMEMBERED:
                self._forget_oldest()

    def new_entry(self) -> str:
        """A secret for the cookie of one who was admitted."""
        now, secret = self._time(), secrets.token_urlsafe(32)
        with self._lock:
            self._entries = {k: until for k, until in self._entries.items() if until > now}
            while len(self._entries) >= MOST_ENTRIES:
                self._entries.pop(next(iter(self._entries)))
            self._entries[hashed(secret)] = now + ENTRY_LASTS_S
        return secret

    def knows(self, secret: str) -> bool:
        """Whether a cookie's secret was given out and still holds."""
        with self._lock:
            return self._entries.get(hashed(secret), 0.0) > self._time()


def same_origin(headers: Headers) -> bool:
    """Whether a POST comes from a page of ours; browsers always say where from."""
    origin = headers.get("origin")
    return origin is None or _authority(origin) == headers.get("host", "").lower()


def _authority(url: str) -> str:
    return urlsplit(url).netloc.lower()


def address_of(request: Request) -> str:
    """Address of who asks, behind trusted proxies too; empty where it is not known."""
    return request.client.host if request.client else ""


def is_secure(request: Request) -> bool:
    """Whether visitors come by HTTPS, so that cookies must go by nothing else."""
    return bool(request.scope["scheme"] == "https")


def guest_of(scope: Request | Scope) -> Share | None:
    """The share by which a visitor came; None for one who may do everything."""
    found: Any = (scope.scope if isinstance(scope, Request) else scope).get(_GUEST)
    return found if isinstance(found, Share) else None


#: Not a status: who asks is not known, and may perhaps see it.
_STRANGER = 0
#: Answers that last; they have a bound of their own, by which nobody waits.
_LASTING = frozenset({"/live"})
_FULL = PlainTextResponse("Too many ask at once. Try again soon.\n", 503, {"retry-after": "10"})
#: Requests of those who are not known that are answered at the same time, by all and by one
#: address; so many wait for that, so long, and the rest is told to come again. Whoever is known
#: never waits for them: they leave room among the threads and the database's connections.
MOST_INSIDE, MOST_INSIDE_EACH, MOST_WAITING, LONGEST_QUEUE_S = 8, 4, 100, 5.0


class Vestibule:
    """Where those who are not known wait for an answer, so that they keep nobody else out."""

    def __init__(self) -> None:
        self._inside: Counter[str] = Counter()
        self._waiting = 0
        self._left = asyncio.Condition()

    @asynccontextmanager
    async def place(self, address: str) -> AsyncIterator[bool]:
        """A place for one request; False when there is none for it."""
        who = counted_as(address)
        if not await self._gets_in(who):
            yield False
            return
        try:
            yield True
        finally:
            self._inside[who] -= 1
            if not self._inside[who]:
                del self._inside[who]
            async with self._left:
                self._left.notify_all()

    async def _gets_in(self, who: str) -> bool:
        if self._has_room(who):
            self._inside[who] += 1
            return True
        if self._waiting >= MOST_WAITING:
            return False
        self._waiting += 1
        try:
            async with asyncio.timeout(LONGEST_QUEUE_S), self._left:
                await self._left.wait_for(lambda: self._has_room(who))
                self._inside[who] += 1
                return True
        except TimeoutError:
            return False
        finally:
            self._waiting -= 1

    def _has_room(self, who: str) -> bool:
        return self._inside.total() < MOST_INSIDE and self._inside[who] < MOST_INSIDE_EACH


class Guard:
    """ASGI middleware: safe headers on every answer, and nobody in who may not.

    Parameters
    ----------
    app : ASGI application
    authenticator : Authenticator or None
        None where no token is asked: then only loopback names are answered to.
    open_paths : tuple of str
        Beginnings of paths that need no entry.
    refuse : callable
        Gives the answer (an ASGI application) for a status code and a request.
    guest : callable
        The share that holds now for a word from a cookie, None when there is none.
    end : callable
        Ends what would hold the server up at its end; called from any thread.
    trusted_proxies : sequence of str
        Addresses and networks whose word about a visitor's address is believed.
    page_url : str, optional
        Where visitors reach the page: its origin is ours as well.
    """

    def __init__(
        self,
        app: ASGIApp,
        *,
        authenticator: Authenticator | None,
        open_paths: tuple[str, ...],
        refuse: Callable[[int, Request], ASGIApp],
        guest: Callable[[str], Share | None] = lambda _word: None,
        end: Callable[[], None] = lambda: None,
        trusted_proxies: Sequence[str] = LOOPBACK,
        page_url: str | None = None,
    ) -> None:
        self._trusted = tuple(network(each) for each in trusted_proxies)
        self._page_url = page_url
        self._app = app
        self._authenticator = authenticator
        self._open_paths = open_paths
        self._refuse = refuse
        self._guest = guest
        self._vestibule = Vestibule()
        self.end = end

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http":
            return

        async def send_safe(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                headers.update(SAFE_HEADERS)
                everybody = self._authenticator is None or scope["path"].startswith(
                    self._open_paths
                )
                headers.setdefault(
                    "cache-control", "no-cache" if everybody else "private, no-store"
                )
            await send(message)

        scope = self._seen(scope)
        request = Request(scope)
        status = await self._status(request)
        if status is None:
            await self._app(scope, receive, send_safe)
        elif status != _STRANGER:
            await self._refuse(status, request)(scope, receive, send_safe)
        elif await self._stranger(request, receive, send_safe):
            await self._app(scope, receive, send_safe)

    async def _stranger(self, request: Request, receive: Receive, send: Send) -> bool:
        """Answer one who is not known; True where the answer lasts and is still to be given."""
        path = request.scope["path"]
        async with self._vestibule.place(address_of(request)) as placed:
            refused = None
            if placed and not path.startswith(self._open_paths):
                refused = await self._guest_status(request)
            if placed and refused is None and path in _LASTING:
                return True
            answer = self._app if refused is None else self._refuse(refused, request)
            await (answer if placed else _FULL)(request.scope, receive, send)
        return False

    def _seen(self, scope: Scope) -> Scope:
        """The request as the visitor made it, before proxies."""
        peer = scope["client"] or ("", 0)
        who = visitor(peer[0], scope["scheme"], Headers(scope=scope), self._trusted)
        https = (self._page_url or "").startswith("https://")
        return {
            **scope,
            "client": (who.address, 0 if who.forwarded else peer[1]),
            "scheme": "https" if https else who.scheme,
            _PAGE_URL: self._page_url,
        }

    async def _status(self, request: Request) -> int | None:
        """Status of a refusal; None for one who is known, `_STRANGER` for one who may pass yet."""
        authenticator = self._authenticator
        if not _is_well_formed(request.headers):
            return 400
        if authenticator is None:
            name = (urlsplit(f"//{request.headers.get('host', '')}").hostname) or ""
            # A proxy that hands strangers on under our own name does not make them ours.
            ours = is_loopback(name) and is_loopback(address_of(request) or "localhost")
            return None if ours else 421
        if authenticator.knows(request.cookies.get(COOKIE, "")):
            return None
        # Not request.url: the name that the visitor says is ours is a part of that one.
        if request.scope["path"].startswith(self._open_paths):
            return _STRANGER
        kind, _, word = request.headers.get("authorization", "").partition(" ")
        if kind.lower() == "bearer":
            address = address_of(request)
            limited = authenticator.is_rate_limited(address)
            if authenticator.admits(word.strip(), address):
                return None
            if limited:
                await authenticator.slow_down(address)
            return 429 if limited else 401
        return _STRANGER if request.cookies.get(GUEST_COOKIE, "") else 401

    async def _guest_status(self, request: Request) -> int | None:
        """The same for one who is not known, but may hold a share."""
        word = request.cookies.get(GUEST_COOKIE, "")
        try:
            share = await run_in_threadpool(self._guest, word)
        except StorageError:
            return 503
        if share is None:
            return 401
        request.scope[_GUEST] = share
        return None if may_read(request.method, request.scope["path"]) else 403


def _is_well_formed(headers: Headers) -> bool:
    """Whether `Host` and `Origin`, where they are there, have a form that they can have."""
    hosts, origins = headers.getlist("host"), headers.getlist("origin")
    if len(hosts) > 1 or len(origins) > 1:
        return False
    return all(map(is_authority, hosts)) and all(map(is_origin, origins))


#: Bounds of what may be asked for.
SHORTEST, LONGEST = timedelta(hours=1), timedelta(days=366)
USUAL_DAYS = 14
LONGEST_NAME = 80
MOST_SHARES = 200
SHARE_PATH = "/share/"

#: What the holder of a share may read: these paths, and all that begins so. Whatever else
#: there is, and all that will be added, is not for them: notices above all, which
#: ``/data/changes.json`` holds as well.
_FOR_GUESTS = frozenset({
    "/", "/windows", "/sites", "/limits", "/learned", "/plans", "/data", "/live",
    "/data/cycle.json", "/data/hours.json", "/data/hours.csv", "/data/windows.json",
    "/data/windows.ics", "/data/footprints.geojson", "/data/openapi.json",
    "/data/flight.geojson", "/data/flight.kml", "/data/drive.gpx", "/data/map.png",
    "/survey", "/data/survey.json",
})  # fmt: skip
_BEGIN_FOR_GUESTS = ("/hour/", "/windows/", "/plans/", "/survey/")
#: Of these, what leads to a form.
_NOT_FOR_GUESTS = frozenset({"/plans/new"})


@dataclass(frozen=True)
class NewShare:
    """A share that was just made, with the one showing of its address.

    `path` is to be put behind the page's own address; it cannot be shown again.
    """

    share: Share
    path: str


def make_share(
    store: Store, watch: str, name: str, lasts: timedelta, now_utc: datetime, secret: str
) -> NewShare:
    """Make a link that lets others read.

    Parameters
    ----------
    store : Store
    watch : str
    name : str
        Whom it is for.
    lasts : timedelta
        After that it ends by itself.
    now_utc : datetime
    secret : str
        The word that it carries, see `new_secret`; only its hash is stored.

    Raises
    ------
    InputError
        If name or length are out of bounds, or there are too many that still hold.
    StorageError
        If the database refuses.
    """
    name = name.strip()
    if not 0 < len(name) <= LONGEST_NAME or not name.isprintable():
        raise InputError(f"say in 1 to {LONGEST_NAME} letters whom the link is for")
    if not SHORTEST <= lasts <= LONGEST:
        raise InputError(f"a link lasts from one hour to {LONGEST.days} days")
    if sum(share.holds(now_utc) for share in store.shares(watch)) >= MOST_SHARES:
        raise InputError(f"{MOST_SHARES} links hold already: revoke some first")
    share = store.save_share(
        watch,
        token_sha256=hashed(secret),
        name=name,
        made_utc=now_utc,
        expires_utc=now_utc + lasts,
    )
    return NewShare(share, f"{SHARE_PATH}{secret}")


def new_secret() -> str:
    """A word by chance, of 256 bits."""
    return secrets.token_urlsafe(32)


def may_read(method: str, path: str) -> bool:
    """Whether a share's holder may have an answer."""
    known = path in _FOR_GUESTS or path.startswith(_BEGIN_FOR_GUESTS)
    return known and path not in _NOT_FOR_GUESTS and method in {"GET", "HEAD"}


#: Longer forms are not read. [byte]
LONGEST_FORM = 4096
#: Most forms have fewer fields.
MOST_FIELDS = 5
#: A form that has not come whole after so long is given up. [s]
LONGEST_WAIT_S = 10.0


class FormError(Exception):
    """A form that is not taken; `status` and words for its sender."""

    def __init__(self, status: int, words: str) -> None:
        super().__init__(words)
        self.status = status
        self.words = words


async def posted(
    request: Request, most_fields: int = MOST_FIELDS, longest: int = LONGEST_FORM
) -> dict[str, str]:
    """Fields of a form, the first value of each; one of more bytes than `longest` is not read.

    Raises
    ------
    FormError
        If it comes from a page of somebody else, or is too long.
    """
    page_url, origin = request.scope.get(_PAGE_URL), request.headers.get("origin", "")
    by_name = page_url is not None and _authority(origin) == _authority(page_url)
    if not by_name and not same_origin(request.headers):
        raise FormError(403, "That form did not come from this page.")
    body = b""
    try:
        async with asyncio.timeout(LONGEST_WAIT_S):
            async for part in request.stream():
                body += part
                if len(body) > longest:
                    raise FormError(413, "That is too long.")
    except TimeoutError:
        raise FormError(408, "That came too slowly.") from None
    try:
        fields = parse_qs(body.decode("utf-8", "replace"), max_num_fields=most_fields)
    except ValueError:
        raise FormError(400, "That form has too many fields.") from None
    return {name: values[0] for name, values in fields.items()}


class CsrfTokens:
    """CSRF tokens: a word for each visitor that only pages of ours know, so no other page can post.

    It is made from a secret of this start and from what the visitor's cookie says, so that
    nobody can read it on a page of his own and use it in another visitor's name.
    """

    def __init__(self) -> None:
        self._key = secrets.token_bytes(32)

    def word(self, visitor: str) -> str:
        """What a form for a visitor carries; `visitor` is the secret of the cookie, or empty."""
        return hmac.new(self._key, visitor.encode(), "sha256").hexdigest()

    def check(self, fields: dict[str, str], visitor: str) -> None:
        """Raise FormError unless the form carries the visitor's word."""
        given = fields.get("csrf", "").encode()
        if not hmac.compare_digest(given, self.word(visitor).encode()):
            raise FormError(403, "That form is from before the last start; load the page anew.")
