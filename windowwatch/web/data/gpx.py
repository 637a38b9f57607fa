"""The crew's drive and the middle of the landings as GPX 1.1, for their navigation. Pure."""

from xml.etree import ElementTree as Xml

from windowwatch.web.data.export import time_text
from windowwatch.web.data.flight import FlightData, drive_parts
from windowwatch.web.data.shapes import Point, point

_SPACE = "http://www.topografix.com/GPX/1/1"


def drive_gpx(data: FlightData) -> bytes | None:
    """The document, in UTF-8; None when it is not known where the flights land."""
    mark = data.hour.footprint
    if mark is None:
        return None
    root = Xml.Element("gpx", {"xmlns": _SPACE, "version": "1.1", "creator": "windowwatch"})
    head = Xml.SubElement(root, "metadata")
    _add(head, "name", data.title)
    _add(head, "desc", "\n".join(data.notes))
    _add(head, "time", time_text(data.cycle.reference_utc))
    drive = data.drive
    parts = [] if drive is None else drive_parts(drive)
    if parts:
        _waypoint(root, parts[0][0], f"Start: {drive.start}" if drive else "Start", "")
        _waypoint(root, parts[-1][-1], "Park here", "Where the walk to the landing begins.")
    landing = data.hour.landing_utc
    when = "" if landing is None else f" about {landing:%Y-%m-%d %H:%M} UTC"
    _waypoint(
        root,
        point(mark.latitude_deg, mark.longitude_deg),
        "Landing",
        f"Middle of the landings{when}; half of the flights land within "
        f"{mark.major_50_m / 1000.0:.1f} km of it along the longest axis.",
    )
    if drive is not None:
        track = Xml.SubElement(root, "trk")
        _add(track, "name", f"Drive from {drive.start}, {drive.minutes:.0f} min")
        for part in parts:
            segment = Xml.SubElement(track, "trkseg")
            for each in part:
                Xml.SubElement(segment, "trkpt", _place(each))
    written: bytes = Xml.tostring(root, encoding="utf-8", xml_declaration=True)
    return written


def _waypoint(root: Xml.Element, place: Point, name: str, text: str) -> None:
    made = Xml.SubElement(root, "wpt", _place(place))
    _add(made, "name", name)
    if text:
        _add(made, "desc", text)


def _place(place: Point) -> dict[str, str]:
    return {"lat": f"{place[1]:.5f}", "lon": f"{place[0]:.5f}"}


def _add(parent: Xml.Element, name: str, text: str) -> None:
    Xml.SubElement(parent, name).text = text
