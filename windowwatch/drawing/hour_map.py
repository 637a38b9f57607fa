"""A map as numbers of an SVG drawing: flight, landings, drive, airspace, ground. Pure."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from windowwatch.drawing.flat import KM_PER_DEG, TALL, Flat, FloatArray, Shape, fitted
from windowwatch.drawing.labels import Label, Labels
from windowwatch.ground.query.features import AreaKind, Ground, RoadClass
from windowwatch.ground.query.outline import Outline, Zone, outlines
from windowwatch.physics.spread import Footprint
from windowwatch.scoring.detail import Drive, HourDetail, Track
from windowwatch.scoring.values import Site

#: A drawing holds no more vertices of the ground than this.
MOST_VERTICES = 5_000
#: Names of areas in a drawing.
MOST_NAMES = 7
#: Minutes from one mark of the flight to the next, and how many marks there may be.
MARK_STEPS_MIN, MOST_MARKS = (15, 30, 60, 120), 8
_MAJOR = {RoadClass.MOTORWAY, RoadClass.TRUNK, RoadClass.PRIMARY, RoadClass.SECONDARY}
#: A line keeps names off itself at points that are so far apart. [unit]
_ALONG = 4.0
#: Every so many of these points along its outline, a zone may bear its name.
_CORNER = 5
_SMALL = {RoadClass.TRACK, RoadClass.PATH}
_SHUNNED = {AreaKind.TOWN, AreaKind.INDUSTRY, AreaKind.AERODROME, AreaKind.MILITARY,
            AreaKind.NO_ENTRY}  # fmt: skip


@dataclass(frozen=True)
class Stroke:
    """A path and the class that draws it."""

    path: str
    kind: str


@dataclass(frozen=True)
class Ring:
    """An ellipse in units of the drawing; `turn_deg` clockwise from the x axis."""

    x: float
    y: float
    major: float
    minor: float
    turn_deg: float


@dataclass(frozen=True)
class MapView:
    """A whole drawing. `strokes` are the ground, `zones` airspace and permitted areas."""

    shape: str
    width: float
    height: float
    strokes: tuple[Stroke, ...]
    zones: tuple[Stroke, ...]
    in_50: Ring
    in_90: Ring
    burst_90: Ring | None
    landings: str
    drive: str
    up: str
    down: str
    marks: tuple[tuple[float, float], ...]
    burst: tuple[float, float] | None
    site: tuple[float, float]
    crew: tuple[float, float] | None
    centre: tuple[float, float]
    labels: tuple[Label, ...]
    bar_x: float
    bar_units: float
    bar_km: str

    @property
    def kinds(self) -> frozenset[str]:
        """Classes of ground and zones that are drawn, for the legend."""
        return frozenset(word for s in (*self.strokes, *self.zones) for word in s.kind.split())


def draw(
    site: Site,
    footprint: Footprint,
    ground: Ground,
    *,
    detail: HourDetail | None = None,
    zones: Sequence[Zone] = (),
    shape: Shape = TALL,
    most: int = MOST_VERTICES,
) -> MapView:
    """Draw where the flights of an hour go and land, seen with their site.

    Parameters
    ----------
    site : Site
    footprint : Footprint
    ground : Ground
        What it has of areas and roads is drawn.
    detail : HourDetail, optional
        The middle flight, single landings, burst area and drive.
    zones : sequence of Zone
        Airspace and permitted areas.
    shape : Shape
    most : int, optional
        So many vertices of the ground at most; the smallest roads are left out first.
    """
    track = None if detail is None else detail.track
    drive = None if detail is None else detail.drive
    burst = None if detail is None else detail.burst
    flat = fitting(site, footprint, detail, shape)
    found = outlines(ground, flat.frame, 0.4 / (flat.per_km * KM_PER_DEG), most=most)
    at = flat.point(site.latitude_deg, site.longitude_deg)
    centre = flat.point(footprint.latitude_deg, footprint.longitude_deg)
    crew = None if drive is None or drive.start == site.name else _start(drive, flat)
    marks = [] if track is None else [(m, flat.point(*there)) for m, *there in mark_times(track)]
    bang = None if track is None else _burst(track, flat)
    bar_x, bar_units, bar_km = _bar(flat, at)
    names = Labels(flat.width, flat.height, (bar_x - 4.0, bar_x + bar_units + 60.0))
    signs = [at, centre, *(p for _, p in marks), *(p for p in (crew, bang) if p is not None)]
    names.keep_off_signs(np.array(signs))
    for line in (track, drive):
        if line is not None:
            names.keep_off_line(_along(flat.points(_places(line))))
    # What matters most finds room first.
    names.beside(at, site.name, bold=True, must=True)
    if drive is not None and crew is not None:
        names.beside(crew, drive.start, must=True)
    if track is not None and bang is not None:
        names.beside(bang, f"burst {track.height_m[track.burst_index] / 1000.0:.0f} km")
    _name_zones(zones, flat, names)
    _name_areas(found, flat, names)
    for minutes, place in marks:
        names.beside(place, f"{minutes} min")
    return MapView(
        shape=shape.name,
        width=flat.width,
        height=flat.height,
        strokes=tuple(_strokes(found, flat)),
        zones=tuple(_zone_strokes(zones, flat)),
        in_50=_ring(footprint, footprint.major_50_m, footprint.minor_50_m, flat),
        in_90=_ring(footprint, footprint.major_90_m, footprint.minor_90_m, flat),
        burst_90=None if burst is None else _ring(burst, burst.major_90_m, burst.minor_90_m, flat),
        landings="" if detail is None else _dots(detail, flat),
        drive="" if drive is None else flat.path([_places(drive)]),
        up="" if track is None else flat.path([_places(track)[: track.burst_index + 1]]),
        down="" if track is None else flat.path([_places(track)[track.burst_index :]]),
        marks=tuple(place for _, place in marks),
        burst=bang,
        site=at,
        crew=crew,
        centre=centre,
        labels=names.placed,
        bar_x=bar_x,
        bar_units=bar_units,
        bar_km=bar_km,
    )


def fitting(site: Site, footprint: Footprint, detail: HourDetail | None, shape: Shape) -> Flat:
    """The flat map on which all of an hour is seen."""
    places = [np.array([[site.latitude_deg, site.longitude_deg]])]
    rings = [footprint]
    if detail is not None:
        places += [_places(line) for line in (detail.track, detail.drive) if line is not None]
        rings += [] if detail.burst is None else [detail.burst]
    return fitted(footprint, np.vstack(places), rings, shape)


def road_kind(road_class: RoadClass) -> str:
    """Class by which a road is drawn."""
    if road_class in _MAJOR:
        return "road major"
    return "road track" if road_class in _SMALL else "road"


def area_kind(kind: AreaKind) -> str:
    """Class by which an area is drawn."""
    return "shun" if kind in _SHUNNED else str(kind)


def mark_times(track: Track) -> list[tuple[int, float, float]]:
    """Whole minutes after the release at which the flight is marked, and where it is then."""
    time_min = (np.array(track.time_unix_s) - track.time_unix_s[0]) / 60.0
    last = float(time_min[-1])
    step = next((s for s in MARK_STEPS_MIN if last / s <= MOST_MARKS), MARK_STEPS_MIN[-1])
    at_min = np.arange(step, last, step)
    latitude = np.interp(at_min, time_min, track.latitude_deg)
    longitude = np.interp(at_min, time_min, np.unwrap(track.longitude_deg, period=360.0))
    return list(zip(at_min.astype(int).tolist(), latitude.tolist(), longitude.tolist(),
                    strict=True))  # fmt: skip


def _bar(flat: Flat, site: tuple[float, float]) -> tuple[float, float, str]:
    """Where the scale bar begins, its length and what it says; it gives way to the site."""
    km = next((km for km in (200, 100, 50, 20, 10, 5, 2) if km * flat.per_km <= 120.0), 1)
    long = km * flat.per_km
    return 12.0 if site[0] > flat.width / 2.0 else flat.width - 62.0 - long, long, f"{km} km"


def _places(line: Track | Drive) -> FloatArray:
    return np.column_stack((line.latitude_deg, line.longitude_deg))


def _start(drive: Drive, flat: Flat) -> tuple[float, float] | None:
    if not drive.latitude_deg:
        return None
    return flat.point(drive.latitude_deg[0], drive.longitude_deg[0])


def _dots(detail: HourDetail, flat: Flat) -> str:
    """Dots of single landings: strokes without length, drawn with round ends."""
    places = np.column_stack((detail.landing_latitude_deg, detail.landing_longitude_deg))
    if not len(places):
        return ""
    return "".join(f"M{x:.1f} {y:.1f}h0" for x, y in flat.points(places).tolist())


def _burst(track: Track, flat: Flat) -> tuple[float, float]:
    i = track.burst_index
    return flat.point(track.latitude_deg[i], track.longitude_deg[i])


def _along(points: FloatArray) -> FloatArray:
    """A line as points that are `_ALONG` units apart at most, those far outside left out."""
    steps = np.diff(points, axis=0)
    counts = np.minimum(np.ceil(np.hypot(*steps.T) / _ALONG), 500).astype(int)
    pieces = [
        start + step * np.arange(count)[:, None] / count
        for start, step, count in zip(points[:-1], steps, counts, strict=True)
        if count
    ]
    return np.vstack([*pieces, points[-1:]])


def _ring(mark: Footprint, major_m: float, minor_m: float, flat: Flat) -> Ring:
    # A bearing runs clockwise from north, SVG's rotation clockwise from the x axis.
    return Ring(
        *flat.point(mark.latitude_deg, mark.longitude_deg),
        major_m / 1000.0 * flat.per_km,
        minor_m / 1000.0 * flat.per_km,
        mark.bearing_deg - 90.0,
    )


def _strokes(found: Sequence[Outline], flat: Flat) -> Iterable[Stroke]:
    for each in found:
        if isinstance(each.kind, AreaKind):
            yield Stroke(flat.path(each.lines, closed=True), area_kind(each.kind))
        else:
            yield Stroke(flat.path(each.lines), road_kind(each.kind))


def _zone_strokes(zones: Sequence[Zone], flat: Flat) -> Iterable[Stroke]:
    for zone in zones:
        if any(_is_seen(line, flat) for line in zone.lines):
            yield Stroke(flat.path(zone.lines, closed=True), f"zone {zone.kind}")


def _is_seen(line: FloatArray, flat: Flat) -> bool:
    """Whether a piece of a line comes near the drawing."""
    points = flat.points(line)
    low, high = np.minimum(points[:-1], points[1:]), np.maximum(points[:-1], points[1:])
    return bool(((high > 0.0) & (low < (flat.width, flat.height))).all(axis=1).any())


def _name_zones(zones: Sequence[Zone], flat: Flat, names: Labels) -> None:
    """The name of a zone stands at one of its corners that are seen, the northernmost with room."""
    for zone in zones:
        corners = np.vstack([_along(flat.points(line))[::_CORNER] for line in zone.lines])
        inside = (corners > 6.0).all(axis=1) & (
            corners < (flat.width - 6.0, flat.height - 30.0)
        ).all(axis=1)
        seen = corners[inside]
        for x, y in seen[np.argsort(seen[:, 1], kind="stable")].tolist():
            if names.beside((x, y + 20.0), zone.label):
                break


def _name_areas(found: Sequence[Outline], flat: Flat, names: Labels) -> None:
    """Names of the largest areas that do not run into one another or over the edge."""
    wanted = [f for f in found if isinstance(f.kind, AreaKind) and f.name]
    wanted = [f for f in wanted if f.kind in _SHUNNED or f.kind is AreaKind.WATER]
    count = 0
    for each in sorted(wanted, key=lambda f: -f.size):
        if each.kind is AreaKind.WATER and len(each.lines) > 1:
            continue  # a sea with islands in it: its middle may be land
        # Only what lies in the frame to a good part can be named at its middle.
        longest = max(each.lines, key=len)
        middle = flat.point(*((longest.min(axis=0) + longest.max(axis=0)) / 2.0).tolist())
        count += names.at(middle, each.name)
        if count == MOST_NAMES:
            return
