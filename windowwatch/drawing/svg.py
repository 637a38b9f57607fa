"""The map of a launch hour as SVG, for pages, paper and pictures, and what its signs mean. Pure.

Colours and strokes are those of ``static/map.css``, which pages and pictures share. Hatches stand
apart (`hatches`), for a pattern in a drawing that is not displayed paints nothing.
"""

from collections.abc import Iterable
from xml.etree import ElementTree as Xml

from windowwatch.drawing.hour_map import MapView, Ring
from windowwatch.wording.page import NORTH, SIGNS

#: Paths of the signs, about the place that they mark.
_BURST = "m-5 -5l10 10m0 -10l-10 10"
_CENTRE = "m-7 0h14m-7 -7v14"
_SITE = "m0 -8l7 12h-14z"
_PARK = "m-4.5 -4.5h9v9h-9z"
#: Size of a sample in the key.
SAMPLE = (30, 16)


def map_svg(view: MapView, ident: str, spoken: str) -> str:
    """The drawing as an element of a page.

    Parameters
    ----------
    view : MapView
    ident : str
        No other drawing of the page has this one.
    spoken : str
        What the drawing shows, for those who do not see it.
    """
    root = Xml.Element(
        "svg",
        {
            "class": f"map {view.shape}",
            "viewBox": f"0 0 {view.width:.0f} {view.height:.1f}",
            "role": "img",
            "aria-labelledby": f"{ident}-title",
        },
    )
    _text(root, "title", spoken, id=f"{ident}-title")
    root.extend(map_elements(view))
    return _written(root)


def hatches_svg() -> str:
    """The hatches of all drawings of a page, in an element without size."""
    root = Xml.Element("svg", {"class": "patterns", "aria-hidden": "true"})
    root.append(hatches())
    return _written(root)


def samples_svg(view: MapView) -> list[tuple[str, str]]:
    """The key for a page: a sample of each sign as an element, and what it means."""
    shown = []
    for sample, words in key_of(view):
        width, height = SAMPLE
        root = Xml.Element(
            "svg", {"class": "map", "viewBox": f"0 0 {width} {height}", "aria-hidden": "true"}
        )
        root.extend(sample)
        shown.append((_written(root), words))
    return shown


def map_elements(view: MapView) -> Iterable[Xml.Element]:
    """Everything of the drawing, the lowest first."""
    yield _rect("land", 0, 0, view.width, view.height)
    for stroke in (*view.strokes, *view.zones):
        yield _path(stroke.kind, stroke.path)
    if view.drive:
        yield from (_path("drive-case", view.drive), _path("drive", view.drive))
    yield _ellipse(view.in_90, "in90")
    yield _ellipse(view.in_50, "in50")
    if view.burst_90 is not None:
        yield _ellipse(view.burst_90, "burst90")
    if view.landings:
        yield _path("landing", view.landings)
    if view.up:
        yield from (_path("up", view.up), _path("down", view.down))
        yield from (_dot(x, y) for x, y in view.marks)
    else:
        yield _path("way", f"{_at(view.site)}L{view.centre[0]:.1f} {view.centre[1]:.1f}")
    if view.burst is not None:
        yield _path("burst-mark", _at(view.burst) + _BURST)
    yield from (_path("park", _at(place) + _PARK) for place in view.parks)
    yield _path("centre", _at(view.centre) + _CENTRE)
    yield from (_rect("crew-mark", x - 5, y - 5, 10, 10) for x, y in view.crews)
    yield _path("site-mark", _at(view.site) + _SITE)
    for label in view.labels:
        yield words(label.x, label.y, label.text, anchor=label.anchor, bold=label.bold)
    foot = view.height - 16.0
    yield _path("bar", f"M{view.bar_x:.1f} {foot:.1f}v5h{view.bar_units:.1f}v-5")
    yield words(view.bar_x + 6.0 + view.bar_units, foot + 6.0, view.bar_km)
    north = view.width - 16.0
    yield _path("site-mark", f"M{north:.0f} 10l6 18l-6 -5l-6 5z")
    yield words(north, 42.0, NORTH, anchor="middle")


def hatches() -> Xml.Element:
    """The patterns that towns and airspace are filled with."""
    found = Xml.Element("defs")
    for name, size, turn, stroke in (
        ("hatch", 6, 45, "hatching"),
        ("hatch-air", 9, -45, "hatching-air"),
    ):
        pattern = Xml.SubElement(
            found,
            "pattern",
            {
                "id": name,
                "width": str(size),
                "height": str(size),
                "patternUnits": "userSpaceOnUse",
                "patternTransform": f"rotate({turn})",
            },
        )
        if name == "hatch":
            pattern.append(_rect("hatch-back", 0, 0, size, size))
        pattern.append(_path(stroke, f"M0 0V{size}"))
    return found


def key_of(view: MapView) -> Iterable[tuple[tuple[Xml.Element, ...], str]]:
    """A sample of every sign that a drawing has, and what it means."""
    line, area = "M1 8h28", (0, 0, 30, 16)
    inner = (1, 1, 28, 14)
    ring = Ring(15, 8, 13, 6, 0)
    yield (_path("site-mark", "M15 10" + _SITE),), SIGNS["site"]
    if view.up:
        yield (_path("up", line), _dot(15, 8)), SIGNS["up"]
        yield (_path("burst-mark", "M15 8m-4 -4l8 8m0 -8l-8 8"),), SIGNS["burst"]
        yield (_path("down", line),), SIGNS["down"]
    else:
        yield (_path("way", line),), SIGNS["way"]
    if view.burst_90 is not None:
        yield (_ellipse(ring, "burst90"),), SIGNS["burst_90"]
    yield (_path("centre", "M9 8h12M15 2v12"),), SIGNS["centre"]
    if view.landings:
        yield (_path("landing", "M7 5h0M16 11h0M23 6h0"),), SIGNS["landing"]
    yield (_ellipse(ring, "in50"),), SIGNS["in_50"]
    yield (_ellipse(ring, "in90"),), SIGNS["in_90"]
    if view.drive:
        yield (_path("drive-case", line), _path("drive", line)), SIGNS["drive"]
    if view.crews:
        yield (_rect("crew-mark", 10, 3, 10, 10),), SIGNS["crew"]
    if view.parks:
        yield (_path("park", "M15 8" + _PARK),), SIGNS["park"]
    for kind, box, classes in (
        ("airspace", area, "zone airspace"),
        ("open", inner, "zone open airspace"),
        ("permitted", inner, "zone permitted"),
        ("announced", inner, "zone announced"),
        ("water", area, "water"),
        ("shun", area, "shun"),
        ("forest", area, "forest"),
        ("wetland", area, "wetland"),
    ):
        if kind in view.kinds:
            yield (_rect(classes, *box),), SIGNS[kind]
    if "landed" in view.kinds:
        yield (_path("landed", "M15 1l7 7l-7 7l-7 -7z"),), SIGNS["landed"]
    if "road" in view.kinds:
        roads = (("road major", 5), ("road", 9), ("road track", 13))
        yield tuple(_path(kind, f"M0 {y}h30") for kind, y in roads), SIGNS["roads"]


def words(
    x: float, y: float, text: str, *, anchor: str = "start", bold: bool = False
) -> Xml.Element:
    """A text in a drawing."""
    made = Xml.Element("text", {"x": f"{x:.1f}", "y": f"{y:.1f}"})
    if anchor != "start":
        made.set("text-anchor", anchor)
    if bold:
        made.set("class", "bold")
    made.text = text
    return made


def _path(kind: str, path: str) -> Xml.Element:
    return Xml.Element("path", {"class": kind, "d": path})


def _rect(kind: str, x: float, y: float, width: float, height: float) -> Xml.Element:
    box = {"x": x, "y": y, "width": width, "height": height}
    return Xml.Element(
        "rect", {"class": kind, **{name: f"{round(value, 1):g}" for name, value in box.items()}}
    )


def _dot(x: float, y: float) -> Xml.Element:
    return Xml.Element(
        "circle", {"class": "minute", "cx": f"{x:.1f}", "cy": f"{y:.1f}", "r": "3.2"}
    )


def _ellipse(ring: Ring, kind: str) -> Xml.Element:
    return Xml.Element(
        "ellipse",
        {
            "class": kind,
            "rx": f"{ring.major:.1f}",
            "ry": f"{ring.minor:.1f}",
            "transform": f"translate({ring.x:.1f} {ring.y:.1f}) rotate({ring.turn_deg:.1f})",
        },
    )


def _at(place: tuple[float, float]) -> str:
    return f"M{place[0]:.1f} {place[1]:.1f}"


def _text(parent: Xml.Element, name: str, text: str, **attributes: str) -> None:
    Xml.SubElement(parent, name, attributes).text = text


def _written(root: Xml.Element) -> str:
    return Xml.tostring(root, encoding="unicode")
