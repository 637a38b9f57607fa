"""A small map for a notice: the only module that knows matplotlib and Pillow, which it brings.

It shows what the text says: the site, the middle flight, where it lands, and as much of roads
and water as one finds oneself by. Everything is told apart by form and darkness as well, so
that it can be read in grey. matplotlib is loaded when the first picture is drawn: it takes a
while, and most watches send none.
"""

import io
import logging
from dataclasses import dataclass
from math import cos, radians
from textwrap import wrap
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from windowwatch.ground.areas import AreaKind
from windowwatch.ground.outline import Frame, Outline, outlines
from windowwatch.ground.roads import RoadClass
from windowwatch.ground.values import Ground
from windowwatch.physics.spread import Footprint
from windowwatch.scoring.detail import HourDetail
from windowwatch.scoring.values import Site

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_LOG = logging.getLogger(__name__)

FloatArray = NDArray[np.float64]

#: Width and height of the picture. [pixel]
SIZE_PX = (640, 700)
#: A picture is no larger than this, so that it comes through on a poor line. [byte]
LARGEST = 60_000
_DPI = 100
_KM_PER_DEG = 111.19  # of latitude, on the mean sphere
_RIM = 0.14
#: How many colours a picture has.
_COLOURS = 32
#: Nothing is drawn closer than this from the middle to the edge. [km]
_CLOSEST_KM = 3.0
_BARS_KM = (200, 100, 50, 20, 10, 5, 2, 1)
#: What is left out, one after the other, until the picture is small enough: the bend that is
#: still drawn [pixel], and whether small roads are.
_DETAIL = ((0.7, True), (1.5, False), (4.0, False))
_SMALL_ROADS = frozenset(
    {RoadClass.SERVICE, RoadClass.RESIDENTIAL, RoadClass.TRACK, RoadClass.PATH}
)
_MAJOR_ROADS = frozenset(
    {RoadClass.MOTORWAY, RoadClass.TRUNK, RoadClass.PRIMARY, RoadClass.SECONDARY}
)


@dataclass(frozen=True)
class Scene:
    """What a picture shows.

    Attributes
    ----------
    title : str
        Read above the map, in words.
    site : Site
    footprint : Footprint
        Where the flights of the hour land.
    detail : HourDetail or None
        Its middle flight and single landings; without it a dotted line joins site and landing.
    ground : Ground
        Roads and water.
    """

    title: str
    site: Site
    footprint: Footprint
    detail: HourDetail | None
    ground: Ground
    credit: str = ""
    """Whose weather it is made of; whose map, the ground says itself."""


def picture_or_none(scene: Scene) -> bytes | None:
    """Draw a picture; None, and a line in the log, when that does not work.

    A notice never waits for its picture: whatever goes wrong, the text is sent.
    """
    try:
        return draw(scene)
    except Exception as error:  # foreign code may raise anything; the text must still go out
        _LOG.warning("a notice goes without its picture (%s: %s)", type(error).__name__, error)
        return None


def draw(scene: Scene) -> bytes:
    """Draw a picture as PNG, of at most `LARGEST` bytes."""
    made = b""
    for bend_px, small_roads in _DETAIL:
        made = _drawn(scene, bend_px, small_roads=small_roads)
        if len(made) <= LARGEST:
            return made
    return _drawn(scene, None, small_roads=False)


@dataclass(frozen=True)
class _Flat:
    """Degrees laid flat in km about the middle of the frame."""

    latitude_deg: float
    longitude_deg: float
    half_km: tuple[float, float]

    def points(self, latitude_deg: Any, longitude_deg: Any) -> FloatArray:
        """East and north of the middle. [km], shape [N, 2]"""
        turn = np.mod(np.asarray(longitude_deg) - self.longitude_deg + 180.0, 360.0) - 180.0
        up = np.asarray(latitude_deg, dtype=np.float64) - self.latitude_deg
        east = turn * _KM_PER_DEG * cos(radians(self.latitude_deg))
        return np.column_stack((np.atleast_1d(east), np.atleast_1d(up * _KM_PER_DEG)))

    @property
    def frame(self) -> Frame:
        """The rectangle of the map that is seen."""
        wide = self.half_km[0] / (_KM_PER_DEG * cos(radians(self.latitude_deg)))
        high = self.half_km[1] / _KM_PER_DEG
        return Frame(
            self.latitude_deg - high,
            self.longitude_deg - wide,
            self.latitude_deg + high,
            self.longitude_deg + wide,
        )


def _fitted(scene: Scene, aspect: float) -> _Flat:
    """The flat map that holds site, flight and landings, with a rim round them."""
    mark = scene.footprint
    about = _Flat(mark.latitude_deg, mark.longitude_deg, (1.0, 1.0))
    places = [about.points(scene.site.latitude_deg, scene.site.longitude_deg)]
    track = scene.detail.track if scene.detail else None
    if track is not None:
        places.append(about.points(track.latitude_deg, track.longitude_deg))
    reach = mark.major_90_m / 1000.0
    places.append(np.array([[-reach, -reach], [reach, reach]]))
    every = np.vstack(places)
    low, high = every.min(axis=0), every.max(axis=0)
    middle, half = (low + high) / 2.0, np.maximum((high - low) / 2.0 * (1.0 + _RIM), _CLOSEST_KM)
    wide = max(float(half[0]), float(half[1]) / aspect)
    latitude_deg = mark.latitude_deg + float(middle[1]) / _KM_PER_DEG
    east = float(middle[0]) / (_KM_PER_DEG * cos(radians(mark.latitude_deg)))
    return _Flat(latitude_deg, mark.longitude_deg + east, (wide, wide * aspect))


def _drawn(scene: Scene, bend_px: float | None, *, small_roads: bool) -> bytes:
    """One picture; without `bend_px` nothing of the ground is drawn."""
    # Not pyplot: it keeps figures for ever, and is not for threads.
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    width, height = SIZE_PX
    figure = Figure(figsize=(width / _DPI, height / _DPI), dpi=_DPI, facecolor="white")
    canvas = FigureCanvasAgg(figure)
    figure.text(0.03, 0.975, scene.title, va="top", fontsize=14, weight="bold", linespacing=1.25)
    share = 0.87
    axes = figure.add_axes((0.01, 0.01, 0.98, share))
    aspect = height * share / (width * 0.98)
    flat = _fitted(scene, aspect)
    axes.set_xlim(-flat.half_km[0], flat.half_km[0])
    axes.set_ylim(-flat.half_km[1], flat.half_km[1])
    axes.set_xticks([])
    axes.set_yticks([])
    axes.set_facecolor("#fbfaf6")
    if bend_px is not None:
        km_per_px = 2.0 * flat.half_km[0] / (width * 0.98)
        found = outlines(scene.ground, flat.frame, bend_px * km_per_px / _KM_PER_DEG)
        _draw_ground(axes, found, flat, small_roads=small_roads)
    _draw_flight(axes, scene, flat)
    _draw_scale(axes, flat)
    _write_credit(figure, scene)
    canvas.draw()  # type: ignore[no-untyped-call]
    pixels = np.asarray(canvas.buffer_rgba())  # type: ignore[no-untyped-call]
    return _packed(pixels[:, :, :3])


def _packed(pixels: NDArray[np.uint8]) -> bytes:
    """PNG with few colours: a third of the size, and no difference that the eye sees."""
    from PIL import Image

    made = io.BytesIO()
    Image.fromarray(np.ascontiguousarray(pixels)).quantize(_COLOURS).save(
        made, format="PNG", optimize=True
    )
    return made.getvalue()


def _draw_ground(
    axes: "Axes", found: tuple[Outline, ...], flat: _Flat, *, small_roads: bool
) -> None:
    from matplotlib.collections import LineCollection
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path

    for each in found:
        lines = [flat.points(line[:, 0], line[:, 1]) for line in each.lines]
        if isinstance(each.kind, AreaKind):
            colour = {AreaKind.WATER: "#b9d3e6", AreaKind.TOWN: "#d8d3cb"}.get(each.kind)
            if colour is not None:
                path = Path.make_compound_path(*[Path(line, closed=True) for line in lines])
                axes.add_patch(PathPatch(path, facecolor=colour, edgecolor="#7f93a3", lw=0.5))
        elif small_roads or each.kind not in _SMALL_ROADS:
            thick = 1.5 if each.kind in _MAJOR_ROADS else 0.7
            axes.add_collection(LineCollection(lines, colors="#9a948b", linewidths=thick))


def _draw_flight(axes: "Axes", scene: Scene, flat: _Flat) -> None:
    """Rings and dots of the landings, the middle flight over them, and names."""
    from matplotlib.patches import Ellipse

    mark, detail = scene.footprint, scene.detail
    (centre,) = flat.points(mark.latitude_deg, mark.longitude_deg)
    (site,) = flat.points(scene.site.latitude_deg, scene.site.longitude_deg)
    for major, minor, style in (
        (mark.major_90_m, mark.minor_90_m, "--"),
        (mark.major_50_m, mark.minor_50_m, "-"),
    ):
        # A bearing runs clockwise from north, this angle anticlockwise from east.
        ring = Ellipse((centre[0], centre[1]), 2 * major / 1000.0, 2 * minor / 1000.0,
                       angle=90.0 - mark.bearing_deg)  # fmt: skip
        ring.set(facecolor="#c0392b22", edgecolor="#8e1f14", lw=1.8, ls=style, zorder=4)
        axes.add_patch(ring)
    if detail is not None and detail.landing_latitude_deg:
        dots = flat.points(detail.landing_latitude_deg, detail.landing_longitude_deg)
        axes.plot(dots[:, 0], dots[:, 1], ".", color="#8e1f14", ms=3, zorder=5)
    track = detail.track if detail else None
    if track is None:
        axes.plot([site[0], centre[0]], [site[1], centre[1]], ":", color="black", lw=1.5, zorder=6)
    else:
        way = flat.points(track.latitude_deg, track.longitude_deg)
        up, down = way[: track.burst_index + 1], way[track.burst_index :]
        axes.plot(up[:, 0], up[:, 1], "-", color="black", lw=2.2, zorder=6)
        axes.plot(down[:, 0], down[:, 1], ls=(0, (2, 1.2)), color="black", lw=2.2, zorder=6)
        axes.plot(*way[track.burst_index], "*", color="black", ms=12, zorder=7)
        _name(axes, way[track.burst_index], "burst", above=True)
    axes.plot(*site, "^", color="black", ms=11, zorder=8)
    axes.plot(*centre, "x", color="black", ms=10, mew=2.5, zorder=8)
    above = site[1] >= centre[1]
    _name(axes, site, scene.site.name, above=above)
    _name(axes, centre, "lands", above=not above)


def _write_credit(figure: "Figure", scene: Scene) -> None:
    """Whose weather and map it is, as their licences want it: on the picture itself."""
    said = [scene.credit] if scene.credit else []
    by_words: dict[str, list[str]] = {}
    for source in scene.ground.sources:
        name, _, words = source.partition(": ")
        by_words.setdefault(words, []).append(name)
    said += [f"Map: {', '.join(names)}: {words}" for words, names in by_words.items()]
    if said:
        figure.text(
            0.014, 0.012, "\n".join(wrap(". ".join(said), 118)), fontsize=5.5, color="#3c444a",
            linespacing=1.15, bbox={"facecolor": "#fffffff0", "edgecolor": "none", "pad": 1.5},
        )  # fmt: skip


def _name(axes: "Axes", at: FloatArray, words: str, *, above: bool) -> None:
    """A name above or below its place, and never over the edge."""
    box = {"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 1.5}
    half_x = axes.get_xlim()[1]
    side = "left" if at[0] < -0.6 * half_x else "right" if at[0] > 0.6 * half_x else "center"
    axes.annotate(
        words,
        (at[0], at[1]),
        xytext=({"left": -8, "right": 8, "center": 0}[side], 11 if above else -11),
        textcoords="offset points",
        ha=side,
        va="bottom" if above else "top",
        fontsize=13,
        weight="bold",
        bbox=box,
        zorder=9,
    )


def _draw_scale(axes: "Axes", flat: _Flat) -> None:
    """A bar of a round length at the lower left, north at the upper right."""
    half_x, half_y = flat.half_km
    bar = next((km for km in _BARS_KM if km <= 0.6 * half_x), _BARS_KM[-1])
    left, low = -0.94 * half_x, -0.86 * half_y
    axes.plot([left, left + bar], [low, low], "-", color="black", lw=4, solid_capstyle="butt",
              zorder=9)  # fmt: skip
    axes.text(left, low + 0.02 * half_y, f"{bar} km", fontsize=13, va="bottom", zorder=9)
    x, tip = 0.93 * half_x, 0.95 * half_y
    arrow = {"arrowstyle": "-|>", "lw": 2, "color": "black"}
    axes.annotate("", (x, tip), (x, tip - 0.12 * half_y), arrowprops=arrow, zorder=9)
    axes.text(x, tip - 0.13 * half_y, "N", fontsize=13, weight="bold", ha="center", va="top",
              zorder=9)  # fmt: skip
