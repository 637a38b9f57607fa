"""The page as an ASGI application: which address gives what."""

import logging
import time
from collections.abc import Callable
from datetime import timedelta
from importlib.resources import files
from typing import Any

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.middleware.gzip import GZipMiddleware
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response
from starlette.routing import BaseRoute, Mount, Route
from starlette.staticfiles import StaticFiles

from windowwatch.clock import Clock, floor_to_step
from windowwatch.errors import StorageError
from windowwatch.storage.store import Store
from windowwatch.storage.watches import Share
from windowwatch.web.access.guard import (
    SHARE_PATH,
    Authenticator,
    CsrfTokens,
    Guard,
    guest_of,
    may_read,
)
from windowwatch.web.access.routes import ENTRY_PATH, Entry, ShareRoutes
from windowwatch.web.data.export import health_data
from windowwatch.web.data.health import (
    CONTENT_TYPE,
    Health,
    Life,
    health,
    metrics_text,
    model_states,
)
from windowwatch.web.data.routes import DataRoutes, FlightRoutes, RefusedError, refused
from windowwatch.web.flights import POSITIONS_PATH, Estimates, FollowedRoutes
from windowwatch.web.live import Live
from windowwatch.web.pages.board import board
from windowwatch.web.pages.listing import (
    FIGURES,
    site_rows,
    window_rows,
    window_view,
)
from windowwatch.web.pages.planroutes import PlanRoutes
from windowwatch.web.pages.plans import to_plan
from windowwatch.web.pages.render import PageCache, Pages
from windowwatch.web.pages.routes import MOST_NOTICES, HourRoutes, NoticeRoutes
from windowwatch.web.pages.scout import ScoutRoutes, Scouts
from windowwatch.web.pages.sheet import sheet
from windowwatch.web.pages.survey import SurveyRoutes
from windowwatch.web.reading import Reader, Snapshot
from windowwatch.web.values import Facts, Trouble, Underway
from windowwatch.windows.standing import Week, week

_LOG = logging.getLogger(__name__)

NAV = (
    ("/", "Board"),
    ("/windows", "Windows"),
    ("/plans", "Plans"),
    ("/sites", "Sites"),
    ("/scout", "Scouting"),
    ("/survey", "Survey"),
    ("/flights", "Flights"),
    ("/notices", "Notices"),
    ("/health/page", "Health"),
    ("/data", "Data"),
)
#: Beginnings of paths that need no entry; links and trackers have words of their own.
OPEN = ("/static/", "/lib/", SHARE_PATH, ENTRY_PATH, POSITIONS_PATH)
_REFUSALS = {
    400: ("Not understood", "The request could not be read."),
    401: ("Enter first", "This page asks for a token."),
    403: ("Refused", "That request did not come from a page of ours."),
    404: ("Not here", "There is nothing at this address. Windows and hours that are over go."),
    405: ("Not that way", "This address cannot be used so."),
    421: ("Wrong name", "This page answers only to the name of its own machine."),
    429: ("Too many tries", "Too many wrong tokens. Wait a minute."),
    500: ("Something broke", "The page failed; the daemon's log says why."),
    503: ("Not just now", "The results cannot be read at the moment. Try again soon."),
}


class PageRoutes:
    """What every page needs, and the pages themselves."""

    def __init__(
        self,
        store: Store,
        facts: Facts,
        clock: Clock,
        next_look_in: Callable[[], timedelta | None],
        underway: Callable[[], Underway | None],
        life: Callable[[], Life | None],
        room: Callable[[], int | None],
        troubles: Callable[[], tuple[Trouble, ...]],
    ) -> None:
        self.reader = Reader(store, facts.watch, facts.rules)
        self.facts = facts
        self.clock = clock
        self.pages = Pages()
        self.entry: Entry | None = None
        self.csrf = CsrfTokens()
        self.live = Live(self.news)
        self._next_look_in = next_look_in
        self._underway = underway
        self._life, self._room = life, room
        self._troubles = troubles
        self._cache = PageCache()
        self.notices = NoticeRoutes(
            self.reader, facts, clock, self.csrf, page=self.page, problem=self.problem
        )
        self.plans = PlanRoutes(
            self.reader,
            facts,
            clock,
            self.csrf,
            renders=self.pages,
            page=self.page,
            problem=self.problem,
            troubles=troubles,
        )

    def health(self, snapshot: Snapshot | None) -> Health:
        """Health at the present moment."""
        return health(
            self.facts,
            None if snapshot is None else snapshot.cycle,
            self.clock.now(),
            pending=self.reader.store.pending_deliveries(),
            next_look_in=self._next_look_in(),
        )

    def whole_health(self) -> tuple[Health, Snapshot | None]:
        """The same with everything that may be wrong, and the pass it is of.

        A database that refuses is one of those things.
        """
        now, life, room = self.clock.now(), self._life(), self._room()
        snapshot, figures, refused = None, {}, ""
        try:
            snapshot = self.reader.newest()
            figures = self.reader.store.channel_figures()
        except StorageError as error:
            refused = error.message
        state = health(
            self.facts,
            None if snapshot is None else snapshot.cycle,
            now,
            pending={name: each.pending for name, each in figures.items() if each.pending},
            next_look_in=self._next_look_in(),
            channels=figures,
            life=life,
            disk_free_bytes=room,
            refused=refused,
        )
        return state, snapshot

    def news(self) -> dict[str, Any]:
        """What open pages are told, again and again."""
        snapshot, pass_ = self.reader.newest(), self._underway()
        return {
            "pass": "" if snapshot is None else snapshot.word,
            "plans": self.reader.store.plans_mark(self.facts.watch),
            "flights": self.reader.store.flights_mark(),
            "scout": self.reader.scout_mark(self.clock.now()),
            "underway": None if pass_ is None else {"share": pass_.share, "text": pass_.text},
        }

    def page(
        self, request: Request, name: str, snapshot: Snapshot | None, **values: Any
    ) -> HTMLResponse:
        """A page from a template, with what stands on all of them."""
        return HTMLResponse(
            self.pages.render(
                name,
                facts=self.facts,
                health=self.health(snapshot),
                nav=self._nav(guest_of(request)),
                guest=guest_of(request),
                mark="" if snapshot is None else snapshot.word,
                behind=() if snapshot is None else snapshot.behind,
                underway=self._underway(),
                path=request.scope["path"],
                **values,
            )
        )

    def page_now(self, request: Request, name: str, **values: Any) -> HTMLResponse:
        """A page of something else than a pass, beside the newest one."""
        return self.page(request, name, self.reader.newest(), **values)

    def _nav(self, guest: Share | None) -> tuple[tuple[str, str], ...]:
        """Pages that a visitor may see."""
        if guest is not None:
            return tuple((path, words) for path, words in NAV if may_read("GET", path))
        return NAV if self.entry is None else (*NAV, ("/shares", "Links"))

    def refusal(self, status: int, request: Request) -> HTMLResponse:
        """A page that says what went wrong, and nothing of how the machine is built."""
        if status == 401 and self.entry is not None:
            return self.entry.form("", status, request)
        answer = self.problem(*_REFUSALS.get(status, ("Refused", "That cannot be had.")), status)
        if status in {429, 503}:
            answer.headers["retry-after"] = "60"
        return answer

    def problem(self, title: str, text: str, status: int) -> HTMLResponse:
        """A page of a title and a sentence."""
        return HTMLResponse(self.pages.render("error.html", title=title, text=text), status)

    def board(self, request: Request) -> Response:
        """The board, or that there is none yet."""
        snapshot = self.reader.newest()
        if snapshot is None:
            return self.page(request, "empty.html", None)
        now = self.clock.now()
        guest, pass_ = guest_of(request), self._underway()
        flying = () if guest is not None else self.flying()
        # The most looked at page: made once a minute for all who look.
        made_for = (
            snapshot.word,
            floor_to_step(now, timedelta(minutes=1)),
            guest,
            flying,
            None if pass_ is None else int(10.0 * pass_.share),
        )

        def make() -> bytes:
            shown = board(self.facts, snapshot, now)
            return bytes(
                self.page(request, "board.html", snapshot, board=shown, flying=flying).body
            )

        return self._cache.answer(request, made_for, make, same=(snapshot.word, guest, flying))

    def flying(self) -> tuple[tuple[str, str], ...]:
        """Key and name of every flight that is on."""
        flights = self.reader.store.flights()
        return tuple((f.key, f.begun.name) for f in flights if f.closing is None)

    def windows(self, request: Request) -> Response:
        """All windows of the newest cycle."""
        snapshot = self.reader.newest()
        if snapshot is None:
            return self.page(request, "empty.html", None)
        live, over = window_rows(self.facts, snapshot, self.clock.now())
        return self.page(request, "windows.html", snapshot, live=live, over=over)

    def window(self, request: Request) -> Response:
        """One window with its history."""
        snapshot = self.reader.newest()
        uid = request.path_params["uid"]
        history = self.reader.history(uid)
        if snapshot is None or not history:
            raise HTTPException(404)
        about = self.reader.changes(MOST_NOTICES, uid)
        told = self.notices.rows([] if guest_of(request) else about)
        known = self._week(snapshot)
        view = window_view(self.facts, history, known, told)
        return self.page(
            request,
            "window.html",
            snapshot,
            view=view,
            csrf=self.notices.word(request),
            to_plan=to_plan(known.of_window(uid), self.facts.sites, known.now_utc),
        )

    def sheet(self, request: Request) -> Response:
        """The launch-day sheet of a window."""
        snapshot = self.reader.newest()
        history = self.reader.history(request.path_params["uid"])
        site = next((s for s in self.facts.sites if history and s.name == history[-1].site), None)
        if snapshot is None or site is None:
            raise HTTPException(404)
        known, window = self._week(snapshot), history[-1]
        hours = known.hours.get(site.name, {})
        launch = known.of_window(window.uid)
        planned = window.best_hour_utc if launch is None else launch.time_utc
        hour = hours.get(planned)
        told_by = (hour.from_cycle if hour else None) or snapshot.cycle.cycle.id
        made = sheet(
            self.facts,
            site,
            window,
            [each for _, each in sorted(hours.items())],
            launch=launch,
            detail=self.reader.detail(told_by, site.name, planned),
            with_contacts=guest_of(request) is None,
        )
        if made is None:
            raise HTTPException(404)
        return self.page(request, "sheet.html", snapshot, sheet=made)

    def _week(self, snapshot: Snapshot) -> Week:
        """All of a pass as it stands at the present moment."""
        return week(snapshot.hours, snapshot.windows, self.facts.rules, self.clock.now())

    def sites(self, request: Request) -> Response:
        """The sites side by side."""
        snapshot = self.reader.newest()
        if snapshot is None:
            return self.page(request, "empty.html", None)
        rows = site_rows(self.facts, snapshot, self.clock.now())
        return self.page(request, "sites.html", snapshot, sites=rows, figures=FIGURES)

    def health_page(self, request: Request) -> Response:
        """How well the watch is, for people."""
        whole, snapshot = self.whole_health()
        cycles = () if snapshot is None else tuple(reversed(snapshot.cycles))
        newest = None if snapshot is None else snapshot.cycle
        models = model_states(self.facts, newest, self.reader.others(), self.clock.now())
        told: dict[str, Any] = {"cycles": cycles, "models": models, "troubles": self._troubles()}
        return self.page(request, "health.html", snapshot, whole=whole, **told)

    def health_json(self, _request: Request) -> Response:
        """How well the watch is, for machines: 503 when not all is well, with the reason."""
        state, _ = self.whole_health()
        return JSONResponse(health_data(state), 200 if state.well else 503)

    def metrics(self, request: Request) -> Response:
        """The same and more as numbers, for a machine that collects them."""
        state, snapshot = self.whole_health()
        windows = () if snapshot is None else snapshot.windows
        text = metrics_text(self.facts.watch, state, windows, state.channels)
        return Response(text, media_type=CONTENT_TYPE)

    def data(self, request: Request) -> Response:
        """Where the data are."""
        return self.page(request, "data.html", self.reader.newest())


def create_app(
    store: Store,
    facts: Facts,
    clock: Clock,
    *,
    token: str | None = None,
    authenticator: Authenticator | None = None,
    next_look_in: Callable[[], timedelta | None] = lambda: None,
    underway: Callable[[], Underway | None] = lambda: None,
    life: Callable[[], Life | None] = lambda: None,
    room: Callable[[], int | None] = lambda: None,
    troubles: Callable[[], tuple[Trouble, ...]] = lambda: (),
    estimates: Estimates | None = None,
    scouts: Scouts | None = None,
    monotonic_s: Callable[[], float] = time.monotonic,
) -> Guard:
    """Build the page.

    Parameters
    ----------
    store : Store
        Of the present schema. What visitors do is written: acknowledgements, positions, plans.
    facts : Facts
    clock : Clock
    token : str, optional
        Asked of every visitor; without one only loopback names are answered to.
    authenticator : Authenticator, optional
        Of the page before, whose visitors stay in; with `token` only.
    next_look_in : callable
        How long until the daemon looks for a new cycle; None where it is not known.
    underway : callable
        The pass that is being made, None when none is.
    life : callable
        What the daemon says of its own work; None where there is none.
    room : callable
        Bytes left on the disk that fills first; None where it is not known.
    troubles : callable
        What could not be done for planned launches and flights; empty while all is well.
    estimates : callable, optional
        Estimates a flight in the air, best in a process of its own.
    scouts : callable, optional
        Starts a scouting, in a process of its own.
    monotonic_s : callable
        Seconds that only rise, for entries and refusals.
    """
    pages = PageRoutes(store, facts, clock, next_look_in, underway, life, room, troubles)
    authenticator = None if token is None else authenticator or Authenticator(token, monotonic_s)
    data = DataRoutes(pages.reader, facts, clock)
    door, guest = _door(pages, authenticator, data)
    routes: list[BaseRoute] = [
        Route("/", pages.board),
        *HourRoutes(pages.reader, facts, clock, pages.page).routes,
        Route("/windows", pages.windows),
        Route("/windows/{uid}", pages.window),
        Route("/windows/{uid}/sheet", pages.sheet),
        Route("/sites", pages.sites),
        *_scouted(pages, scouts),
        *SurveyRoutes(pages.reader, facts, pages.page).routes,
        *pages.plans.routes,
        *pages.notices.routes,
        Route("/health/page", pages.health_page),
        Route("/health", pages.health_json),
        Route("/metrics", pages.metrics),
        Route("/data", pages.data),
        *data.routes,
        *FlightRoutes(pages.reader, facts, clock).routes,
        *_followed(pages, authenticator, estimates),
        *door,
        Route("/live", pages.live),
        Mount("/static", _static_files()),
    ]

    refuse = _refusals(pages)
    app = Starlette(
        routes=routes,
        middleware=[Middleware(GZipMiddleware, minimum_size=1000, compresslevel=5)],
        exception_handlers={
            RefusedError: refused,
            HTTPException: refuse,
            StorageError: refuse,
            Exception: refuse,
        },
    )
    # Outside of everything, so that the page of an accident is guarded as well.
    return Guard(
        app,
        authenticator=authenticator,
        open_paths=OPEN,
        refuse=pages.refusal,
        guest=guest,
        end=pages.live.end,
        trusted_proxies=facts.trusted_proxies,
        page_url=facts.page_url,
    )


def _followed(
    pages: PageRoutes, authenticator: Authenticator | None, estimates: Estimates | None
) -> list[Route]:
    """Addresses of flights in the air."""
    return FollowedRoutes(
        pages.reader.store,
        pages.facts,
        pages.clock,
        pages.csrf,
        authenticator,
        renders=pages.pages,
        page=pages.page_now,
        problem=pages.problem,
        estimates=estimates,
    ).routes


def _scouted(pages: PageRoutes, scouts: Scouts | None) -> list[Route]:
    """Addresses of what was scouted, and of what starts it."""
    return ScoutRoutes(
        pages.reader,
        pages.facts,
        pages.clock,
        pages.csrf,
        page=pages.page,
        problem=pages.problem,
        scouts=scouts,
    ).routes


def _refusals(pages: PageRoutes) -> Callable[[Request, Exception], Response]:
    """What a visitor gets when an answer cannot be made."""

    def refuse(request: Request, error: Exception) -> Response:
        if isinstance(error, HTTPException):
            return pages.refusal(error.status_code, request)
        if isinstance(error, StorageError):
            _LOG.error("page: %s", error.message)
            return pages.refusal(503, request)
        return pages.refusal(500, request)

    return refuse


def _static_files() -> StaticFiles:
    """Styles and scripts; that of the map lies beside its drawing."""
    own = str(files("windowwatch.web") / "static")
    return StaticFiles(directory=own, packages=[("windowwatch.drawing", "static")])


def _door(
    pages: PageRoutes, authenticator: Authenticator | None, data: DataRoutes
) -> tuple[list[Route], Callable[[str], Share | None]]:
    """Addresses by which visitors come in, and who a guest's word belongs to."""
    if authenticator is None:
        return [], lambda _word: None
    pages.entry = Entry(authenticator, pages.pages)
    shares = ShareRoutes(
        pages.reader.store,
        pages.facts.watch,
        pages.clock,
        authenticator,
        pages.csrf,
        page=pages.page_now,
        problem=pages.problem,
        calendar=data.feed,
        page_url=pages.facts.page_url,
    )
    return [
        Route(ENTRY_PATH, pages.entry.answer, methods=["GET", "POST"]),
        *shares.routes,
    ], shares.guest
