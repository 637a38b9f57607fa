"""Where the sun stands, and when it next rises or sets, for whole arrays.

Rise and set are for an observer at ground level with a free, level horizon. The height
of the site is left out on purpose: lowering the horizon for it is wrong in a valley.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from windowwatch.units import FloatArray

#: Elevation of the sun's centre when its upper edge meets the horizon: 34' of refraction
#: and 16' of radius. [deg] U.S. Naval Observatory, "Rise, Set, and Twilight Definitions".
RISE_SET_DEG = -50.0 / 60.0
#: Elevation of the sun's centre at the end of civil twilight. [deg] Same source.
CIVIL_TWILIGHT_DEG = -6.0

_J2000_UNIX_S = 946_728_000.0
_DAY_S = 86_400.0
#: Terrestrial less universal time. [s] 69 s in 2025 (IERS); a minute more or less moves
#: the sun by 0.0007°.
_DELTA_T_S = 69.2
#: Rate at which the sun's hour angle grows, on average. [deg s⁻¹]
_TURN = 360.0 / _DAY_S


def _sun(time_unix_s: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Hour angle at Greenwich, and declination, of the sun. [deg]

    Low-accuracy method of J. Meeus, "Astronomical Algorithms", 2nd ed. (1998), chapters
    12 and 25: good to 0.01°.
    """
    days = (time_unix_s - _J2000_UNIX_S) / _DAY_S
    t = (days + _DELTA_T_S / _DAY_S) / 36_525.0
    mean_longitude = 280.46646 + t * (36_000.76983 + 0.0003032 * t)
    anomaly = np.radians(357.52911 + t * (35_999.05029 - 0.0001537 * t))
    centre = (
        (1.914602 - t * (0.004817 + 0.000014 * t)) * np.sin(anomaly)
        + (0.019993 - 0.000101 * t) * np.sin(2.0 * anomaly)
        + 0.000289 * np.sin(3.0 * anomaly)
    )
    node = np.radians(125.04 - 1934.136 * t)
    longitude = np.radians(mean_longitude + centre - 0.00569 - 0.00478 * np.sin(node))
    tilt = np.radians(23.439291 - 0.0130042 * t + 0.00256 * np.cos(node))
    right_ascension = np.arctan2(np.cos(tilt) * np.sin(longitude), np.cos(longitude))
    declination = np.arcsin(np.sin(tilt) * np.sin(longitude))
    equinoxes = -0.00478 * np.sin(node) * np.cos(tilt)
    sidereal = 280.46061837 + 360.98564736629 * days + equinoxes
    return np.mod(sidereal - np.degrees(right_ascension), 360.0), np.degrees(declination)


def solar_elevation_deg(time_unix_s: Any, latitude_deg: Any, longitude_deg: Any) -> FloatArray:
    """Elevation of the sun's centre above the horizon, without refraction, broadcast.

    Within 0.02° of the full theory 1950 to 2050. The sun's parallax (0.002°) is left out.

    Returns
    -------
    array
        [deg] NaN where an input is NaN.
    """
    hour, declination = _sun(np.asarray(time_unix_s, dtype=np.float64))
    phi = np.radians(np.asarray(latitude_deg, dtype=np.float64))
    delta = np.radians(declination)
    angle = np.radians(hour + np.asarray(longitude_deg, dtype=np.float64))
    sine = np.sin(phi) * np.sin(delta) + np.cos(phi) * np.cos(delta) * np.cos(angle)
    return np.asarray(np.degrees(np.arcsin(np.clip(sine, -1.0, 1.0))))


def sunset_unix_s(
    time_unix_s: Any, latitude_deg: Any, longitude_deg: Any, elevation_deg: float = RISE_SET_DEG
) -> FloatArray:
    """Time of the first sunset at or after a time, broadcast.

    Parameters
    ----------
    time_unix_s, latitude_deg, longitude_deg : array_like
        [s], [deg], [deg]
    elevation_deg : float
        Elevation of the sun's centre that counts; `CIVIL_TWILIGHT_DEG` for dusk. [deg]

    Returns
    -------
    array
        [s] +inf where the sun is up and stays up over the coming day; -inf where it is
        down and stays down: so that "sunset less now" is the daylight left, without end
        or none. NaN where an input is NaN.
    """
    return _crossing(time_unix_s, latitude_deg, longitude_deg, elevation_deg, setting=True)


def sunrise_unix_s(
    time_unix_s: Any, latitude_deg: Any, longitude_deg: Any, elevation_deg: float = RISE_SET_DEG
) -> FloatArray:
    """Time of the first sunrise at or after a time, broadcast.

    As `sunset_unix_s`, but +inf where the sun is down and stays down over the coming day,
    -inf where it is up and stays up.
    """
    return _crossing(time_unix_s, latitude_deg, longitude_deg, elevation_deg, setting=False)


def _crossing(
    time_unix_s: Any,
    latitude_deg: Any,
    longitude_deg: Any,
    elevation_deg: float,
    *,
    setting: bool,
) -> FloatArray:
    """First time at or after `time_unix_s` at which the sun passes an elevation."""
    start, latitude, longitude = np.broadcast_arrays(
        *(np.asarray(x, dtype=np.float64) for x in (time_unix_s, latitude_deg, longitude_deg))
    )
    sign = 1.0 if setting else -1.0
    hour, half, _ = _hours(start, latitude, longitude, elevation_deg)
    wait = np.mod(sign * half - hour, 360.0) / _TURN
    # the sun's path shifts while one waits: the event may have slipped to before the start
    time = _settle(start + wait, latitude, longitude, elevation_deg, sign)
    early = time < start
    if early.any():
        again = _settle(time + _DAY_S, latitude, longitude, elevation_deg, sign)
        time = np.where(early, again, time)
    # ... or the one of the turn before may have slipped to after it
    before = _settle(time - _DAY_S, latitude, longitude, elevation_deg, sign)
    time = np.where(before >= start, before, time)
    up = solar_elevation_deg(start, latitude, longitude) > elevation_deg
    never = np.where(up, sign * np.inf, -sign * np.inf)
    time = np.where(np.isnan(time), never, time)
    return np.where(np.isnan(start + latitude + longitude), np.nan, time)


def _settle(
    time: FloatArray, latitude: FloatArray, longitude: FloatArray, elevation_deg: float, sign: float
) -> FloatArray:
    """Move a time to the crossing of its own turn of the sun; NaN where there is none."""
    for _ in range(5):
        hour, half, crossing = _hours(time, latitude, longitude, elevation_deg)
        step = np.mod(sign * half - hour + 180.0, 360.0) - 180.0
        time = time + step / _TURN
    return np.where(crossing, time, np.nan)


def _hours(
    time: FloatArray, latitude: FloatArray, longitude: FloatArray, elevation_deg: float
) -> tuple[FloatArray, FloatArray, NDArray[np.bool_]]:
    """Hour angle now and at the crossing [deg], and whether there is a crossing."""
    hour, declination = _sun(time)
    phi, delta = np.radians(latitude), np.radians(declination)
    above = np.sin(np.radians(elevation_deg)) - np.sin(phi) * np.sin(delta)
    cosine = above / np.maximum(np.cos(phi) * np.cos(delta), 1e-12)
    half = np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0)))
    return hour + longitude, half, np.abs(cosine) <= 1.0
