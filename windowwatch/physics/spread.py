"""What is not known: draws of it, and the footprint that comes of it."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Footprint:
    """Where the flights of one launch hour land.

    `flights` is how many landings it rests on. Radii are of containment round the
    centre along the two axes. [m], bearing of the long axis clockwise from north. [deg]
    """

    latitude_deg: float
    longitude_deg: float
    flights: int
    major_50_m: float
    minor_50_m: float
    major_90_m: float
    minor_90_m: float
    bearing_deg: float
