"""The Lambert conformal conic projection of a sphere, and which way its grid's north points.

Source: J. P. Snyder, Map Projections: A Working Manual, U.S. Geological Survey Professional
Paper 1395 (1987), chapter 15, equations 14-1, 14-2, 14-4, 14-10 and 15-1 to 15-5 (sphere).
"""

from dataclasses import dataclass
from math import cos, isclose, log, pi, radians, sin, tan

import numpy as np
from numpy.typing import NDArray

from windowwatch.errors import InputError

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class LambertConformal:
    """A cone on a sphere.

    Parameters
    ----------
    parallel_1_deg, parallel_2_deg : float
        Where the scale is true; the same twice for a cone that touches. [deg]
    meridian_deg : float
        The one that runs straight up. [deg]
    radius_m : float

    Raises
    ------
    InputError
        If there is no such cone.
    """

    parallel_1_deg: float
    parallel_2_deg: float
    meridian_deg: float
    radius_m: float

    def __post_init__(self) -> None:
        low, high = sorted((self.parallel_1_deg, self.parallel_2_deg))
        if not (low >= -89.0 and high <= 89.0) or isclose(low + high, 0.0, abs_tol=1e-6):
            raise InputError(f"no cone has its standard parallels at {low:g} and {high:g} degrees")
        if not 1e6 < self.radius_m < 1e7:
            raise InputError(f"{self.radius_m:g} m is no radius of the Earth")

    @property
    def cone(self) -> float:
        """Constant of the cone: degrees of the map for a degree of longitude. [1]"""
        first, second = radians(self.parallel_1_deg), radians(self.parallel_2_deg)
        if isclose(first, second, abs_tol=1e-9):
            return sin(first)
        opening = log(tan(pi / 4 + second / 2) / tan(pi / 4 + first / 2))
        return log(cos(first) / cos(second)) / opening

    @property
    def _scale_m(self) -> float:
        first, n = radians(self.parallel_1_deg), self.cone
        return float(self.radius_m * cos(first) * tan(pi / 4 + first / 2) ** n / n)

    def turn_rad(self, longitude_deg: FloatArray) -> FloatArray:
        """By how much the map's north lies clockwise of true north. [rad]"""
        apart = (np.asarray(longitude_deg) - self.meridian_deg + 180.0) % 360.0 - 180.0
        return np.asarray(self.cone * np.radians(apart))

    def forward(
        self, latitude_deg: FloatArray, longitude_deg: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Place on the map, to the right and up, from the tip of the cone. [m]"""
        half = pi / 4 + np.radians(latitude_deg) / 2
        radius, turn = self._scale_m / np.tan(half) ** self.cone, self.turn_rad(longitude_deg)
        return radius * np.sin(turn), -radius * np.cos(turn)

    def inverse(self, x_m: FloatArray, y_m: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Latitude, and longitude within 180 degrees of the map's own meridian. [deg]"""
        n = self.cone
        side = np.sign(n)
        radius = side * np.hypot(x_m, y_m)
        turn = np.arctan2(side * np.asarray(x_m), -side * np.asarray(y_m))
        latitude = 2.0 * np.arctan((self._scale_m / radius) ** (1.0 / n)) - pi / 2
        return np.degrees(latitude), self.meridian_deg + np.degrees(turn) / n

    def to_east_and_north(
        self, right_mps: FloatArray, up_mps: FloatArray, longitude_deg: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """A wind along the map's axes, turned to east and north. [m s⁻¹]

        The projection is conformal, so that it is a turn and nothing else; true north on the
        map points to the tip of the cone.
        """
        turn = self.turn_rad(longitude_deg)
        east = right_mps * np.cos(turn) + up_mps * np.sin(turn)
        return east, up_mps * np.cos(turn) - right_mps * np.sin(turn)
