"""What is drawn beside an ensemble fills its own spread up to the table's, and no more."""

from dataclasses import replace
from typing import Any

import made_air
import numpy as np
import pytest
from scipy.interpolate import RegularGridInterpolator

from windowwatch.physics.ensemble import shown_aloft, shown_near_ground
from windowwatch.physics.flights import fly
from windowwatch.physics.spread import (
    KNOT_HEIGHT_M,
    draw_surface_errors,
    footprint,
    make_draws,
)
from windowwatch.physics.surface import SurfaceGrid
from windowwatch.physics.winderror import FORECAST_ERROR, SURFACE_ERROR, Shown
from windowwatch.physics.windgrid import WindGrid

pytestmark = pytest.mark.coverage

LEAD_H = 72.0
AT = made_air.launches(46.1, -35.3, 0.0, made_air.MONDAY + 5_000.0 * np.arange(6))
WORDS: dict[str, Any] = {
    "watch": "w", "cycle_id": "c", "site": "s", "cycle_unix_s": made_air.MONDAY - LEAD_H * 3600.0,
}  # fmt: skip
#: Enough of the air where nothing is flown.
SMALL: dict[str, Any] = {
    "latitude_deg": np.array([46.0, 46.5]), "longitude_deg": np.array([-35.5, -35.0]),
    "height_m": np.arange(0.0, 47_000.0, 2_000.0),
}  # fmt: skip


def ensemble(members: int, spread_mps: float, seed: int = 1, **axes_of: Any) -> WindGrid:
    """Members that differ by one vector each, more so higher up, and in place and time."""
    grid = made_air.grid(lambda t, y, x, z: (10.0, 3.0), members=members, **axes_of)
    chance = np.random.default_rng(seed)
    by = chance.normal(size=(members, 2)) * spread_mps
    grown = 1.0 + grid.height_m / 40e3
    axes = (grid.time_unix_s - made_air.MONDAY, grid.latitude_deg, grid.longitude_deg)
    t, y, x = np.meshgrid(*axes, indexing="ij")
    place = 1.0 + t / 2e5 + 0.05 * (y - 46.0) - 0.04 * (x + 35.0)
    air = grid.air.copy()
    off = np.einsum("tyx,h,mq->mtyxhq", place, grown, by)
    air[..., :2] += off.astype(np.float32)
    return replace(grid, air=air, member_labels=tuple(map(str, range(members))))


def test_variance_against_an_interpolator_that_is_not_ours() -> None:
    grid = ensemble(5, 3.0, **SMALL)
    shown = shown_aloft(grid, AT, KNOT_HEIGHT_M[:12])
    axes = grid.time_unix_s, grid.latitude_deg, grid.longitude_deg, grid.height_m
    for n in range(AT.time_unix_s.size):
        spots = np.array(
            [(AT.time_unix_s[n], 46.1, -35.3, height) for height in KNOT_HEIGHT_M[:12]]
        )
        winds = np.array(
            [[RegularGridInterpolator(axes, member[..., q].astype(float))(spots) for q in (0, 1)]
             for member in grid.air]
        )  # fmt: skip
        expected = winds.var(axis=0, ddof=1).mean(axis=0)
        np.testing.assert_allclose(shown.variance[n], expected, rtol=1e-4)
    assert np.all(shown.members == 5)


def test_members_that_lack_the_wind_show_nothing() -> None:
    grid = ensemble(3, 3.0)
    air = grid.air.copy()
    air[0, ..., :2] = np.nan
    two = shown_aloft(replace(grid, air=air), AT, KNOT_HEIGHT_M)
    rest = shown_aloft(replace(grid, air=air[1:], member_labels=("1", "2")), AT, KNOT_HEIGHT_M)
    np.testing.assert_allclose(two.variance, rest.variance)
    assert np.all(two.members == 2)
    air[1, ..., :2] = np.nan
    assert not shown_aloft(replace(grid, air=air), AT, KNOT_HEIGHT_M).variance.any()
    # a launch just on a grid line asks nothing of the missing neighbour beyond it
    air = grid.air.copy()
    air[:, :, :, grid.longitude_deg > -35.0] = np.nan
    edge = made_air.launches(46.0, -35.0, 0.0, made_air.MONDAY)
    assert np.all(shown_aloft(replace(grid, air=air), edge, KNOT_HEIGHT_M).variance > 0.0)


def test_equal_members_give_the_area_of_one_run() -> None:
    single = made_air.grid(lambda t, y, x, z: (10.0, 3.0))
    train = made_air.train()
    areas = []
    alone = make_draws(train, AT, count=24, **WORDS)
    for members in (1, 2, 3):
        air = np.repeat(single.air, members, axis=0)
        grid = replace(single, air=air, member_labels=tuple(map(str, range(members))))
        shown = shown_aloft(grid, AT, KNOT_HEIGHT_M)
        draws = make_draws(train, AT, count=24, shown=shown, **WORDS)
        np.testing.assert_array_equal(draws.wind_u_mps, alone.wind_u_mps)
        flights = fly(grid, AT, train, draws)
        pool = np.stack([flights.landing_latitude_deg[0].ravel(),
                         flights.landing_longitude_deg[0].ravel()])  # fmt: skip
        shape = footprint(*np.unique(pool, axis=1))
        assert shape is not None
        areas.append(shape.major_90_m * shape.minor_90_m)
    np.testing.assert_allclose(areas, areas[0], rtol=1e-6)


def test_nearly_equal_members_hardly_change_the_area() -> None:
    # half the drawn error, whatever the ensemble, made the area of three such members a third
    train, areas = made_air.train(), []
    for members in (1, 3):
        grid = ensemble(members, 0.2)
        shown = shown_aloft(grid, AT, KNOT_HEIGHT_M)
        draws = make_draws(train, AT, count=64, shown=shown, **WORDS)
        flights = fly(grid, AT, train, draws)
        shape = footprint(flights.landing_latitude_deg[0], flights.landing_longitude_deg[0])
        assert shape is not None
        areas.append(shape.major_90_m * shape.minor_90_m)
    assert areas[1] == pytest.approx(areas[0], rel=0.08)


@pytest.mark.parametrize("spread_mps", [0.5, 2.0, 4.0])
@pytest.mark.parametrize("members", [2, 5, 30])
def test_members_and_draws_together_have_the_variance_of_the_table(
    members: int, spread_mps: float
) -> None:
    # mean over many ensembles of the pool's variance, table or ensemble's own if that is more
    lead = np.full(AT.time_unix_s.size, LEAD_H)
    table = FORECAST_ERROR.component_sigma_mps(lead, KNOT_HEIGHT_M) ** 2
    pool, wanted = [], []
    for seed in range(20):
        grid = ensemble(members, spread_mps, seed, **SMALL)
        shown = shown_aloft(grid, AT, KNOT_HEIGHT_M)
        drawn = np.diagonal(FORECAST_ERROR.covariance(lead, KNOT_HEIGHT_M, shown),
                            axis1=1, axis2=2)  # fmt: skip
        assert np.all(drawn >= 0.0)
        pool.append(drawn + shown.variance * (members - 1) / members)
        wanted.append(np.maximum(table, shown.variance))
    np.testing.assert_allclose(pool, wanted, rtol=1e-9)


def test_members_take_the_flow_first_and_the_small_scales_last() -> None:
    lead = np.array([LEAD_H])
    table = FORECAST_ERROR.component_sigma_mps(lead, KNOT_HEIGHT_M) ** 2
    many = np.full(table.shape, 10**9)
    share = float(np.interp(LEAD_H, FORECAST_ERROR.lead_hours, FORECAST_ERROR.flow_share))
    left = FORECAST_ERROR.covariance(lead, KNOT_HEIGHT_M, Shown(share * table, many))[0]
    sigma = np.sqrt(np.diagonal(left))
    apart = np.abs(KNOT_HEIGHT_M[:, None] - KNOT_HEIGHT_M)
    np.testing.assert_allclose(
        left / sigma[:, None] / sigma, np.exp(-apart / FORECAST_ERROR.correlation_m), atol=1e-6
    )
    nothing = FORECAST_ERROR.covariance(lead, KNOT_HEIGHT_M, Shown(table, many))
    np.testing.assert_allclose(nothing, 0.0, atol=1e-6)


def near_ground(speeds_mps: np.ndarray) -> SurfaceGrid:
    """Members [M] whose wind at 10 m is northward and the same everywhere."""
    time = made_air.MONDAY + 3600.0 * np.arange(0.0, 13.0, 3.0)
    shape = (speeds_mps.size, time.size, 3, 3)
    north = np.broadcast_to(speeds_mps[:, None, None, None], shape).astype(np.float32)
    fields = {"wind_u_10m_mps": np.zeros(shape, np.float32), "wind_v_10m_mps": north}
    latitude, longitude = np.array([45.0, 46.0, 47.0]), np.array([-36.0, -35.0, -34.0])
    return SurfaceGrid(time, latitude, longitude, fields)


def test_surface_errors_fill_up_as_well() -> None:
    sigma = SURFACE_ERROR.sigma_mps((AT.time_unix_s - WORDS["cycle_unix_s"]) / 3600.0)
    speeds = np.array([4.0, 5.0, 7.0])
    shown = shown_near_ground(near_ground(speeds), 46.1, -35.3, AT.time_unix_s)
    assert shown is not None
    np.testing.assert_allclose(shown.variance, speeds.var(ddof=1), rtol=1e-6)
    drawn = draw_surface_errors(AT, count=401, shown=shown, **WORDS)
    pooled = (speeds[:, None] + drawn[:, None, :]).reshape(6, -1)
    np.testing.assert_allclose(pooled.std(axis=1), sigma, rtol=0.03)
    alone = draw_surface_errors(AT, count=8, **WORDS)
    equal = shown_near_ground(near_ground(np.array([5.0, 5.0])), 46.1, -35.3, AT.time_unix_s)
    np.testing.assert_array_equal(draw_surface_errors(AT, count=8, shown=equal, **WORDS), alone)
    bare = SurfaceGrid(*(getattr(near_ground(speeds), name) for name in
                         ("time_unix_s", "latitude_deg", "longitude_deg")))  # fmt: skip
    assert shown_near_ground(bare, 46.1, -35.3, AT.time_unix_s) is None
