"""A followed flight as its page shows it: what it does, where it will land, and the map. Pure."""

from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

import numpy as np

from windowwatch.chase.drives import Advice, CrewAdvice, Order
from windowwatch.chase.following import last_apart, line_error_m, state_by
from windowwatch.chase.phases import FLYING, SILENT, Phase, State
from windowwatch.chase.phases import Track as Reported
from windowwatch.chase.silence import search_order, sight, whereabouts
from windowwatch.chase.values import ChaseRules, Estimate, Flight, Heard, Said
from windowwatch.clock import from_unix_s
from windowwatch.drawing.hour_map import TALL, WIDE, MapView, draw
from windowwatch.ground.query.features import Ground
from windowwatch.ground.query.outline import Zone
from windowwatch.scoring.values import Drive, HourDetail, Site, Track
from windowwatch.web.draw.timeline import HeightLine, height_line
from windowwatch.wording import chase as words
from windowwatch.wording import crews as crewwords

#: Points of the reported track in the drawing, and rows of reports on the page.
_POINTS, ROWS = 60, 12
#: An area that is narrower than this is a place: nobody searches it square by square. [m]
_KNOWN_M = 50.0
#: Cells of a search that are listed.
_CELLS = 12


@dataclass(frozen=True)
class CrewView:
    """A crew on the page: what it is to do, and where that is as a link and in digits."""

    head: str
    geo: str
    place: str
    lines: tuple[str, ...]


@dataclass(frozen=True)
class FlightView:
    """The page of a flight, in words.

    `geo` is a link to the estimated landing, and `last_geo` one to the last place, as maps on
    phones open them (RFC 5870); `old` warns that nothing was heard for long, which an age of
    more than `old_s` is while it flies.
    """

    key: str
    name: str
    state: str
    age: str
    age_s: int
    old_s: int
    old: bool
    was: str
    last_geo: str
    ended: str
    landing: tuple[str, ...]
    geo: str
    doubt: str
    refused: str
    behind: str
    air: str
    caution: str
    tall: MapView | None
    wide: MapView | None
    spoken: str
    reports: tuple[str, ...]
    unused: int
    apart: str
    to_do: str
    chances: str
    crews: tuple[CrewView, ...]
    advice: tuple[str, ...]
    no_advice: str
    silence: tuple[str, ...]
    search: tuple[str, ...]
    cells: tuple[tuple[str, str], ...]
    line: HeightLine | None
    line_said: str


def flight_view(
    flight: Flight,
    heard: Heard,
    track: Reported,
    said: Said | None,
    now_utc: datetime,
    ground: Ground,
    zones: tuple[Zone, ...] = (),
    *,
    advice: Advice | None = None,
    rules: ChaseRules | None = None,
) -> FlightView:
    """The page of a flight at a moment.

    Parameters
    ----------
    flight : Flight
    heard : Heard
        Its last reports, and what is to be said of all.
    track : Track
        Of all that are used.
    said : Said or None
        The newest estimate.
    now_utc : datetime
    ground : Ground
    zones : tuple of Zone
        Airspace and permitted areas, for the map.
    advice : Advice, optional
        What crews are advised.
    rules : ChaseRules, optional
    """
    rules = rules or ChaseRules()
    begun, estimate = flight.begun, None if said is None else said.estimate
    state = state_by(begun, track, now_utc)
    maps: list[MapView] = []
    if estimate is not None:
        site = Site("release", begun.latitude_deg, begun.longitude_deg, begun.height_m, "UTC")
        detail = replace(_detail(track, estimate, state), crews=_ways(advice))
        maps = [
            draw(site, estimate.landing, ground, detail=detail, zones=zones, shape=shape)
            for shape in (TALL, WIDE)
        ]
    lines = () if estimate is None else words.landing_lines(estimate)
    refused = "" if said is None or said.refused is None else words.REFUSED[said.refused]
    apart = last_apart(heard.by_tracker)
    chase = _chase(state, estimate, advice, now_utc, ground, rules)
    return FlightView(
        key=flight.key,
        name=begun.name,
        state=words.state_words(state),
        age="" if state.age is None else words.age_words(state.age),
        age_s=0 if state.age is None else max(round(state.age.total_seconds()), 0),
        old_s=round(SILENT.total_seconds()) if state.phase in FLYING else 0,
        old=state.silent,
        was=_was(track, estimate),
        last_geo="" if not track.size else _geo(track.latitude_deg[-1], track.longitude_deg[-1]),
        ended="" if flight.closing is None else words.closing_words(flight.closing),
        landing=lines,
        geo="" if estimate is None else _geo(
            estimate.landing.latitude_deg, estimate.landing.longitude_deg
        ),
        doubt="" if estimate is None or words.lies(estimate) else words.doubt_words(estimate),
        refused=refused,
        behind=words.BEHIND if said is not None and said.number < heard.used_number else "",
        air=words.air_words(begun),
        caution=words.CAUTION,
        tall=maps[0] if maps else None,
        wide=maps[1] if maps else None,
        spoken=f"Map: {begun.name}; {lines[0] if lines else 'no landing is known'}",
        reports=tuple(words.report_words(each) for each in reversed(heard.last)),
        unused=heard.unused,
        apart="" if apart is None else words.apart_words(*apart),
        line=_line(track, estimate, now_utc),
        line_said=words.line_words(estimate),
        **chase,
    )  # fmt: skip


def _line(track: Reported, estimate: Estimate | None, now_utc: datetime) -> HeightLine | None:
    """Height against time, as far as it is known."""
    ahead = np.empty((4, 0))
    if estimate is not None:
        names = ("line_unix_s", "line_10_m", "line_50_m", "line_90_m")
        ahead = np.array([getattr(estimate, name) for name in names])
    line, low, middle, high = ahead
    return height_line(track.time_unix_s, track.height_m, (line, low, middle, high), now_utc)


def _chase(
    state: State,
    estimate: Estimate | None,
    advice: Advice | None,
    now_utc: datetime,
    ground: Ground,
    rules: ChaseRules,
) -> dict[str, Any]:
    """What crews are told."""
    told = advice if estimate is not None else None
    crews = () if told is None else told.crews
    lost = estimate is not None and state.silent
    search = None
    if estimate is not None and ground.rasters is not None:
        over = state.phase is Phase.DOWN or (lost and now_utc > estimate.landing_90_utc)
        wide = estimate.landing.major_90_m > _KNOWN_M
        search = search_order(ground.rasters, estimate.landing) if over and wide else None
    no_advice = ""
    if told is not None and told.refused is not None:
        no_advice = crewwords.NO_ADVICE[told.refused]
    elif told is not None and not crews:
        no_advice = crewwords.NO_CREW
    silence: tuple[str, ...] = ()
    if lost and estimate is not None:
        place = whereabouts(estimate, now_utc)
        silence = crewwords.silence_lines(place, estimate.landing.major_90_m)
    return {
        "to_do": crewwords.now_words(state, estimate, told, now_utc),
        "chances": "" if told is None else crewwords.chance_words(told.chances),
        "crews": tuple(_crew(each, state, estimate, now_utc, ground, rules) for each in crews),
        "advice": () if not crews or told is None else crewwords.advice_lines(told),
        "no_advice": no_advice,
        "silence": silence,
        "search": () if search is None else crewwords.search_words(search),
        "cells": () if search is None else tuple(
            (_geo(cell.latitude_deg, cell.longitude_deg), crewwords.cell_words(cell))
            for cell in search.cells[:_CELLS]
        ),
    }  # fmt: skip


def _crew(
    each: CrewAdvice,
    state: State,
    estimate: Estimate | None,
    now_utc: datetime,
    ground: Ground,
    rules: ChaseRules,
) -> CrewView:
    """What one crew is told, with a link to where it is sent."""
    lines = crewwords.crew_lines(each, now_utc)
    geo = place = ""
    if each.to_latitude_deg is not None and each.to_longitude_deg is not None:
        to = each.to_latitude_deg, each.to_longitude_deg
        if each.order is not Order.STAY:
            geo, place = _geo(*to), words.place_words(*to)
        if estimate is not None and ground.rasters is not None and state.phase in FLYING:
            seen = sight(ground.rasters, to, estimate, now_utc, rules.antenna_m)
            lines = (*lines, *([said] if (said := crewwords.sight_words(seen)) else []))
    return CrewView(crewwords.crew_head(each), geo, place, lines)


def _ways(advice: Advice | None) -> tuple[Drive, ...]:
    """Ways of crews as maps draw them; who stays is a point."""
    return tuple(
        Drive(
            each.crew.name,
            0.0 if each.to_s is None else each.to_s / 60.0,
            each.way_latitude_deg or (each.crew.latitude_deg,),
            each.way_longitude_deg or (each.crew.longitude_deg,),
        )
        for each in (() if advice is None else advice.crews)
        if each.order is not Order.NO_WAY
    )


def _geo(latitude_deg: float, longitude_deg: float) -> str:
    return f"geo:{latitude_deg:.5f},{(longitude_deg + 180.0) % 360.0 - 180.0:.5f}"


def _was(track: Reported, estimate: Estimate | None) -> str:
    """Where it was last, and how far that is from the line that was estimated before."""
    if not track.size:
        return ""
    high = float(track.height_m[-1])
    place = words.place_words(float(track.latitude_deg[-1]), float(track.longitude_deg[-1]))
    said = f"{place}, {words.height_words(high if np.isfinite(high) else None)}"
    moment = from_unix_s(float(track.time_unix_s[-1]))
    if estimate is None or not np.isfinite(high) or moment <= estimate.report_utc:
        return said
    return f"{said}, {words.off_words(line_error_m(estimate, moment, high))}"


def _detail(track: Reported, estimate: Estimate, state: State) -> HourDetail:
    """The reported track and the way to come, as maps draw a flight."""
    rows = np.unique(np.linspace(0, track.size - 1, min(track.size, _POINTS)).astype(np.intp))
    flown = track.part(rows)
    flown = flown.part(np.isfinite(flown.height_m))
    latitude = np.concatenate([flown.latitude_deg, estimate.way_latitude_deg])
    longitude = np.concatenate([flown.longitude_deg, estimate.way_longitude_deg])
    height = np.concatenate([flown.height_m, estimate.way_height_m])
    count = len(estimate.way_height_m)
    to_come = np.linspace(float(track.time_unix_s[-1]), estimate.landing_utc.timestamp(), count)
    none = tuple([float("nan")] * height.size)
    drawn = Track(
        time_unix_s=tuple(np.concatenate([flown.time_unix_s, to_come]).tolist()),
        latitude_deg=tuple(latitude.tolist()),
        longitude_deg=tuple(longitude.tolist()),
        height_m=tuple(height.tolist()),
        u_mps=none,
        v_mps=none,
        temperature_k=none,
        burst_index=int(np.argmax(height)),
    )
    flying = state.phase in FLYING
    return HourDetail(
        site="release",
        time_utc=estimate.report_utc,
        track=drawn,
        landing_latitude_deg=estimate.landing_latitude_deg[:100] if flying else (),
        landing_longitude_deg=estimate.landing_longitude_deg[:100] if flying else (),
        burst=estimate.burst,
        drive=None,
    )
