"""The flight train: balloon, gas, parachute and payload, with what is not known about them."""

from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np

from windowwatch.errors import InputError
from windowwatch.physics import constants as c
from windowwatch.units import FloatArray


class Gas(StrEnum):
    """Lifting gas."""

    HYDROGEN = "hydrogen"
    HELIUM = "helium"


class DragCurve(StrEnum):
    """Drag coefficient of the balloon by Reynolds number, where none is given."""

    SOUNDING = "sounding"  #: what real sounding balloons showed
    SPHERE = "sphere"  #: a smooth sphere before the drag crisis


@dataclass(frozen=True)
class FlightTrain:
    """What flies.

    Parameters
    ----------
    balloon_mass_kg : float
        Mass of the empty balloon. [kg]
    payload_mass_kg : float
        Everything below the neck: payload, parachute, line, tracker. [kg]
    nozzle_lift_kg : float
        Lift measured at the neck when filled: total lift less balloon mass. [kg]
    burst_diameter_m : float
        Mean diameter at which the balloon bursts. [m]
    parachute_area_m2 : float
        Total canopy fabric area. [m²]
    gas : Gas
    gas_purity : float
        Volume fraction of lifting gas, the rest counted as air. [1]
    balloon_drag_coefficient : float or None
        On the cross-section of the sphere; None takes `drag_curve`. [1]
    parachute_drag_coefficient : float
        On `parachute_area_m2`. [1]
    lift_sigma, burst_sigma, drag_sigma, canopy_sigma : float
        One standard deviation of the fraction by which nozzle lift, burst diameter,
        balloon drag coefficient and parachute drag coefficient differ from the above. [1]
    measured_ascent_mps : float or None
        Measured ascent rate that overrides what the fill says, at every height. [m s⁻¹]
    opening_delay_s : float
        From burst to open canopy. [s]
    remnant_fraction : float
        Share of the balloon that stays on the line after burst and weighs on the canopy. [1]
    body_drag_area_m2 : float
        Drag coefficient times area of what falls before the canopy opens. [m²]
    drag_curve : DragCurve
        Curve by Reynolds number that is used without a balloon drag coefficient.
    drag_factor : float
        Times the curve or the coefficient: what flights of such balloons have shown. [1]
    """

    balloon_mass_kg: float
    payload_mass_kg: float
    nozzle_lift_kg: float
    burst_diameter_m: float
    parachute_area_m2: float
    gas: Gas = Gas.HYDROGEN
    gas_purity: float = 0.99
    balloon_drag_coefficient: float | None = None
    parachute_drag_coefficient: float = 0.75
    lift_sigma: float = 0.03
    burst_sigma: float = 0.06
    drag_sigma: float = 0.15
    canopy_sigma: float = 0.2
    measured_ascent_mps: float | None = None
    opening_delay_s: float = 0.0
    remnant_fraction: float = 0.0
    body_drag_area_m2: float = 0.05
    drag_curve: DragCurve = DragCurve.SOUNDING
    drag_factor: float = 1.0

    def __post_init__(self) -> None:
        for name in ("balloon_mass_kg", "payload_mass_kg", "nozzle_lift_kg", "burst_diameter_m",
                     "parachute_area_m2", "parachute_drag_coefficient",
                     "body_drag_area_m2", "drag_factor"):  # fmt: skip
            if not getattr(self, name) > 0:
                raise InputError(f"{name} must be above zero; it is {getattr(self, name)}")
        for name in ("balloon_drag_coefficient", "measured_ascent_mps"):
            value = getattr(self, name)
            if value is not None and not value > 0:
                raise InputError(f"{name} must be above zero or left out; it is {value}")
        for name in ("lift_sigma", "burst_sigma", "drag_sigma", "canopy_sigma"):
            if not 0 <= getattr(self, name) < 1:
                raise InputError(f"{name} must be a fraction below 1; it is {getattr(self, name)}")
        for name, lowest, highest in (
            ("gas_purity", 0.5, 1.0), ("opening_delay_s", 0.0, 60.0), ("remnant_fraction", 0.0, 1.0)
        ):  # fmt: skip
            if not lowest <= getattr(self, name) <= highest:
                raise InputError(
                    f"{name} must lie between {lowest:g} and {highest:g}; "
                    f"it is {getattr(self, name)}"
                )
        if not self.nozzle_lift_kg > self.payload_mass_kg:
            raise InputError(
                f"nozzle lift {self.nozzle_lift_kg} kg does not lift the payload of "
                f"{self.payload_mass_kg} kg; give more gas or less payload"
            )

    @property
    def free_lift_kg(self) -> float:
        """Lift left over to make the train rise. [kg]"""
        return self.nozzle_lift_kg - self.payload_mass_kg

    @property
    def total_lift_kg(self) -> float:
        """Mass of air displaced less mass of gas. [kg]"""
        return self.nozzle_lift_kg + self.balloon_mass_kg

    @property
    def falling_mass_kg(self) -> float:
        """What comes down under the canopy. [kg]"""
        return self.payload_mass_kg + self.remnant_fraction * self.balloon_mass_kg


def descent_rate_mps(
    train: FlightTrain, air_density_kgpm3: Any, gravity_mps2: Any = c.STANDARD_GRAVITY_MPS2
) -> FloatArray:
    """Steady descent rate under the open canopy. [m s⁻¹]

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
    return np.asarray(0.5 * train.falling_mass_kg * descent_rate_mps(train, air_density_kgpm3) ** 2)
