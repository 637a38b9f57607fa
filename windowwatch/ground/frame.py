"""A rectangle of the map that is to be drawn. Pure."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Frame:
    """A rectangle of the map; it does not cross the date line. [deg]"""

    south_deg: float
    west_deg: float
    north_deg: float
    east_deg: float
