"""A ground file drawn: the same land and roads as the map that it was made from."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely

from windowwatch.ground.query.features import AreaKind, Ground, RoadClass
from windowwatch.ground.query.outline import AREAS_SHARE, Frame, Outline, outlines
from windowwatch.settings.read import read_settings

ROOT = Path(__file__).resolve().parents[2]
#: About Long Mere, with roads, a wood and towns about it.
FRAME = Frame(45.2, -36.0, 46.2, -34.6)
CELL_DEG = 1.4 * np.cos(np.radians(45.7)) / 220.0


@pytest.fixture(scope="module")
def both() -> tuple[Ground, Ground]:
    """The map as GeoJSON, and the ground file made from the same island."""
    whole = read_settings(ROOT / "config" / "skerra.toml").watch.ground
    return whole, replace(whole, areas=None, roads=None)


def _shape(found: tuple[Outline, ...], kind: AreaKind) -> shapely.Polygon:
    rings = [line[:, ::-1] for each in found if each.kind is kind for line in each.lines]
    return shapely.union_all([shapely.make_valid(shapely.polygons(ring)) for ring in rings])


def test_areas_lie_where_the_map_has_them(both: tuple[Ground, Ground]) -> None:
    drawn, sketched = (outlines(each, FRAME, 1e-4) for each in both)
    for kind in (AreaKind.WATER, AreaKind.FOREST, AreaKind.TOWN):
        true, seen = _shape(drawn, kind), _shape(sketched, kind)
        # Apart by no more than two cells anywhere, which is what rounding stairs may take.
        assert not true.buffer(-2.0 * CELL_DEG / 0.7).difference(seen).area, kind
        assert not seen.difference(true.buffer(2.0 * CELL_DEG / 0.7)).area, kind


def test_roads_lie_where_the_map_has_them_and_the_fast_ones_stay(
    both: tuple[Ground, Ground],
) -> None:
    def lines(found: tuple[Outline, ...]) -> shapely.MultiLineString:
        return shapely.union_all(
            [
                shapely.linestrings(line[:, ::-1])
                for each in found
                if isinstance(each.kind, RoadClass)
                for line in each.lines
            ]
        )

    drawn, sketched = (outlines(each, FRAME, 1e-4) for each in both)
    true, seen = lines(drawn), lines(sketched)
    # The ground file knows roads that are driven; the map has tracks as well.
    assert seen.difference(true.buffer(0.003)).length < 0.02 * seen.length
    driven = [e for e in drawn if e.kind in {RoadClass.PRIMARY, RoadClass.SECONDARY}]
    assert lines(tuple(driven)).difference(seen.buffer(0.003)).length < 0.05 * true.length
    few = outlines(both[1], FRAME, 1e-4, most=400)
    assert sum(len(line) for each in few for line in each.lines) <= 400
    assert few[-1].kind is not RoadClass.RESIDENTIAL


def test_a_frame_off_the_map_holds_nothing_and_areas_leave_room_for_roads(
    both: tuple[Ground, Ground],
) -> None:
    assert outlines(both[1], Frame(10.0, 10.0, 11.0, 11.0), 1e-4) == ()
    found = outlines(both[1], FRAME, 1e-4, most=300)
    on_land = sum(len(li) for e in found if isinstance(e.kind, AreaKind) for li in e.lines)
    assert on_land <= 300 * AREAS_SHARE
    assert any(isinstance(each.kind, RoadClass) for each in found)
