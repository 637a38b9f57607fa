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

#: One international foot. [m] International yard and pound agreement, 1959.
M_PER_FOOT = 0.3048
#: Zero of the Celsius scale. [K] SI brochure, 9th edition.
KELVIN_AT_0_C = 273.15


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
