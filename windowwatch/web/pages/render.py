"""Templates to HTML: the only module that knows Jinja2; and a cache of pages, compressed once."""

import gzip
import hashlib
import threading
from collections.abc import Callable, Hashable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import Response

from windowwatch.drawing.svg import hatches_svg, map_svg, samples_svg
from windowwatch.wording import page as words
from windowwatch.wording.credits import (
    credit_lines,
    gathered,
    in_sight,
    weather_credits,
)
from windowwatch.wording.gaps import notes_words


class Pages:
    """Renders templates; everything put into them is escaped."""

    def __init__(self) -> None:
        self._templates = Environment(
            loader=PackageLoader("windowwatch.web"),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
            auto_reload=False,
        )
        self._templates.globals.update(
            credits=credit_lines,
            hatches=_as_it_is(hatches_svg),
            map=_as_it_is(map_svg),
            samples=lambda view: [(Markup(svg), text) for svg, text in samples_svg(view)],
        )
        self._templates.filters.update(
            gathered=gathered,
            in_sight=in_sight,
            weather_credits=weather_credits,
            touched=words.touched_words,
            score=words.score_words,
            chance=words.chance_words,
            km=words.km_words,
            utc=words.utc_words,
            lasting=words.length_words,
            noted=notes_words,
        )

    def render(self, name: str, **values: Any) -> str:
        """HTML of a template."""
        return self._templates.get_template(name).render(**values)


def _as_it_is(drawn: Callable[..., str]) -> Callable[..., Markup]:
    """What draws escapes its texts itself."""
    return lambda *values: Markup(drawn(*values))


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
