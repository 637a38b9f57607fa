"""A map as numbers of an SVG drawing: flight, landings, drive, airspace, ground, names. Pure.

East and north are laid flat about the middle of the frame; over 200 km that is true to
about one part in a hundred, which is less than the width of a line.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import cos, hypot, radians, sin

import numpy as np

from windowwatch.drawing.labels import Label, Labels
from windowwatch.drawing.touched import name_place, touched_names
from windowwatch.ground.query.features import AreaKind, Ground, RoadClass
from windowwatch.ground.query.outline import Frame, Outline, Zone, outlines
from windowwatch.physics.spread import Footprint
from windowwatch.scoring.values import Drive, HourDetail, Site, Track
from windowwatch.units import FloatArray
from windowwatch.wording.page import bar_mark, burst_mark, minute_mark

KM_PER_DEG = 111.19  # of latitude, on the mean sphere
MARGIN = 0.12
#: Nothing is drawn closer than this from edge to edge. [km]
SMALLEST_KM = 4.0


@dataclass(frozen=True)
class Shape:
    """How large a drawing is, in units of which a text is 13 high; bounds of its height."""

    name: str
    width: float
    lowest: float
    highest: float


#: For a phone held upright, where a unit is about a pixel.
TALL = Shape("tall", 360.0, 320.0, 400.0)
#: For a desk and for paper.
WIDE = Shape("wide", 640.0, 380.0, 520.0)


class Flat:
    """Degrees to units of a drawing.

    Parameters
    ----------
    latitude_deg, longitude_deg : float
        Middle of the drawing. [deg]
    half_width_km, half_height_km : float
        From there to the edges. [km]
    width : float
        Of the drawing, in its units.
    """

    def __init__(
        self,
        latitude_deg: float,
        longitude_deg: float,
        half_width_km: float,
        half_height_km: float,
        width: float,
    ) -> None:
        self._latitude, self._longitude = latitude_deg, longitude_deg
        self._east_km = KM_PER_DEG * cos(radians(latitude_deg))
        self.width = width
        self.per_km = width / (2.0 * half_width_km)
        self.height = 2.0 * half_height_km * self.per_km
        self.frame = Frame(
            latitude_deg - half_height_km / KM_PER_DEG,
            longitude_deg - half_width_km / self._east_km,
            latitude_deg + half_height_km / KM_PER_DEG,
            longitude_deg + half_width_km / self._east_km,
        )

    def points(self, places: FloatArray) -> FloatArray:
        """Places [N, 2] of latitude and longitude as x and y of the drawing, [N, 2]."""
        turn = np.mod(places[:, 1] - self._longitude + 180.0, 360.0) - 180.0
        up_km = (places[:, 0] - self._latitude) * KM_PER_DEG
        return np.column_stack(
            (
                self.width / 2.0 + turn * self._east_km * self.per_km,
                self.height / 2.0 - up_km * self.per_km,
            )
        )

    def point(self, latitude_deg: float, longitude_deg: float) -> tuple[float, float]:
        """One place in the drawing."""
        ((x, y),) = self.points(np.array([[latitude_deg, longitude_deg]])).tolist()
        return x, y

    def path(self, lines: Iterable[FloatArray], *, closed: bool = False) -> str:
        """SVG path of lines in degrees, to a tenth of a unit, short on the wire."""
        return "".join(_relative(self.points(line)) + ("z" if closed else "") for line in lines)


def _relative(points: FloatArray) -> str:
    """A path that says each step from the point before: about half as long."""
    tenths = np.rint(points * 10.0).astype(int)
    steps = np.diff(tenths, axis=0)
    steps = steps[(steps != 0).any(axis=1)]
    begin = f"M{tenths[0, 0] / 10:g} {tenths[0, 1] / 10:g}"
    if not len(steps):
        return begin + "h0"
    parts = [f"{x / 10:g}{'' if y < 0 else ' '}{y / 10:g}" for x, y in steps.tolist()]
    return (
        begin
        + "l"
        + "".join(part if part[0] == "-" or not i else f" {part}" for i, part in enumerate(parts))
    )


def fitted(middle: Footprint, places: FloatArray, rings: Iterable[Footprint], shape: Shape) -> Flat:
    """The flat map that holds places and 90 % rings, with a rim round them.

    Parameters
    ----------
    middle : Footprint
        About whose middle distances are reckoned.
    places : array [N, 2]
        Latitude and longitude of what must be seen. [deg]
    rings : iterable of Footprint
    shape : Shape
    """
    east_km = KM_PER_DEG * cos(radians(middle.latitude_deg))

    def flat_km(latitude_deg: FloatArray, longitude_deg: FloatArray) -> FloatArray:
        turn = np.mod(longitude_deg - middle.longitude_deg + 180.0, 360.0) - 180.0
        return np.column_stack((turn * east_km, (latitude_deg - middle.latitude_deg) * KM_PER_DEG))

    seen = [flat_km(places[:, 0], places[:, 1])]
    for ring in rings:
        at = flat_km(np.array([ring.latitude_deg]), np.array([ring.longitude_deg]))
        a, b, turned = ring.major_90_m / 1e3, ring.minor_90_m / 1e3, radians(ring.bearing_deg)
        reach = np.array(
            [hypot(a * sin(turned), b * cos(turned)), hypot(a * cos(turned), b * sin(turned))]
        )
        seen += [at - reach, at + reach]
    all_km = np.vstack(seen)
    low, high = all_km.min(axis=0), all_km.max(axis=0)
    half_x, half_y = np.maximum((high - low) / 2.0, SMALLEST_KM / 2.0) * (1.0 + 2.0 * MARGIN)
    half_y = max(half_y, half_x * shape.lowest / shape.width)
    half_x = max(half_x, half_y * shape.width / shape.highest)
    mid_x, mid_y = (low + high) / 2.0
    return Flat(
        middle.latitude_deg + float(mid_y) / KM_PER_DEG,
        middle.longitude_deg + float(mid_x) / east_km,
        float(half_x),
        float(half_y),
        shape.width,
    )


#: A drawing holds no more vertices of the ground than this.
MOST_VERTICES = 5_000
#: Names of areas in a drawing.
MOST_NAMES = 7
#: Minutes from one mark of the flight to the next, and how many marks there may be.
MARK_STEPS_MIN, MOST_MARKS = (15, 30, 60, 120), 8
_MAJOR = {RoadClass.MOTORWAY, RoadClass.TRUNK, RoadClass.PRIMARY, RoadClass.SECONDARY}
_ALONG = 4.0  # a line keeps names off itself at points that are so far apart [unit]
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
    """A whole drawing. `strokes` are the ground, `zones` airspace and permitted areas.

    `parks` are where drives end, `touched` names what the 90 % ring touches.
    """

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
    crews: tuple[tuple[float, float], ...]
    parks: tuple[tuple[float, float], ...]
    centre: tuple[float, float]
    touched: tuple[str, ...]
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
    most_of_areas: int | None = None,
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
    most_of_areas : int, optional
        So many of them for areas alone; else their usual share.
    """
    track, burst, drives = (None, None, []) if detail is None else _shown(detail)
    flat = fitting(site, footprint, detail, shape)
    fine_deg = 0.4 / (flat.per_km * KM_PER_DEG)
    found = outlines(ground, flat.frame, fine_deg, most=most, most_of_areas=most_of_areas)
    at = flat.point(site.latitude_deg, site.longitude_deg)
    centre = flat.point(footprint.latitude_deg, footprint.longitude_deg)
    starts, parks = _ends(drives, site, flat)
    touched = touched_names(found, zones, footprint)
    marks = [] if track is None else [(m, flat.point(*there)) for m, *there in mark_times(track)]
    bang = None if track is None else flat.point(*_places(track)[track.burst_index])
    bar_x, bar_units, bar_km = scale_bar(flat, at)
    names = Labels(flat.width, flat.height, (bar_x - 4.0, bar_x + bar_units + 60.0))
    signs = (at, centre, bang, *starts.values(), *parks, *(p for _, p in marks))
    _keep_off(names, signs, (track, *drives), flat)
    # What matters most finds room first.
    _name_starts(at, site, starts, names)
    if track is not None and bang is not None:
        names.beside(bang, burst_mark(track.height_m[track.burst_index]))
    _name_touched(touched, [*found, *zones], footprint, flat, names)
    _name_zones([z for z in zones if z.label not in touched], flat, names)
    _name_areas([f for f in found if f.name not in (*touched, site.name)], flat, names)
    for minutes, place in marks:
        names.beside(place, minute_mark(minutes))
    return MapView(
        shape=shape.name,
        width=flat.width,
        height=flat.height,
        strokes=tuple(ground_strokes(found, flat)),
        zones=tuple(zone_strokes(zones, flat)),
        in_50=_ring(footprint, footprint.major_50_m, footprint.minor_50_m, flat),
        in_90=_ring(footprint, footprint.major_90_m, footprint.minor_90_m, flat),
        burst_90=None if burst is None else _ring(burst, burst.major_90_m, burst.minor_90_m, flat),
        landings="" if detail is None else _dots(detail, flat),
        drive=flat.path([_places(each) for each in drives if len(each.latitude_deg) > 1]),
        up="" if track is None else flat.path([_places(track)[: track.burst_index + 1]]),
        down="" if track is None else flat.path([_places(track)[track.burst_index :]]),
        marks=tuple(place for _, place in marks),
        burst=bang,
        site=at,
        crews=tuple(starts.values()),
        parks=tuple(parks),
        centre=centre,
        touched=touched,
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
        track, burst, drives = _shown(detail)
        places += [_places(line) for line in (track, *drives) if line is not None]
        rings += [] if burst is None else [burst]
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
    minutes = at_min.astype(int).tolist()
    return list(zip(minutes, latitude.tolist(), longitude.tolist(), strict=True))


def scale_bar(flat: Flat, site: tuple[float, float]) -> tuple[float, float, str]:
    """Where the scale bar begins, its length and what it says; it gives way to the site."""
    km = next((km for km in (200, 100, 50, 20, 10, 5, 2) if km * flat.per_km <= 120.0), 1)
    long = km * flat.per_km
    return 12.0 if site[0] > flat.width / 2.0 else flat.width - 62.0 - long, long, bar_mark(km)


def _places(line: Track | Drive) -> FloatArray:
    return np.column_stack((line.latitude_deg, line.longitude_deg))


def _shown(detail: HourDetail) -> tuple[Track | None, Footprint | None, list[Drive]]:
    """Flight, burst and drives; a crew that stands still is a drive of a single point."""
    drives = [d for d in (detail.drive, *detail.crews) if d is not None and d.latitude_deg]
    return detail.track, detail.burst, drives


def _ends(
    drives: Sequence[Drive], site: Site, flat: Flat
) -> tuple[dict[str, tuple[float, float]], list[tuple[float, float]]]:
    """Where crews stand by that are not at the site, by their names; and where drives end."""
    starts = {d.start: flat.point(d.latitude_deg[0], d.longitude_deg[0]) for d in drives}
    starts.pop(site.name, None)  # the site has a sign of its own
    long = [d for d in drives if len(d.latitude_deg) > 1]
    return starts, [flat.point(d.latitude_deg[-1], d.longitude_deg[-1]) for d in long]


def _name_starts(
    at: tuple[float, float], site: Site, starts: dict[str, tuple[float, float]], names: Labels
) -> None:
    names.beside(at, site.name, bold=True, must=True)
    for name, start in starts.items():
        names.beside(start, name, must=True)


def _keep_off(
    names: Labels,
    signs: Sequence[tuple[float, float] | None],
    lines: Sequence[Track | Drive | None],
    flat: Flat,
) -> None:
    """Let no name lie on the signs and lines that there are."""
    names.keep_off_signs(np.array([sign for sign in signs if sign is not None]))
    for line in lines:
        if line is not None:
            names.keep_off_line(_along(flat.points(_places(line))))


def _dots(detail: HourDetail, flat: Flat) -> str:
    """Dots of single landings: strokes without length, drawn with round ends."""
    places = np.column_stack((detail.landing_latitude_deg, detail.landing_longitude_deg))
    if not len(places):
        return ""
    return "".join(f"M{x:.1f} {y:.1f}h0" for x, y in flat.points(places).tolist())


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


def ground_strokes(found: Sequence[Outline], flat: Flat) -> Iterable[Stroke]:
    """What the ground is drawn with."""
    for each in found:
        if isinstance(each.kind, AreaKind):
            yield Stroke(flat.path(each.lines, closed=True), area_kind(each.kind))
        else:
            yield Stroke(flat.path(each.lines), road_kind(each.kind))


def zone_strokes(zones: Sequence[Zone], flat: Flat) -> Iterable[Stroke]:
    """What zones are drawn with, as far as they are seen."""
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


def _name_touched(
    touched: Sequence[str],
    shapes: Sequence[Outline | Zone],
    ring: Footprint,
    flat: Flat,
    names: Labels,
) -> None:
    """The name of whatever the 90 % ring touches, at the part of it that lies in the ring."""
    for name in touched:
        named = [s for s in shapes if (s.label if isinstance(s, Zone) else s.name) == name]
        lines = [line for each in named for line in each.lines]
        names.near(flat.point(*name_place(lines, ring)), name)


def _name_areas(found: Sequence[Outline], flat: Flat, names: Labels) -> None:
    """Names of the largest areas that do not run into one another or over the edge."""
    wanted = [f for f in found if isinstance(f.kind, AreaKind) and f.name]
    wanted = [f for f in wanted if f.kind in _SHUNNED or f.kind is AreaKind.WATER]
    count = 0
    # Towns first: by their names people find the way.
    for each in sorted(wanted, key=lambda f: (f.kind is not AreaKind.TOWN, -f.size)):
        if each.kind is AreaKind.WATER and len(each.lines) > 1:
            continue  # a sea with islands in it: its middle may be land
        # Only what lies in the frame to a good part can be named at its middle.
        longest = max(each.lines, key=len)
        middle = flat.point(*((longest.min(axis=0) + longest.max(axis=0)) / 2.0).tolist())
        is_inside = 0.0 < middle[0] < flat.width and 0.0 < middle[1] < flat.height
        count += names.at(middle, each.name) or (
            each.kind is AreaKind.TOWN and is_inside and names.beside(middle, each.name)
        )
        if count == MOST_NAMES:
            return
