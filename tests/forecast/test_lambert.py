"""Lambert conformal conic against pyproj and Snyder's worked example."""

import numpy as np
import pytest
from projection import lambert

from windowwatch.errors import InputError
from windowwatch.forecast.grib.grid import LambertConformal

HRRR = ((38.5, 38.5), 262.5, 6_371_229.0)
TWO = ((33.0, 45.0), -96.0, 6_370_997.0)
SOUTH = ((-30.0, -50.0), 140.0, 6_371_229.0)


@pytest.mark.parametrize("cone", [HRRR, TWO, SOUTH])
def test_places_and_the_way_north_are_pyprojs(
    cone: tuple[tuple[float, float], float, float],
) -> None:
    parallels, meridian, radius = cone
    chance = np.random.default_rng(5)
    middle = sum(parallels) / 2
    latitude = middle + chance.uniform(-18.0, 18.0, 200)
    longitude = meridian + chance.uniform(-38.0, 38.0, 200)
    ours = LambertConformal(*parallels, meridian, radius)
    x, y = ours.forward(latitude, longitude)
    _, origin = ours.forward(np.array(parallels[0]), np.array(meridian))
    their_x, their_y, convergence = lambert(parallels, meridian, radius, longitude, latitude)
    assert np.abs(x - their_x).max() < 1e-3
    assert np.abs(y - origin - their_y).max() < 1e-3
    assert np.abs(np.abs(np.degrees(ours.turn_rad(longitude))) - np.abs(convergence)).max() < 1e-6
    back_latitude, back_longitude = ours.inverse(x, y)
    assert np.abs(back_latitude - latitude).max() < 1e-9
    assert np.abs((back_longitude - longitude + 180) % 360 - 180).max() < 1e-9


def test_snyders_example() -> None:
    """USGS Professional Paper 1395, appendix A, page 295, sphere of radius 1 (from memory):
    parallels 33 and 45, origin 23 N 96 W, point 35 N 75 W gives x 0.2966785, y 0.2462112.
    """
    cone = LambertConformal(33.0, 45.0, -96.0, 6_370_000.0)
    x, y = cone.forward(np.array(35.0), np.array(-75.0))
    _, origin = cone.forward(np.array(23.0), np.array(-96.0))
    assert x / 6_370_000.0 == pytest.approx(0.2966785, abs=1e-7)
    assert (y - origin) / 6_370_000.0 == pytest.approx(0.2462112, abs=1e-7)


@pytest.mark.parametrize("cone", [HRRR, TWO, SOUTH])
def test_turned_wind_goes_where_it_goes_on_the_map(
    cone: tuple[tuple[float, float], float, float],
) -> None:
    """By finite differences of pyproj's own map, not by an angle."""
    parallels, meridian, radius = cone
    ours = LambertConformal(*parallels, meridian, radius)
    latitude = np.array([parallels[0] + 5.0] * 3)
    longitude = meridian + np.array([-30.0, 2.0, 25.0])
    step = 1e-4
    x0, y0, _ = lambert(parallels, meridian, radius, longitude, latitude)
    xn, yn, _ = lambert(parallels, meridian, radius, longitude, latitude + step)
    north = np.stack([xn - x0, yn - y0]) / np.hypot(xn - x0, yn - y0)
    xe, ye, _ = lambert(parallels, meridian, radius, longitude + step, latitude)
    east = np.stack([xe - x0, ye - y0]) / np.hypot(xe - x0, ye - y0)
    right, up = np.array([3.0, -4.0, 7.0]), np.array([5.0, 1.0, -2.0])
    found = ours.to_east_and_north(right, up, longitude)
    assert np.abs(found[0] - (right * east[0] + up * east[1])).max() < 1e-4
    assert np.abs(found[1] - (right * north[0] + up * north[1])).max() < 1e-4


@pytest.mark.parametrize(("first", "second"), [(0.0, 0.0), (30.0, -30.0), (90.0, 90.0)])
def test_a_cone_that_is_none_is_refused(first: float, second: float) -> None:
    with pytest.raises(InputError, match="no cone"):
        LambertConformal(first, second, 0.0, 6_371_229.0)
