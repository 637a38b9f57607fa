"""A notice's picture and the page's map: towns by name, the drive and its end, the same signs."""

import invented
import pytest
import shapely

from windowwatch.drawing.hour_map import TALL, WIDE, Shape, draw
from windowwatch.drawing.picture import Scene, picture_svg
from windowwatch.drawing.svg import map_elements
from windowwatch.ground.query.features import Area, AreaKind, Areas, Ground

HOUR = invented.hour(invented.at(7))
PICTURE = Shape("picture", 360.0, 300.0, 420.0)


def towns() -> Ground:
    """A town in the west, one at the eastern edge, a forest, and a town with odd letters."""
    places = (
        ("Westby", -35.95, 45.95),
        ("Eastering-on-Sea", -35.36, 46.0),
        ("A & <B>", -35.7, 45.6),
    )
    areas = [Area(name, AreaKind.TOWN, shapely.Point(x, y).buffer(0.01)) for name, x, y in places]
    return Ground(
        Areas([*areas, Area("Wood", AreaKind.FOREST, shapely.box(-35.9, 45.5, -35.8, 45.55))])
    )


@pytest.mark.parametrize("shape", [TALL, WIDE, PICTURE])
def test_towns_are_named_even_at_the_edge(shape: Shape) -> None:
    assert HOUR.footprint is not None
    view = draw(
        invented.MILLFIELD, HOUR.footprint, towns(), detail=invented.detail(HOUR), shape=shape
    )
    inside = {
        label.text
        for label in view.labels
        if label.text in {"Westby", "Eastering-on-Sea", "A & <B>"}
    }
    assert len(inside) >= 2


def test_the_picture_has_the_signs_of_the_map_and_escapes_names() -> None:
    assert HOUR.footprint is not None
    detail = invented.detail(HOUR)
    view = draw(invented.MILLFIELD, HOUR.footprint, towns(), detail=detail, shape=PICTURE)
    assert view.drive
    assert view.parks
    kinds = {element.get("class") for element in map_elements(view)}
    assert {"drive", "park", "in90", "in50", "site-mark", "burst-mark"} <= kinds
    svg = picture_svg(Scene("A title", invented.MILLFIELD, HOUR.footprint, detail, towns()))
    for kind in kinds - {None}:
        assert f'class="{kind}"' in svg
    assert "A & <B>" not in svg
