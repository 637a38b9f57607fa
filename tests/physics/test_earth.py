"""Distances, bearings and destinations against pyproj."""

import numpy as np
import pytest
from geodesic import Geod

from windowwatch.errors import InputError
from windowwatch.physics import earth

GEOD = Geod()


def lines(length_m: float) -> tuple[np.ndarray, ...]:
    chance = np.random.default_rng(5)
    n = 2_000
    latitude, longitude = chance.uniform(-75, 75, n), chance.uniform(-180, 180, n)
    azimuth = chance.uniform(0, 360, n)
    lon2, lat2, _ = GEOD.fwd(longitude, latitude, azimuth, np.full(n, length_m))
    return latitude, longitude, azimuth, np.asarray(lat2), np.asarray(lon2)


@pytest.mark.parametrize(
    ("length_m", "off_m", "off_deg"), [(1e3, 1e-3, 1e-5), (1e5, 0.02, 1e-4), (1e6, 10.0, 5e-3)]
)
def test_distance_bearing_and_destination(length_m: float, off_m: float, off_deg: float) -> None:
    latitude, longitude, azimuth, lat2, lon2 = lines(length_m)
    distance = earth.distance_m(latitude, longitude, lat2, lon2)
    assert np.abs(distance - length_m).max() < off_m
    bearing = earth.bearing_deg(latitude, longitude, lat2, lon2)
    assert np.abs((bearing - azimuth + 180.0) % 360.0 - 180.0).max() < off_deg
    lat3, lon3 = earth.destination(latitude, longitude, azimuth, length_m)
    missed = np.asarray(GEOD.inv(lon3, lat3, lon2, lat2)[2])
    assert missed.max() < 1e-6 * length_m


# PROJ, WGS 84 (reference evaluation)
@pytest.mark.parametrize(
    ("at", "azimuth", "length_m", "to"),
    [((52.0, 0.0), 90.0, 1e5, (51.991002, 1.455875)),
     ((52.0, 0.0), 45.0, 1e5, (52.630891, 1.044357)),
     ((50.0, 179.9), 90.0, 5e4, (49.997904, -179.402629))],
)  # fmt: skip
def test_destination_of_known_lines(
    at: tuple[float, float], azimuth: float, length_m: float, to: tuple[float, float]
) -> None:
    latitude, longitude = earth.destination(*at, azimuth, length_m)
    assert float(latitude) == pytest.approx(to[0], abs=6e-7)
    assert float(longitude) == pytest.approx(to[1], abs=6e-7)


def test_radii_and_degree_lengths() -> None:
    meridian, across = earth.radii_of_curvature_m(52.0)
    assert float(meridian) == pytest.approx(6_375_149.7, abs=0.06)
    assert float(across) == pytest.approx(6_391_435.3, abs=0.06)
    assert float(earth.distance_m(45, 0, 46, 0)) == pytest.approx(111_141.55, abs=0.03)
    assert float(earth.distance_m(60, 0, 60, 1)) == pytest.approx(55_799.47, abs=0.01)
    assert float(earth.distance_m(52, 0, 53, 2)) == pytest.approx(175_572.47, abs=0.02)


def test_distance_across_the_date_line_and_nowhere() -> None:
    assert float(earth.distance_m(10, 179.9, 10, -179.9)) == pytest.approx(
        GEOD.inv(179.9, 10, -179.9, 10)[2], abs=0.01
    )
    assert float(earth.distance_m(10, 20, 10, 20)) == 0.0
    assert np.isnan(earth.distance_m(10, 20, np.nan, 20))


def test_local_plane_keeps_distance_and_bearing() -> None:
    latitude, longitude, *_ = lines(1e5)
    for at in ((46.0, -36.0), (-33.0, 179.95)):
        lat2, lon2 = earth.destination(*at, np.arange(0.0, 360.0, 30.0), 1e5)
        east, north = earth.local_m(lat2, lon2, *at)
        np.testing.assert_allclose(np.hypot(east, north), 1e5, atol=0.02)
        np.testing.assert_allclose(
            np.degrees(np.arctan2(east, north)) % 360.0, np.arange(0.0, 360.0, 30.0), atol=1e-4
        )
    assert latitude.size == longitude.size
    with pytest.raises(InputError, match=r"no meaning at latitude 89\.500"):
        earth.local_m(89.0, 0.0, 89.5, 0.0)
