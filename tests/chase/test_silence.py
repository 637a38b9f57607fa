"""Silence: line of sight against the radio horizon, and the order of a search against a sort."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from made_roads import CELL_M, MIDDLE, NOW, estimate, town

from windowwatch.chase.silence import (
    STRIP_M,
    Sight,
    lowest_seen_m,
    search_order,
    sight,
    whereabouts,
)
from windowwatch.ground.plane import Grid
from windowwatch.ground.query.rasters import COVER, MAPPED_BIT, Base, Layer, Rasters, encode
from windowwatch.ground.tags import Cover
from windowwatch.physics.spread import Footprint

pytestmark = pytest.mark.chase


def country(height_m: np.ndarray | float, cell_m: float = 1000.0, side: int = 241) -> Rasters:
    """Terrain alone, on a map with its middle at `MIDDLE`."""
    half = 0.5 * side * cell_m
    grid = Grid(*MIDDLE, -half, -half, cell_m, side, side)
    high = np.broadcast_to(height_m, grid.shape)
    layers = {
        COVER: Layer(np.full(grid.shape, 1 << MAPPED_BIT, dtype=np.uint16)),
        "height_m": encode(high, 0.25, -500.0, smooth=True),
    }
    return Rasters("bare.ground", grid, layers, [Base("b", *MIDDLE)], ["invented"])


def at(rasters: Rasters, east_m: float, north_m: float = 0.0) -> tuple[float, float]:
    lat, lon = rasters.grid.plane.backward(east_m, north_m)
    return float(lat), float(lon)


@pytest.mark.parametrize(("antenna_m", "target_m"), [(2.0, 100.0), (10.0, 300.0), (30.0, 700.0)])
def test_over_the_sea_it_is_the_radio_horizon(antenna_m: float, target_m: float) -> None:
    """ITU-R: with 4/3 of the Earth's radius, km = 4.12 (√h1 + √h2), heights in metres."""
    sea = country(0.0)
    horizon_m = 4120.0 * (np.sqrt(antenna_m) + np.sqrt(target_m))
    lowest = lowest_seen_m(sea, at(sea, -60_000.0), at(sea, horizon_m - 60_000.0), antenna_m)
    assert lowest == pytest.approx(target_m, rel=0.02, abs=1.0)


def test_a_hill_worked_by_hand() -> None:
    """An eye 2 m above 100 m; a ridge of 600 m from 19 km on; the tracker at 40 km.

    Bulge at its edge: 19 km x 21 km / (2 x 8494.7 km) = 23.5 m. The line from 102 m over 623.5 m
    rises by 521.5 m in 19 km, so it is at 102 + 521.5 x 40 / 19 = 1200 m over the tracker.
    """
    high = np.full((241, 241), 100.0)
    high[:, 119:122] = 600.0
    land = country(high)
    eye, target = at(land, -20_000.0), at(land, 20_000.0)
    assert lowest_seen_m(land, eye, target, 2.0) == pytest.approx(
        1200.0,
        abs=6.0,  # terrain is looked at every 100 m
    )
    assert lowest_seen_m(land, eye, at(land, -20_000.0, 9_000.0), 2.0) == pytest.approx(
        100.0, abs=3.0
    )
    bare = country(0.0)
    bare.layers.pop("height_m")
    assert lowest_seen_m(bare, eye, target, 2.0) is None
    assert lowest_seen_m(land, eye, at(land, 150_000.0), 2.0) is None, "off the map"


def test_until_when_it_is_in_sight() -> None:
    high = np.full((241, 241), 100.0)
    high[:, 119:122] = 600.0
    land = country(high)
    what = estimate(np.full(9, 20_000.0), np.zeros(9), town().rasters)
    lon = at(land, 20_000.0)[1]
    what = replace(what, way_latitude_deg=(46.0, 46.0), way_longitude_deg=(lon, lon))
    seen = sight(land, at(land, -20_000.0), what, NOW, 2.0)
    assert seen is not None
    assert seen.until_utc is not None
    # it falls from 9000 to 300 m in 20 min, and is at 1200 m after 17.93 of them
    assert 17.4 < (seen.until_utc - NOW) / timedelta(minutes=1) <= 17.95
    assert not seen.to_ground
    behind = sight(land, at(land, 30_000.0), what, NOW, 2.0)
    assert behind is not None
    assert behind.to_ground
    low = replace(what, line_50_m=(900.0, 300.0), way_height_m=(900.0, 300.0))
    assert sight(land, at(land, -20_000.0), low, NOW, 2.0) == Sight(None, None, False)
    assert sight(land, at(land, -20_000.0), what, NOW + timedelta(hours=1), 2.0) is None


def test_where_it_must_be_by_now() -> None:
    what = estimate(np.linspace(-900, 900, 9), np.zeros(9), town().rasters)
    half = whereabouts(what, NOW + timedelta(minutes=10))
    assert half.longitude_deg == pytest.approx(6.95)
    assert half.height_m == pytest.approx(4650.0)
    assert half.reach_m == pytest.approx(0.5 * what.landing.major_90_m)
    assert not half.landed
    late = whereabouts(what, NOW + timedelta(minutes=90))
    assert (late.landed, late.reach_m) == (True, what.landing.major_90_m)
    assert late.longitude_deg == what.landing.longitude_deg


def test_the_order_of_a_search_is_that_of_a_sort() -> None:
    """Probability per minute, once more from the normal density, and by Python's own sort."""
    ground = town().rasters
    codes = ground.layers[COVER].codes.copy()
    codes[:, 17:19] |= 1 << list(Cover).index(Cover.WATER)
    ground.layers[COVER] = Layer(codes)
    area = Footprint(46.002, 7.001, 500, 600.0, 300.0, 1100.0, 550.0, 30.0)
    search = search_order(ground, area)
    assert search is not None
    assert len(search.cells) > 50
    east, north = ground.grid.plane.forward(
        [c.latitude_deg for c in search.cells], [c.longitude_deg for c in search.cells]
    )
    mid_east, mid_north = ground.grid.plane.forward(46.002, 7.001)
    turn = np.radians(30.0)
    along = (east - mid_east) * np.sin(turn) + (north - mid_north) * np.cos(turn)
    across = (east - mid_east) * np.cos(turn) - (north - mid_north) * np.sin(turn)
    # nine in ten inside means 4.605 = -2 ln 0.1 in squared standard deviations
    square = 4.605 * ((along / 1100.0) ** 2 + (across / 550.0) ** 2)
    assert square.max() < 4.7, "inside of the 90 % area"
    density = np.exp(-0.5 * square)
    chance = np.array([c.probability for c in search.cells])
    assert chance == pytest.approx(density * chance.sum() / density.sum(), rel=0.02)
    assert chance.sum() + search.water + search.unreached == pytest.approx(0.9)
    assert search.water > 0.0
    middles = [[getattr(c, n) for c in search.cells] for n in ("latitude_deg", "longitude_deg")]
    walk = ground.value("walk_min", ground.units(*middles))
    look = search.side_m**2 / STRIP_M / (4.0 / 3.6) / 60.0
    rated = sorted(
        zip(chance / (walk + look), range(chance.size), strict=True), key=lambda e: (-e[0], e[1])
    )
    assert [number for _, number in rated] == list(range(chance.size))
    assert not any(CELL_M * 17 < x + 4000.0 < CELL_M * 19 for x in east), "nobody walks on water"
    ground.layers.pop("height_m")
    assert search_order(ground, area) is None
