"""What an hour is drawn with: its middle flight, landings, burst area and the way there."""

from dataclasses import dataclass
from datetime import datetime

from windowwatch.physics.fill import SiteAir
from windowwatch.physics.spread import Footprint


@dataclass(frozen=True)
class Track:
    """One flight as points in order, at most about sixty; the last one is the landing.

    Attributes
    ----------
    time_unix_s, latitude_deg, longitude_deg, height_m : tuple of float
        [s since 1970 UTC], [deg], [deg], [m above mean sea level]
    u_mps, v_mps, temperature_k : tuple of float
        The forecast's air there, wind towards east and north. [m s⁻¹], [K]
    burst_index : int
        Index of the point at which the balloon bursts.
    """

    time_unix_s: tuple[float, ...]
    latitude_deg: tuple[float, ...]
    longitude_deg: tuple[float, ...]
    height_m: tuple[float, ...]
    u_mps: tuple[float, ...]
    v_mps: tuple[float, ...]
    temperature_k: tuple[float, ...]
    burst_index: int


@dataclass(frozen=True)
class Drive:
    """The way of a crew by road, to where the walk to the middle landing begins.

    Attributes
    ----------
    start : str
        The site or crew from which it goes.
    minutes : float
        Time on the road, with the plan's `drive_factor`. [min]
    latitude_deg, longitude_deg : tuple of float
        Points of the way, thinned. [deg]
    """

    start: str
    minutes: float
    latitude_deg: tuple[float, ...]
    longitude_deg: tuple[float, ...]


@dataclass(frozen=True)
class HourDetail:
    """What one launch hour is drawn with; kept for the newest cycles only.

    Attributes
    ----------
    landing_latitude_deg, landing_longitude_deg : tuple of float
        A sample of the landings, at most about a hundred. [deg]
    burst : Footprint or None
        Where the balloons burst.
    air : SiteAir or None
        The forecast's air at the site at the release of the middle flight; None of details
        that an earlier version kept.
    crews : tuple of Drive
        Ways of crews that follow a flight in the air; of a launch hour there are none.
    """

    site: str
    time_utc: datetime
    track: Track | None
    landing_latitude_deg: tuple[float, ...]
    landing_longitude_deg: tuple[float, ...]
    burst: Footprint | None
    drive: Drive | None
    air: SiteAir | None = None
    crews: tuple[Drive, ...] = ()
