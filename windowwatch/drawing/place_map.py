"""Maps of scouted places as SVG, and of where flights of years land, with roses. Pure.

A place is read without colour: a disc is go and the larger the more likely, a ring is caution, a
small cross no-go. Where it is asked what is in the way, letters say it.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from xml.etree import ElementTree as Xml

import numpy as np

from windowwatch.drawing.hour_map import (
    KM_PER_DEG,
    WIDE,
    Flat,
    Shape,
    fitted,
    ground_strokes,
    scale_bar,
    zone_strokes,
)
from windowwatch.drawing.labels import Labels
from windowwatch.drawing.svg import words
from windowwatch.ground.query.features import Ground
from windowwatch.ground.query.outline import Zone, outlines
from windowwatch.physics.spread import Footprint
from windowwatch.scoring.values import Site, Verdict
from windowwatch.scouting.values import PlaceHours, Scouting
from windowwatch.scouting.years import SECTORS, Landings
from windowwatch.units import FloatArray
from windowwatch.wording.page import NORTH
from windowwatch.wording.scouting import (
    GO_INSIDE_SIGN,
    LAND_IN_SIGN,
    PLACE_SIGNS,
    REGION_SIGN,
    place_row,
    small_letter,
)

Ranked = Sequence[tuple[PlaceHours, int]]

#: Vertices of the ground in a drawing: two maps in two shapes stand on a page.
_VERTICES = 1500
#: Radius of a disc at no chance and at a sure one; less where places lie closer. [unit]
_LEAST, _MOST = 1.8, 6.5
#: Height of the letters of what is in the way. [unit]
_SMALLEST_LETTER, _LARGEST_LETTER = 7.0, 12.0
#: Width of the small maps of single hours, and their dots. [unit]
SMALL = Shape("small", 150.0, 100.0, 190.0)
_CHANCES = 5
#: A square of landings is at least so wide that its number can be read. [unit]
_SMALLEST_SQUARE = 24.0
_SHADES = 5
#: This share of the landings may lie beyond each edge of their map. [1]
_BEYOND = 0.005


@dataclass(frozen=True)
class _Frame:
    """The flat map of a region, and how far its places lie apart in it."""

    flat: Flat
    apart: float


def places_svg(
    scouting: Scouting,
    ground: Ground,
    zones: Sequence[Zone],
    ranked: Ranked,
    best: Ranked,
    *,
    shape: Shape = WIDE,
    limits: Mapping[str, int] | None = None,
    ident: str,
    spoken: str,
) -> str:
    """A map of places at their hours, as an element of a page.

    Parameters
    ----------
    scouting : Scouting
    ground : Ground
        For what lies below.
    zones : sequence of Zone
    ranked : sequence of (PlaceHours, int)
        Places and the hour of each, the best first; they lie uppermost.
    best : sequence of (PlaceHours, int)
        Those that bear a capital letter.
    shape : Shape
    limits : mapping of str to int, optional
        Numbers of what is in the way: draws these letters instead of chances.
    ident, spoken : str
        As of `drawing.svg.map_svg`.
    """
    frame = _frame(scouting, shape)
    root = _root(frame.flat, shape, ident, spoken)
    root.append(_rect("land", frame.flat.width, frame.flat.height))
    for kind, path in _below(scouting, frame.flat, ground, tuple(zones)):
        root.append(Xml.Element("path", {"class": kind, "d": path}))
    if limits is None:
        root.extend(_discs(scouting, ranked, frame, told=True))
    else:
        root.extend(_letters(scouting, ranked, frame, limits))
    middle = frame.flat.width / 2.0, frame.flat.height / 2.0
    bar_x, bar_units, _ = scale_bar(frame.flat, middle)
    names = Labels(frame.flat.width, frame.flat.height, (bar_x - 4.0, bar_x + bar_units + 60.0))
    for number, (each, _) in enumerate(best):
        at = _at(scouting, each, frame.flat)
        root.append(_circle("place chosen", at, _MOST + 2.0))
        names.beside(at, chr(ord("A") + number), bold=True, must=True)
    for label in names.placed:
        root.append(words(label.x, label.y, label.text, anchor=label.anchor, bold=label.bold))
    root.extend(_rim(frame.flat, middle))
    return Xml.tostring(root, encoding="unicode")


def small_svg(scouting: Scouting, hour: int, ident: str, spoken: str) -> str:
    """One hour of all places in a small map without ground."""
    frame = _frame(scouting, SMALL, alone=True)
    root = _root(frame.flat, SMALL, ident, spoken)
    root.append(_rect("land", frame.flat.width, frame.flat.height))
    for ring in scouting.asked.outline:
        path = frame.flat.path([np.array(ring)], closed=True)
        root.append(Xml.Element("path", {"class": "region", "d": path}))
    root.extend(_discs(scouting, scouting.ranked(hour), frame, told=False))
    return Xml.tostring(root, encoding="unicode")


def key_svgs(scouting: Scouting) -> list[tuple[str, str]]:
    """A sample of each sign of the map of chance, and what it means."""
    signs: list[tuple[list[Xml.Element], str]] = [
        (
            [_circle("place go c0", (7.0, 8.0), 2.5), _circle("place go c4", (20.0, 8.0), 6.0)],
            PLACE_SIGNS[Verdict.GO] if scouting.asked.land_in is None else GO_INSIDE_SIGN,
        ),
        ([_circle("place caution", (15.0, 8.0), 4.5)], PLACE_SIGNS[Verdict.CAUTION]),
        ([_cross((15.0, 8.0), 3.0)], PLACE_SIGNS[Verdict.NO_GO]),
        ([words(15.0, 13.0, "?", anchor="middle")], PLACE_SIGNS[Verdict.UNKNOWN]),
        ([Xml.Element("path", {"class": "region", "d": "M1 8h28"})], REGION_SIGN),
    ]
    if scouting.asked.land_in is not None:
        wanted = Xml.Element("path", {"class": "land-in", "d": "M1 8h28"})
        signs.append(([wanted], LAND_IN_SIGN))
    shown = []
    for sample, meaning in signs:
        root = Xml.Element("svg", {"class": "map", "viewBox": "0 0 30 16", "aria-hidden": "true"})
        root.extend(sample)
        shown.append((Xml.tostring(root, encoding="unicode"), meaning))
    return shown


@dataclass(frozen=True)
class LandingMap:
    """A map of where flights land, and what it says.

    `square_km` is how wide a square is, `most` the share of all flights in the fullest one, and
    `beyond` of those that land outside of the map. [km], [1]
    """

    svg: str
    square_km: float
    most: float
    beyond: float


def landing_map(
    landings: Landings,
    site: Site,
    ground: Ground,
    *,
    shape: Shape = WIDE,
    ident: str,
    spoken: str,
) -> LandingMap | None:
    """Where flights of a site land, over the ground; None where none does.

    A square is the darker the more land in it, and says their share in percent from 1 % on.

    Parameters
    ----------
    landings : Landings
    site : Site
    ground : Ground
        For what lies below.
    shape : Shape
    ident, spoken : str
        As of `drawing.svg.map_svg`.
    """
    total = int(landings.count.sum())
    if not total:
        return None
    rows, columns = (_middle_of(landings.count.sum(axis=axis)) for axis in (1, 0))
    north, east = landings.latitude_edges_deg, landings.longitude_edges_deg
    corners = np.array(
        [
            (north[rows[0]], east[columns[0]]),
            (north[rows[1]], east[columns[1]]),
            (site.latitude_deg, site.longitude_deg),
        ]
    )
    flat = fitted(_spot(*corners[:2].mean(axis=0)), corners, (), shape)
    wide = abs(flat.points(corners)[1, 0] - flat.points(corners)[0, 0])
    by = max(1, int(np.ceil(_SMALLEST_SQUARE * (columns[1] - columns[0]) / wide)))
    coarse = _joined(landings, by)
    root = _root(flat, shape, ident, spoken)
    root.append(_rect("land", flat.width, flat.height))
    fine_deg = 0.5 / (flat.per_km * KM_PER_DEG)
    for each in ground_strokes(outlines(ground, flat.frame, fine_deg, most=_VERTICES), flat):
        root.append(Xml.Element("path", {"class": each.kind, "d": each.path}))
    most = float(coarse.count.max()) / total
    root.extend(_squares(coarse, flat, total))
    at = flat.point(site.latitude_deg, site.longitude_deg)
    root.append(Xml.Element("path", {"class": "site-mark", "d": _site_at(at)}))
    bar_x, bar_units, _ = scale_bar(flat, at)
    names = Labels(flat.width, flat.height, (bar_x - 4.0, bar_x + bar_units + 60.0))
    names.beside(at, site.name, bold=True, must=True)
    for label in names.placed:
        root.append(words(label.x, label.y, label.text, anchor=label.anchor, bold=label.bold))
    root.extend(_rim(flat, at))
    seen = landings.count[rows[0] : rows[1], columns[0] : columns[1]].sum()
    square_km = KM_PER_DEG * float(coarse.latitude_edges_deg[1] - coarse.latitude_edges_deg[0])
    svg = Xml.tostring(root, encoding="unicode")
    return LandingMap(svg, square_km, most, 1.0 - float(seen) / total)


def rose_svg(every: FloatArray, good: FloatArray, most: float, spoken: str) -> str:
    """A rose: how often landings lie which way from the site.

    Parameters
    ----------
    every, good : array [16]
        Share of the hours by sector, and of those that are good. [1]
    most : float
        Share that reaches the outer ring. [1]
    spoken : str
        What it shows, for those who do not see it.
    """
    about = {"class": "rose", "viewBox": "-60 -66 120 126", "role": "img", "aria-label": spoken}
    root = Xml.Element("svg", about)
    for radius in (25.0, 50.0):
        root.append(Xml.Element("circle", {"class": "ring", "r": f"{radius:g}"}))
    root.append(words(0.0, -53.0, NORTH, anchor="middle"))
    for kind, shares in (("petal", every), ("good", good)):
        for sector in np.flatnonzero(shares > 0.0).tolist():
            path = _wedge(sector, 50.0 * float(shares[sector]) / most)
            root.append(Xml.Element("path", {"class": kind, "d": path}))
    return Xml.tostring(root, encoding="unicode")


def _wedge(sector: int, radius: float) -> str:
    width = 2.0 * np.pi / SECTORS
    a, b = ((sector + side) * width for side in (-0.45, 0.45))
    (x, y), (u, v) = ((radius * np.sin(t), -radius * np.cos(t)) for t in (a, b))
    return f"M0 0L{x:.1f} {y:.1f}A{radius:.1f} {radius:.1f} 0 0 1 {u:.1f} {v:.1f}Z"


def _middle_of(counts: FloatArray) -> tuple[int, int]:
    """First cell, and one past the last, between which all but a few land."""
    reached = np.cumsum(counts) / counts.sum()
    first = int(np.searchsorted(reached, _BEYOND, side="right"))
    return first, int(np.searchsorted(reached, 1.0 - _BEYOND)) + 1


def _joined(landings: Landings, by: int) -> Landings:
    """The same in squares that are so many cells wide; the last ones may reach farther."""
    rows, columns = (-(-size // by) for size in landings.count.shape)
    north, east = (
        old[0] + (old[1] - old[0]) * by * np.arange(count + 1)
        for old, count in (
            (landings.latitude_edges_deg, rows),
            (landings.longitude_edges_deg, columns),
        )
    )
    held = np.zeros((rows * by, columns * by), dtype=np.int64)
    held[: landings.count.shape[0], : landings.count.shape[1]] = landings.count
    return Landings(north, east, held.reshape(rows, by, columns, by).sum(axis=(1, 3)))


def _squares(landings: Landings, flat: Flat, total: int) -> Iterable[Xml.Element]:
    """Squares of a map, and the percentages in them."""
    most, signs = float(landings.count.max()), []
    for row, column in np.argwhere(landings.count).tolist():
        x, y = flat.point(
            landings.latitude_edges_deg[row + 1], landings.longitude_edges_deg[column]
        )
        u, v = flat.point(
            landings.latitude_edges_deg[row], landings.longitude_edges_deg[column + 1]
        )
        share = int(landings.count[row, column]) / total
        step = min(int(_SHADES * np.sqrt(landings.count[row, column] / most)), _SHADES - 1)
        box = {"x": x, "y": y, "width": u - x, "height": v - y}
        about = {name: f"{value:.1f}" for name, value in box.items()}
        yield Xml.Element("rect", {"class": f"density d{step}", **about})
        if share >= 0.01:
            size = min(max(0.55 * (u - x), _SMALLEST_LETTER), _LARGEST_LETTER)
            signs.append(_sign(((x + u) / 2.0, (y + v) / 2.0), f"{100.0 * share:.0f}", size))
    yield from signs


def _rim(flat: Flat, keep_off: tuple[float, float]) -> Iterable[Xml.Element]:
    """Scale and north of a map."""
    bar_x, bar_units, bar_km = scale_bar(flat, keep_off)
    foot, north = flat.height - 16.0, flat.width - 16.0
    bar = f"M{bar_x:.1f} {foot:.1f}v5h{bar_units:.1f}v-5"
    yield Xml.Element("path", {"class": "bar", "d": bar})
    yield words(bar_x + 6.0 + bar_units, foot + 6.0, bar_km)
    arrow = f"M{north:.0f} 10l6 18l-6 -5l-6 5z"
    yield Xml.Element("path", {"class": "site-mark", "d": arrow})
    yield words(north, 42.0, NORTH, anchor="middle")


def _site_at(at: tuple[float, float]) -> str:
    return f"M{at[0]:.1f} {at[1] - 8.0:.1f}l7 12h-14z"


def _spot(latitude_deg: float, longitude_deg: float) -> Footprint:
    return Footprint(latitude_deg, longitude_deg, 0, 0.0, 0.0, 0.0, 0.0, 0.0)


def _frame(scouting: Scouting, shape: Shape, *, alone: bool = False) -> _Frame:
    """The flat map that holds the region, and, if not it alone, where landings are wanted."""
    asked = scouting.asked
    rings = [np.array(r) for r in (*asked.outline, *(() if alone else asked.land_outline))]
    spot = _spot(asked.middle_latitude_deg, asked.middle_longitude_deg)
    flat = fitted(spot, np.vstack(rings), (), shape)
    return _Frame(flat, asked.spacing_km * flat.per_km)


def _below(
    scouting: Scouting, flat: Flat, ground: Ground, zones: tuple[Zone, ...]
) -> tuple[tuple[str, str], ...]:
    """Classes and paths of what lies below the places."""
    fine_deg = 0.5 / (flat.per_km * KM_PER_DEG)
    found = outlines(ground, flat.frame, fine_deg, most=_VERTICES)
    strokes = [*ground_strokes(found, flat), *zone_strokes(zones, flat)]
    asked = scouting.asked
    rings = [("region", ring) for ring in asked.outline]
    rings += [("land-in", ring) for ring in asked.land_outline]
    paths = [(kind, flat.path([np.array(ring)], closed=True)) for kind, ring in rings]
    return (*((each.kind, each.path) for each in strokes), *paths)


def _discs(
    scouting: Scouting, ranked: Ranked, frame: _Frame, *, told: bool
) -> Iterable[Xml.Element]:
    """The places by their chance, the best uppermost; `told` gives each a title."""
    most = min(_MOST, max(0.62 * frame.apart, _LEAST))
    for each, hour in reversed(ranked):
        at, verdict = _at(scouting, each, frame.flat), each.verdict(hour)
        share = each.share(hour) or 0.0
        if verdict in (Verdict.GO, Verdict.CAUTION):
            steps = min(int(share * _CHANCES), _CHANCES - 1)
            kind = f"place {verdict}" + (f" c{steps}" if verdict is Verdict.GO else "")
            sign = _circle(kind, at, _LEAST + (most - _LEAST) * share)
        elif verdict is Verdict.NO_GO:
            sign = _cross(at, min(2.4, 0.5 * most))
        else:
            sign = _sign(at, "?", min(11.0, 3.0 * most))
        if told:
            row = place_row(scouting, each, hour)
            title = Xml.SubElement(sign, "title")
            title.text = f"{row.name}, {row.when}: {row.verdict}, chance {row.chance}; {row.why}"
        yield sign


def _letters(
    scouting: Scouting, ranked: Ranked, frame: _Frame, limits: Mapping[str, int]
) -> Iterable[Xml.Element]:
    """What is in the way at each place, as a letter; a dot where it is go."""
    size = min(max(1.05 * frame.apart, _SMALLEST_LETTER), _LARGEST_LETTER)
    for each, hour in reversed(ranked):
        at, name = _at(scouting, each, frame.flat), each.limit[hour]
        if each.verdict(hour) is Verdict.GO:
            yield _circle("place go c2", at, min(0.2 * size, 2.4))
            continue
        number = limits.get(name or "")
        sign = _sign(at, "?" if number is None else small_letter(number), size)
        row = place_row(scouting, each, hour)
        Xml.SubElement(sign, "title").text = f"{row.name}, {row.when}: {row.why}"
        yield sign


def _at(scouting: Scouting, each: PlaceHours, flat: Flat) -> tuple[float, float]:
    place = scouting.places[each.place]
    return flat.point(place.latitude_deg, place.longitude_deg)


def _root(flat: Flat, shape: Shape, ident: str, spoken: str) -> Xml.Element:
    root = Xml.Element(
        "svg",
        {
            "class": f"map {shape.name}",
            "viewBox": f"0 0 {flat.width:.0f} {flat.height:.1f}",
            "role": "img",
            "aria-labelledby": f"{ident}-title",
        },
    )
    Xml.SubElement(root, "title", {"id": f"{ident}-title"}).text = spoken
    return root


def _rect(kind: str, width: float, height: float) -> Xml.Element:
    return Xml.Element("rect", {"class": kind, "width": f"{width:.0f}", "height": f"{height:.1f}"})


def _circle(kind: str, at: tuple[float, float], radius: float) -> Xml.Element:
    about = {"class": kind, "cx": f"{at[0]:.1f}", "cy": f"{at[1]:.1f}", "r": f"{radius:.1f}"}
    return Xml.Element("circle", about)


def _cross(at: tuple[float, float], reach: float) -> Xml.Element:
    path = (
        f"M{at[0] - reach:.1f} {at[1] - reach:.1f}l{2 * reach:.1f} {2 * reach:.1f}"
        f"m0 {-2 * reach:.1f}l{-2 * reach:.1f} {2 * reach:.1f}"
    )
    return Xml.Element("path", {"class": "place no-go", "d": path})


def _sign(at: tuple[float, float], letter: str, size: float) -> Xml.Element:
    sign = words(at[0], at[1] + 0.35 * size, letter, anchor="middle")
    sign.set("class", f"sign z{round(size)}")
    return sign
