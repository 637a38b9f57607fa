"""Reports of logged flights on paper: one page of a flight, and the season for the team. Pure."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cache
from importlib.resources import files

import numpy as np

from windowwatch.chase.flown import SaidBefore
from windowwatch.chase.following import track_so_far
from windowwatch.chase.logbook import Logged, Made, Note, NoteKind
from windowwatch.chase.phases import Track as Reported
from windowwatch.chase.values import Kept
from windowwatch.drawing.hour_map import MapView, Shape, Stroke, draw, fitting
from windowwatch.ground.query.features import Ground
from windowwatch.ground.query.outline import Zone
from windowwatch.learning.balloons import courses, kit_of, train_lines
from windowwatch.physics.earth import destination, distance_m
from windowwatch.physics.spread import Footprint
from windowwatch.physics.train import FlightTrain
from windowwatch.scoring.values import HourDetail, Site, Track
from windowwatch.storage.flightlog import lessons_of
from windowwatch.web.pages.pack import Renders
from windowwatch.wording import flightlog as words
from windowwatch.wording.chase import height_words, place_words
from windowwatch.wording.credits import gathered, in_sight
from windowwatch.wording.phrases import sentence

#: The map on paper.
_PAPER = Shape("paper", 640.0, 260.0, 380.0)
#: Points of the track in the drawing.
_POINTS = 80
#: Leads under which errors are put together, and how far from them. [h]
LEADS_H, _LEAD_REACH_H = (12.0, 24.0, 48.0, 72.0, 120.0, 168.0), 6.0
#: Fewer flights say little.
FEW = 10
#: Letters about landing and irregularities beyond which the map is set smaller.
MOST_LETTERS = 700
#: A sign about its place.
_LANDED = "m0 -7l7 7l-7 7l-7 -7z"

Rows = tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Paper:
    """The report of a flight, in words."""

    name: str
    day: str
    lead: str
    times: Rows
    heights: Rows
    train: Rows
    rises: tuple[str, ...]
    falls: tuple[str, ...]
    landing: Rows
    area: tuple[str, ...]
    irregular: tuple[str, ...]
    drawing: MapView | None
    spoken: str
    signs: tuple[str, ...]
    ground: tuple[str, ...]
    foot: str

    @property
    def dense(self) -> bool:
        """Whether so much is to be told that the map gives way, to stay on one page."""
        told = sum(map(len, (*self.irregular, *self.area, *(text for _, text in self.landing))))
        return told > MOST_LETTERS


def paper(
    logged: Logged,
    kept: Sequence[Kept],
    ground: Ground | None = None,
    zones: Sequence[Zone] = (),
) -> Paper:
    """The report of a flight, for client and authority.

    Parameters
    ----------
    logged : Logged
    kept : sequence of Kept
        All its reports, for the map.
    ground : Ground, optional
    zones : sequence of Zone
        Airspace and permitted areas, for the map.
    """
    begun, made = logged.flight.begun, logged.made
    track = track_so_far(tuple(kept))
    view = None if made is None else _drawn(logged, made, track, ground or Ground(), zones)
    trackers = sorted({each.report.tracker for each in kept})
    source = logged.text(NoteKind.SOURCE)
    foot = f"{track.size} positions of {', '.join(trackers) or 'no tracker'} are used"
    foot += f", imported from {source}" if source else ""
    return Paper(
        name=begun.name,
        day=f"{(begun.begun_utc if made is None else made.flown.released_utc):%Y-%m-%d}",
        lead=_lead(logged),
        times=_times(logged),
        heights=_heights(logged),
        train=(("train", words.kit_words(logged)), ("lift at the neck", words.lift_words(logged))),
        rises=() if made is None else words.bare_rates(made.flown.rises),
        falls=() if made is None else words.bare_rates(made.flown.falls),
        landing=_landing(logged),
        area=_area(logged),
        irregular=words.irregular_lines(logged),
        drawing=view,
        spoken=f"Map: track of {begun.name}, with the areas that had been said",
        signs=_signs(logged, view),
        ground=() if ground is None else in_sight(gathered(ground.sources)),
        foot=f"{sentence(foot)} {words.MEASURED_SO}",
    )


def _lead(logged: Logged) -> str:
    made = logged.made
    if made is None:
        return sentence(logged.why or "nothing was made of this flight yet")
    flown = made.flown
    top = flown.burst_height_m
    parts = [
        f"released {words.when(flown.released_utc)}",
        "burst not seen" if top is None else f"burst at {top / 1e3:.1f} km",
        "landing not known" if flown.landing is None else f"landed {words.drift_words(flown)}",
    ]
    end = logged.flight.closing
    parts.append("not closed yet" if end is None else words.OUTCOMES[end.outcome])
    return sentence("; ".join(parts))


def _times(logged: Logged) -> Rows:
    made, end = logged.made, logged.flight.closing
    if made is None:
        return ()
    flown = made.flown
    return (
        ("release", words.when(flown.released_utc)),
        ("burst", words.when(flown.burst_utc)),
        ("landing", words.when(flown.landing_utc)),
        ("closed", "not yet" if end is None else words.when(end.at_utc)),
    )


def _heights(logged: Logged) -> Rows:
    made, begun = logged.made, logged.flight.begun
    if made is None:
        return ()
    flown = made.flown
    return (
        ("release", f"{place_words(begun.latitude_deg, begun.longitude_deg)}, "
                    f"{height_words(begun.height_m)}"),
        ("burst", words.burst_words(flown, with_time=False)),
        ("highest report", height_words(flown.highest_m)),
        ("mean rise", words.speed_words(words.mean_rate(flown.rises))),
        ("fall before landing", words.speed_words(flown.landing_mps)),
    )  # fmt: skip


def _landing(logged: Logged) -> Rows:
    made, end = logged.made, logged.flight.closing
    rows = [] if made is None else [
        ("landing", words.landing_words(made.flown, with_time=False)),
        ("drift", words.drift_words(made.flown)),
    ]  # fmt: skip
    rows.append(("recovery", "not closed yet" if end is None else words.ended_words(end)))
    return tuple(rows)


def _area(logged: Logged) -> tuple[str, ...]:
    """What had been said of the landing, and whether it held."""
    made, lines = logged.made, []
    spot = None if made is None else made.flown.landing
    note = logged.noted(NoteKind.ANNOUNCED)
    if note is not None:
        away = None
        if spot is not None:
            away = float(distance_m(note.latitude_deg or 0.0, note.longitude_deg or 0.0, *spot))
        lines.append(words.announced_words(note, away))
    best = None if made is None else made.forecast
    if best is not None:
        lines.append(words.forecast_area_words(best))
    return tuple(lines) or (words.NO_AREA,)


def _drawn(
    logged: Logged, made: Made, track: Reported, ground: Ground, zones: Sequence[Zone]
) -> MapView | None:
    """Track, areas and landing."""
    begun, flown = logged.flight.begun, made.flown
    if not track.size:
        return None
    spot = flown.landing or (float(track.latitude_deg[-1]), float(track.longitude_deg[-1]))
    best = made.forecast
    area = best.area if best is not None else None
    middle = area or Footprint(*spot, 0, 1.0, 1.0, 1.0, 1.0, 0.0)
    site = Site("release", begun.latitude_deg, begun.longitude_deg, begun.height_m, "UTC")
    detail = HourDetail("release", flown.released_utc, _line(track, made), (), (), None, None)
    note = logged.noted(NoteKind.ANNOUNCED)
    more = () if note is None else (_announced(note),)
    view = draw(site, middle, ground, detail=detail, zones=(*zones, *more), shape=_PAPER)
    if flown.landing is None:
        return view
    x, y = fitting(site, middle, detail, _PAPER).point(*spot)
    landed = Stroke(f"M{x:.1f} {y:.1f}{_LANDED}", "landed")
    return replace(view, zones=(*view.zones, landed))


def _line(track: Reported, made: Made) -> Track | None:
    """The reported track as maps draw one."""
    flown = track.part(np.isfinite(track.height_m))
    flown = flown.part(flown.time_unix_s >= made.flown.released_utc.timestamp() - 60.0)
    if flown.size < 2:
        return None
    rows = np.unique(
        np.r_[np.linspace(0, flown.size - 1, _POINTS).astype(np.intp), np.argmax(flown.height_m)]
    )
    flown = flown.part(rows)
    none = (float("nan"),) * flown.size
    return Track(
        time_unix_s=tuple(flown.time_unix_s.tolist()),
        latitude_deg=tuple(flown.latitude_deg.tolist()),
        longitude_deg=tuple(flown.longitude_deg.tolist()),
        height_m=tuple(flown.height_m.tolist()),
        u_mps=none,
        v_mps=none,
        temperature_k=none,
        burst_index=int(np.argmax(flown.height_m)),
    )


def _announced(note: Note) -> Zone:
    """A circle that was announced."""
    turn = np.arange(0.0, 361.0, 10.0)
    lat, lon = destination(
        note.latitude_deg or 0.0, note.longitude_deg or 0.0, turn, note.number or 0.0
    )
    return Zone("announced", words.ANNOUNCED_LABEL, (np.stack([lat, lon], axis=-1),))


def _signs(logged: Logged, view: MapView | None) -> tuple[str, ...]:
    """Signs that are drawn only because a map needs them: without a forecast it has no area."""
    best = None if logged.made is None else logged.made.forecast
    return () if view is None or best is not None else words.SIGNS_OF_AREA


@dataclass(frozen=True)
class Season:
    """All flights, for the team."""

    span: str
    lead: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    errors: tuple[tuple[str, ...], ...]
    settings: tuple[str, ...]
    teaches: tuple[str, ...]
    irregular: tuple[tuple[str, tuple[str, ...]], ...]
    few: str


def season(log: Sequence[Logged], train: FlightTrain | None = None) -> Season:
    """All flights on a page, the first one first.

    Parameters
    ----------
    log : sequence of Logged
    train : FlightTrain, optional
        Of the settings, for the lines that flights teach.
    """
    ordered = sorted(log, key=lambda each: each.flight.begun.begun_utc)
    made = [each for each in ordered if each.made is not None]
    found = courses(lessons_of(ordered))
    days = [f"{each.flight.begun.begun_utc:%Y-%m-%d}" for each in ordered]
    lines = () if train is None else train_lines(train, kit_of(train), found)
    return Season(
        span=" to ".join(dict.fromkeys([days[0], days[-1]])) if days else "",
        lead=words.season_lead(ordered),
        columns=words.SEASON_COLUMNS,
        rows=tuple(words.season_row(each) for each in ordered),
        errors=_errors(made),
        settings=words.train_settings(lines),
        teaches=tuple(map(words.course_words, found)),
        irregular=tuple(
            (each.flight.begun.name, said)
            for each in ordered
            if (said := words.irregular_lines(each))
        ),
        few=words.few_words(len(made)) if len(made) < FEW else "",
    )


def _errors(made: Iterable[Logged]) -> tuple[tuple[str, ...], ...]:
    """Landing error by lead and model: of each flight the cycle that is nearest to the lead."""
    flights = [each.made.said for each in made if each.made is not None]
    models = sorted({s.model for said in flights for s in said})
    rows = []
    for lead in LEADS_H:
        for model in models:
            found = [
                min(near, key=lambda s: abs(s.lead_h - lead))
                for said in flights
                if (near := [s for s in said if s.model == model and _is_near(s, lead)])
            ]
            if found:
                rows.append(words.error_row(lead, model, found))
    return tuple(rows)


def _is_near(said: SaidBefore, lead_h: float) -> bool:
    return said.error_m is not None and abs(said.lead_h - lead_h) <= _LEAD_REACH_H


def paper_html(
    pages: Renders,
    logged: Logged,
    kept: Sequence[Kept],
    ground: Ground | None = None,
    zones: Sequence[Zone] = (),
    *,
    alone: bool = True,
) -> str:
    """The report of a flight as HTML; `alone` has its style in it."""
    return pages.render(
        "flightpaper.html",
        style=_style() if alone else "",
        view=paper(logged, kept, ground, zones),
    )


def season_html(
    pages: Renders,
    log: Sequence[Logged],
    train: FlightTrain | None = None,
    *,
    alone: bool = True,
) -> str:
    """The season as HTML; `alone` has its style in it."""
    return pages.render(
        "season.html", style=_style() if alone else "", view=season(log, train),
        with_the_fill=words.WITH_THE_FILL, caution=words.TRAIN_CAUTION,
    )  # fmt: skip


@cache
def _style() -> str:
    """Style of paper and maps."""
    own = files("windowwatch.web") / "static" / "paper.css"
    maps = files("windowwatch.drawing") / "static" / "map.css"
    return own.read_text(encoding="utf-8") + maps.read_text(encoding="utf-8")
