"""Every flight of a pass: launches in, landings with a status out."""

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray


class FlightStatus(IntEnum):
    """How a flight ended. Only `LANDED` has a landing; every other one is unknown."""

    LANDED = 0
    LEFT_GRID = 1  #: flew off the edge of the forecast's area
    LEFT_TIME = 2  #: flew on past the forecast's last step, or began before its first
    MISSING_AIR = 3  #: met a place where the forecast gave no wind, temperature or pressure
    NOT_RISING = 4  #: too little lift to rise, or stopped rising before burst
    TOO_LONG = 5  #: was still in the air after the longest flight that is allowed
    NEAR_POLE = 6  #: came within one degree of a pole, where the step on the ellipsoid is refused


@dataclass(frozen=True)
class Launches:
    """Where and when flights begin. Arrays are [N]."""

    latitude_deg: NDArray[np.float64]
    longitude_deg: NDArray[np.float64]
    height_m: NDArray[np.float64]
    time_unix_s: NDArray[np.float64]


@dataclass(frozen=True)
class Flights:
    """Results of flights, each array [N launches, M members, D draws].

    Every number is NaN where `status` is not `LANDED`, except the burst numbers of a
    flight that was lost on the way down.

    Attributes
    ----------
    status : uint8, a `FlightStatus`
    landing_latitude_deg, landing_longitude_deg : [deg], longitude in [-180, 180)
    landing_height_m : height of the ground there [m above mean sea level]
    landing_time_unix_s : [s]
    landing_speed_mps : speed of sinking at the ground [m s⁻¹]
    landing_wind_mps : wind speed at the lowest level at landing [m s⁻¹]
    burst_latitude_deg, burst_longitude_deg, burst_height_m, burst_time_unix_s
    ascent_rate_mps : mean rate of rise from release to burst [m s⁻¹]
    strongest_wind_mps : strongest wind met [m s⁻¹]
    coldest_air_k : coldest air met [K]
    drift_m : distance from release to landing over the ground [m]
    extrapolated : bool, part of the flight was above the forecast's top
    """

    status: NDArray[np.uint8]
    landing_latitude_deg: NDArray[np.float64]
    landing_longitude_deg: NDArray[np.float64]
    landing_height_m: NDArray[np.float64]
    landing_time_unix_s: NDArray[np.float64]
    landing_speed_mps: NDArray[np.float64]
    landing_wind_mps: NDArray[np.float64]
    burst_latitude_deg: NDArray[np.float64]
    burst_longitude_deg: NDArray[np.float64]
    burst_height_m: NDArray[np.float64]
    burst_time_unix_s: NDArray[np.float64]
    ascent_rate_mps: NDArray[np.float64]
    strongest_wind_mps: NDArray[np.float64]
    coldest_air_k: NDArray[np.float64]
    drift_m: NDArray[np.float64]
    extrapolated: NDArray[np.bool_]

    def of_launch(self, index: int) -> "Flights":
        """The flights of one launch, arrays [M, D]."""
        return Flights(**{name: values[index] for name, values in vars(self).items()})
