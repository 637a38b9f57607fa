"""Followed flights on the page: their pages, a form for voice, and where trackers post."""

import asyncio
import json
import logging
import threading
from collections.abc import Callable, Sequence
from datetime import datetime
from typing import Any

from starlette.background import BackgroundTask
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from windowwatch.chase.drives import Crew
from windowwatch.chase.logbook import Logged
from windowwatch.chase.reports import Mark, Report
from windowwatch.chase.said import (
    VOICE_HEIGHT_SIGMA_M,
    VOICE_SIGMA_M,
    height_said,
    place_said,
    time_said,
)
from windowwatch.chase.silence import search_order
from windowwatch.chase.values import Flight, Kept
from windowwatch.clock import Clock, require_utc
from windowwatch.errors import InputError, WindowwatchError
from windowwatch.storage.flightlog import logged_from
from windowwatch.storage.flights import ClosedError, Tracker
from windowwatch.storage.store import Store
from windowwatch.web.access.guard import (
    COOKIE,
    LONGEST_WAIT_S,
    Authenticator,
    CsrfTokens,
    FormError,
    address_of,
    posted,
)
from windowwatch.web.data.chase import MEDIA, FlightRecord, log_csv, record_as, ways_gpx
from windowwatch.web.data.routes import RefusedError, file_answer
from windowwatch.web.pages.flightpaper import paper_html, season_html
from windowwatch.web.pages.flightview import ROWS, flight_view
from windowwatch.web.pages.pack import Renders
from windowwatch.web.values import Facts
from windowwatch.wording.chase import begun_words, closing_words
from windowwatch.wording.crews import DRIVE_CAUTION, SEARCH_CAUTION

_LOG = logging.getLogger(__name__)

POSITIONS_PATH = "/data/positions"
#: Fields of the form by which a position is given by voice, at most.
_FORM_FIELDS = 8
#: Longer bodies are not read, and more positions not taken at once. [byte], [1]
LONGEST_BODY, MOST_POSITIONS = 200_000, 500
_NUMBERS = ("latitude_deg", "longitude_deg", "height_m", "place_sigma_m", "height_sigma_m")
_KNOWN = {"time_utc", "text", *_NUMBERS}


#: Estimates a flight by all its reports, as of a time.
Estimates = Callable[[str, datetime], object]


class Followers:
    """Estimates flights anew when reports have come: one at a time for each, none in vain.

    What goes wrong is logged, and done again when the next report comes or the page is looked at.
    """

    def __init__(self, estimates: Estimates, clock: Clock) -> None:
        self._estimates, self._clock = estimates, clock
        self._lock = threading.Lock()
        self._busy: dict[str, bool] = {}

    def follow(self, key: str) -> None:
        """Estimate a flight by all its reports; who comes meanwhile is heard after."""
        with self._lock:
            if key in self._busy:
                self._busy[key] = True
                return
            self._busy[key] = False
        try:
            again = True
            while again:
                self._estimates(key, self._clock.now())
                with self._lock:
                    again, self._busy[key] = self._busy[key], False
                    if not again:
                        del self._busy[key]
        except BaseException as error:
            with self._lock:
                self._busy.pop(key, None)
            if not isinstance(error, WindowwatchError):
                raise
            _LOG.error("flight %s: %s", key, error.message)


class FollowedRoutes:
    """Shows flights, and takes positions.

    Parameters
    ----------
    store : Store
    facts : Facts
    clock : Clock
    csrf : CsrfTokens
    authenticator : Authenticator or None
        Counts wrong words; None where the page is for this machine alone.
    renders : Renders
        Makes HTML of a template.
    page, problem : callable
        Make a page; make one of a title and a text, with a status.
    estimates : callable, optional
        Estimates a flight, best in a process of its own; in this one where it is left out.
    """

    def __init__(
        self,
        store: Store,
        facts: Facts,
        clock: Clock,
        csrf: CsrfTokens,
        authenticator: Authenticator | None,
        *,
        renders: Renders,
        page: Callable[..., Response],
        problem: Callable[[str, str, int], Response],
        estimates: Estimates | None = None,
    ) -> None:
        self._store, self._facts, self._clock, self._csrf = store, facts, clock, csrf
        self._authenticator = authenticator
        self._renders, self._page, self._problem = renders, page, problem
        self._followers = Followers(estimates or store.follow, clock)
        self.routes = [
            Route("/flights", self.flights),
            Route("/flights/season", self.season),
            Route("/flights/log.csv", self.log),
            Route("/flights/{key}", self.flight),
            Route("/flights/{key}/report", self.form),
            Route("/flights/{key}/report", self.told, methods=["POST"]),
            Route("/flights/{key}/print", self.paper),
            Route("/flights/{key}/record.{kind}", self.record),
            Route("/flights/{key}/ways.gpx", self.ways),
            Route("/flights/{key}/crew", self.crew_form),
            Route("/flights/{key}/crew", self.crew_told, methods=["POST"]),
            Route(POSITIONS_PATH, self.post, methods=["POST"]),
        ]

    def flights(self, request: Request) -> Response:
        """All flights, the newest first."""
        rows = [
            (each.key, each.begun.name, begun_words(each.begun),
             "" if each.closing is None else closing_words(each.closing))
            for each in self._store.flights()
        ]  # fmt: skip
        return self._page(request, "flights.html", flights=rows)

    def flight(self, request: Request) -> Response:
        """One flight as it is now."""
        flight, mark = self._found(request), self._store.flights_mark()
        heard, said = self._store.heard(flight.key, ROWS), self._store.said(flight.key)
        track, _ = self._store.flight_track(flight.key)
        facts = self._facts
        view = flight_view(
            flight, heard, track, said, self._now(heard.last), facts.ground, facts.zones,
            advice=self._store.advice(flight.key), rules=facts.chase,
        )  # fmt: skip
        begun = flight.begun
        answer = self._page(
            request, "flight.html", view=view, drive_caution=DRIVE_CAUTION,
            search_caution=SEARCH_CAUTION,
            plan=begun.plan if begun.watch == self._facts.watch else "",
            flights_mark=mark,
        )  # fmt: skip
        number = 0 if said is None else said.number
        if flight.closing is None and heard.last and heard.last[-1].number > number:
            # reports that came by another way, or before a restart
            answer.background = BackgroundTask(self._followers.follow, flight.key)
        return answer

    def _now(self, kept: Sequence[Kept]) -> datetime:
        """The present; in a rehearsal, whose clock ends before its launch, at the last report."""
        now = self._clock.now()
        if self._facts.rehearsal and kept:
            return max(now, kept[-1].report.received_utc)
        return now

    def _found(self, request: Request) -> Flight:
        flight = self._store.flight(request.path_params["key"])
        if flight is None:
            raise HTTPException(404)
        return flight

    def record(self, request: Request) -> Response:
        """A flight for other programs."""
        flight, kind = self._found(request), request.path_params["kind"]
        if kind not in MEDIA:
            raise HTTPException(404)
        record = FlightRecord(flight, self._store.reports(flight.key), self._store.said(flight.key))
        return file_answer(record_as(kind, record), MEDIA[kind], f"flight-{flight.key}.{kind}")

    def paper(self, request: Request) -> Response:
        """The report of a flight, for paper."""
        flight = self._found(request)
        logged, kept = self._logged(flight), self._store.reports(flight.key)
        facts = self._facts
        made = paper_html(self._renders, logged, kept, facts.ground, facts.zones, alone=False)
        return HTMLResponse(made)

    def season(self, request: Request) -> Response:
        """All flights, for the team."""
        del request
        log = [self._logged(each) for each in self._store.flights()]
        return HTMLResponse(season_html(self._renders, log, self._facts.train, alone=False))

    def log(self, request: Request) -> Response:
        """All flights as CSV."""
        del request
        log = [self._logged(each) for each in self._store.flights()]
        return file_answer(log_csv(log).encode(), MEDIA["csv"], "flights.csv")

    def _logged(self, flight: Flight) -> Logged:
        """A flight of the log; what was made of it is made anew when reports have come since."""
        facts = self._facts
        meant = None if facts.train is None else facts.train.nozzle_lift_kg
        at = logged_from(facts.watch, facts.sites, meant, flight.begun)
        return self._store.logged_now(flight, self._clock.now(), at)

    def form(self, request: Request) -> Response:
        """The form for a position by voice."""
        return self._form(request, self._found(request), {}, "")

    def _form(
        self, request: Request, flight: Flight, fields: dict[str, str], wrong: str
    ) -> Response:
        word = self._csrf.word(request.cookies.get(COOKIE, ""))
        answer = self._page(
            request, "report.html", flight=flight, fields=fields, wrong=wrong, csrf=word
        )
        answer.status_code = 400 if wrong else 200
        return answer

    def ways(self, request: Request) -> Response:
        """Ways of all crews, and where to search first."""
        flight = self._found(request)
        advice, said = self._store.advice(flight.key), self._store.said(flight.key)
        search, rasters = None, self._facts.ground.rasters
        if said is not None and said.estimate is not None and rasters is not None:
            search = search_order(rasters, said.estimate.landing)
        content = ways_gpx(flight, advice, search)
        return file_answer(content, MEDIA["gpx"], f"flight-{flight.key}-ways.gpx")

    def crew_form(self, request: Request) -> Response:
        """The form for where a crew is."""
        return self._crew_form(request, self._found(request), {}, "")

    def _crew_form(
        self, request: Request, flight: Flight, fields: dict[str, str], wrong: str
    ) -> Response:
        word = self._csrf.word(request.cookies.get(COOKIE, ""))
        crews = self._store.crews(flight.key)
        answer = self._page(
            request, "crew.html", flight=flight, fields=fields, wrong=wrong, csrf=word, crews=crews
        )
        answer.status_code = 400 if wrong else 200
        return answer

    async def crew_told(self, request: Request) -> Response:
        """Where a crew is, or that it has gone home, out of the form."""
        try:
            fields = await posted(request, _FORM_FIELDS)
            self._csrf.check(fields, request.cookies.get(COOKIE, ""))
        except FormError as error:
            return self._problem("Refused", error.words, error.status)
        flight = await run_in_threadpool(self._found, request)
        name, place = (fields.get(key, "").strip() for key in ("crew", "place"))
        now = self._clock.now()
        try:
            if place:
                crew = Crew(name, *place_said(place), now)
                await run_in_threadpool(
                    self._store.place_crew, flight.key, crew, received_utc=now, source="page"
                )
            else:
                await run_in_threadpool(self._store.send_home, flight.key, name, now)
        except ClosedError as error:
            return self._problem("Closed", f"{error.message}.", 409)
        except InputError as error:
            return await run_in_threadpool(self._crew_form, request, flight, fields, error.message)
        return RedirectResponse(f"/flights/{flight.key}", 303)

    async def told(self, request: Request) -> Response:
        """A position that was read out over the radio, out of the form."""
        try:
            fields = await posted(request, _FORM_FIELDS)
            self._csrf.check(fields, request.cookies.get(COOKIE, ""))
        except FormError as error:
            return self._problem("Refused", error.words, error.status)
        flight = await run_in_threadpool(self._found, request)
        try:
            report = _said(fields, self._clock.now())
            await run_in_threadpool(self._store.add_reports, flight.key, [report])
        except ClosedError as error:
            return self._problem("Closed", f"{error.message}.", 409)
        except InputError as error:
            return await run_in_threadpool(self._form, request, flight, fields, error.message)
        background = BackgroundTask(self._followers.follow, flight.key)
        return RedirectResponse(f"/flights/{flight.key}", 303, background=background)

    async def post(self, request: Request) -> Response:
        """Positions of a tracker, which says who it is by a word of its own."""
        tracker = await self._tracker(request)
        body = await _body(request)
        now = self._clock.now()
        try:
            reports = [_posted(each, tracker.tracker, now) for each in _listed(body)]
            if tracker.is_crew:
                return await run_in_threadpool(self._crew_posted, tracker, reports)
            kept = await run_in_threadpool(self._store.add_reports, tracker.flight, reports)
        except ClosedError as error:
            raise RefusedError(409, error.message) from error
        except InputError as error:
            raise RefusedError(400, error.message) from error
        used = any(each.mark is Mark.USED for each in kept)
        return JSONResponse(
            {"flight": tracker.flight, "positions": [_answer(each) for each in kept]},
            201,
            background=BackgroundTask(self._followers.follow, tracker.flight) if used else None,
        )

    def _crew_posted(self, tracker: Tracker, reports: list[Report]) -> Response:
        """Where a crew's phone says that it is."""
        for each in reports:
            if each.latitude_deg is None or each.longitude_deg is None:
                raise InputError("a crew's position needs latitude_deg and longitude_deg")
        answers = []
        for each in reports:
            assert each.latitude_deg is not None
            assert each.longitude_deg is not None
            crew = Crew(tracker.tracker, each.latitude_deg, each.longitude_deg, each.time_utc)
            number = self._store.place_crew(
                tracker.flight, crew, received_utc=each.received_utc, source="posted"
            )
            answers.append(_answer(Kept(number, each, Mark.USED)))
        return JSONResponse({"flight": tracker.flight, "positions": answers}, 201)

    async def _tracker(self, request: Request) -> Tracker:
        kind, _, word = request.headers.get("authorization", "").partition(" ")
        found = None
        if kind.lower() == "bearer" and word.strip():
            found = await run_in_threadpool(self._store.who_posts, word.strip())
        if found is None:
            if self._authenticator is not None:
                address = address_of(request)
                limited = self._authenticator.is_rate_limited(address)
                self._authenticator.count_failure(address)
                if limited:
                    await self._authenticator.slow_down(address)
            raise RefusedError(
                401, "send the tracker's word as Authorization: Bearer WORD; "
                "`windowwatch flight tracker NAME` gives one"
            )  # fmt: skip
        return found


def _answer(kept: Kept) -> dict[str, Any]:
    return {"number": kept.number, "used": kept.mark is Mark.USED, "mark": str(kept.mark)}


async def _body(request: Request) -> bytes:
    body = b""
    try:
        async with asyncio.timeout(LONGEST_WAIT_S):
            async for part in request.stream():
                body += part
                if len(body) > LONGEST_BODY:
                    raise RefusedError(413, f"more than {LONGEST_BODY} bytes; send fewer at once")
    except TimeoutError:
        raise RefusedError(408, "that came too slowly; send it again") from None
    return body


def _listed(body: bytes) -> list[Any]:
    """Positions of a body: one object, or a list of them under `positions`."""
    try:
        said = json.loads(body)
    except (ValueError, RecursionError):
        raise InputError("the body is no JSON") from None
    if (
        isinstance(said, dict)
        and set(said) == {"positions"}
        and isinstance(said["positions"], list)
    ):
        positions: list[Any] = said["positions"]
        if not 0 < len(positions) <= MOST_POSITIONS:
            raise InputError(f"positions: give 1 to {MOST_POSITIONS} at once")
        return positions
    return [said]


def _posted(said: Any, tracker: str, now_utc: datetime) -> Report:
    """A report of what a tracker posted."""
    if not isinstance(said, dict):
        raise InputError("a position is an object with time_utc, latitude_deg, longitude_deg")
    unknown = sorted(set(said) - _KNOWN)
    if unknown:
        raise InputError(f"{unknown[0][:40]}: is not known; known are {', '.join(sorted(_KNOWN))}")
    numbers: dict[str, float] = {}
    for name in _NUMBERS:
        value = said.get(name)
        if value is None:
            continue
        if isinstance(value, bool) or not isinstance(value, int | float) or abs(value) > 1e9:
            raise InputError(f"{name}: is no number")
        numbers[name] = float(value)
    text = said.get("text", "")
    if not isinstance(text, str) or len(text) > 500:
        raise InputError("text: give at most 500 letters")
    return Report(
        tracker=tracker,
        time_utc=_moment(said.get("time_utc")),
        received_utc=now_utc,
        latitude_deg=numbers.pop("latitude_deg", None),
        longitude_deg=numbers.pop("longitude_deg", None),
        height_m=numbers.pop("height_m", None),
        source="posted",
        text=text.replace("\x00", ""),
        **numbers,
    )


def _moment(text: Any) -> datetime:
    try:
        return require_utc(datetime.fromisoformat(text))
    except (TypeError, ValueError, OverflowError, InputError):
        raise InputError("time_utc: write it as 2026-05-08T06:31:00Z") from None


def _said(fields: dict[str, str], now_utc: datetime) -> Report:
    """A report of what was typed into the form."""
    latitude, longitude = place_said(fields.get("place", ""))
    height = fields.get("height", "").strip()
    tracker = fields.get("tracker", "").strip() or "voice"
    if len(tracker) > 80 or not tracker.isprintable():
        raise InputError("give the tracker a name of at most 80 letters")
    return Report(
        tracker,
        time_said(fields.get("time", "").strip() or "now", now_utc),
        now_utc,
        latitude,
        longitude,
        height_said(height) if height else None,
        VOICE_SIGMA_M,
        VOICE_HEIGHT_SIGMA_M,
        "voice",
    )
