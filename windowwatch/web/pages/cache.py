"""The page cache: pages compressed once, as long as what they were made for stays."""

import gzip
import hashlib
import threading
from collections.abc import Callable, Hashable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

from starlette.requests import Request
from starlette.responses import Response

#: Pages that are kept at the same time: few, for few are looked at by many.
MOST_PAGES = 16


@dataclass(frozen=True)
class _Made:
    content: bytes
    packed: bytes
    etag: str


class PageCache:
    """A cache of pages that many look at; may be shared by threads."""

    def __init__(self) -> None:
        self._lock, self._making = threading.Lock(), threading.Lock()
        self._made: dict[Hashable, _Made] = {}
        self._last: dict[Hashable, _Made] = {}

    def answer(
        self,
        request: Request,
        made_for: Hashable,
        make: Callable[[], bytes],
        *,
        same: Hashable,
        media: str = "text/html",
        more: Mapping[str, str] = MappingProxyType({}),
    ) -> Response:
        """The page kept for `made_for`, made if it is not there; 304 to one who has it already.

        Only one thread makes a page. Others get the last one of the `same` results meanwhile,
        where there is one, and wait for it otherwise. `media` and `more` are the kind of what
        `make` makes, and further headers.
        """
        made = self._found(made_for) or self._new(made_for, make, same)
        headers = {**more, "etag": made.etag, "vary": "Accept-Encoding"}
        known = request.headers.get("if-none-match", "")
        if made.etag in {each.strip() for each in known.split(",")}:
            return Response(status_code=304, headers=headers)
        if "gzip" in request.headers.get("accept-encoding", ""):
            headers["content-encoding"] = "gzip"
            return Response(made.packed, headers=headers, media_type=media)
        return Response(made.content, headers=headers, media_type=media)

    def _found(self, made_for: Hashable) -> _Made | None:
        with self._lock:
            return self._made.get(made_for)

    def _new(self, made_for: Hashable, make: Callable[[], bytes], same: Hashable) -> _Made:
        if not self._making.acquire(blocking=False):
            with self._lock:
                last = self._last.get(same)
            if last is not None:
                return last
            self._making.acquire()
        try:
            found = self._found(made_for)
            if found is not None:
                return found
            content = make()
            etag = f'W/"{hashlib.sha256(content).hexdigest()[:20]}"'
            made = _Made(content, gzip.compress(content, 6, mtime=0), etag)
            with self._lock:
                _keep(self._made, made_for, made)
                _keep(self._last, same, made)
            return made
        finally:
            self._making.release()


def _keep(pages: dict[Hashable, _Made], key: Hashable, made: _Made) -> None:
    pages.pop(key, None)
    pages[key] = made
    while len(pages) > MOST_PAGES:
        del pages[next(iter(pages))]
