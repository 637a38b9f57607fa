"""Pages kept as they were made, compressed once, as long as what they were made for stays."""

import gzip
import hashlib
import threading
from collections.abc import Callable, Hashable
from dataclasses import dataclass

from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

#: Pages that are kept at the same time: few, for few are looked at by many.
MOST_KEPT = 16


@dataclass(frozen=True)
class _Made:
    html: bytes
    packed: bytes
    etag: str


class Kept:
    """Keeps pages that many look at; may be shared by threads."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._made: dict[Hashable, _Made] = {}

    def answer(self, request: Request, made_for: Hashable, make: Callable[[], bytes]) -> Response:
        """The page kept for `made_for`, made if it is not there; 304 to one who has it already.

        Only one thread makes a page, others wait for it.
        """
        with self._lock:
            made = self._made.get(made_for)
            if made is None:
                html = make()
                packed = gzip.compress(html, 6, mtime=0)
                etag = f'W/"{hashlib.sha256(html).hexdigest()[:20]}"'
                made = self._made[made_for] = _Made(html, packed, etag)
                while len(self._made) > MOST_KEPT:
                    del self._made[next(iter(self._made))]
        headers = {"etag": made.etag, "vary": "Accept-Encoding"}
        known = request.headers.get("if-none-match", "")
        if made.etag in {each.strip() for each in known.split(",")}:
            return Response(status_code=304, headers=headers)
        if "gzip" in request.headers.get("accept-encoding", ""):
            headers["content-encoding"] = "gzip"
            return HTMLResponse(made.packed, headers=headers)
        return HTMLResponse(made.html, headers=headers)
