"""What landings lie on: counted by hand on a small map, and what no map says stays unknown."""

from dataclasses import replace

import numpy as np
import pytest
import shapely
from made_roads import estimate, town

from windowwatch.chase.drives import Share
from windowwatch.chase.landings import chances
from windowwatch.ground.query.airspace import Airspace, AirspaceKind, Level, Permitted, Volume
from windowwatch.ground.query.features import Area, AreaKind, Areas, Ground
from windowwatch.ground.query.rasters import COVER, Layer
from windowwatch.ground.tags import Cover
from windowwatch.scoring.plan import ScoringPlan

pytestmark = pytest.mark.chase


def test_shares_are_those_counted_by_hand() -> None:
    """Ten landings from 2.25 km west to 2.25 km east of the middle, every 500 m, at 300 m."""
    rasters = town().rasters
    what = estimate(np.arange(-2250.0, 2251.0, 500.0), np.zeros(10), rasters)
    codes = rasters.layers[COVER].codes.copy()
    half = codes.shape[1] // 2
    codes[:, half + 4 :] |= 1 << list(Cover).index(Cover.WATER)  # 1250, 1750, 2250 m
    codes[:, :8] = 0  # from 2000 m west on it is off the map
    rasters.layers[COVER] = Layer(codes)

    def strip(west_m: float, east_m: float) -> object:
        lat, lon = rasters.grid.plane.backward([west_m, east_m], [-5000.0, 5000.0])
        return shapely.box(lon[0], lat[0], lon[1], lat[1])

    def volume(floor_m: float, active: tuple[tuple[float, float], ...] = ()) -> Airspace:
        top = Level(3000.0)
        return Airspace(
            [Volume("CTR", AirspaceKind.CLOSED, strip(-500, 100), Level(floor_m), top, active)]
        )

    pond = Area("pond", AreaKind.WATER, strip(-1000.0, -500.0))  # 750 m west
    base = Area("base", AreaKind.MILITARY, strip(200.0, 400.0))
    plan = ScoringPlan(no_landing_kinds=frozenset({AreaKind.MILITARY}), no_landing_distance_m=100.0)
    ground = Ground(
        areas=Areas([pond, base]),
        rasters=rasters,
        airspace=volume(0.0),
        permitted=Permitted([strip(-2500.0, 2000.0)], "range"),
    )
    found = chances(what, ground, plan)
    assert found.water == Share(0.4, 0.1)
    assert found.no_landing == Share(0.1, 0.0), "the file has no such layer; the areas know"
    assert found.airspace == Share(0.1, 0.0)
    assert found.left == Share(0.1, 0.0)
    high = replace(ground, airspace=volume(700.0))
    assert chances(what, high, plan).airspace == Share(0.0, 0.0)
    past = replace(ground, airspace=volume(0.0, ((0.0, 1e9),)))
    assert chances(what, past, plan).airspace == Share(0.0, 0.0)
    bare = chances(what, Ground(), plan)
    assert (bare.water, bare.no_landing, bare.airspace, bare.left) == (None, None, None, None)
    seas = chances(what, Ground(areas=Areas([pond])), plan)
    assert seas.water == Share(0.1, 0.9), "areas say where water is, and never where none is"
