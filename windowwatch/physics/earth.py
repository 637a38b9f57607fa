"""Places on the WGS 84 ellipsoid: how far, which way, and where one gets to.

Longitudes are degrees east and may run past 180; results lie in [-180, 180).
"""

from typing import Any

import numpy as np

from windowwatch.errors import InputError
from windowwatch.physics.constants import WGS84_A_M, WGS84_E2
from windowwatch.units import FloatArray, wrap_longitude_deg

#: Nearer to a pole than this a step in degrees of longitude is refused. [deg]
POLE_REFUSED_DEG = 89.0
#: Steps of the direct problem; error under 0.2 m after 1000 km that end below 84° latitude.
#: Short ways take fewer, each at most so long: right to millimetres even at 89°. [m]
_DIRECT_STEPS, _DIRECT_STEP_M = 16, 10_000.0


def radii_of_curvature_m(latitude_deg: Any) -> tuple[FloatArray, FloatArray]:
    """Radii of curvature of the ellipsoid along the meridian and across it.

    Returns
    -------
    meridian_m, prime_vertical_m : array
        [m]

    References
    ----------
    .. [1] J. P. Snyder, "Map Projections: a Working Manual", USGS Professional Paper
       1395 (1987), equations 4-18 and 4-20.
    """
    sine2 = np.sin(np.radians(np.asarray(latitude_deg, dtype=np.float64))) ** 2
    root = np.sqrt(1.0 - WGS84_E2 * sine2)
    return WGS84_A_M * (1.0 - WGS84_E2) / root**3, WGS84_A_M / root


def _between(
    latitude1_deg: Any, longitude1_deg: Any, latitude2_deg: Any, longitude2_deg: Any
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """East, north and straight-line distance from point 1 to point 2. [m]"""
    phi1 = np.radians(np.asarray(latitude1_deg, dtype=np.float64))
    phi2 = np.radians(np.asarray(latitude2_deg, dtype=np.float64))
    turn = np.radians(
        np.asarray(longitude2_deg, dtype=np.float64) - np.asarray(longitude1_deg, dtype=np.float64)
    )
    n1 = WGS84_A_M / np.sqrt(1.0 - WGS84_E2 * np.sin(phi1) ** 2)
    n2 = WGS84_A_M / np.sqrt(1.0 - WGS84_E2 * np.sin(phi2) ** 2)
    # Cartesian coordinates with the x axis in the meridian of point 1
    out = n2 * np.cos(phi2) * np.cos(turn) - n1 * np.cos(phi1)
    east = n2 * np.cos(phi2) * np.sin(turn)
    up = (1.0 - WGS84_E2) * (n2 * np.sin(phi2) - n1 * np.sin(phi1))
    north = up * np.cos(phi1) - out * np.sin(phi1)
    return east, north, np.sqrt(out**2 + east**2 + up**2)


def distance_m(
    latitude1_deg: Any, longitude1_deg: Any, latitude2_deg: Any, longitude2_deg: Any
) -> FloatArray:
    """Distance over the ground between points, broadcast.

    The straight line through the Earth is bent onto a sphere of the mean curvature
    half-way. Within 1 cm of the geodesic up to 100 km, 5 m up to 1000 km.

    Returns
    -------
    array
        [m]
    """
    _, _, chord = _between(latitude1_deg, longitude1_deg, latitude2_deg, longitude2_deg)
    middle = 0.5 * (
        np.asarray(latitude1_deg, dtype=np.float64) + np.asarray(latitude2_deg, dtype=np.float64)
    )
    meridian, prime_vertical = radii_of_curvature_m(middle)
    radius = np.sqrt(meridian * prime_vertical)
    return np.asarray(2.0 * radius * np.arcsin(np.minimum(chord / (2.0 * radius), 1.0)))


def bearing_deg(
    latitude1_deg: Any, longitude1_deg: Any, latitude2_deg: Any, longitude2_deg: Any
) -> FloatArray:
    """Bearing at point 1 of the direction to point 2, clockwise from true north.

    That of the normal section, within 0.001° of the geodesic's up to 500 km.

    Returns
    -------
    array
        In [0, 360). [deg]
    """
    east, north, _ = _between(latitude1_deg, longitude1_deg, latitude2_deg, longitude2_deg)
    return np.asarray(np.mod(np.degrees(np.arctan2(east, north)), 360.0))


def destination(
    latitude_deg: Any, longitude_deg: Any, bearing_deg: Any, distance_m: Any
) -> tuple[FloatArray, FloatArray]:
    """Where a geodesic of given length and first bearing ends, broadcast.

    Parameters
    ----------
    bearing_deg : array_like
        Clockwise from true north. [deg]
    distance_m : array_like
        [m]

    Returns
    -------
    latitude_deg, longitude_deg : array
        [deg], longitude in [-180, 180).

    Notes
    -----
    The equations of the geodesic [1]_ are integrated by the classical Runge-Kutta rule.
    Not to be used across a pole, where the bearing has no meaning.

    References
    ----------
    .. [1] W. Torge and J. Müller, "Geodesy", 4th ed. (2012), section 6.3 (from memory).
    """
    state = np.stack(
        np.broadcast_arrays(
            np.radians(np.asarray(latitude_deg, dtype=np.float64)),
            np.radians(np.asarray(longitude_deg, dtype=np.float64)),
            np.radians(np.asarray(bearing_deg, dtype=np.float64)),
        )
    )
    away = np.asarray(distance_m, dtype=np.float64)
    farthest = float(np.nanmax(np.abs(away), initial=0.0))
    steps = min(_DIRECT_STEPS, 1 + int(min(farthest, 1e9) / _DIRECT_STEP_M))
    state, step = np.broadcast_arrays(state, away / steps)
    for _ in range(steps):
        k1 = _geodesic_slope(state)
        k2 = _geodesic_slope(state + 0.5 * step * k1)
        k3 = _geodesic_slope(state + 0.5 * step * k2)
        k4 = _geodesic_slope(state + step * k3)
        state = state + step / 6.0 * (k1 + 2.0 * k2 + 2.0 * k3 + k4)
    return np.degrees(state[0]), wrap_longitude_deg(np.degrees(state[1]))


def _geodesic_slope(state: FloatArray) -> FloatArray:
    """Change of latitude, longitude and bearing along a geodesic. [rad m⁻¹]"""
    latitude, _, bearing = state
    root = np.sqrt(1.0 - WGS84_E2 * np.sin(latitude) ** 2)
    meridian, prime_vertical = WGS84_A_M * (1.0 - WGS84_E2) / root**3, WGS84_A_M / root
    across = np.sin(bearing) / prime_vertical
    return np.stack(
        [np.cos(bearing) / meridian, across / np.cos(latitude), across * np.tan(latitude)]
    )


def local_m(
    latitude_deg: Any, longitude_deg: Any, latitude0_deg: float, longitude0_deg: float
) -> tuple[FloatArray, FloatArray]:
    """East and north of a reference point, keeping distance and bearing from it.

    Raises
    ------
    InputError
        If the reference point lies within one degree of a pole.

    Returns
    -------
    east_m, north_m : array
        [m]
    """
    if abs(latitude0_deg) > POLE_REFUSED_DEG:
        raise InputError(f"east and north have no meaning at latitude {latitude0_deg:.3f}")
    east, north, _ = _between(latitude0_deg, longitude0_deg, latitude_deg, longitude_deg)
    length = distance_m(latitude0_deg, longitude0_deg, latitude_deg, longitude_deg)
    flat = np.hypot(east, north)
    stretch = np.divide(length, flat, out=np.ones_like(flat), where=flat > 0.0)
    return east * stretch, north * stretch


def track(
    time_s: FloatArray,
    u_mps: FloatArray,
    v_mps: FloatArray,
    height_m: FloatArray,
    latitude_deg: float,
    longitude_deg: float,
) -> tuple[FloatArray, FloatArray]:
    """Where the wind carries something whose times, heights and winds are known.

    Parameters
    ----------
    time_s, u_mps, v_mps, height_m : array [N]
        Times rise; winds are joined linearly between them. [s], [m s⁻¹], [m s⁻¹], [m]
    latitude_deg, longitude_deg : float
        Where it is at the first time. [deg]

    Returns
    -------
    latitude_deg, longitude_deg : array [N]
        [deg], longitude in [-180, 180).

    Raises
    ------
    InputError
        If the track comes within one degree of a pole.
    """
    step = np.diff(time_s)

    def sums(rate: FloatArray) -> FloatArray:
        return np.concatenate([[0.0], np.cumsum(0.5 * (rate[1:] + rate[:-1]) * step)])

    latitude = np.full(time_s.shape, latitude_deg, dtype=np.float64)
    for _ in range(3):  # the radius hangs on the latitude, weakly
        meridian, across = radii_of_curvature_m(latitude)
        latitude = latitude_deg + np.degrees(sums(v_mps / (meridian + height_m)))
    if np.any(np.abs(latitude) > POLE_REFUSED_DEG):
        raise InputError("the track comes within one degree of a pole, where it is refused")
    turn = sums(u_mps / ((across + height_m) * np.cos(np.radians(latitude))))
    return latitude, wrap_longitude_deg(longitude_deg + np.degrees(turn))
