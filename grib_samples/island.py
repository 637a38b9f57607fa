"""The invented island of Skerra: its shore, its hills, its lake and its three launch sites.

Nothing here exists. The island lies in the mid-Atlantic where there is only sea, so that
nobody can take a number from it for a real place. Everything is a smooth analytic function of
latitude and longitude, on whole arrays; longitudes are in degrees east, negative in the west
(values 0 to 360 are accepted as well).
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

#: Forecast grid, as it stands in the files: latitudes falling, longitudes 0 to 360. [deg]
GRID_LATITUDE_DEG: FloatArray = np.linspace(49.0, 43.0, 13)
GRID_LONGITUDE_DEG: FloatArray = np.linspace(322.0, 328.0, 13)

#: Time zone in which the invented team reads its clocks (UTC-2 the whole year).
TIME_ZONE = "America/Noronha"

#: Middle of the island and half its extent, the same number of degrees both ways. [deg]
CENTRE_LATITUDE_DEG = 46.0
CENTRE_LONGITUDE_DEG = -35.0
HALF_EXTENT_DEG = 2.3

#: Width of the shore over which the land fraction goes from water to land, in parts of
#: `HALF_EXTENT_DEG`: about 3 km.
_SHORE_WIDTH = 0.015


@dataclass(frozen=True)
class Place:
    """A named point of the island; `height_m` is what the invented map says."""

    name: str
    latitude_deg: float
    longitude_deg: float
    height_m: float


SITES: tuple[Place, ...] = (
    Place("Brackwater", 46.10, -36.60, 12.0),
    Place("Millfield", 45.60, -35.90, 140.0),
    Place("Highmoor", 46.70, -35.50, 420.0),
)

# Shore: radius over bearing in the stretched plane, a sum of waves less some bays.
# Each wave: count round the island, height, phase [rad].
_SHORE_WAVES = (
    (2, 0.020, 0.4),
    (3, 0.030, 1.9),
    (5, 0.026, -0.6),
    (9, 0.014, 2.0),
    (14, 0.009, 0.5),
    (23, 0.006, 1.3),
    (37, 0.004, 0.2),
)
_SHORE_RADIUS = 0.945
# Each bay: bearing counter-clockwise from east [rad], depth, half width [rad].
_BAYS = (
    (np.radians(176.4), 0.226, 0.13),  # Brackwater Bay, in the west
    (np.radians(33.0), 0.300, 0.20),  # East Sound, behind the hills
    (np.radians(-61.0), 0.190, 0.11),  # Southern Bight
    (np.radians(112.0), 0.150, 0.08),  # North Firth
)

#: Long Mere, the lake east of Millfield: an ellipse leaning a little to the east.
LAKE_CENTRE_DEG = (45.56, -35.33)  # latitude, longitude
LAKE_HALF_LENGTH_DEG = 0.21  # of latitude
LAKE_HALF_WIDTH_DEG = 0.060  # of latitude
LAKE_LEAN_RAD = 0.35
LAKE_HEIGHT_M = 118.0

# Hills: name kept for the map, latitude, longitude, height added [m], half widths [deg].
_HILLS = (
    ("Highmoor Tops", 46.84, -35.24, 375.0, 0.46, 0.60),
    ("Skerra Pike", 47.02, -34.86, 300.0, 0.15, 0.20),
    ("Grey Fell", 47.38, -35.30, 190.0, 0.20, 0.26),
    ("Southern Downs", 44.85, -34.75, 120.0, 0.26, 0.50),
    ("West Rigg", 46.75, -36.25, 60.0, 0.22, 0.24),
)
_PLAIN_HEIGHT_M = 165.0


def _plane(latitude_deg: Any, longitude_deg: Any) -> tuple[FloatArray, FloatArray]:
    """Coordinates in the stretched plane in which the island has a radius of about 1."""
    latitude = np.asarray(latitude_deg, dtype=np.float64)
    longitude = np.asarray(longitude_deg, dtype=np.float64)
    east = np.mod(longitude - CENTRE_LONGITUDE_DEG + 180.0, 360.0) - 180.0
    return east / HALF_EXTENT_DEG, (latitude - CENTRE_LATITUDE_DEG) / HALF_EXTENT_DEG


def _shore_radius(bearing_rad: FloatArray) -> FloatArray:
    """Distance of the shore from the middle, in the stretched plane. [1]"""
    radius = np.full(np.shape(bearing_rad), _SHORE_RADIUS)
    for count, height, phase in _SHORE_WAVES:
        radius = radius + height * np.cos(count * bearing_rad + phase)
    for bay_rad, depth, half_width_rad in _BAYS:
        off = np.mod(bearing_rad - bay_rad + np.pi, 2.0 * np.pi) - np.pi
        radius = radius - depth * np.exp(-((off / half_width_rad) ** 2))
    return radius


def _inland(latitude_deg: Any, longitude_deg: Any) -> FloatArray:
    """How far inside the shore along the ray from the middle; negative at sea. [1]"""
    x, y = _plane(latitude_deg, longitude_deg)
    return _shore_radius(np.arctan2(y, x)) - np.hypot(x, y)


def _lake_distance(latitude_deg: Any, longitude_deg: Any) -> FloatArray:
    """1 on the shore of Long Mere, less on the water, more on land. [1]"""
    latitude = np.asarray(latitude_deg, dtype=np.float64) - LAKE_CENTRE_DEG[0]
    longitude = np.asarray(longitude_deg, dtype=np.float64)
    east = np.mod(longitude - LAKE_CENTRE_DEG[1] + 180.0, 360.0) - 180.0
    east = east * np.cos(np.radians(LAKE_CENTRE_DEG[0]))
    cosine, sine = np.cos(LAKE_LEAN_RAD), np.sin(LAKE_LEAN_RAD)
    along = latitude * cosine + east * sine
    across = -latitude * sine + east * cosine
    distance: FloatArray = np.hypot(along / LAKE_HALF_LENGTH_DEG, across / LAKE_HALF_WIDTH_DEG)
    return distance


def land_fraction(latitude_deg: Any, longitude_deg: Any) -> FloatArray:
    """Share of land at a point: 1 inland, 0 on open water, 0.5 on the shore.

    Parameters
    ----------
    latitude_deg, longitude_deg : array_like, broadcastable
        [deg]

    Returns
    -------
    array, broadcast shape
        [1]; the lake Long Mere counts as water.
    """
    coast = 0.5 * (1.0 + np.tanh(_inland(latitude_deg, longitude_deg) / _SHORE_WIDTH))
    # The lake's shore is as steep as the sea's: half a width is 0.06 degree.
    lake = _lake_distance(latitude_deg, longitude_deg) - 1.0
    steepness = LAKE_HALF_WIDTH_DEG / (_SHORE_WIDTH * HALF_EXTENT_DEG)
    return np.minimum(coast, 0.5 * (1.0 + np.tanh(lake * steepness)))


def terrain_m(latitude_deg: Any, longitude_deg: Any) -> FloatArray:
    """Height of the ground above mean sea level. [m]

    Parameters
    ----------
    latitude_deg, longitude_deg : array_like, broadcastable
        [deg]

    Returns
    -------
    array, broadcast shape
        0 over the sea, rising from the shore; the level of the water on Long Mere.
    """
    latitude = np.asarray(latitude_deg, dtype=np.float64)
    longitude = np.asarray(longitude_deg, dtype=np.float64)
    inland = np.maximum(_inland(latitude, longitude), 0.0)
    height = _PLAIN_HEIGHT_M * np.tanh(inland / 0.40)
    rise = np.tanh(inland / 0.10)
    for _, hill_latitude, hill_longitude, hill_m, north_deg, east_deg in _HILLS:
        east = np.mod(longitude - hill_longitude + 180.0, 360.0) - 180.0
        bump = ((latitude - hill_latitude) / north_deg) ** 2 + (east / east_deg) ** 2
        height = height + hill_m * np.exp(-bump) * rise
    ripple = np.sin(11.0 * latitude + 2.0) * np.cos(8.3 * longitude) + 0.6 * np.sin(
        23.0 * latitude - 17.0 * longitude
    )
    height = height + 9.0 * ripple * rise**2
    # Ground slopes down to the water of the lake over about one width of it.
    bank = np.clip(_lake_distance(latitude, longitude) - 1.0, 0.0, 1.0)
    height = LAKE_HEIGHT_M + (height - LAKE_HEIGHT_M) * np.where(inland > 0.0, bank, 1.0)
    return np.where(inland > 0.0, np.maximum(height, 0.0), 0.0)


def shoreline_deg(count: int = 720) -> list[tuple[float, float]]:
    """The sea shore as a closed ring, counter-clockwise.

    Parameters
    ----------
    count : int
        Number of different points; the first is repeated at the end.

    Returns
    -------
    list of (longitude, latitude)
        [deg]
    """
    bearing = np.append(np.linspace(0.0, 2.0 * np.pi, count, endpoint=False), 0.0)
    radius = _shore_radius(bearing) * HALF_EXTENT_DEG
    longitude = CENTRE_LONGITUDE_DEG + radius * np.cos(bearing)
    latitude = CENTRE_LATITUDE_DEG + radius * np.sin(bearing)
    return [(float(x), float(y)) for x, y in zip(longitude, latitude, strict=True)]


def lake_outline_deg(count: int = 72) -> list[tuple[float, float]]:
    """The shore of Long Mere as a closed ring, counter-clockwise; points as (longitude, latitude).

    The longitude scale is that of the lake's middle, as in `land_fraction`.
    """
    angle = np.append(np.linspace(0.0, 2.0 * np.pi, count, endpoint=False), 0.0)
    across = LAKE_HALF_WIDTH_DEG * np.cos(angle)
    along = LAKE_HALF_LENGTH_DEG * np.sin(angle)
    cosine, sine = np.cos(LAKE_LEAN_RAD), np.sin(LAKE_LEAN_RAD)
    north = along * cosine - across * sine
    east = along * sine + across * cosine
    longitude = LAKE_CENTRE_DEG[1] + east / np.cos(np.radians(LAKE_CENTRE_DEG[0]))
    return [
        (float(x), float(y)) for x, y in zip(longitude, LAKE_CENTRE_DEG[0] + north, strict=True)
    ]
