"""A scouted region as a page, and as one file: best places, maps, every hour."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from importlib.resources import files
from threading import Lock
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from windowwatch.clock import Clock
from windowwatch.drawing.hour_map import TALL, WIDE
from windowwatch.drawing.place_map import key_svgs, places_svg, small_svg
from windowwatch.drawing.svg import hatches_svg
from windowwatch.forecast.cycle import Cycle
from windowwatch.ground.query.features import Ground
from windowwatch.ground.query.outline import Zone, zones_of
from windowwatch.scouting.values import PlaceHours, Scouting
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


class ScoutRoutes:
    """Shows the newest scouting of a watch."""

    def __init__(self, reader: Reader, facts: Facts, clock: Clock, page: "Page") -> None:
        self._reader, self._facts, self._clock, self._page = reader, facts, clock, page
        self._lock = Lock()
        self._read: tuple[int, Scouting | None] = (0, None)
        self.routes = [Route("/scout", self.scout)]

    def scout(self, request: Request) -> Response:
        """The newest scouting, or how one is made."""
        found, snapshot = self._newest(), self._reader.newest()
        left = None if found is None else found.since(self._clock.now())
        if left is None:
            over = "" if found is None else words.OVER
            return self._page(request, "scout.html", snapshot, view=None, over=over)
        facts, found = self._facts, left
        view = scout_view(
            found,
            facts.ground,
            facts.zones,
            hour=_hour(found, request.query_params.get("hour")),
            place=_place(found, request.query_params.get("place")),
            old=snapshot is not None and snapshot.cycle.cycle.id != found.cycle_id,
        )
        return self._page(request, "scout.html", snapshot, view=view, over="")

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
