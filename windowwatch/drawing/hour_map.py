"""A map as numbers of an SVG drawing: flight, landings, drive, airspace, ground. Pure."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import atan2, cos, degrees, hypot, radians

import numpy as np

from windowwatch.ground.areas import AreaKind
from windowwatch.ground.outline import Outline, outlines
from windowwatch.ground.roads import RoadClass
from windowwatch.ground.values import Ground
from windowwatch.ground.zones import Zone
from windowwatch.physics.spread import Footprint
from windowwatch.scoring.detail import Drive, HourDetail, Track
from windowwatch.scoring.values import Site
from windowwatch.web import words
from windowwatch.drawing.flat import KM_PER_DEG, TALL, Flat, FloatArray, Shape, fitted
from windowwatch.drawing.labels import Label, Labels
from windowwatch.windows.phrases import compass

#: A drawing holds no more vertices of the ground than this.
MOST_VERTICES = 5_000
#: Names of areas in a drawing.
MOST_NAMES = 7
#: Minutes from one mark of the flight to the next, and how many marks there may be.
MARK_STEPS_MIN, MOST_MARKS = (15, 30, 60, 120), 8
_MAJOR = {RoadClass.MOTORWAY, RoadClass.TRUNK, RoadClass.PRIMARY, RoadClass.SECONDARY}
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
    spoken: str

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
    """
    track = None if detail is None else detail.track
    drive = None if detail is None else detail.drive
    burst = None if detail is None else detail.burst
    flat = fitting(site, footprint, detail, shape)
    found = outlines(ground, flat.frame, 0.4 / (flat.per_km * KM_PER_DEG), most=MOST_VERTICES)
    at = flat.point(site.latitude_deg, site.longitude_deg)
    centre = flat.point(footprint.latitude_deg, footprint.longitude_deg)
    bar_km = next((km for km in (200, 100, 50, 20, 10, 5, 2, 1) if km * flat.per_km <= 120.0), 1)
    names = Labels(flat.width, flat.height)
    names.beside(at, site.name, bold=True)
    crew = None if drive is None or drive.start == site.name else _start(drive, flat)
    if drive is not None and crew is not None:
        names.beside(crew, drive.start)
    marks = () if track is None else tuple(_marks(track, flat, names))
    _name_zones(zones, flat, names)
    _name_areas(found, flat, names)
    return MapView(
        shape=shape.name,
        width=flat.width,
        height=flat.height,
        strokes=tuple(_strokes(found, flat)),
        zones=tuple(
            Stroke(flat.path(z.lines, closed=True), f"zone {z.kind}")
            for z in zones
            if any(_is_seen(line, flat) for line in z.lines)
        ),
        in_50=_ring(footprint, footprint.major_50_m, footprint.minor_50_m, flat),
        in_90=_ring(footprint, footprint.major_90_m, footprint.minor_90_m, flat),
        burst_90=None if burst is None else _ring(burst, burst.major_90_m, burst.minor_90_m, flat),
        landings="" if detail is None else _dots(detail, flat),
        drive="" if drive is None else flat.path([_places(drive)]),
        up="" if track is None else flat.path([_places(track)[: track.burst_index + 1]]),
        down="" if track is None else flat.path([_places(track)[track.burst_index :]]),
        marks=marks,
        burst=None if track is None else _burst(track, flat, names),
        site=at,
        crew=crew,
        centre=centre,
        labels=names.placed,
        # The bar gives way to the site.
        bar_x=12.0 if at[0] > flat.width / 2.0 else flat.width - 62.0 - bar_km * flat.per_km,
        bar_units=bar_km * flat.per_km,
        bar_km=f"{bar_km} km",
        spoken=spoken(site, footprint, detail),
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


def _burst(track: Track, flat: Flat, names: Labels) -> tuple[float, float]:
    i = track.burst_index
    at = flat.point(track.latitude_deg[i], track.longitude_deg[i])
    names.beside(at, f"burst {track.height_m[i] / 1000.0:.0f} km")
    return at


def _marks(track: Track, flat: Flat, names: Labels) -> Iterable[tuple[float, float]]:
    for minutes, latitude_deg, longitude_deg in mark_times(track):
        at = flat.point(latitude_deg, longitude_deg)
        names.beside(at, f"{minutes} min")
        yield at


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


def _is_seen(line: FloatArray, flat: Flat) -> bool:
    """Whether a piece of a line comes near the drawing."""
    points = flat.points(line)
    low, high = np.minimum(points[:-1], points[1:]), np.maximum(points[:-1], points[1:])
    return bool(((high > 0.0) & (low < (flat.width, flat.height))).all(axis=1).any())


def _name_zones(zones: Sequence[Zone], flat: Flat, names: Labels) -> None:
    """The name of a zone stands at its northernmost corner that is seen."""
    for zone in zones:
        corners = np.vstack([flat.points(line) for line in zone.lines])
        inside = (corners > 6.0).all(axis=1) & (
            corners < (flat.width - 6.0, flat.height - 30.0)
        ).all(axis=1)
        if inside.any():
            x, y = corners[inside][np.argmin(corners[inside][:, 1])].tolist()
            names.beside((x, y + 14.0), zone.label)


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


def spoken(site: Site, footprint: Footprint, detail: HourDetail | None = None) -> str:
    """Say in words what the drawing shows."""
    where = _from_site(site, footprint.latitude_deg, footprint.longitude_deg)

    def size(major_m: float, minor_m: float) -> str:
        return f"{major_m / 500.0:.0f} by {minor_m / 500.0:.0f} km"

    said = [
        f"Map of the landing: the middle of the footprint lies {where} of {site.name}, at "
        f"{place_words(footprint.latitude_deg, footprint.longitude_deg)}.",
        f"Half of the flights land in an ellipse of "
        f"{size(footprint.major_50_m, footprint.minor_50_m)}, nine in ten in one of "
        f"{size(footprint.major_90_m, footprint.minor_90_m)}, its long axis towards "
        f"{compass(footprint.bearing_deg)}. {footprint.flights} flights were counted.",
    ]
    if detail is not None and detail.track is not None:
        track, i = detail.track, detail.track.burst_index
        after = (track.time_unix_s[i] - track.time_unix_s[0]) / 60.0
        where = _from_site(site, track.latitude_deg[i], track.longitude_deg[i])
        said.append(
            f"The middle flight bursts {after:.0f} min after the release at "
            f"{track.height_m[i] / 1000.0:.1f} km, {where} of the site."
        )
    if detail is not None and detail.drive is not None:
        said.append(drive_words(detail.drive))
    return " ".join(said)


def drive_words(drive: Drive) -> str:
    """``The crew drives 74 min from Millfield.``"""
    return f"The crew drives {drive.minutes:.0f} min from {drive.start}."


def _from_site(site: Site, latitude_deg: float, longitude_deg: float) -> str:
    east_km = KM_PER_DEG * cos(radians((latitude_deg + site.latitude_deg) / 2.0))
    turn = (longitude_deg - site.longitude_deg + 180.0) % 360.0 - 180.0
    x, y = turn * east_km, (latitude_deg - site.latitude_deg) * KM_PER_DEG
    return f"{words.km_words(hypot(x, y))} {compass(degrees(atan2(x, y)))}"


def place_words(latitude_deg: float, longitude_deg: float) -> str:
    """``45.669° N, 35.787° W``."""
    return (
        f"{abs(latitude_deg):.3f}° {'N' if latitude_deg >= 0 else 'S'}, "
        f"{abs(longitude_deg):.3f}° {'E' if longitude_deg >= 0 else 'W'}"
    )
