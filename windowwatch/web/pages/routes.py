"""The pages of launch hours and notices, the movable map (Leaflet), and knowing of a notice."""

from collections.abc import Callable, MutableMapping, Sequence
from datetime import datetime
from importlib.metadata import version
from importlib.resources import files
from typing import Any, Protocol

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.routing import BaseRoute, Mount, Route
from starlette.staticfiles import StaticFiles

from windowwatch.clock import Clock
from windowwatch.forecast.cycle import Cycle
from windowwatch.scoring.values import Drive, Hour, HourDetail, Site
from windowwatch.web.access.guard import COOKIE, CsrfTokens, FormError, posted
from windowwatch.web.draw.layers import map_layers
from windowwatch.web.pages.hourview import hour_view
from windowwatch.web.pages.learned import learned_view
from windowwatch.web.pages.limits import limits_view
from windowwatch.web.pages.listing import NoticeRow, notice_row
from windowwatch.web.reading import Reader, Snapshot
from windowwatch.web.values import Facts, from_stamp, site_keys
from windowwatch.windows.standing import week
from windowwatch.windows.values import Change, Window

_Story = list[tuple[Cycle, Hour | None]]


class Page(Protocol):
    """Makes a page from a template, with what stands on all of them."""

    def __call__(
        self, request: Request, name: str, snapshot: Snapshot | None, **values: object
    ) -> Response:
        """Answer with the page."""
        ...


class HourRoutes:
    """Shows launch hours of one watch."""

    def __init__(self, reader: Reader, facts: Facts, clock: Clock, page: Page) -> None:
        self._reader = reader
        self._facts = facts
        self._clock = clock
        self._page = page
        self.routes: list[BaseRoute] = [
            Route("/hour/{site}/{time}", self.hour),
            Route("/limits", self.limits),
            Route("/learned", self.learned),
            Route("/hour/{site}/{time}/layers.json", self.layers),
            leaflet_files(),
        ]

    def hour(self, request: Request) -> Response:
        """One launch hour; of one that is over, what the last cycle that saw it said."""
        snapshot, site, story = self._asked(request)
        cycle, found = _answer(story)
        view = hour_view(
            self._facts,
            site,
            found,
            cycle=cycle,
            newest=cycle == snapshot.cycle.cycle,
            story=story,
            hours=[h for h in snapshot.hours if h.site == site.name],
            week=week(snapshot.hours, snapshot.windows, self._facts.rules, self._clock.now()),
            detail=self._detail(found, cycle),
        )
        return self._page(request, "hour.html", snapshot, view=view, leaflet=LEAFLET_URL)

    def limits(self, request: Request) -> Response:
        """The limits in force, and where each comes from."""
        view = limits_view(self._facts)
        return self._page(request, "limits.html", self._reader.newest(), view=view)

    def learned(self, request: Request) -> Response:
        """How good forecasts and chances were, and what would change by it."""
        snapshot, found = self._reader.newest(), self._reader.learned()
        view = None
        if found is not None and snapshot is not None:
            newest = snapshot.cycles[-1]
            view = learned_view(found, newest.cycle.model, newest.learned)
        return self._page(request, "learned.html", snapshot, view=view)

    def layers(self, request: Request) -> Response:
        """What the map of a launch hour holds, for the map that can be moved."""
        _, site, story = self._asked(request)
        cycle, found = _answer(story)
        if found.footprint is None:
            raise HTTPException(404)
        detail = self._detail(found, cycle)
        return JSONResponse(
            map_layers(site, found.footprint, self._facts.ground, detail, self._facts.zones)
        )

    def _asked(self, request: Request) -> tuple[Snapshot, Site, _Story]:
        """The hour that an address names, as the last cycles saw it, the newest first."""
        snapshot = self._reader.newest()
        site = site_keys(self._facts.sites).get(request.path_params["site"])
        moment: datetime | None = from_stamp(request.path_params["time"])
        if snapshot is None or site is None or moment is None:
            raise HTTPException(404)
        story: _Story = [
            (each.cycle, self._reader.hour_in(each.cycle.id, site.name, moment))
            for each in reversed(snapshot.cycles)
        ]
        return snapshot, site, story

    def _detail(self, hour: Hour, cycle: Cycle) -> HourDetail | None:
        """What an hour is drawn with, by the cycle that gave its answer."""
        return self._reader.detail(hour.from_cycle or cycle.id, hour.site, hour.time_utc)


def _answer(story: _Story) -> tuple[Cycle, Hour]:
    """The newest cycle that looked at the hour, and what it said."""
    for cycle, found in story:
        if found is not None:
            return cycle, found
    raise HTTPException(404)


#: The version is in the address, so a browser may keep the files for good.
LEAFLET_URL = f"/lib/leaflet-{version('XStatic-Leaflet')}"


class _Kept(StaticFiles):
    """Files that never change at their address."""

    async def get_response(self, path: str, scope: MutableMapping[str, Any]) -> Response:
        answer = await super().get_response(path, scope)
        answer.headers["cache-control"] = "public, max-age=31536000, immutable"
        return answer


def leaflet_files() -> Mount:
    """Where Leaflet is; its images lie beside its style, so the whole folder is served."""
    return Mount(LEAFLET_URL, _Kept(directory=str(files("xstatic.pkg.leaflet") / "data")))


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
