"""A map as numbers of an SVG drawing: footprint, site, roads, areas, water. Pure.

The drawing is `WIDTH` units wide and made to be read at 350 pixels, so text is large in it.
East and north are laid flat about the middle of the frame; over 200 km that is true to
about one part in a hundred, which is less than the width of a line.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import atan2, cos, degrees, hypot, radians, sin

import numpy as np
from numpy.typing import NDArray

from windowwatch.ground.areas import AreaKind
from windowwatch.ground.outline import Frame, Outline, outlines
from windowwatch.ground.roads import RoadClass
from windowwatch.ground.values import Ground
from windowwatch.physics.spread import Footprint
from windowwatch.scoring.values import Site
from windowwatch.web import words
from windowwatch.windows.phrases import compass

WIDTH = 400.0
LOWEST, HIGHEST = 300.0, 520.0
MARGIN = 0.14
_KM_PER_DEG = 111.19  # of latitude, on the mean sphere
_MAJOR = {RoadClass.MOTORWAY, RoadClass.TRUNK, RoadClass.PRIMARY, RoadClass.SECONDARY}
_SHUNNED = {AreaKind.TOWN, AreaKind.INDUSTRY, AreaKind.AERODROME, AreaKind.MILITARY,
            AreaKind.NO_ENTRY}  # fmt: skip
_NAMED = 7
_LETTER = 7.4  # width of a letter of 13 units


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
class Label:
    """A name at a place, `anchor` as SVG has it."""

    x: float
    y: float
    text: str
    bold: bool = False
    anchor: str = "middle"


@dataclass(frozen=True)
class MapView:
    """A whole drawing."""

    width: float
    height: float
    strokes: tuple[Stroke, ...]
    in_50: Ring
    in_90: Ring
    site: tuple[float, float]
    centre: tuple[float, float]
    labels: tuple[Label, ...]
    bar_x: float
    bar_units: float
    bar_km: str
    spoken: str


class Flat:
    """Degrees to units of the drawing.

    Parameters
    ----------
    latitude_deg, longitude_deg : float
        Middle of the drawing. [deg]
    half_width_km, half_height_km : float
        From there to the edges. [km]
    """

    def __init__(
        self, latitude_deg: float, longitude_deg: float, half_width_km: float, half_height_km: float
    ) -> None:
        self._latitude, self._longitude = latitude_deg, longitude_deg
        self._east_km = _KM_PER_DEG * cos(radians(latitude_deg))
        self.per_km = WIDTH / (2.0 * half_width_km)
        self.height = 2.0 * half_height_km * self.per_km
        self.frame = Frame(
            latitude_deg - half_height_km / _KM_PER_DEG,
            longitude_deg - half_width_km / self._east_km,
            latitude_deg + half_height_km / _KM_PER_DEG,
            longitude_deg + half_width_km / self._east_km,
        )

    def point(self, latitude_deg: float, longitude_deg: float) -> tuple[float, float]:
        """Place of a point in the drawing."""
        turn = (longitude_deg - self._longitude + 180.0) % 360.0 - 180.0
        return (
            WIDTH / 2.0 + turn * self._east_km * self.per_km,
            self.height / 2.0 - (latitude_deg - self._latitude) * _KM_PER_DEG * self.per_km,
        )

    def path(self, lines: Iterable[NDArray[np.float64]], *, closed: bool) -> str:
        """SVG path of lines in degrees, to a tenth of a unit."""
        parts = []
        for line in lines:
            points = [self.point(float(a), float(b)) for a, b in line]
            parts.append("M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in points))
        return ("Z".join(parts) + "Z") if closed else "".join(parts)


def draw(site: Site, footprint: Footprint, ground: Ground) -> MapView:
    """Draw where the flights of an hour land, seen with their site.

    Parameters
    ----------
    site : Site
    footprint : Footprint
    ground : Ground
        What it has of areas and roads is drawn.
    """
    flat = _fitting(site, footprint)
    found = outlines(ground, flat.frame, 0.4 / (flat.per_km * _KM_PER_DEG))
    at, centre = (
        flat.point(site.latitude_deg, site.longitude_deg),
        flat.point(footprint.latitude_deg, footprint.longitude_deg),
    )
    bar_km = next(
        (km for km in (200, 100, 50, 20, 10, 5, 2, 1) if km * flat.per_km <= WIDTH / 3.0), 1
    )
    side = "start" if at[0] < WIDTH / 2.0 else "end"
    own = Label(at[0] + (9 if side == "start" else -9), at[1] - 8, site.name, True, side)
    return MapView(
        WIDTH,
        flat.height,
        tuple(_strokes(found, flat)),
        _ring(footprint, footprint.major_50_m, footprint.minor_50_m, centre, flat),
        _ring(footprint, footprint.major_90_m, footprint.minor_90_m, centre, flat),
        at,
        centre,
        (own, *_names(found, flat, own)),
        # The bar gives way to the site.
        12.0 if at[0] > WIDTH / 2.0 else WIDTH - 62.0 - bar_km * flat.per_km,
        bar_km * flat.per_km,
        f"{bar_km} km",
        _spoken(site, footprint),
    )


def _fitting(site: Site, footprint: Footprint) -> Flat:
    """The flat map that holds site and 90 % ellipse, with a rim round them."""
    east_km = _KM_PER_DEG * cos(radians(footprint.latitude_deg))
    turn = (site.longitude_deg - footprint.longitude_deg + 180.0) % 360.0 - 180.0
    x, y = turn * east_km, (site.latitude_deg - footprint.latitude_deg) * _KM_PER_DEG
    a, b = footprint.major_90_m / 1000.0, footprint.minor_90_m / 1000.0
    turned = radians(footprint.bearing_deg)
    reach_x = hypot(a * sin(turned), b * cos(turned))
    reach_y = hypot(a * cos(turned), b * sin(turned))
    west, east = min(x, -reach_x), max(x, reach_x)
    south, north = min(y, -reach_y), max(y, reach_y)
    half_x = max((east - west) / 2.0, 2.0) * (1.0 + 2.0 * MARGIN)
    half_y = max((north - south) / 2.0, 2.0) * (1.0 + 2.0 * MARGIN)
    half_y = max(half_y, half_x * LOWEST / WIDTH)
    half_x = max(half_x, half_y * WIDTH / HIGHEST)
    return Flat(
        footprint.latitude_deg + (south + north) / 2.0 / _KM_PER_DEG,
        footprint.longitude_deg + (west + east) / 2.0 / east_km,
        half_x,
        half_y,
    )


def _ring(
    footprint: Footprint, major_m: float, minor_m: float, at: tuple[float, float], flat: Flat
) -> Ring:
    # A bearing runs clockwise from north, SVG's rotation clockwise from the x axis.
    return Ring(
        *at,
        major_m / 1000.0 * flat.per_km,
        minor_m / 1000.0 * flat.per_km,
        footprint.bearing_deg - 90.0,
    )


def _strokes(found: Sequence[Outline], flat: Flat) -> Iterable[Stroke]:
    for each in found:
        if isinstance(each.kind, AreaKind):
            kind = "shun" if each.kind in _SHUNNED else str(each.kind)
            yield Stroke(flat.path(each.lines, closed=True), kind)
        else:
            track = each.kind in {RoadClass.TRACK, RoadClass.PATH}
            kind = "road major" if each.kind in _MAJOR else "road track" if track else "road"
            yield Stroke(flat.path(each.lines, closed=False), kind)


def _names(found: Sequence[Outline], flat: Flat, own: Label) -> Iterable[Label]:
    """Names of the largest areas that do not run into one another or over the edge."""
    taken = [_box(own)]
    wanted = [f for f in found if isinstance(f.kind, AreaKind) and f.name]
    wanted = [f for f in wanted if f.kind in _SHUNNED or f.kind is AreaKind.WATER]
    count = 0
    for each in sorted(wanted, key=lambda f: -f.size):
        # Only what lies in the frame to a good part can be named at its middle.
        longest = max(each.lines, key=len)
        x, y = flat.point(*(float(v) for v in (longest.min(axis=0) + longest.max(axis=0)) / 2.0))
        if each.kind is AreaKind.WATER and len(each.lines) > 1:
            continue  # a sea with islands in it: its middle may be land
        label = Label(x, y, each.name)
        left, top, right, bottom = box = _box(label)
        if left < 2 or top < 2 or right > WIDTH - 2 or bottom > flat.height - 26:
            continue
        if any(left < o[2] and o[0] < right and top < o[3] and o[1] < bottom for o in taken):
            continue
        taken.append(box)
        count += 1
        yield label
        if count == _NAMED:
            return


def _box(label: Label) -> tuple[float, float, float, float]:
    width = _LETTER * len(label.text) * (1.1 if label.bold else 1.0)
    left = label.x - {"start": 0.0, "middle": 0.5, "end": 1.0}[label.anchor] * width
    return left, label.y - 13.0, left + width, label.y + 4.0


def _spoken(site: Site, footprint: Footprint) -> str:
    """Say in words what the drawing shows."""
    east_km = _KM_PER_DEG * cos(radians((footprint.latitude_deg + site.latitude_deg) / 2.0))
    turn = (footprint.longitude_deg - site.longitude_deg + 180.0) % 360.0 - 180.0
    x, y = turn * east_km, (footprint.latitude_deg - site.latitude_deg) * _KM_PER_DEG
    where = f"{words.km_words(hypot(x, y))} {compass(degrees(atan2(x, y)))}"

    def size(major_m: float, minor_m: float) -> str:
        return f"{major_m / 500.0:.0f} by {minor_m / 500.0:.0f} km"

    return (
        f"Map of the landing: the middle of the footprint lies {where} of {site.name}, at "
        f"{place_words(footprint.latitude_deg, footprint.longitude_deg)}. Half of the flights "
        f"land in an ellipse of {size(footprint.major_50_m, footprint.minor_50_m)}, nine in ten "
        f"in one of {size(footprint.major_90_m, footprint.minor_90_m)}, its long axis towards "
        f"{compass(footprint.bearing_deg)}. {footprint.flights} flights were counted."
    )


def place_words(latitude_deg: float, longitude_deg: float) -> str:
    """``45.669° N, 35.787° W``."""
    return (
        f"{abs(latitude_deg):.3f}° {'N' if latitude_deg >= 0 else 'S'}, "
        f"{abs(longitude_deg):.3f}° {'E' if longitude_deg >= 0 else 'W'}"
    )
