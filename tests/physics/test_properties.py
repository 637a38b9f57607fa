"""What must hold for any weather: symmetry, and no finite number from missing air."""

from dataclasses import replace
from typing import Any

import made_air
import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from windowwatch.physics.flights import FlightStatus, fly
from windowwatch.physics.spread import central_draw

EQUATOR: dict[str, Any] = {
    "latitude_deg": np.arange(-4.0, 4.1, 1.0),
    "longitude_deg": np.arange(-4.0, 4.1, 1.0),
}
WIND = st.tuples(*[st.floats(-20.0, 20.0) for _ in range(4)])
AT = made_air.launches(0.0, 0.0)
FEW = settings(max_examples=20, deadline=None)


@FEW
@given(WIND)
def test_reversed_wind_mirrors_the_landing(wind: tuple[float, float, float, float]) -> None:
    a, b, c, d = wind
    landings = []
    for sign in (1.0, -1.0):

        def blown(t: Any, y: Any, x: Any, z: Any, sign: float = sign) -> tuple[Any, Any]:
            return sign * (a + b * z / 3e4), sign * (c + d * np.sin(z / 4e3))

        air = made_air.grid(blown, **EQUATOR)
        flight = fly(air, AT, made_air.train(), central_draw(1))
        assert flight.status[0, 0, 0] == FlightStatus.LANDED
        landings.append((flight.landing_latitude_deg.item(), flight.landing_longitude_deg.item()))
    np.testing.assert_allclose(landings[0], -np.array(landings[1]), atol=1e-6)


@FEW
@given(st.integers(0, 2**32 - 1), st.floats(0.0, 0.02))
def test_no_finite_number_from_missing_air(seed: int, share: float) -> None:
    whole = made_air.grid(
        lambda t, y, x, z: (8.0 + z / 2e3, 3.0), latitude_deg=np.arange(44.0, 48.1, 1.0)
    )
    chance = np.random.default_rng(seed)
    start = made_air.launches(np.full(12, 46.0), chance.uniform(-37.5, -36.0, 12))
    flown, draw = made_air.train(), central_draw(12)
    complete = fly(whole, start, flown, draw)
    for k in range(4):
        whole.air[..., k][chance.random(whole.air.shape[:-1]) < share / 40.0] = np.nan
    holed = fly(whole, start, flown, draw)
    landed = holed.status == FlightStatus.LANDED
    assert np.all(landed | (holed.status == FlightStatus.MISSING_AIR))
    for name in ("landing_latitude_deg", "landing_time_unix_s", "drift_m", "landing_wind_mps"):
        values = getattr(holed, name)
        assert np.all(np.isnan(values[~landed])), name
        np.testing.assert_array_equal(values[landed], getattr(complete, name)[landed], name)


@FEW
@given(st.floats(-60.0, 60.0), st.floats(-179.0, 179.0), st.floats(0.0, 360.0))
def test_turning_the_globe_turns_the_landing(latitude: float, east: float, turn: float) -> None:
    landings = []
    for shift in (0.0, turn):
        air = made_air.grid(
            lambda t, y, x, z: (12.0, 4.0),
            latitude_deg=latitude + np.arange(-2.0, 3.1, 0.5),
            longitude_deg=east + shift + np.arange(-2.0, 5.1, 0.5),
        )
        flight = fly(air, made_air.launches(latitude, east + shift), made_air.train(),
                     central_draw(1))  # fmt: skip
        assert flight.status[0, 0, 0] == FlightStatus.LANDED
        gone = np.mod(flight.landing_longitude_deg.item() - east - shift, 360.0)
        landings.append((flight.landing_latitude_deg.item(), gone))
    np.testing.assert_allclose(landings[0], landings[1], atol=1e-5)


@FEW
@given(WIND, st.floats(2.0, 85.0))
def test_the_other_hemisphere_is_a_mirror(
    wind: tuple[float, float, float, float], latitude: float
) -> None:
    a, b, c, d = wind
    landings = []
    for sign in (1.0, -1.0):

        def blown(t: Any, y: Any, x: Any, z: Any, sign: float = sign) -> tuple[Any, Any]:
            return a + b * z / 3e4, sign * (c + d * np.sin(z / 4e3))

        air = made_air.grid(
            blown,
            latitude_deg=np.sort(sign * (latitude + np.arange(-3.0, 3.1, 0.5))),
            longitude_deg=np.arange(-40.0, 40.1, 1.0),
        )
        flight = fly(air, made_air.launches(sign * latitude, 0.0), made_air.train(),
                     central_draw(1))  # fmt: skip
        assert flight.status[0, 0, 0] == FlightStatus.LANDED
        landings.append((sign * flight.landing_latitude_deg.item(),
                         flight.landing_longitude_deg.item()))  # fmt: skip
    np.testing.assert_allclose(landings[0], landings[1], atol=1e-6)


@FEW
@given(st.floats(0.0, 0.03), st.floats(0.0, 0.03))
def test_moister_air_at_the_site_never_lifts_less_aloft(one: float, other: float) -> None:
    """The same lift weighed in lighter air is more gas: up faster, and sooner burst."""
    rates, bursts = [], []
    for moisture in sorted((one, other)):
        air = made_air.grid(lambda t, y, x, z: (5.0, 0.0))
        shape = (air.time_unix_s.size, air.latitude_deg.size, air.longitude_deg.size)
        moist = replace(air, moisture=np.full(shape, moisture, np.float32))
        flight = fly(moist, made_air.launches(46.0, -36.0), made_air.train(), central_draw(1))
        rates.append(flight.ascent_rate_mps.item())
        bursts.append(flight.burst_height_m.item())
    assert rates[0] <= rates[1] + 1e-9
    assert bursts[0] >= bursts[1] - 1e-6
