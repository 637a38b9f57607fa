"""The doubt of weather near the ground: a forecast is as likely true a little beside itself.

A single run places its showers, cloud and gusts somewhat wrong in space and time. The neighbourhood
method takes what it forecasts round the place and the time as equally likely there; one draw is
one displacement, for all fields, so that rain, cloud and gust of a draw belong together.

References
----------
From memory, not checked: titles, pages and what is said of them were held against no copy.

.. [1] S. E. Theis, A. Hense, U. Damrath, "Probabilistic precipitation forecasts from a
   deterministic model: a pragmatic approach", Meteorological Applications 12 (2005) 257-268:
   neighbourhood in space and time, all its points of equal weight.
.. [2] C. S. Schwartz et al., "Toward Improved Convection-Allowing Ensembles: Model Physics
   Sensitivities and Optimizing Probabilistic Guidance with Small Ensemble Membership", Weather
   and Forecasting 25 (2010) 263-280: neighbourhood of the members of an ensemble.
"""

import hashlib
from dataclasses import dataclass

import numpy as np

from windowwatch.physics.earth import destination
from windowwatch.units import FloatArray

#: Steps of an evenly filling sequence in three dimensions: powers of the inverse of the real root
#: of x⁴ = x + 1 (common practice, no source).
_EVEN = 1.2207440846057596 ** -np.arange(1.0, 4.0)


@dataclass(frozen=True)
class NeighbourhoodModel:
    """How far round place and time a forecast may be true: a disc, and as much either way.

    Parameters
    ----------
    radius_m, radius_m_per_h : float
        At lead time 0, and what each hour of lead adds. [m], [m h⁻¹]
    time_s, time_s_per_h : float
        Likewise in time, either way. [s], [s h⁻¹]
    """

    radius_m: float
    radius_m_per_h: float
    time_s: float
    time_s_per_h: float


#: Judgement: of the size at which fronts and showers are commonly misplaced, some 30 km and an
#: hour on the first day, 130 km and four hours a week ahead.
NEIGHBOURHOOD = NeighbourhoodModel(15_000.0, 700.0, 1_800.0, 75.0)


@dataclass(frozen=True)
class Shifts:
    """Displacements of the draws. Draw 0 is not displaced.

    Parameters
    ----------
    east, north, later : array [D]
        In units of the neighbourhood's radius and length. [1]
    cycle_unix_s : float
        From which lead time counts. [s]
    model : NeighbourhoodModel
    """

    east: FloatArray
    north: FloatArray
    later: FloatArray
    cycle_unix_s: float
    model: NeighbourhoodModel = NEIGHBOURHOOD

    def lead_h(self, time_unix_s: FloatArray) -> FloatArray:
        """Lead time by which the neighbourhood grows, in whole sixes of hours. [h]"""
        return np.asarray(np.maximum(np.floor((time_unix_s - self.cycle_unix_s) / 21_600.0), 0) * 6)

    def of_lead(
        self, latitude_deg: float, longitude_deg: float, lead_h: float
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Latitude, longitude and delay of every draw at a place. [deg], [deg], [s]; each [D]."""
        radius_m = self.model.radius_m + self.model.radius_m_per_h * lead_h
        away_m = radius_m * np.hypot(self.east, self.north)
        bearing = np.degrees(np.arctan2(self.east, self.north))
        latitude, longitude = destination(latitude_deg, longitude_deg, bearing, away_m)
        later_s = self.later * (self.model.time_s + self.model.time_s_per_h * lead_h)
        return np.asarray(latitude), np.asarray(longitude), later_s


def draw_shifts(
    count: int,
    *,
    watch: str,
    cycle_id: str,
    site: str,
    cycle_unix_s: float,
    model: NeighbourhoodModel = NEIGHBOURHOOD,
) -> Shifts:
    """Displacements that fill the neighbourhood evenly, reproducibly; `count` with the central one.

    They hang on watch, cycle and site, so that all launch hours of a draw see one displaced
    forecast.
    """
    words = "\x1f".join((watch, cycle_id, site, "neighbourhood"))
    key = int.from_bytes(hashlib.blake2b(words.encode(), digest_size=16).digest(), "little")
    start = np.random.Generator(np.random.Philox(key=key)).random(3)
    even = (start + np.arange(1, count)[:, np.newaxis] * _EVEN) % 1.0
    radius, angle = np.sqrt(even[:, 0]), 2.0 * np.pi * even[:, 1]
    parts = (radius * np.sin(angle), radius * np.cos(angle), 2.0 * even[:, 2] - 1.0)
    east, north, later = (np.concatenate([[0.0], part]) for part in parts)
    return Shifts(east, north, later, cycle_unix_s, model)
