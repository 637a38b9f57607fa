"""Casualty expectation: how many people a landing may hurt, on average over many flights.

    Ec = P(impact there) · Ac · N / A

with the casualty area Ac of the package and N people on the area A. Yardsticks for it are
borrowed from space launch (1 in 10 000 for a launch: 14 CFR 417 and 420, appendices C and D);
no such limit is prescribed for balloons. Shelter is not counted: everybody is out of doors.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np

from windowwatch.errors import InputError
from windowwatch.units import FloatArray

#: Radius of a standing person, one foot. [m] 14 CFR 417 and RCC 321 (from memory).
PERSON_RADIUS_M = 0.3048
#: Height of a person, for what comes down at a slant. [m] Common practice, no source.
PERSON_HEIGHT_M = 1.8
#: Inert debris below this energy is counted as hurting nobody: 11 foot-pounds. [J]
#: Used for space-launch debris; read second-hand. A European screen for small drones, 80 J
#: transferred, is another and blunter one.
HARMLESS_BELOW_J = 11.0 * 0.3048 * 0.45359237 * 9.80665


@dataclass(frozen=True)
class Impact:
    """What comes down, and on whom where the map does not say.

    Parameters
    ----------
    mass_kg : float
        Of the package with its parachute. [kg]
    face_m2 : float
        Largest face of the package. [m²]
    people_per_km2 : float
        Out in the country, where no area of the map gives a number. [km⁻²]
    """

    mass_kg: float
    face_m2: float
    people_per_km2: float

    def __post_init__(self) -> None:
        for name in ("mass_kg", "face_m2"):
            if not getattr(self, name) > 0.0:
                raise InputError(f"{name} must be above zero; it is {getattr(self, name)}")
        if not self.people_per_km2 >= 0.0:
            raise InputError(f"people_per_km2 is {self.people_per_km2}; give a number from 0 on")


def casualty_area_m2(face_m2: float, drift_ratio: Any = 0.0) -> FloatArray:
    """Area in which a person is hit: a disc of package and person, and a strip for a slant.

    Parameters
    ----------
    face_m2 : float
        Face of the package. [m²]
    drift_ratio : array_like
        Wind over sinking speed at the ground. [1]

    Returns
    -------
    array
        π (rp + rf)² + 2 (rp + rf) h · ratio; rp, h of a person, rf = √(face / π). [m²]

    Examples
    --------
    >>> round(float(casualty_area_m2(0.09)), 3)
    0.706
    """
    radius = PERSON_RADIUS_M + np.sqrt(face_m2 / np.pi)
    strip = 2.0 * radius * PERSON_HEIGHT_M * np.asarray(drift_ratio, dtype=np.float64)
    return np.asarray(np.pi * radius**2 + strip)


def casualty_expectation(
    impact: Impact, speed_mps: Any, wind_mps: Any, people_per_km2: Any
) -> FloatArray:
    """Expected casualties of landings whose place is known, broadcast. [1]

    0 where the energy of the package, sinking and carried by the wind, lies below
    `HARMLESS_BELOW_J`; NaN where speed, wind or people are.

    Parameters
    ----------
    impact : Impact
    speed_mps, wind_mps : array_like
        Sinking speed and wind at the ground. [m s⁻¹]
    people_per_km2 : array_like
        At the landing. [km⁻²]
    """
    speed = np.asarray(speed_mps, dtype=np.float64)
    wind = np.asarray(wind_mps, dtype=np.float64)
    energy_j = 0.5 * impact.mass_kg * (speed**2 + wind**2)
    ratio = wind / speed
    hit = casualty_area_m2(impact.face_m2, ratio) * np.asarray(people_per_km2) / 1e6
    return np.asarray(np.where(energy_j < HARMLESS_BELOW_J, 0.0 * hit, hit))
