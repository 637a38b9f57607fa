"""One launch hour as KML 2.2 (OGC 07-147r2), for viewers of maps and globes. Pure."""

from xml.etree import ElementTree as Xml

from windowwatch.web.data.export import time_text
from windowwatch.web.data.flight import (
    FlightData,
    drive_parts,
    track_parts,
    track_point,
    track_time,
)
from windowwatch.web.data.shapes import Point, point

_SPACE = "http://www.opengis.net/kml/2.2"
#: Colours as KML has them: opacity, blue, green, red.
_STYLES = {
    "flight": ("ff8a4b1f", None),
    "drive": ("ff2a6b2a", None),
    "inside": ("ff1a32a8", "301a32a8"),
    "burst-inside": ("ff6d5a8a", "206d5a8a"),
}


def flight_kml(data: FlightData) -> bytes:
    """The document, in UTF-8."""
    root = Xml.Element("kml", {"xmlns": _SPACE})
    document = _add(root, "Document")
    _add(document, "name", data.title)
    _add(document, "description", "\n".join(data.notes))
    for name, (line, fill) in _STYLES.items():
        style = _add(document, "Style", id=name)
        strokes = _add(style, "LineStyle")
        _add(strokes, "color", line)
        _add(strokes, "width", "3")
        area = _add(style, "PolyStyle")
        _add(area, "color", fill or "00ffffff")
    site = data.site
    place = point(site.latitude_deg, site.longitude_deg, site.height_m)
    _point(document, f"{site.name} (site)", place)
    _areas(document, data)
    _flight(document, data)
    drive = data.drive
    if drive is not None:
        mark = _placemark(document, f"Drive from {drive.start}, {drive.minutes:.0f} min", "drive")
        _lines(mark, drive_parts(drive), absolute=False)
    written: bytes = Xml.tostring(root, encoding="utf-8", xml_declaration=True)
    return written


def _areas(document: Xml.Element, data: FlightData) -> None:
    words = {"inside": "lands", "burst inside": "bursts"}
    for what, share, rings in data.areas:
        name = f"{share:.0%} {words[what]} inside".replace("%", " %")
        mark = _placemark(document, name, what.replace(" ", "-"))
        many = _add(mark, "MultiGeometry")
        for ring in rings:
            outer = _add(_add(many, "Polygon"), "outerBoundaryIs")
            _add(_add(outer, "LinearRing"), "coordinates", _text(ring))
    if data.landings:
        mark = _placemark(document, "Landings, a sample")
        many = _add(mark, "MultiGeometry")
        for place in data.landings:
            _add(_add(many, "Point"), "coordinates", _text([place]))
    middle = data.hour.footprint
    if middle is not None:
        _point(document, "Middle of the landings", point(middle.latitude_deg, middle.longitude_deg))


def _flight(document: Xml.Element, data: FlightData) -> None:
    track = data.track
    if track is None:
        return
    mark = _placemark(document, "Middle flight")
    span = _add(mark, "TimeSpan")
    _add(span, "begin", time_text(track_time(track, 0)))
    _add(span, "end", time_text(track_time(track, -1)))
    _add(mark, "styleUrl", "#flight")
    _lines(mark, track_parts(track), absolute=True)
    for name, index in (("Burst", track.burst_index), ("Landing of the middle flight", -1)):
        _point(document, name, track_point(track, index), time_text(track_time(track, index)))


def _placemark(parent: Xml.Element, name: str, style: str = "") -> Xml.Element:
    mark = _add(parent, "Placemark")
    _add(mark, "name", name)
    if style:
        _add(mark, "styleUrl", f"#{style}")
    return mark


def _point(parent: Xml.Element, name: str, place: Point, when: str = "") -> None:
    mark = _placemark(parent, name)
    if when:
        _add(_add(mark, "TimeStamp"), "when", when)
    shape = _add(mark, "Point")
    if len(place) > 2:
        _add(shape, "altitudeMode", "absolute")
    _add(shape, "coordinates", _text([place]))


def _lines(parent: Xml.Element, parts: list[list[Point]], *, absolute: bool) -> None:
    many = _add(parent, "MultiGeometry")
    for part in parts:
        line = _add(many, "LineString")
        _add(line, "tessellate", "0" if absolute else "1")
        _add(line, "altitudeMode", "absolute" if absolute else "clampToGround")
        _add(line, "coordinates", _text(part))


def _text(points: list[Point]) -> str:
    return " ".join(",".join(map(str, each)) for each in points)


def _add(parent: Xml.Element, name: str, text: str | None = None, **attributes: str) -> Xml.Element:
    made = Xml.SubElement(parent, name, attributes)
    made.text = text
    return made
