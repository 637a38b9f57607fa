"""What providers answered, written down as it came, so that a test can hear it again. No secrets.

A recorded folder holds ``answers.jsonl``, one line an answer in the order in which they were
asked for, and ``bodies/``, one file for each body that is kept: text and small messages whole,
of anything longer the length and the SHA-256 alone. What could be a secret never gets that far:
values of a query that are named like one, names and passwords before a host, and every header
but those of `HEADERS`.
"""

import hashlib
import json
import threading
from collections.abc import Callable, Iterable
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self
from urllib.parse import parse_qsl, urlencode, urlsplit, urlunsplit

from windowwatch.errors import InputError

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
