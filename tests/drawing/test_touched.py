"""What a ring touches is found as shapely finds it, and its name is drawn."""

from math import cos, radians

import invented
import numpy as np
import pytest
import shapely
from shapely import affinity

from windowwatch.drawing.hour_map import TALL, WIDE, Shape, draw
from windowwatch.drawing.touched import is_touched, touches
from windowwatch.ground.query.features import Area, AreaKind, Areas, Ground
from windowwatch.ground.query.outline import Zone
from windowwatch.physics.spread import Footprint

RING = Footprint(45.9, -35.2, 128, 10_000.0, 6_000.0, 20_000.0, 12_000.0, 60.0)
KM_PER_DEG = 111.19


def placed(shape: shapely.Polygon) -> list[np.ndarray]:
    """A shape in kilometres east and north of the ring's middle as latitude and longitude."""
    east_km = KM_PER_DEG * cos(radians(RING.latitude_deg))
    return [
        np.array([(RING.latitude_deg + y / KM_PER_DEG, RING.longitude_deg + x / east_km)
                  for x, y in ring.coords])
        for ring in shapely.get_rings(shape)
    ]  # fmt: skip


def test_it_is_touched_when_shapely_says_that_it_meets_the_ring() -> None:
    """Shapely's answers for 300 areas with and without holes, those on the very edge left out."""
    circle = shapely.Point(0.0, 0.0).buffer(1.0, quad_segs=256)
    # the long axis towards bearing 60, that is 30 degrees counter-clockwise from east
    ellipse = affinity.rotate(affinity.scale(circle, 20.0, 12.0), 30.0, origin=(0, 0))
    rng = np.random.default_rng(11)
    answers = []
    for _ in range(300):
        x, y = rng.uniform(-45.0, 45.0, 2)
        shape = shapely.Point(x, y).buffer(rng.uniform(1.0, 60.0), quad_segs=4)
        hole = rng.uniform(0.0, 0.9)
        if hole > 0.4:
            shape = shape.difference(affinity.scale(shape, hole, hole))
        wanted = bool(shapely.intersects(shape, ellipse.buffer(-0.05)))
        if wanted != bool(shapely.intersects(shape, ellipse.buffer(0.05))):
            continue
        assert touches(placed(shape), RING) == wanted
        answers.append(wanted)
    assert 60 < sum(answers) < len(answers) - 30


def test_a_permitted_area_is_told_of_only_where_it_may_be_left() -> None:
    around = Zone("permitted", "Sound", tuple(placed(shapely.box(-50, -50, 50, 50))))
    across = Zone("permitted", "Sound", tuple(placed(shapely.box(0, -50, 50, 50))))
    closed = Zone("airspace", "Sound", around.lines)
    assert [is_touched(zone, RING) for zone in (around, across, closed)] == [False, True, True]


@pytest.mark.parametrize("shape", [TALL, WIDE])
def test_every_area_that_the_ring_touches_is_named_and_no_name_lies_on_another(
    shape: Shape,
) -> None:
    rng = np.random.default_rng(2)
    for _ in range(6):
        areas = []
        for i, at in enumerate(rng.uniform(-14.0, 14.0, (7, 2)).tolist()):
            lines = placed(shapely.Point(at).buffer(rng.uniform(0.5, 5.0)))
            kind = list(AreaKind)[i % len(AreaKind)]
            areas.append(Area(f"Area {i} of <b>", kind, shapely.Polygon(lines[0][:, ::-1])))
        view = draw(invented.MILLFIELD, RING, Ground(Areas(areas)), shape=shape)
        assert len(view.touched) >= 3
        drawn = [label.text for label in view.labels]
        assert set(view.touched) <= set(drawn)
        assert len(drawn) == len(set(drawn))
