"""Conversions used where numbers enter or leave the house.

Inside, everything is SI, degrees and UTC; a name carries its unit (`_mps`, `_deg`).
"""

from collections.abc import Callable, Iterable
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

#: One knot is one nautical mile (1852 m exactly) an hour. ISO 80000-3:2019, annex C.
MPS_PER_KNOT = 1852.0 / 3600.0
#: One international foot. [m] International yard and pound agreement, 1959.
M_PER_FOOT = 0.3048
#: Zero of the Celsius scale. [K] SI brochure, 9th edition.
KELVIN_AT_0_C = 273.15


def wind_to_uv(direction_from_deg: Any, speed_mps: Any) -> tuple[FloatArray, FloatArray]:
    """Eastward and northward wind from a direction *from which* it blows.

    Parameters
    ----------
    direction_from_deg : array_like
        Clockwise from true north. [deg]
    speed_mps : array_like
        Speed. [m s⁻¹]

    Returns
    -------
    u_mps, v_mps : array
        Towards east and towards north. [m s⁻¹]

    Examples
    --------
    >>> u, v = wind_to_uv(270.0, 10.0)
    >>> round(float(u), 6), round(float(v), 6)
    (10.0, 0.0)
    """
    direction = np.radians(np.asarray(direction_from_deg, dtype=np.float64))
    speed = np.asarray(speed_mps, dtype=np.float64)
    return -speed * np.sin(direction), -speed * np.cos(direction) + 0.0


def uv_to_wind(u_mps: Any, v_mps: Any) -> tuple[FloatArray, FloatArray]:
    """Direction *from which* the wind blows, and its speed.

    Returns
    -------
    direction_from_deg, speed_mps : array
        Direction in (0, 360], 360 for a wind from due north and 0 for calm, as observers
        report it (WMO-No. 306, code table 0877; from memory).
    """
    u = np.asarray(u_mps, dtype=np.float64)
    v = np.asarray(v_mps, dtype=np.float64)
    speed = np.hypot(u, v)
    direction = np.mod(np.degrees(np.arctan2(-u, -v)), 360.0)
    direction = np.where(direction == 0.0, 360.0, direction)
    return np.where(speed == 0.0, 0.0, direction), speed


def wrap_longitude_deg(longitude_deg: Any) -> FloatArray:
    """Longitude moved into [-180, 180). [deg]"""
    longitude = np.asarray(longitude_deg, dtype=np.float64)
    return np.mod(longitude + 180.0, 360.0) - 180.0


class Place(Protocol):
    """What has a name and a position."""

    @property
    def name(self) -> str: ...  # noqa: D102
    @property
    def latitude_deg(self) -> float: ...  # noqa: D102
    @property
    def longitude_deg(self) -> float: ...  # noqa: D102


def swapped_hint(places: Iterable[Place], fits: Callable[[float, float], bool]) -> str:
    """What to add to "it does not lie there", where it would if its numbers changed places.

    Parameters
    ----------
    places : iterable of Place
        Those that do not fit.
    fits : callable
        Whether a latitude and a longitude [deg] would fit.

    Returns
    -------
    str
        A clause that begins with a semicolon; empty when swapping would not help.
    """
    names = [
        place.name
        for place in places
        if abs(place.longitude_deg) <= 90.0 and fits(place.longitude_deg, place.latitude_deg)
    ]
    if not names:
        return ""
    return f"; latitude_deg and longitude_deg of {', '.join(names)} seem to be swapped"
