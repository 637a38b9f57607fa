"""What a map of an hour must hold to, whatever is flown: nothing covered, nothing outside."""

from dataclasses import replace

import invented
import made_detail
import numpy as np
import pytest

from windowwatch.drawing.hour_map import TALL, WIDE, MapView, Shape, draw
from windowwatch.drawing.labels import Label
from windowwatch.ground.query.features import Ground
from windowwatch.ground.query.outline import Zone
from windowwatch.scoring.values import Drive

RING = np.array([[45.5, -35.4], [45.9, -35.4], [45.9, -34.9], [45.5, -34.9], [45.5, -35.4]])
ZONE = Zone("airspace", "Sound TMA, above 450 m", (RING,))
LANDINGS = [(45.85, -35.05), (45.1, -35.4), (45.62, -36.4), (46.3, -35.85), (45.6, -35.93)]


def view_of(landing: tuple[float, float], shape: Shape) -> MapView:
    hour = invented.hour(invented.at(9), landing=landing)
    mark = hour.footprint
    assert mark is not None
    detail = made_detail.detail(hour)
    return draw(invented.MILLFIELD, mark, Ground(), detail=detail, zones=[ZONE], shape=shape)


def box(label: Label) -> tuple[float, float, float, float]:
    """Left, top, right and bottom of a name whose letters are seven units wide."""
    width = 7.0 * len(label.text)
    left = label.x - {"start": 0.0, "middle": 0.5, "end": 1.0}[label.anchor] * width
    return left, label.y - 10.0, left + width, label.y + 3.0


@pytest.mark.parametrize("shape", [TALL, WIDE], ids=lambda shape: shape.name)
@pytest.mark.parametrize("landing", LANDINGS)
def test_no_name_lies_on_a_sign(landing: tuple[float, float], shape: Shape) -> None:
    view = view_of(landing, shape)
    signs = [view.site, view.centre, *view.marks, *filter(None, (view.burst, *view.crews))]
    names = [label.text for label in view.labels]
    assert names[0] == "Millfield"
    assert any(name.startswith("burst") for name in names)
    for label in view.labels:
        left, top, right, bottom = box(label)
        for x, y in signs:
            assert not (left < x + 4 and x - 4 < right and top < y + 4 and y - 4 < bottom), label


@pytest.mark.parametrize("shape", [TALL, WIDE], ids=lambda shape: shape.name)
@pytest.mark.parametrize("landing", LANDINGS)
def test_where_the_crew_waits_is_always_named(landing: tuple[float, float], shape: Shape) -> None:
    """Also where its drive turns back over the name's place."""
    hour = invented.hour(invented.at(9), landing=landing)
    mark = hour.footprint
    assert mark is not None
    way = ((45.98, 45.9, landing[0]), (-34.52, -34.8, landing[1]))
    detail = replace(made_detail.detail(hour), drive=Drive("Marrowby depot", 48.0, *way))
    view = draw(invented.MILLFIELD, mark, Ground(), detail=detail, zones=[ZONE], shape=shape)
    assert [label.text for label in view.labels][:2] == ["Millfield", "Marrowby depot"]


@pytest.mark.parametrize("shape", [TALL, WIDE], ids=lambda shape: shape.name)
@pytest.mark.parametrize("landing", LANDINGS)
def test_the_scale_meets_neither_signs_nor_names(
    landing: tuple[float, float], shape: Shape
) -> None:
    view = view_of(landing, shape)
    top, right = view.height - 26.0, view.bar_x + view.bar_units + 56.0
    assert view.bar_x >= 0.0
    assert right <= view.width
    for x, y in (view.site, view.centre, *view.marks, *filter(None, (view.burst, *view.crews))):
        assert not (y > top and view.bar_x - 4.0 < x < right), "a sign lies on the scale"
    for label in view.labels:
        left, _, end, bottom = box(label)
        assert bottom <= top + 1.0 or end < view.bar_x or left > right
