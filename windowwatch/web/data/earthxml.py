"""What documents of KML 2.2 and GPX 1.1 are made of: elements, places and coordinates. Pure."""

from xml.etree import ElementTree as Xml

from windowwatch.web.data.export import Point

KML, GPX = "http://www.opengis.net/kml/2.2", "http://www.topografix.com/GPX/1/1"


def add(parent: Xml.Element, name: str, text: str | None = None, **attributes: str) -> Xml.Element:
    """A new element in another."""
    made = Xml.SubElement(parent, name, attributes)
    made.text = text
    return made


def placemark(parent: Xml.Element, name: str, style: str = "") -> Xml.Element:
    """A named place or line of KML; its shape is added by whoever asked."""
    mark = add(parent, "Placemark")
    add(mark, "name", name)
    if style:
        add(mark, "styleUrl", f"#{style}")
    return mark


def polygons(mark: Xml.Element, rings: list[list[Point]]) -> None:
    """Rings as areas of a placemark."""
    many = add(mark, "MultiGeometry")
    for ring in rings:
        outer = add(add(many, "Polygon"), "outerBoundaryIs")
        add(add(outer, "LinearRing"), "coordinates", coordinates(ring))


def coordinates(points: list[Point]) -> str:
    """Points as KML lists them."""
    return " ".join(",".join(map(str, each)) for each in points)


def place_of(place: Point) -> dict[str, str]:
    """Latitude and longitude as GPX has them."""
    return {"lat": f"{place[1]:.5f}", "lon": f"{place[0]:.5f}"}


def written(root: Xml.Element) -> bytes:
    """A document in UTF-8, with its declaration."""
    made: bytes = Xml.tostring(root, encoding="utf-8", xml_declaration=True)
    return made
