"""From pressure levels over terrain to fixed heights."""

from dataclasses import fields
from typing import Any

import made_air
import numpy as np
import pytest

from windowwatch.errors import InputError
from windowwatch.physics.atmosphere import (
    geometric_height_m,
    geopotential_height_m,
    gravity_mps2,
    standard_atmosphere,
    standard_height_m,
)
from windowwatch.physics.constants import AIR_GAS_CONSTANT
from windowwatch.physics.windgrid import (
    DEFAULT_HEIGHTS,
    LOG_PRESSURE,
    TEMPERATURE,
    LevelRun,
    U,
    V,
    WindGrid,
    build_wind_grid,
)

PRESSURE = 100.0 * np.array([10, 20, 30, 50, 70, 100, 150, 200, 250, 300, 400, 500, 600, 700,
                             800, 850, 900, 925, 950, 975, 1000.0])  # fmt: skip
LATITUDE, LONGITUDE = np.array([44.0, 45.0, 46.0]), np.array([-37.0, -36.0, -35.0, -34.0])
TIME = made_air.MONDAY + np.array([0.0, 3.0]) * 3600.0


def forecast(**changes: Any) -> dict[str, Any]:
    """Standard air with u = 2 m/s per km and v = 5 m/s on every level, two members."""
    z = standard_height_m(PRESSURE)
    shape = (2, TIME.size, PRESSURE.size, LATITUDE.size, LONGITUDE.size)

    def full(values: Any) -> np.ndarray:
        return np.broadcast_to(values, shape).astype(np.float32)

    gpm = geopotential_height_m(z[:, None], LATITUDE)[:, :, None]
    given: dict[str, Any] = {
        "time_unix_s": TIME,
        "pressure_pa": PRESSURE,
        "latitude_deg": LATITUDE,
        "longitude_deg": LONGITUDE,
        "u_mps": full(2e-3 * z[:, None, None]),
        "v_mps": full(5.0),
        "temperature_k": full(standard_atmosphere(z).temperature_k[:, None, None]),
        "geopotential_height_m": full(gpm),
        "terrain_m": np.zeros((3, 4), dtype=np.float32),
        "cycle_unix_s": made_air.MONDAY,
        "member_labels": ("control", "1"),
    }
    return given | changes


def build(**given: Any) -> WindGrid:
    """The grid of one run, from what `forecast` gives."""
    return build_wind_grid(run(**given), **shared(**given))


def run(**given: Any) -> LevelRun:
    known = {field.name for field in fields(LevelRun)}
    return LevelRun(**{name: value for name, value in given.items() if name in known})


def shared(**given: Any) -> dict[str, Any]:
    known = {field.name for field in fields(LevelRun)}
    return {name: value for name, value in given.items() if name not in known}


def surface(u: float, v: float) -> tuple[np.ndarray, np.ndarray]:
    shape = (1, TIME.size, LATITUDE.size, LONGITUDE.size)
    return np.full(shape, u, np.float32), np.full(shape, v, np.float32)


def test_standard_air_comes_back_as_standard_air() -> None:
    grid = build(**forecast())
    assert grid.air.shape == (2, 2, 3, 4, DEFAULT_HEIGHTS.size, 4)
    assert grid.top_height_m == pytest.approx(31_207.0, abs=1.0)
    air = grid.air[1, 1, 2, 3]
    z = DEFAULT_HEIGHTS
    true = standard_atmosphere(z)
    inside = (z > 150.0) & (z < 31_000.0)
    np.testing.assert_allclose(air[inside, U], 2e-3 * z[inside], atol=0.01)
    # linear between 250 and 200 hPa, 10.4 to 11.8 km: the kink at 11 km is cut off by 2.2 K
    np.testing.assert_allclose(air[inside, TEMPERATURE], true.temperature_k[inside], atol=2.5)
    np.testing.assert_allclose(np.exp(air[inside, LOG_PRESSURE]), true.pressure_pa[inside],
                               rtol=0.01)  # fmt: skip


def test_above_the_top_the_standard_atmosphere_joins_hydrostatically() -> None:
    warm = forecast()
    warm["temperature_k"] = warm["temperature_k"] + np.float32(12.0)
    grid = build(**warm)
    above = grid.top_height_m < DEFAULT_HEIGHTS
    z = DEFAULT_HEIGHTS[above]
    air = grid.air[0, 0, 1, 1][above].astype(np.float64)
    assert np.all(air[:, U] == air[0, U])  # wind is held
    departure = air[:, TEMPERATURE] - standard_atmosphere(z).temperature_k
    assert 10.0 < departure[0] < 12.0
    assert np.all(np.diff(departure) < 0.2)  # fades without a jump
    np.testing.assert_allclose(departure[z > 36_300.0], 0.0, atol=0.15)
    # dp/dz = -g p / (R T), by finite differences
    middle = 0.5 * (air[1:, TEMPERATURE] + air[:-1, TEMPERATURE])
    slope = np.diff(air[:, LOG_PRESSURE]) / np.diff(z)
    g = gravity_mps2(45.0, 0.5 * (z[1:] + z[:-1]))
    np.testing.assert_allclose(slope, -g / (AIR_GAS_CONSTANT * middle), rtol=3e-3)


def test_heights_are_geometric_by_latitude() -> None:
    wide = forecast(latitude_deg=np.array([0.0, 30.0, 60.0]))
    wide["geopotential_height_m"][:] = wide["geopotential_height_m"][:, :, :, :1]
    grid = build(**wide)
    k = int(np.searchsorted(DEFAULT_HEIGHTS, 30_000.0))
    # the same geopotential lies higher at the equator, so 30 km there is further down
    gpm = geopotential_height_m(standard_height_m(PRESSURE), 44.0)
    for row, latitude in enumerate((0.0, 30.0, 60.0)):
        z = np.sort(geometric_height_m(gpm, latitude))
        expected = np.interp(30_000.0, z, np.sort(2e-3 * standard_height_m(PRESSURE)))
        assert grid.air[0, 0, row, 0, k, U] == pytest.approx(expected, abs=2e-3)


def test_surface_winds_join_over_the_terrain() -> None:
    u10, v10 = surface(1.0, 0.0)
    u100, v100 = surface(9.0, 0.0)
    given = forecast(terrain_m=np.full((3, 4), 700.0, np.float32), wind_u_10m_mps=u10,
                     wind_v_10m_mps=v10, wind_u_100m_mps=u100, wind_v_100m_mps=v100)  # fmt: skip
    heights = np.array([0.0, 700.0, 710.0, 755.0, 800.0, 988.5, 2_000.0])
    grid = build(**given, height_m=heights)
    u = grid.air[0, 0, 1, 1, :, U]
    # 925 hPa (762 m) is folded into the 100 m wind; the next level is 900 hPa at 988.5 m
    np.testing.assert_allclose(u, [1.0, 1.0, 1.0, 5.0, 9.0, 1.977, 4.0], atol=0.01)
    v = grid.air[0, 0, 1, 1, :, V]
    np.testing.assert_allclose(v, [0.0, 0.0, 0.0, 0.0, 0.0, 5.0, 5.0], atol=0.01)


def test_levels_below_ground_are_dropped() -> None:
    given = forecast(terrain_m=np.full((3, 4), 1_200.0, np.float32))
    given["u_mps"][:, :, PRESSURE > 86_000.0] = -99.0  # what models write underground
    grid = build(**given)
    assert grid.air[..., U].min() > 0.0
    assert np.isfinite(grid.air).all()


def hole(grid: WindGrid, quantity: int) -> np.ndarray:
    return DEFAULT_HEIGHTS[np.isnan(grid.air[0, 0, 1, 1, :, quantity])]


def test_missing_planes_stay_missing() -> None:
    z = standard_height_m(PRESSURE)
    given = forecast()
    given["u_mps"][:, :, 11] = np.nan  # 500 hPa
    lost = hole(build(**given), U)
    assert lost.min() >= z[12]
    assert lost.max() <= z[10]
    assert lost.size > 10
    assert hole(build(**given), V).size == 0

    given = forecast()
    given["geopotential_height_m"][:, :, 11] = np.nan
    for quantity in (U, V, TEMPERATURE, LOG_PRESSURE):
        lost = hole(build(**given), quantity)
        assert (lost.min(), lost.max()) == pytest.approx((z[12], z[10]), abs=260.0)

    given = forecast()
    given["geopotential_height_m"][:, :, 0] = np.nan  # the top level
    grid = build(**given)
    assert grid.top_height_m == pytest.approx(z[1], abs=1.0)
    assert hole(grid, U).max() == DEFAULT_HEIGHTS[-1]
    assert hole(grid, U).min() == pytest.approx(z[1], abs=500.0)

    given = forecast()
    u10, v10 = surface(np.nan, np.nan)
    lost = hole(build(**given, wind_u_10m_mps=u10, wind_v_10m_mps=v10), U)
    assert lost.min() == DEFAULT_HEIGHTS[0]
    assert lost.max() <= z[20]

    given = forecast()
    given["geopotential_height_m"][:, 1, :, 1, 1] = np.nan  # a whole column at one time
    grid = build(**given)
    assert np.isnan(grid.air[0, 1, 1, 1]).all()
    assert np.isfinite(grid.air[0, 0]).all()
    given["geopotential_height_m"][:] = np.nan
    with pytest.raises(InputError, match="no level of the forecast has a geopotential height"):
        build(**given)


def test_order_of_levels_does_not_matter() -> None:
    given = forecast()
    mixed = dict(given)
    order = np.random.default_rng(0).permutation(PRESSURE.size)
    mixed["pressure_pa"] = PRESSURE[order]
    for name in ("u_mps", "v_mps", "temperature_k", "geopotential_height_m"):
        mixed[name] = given[name][:, :, order]
    np.testing.assert_array_equal(build(**given).air, build(**mixed).air)


def test_members_join_the_control_on_its_times() -> None:
    """Straight into one array, as if each had been laid by itself and then put in time."""
    hours = np.arange(0.0, 31.0, 3.0)
    control = forecast(member_labels=("control",), time_unix_s=made_air.MONDAY + hours * 3600.0)
    coarse = forecast(
        member_labels=("m1", "m2"),
        time_unix_s=made_air.MONDAY + np.array([6.0, 12.0, 24.0]) * 3600.0,
    )
    for given, members in ((control, 1), (coarse, 2)):
        for name in ("u_mps", "v_mps", "temperature_k", "geopotential_height_m"):
            shape = (members, given["time_unix_s"].size, *given[name].shape[2:])
            given[name] = np.array(np.broadcast_to(given[name][:1, :1], shape))
        given["u_mps"] += ((given["time_unix_s"] - made_air.MONDAY) / 3600.0).astype(np.float32)[
            :, None, None, None
        ]
    coarse["v_mps"] += 100.0
    both = build_wind_grid(run(**control), run(**coarse), **shared(**control))
    assert both.member_labels == ("control", "m1", "m2")
    np.testing.assert_array_equal(both.air[:1], build(**control).air)
    u, v = (made_air.whole_air(both)[:, :, 1, 1, 50, part] for part in (U, V))
    np.testing.assert_allclose(u[0] - u[0, 0], hours, atol=1e-4)
    inside = (hours >= 6.0) & (hours <= 24.0)
    np.testing.assert_allclose(u[1:, inside], np.stack([u[0, inside]] * 2), atol=1e-4)
    np.testing.assert_allclose(v[1:, inside], 105.0, atol=1e-4)
    assert np.isnan(u[1:, ~inside]).all()
    at_12 = int(np.flatnonzero(hours == 12.0)[0])
    np.testing.assert_array_equal(made_air.whole_air(both)[1:, at_12], build(**coarse).air[:, 1])
    (own,) = both.own_steps
    np.testing.assert_array_equal(own.air, build(**coarse).air)  # kept as they are, no more of them
    # a member's gap at one time is a gap up to its neighbours in time, not at them
    coarse["u_mps"][:, 1] = np.nan
    lost = build_wind_grid(run(**control), run(**coarse), **shared(**control))
    gap = np.isnan(lost.air_of(1)[:, 1, 1, 50, U])
    assert gap.tolist() == (~inside | ((hours > 6.0) & (hours < 24.0))).tolist()


def test_refusals_name_what_is_wrong() -> None:
    u10, _ = surface(1.0, 1.0)
    short = forecast()
    short["u_mps"] = short["u_mps"][:, :1]
    for words, call in (
        ("10 m wind needs both", lambda: build(**forecast(), wind_u_10m_mps=u10)),
        (r"has shape \(2, 1, 21, 3, 4\)", lambda: build(**short)),
        ("10 m wind has shape", lambda: build(
            **forecast(), wind_u_10m_mps=u10[:, :1], wind_v_10m_mps=u10[:, :1])),
        (r"has shape \(2, 2, 21, 3, 4\)", lambda: build_wind_grid(
            run(**forecast()), run(**forecast()),
            **shared(**forecast(terrain_m=np.zeros((2, 4), np.float32))))),
    ):  # fmt: skip
        with pytest.raises(InputError, match=words):
            call()  # type: ignore[no-untyped-call]
