"""Pages of planned launches, and what a crew does on them: every form is a plain POST."""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from urllib.parse import quote

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import BaseRoute, Route

from windowwatch.clock import Clock, from_unix_s
from windowwatch.errors import InputError
from windowwatch.launchday.metar import read_metar
from windowwatch.launchday.moments import read_moment
from windowwatch.launchday.plan import (
    Done,
    Entry,
    Event,
    Gauged,
    Held,
    LiftMeasured,
    Moved,
    Plan,
    PlanState,
    Released,
    Scrubbed,
    Ticked,
    Unticked,
    check_clearance,
    stand,
)
from windowwatch.launchday.sighting import Sighting
from windowwatch.physics.fill import STANDARD_PRESSURE_PA
from windowwatch.scoring.values import Site
from windowwatch.web.access.guard import COOKIE, CsrfTokens, FormError, guest_of, posted
from windowwatch.web.pages.pack import Renders, pack, texts_of
from windowwatch.web.pages.plans import PlanView, plan_rows
from windowwatch.web.pages.routes import Page
from windowwatch.web.reading import CYCLES_BACK, Reader, kept_plan, read_plan
from windowwatch.web.values import Facts, Trouble, from_stamp, site_keys
from windowwatch.wording import page as words

#: Of the form with the most fields: what was seen.
_MOST_FIELDS = 14
LONGEST_NAME, LONGEST_TEXT = 60, 200
#: Holds that have a button.
HOLDS_MIN = (5, 10, 20, 30)


@dataclass(frozen=True)
class Refused:
    """What was asked and is not done: by which form, with which fields, and why."""

    form: str
    words: str
    fields: Mapping[str, str]


class PlanRoutes:
    """Shows planned launches of one watch, and does what is asked on their pages.

    Parameters
    ----------
    reader : Reader
    facts : Facts
    clock : Clock
    csrf : CsrfTokens
    renders : Renders
        Makes the file that is taken along.
    page, problem : callable
        Make a page; make one of a title and a text, with a status.
    troubles : callable
        What the daemon could not do for planned launches and flights.
    """

    def __init__(
        self,
        reader: Reader,
        facts: Facts,
        clock: Clock,
        csrf: CsrfTokens,
        *,
        renders: Renders,
        page: Page,
        problem: Callable[[str, str, int], Response],
        troubles: Callable[[], tuple[Trouble, ...]],
    ) -> None:
        self._reader, self._facts, self._clock, self._csrf = reader, facts, clock, csrf
        self._page, self._problem, self._troubles = page, problem, troubles
        self._renders = renders
        self._store, self._watch = reader.store, facts.watch
        self.routes: list[BaseRoute] = [
            Route("/plans", self.plans),
            Route("/plans", self.make, methods=["POST"]),
            Route("/plans/new", self.new),
            Route("/plans/{key}", self.plan),
            Route("/plans/{key}/pack", self.pack),
            Route("/plans/{key}", self.act, methods=["POST"]),
        ]

    def plans(self, request: Request) -> Response:
        """All planned launches."""
        snapshot = self._reader.newest()
        rows = plan_rows(self._facts, self._store.all_plans(self._watch), self._clock.now())
        return self._page(
            request,
            "plans.html",
            snapshot,
            coming=[row for row in rows if row.coming],
            over=[row for row in rows if not row.coming],
            plans_mark=self._store.plans_mark(self._watch),
        )

    def new(self, request: Request) -> Response:
        """The form that plans a launch, filled in from a window."""
        return self._form(request, dict(request.query_params), "", 200)

    def _form(
        self, request: Request, fields: Mapping[str, str], refused: str, status: int
    ) -> Response:
        keys = site_keys(self._facts.sites)
        key = fields.get("site", "")
        site = keys.get(key)
        moment = from_stamp(fields.get("time", ""))
        typed = fields.get("time", "")
        if site is not None and moment is not None:
            typed = f"{moment.astimezone(words.zone_of(site)):%Y-%m-%d %H:%M}"
        train = self._facts.train
        made = self._page(
            request,
            "newplan.html",
            self._reader.newest(),
            sites=[(each, s.name, s.time_zone) for each, s in keys.items()],
            chosen=key,
            time=typed,
            lift="" if train is None else f"{train.nozzle_lift_kg:g}",
            fields=fields,
            refused=refused,
            csrf=self._word(request),
        )
        made.status_code = status
        return made

    async def make(self, request: Request) -> Response:
        """Plan a launch."""
        try:
            fields = await self._posted(request)
        except FormError as error:
            return self._problem("Refused", error.words, error.status)
        try:
            key = await run_in_threadpool(self._make, fields)
        except InputError as error:
            return await run_in_threadpool(self._form, request, fields, error.message, 409)
        return RedirectResponse(_address(key, fields), 303)

    def _make(self, fields: Mapping[str, str]) -> str:
        by, now = _name(fields), self._clock.now()
        site = site_keys(self._facts.sites).get(fields.get("site", ""))
        if site is None or self._facts.train is None:
            raise InputError("choose one of the sites")
        release = read_moment(fields.get("time", ""), words.zone_of(site), now)
        crew = tuple(each.strip() for each in fields.get("crew", "").split(",") if each.strip())
        made = self._store.plan_launch(
            self._watch,
            site.name,
            release,
            self._facts.train,
            at_utc=now,
            by=by,
            crew=crew[:12],
            clearance=self._clearance,
        )
        return made.entries.key

    def plan(self, request: Request) -> Response:
        """One planned launch."""
        return self._shown(request, request.path_params["key"], None, 200)

    def pack(self, request: Request) -> Response:
        """The take-along, as a file to be kept."""
        view = self.view(request.path_params["key"])
        cycles = [each.cycle for each in self._store.cycles(self._watch, last=CYCLES_BACK)]
        known = guest_of(request) is None
        try:
            made = pack(self._renders, self._facts, view, cycles, with_contacts=known)
        except InputError as error:
            return self._problem("Too large", error.message, 409)
        name = f"launch-{view.plan.key}-{view.now_utc:%Y%m%dT%H%MZ}.html"
        keep = {"content-disposition": f'attachment; filename="{name}"'}
        return Response(made, media_type="text/html", headers=keep)

    async def act(self, request: Request) -> Response:
        """Do something to a plan, and show it again; what is refused is said on its page."""
        key = request.path_params["key"]
        try:
            fields = await self._posted(request)
        except FormError as error:
            return self._problem("Refused", error.words, error.status)
        try:
            await run_in_threadpool(self._act, key, fields)
        except InputError as error:
            refused = Refused(fields.get("do", ""), error.message, fields)
            return await run_in_threadpool(self._shown, request, key, refused, 409)
        return RedirectResponse(_address(key, fields), 303)

    async def _posted(self, request: Request) -> dict[str, str]:
        fields = await posted(request, _MOST_FIELDS)
        self._csrf.check(fields, request.cookies.get(COOKIE, ""))
        return fields

    def _word(self, request: Request) -> str:
        return self._csrf.word(request.cookies.get(COOKIE, ""))

    def view(self, key: str) -> PlanView:
        """A plan as it stands now."""
        entries, now = self._entries(key), self._clock.now()
        return read_plan(self._store, self._facts, key, entries, now)

    def _entries(self, key: str) -> Sequence[Entry]:
        """All that happened to a plan.

        Raises
        ------
        HTTPException
            404 where there is no such plan.
        """
        found = self._store.entries_of_plan(self._watch, key)
        if not found:
            raise HTTPException(404)
        return found

    def _shown(self, request: Request, key: str, refused: Refused | None, status: int) -> Response:
        fields = {} if refused is None else refused.fields
        guest = guest_of(request) is not None
        view = self.view(key)
        texts, fault = ((), "") if guest else texts_of(self._facts, view)
        made = self._page(
            request,
            "plan.html",
            self._reader.newest(),
            view=view,
            by=(fields.get("by") or request.query_params.get("by", ""))[:LONGEST_NAME],
            ask="" if guest or not view.coming else request.query_params.get("ask", ""),
            refused=refused,
            fields=fields,
            holds=HOLDS_MIN,
            texts=texts,
            texts_fault=words.without_folders(fault),
            troubles=()
            if guest
            else tuple(
                each.words
                for each in self._troubles()
                if not each.flight and each.plan in ("", key)
            ),
            flight=None if guest else self._store.flight_of_plan(self._watch, key),
            plans_mark=self._store.plans_mark(self._watch),
            csrf=self._word(request),
        )
        made.status_code = status
        return made

    @property
    def _clearance(self) -> tuple[datetime, datetime] | None:
        given = self._facts.plan.clearance
        return None if given is None else (from_unix_s(given[0]), from_unix_s(given[1]))

    def _act(self, key: str, fields: Mapping[str, str]) -> None:
        """Do what a form asks.

        Raises
        ------
        InputError
            If it cannot be done; nothing is changed then.
        """
        entries = self._entries(key)
        by, now = _name(fields), self._clock.now()
        entries, _, _ = kept_plan(self._store, self._facts, key, entries, now)
        plan = stand(key, entries, now)
        site = next((s for s in self._facts.sites if s.name == plan.site), None)
        if fields.get("do") in ("seen", "metar"):
            if site is None:
                raise InputError(f"the settings have no site {plan.site!r} any more")
            self._store.save_sighting(self._watch, self._sighting(site, fields, by, now))
            return
        seen = fields.get("seen", "")
        self._store.act_on_plan(
            self._watch,
            key,
            self._event(plan, site, fields, now),
            at_utc=now,
            by=by,
            steps=self._facts.team.steps,
            seen=int(seen) if seen.isascii() and seen.isdigit() and len(seen) < 9 else None,
            sure=fields.get("sure") == "yes",
        )
        after = stand(key, self._entries(key), now)
        if after.state is PlanState.RELEASED and site is not None:
            self._store.begin_planned(self._watch, after, site, now)

    def _event(
        self, plan: Plan, site: Site | None, fields: Mapping[str, str], now: datetime
    ) -> Event:
        zone = words.zone_of(site)
        match fields.get("do"):
            case "tick":
                return Ticked(fields.get("step", ""))
            case "untick":
                return Unticked(fields.get("step", ""))
            case "hold":
                minutes = _number(fields, "minutes", "how long to hold, in minutes", 1e5)
                wait = timedelta(minutes=minutes)
                check_clearance(plan.release_utc + wait, self._clearance)
                return Held(wait)
            case "move":
                release = read_moment(fields.get("time", ""), zone, now)
                check_clearance(release, self._clearance)
                return Moved(release)
            case "lift":
                return LiftMeasured(_number(fields, "kg", "the lift at the neck, in kg"))
            case "gauge":
                team = self._facts.team
                bar = _number(fields, "bar", "what the gauge shows, in bar", 1e4)
                found = team.cylinder_called(fields.get("cylinder", ""))
                return Gauged(found.name, bar * 1e5 + STANDARD_PRESSURE_PA)
            case "released":
                typed = fields.get("time", "")
                return Released(read_moment(typed, zone, now, happened=True) if typed else now)
            case "scrub":
                return Scrubbed(_text(fields, "why"))
            case "done":
                return Done(_text(fields, "note"))
            case other:
                raise InputError(f"{other!r} is nothing that can be done to a plan")

    def _sighting(self, site: Site, fields: Mapping[str, str], by: str, now: datetime) -> Sighting:
        if fields.get("do") == "metar":
            station = self._facts.team.station(site.name)
            return read_metar(fields.get("metar", ""), site.name, by, now, station=station)
        km = _maybe(fields, "visibility", "the visibility, in km")
        cloud = _maybe(fields, "cloud", "the cloud, in eighths")
        if cloud is not None and cloud != int(cloud):
            raise InputError(f"cloud of {cloud:g}; give whole eighths, 0 to 8")
        return Sighting(
            site.name,
            now,
            by,
            wind_mps=_maybe(fields, "wind", "the wind, in m/s"),
            gust_mps=_maybe(fields, "gust", "the gust, in m/s"),
            wind_from_deg=_maybe(fields, "from", "where the wind comes from, in degrees"),
            cloud_oktas=None if cloud is None else int(cloud),
            visibility_m=None if km is None else km * 1000.0,
        )


def _address(key: str, fields: Mapping[str, str]) -> str:
    """A plan's page that still knows who asks."""
    return f"/plans/{key}?by={quote(' '.join(fields.get('by', '').split()))}"


def _name(fields: Mapping[str, str]) -> str:
    name = " ".join(fields.get("by", "").split())
    if not 0 < len(name) <= LONGEST_NAME or not name.isprintable():
        raise InputError("say who you are: your name goes beside what you do")
    return name


def _text(fields: Mapping[str, str], name: str) -> str:
    text = " ".join(fields.get(name, "").split())
    if len(text) > LONGEST_TEXT or not text.isprintable():
        raise InputError(f"that is too long; say it in {LONGEST_TEXT} letters")
    return text


def _number(fields: Mapping[str, str], name: str, what: str, most: float = 1e6) -> float:
    """A number that was typed, with a point or a comma.

    Raises
    ------
    InputError
    """
    typed = fields.get(name, "").strip()
    try:
        value = float(typed.replace(",", "."))
    except ValueError:
        value = math.nan
    if not abs(value) < most:
        raise InputError(f"{typed!r} is no number; give {what}, as 2.8")
    return value


def _maybe(fields: Mapping[str, str], name: str, what: str) -> float | None:
    """The same where nothing may be said."""
    return _number(fields, name, what) if fields.get(name, "").strip() else None
