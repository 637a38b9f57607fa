"""How much of the map a watch needs of a forecast. Pure."""

import math
from collections.abc import Sequence

from windowwatch.scoring.values import Site

#: Farthest that flights are followed from a site, as degrees of latitude: about 670 km, more
#: than a flight of three hours makes in a jet of 60 m/s. Common practice, no source.
REACH_DEG = 6.0

#: South, west, north, east. [deg] East may exceed 180.
Area = tuple[float, float, float, float]


def area_of(sites: Sequence[Site], reach_deg: float = REACH_DEG) -> Area:
    """Smallest box that holds every site and the reach of its flights.

    The box is cut at the widest gap between the sites' longitudes, so that two sites on
    either side of the date line give a narrow box across it.

    Parameters
    ----------
    sites : sequence of Site
        At least one.
    reach_deg : float
        Margin in degrees of latitude; wider in longitude towards the poles. [deg]

    Returns
    -------
    south, west, north, east : float
        Latitudes within ±90; ``west`` in [-180, 180), ``east`` up to 360 above it.
    """
    south = min(site.latitude_deg for site in sites) - reach_deg
    north = max(site.latitude_deg for site in sites) + reach_deg
    longitudes = sorted({(site.longitude_deg + 180.0) % 360.0 - 180.0 for site in sites})
    gaps = [
        (longitudes[(i + 1) % len(longitudes)] - value) % 360.0 or 360.0
        for i, value in enumerate(longitudes)
    ]
    widest = gaps.index(max(gaps))
    first = longitudes[(widest + 1) % len(longitudes)]
    span = 360.0 - gaps[widest]
    margin = reach_deg / max(math.cos(math.radians(max(abs(south), abs(north)))), 0.1)
    if span + 2 * margin >= 360.0:
        return max(south, -90.0), -180.0, min(north, 90.0), 180.0
    west = (first - margin + 180.0) % 360.0 - 180.0
    return max(south, -90.0), west, min(north, 90.0), west + span + 2 * margin
