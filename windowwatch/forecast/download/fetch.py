"""The one door to HTTP: bytes of a file, politely, or a named error. Nothing waits for ever.

Rules, by what a host answers:

* **404** not there yet; no fault of anybody (`NotYetError`).
* **302, 403, 429, 503 with Retry-After, a web page in place of data** it limits us: the whole
  host rests, as long as ``Retry-After`` says, else by growing pauses; after a third refusal for
  longer than one would wait (`HostRefusedError`). Answers to questions that were on their way
  together count once. (NOMADS has limited by 302 since 2026, others by 429 and 503.)
* **301, 308** it has moved for good: no redirect is followed; the new place is named.
* **other 5xx, cut bodies, resets, time-outs, slow drips** tried again with growing, jittered
  pauses, a bounded number of times (`SourceError`).
* **200 to a byte range** the host ignores ranges and would send the whole file: closed at the
  first bytes, and not asked for ranges again by this process (`HostRefusedError`).
* Many failures in a row open a **circuit breaker**: the host rests, others are asked.

Answers can be recorded, so that a test can hear them again. The folder holds ``answers.jsonl``,
one line an answer in the order in which they were asked for, and ``bodies/``, one file for each
body that is kept: text and small messages whole, of anything longer the length and the SHA-256
alone. What could be a secret never gets that far: values of a query that are named like one,
names and passwords before a host, and every header but those of `HEADERS`.
"""

import hashlib
import json
import threading
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import datetime
from email.utils import parsedate_to_datetime
from pathlib import Path
from random import Random
from types import TracebackType
from typing import Any, BinaryIO, Self, TypeVar
from urllib.parse import parse_qsl, urlencode, urlsplit, urlunsplit

import httpx

from windowwatch.clock import Clock, require_utc
from windowwatch.errors import InputError, SourceError
from windowwatch.forecast.download.wanted import Part

Result = TypeVar("Result")

_LONGEST_TEXT_BYTES = 64 << 20
#: Answers by which hosts limit; by which they say that they have moved.
_LIMITS, _MOVED = (302, 303, 307, 403, 429), (301, 308)
#: Of a refusal's own page so much is recorded. [byte]
_PAGE_BYTES = 4096
#: Requests a minute that a host's owner allows, and a little less: NOMADS 120 (National Weather
#: Service, service change notice 21-32), for everything that is asked there together.
_PACES: Mapping[str, float] = {"nomads.ncep.noaa.gov": 100.0}

#: Headers of an answer that say how a host behaves, and carry no secret.
HEADERS = frozenset(
    {"accept-ranges", "age", "cache-control", "connection", "content-encoding"}
    | {"content-length", "content-range", "content-type", "date", "etag", "expires"}
    | {"last-modified", "retry-after", "server", "transfer-encoding", "via", "x-cache"}
)
#: What stands for a value that is left out.
LEFT_OUT = "LEFT-OUT"
#: Parts of a query's names that tell of a secret.
_SECRET = ("token", "key", "sig", "secret", "pass", "pwd", "auth", "cred", "session", "code", "x-")
#: Longer bodies, and bodies beyond this together, are only measured. [byte]
LONGEST_BODY, ALL_BODIES = 4 << 20, 512 << 20


class NotYetError(SourceError):
    """The host has no such file, or not yet."""


class HostRefusedError(SourceError):
    """The host will not serve us, for now or for good; ask another one."""


class FetchStoppedError(SourceError):
    """The program is to end; nothing half fetched is kept."""


class _AgainError(Exception):
    """Worth another try, after at least `pause_s`."""

    def __init__(self, words: str, pause_s: float = 0.0, refused: bool = False) -> None:
        super().__init__(words)
        self.words, self.pause_s, self.refused = words, pause_s, refused


def without_secrets(url: str) -> str:
    """Leave out of an address what could be a secret.

    Examples
    --------
    >>> without_secrets("https://me:pw@host.example/a.idx?token=abc&step=3")
    'https://host.example/a.idx?token=LEFT-OUT&step=3'
    """
    parts = urlsplit(url)
    query = [
        (name, LEFT_OUT if any(word in name.lower() for word in _SECRET) else value)
        for name, value in parse_qsl(parts.query, keep_blank_values=True)
    ]
    host = parts.netloc.rpartition("@")[2]
    said = urlencode(query) if query else ""
    return urlunsplit((parts.scheme, host, parts.path, said, ""))


class Recorder:
    """Writes answers into a folder; may be shared by threads.

    Parameters
    ----------
    folder : Path
        New, or empty.
    now : callable
        Present time, aware UTC.

    Raises
    ------
    InputError
        If there is something in the folder already, or it cannot be made.
    """

    def __init__(self, folder: Path, now: Callable[[], datetime]) -> None:
        self._folder, self._now = folder, now
        self._lock = threading.Lock()
        self._count, self._bytes = 0, 0
        try:
            (folder / "bodies").mkdir(parents=True, exist_ok=True)
            others = {path.name for path in folder.iterdir()} - {"bodies"}
            full = bool(others) or any((folder / "bodies").iterdir())
        except OSError as error:
            raise InputError(f"{folder}: cannot be recorded into ({error})") from error
        if full:
            raise InputError(f"{folder}: holds something already; give a new or an empty folder")

    def begin(self, url: str, headers: Iterable[tuple[str, str]]) -> "Note":
        """Begin to write down one question and its answer."""
        with self._lock:
            self._count += 1
            number = self._count
        asked = {name: value for name, value in headers if name.lower() == "range"}
        line = {"number": number, "asked_utc": self._now().isoformat()}
        return Note(self, url, {**line, "url": without_secrets(url), "headers_asked": asked})

    def keep(self, line: dict[str, Any], body: bytes | None) -> None:
        """Write one answer; without room for its body only how long that was."""
        with self._lock:
            if body is not None and self._bytes + len(body) <= ALL_BODIES:
                self._bytes += len(body)
                line["body"] = f"bodies/{line['number']:06d}"
                (self._folder / line["body"]).write_bytes(body)
            with (self._folder / "answers.jsonl").open("a", encoding="utf-8") as file:
                file.write(json.dumps(line) + "\n")


class Note:
    """One question and its answer while they are under way; written when it is left."""

    def __init__(self, recorder: Recorder | None, url: str, line: dict[str, Any]) -> None:
        self._recorder, self._url, self._line = recorder, url, line
        self._body, self._size, self._sum = bytearray(), 0, hashlib.sha256()

    @property
    def listens(self) -> bool:
        """Whether anybody wants to know."""
        return self._recorder is not None

    def answered(self, status: int, headers: Iterable[tuple[str, str]]) -> None:
        """Hear status and headers."""
        kept: dict[str, str] = {}
        for name, value in headers:
            lower = name.lower()
            if lower == "location":
                kept[lower] = without_secrets(value)
            else:
                kept[lower] = value if lower in HEADERS else LEFT_OUT
        self._line |= {"status": status, "headers": kept}

    def take(self, chunk: bytes) -> None:
        """Hear bytes of the body."""
        if self._recorder is None:
            return
        self._size += len(chunk)
        self._sum.update(chunk)
        if self._size <= LONGEST_BODY:
            self._body += chunk

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        _kind: type[BaseException] | None,
        error: BaseException | None,
        _trace: TracebackType | None,
    ) -> None:
        if self._recorder is None:
            return
        if error is not None:
            said = getattr(error, "message", None) or str(error)
            words = f"{type(error).__name__}: {said}"
            self._line["error"] = words.replace(self._url, without_secrets(self._url))
        self._line |= {"size_bytes": self._size, "sha256": self._sum.hexdigest()}
        self._recorder.keep(self._line, bytes(self._body) if self._size <= LONGEST_BODY else None)


@dataclass(frozen=True)
class RetryPolicy:
    """Time-outs, tries, pauses and rests: how hosts are treated. Common practice, no source. [s]

    Parameters
    ----------
    connect_s, read_s, whole_s : float
        Time-outs: to connect, for the next bytes, for one whole body.
    tries : int
        Attempts for one request.
    first_pause_s, longest_pause_s : float
        Pauses between them double from the first up to the longest; a host that asks for
        more than the longest is left alone for that long.
    breaker_failures, breaker_rest_s : int, float
        After so many failures in a row a host rests so long.
    paces : mapping of str to float
        Requests a minute, by host; those of the others are not limited here.
    """

    connect_s: float = 10.0
    read_s: float = 30.0
    whole_s: float = 300.0
    tries: int = 6
    first_pause_s: float = 1.0
    longest_pause_s: float = 60.0
    breaker_failures: int = 12
    breaker_rest_s: float = 600.0
    paces: Mapping[str, float] = field(default_factory=lambda: _PACES)


@dataclass(frozen=True)
class World:
    """What a fetcher is given of the outside: time, chance, and when to end.

    `tick` counts seconds and never runs back; `sleep` returns early when the program is to
    end.
    """

    clock: Clock
    tick: Callable[[], float]
    sleep: Callable[[float], object]
    random: Random
    stopping: Callable[[], bool] = lambda: False


@dataclass
class _Host:
    """What is known of one host; shared by all threads."""

    name: str
    lock: threading.Lock = field(default_factory=threading.Lock)
    failures: int = 0
    refusals: int = 0
    refused_s: float = 0.0
    rests_until: float = 0.0
    why: str = ""
    ignores_ranges: bool = False
    next_turn: float = 0.0


class Fetcher:
    """Fetches over HTTP; may be shared by threads. Close it at the end.

    Parameters
    ----------
    retry_policy : RetryPolicy
    world : World
    recorder : Recorder, optional
        Hears every answer.
    """

    def __init__(
        self, retry_policy: RetryPolicy, world: World, recorder: Recorder | None = None
    ) -> None:
        self._retry_policy, self._world, self._recorder = retry_policy, world, recorder
        self._hosts: dict[str, _Host] = {}
        self._lock = threading.Lock()
        self.requests = self.received_bytes = 0
        timeout = httpx.Timeout(
            retry_policy.read_s, connect=retry_policy.connect_s, pool=retry_policy.whole_s
        )
        self._client = httpx.Client(
            timeout=timeout,
            follow_redirects=False,
            headers={"Accept-Encoding": "identity", "User-Agent": "windowwatch"},
        )

    def close(self) -> None:
        """Close all connections."""
        self._client.close()

    def resting(self, url: str, *, ranges: bool = False) -> str | None:
        """Why the host of a URL is left alone at present; None if it is not.

        `ranges` says that byte ranges are what one would ask it for.
        """
        host = self._host(url)
        with host.lock:
            waits = host.rests_until - self._world.tick()
            alone = waits > self._retry_policy.longest_pause_s or (ranges and host.ignores_ranges)
            return host.why if alone else None

    def text(
        self, url: str, *, per_minute: float | None = None, most_bytes: int | None = None
    ) -> str:
        """A small text, for example an index; of a long one its whole lines within `most_bytes`.

        Raises
        ------
        NotYetError, HostRefusedError, SourceError
            See the head of this module.
        """

        def receive(response: httpx.Response) -> str:
            whole = bytearray()
            for chunk in self._chunks(response):
                whole += chunk
                if most_bytes is not None and len(whole) > most_bytes:
                    del whole[whole.rfind(b"\n", 0, most_bytes) + 1 :]
                    break
                if len(whole) > _LONGEST_TEXT_BYTES:
                    raise SourceError(f"{url}: is far too long for an index")
            _refuse_page(whole, "an index")
            return whole.decode("utf-8", "replace")

        return self._ask(url, {}, receive, per_minute)

    def body(self, url: str, sink: BinaryIO, *, per_minute: float | None = None) -> None:
        """A whole GRIB body, written to `sink` from where it stands."""
        start = sink.tell()

        def receive(response: httpx.Response) -> None:
            _back_to(sink, start)
            head = b""
            for chunk in self._chunks(response):
                if len(head) < 4:
                    head = (head + chunk)[:64]
                    _refuse_page(head, "GRIB")
                    if len(head) >= 4 and head[:4] != b"GRIB":
                        raise _AgainError(f"sends {_looks(head)} in place of GRIB")
                sink.write(chunk)
            if len(head) < 4:
                raise _AgainError("sends nothing")

        self._ask(url, {}, receive, per_minute)

    def range(
        self, url: str, part: Part, sink: BinaryIO, *, per_minute: float | None = None
    ) -> None:
        """A range of bytes, written to `sink` from where it stands.

        Raises
        ------
        SourceError
            As `text`, and if the range lies beyond the file's end: its index is stale.
        HostRefusedError
            As `text`, and if the host ignores ranges.
        """
        host = self._host(url)
        if host.ignores_ranges:
            raise HostRefusedError(f"{host.name}: {host.why}", retry=True)
        start = sink.tell()
        end = "" if part.length is None else str(part.offset + part.length - 1)

        def receive(response: httpx.Response) -> None:
            chunks = self._chunks(response)
            first = next(chunks, b"")
            _refuse_page(first, "GRIB")
            if response.status_code != 206:
                host.ignores_ranges = True
                host.why = "ignores byte ranges and would send whole files; it is not asked again"
                raise HostRefusedError(f"{host.name}: {host.why}", retry=True)
            said = response.headers.get("Content-Range", "")
            if not said.startswith(f"bytes {part.offset}-{end}"):
                raise _AgainError(f"sends another range ({said or 'not said which'})")
            _back_to(sink, start)
            sink.write(first)
            for chunk in chunks:
                sink.write(chunk)
            got = sink.tell() - start
            if got == 0 or (part.length is not None and got != part.length):
                raise _AgainError(f"sends {got} bytes where {part.length} were due")

        self._ask(url, {"Range": f"bytes={part.offset}-{end}"}, receive, per_minute)

    def _ask(
        self,
        url: str,
        headers: Mapping[str, str],
        receive: Callable[[httpx.Response], Result],
        per_minute: float | None,
    ) -> Result:
        """Ask until it works, it is known that it will not, or patience ends."""
        host = self._host(url)
        words = ""
        for attempt in range(self._retry_policy.tries):
            self._wait_turn(host, per_minute)
            sent_s = self._world.tick()
            try:
                result = self._once(url, headers, host, receive)
            except _AgainError as again:
                words, pause_s = again.words, again.pause_s
                if again.refused:
                    self._refused(host, again, sent_s, last=attempt + 1 == self._retry_policy.tries)
            except httpx.TimeoutException as error:
                words, pause_s = f"does not answer in time ({type(error).__name__})", 0.0
            except (httpx.HTTPError, httpx.StreamError) as error:
                words, pause_s = f"{error or type(error).__name__}".rstrip("."), 0.0
            except httpx.InvalidURL as error:
                raise SourceError(f"{url}: is no address ({error}); fix it") from error
            else:
                with host.lock:
                    host.failures = host.refusals = 0
                return result
            self._failed(host, words)
            if attempt + 1 < self._retry_policy.tries:
                self._pause(max(pause_s, self._growing(attempt)))
        raise SourceError(
            f"{url}: {words}; given up after {self._retry_policy.tries} tries", retry=True
        )

    def _once(
        self,
        url: str,
        headers: Mapping[str, str],
        host: _Host,
        receive: Callable[[httpx.Response], Result],
    ) -> Result:
        """One question and its answer, written down where somebody listens."""
        recorder = self._recorder
        note = Note(None, url, {}) if recorder is None else recorder.begin(url, headers.items())
        with note, self._client.stream("GET", url, headers=headers) as response:
            note.answered(response.status_code, response.headers.items())
            response.extensions["note"] = note
            if note.listens and response.status_code not in (200, 206):
                self._hear_page(response)
            self._judge(response, host, url)
            return receive(response)

    def _hear_page(self, response: httpx.Response) -> None:
        """Have the beginning of a refusal's own page recorded; it often says why."""
        heard = 0
        with suppress(_AgainError, httpx.HTTPError, httpx.StreamError):
            for chunk in self._chunks(response):
                heard += len(chunk)
                if heard >= _PAGE_BYTES:
                    return

    def _judge(self, response: httpx.Response, host: _Host, url: str) -> None:
        """Turn every answer but a good one into what it means."""
        code = response.status_code
        if code in (200, 206):
            return
        if code in (404, 410):
            with host.lock:
                host.failures = 0
            raise NotYetError(f"{url}: is not there, or not yet", retry=True)
        if code == 416:
            raise SourceError(f"{url}: is shorter than its index says; it is stale", retry=True)
        wait_s = self._retry_after(response)
        if code in _MOVED or code in _LIMITS:
            words = f"refuses us (HTTP {code})"
            if code in _MOVED:
                words = f"has moved this{_whither(response)} (HTTP {code}); write the new address "
                words += "in the settings"
                wait_s = self._retry_policy.breaker_rest_s
            elif code < 400:
                words = f"sends us away{_whither(response)} (HTTP {code}), as hosts do that limit"
            raise _AgainError(words, wait_s or 0.0, refused=True)
        if code == 503 and wait_s is not None:
            raise _AgainError(f"is overloaded (HTTP {code})", wait_s, refused=True)
        if code >= 500 or code == 408:
            raise _AgainError(f"answers HTTP {code}", min(wait_s or 0.0, self._longest))
        raise SourceError(f"{url}: answers HTTP {code}; check the address in the settings")

    @property
    def _longest(self) -> float:
        return self._retry_policy.longest_pause_s

    def _refused(self, host: _Host, again: _AgainError, sent_s: float, *, last: bool) -> None:
        """Let the whole host rest; raise when that is longer than one waits, or was the last try.

        What was asked before the host last refused says nothing new.
        """
        wait_s, words = again.pause_s, again.words
        with host.lock:
            if sent_s >= host.refused_s:
                host.refusals, host.refused_s = host.refusals + 1, self._world.tick()
            rest_s = wait_s or min(self._growing(host.refusals), self._longest)
            if host.refusals >= 3 and not wait_s:
                rest_s = self._retry_policy.breaker_rest_s
            self._rest(host, rest_s, words)
            too_long = rest_s > self._longest or host.refusals >= 6 or last
        if too_long:
            raise HostRefusedError(f"{host.name}: {host.why}", retry=True)

    def _failed(self, host: _Host, words: str) -> None:
        with host.lock:
            host.failures += 1
            if host.failures >= self._retry_policy.breaker_failures:
                host.failures = 0
                self._rest(host, self._retry_policy.breaker_rest_s, f"{words}, again and again")

    def _rest(self, host: _Host, rest_s: float, words: str) -> None:
        host.rests_until = max(host.rests_until, self._world.tick() + rest_s)
        host.why = f"{words}; left alone for {rest_s:.0f} s"

    def _wait_turn(self, host: _Host, per_minute: float | None) -> None:
        """Wait while the host rests, and for our turn where its pace is limited."""
        with host.lock:
            now = self._world.tick()
            wait_s = host.rests_until - now
            if wait_s > self._longest:
                raise HostRefusedError(f"{host.name}: {host.why}", retry=True)
            owners = self._retry_policy.paces.get(host.name)
            paces = [pace for pace in (per_minute, owners) if pace is not None]
            if paces:
                turn = max(host.next_turn, now, host.rests_until)
                host.next_turn = turn + 60.0 / min(paces)
                wait_s = turn - now
            self.requests += 1
        self._pause(wait_s)

    def _pause(self, seconds: float) -> None:
        if self._world.stopping():
            raise FetchStoppedError("fetching was stopped", retry=True)
        if seconds > 0.0:
            self._world.sleep(seconds)

    def _growing(self, attempt: int) -> float:
        """Pause after an attempt: doubled each time, and anywhere in its upper half. [s]"""
        full = min(self._retry_policy.first_pause_s * 2.0**attempt, self._longest)
        return full * (0.5 + 0.5 * self._world.random.random())

    def _chunks(self, response: httpx.Response) -> Iterator[bytes]:
        """Bytes of a body as they come in, so that a slow drip is seen, while in time."""
        deadline = self._world.tick() + self._retry_policy.whole_s
        note = response.extensions["note"]
        for chunk in response.iter_raw():
            note.take(chunk)
            self.received_bytes += len(chunk)
            if self._world.stopping():
                raise FetchStoppedError("fetching was stopped", retry=True)
            if self._world.tick() > deadline:
                raise _AgainError(f"sends too slowly, over {self._retry_policy.whole_s:.0f} s")
            yield chunk

    def _retry_after(self, response: httpx.Response) -> float | None:
        """What Retry-After asks for: seconds, or a date (RFC 9110, 10.2.3). [s]"""
        said = response.headers.get("Retry-After", "").strip()
        if said.isdigit():
            return float(said)
        with suppress(ValueError, TypeError):
            until = require_utc(parsedate_to_datetime(said))
            return max(0.0, (until - self._world.clock.now()).total_seconds())
        return None

    def _host(self, url: str) -> _Host:
        name = url.split("/", 3)[2] if url.count("/") >= 2 else url
        with self._lock:
            return self._hosts.setdefault(name, _Host(name))


def _back_to(sink: BinaryIO, start: int) -> None:
    """Throw away what a failed attempt wrote."""
    sink.seek(start)
    sink.truncate()


def _refuse_page(head: bytes | bytearray, due: str) -> None:
    """Refuse a web page; no index and no GRIB file begins like one."""
    if head[:64].lstrip()[:1] == b"<":
        raise _AgainError(f"answers with a web page in place of {due}", refused=True)


def _whither(response: httpx.Response) -> str:
    """Where an answer would send us, in words."""
    said = response.headers.get("Location", "")
    return f" to {without_secrets(said).partition('?')[0]}" if said else ""


def _looks(head: bytes) -> str:
    return repr(head[:8].decode("ascii", "backslashreplace"))
