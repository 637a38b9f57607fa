"""A scouted region as a page, and as one file: best places, maps, every hour."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from dataclasses import fields as dataclass_fields
from datetime import datetime, timedelta
from functools import cache
from importlib.resources import files
from threading import Lock
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from windowwatch.clock import Clock, floor_to_step
from windowwatch.drawing.hour_map import TALL, WIDE
from windowwatch.drawing.place_map import key_svgs, places_svg, small_svg
from windowwatch.drawing.svg import hatches_svg
from windowwatch.errors import GroundError, InputError
from windowwatch.forecast.cycle import Cycle
from windowwatch.ground.query.features import Ground
from windowwatch.ground.query.outline import Zone, zones_of
from windowwatch.ground.region import Region, region_around, region_of
from windowwatch.scoring.values import Site
from windowwatch.scouting.values import Order, PlaceHours, RunState, ScoutFields, Scouting
from windowwatch.web.access.guard import COOKIE, CsrfTokens, FormError, posted
from windowwatch.web.pages.render import Pages
from windowwatch.web.reading import Reader
from windowwatch.web.values import Facts, from_stamp, stamp
from windowwatch.wording import scouting as words
from windowwatch.wording.credits import credit_lines, gathered
from windowwatch.wording.page import moment_words, span_words
from windowwatch.wording.scouting import PlaceRow

if TYPE_CHECKING:
    from windowwatch.web.pages.routes import Page

#: Places in the table of a page.
_BEST = 8
#: Words for what cannot be seen.
_CHANCE, _LIMITS = "Map: how likely each place is", "Map: what is most in the way at each place"


@dataclass(frozen=True)
class HourCell:
    """One launch hour of all places: where its maps are, and at how many places it is go.

    `day` is said where a day begins; `tint` is a class of the page's scores.
    """

    href: str
    day: str
    clock: str
    go: int
    tint: str
    chosen: bool


@dataclass(frozen=True)
class Maps:
    """Two maps, each in the shapes that are asked: SVG text."""

    chance: tuple[str, ...]
    limits: tuple[str, ...]


@dataclass(frozen=True)
class ScoutView:
    """The page in words and drawings.

    Parameters
    ----------
    answer, head, order, share : str
    old : str
        Said where a newer forecast has come since.
    coarse : bool
        More places are still being flown.
    hour : str
        The hour that is looked at; empty for the best of each place.
    wanted : bool
        Whether landings are wanted somewhere.
    best : tuple of PlaceRow
    blocks : tuple of (str, str)
        Of the best places, and of the one that is looked at: letter and name, and settings.
    maps : Maps
    key : list of (SVG, words)
    limits : tuple of (letter, words, count)
    hours : tuple of HourCell
        Those at which any place is go or caution, and the one that is looked at.
    none_hours : int
        How many others there are.
    place : str
        Name of the place whose hours stand in `rows`; empty for none.
    rows : tuple of (PlaceRow, bool)
        Its hours in the light in order, and whether it is the best one.
    dark : int
        How many others there are.
    notes : tuple of str
    caution, afterwards : str
    """

    answer: str
    head: str
    order: str
    share: str
    old: str
    coarse: bool
    hour: str
    wanted: bool
    best: tuple[PlaceRow, ...]
    blocks: tuple[tuple[str, str], ...]
    maps: Maps
    key: list[tuple[str, str]]
    limits: tuple[tuple[str, str, int], ...]
    hours: tuple[HourCell, ...]
    none_hours: int
    place: str
    rows: tuple[tuple[PlaceRow, bool], ...]
    dark: int
    notes: tuple[str, ...]
    caution: str = words.CAUTION
    afterwards: str = words.AFTERWARDS


def scout_view(
    scouting: Scouting,
    ground: Ground,
    zones: tuple[Zone, ...],
    *,
    hour: int | None = None,
    place: int | None = None,
    most: int = _BEST,
    old: bool = False,
) -> ScoutView:
    """The page of a scouting.

    Parameters
    ----------
    scouting : Scouting
    ground, zones
        For maps.
    hour : int, optional
        One launch hour; the best of each place when left out.
    place : int, optional
        Number of a place that is flown: its hours are listed.
    most : int
        So many of the best places.
    old : bool
        A newer forecast has come since.
    """
    zone = ZoneInfo(scouting.places[0].time_zone)
    best, limits = scouting.best(most, hour), scouting.limits(hour)
    cells = _cells(scouting, zone, hour)
    rows = () if place is None else _rows(scouting, place)
    blocks = [
        (f"{words.letter_of(number)}, {scouting.places[each.place].name}", each.place)
        for number, (each, _) in enumerate(best)
    ]
    if place is not None and place not in [each for _, each in blocks]:
        blocks.insert(0, (scouting.places[place].name, place))
    return ScoutView(
        answer=words.answer_words(scouting),
        head=words.head_words(scouting, zone),
        order=words.order_words(scouting),
        share=words.share_words(scouting),
        old=words.OLD if old else "",
        coarse=scouting.coarse,
        hour="" if hour is None else moment_words(scouting.times_utc[hour], zone),
        wanted=scouting.asked.land_in is not None,
        best=tuple(
            words.place_row(scouting, *pair, words.letter_of(number))
            for number, pair in enumerate(best)
        ),
        blocks=tuple(
            (title, words.settings_block(scouting.places[each])) for title, each in blocks
        ),
        maps=_maps(scouting, ground, zones, hour, best),
        key=key_svgs(scouting),
        limits=words.limit_lines(limits),
        hours=cells,
        none_hours=len(scouting.times_utc) - len(cells),
        place="" if place is None else scouting.places[place].name,
        rows=rows,
        dark=0 if place is None else len(scouting.times_utc) - len(rows),
        notes=words.notes(scouting),
    )


def _maps(
    scouting: Scouting,
    ground: Ground,
    zones: tuple[Zone, ...],
    hour: int | None,
    best: Sequence[tuple[PlaceHours, int]],
) -> Maps:
    ranked = scouting.ranked(hour)
    numbers = {name: number for number, (name, _) in enumerate(scouting.limits(hour))}
    drawn: list[tuple[str, ...]] = []
    for ident, spoken, limits in (("chance", _CHANCE, None), ("limits", _LIMITS, numbers)):
        drawn.append(
            tuple(
                places_svg(
                    scouting, ground, zones, ranked, best, shape=shape, limits=limits,
                    ident=f"{ident}-{shape.name}", spoken=spoken,
                )
                for shape in (TALL, WIDE)
            )
        )  # fmt: skip
    return Maps(*drawn)


def _cells(scouting: Scouting, zone: ZoneInfo, chosen: int | None) -> tuple[HourCell, ...]:
    cells, day = [], ""
    for number, moment in enumerate(scouting.times_utc):
        if number != chosen and not scouting.any_good(number):
            continue
        go, there = scouting.go_places(number), moment.astimezone(zone)
        today = moment_words(moment, zone).rsplit(" ", 1)[0]
        tint = -(-10 * go // max(len(scouting.found), 1))
        cells.append(
            HourCell(
                f"/scout?hour={stamp(moment)}",
                today if today != day else "",
                f"{there:%H:%M}",
                go,
                f"s{tint}",
                number == chosen,
            )
        )
        day = today
    return tuple(cells)


def _rows(scouting: Scouting, place: int) -> tuple[tuple[PlaceRow, bool], ...]:
    each = scouting.found[place]
    return tuple(
        (words.place_row(scouting, each, number), number == each.best)
        for number in range(len(scouting.times_utc))
        if not each.in_the_dark(number)
    )


#: Starts a scouting, of what was written into its form; raises InputError where one is under way.
Scouts = Callable[[Order, ScoutFields], None]


class ScoutRoutes:
    """Shows the newest scouting of a watch, and starts one.

    Parameters
    ----------
    reader : Reader
    facts : Facts
    clock : Clock
    csrf : CsrfTokens
    page, problem : callable
        Make a page; make one of a title and a text, with a status.
    scouts : callable or None
        Starts a scouting; None where none can be started.
    """

    def __init__(
        self,
        reader: Reader,
        facts: Facts,
        clock: Clock,
        csrf: CsrfTokens,
        *,
        page: "Page",
        problem: Callable[[str, str, int], Response],
        scouts: Scouts | None,
    ) -> None:
        self._reader, self._facts, self._clock, self._page = reader, facts, clock, page
        self._csrf, self._problem, self._scouts = csrf, problem, scouts
        self._lock = Lock()
        self._read: tuple[int, Scouting | None] = (0, None)
        self.routes = [Route("/scout", self.scout)]
        if scouts is not None:
            self.routes += [
                Route("/scout", self.start, methods=["POST"]),
                Route("/scout/new", self.new),
                Route("/scout/end", self.end, methods=["POST"]),
            ]

    def new(self, request: Request) -> Response:
        """The form that starts a scouting, as it was filled in last."""
        run = self._reader.store.scout_run(self._facts.watch)
        return self._form(request, usual(self._facts.sites) if run is None else run.asked)

    def _form(
        self, request: Request, fields: ScoutFields, refused: str = "", at: str = ""
    ) -> Response:
        made = self._page(
            request,
            "newscout.html",
            self._reader.newest(),
            fields=fields,
            refused=refused,
            at=at,
            sites=[(each.name, _circle(each)) for each in self._facts.sites],
            csrf=self._word(request),
        )
        made.status_code = 409 if refused else 200
        return made

    async def start(self, request: Request) -> Response:
        """Start a scouting; what is wrong is said above the form, which keeps what it holds."""
        try:
            typed = await self._posted(request)
        except FormError as error:
            return self._problem("Refused", error.words, error.status)
        names = (each.name for each in dataclass_fields(ScoutFields))
        fields = ScoutFields(**{name: typed.get(name, "").strip() for name in names})
        try:
            await run_in_threadpool(self._start, fields)
        except FieldError as error:
            return await run_in_threadpool(self._form, request, fields, error.message, error.field)
        except InputError as error:
            return await run_in_threadpool(self._form, request, fields, error.message)
        return RedirectResponse("/scout", 303)

    def _start(self, fields: ScoutFields) -> None:
        assert self._scouts is not None
        order = order_of(fields, self._clock.now(), self._facts.step)
        self._scouts(order, fields)

    async def end(self, request: Request) -> Response:
        """End a scouting under way."""
        try:
            await self._posted(request)
        except FormError as error:
            return self._problem("Refused", error.words, error.status)
        await run_in_threadpool(self._reader.store.stop_scout_run, self._facts.watch)
        return RedirectResponse("/scout", 303)

    async def _posted(self, request: Request) -> dict[str, str]:
        fields = await posted(request, MOST_FIELDS, LONGEST_FORM)
        self._csrf.check(fields, request.cookies.get(COOKIE, ""))
        return fields

    def _word(self, request: Request) -> str:
        return self._csrf.word(request.cookies.get(COOKIE, ""))

    def _run(self) -> tuple[str, bool, float]:
        """What is said of the scouting that was started last; whether it goes on; how far it is."""
        run, now = self._reader.store.scout_run(self._facts.watch), self._clock.now()
        if run is None:
            return "", False, 0.0
        zone = ZoneInfo(self._facts.sites[0].time_zone if self._facts.sites else "UTC")
        going = run.stands(now) is RunState.RUNNING
        return words.run_words(run, now, zone), going, run.share

    def scout(self, request: Request) -> Response:
        """The newest scouting, or how one is made."""
        found, snapshot = self._newest(), self._reader.newest()
        left = None if found is None else found.since(self._clock.now())
        said, going, share = self._run()
        about: dict[str, Any] = {
            "run": said, "going": going, "share": share, "csrf": self._word(request),
            "starts": self._scouts is not None,
            "scout_mark": self._reader.scout_mark(self._clock.now()),
        }  # fmt: skip
        if left is None:
            over = "" if found is None else words.OVER
            return self._page(request, "scout.html", snapshot, view=None, over=over, **about)
        facts, found = self._facts, left
        view = scout_view(
            found,
            facts.ground,
            facts.zones,
            hour=_hour(found, request.query_params.get("hour")),
            place=_place(found, request.query_params.get("place")),
            old=snapshot is not None and snapshot.cycle.cycle.id != found.cycle_id,
        )
        return self._page(request, "scout.html", snapshot, view=view, over="", **about)

    def _newest(self) -> Scouting | None:
        """The newest scouting; read anew only when there is another."""
        number = self._reader.store.scouting_number(self._facts.watch)
        with self._lock:
            if self._read[0] != number:
                found = self._reader.store.newest_scouting(self._facts.watch)
                self._read = number, found
            return self._read[1]


def _hour(found: Scouting, asked: str | None) -> int | None:
    """Number of the launch hour that an address names."""
    if not asked:
        return None
    moment: datetime | None = from_stamp(asked)
    if moment is None or moment not in found.times_utc:
        raise HTTPException(404)
    return found.times_utc.index(moment)


def _place(found: Scouting, asked: str | None) -> int | None:
    """Number of the place that an address names, among those that are flown."""
    if not asked or not asked.strip():
        return None
    name = asked.strip().upper()
    for number in range(len(found.found)):
        if found.places[number].name == name:
            return number
    raise HTTPException(404)


#: Of the form that starts a scouting: a region is an outline, no map. [byte]
MOST_FIELDS, LONGEST_FORM = 8, 400_000
#: Bounds of what it asks for, as of the command.
_SPACING_KM, _HOURS = (0.2, 200.0), (1, 240)
#: Of a scouting that is started on the page: how far apart its best places lie, and flights.
_APART_KM, _DRAWS = 15.0, 16
#: Radius that the form offers round a site. [km]
_ROUND_KM = 30


class FieldError(InputError):
    """A field of a form cannot be used; `field` names it."""

    def __init__(self, field: str, message: str) -> None:
        super().__init__(message)
        self.field = field


def _circle(site: Site) -> str:
    return f"{site.latitude_deg:.3f}, {site.longitude_deg:.3f}, {_ROUND_KM}"


def usual(sites: Sequence[Site]) -> ScoutFields:
    """The form as it is before anybody has filled it in: round the first site."""
    return ScoutFields(around=_circle(sites[0]) if sites else "")


def order_of(fields: ScoutFields, now_utc: datetime, step: timedelta) -> Order:
    """What is to be scouted, of what was written.

    Raises
    ------
    FieldError
        Naming the field and what to write.
    """
    spacing_km = _number("spacing", "Spacing", fields.spacing, _SPACING_KM, "km, such as 5")
    hours = int(_number("hours", "Launch hours", fields.hours, _HOURS, "whole ones, such as 48"))
    first = floor_to_step(now_utc, step)
    first = first if first >= now_utc else first + step
    if fields.how == "polygon":
        region = _polygon("polygon", "Polygon", fields.polygon)
    else:
        region = _around(fields.around)
    wanted = _polygon("land_in", "Landings wanted", fields.land_in) if fields.land_in else None
    return Order(
        region=region,
        times_utc=tuple(first + number * step for number in range(hours)),
        spacing_km=spacing_km,
        apart_km=_APART_KM,
        draws=_DRAWS,
        land_in=wanted,
    )


def _number(field: str, label: str, typed: str, bounds: tuple[float, float], what: str) -> float:
    """A number of a form, with a point or a comma."""
    low, high = bounds
    try:
        value = float(typed.replace(",", "."))
    except ValueError:
        value = float("nan")
    if not low <= value <= high or (field == "hours" and value % 1.0):
        raise FieldError(field, f"{label}: {typed!r} is not from {low:g} to {high:g}; write {what}")
    return value


def _around(typed: str) -> Region:
    try:
        return region_around(typed, "Circle:")
    except InputError as error:
        raise FieldError("around", error.message) from error


def _polygon(field: str, label: str, typed: str) -> Region:
    if not typed:
        raise FieldError(field, f"{label}: is empty; paste GeoJSON, or choose the circle")
    try:
        return region_of(typed.encode(), label, "the form", "")
    except (GroundError, InputError) as error:
        raise FieldError(field, error.message) from error


def scout_file(found: Scouting, ground: Ground, note: str, most: int) -> str:
    """The maps as one HTML file that needs no other: by the best hour, and every hour in small.

    Hours at which no place is go or caution are named, and not drawn.
    """
    zone = ZoneInfo(found.places[0].time_zone)
    view = scout_view(found, ground, zones_of(ground), most=most)
    small = []
    for number, moment in enumerate(found.times_utc):
        if found.any_good(number):
            said = f"{moment_words(moment, zone)}, go at {found.go_places(number)}"
            small.append((said, small_svg(found, number, f"hour-{number}", f"Map: {said}")))
    return Pages().render(
        "scoutfile.html",
        view=view,
        note=note,
        watch=found.watch,
        hatch=hatches_svg(),
        style=_style(),
        small=small,
        none=len(found.times_utc) - len(small),
        span=span_words(found.times_utc[0], found.times_utc[-1], zone),
        sources=gathered(credit_lines([Cycle.of_id(found.cycle_id)], ground)),
    )


@cache
def _style() -> str:
    """The file's own style, and that of maps, in light and dark."""
    web, maps = files("windowwatch.web") / "static", files("windowwatch.drawing") / "static"
    dark = (maps / "map-dark.css").read_text(encoding="utf-8")
    return "\n".join(
        (
            (web / "pack.css").read_text(encoding="utf-8"),
            (maps / "map.css").read_text(encoding="utf-8"),
            (web / "scoutfile.css").read_text(encoding="utf-8").replace("/* map-dark */", dark),
        )
    )
