"""Draws that are balanced and repeatable; footprints that contain what they say."""

from dataclasses import replace
from typing import Any

import made_air
import numpy as np
import pytest
from scipy import stats

from windowwatch.errors import InputError
from windowwatch.physics.earth import destination, distance_m
from windowwatch.physics.flights import fly
from windowwatch.physics.spread import (
    KNOT_HEIGHT_M,
    Draws,
    Footprint,
    central_draw,
    draw_surface_errors,
    footprint,
    make_draws,
)
from windowwatch.physics.winderror import FORECAST_ERROR, SURFACE_ERROR, Shown, WindErrorModel

AT = made_air.launches(np.full(60, 46.0), -36.0, 0.0, made_air.MONDAY + 3600.0 * np.arange(60))


def draw(count: int = 8, launches: object = AT, **changes: object) -> Draws:
    words: dict[str, object] = {
        "watch": "w", "cycle_id": "c", "site": "Millfield", "cycle_unix_s": made_air.MONDAY,
    }  # fmt: skip
    return make_draws(made_air.train(), launches, count=count, **(words | changes))  # type: ignore[arg-type]


def test_draws_hang_on_watch_cycle_site_and_hour_alone() -> None:
    one, again = draw(), draw()
    np.testing.assert_array_equal(one.wind_u_mps, again.wind_u_mps)
    np.testing.assert_array_equal(one.burst, again.burst)
    for other in (draw(watch="v"), draw(cycle_id="d"), draw(site="Highmoor")):
        assert not np.array_equal(one.burst[:, 1:], other.burst[:, 1:])
    # an hour's draws do not depend on which other hours are flown with it
    part = made_air.launches(46.0, -36.0, 0.0, AT.time_unix_s[17:19])
    np.testing.assert_array_equal(one.lift[17:19], draw(launches=part).lift)
    sites = ["Millfield"] * 30 + ["Highmoor"] * 30
    mixed = draw(site=sites)
    np.testing.assert_array_equal(mixed.drag[:30], one.drag[:30])
    np.testing.assert_array_equal(mixed.drag[30:], draw(site="Highmoor").drag[30:])


def test_draw_zero_is_central() -> None:
    draws = draw()
    for name in ("lift", "burst", "drag", "canopy"):
        assert np.all(getattr(draws, name)[:, 0] == 1.0)
    assert not draws.wind_u_mps[:, 0].any()
    assert not draws.wind_v_mps[:, 0].any()
    assert not draws.log_rise[:, 0].any()
    single = draw(1)
    assert single.lift.shape == (60, 1)
    assert not single.wind_u_mps.any()


@pytest.mark.parametrize("count", [5, 8, 20])
def test_each_unknown_is_stratified(count: int) -> None:
    draws = draw(count)
    for name, sigma in (("lift", 0.03), ("burst", 0.06), ("drag", 0.15), ("canopy", 0.2)):
        z = np.log(getattr(draws, name)) / sigma
        share = np.sort(stats.norm.cdf(z), axis=1)
        # one draw in every stratum, within the middle one's width
        middle = (np.arange(count) + 0.5) / count
        assert np.abs(share - middle).max() < 1.01 / count
        assert np.abs(z.mean(axis=1)).max() < 4.0 / count
        assert np.mean(z**2) == pytest.approx(1.0, abs=0.15)


def test_wind_error_has_the_size_and_the_correlation_it_claims() -> None:
    model = WindErrorModel((0.0, 100.0), (0.0, 40e3), ((2.0, 6.0), (4.0, 12.0)), 3e3, 0.1, "test")
    many = made_air.launches(np.full(600, 46.0), -36.0, 0.0, made_air.MONDAY + np.arange(600.0))
    draws = draw(9, many, wind_error=model)
    u = draws.wind_u_mps[:, 1:].reshape(-1, KNOT_HEIGHT_M.size).astype(np.float64)
    v = draws.wind_v_mps[:, 1:].reshape(-1, KNOT_HEIGHT_M.size).astype(np.float64)
    sigma = np.interp(KNOT_HEIGHT_M, (0.0, 40e3), (2.0, 6.0)) / np.sqrt(2.0)
    # eight outer draws carry the variance of nine
    np.testing.assert_allclose(u.std(axis=0) * np.sqrt(8 / 9), sigma, rtol=0.06)
    found = np.corrcoef(u.T)
    apart = np.abs(KNOT_HEIGHT_M[:, None] - KNOT_HEIGHT_M)
    np.testing.assert_allclose(found, np.exp(-apart / 3e3), atol=0.08)
    assert np.abs(np.corrcoef(u.T, v.T)[:24, 24:]).max() < 0.08


def test_forecast_error_grows_with_lead_time() -> None:
    lead = np.array([0.0, 12.0, 24.0, 60.0, 120.0, 168.0, 300.0])
    sigma = FORECAST_ERROR.component_sigma_mps(lead, KNOT_HEIGHT_M)
    assert np.all(np.diff(sigma[:-1], axis=0) > 0.0)
    np.testing.assert_array_equal(sigma[-1], sigma[-2])  # held beyond the last row
    # day 1 at 500 hPa (handbook, from memory): vector 3.3 m/s
    day1 = FORECAST_ERROR.component_sigma_mps(np.array([24.0]), np.array([5_579.0]))
    assert float(day1[0, 0]) * np.sqrt(2.0) == pytest.approx(3.3)


def test_landing_error_of_a_correlated_wind_error() -> None:
    # with correlation length L the variance of the drift over a height H at a rise w is
    # 2 s^2 (L/w)^2 (H/L - 1 + exp(-H/L)): 4.23 km for 2 m/s, 2 km, 30 km, 5 m/s
    model = WindErrorModel((0.0,), (0.0,), ((2.0 * np.sqrt(2.0),),), 2e3, 0.0, "test")
    flown = made_air.train(measured_ascent_mps=5.0)
    hours = made_air.launches(np.full(400, 46.0), -36.0, 0.0, made_air.MONDAY + np.arange(400.0))
    draws = make_draws(flown, hours, count=2, watch="w", cycle_id="c", site="s",
                       cycle_unix_s=made_air.MONDAY, wind_error=model)  # fmt: skip
    still = np.ones_like(draws.lift)
    draws = replace(draws, lift=still, burst=still, drag=still, canopy=still,
                    log_rise=np.zeros_like(draws.log_rise))  # fmt: skip
    flights = fly(made_air.grid(lambda t, y, x, z: (0.0, 0.0)), hours, flown, draws)
    top = float(flights.burst_height_m[0, 0, 0])
    u_m = (flights.burst_longitude_deg[:, 0, 1] + 36.0) * 111_320.0 * np.cos(np.radians(46.0))
    expected = np.sqrt(2.0) * 2.0 * 2e3 / 5.0 * np.sqrt(top / 2e3 - 1.0 + np.exp(-top / 2e3))
    # of two strata the outer one carries all the variance; knots are 2 km apart
    assert np.sqrt(np.mean(u_m**2) / 2.0) == pytest.approx(expected, rel=0.12)


def test_above_the_top_the_error_grows() -> None:
    soon = made_air.launches(np.full(20, 46.0), -36.0, 0.0, AT.time_unix_s[:20])
    draws = draw(2, soon)
    air = made_air.grid(lambda t, y, x, z: (0.0, 0.0))
    low = replace(air, top_height_m=10e3)
    flown = made_air.train()
    high_u, low_u = (fly(x, soon, flown, draws).strongest_wind_mps[:, 0, 1] for x in (air, low))
    assert np.mean(low_u) > 1.5 * np.mean(high_u)


Places = tuple[np.ndarray, np.ndarray]


def cloud(n: int, seed: int, at: tuple[float, float] = (46.0, 179.95)) -> Places:
    chance = np.random.default_rng(seed)
    east, north = chance.multivariate_normal([0.0, 0.0], [[16.0, 6.0], [6.0, 9.0]], n).T * 1e3
    return destination(*at, np.degrees(np.arctan2(east, north)), np.hypot(east, north))


def inside(shape: Footprint, latitude: np.ndarray, longitude: np.ndarray, share: int) -> np.ndarray:
    from windowwatch.physics.earth import bearing_deg

    centre = (shape.latitude_deg, shape.longitude_deg)
    away = distance_m(*centre, latitude, longitude)
    turn = np.radians(bearing_deg(*centre, latitude, longitude) - shape.bearing_deg)
    major, minor = getattr(shape, f"major_{share}_m"), getattr(shape, f"minor_{share}_m")
    return np.asarray((away * np.cos(turn) / major) ** 2 + (away * np.sin(turn) / minor) ** 2 <= 1)


def test_footprint_of_a_known_normal_cloud() -> None:
    # covariance [[16, 6], [6, 9]] km2: 90 % semi-axes 9.4633 x 5.0573 km, bearing 60.13 deg
    shape = footprint(*cloud(20_000, 1))
    assert shape is not None
    assert shape.flights == 20_000
    assert float(distance_m(46.0, 179.95, shape.latitude_deg, shape.longitude_deg)) < 150.0
    assert shape.major_90_m == pytest.approx(9_463.3, rel=0.03)
    assert shape.minor_90_m == pytest.approx(5_057.3, rel=0.03)
    assert shape.bearing_deg == pytest.approx(60.13, abs=2.0)
    assert shape.major_50_m / shape.major_90_m == pytest.approx(1.1774 / 2.1460, rel=0.02)


@pytest.mark.parametrize("n", [8, 20, 100])
def test_a_new_landing_falls_inside_as_often_as_said(n: int) -> None:
    new = cloud(400, 99)
    hits = {50: [], 90: []}  # type: dict[int, list[float]]
    for seed in range(150):
        shape = footprint(*cloud(n, seed))
        assert shape is not None
        for share, list_ in hits.items():
            list_.append(float(np.mean(inside(shape, *new, share))))
    assert np.mean(hits[50]) == pytest.approx(0.50, abs=0.05)
    assert np.mean(hits[90]) == pytest.approx(0.90, abs=0.04)


@pytest.mark.parametrize("count", [8, 60])
def test_footprints_of_flights_hold_other_draws_as_often_as_said(count: int) -> None:
    # the whole chain: draws, flights, footprint; the truth is a draw of another stream
    at = made_air.launches(np.full(120, 46.0), -37.0)
    air = made_air.grid(
        lambda t, y, x, z: (10.0 + 10.0 * np.exp(-(((z - 1e4) / 5e3) ** 2)), 0.0),
        longitude_deg=np.arange(-40.0, -30.0, 0.5),
    )
    flown = made_air.train()

    def flights(watch: str, draws: int) -> tuple[np.ndarray, np.ndarray]:
        drawn = make_draws(flown, at, count=draws, watch=watch, cycle_id="c",
                           site=[str(i) for i in range(120)],
                           cycle_unix_s=made_air.MONDAY - 2 * 86_400.0)  # fmt: skip
        done = fly(air, at, flown, drawn)
        return done.landing_latitude_deg[:, 0], done.landing_longitude_deg[:, 0]

    truth, ours = flights("truth", 60), flights("ours", count)
    hits = {50: 0.0, 90: 0.0}
    for i in range(120):
        shape = footprint(ours[0][i], ours[1][i])
        assert shape is not None
        for share in hits:
            hits[share] += float(np.mean(inside(shape, truth[0][i, 1:], truth[1][i, 1:], share)))
    # with few balanced draws a footprint is on the safe side
    assert -0.04 < hits[50] / 120 - 0.50 < 0.11
    assert -0.03 < hits[90] / 120 - 0.90 < 0.06


def test_one_stray_landing_does_not_swell_the_footprint() -> None:
    latitude, longitude = cloud(40, 3, (46.0, -36.0))
    stray = np.append(latitude, 48.5), np.append(longitude, -33.0)  # 360 km off
    clean, dirty = footprint(latitude, longitude), footprint(*stray)
    assert clean is not None
    assert dirty is not None
    moved = distance_m(
        clean.latitude_deg, clean.longitude_deg, dirty.latitude_deg, dirty.longitude_deg
    )
    assert float(moved) < 2_000.0
    assert dirty.major_50_m < 2.5 * clean.major_50_m


def test_footprints_that_cannot_be() -> None:
    assert footprint(np.array([46.0, 46.1, 46.2]), np.array([-36.0, -36.0, -36.0])) is None
    assert footprint(np.full(9, np.nan), np.full(9, np.nan)) is None
    assert footprint(np.full(9, 89.5), np.zeros(9)) is None
    point = footprint(np.full(9, 46.0), np.full(9, -36.0))
    assert point is not None
    assert point.major_90_m == pytest.approx(0.0, abs=1e-6)
    gaps = footprint(np.array([46.0, np.nan, 46.1, 46.2, 46.1]), np.array([1.0, 1, 1.1, 1, 1.2]))
    assert gaps is not None
    assert gaps.flights == 4


def test_refusals() -> None:
    for words, call in (
        ("at least one draw is needed; asked for 0", lambda: draw(0)),
        ("2 sites were named for 60 launches", lambda: draw(site=["a", "b"])),
        ("what members show has shape", lambda: draw(shown=Shown(np.zeros(3), np.ones(3, int)))),
        ("has shape", lambda: WindErrorModel((0.0,), (0.0,), ((1.0, 2.0),), 1e3, 0.0, "test")),
        ("do not fit", lambda: replace(central_draw(3), height_m=np.zeros(2))),
    ):
        with pytest.raises(InputError, match=words):
            call()


def test_surface_errors_have_the_size_of_their_table_and_no_bias() -> None:
    times = made_air.launches(np.zeros(40), 0.0, 0.0, made_air.MONDAY + 3600.0 * np.arange(40))
    words: dict[str, Any] = {"watch": "w", "cycle_id": "c", "site": "s"}
    drawn = draw_surface_errors(times, count=257, cycle_unix_s=made_air.MONDAY, **words)
    assert drawn.shape == (40, 257)
    assert np.all(drawn[:, 0] == 0.0)
    wanted = SURFACE_ERROR.sigma_mps(np.arange(40.0))
    assert np.std(drawn[:, 1:], axis=1) == pytest.approx(wanted, rel=0.05)
    assert np.mean(drawn[:, 1:], axis=1) == pytest.approx(np.zeros(40), abs=0.05)
    again = draw_surface_errors(times, count=257, cycle_unix_s=made_air.MONDAY, **words)
    other = draw_surface_errors(
        times, count=257, cycle_unix_s=made_air.MONDAY, **(words | {"site": "t"})
    )
    assert np.array_equal(drawn, again)
    assert not np.allclose(drawn[:, 1:], other[:, 1:])


def test_surface_error_grows_with_lead_and_is_held_beyond_the_table() -> None:
    sigma = SURFACE_ERROR.sigma_mps(np.array([0.0, 24.0, 48.0, 168.0, 400.0]))
    assert sigma == pytest.approx([1.8, 2.0, 2.2, 3.3, 3.3])
