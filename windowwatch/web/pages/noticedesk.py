"""The pages of notices, and saying that one knows of one: the only thing readers ever write."""

from collections.abc import Callable, Sequence

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from windowwatch.clock import Clock
from windowwatch.scoring.detail import Drive
from windowwatch.web.access.forms import CsrfTokens, FormError, posted
from windowwatch.web.access.guard import COOKIE
from windowwatch.web.pages.listing import NoticeRow, notice_row
from windowwatch.web.pages.routes import Page
from windowwatch.web.reading import Reader
from windowwatch.web.values import Facts
from windowwatch.windows.values import Change, Window

#: Notices on one page; all are in the data.
MOST_NOTICES = 60
LONGEST_NAME = 80


class NoticeRoutes:
    """Shows notices of one watch, and takes acknowledgements.

    Parameters
    ----------
    reader : Reader
    facts : Facts
    clock : Clock
    csrf : CsrfTokens
    page, problem : callable
        Make a page; make one of a title and a text, with a status.
    """

    def __init__(
        self,
        reader: Reader,
        facts: Facts,
        clock: Clock,
        csrf: CsrfTokens,
        *,
        page: Page,
        problem: Callable[[str, str, int], Response],
    ) -> None:
        self._reader, self._facts, self._clock, self._csrf = reader, facts, clock, csrf
        self._page, self._problem = page, problem
        self.routes = [
            Route("/notices", self.notices),
            Route("/notices/{key}/known", self.acknowledge, methods=["POST"]),
        ]

    def notices(self, request: Request) -> Response:
        """Notices that wait, and those that were told."""
        rows = self.rows(self._reader.changes(MOST_NOTICES))
        return self._page(
            request,
            "notices.html",
            self._reader.newest(),
            waiting=[row for row in rows if row.pending],
            told=[row for row in rows if not row.pending],
            more=max(0, self._reader.count_changes() - MOST_NOTICES),
            csrf=self.word(request),
        )

    def word(self, request: Request) -> str:
        """What forms on a visitor's pages carry."""
        return self._csrf.word(request.cookies.get(COOKIE, ""))

    def rows(self, changes: Sequence[Change]) -> tuple[NoticeRow, ...]:
        """Notices of some changes, the newest first."""
        sites = {site.name: site for site in self._facts.sites}
        store = self._reader.store
        known = store.acknowledgements([change.key for change in changes])
        return tuple(
            notice_row(
                change,
                store.deliveries(change.key),
                sites,
                known.get(change.key),
                self._drive(change.after),
            )
            for change in reversed(changes)
        )

    def _drive(self, window: Window | None) -> Drive | None:
        """The drive that stood in a notice, while it is kept."""
        if window is None:
            return None
        detail = self._reader.detail(window.cycle_id, window.site, window.best_hour_utc)
        return None if detail is None else detail.drive

    async def acknowledge(self, request: Request) -> Response:
        """Somebody knows of a notice."""
        key = request.path_params["key"]
        try:
            fields = await posted(request)
            self._csrf.check(fields, request.cookies.get(COOKIE, ""))
        except FormError as error:
            return self._problem("Refused", error.words, error.status)
        by_whom = fields.get("by", "").strip()
        if not 0 < len(by_whom) <= LONGEST_NAME or not by_whom.isprintable():
            return self._problem("Whose?", "Give the name of who knows of it.", 400)
        if not await run_in_threadpool(self._is_known, key, by_whom):
            raise HTTPException(404)
        return RedirectResponse(f"/notices#{key}", 303)

    def _is_known(self, key: str, by_whom: str) -> bool:
        """Store an acknowledgement; False when this watch has no such change."""
        if not self._reader.has_change(key):
            return False
        self._reader.store.acknowledge(key, by_whom=by_whom, now_utc=self._clock.now())
        return True
