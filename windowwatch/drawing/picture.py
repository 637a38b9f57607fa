"""The map of a launch hour as a picture: the only module that knows resvg and Pillow.

It is the drawing of the pages, with a title above it and its key and credits below. The letters
are those of a font that is installed with us, so that a machine without fonts shows them, too.
"""

import io
import logging
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from textwrap import wrap
from xml.etree import ElementTree as Xml

import numpy as np

from windowwatch.drawing.hour_map import MOST_VERTICES, MapView, Shape, draw
from windowwatch.drawing.svg import SAMPLE, hatches, key_of, map_elements, words
from windowwatch.ground.query.features import Ground
from windowwatch.ground.query.outline import Zone
from windowwatch.physics.spread import Footprint
from windowwatch.scoring.values import HourDetail, Site
from windowwatch.wording.credits import gathered

_LOG = logging.getLogger(__name__)

#: Width of the picture; drawn for the width of a phone, whose letters it has. [pixel]
WIDTH_PX = 640
#: A picture is no larger than this, so that it comes through on a poor line. [byte]
LARGEST = 60_000
#: Colours of a picture: those of the style, and so strong over the land: a third of the size, and
#: no difference that the eye sees.
_STRENGTHS = (1.0, 0.75, 0.5, 0.25)
#: Vertices of the ground, and of areas among them: fewer, one after the other, until the picture
#: is small enough. Roads go first: it is areas that a landing must not meet.
_DETAIL = (
    (5_000, 3_000), (900, 700), (700, 700), (450, 450), (280, 280), (150, 150), (0, 0),
)  # fmt: skip
_SHAPE = Shape("picture", 360.0, 300.0, 420.0)
_SHEET = "#fffdf8"
_RIM = 12.0
#: Font size, and how far letters are apart about, of title, words below it, key and credits.
_TITLE, _SAID, _KEY, _CREDIT = (15.0, 9.0), (12.5, 6.6), (11.5, 5.7), (8.0, 4.3)


@dataclass(frozen=True)
class Scene:
    """What a picture shows.

    Attributes
    ----------
    title : str
        Read above the map: one line in bold, and what follows it.
    site : Site
    footprint : Footprint
        Where the flights of the hour land.
    detail : HourDetail or None
        Its middle flight, landings and drive; without a flight a dotted line joins site and
        landing.
    ground : Ground
        Areas and roads.
    credits : sequence of str
        What must be said with it: whose weather and map it is made of.
    zones : sequence of Zone
        Airspace and permitted areas.
    """

    title: str
    site: Site
    footprint: Footprint
    detail: HourDetail | None
    ground: Ground
    credits: Sequence[str] = ()
    zones: Sequence[Zone] = ()


def picture_or_none(scene: Scene) -> bytes | None:
    """Draw a picture; None, and a line in the log, when that does not work.

    A notice never waits for its picture: whatever goes wrong, the text is sent.
    """
    try:
        return picture(scene)
    except Exception as error:  # foreign code may raise anything; the text must still go out
        _LOG.warning("a notice goes without its picture (%s: %s)", type(error).__name__, error)
        return None


def picture(scene: Scene) -> bytes:
    """Draw a picture as PNG, `WIDTH_PX` wide and of at most `LARGEST` bytes."""
    made = b""
    for most, most_of_areas in _DETAIL:
        made = _rasterised(picture_svg(scene, most=most, most_of_areas=most_of_areas))
        if len(made) <= LARGEST:
            break
    return made


def _rasterised(svg: str) -> bytes:
    # Loaded with the first picture: most watches send none.
    from PIL import Image
    from resvg_py import svg_to_bytes

    whole = svg_to_bytes(
        svg_string=svg,
        width=WIDTH_PX,
        font_files=list(_fonts()),
        # Names in letters that our font lacks need the machine's own, which take long to find.
        skip_system_fonts=not _BEYOND.search(svg),
    )
    made = io.BytesIO()
    with Image.open(io.BytesIO(whole)) as pixels:
        palette = Image.new("P", (1, 1))
        palette.putpalette(_palette())
        few = pixels.convert("RGB").quantize(palette=palette, dither=Image.Dither.NONE)
        few.save(made, format="PNG", optimize=True)
    return made.getvalue()


#: What Noto Sans has: Latin, Greek and Cyrillic letters, and common signs.
_BEYOND = re.compile(r"[^\u0000-\u052f\u1c80-\u1cff\u1d00-\u20cf\u2100-\u22ff\ua640-\ua7ff]")


@cache
def _fonts() -> tuple[str, ...]:
    return tuple(
        str(path)
        for path in (files("fontpkg_noto_sans") / "files").iterdir()
        if path.name.endswith(".ttf") and "Italic" not in path.name
    )


def picture_svg(
    scene: Scene, *, most: int = MOST_VERTICES, most_of_areas: int | None = None
) -> str:
    """The picture as a drawing of its own, with the style that pages have in a file."""
    view = draw(scene.site, scene.footprint, scene.ground, detail=scene.detail, zones=scene.zones,
                shape=_SHAPE, most=most, most_of_areas=most_of_areas)  # fmt: skip
    above, top = _title(scene.title)
    below, bottom = _key(view, top + view.height + 8.0)
    foot, height = _lines([_joined(scene.credits)], _CREDIT, bottom)
    root = Xml.Element(
        "svg",
        {
            "xmlns": "http://www.w3.org/2000/svg",
            "width": f"{view.width:g}",
            "height": f"{height:.1f}",
            "viewBox": f"0 0 {view.width:g} {height:.1f}",
        },
    )
    Xml.SubElement(root, "style").text = _style()
    root.append(hatches())
    Xml.SubElement(root, "rect", {"width": "100%", "height": "100%", "fill": _SHEET})
    root.extend(above)
    box = {"y": f"{top:.1f}", "width": f"{view.width:g}", "height": f"{view.height:.1f}"}
    drawn = Xml.SubElement(root, "svg", {"class": "map", **box})
    drawn.extend(map_elements(view))
    root.extend(below)
    root.extend(foot)
    return Xml.tostring(root, encoding="unicode")


@cache
def _palette() -> tuple[int, ...]:
    """Red, green and blue of every colour, one after the other."""
    found = re.findall(r"#([0-9a-f]{6})\b", f"{_SHEET} {_style()}")
    colours = np.array([list(bytes.fromhex(each)) for each in sorted(set(found))])
    land = np.array(list(bytes.fromhex(_written_style()[1]["--map-land"][1:])))
    mixed = [share * colours + (1.0 - share) * land for share in _STRENGTHS]
    return tuple(np.rint(np.vstack(mixed)).astype(int).ravel().tolist())


def _written_style() -> tuple[str, dict[str, str]]:
    """The style as it is written, and its custom properties."""
    text = (files("windowwatch.drawing") / "static" / "map.css").read_text(encoding="utf-8")
    return text, dict(re.findall(r"(--[\w-]+):\s*([^;]+);", text))


@cache
def _style() -> str:
    """The style of the map with its colours written out: resvg knows no custom properties."""
    text, values = _written_style()
    rules = re.sub(r"/\*.*?\*/|:root\s*{.*?}", "", text, flags=re.S)
    rules = re.sub(r"var\((--[\w-]+)\)", lambda found: values[found[1]], rules)
    return f'text {{ font-family: "Noto Sans"; fill: {values["--map-ink"]}; }}\n{rules}'


def _title(title: str) -> tuple[list[Xml.Element], float]:
    """The lines of a title, and where they end."""
    first, _, rest = title.partition("\n")
    head, y = _lines([first], _TITLE, 4.0, bold=True)
    said, y = _lines(rest.split("\n") if rest else [], _SAID, y)
    return [*head, *said], y + 4.0


def _lines(
    texts: Sequence[str], size: tuple[float, float], y: float, *, bold: bool = False
) -> tuple[list[Xml.Element], float]:
    """Texts folded to the width, one below the other from `y` on, and where they end."""
    font, letter = size
    drawn = []
    for line in (
        part
        for text in texts
        for part in wrap(text, int((360.0 - 2 * _RIM) / letter), break_on_hyphens=False)
    ):
        y += 1.3 * font
        made = words(_RIM, y, line)
        made.set("font-size", f"{font:g}")
        if bold:
            made.set("font-weight", "700")
        drawn.append(made)
    return drawn, y + 0.4 * font


def _key(view: MapView, y: float) -> tuple[list[Xml.Element], float]:
    """What the signs mean, in rows from `y` on, and where they end."""
    font, letter = _KEY
    drawn: list[Xml.Element] = []
    x, high = _RIM, SAMPLE[1]
    for sample, meaning in key_of(view):
        width = SAMPLE[0] + 5.0 + letter * len(meaning)
        if x > _RIM and x + width > view.width - _RIM:
            x, y = _RIM, y + high + 4.0
        group = Xml.Element("g", {"class": "map", "transform": f"translate({x:.1f} {y:.1f})"})
        group.extend(sample)
        text = words(x + SAMPLE[0] + 5.0, y + high / 2.0 + 0.36 * font, meaning)
        text.set("font-size", f"{font:g}")
        drawn += [group, text]
        x += width + 12.0
    return drawn, y + high + 4.0


def _joined(said: Iterable[str]) -> str:
    return " ".join(f"{line.rstrip('.')}." for line in gathered(said))
