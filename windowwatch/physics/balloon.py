"""The balloon: gas and lift, size, drag, ascent rate, burst.

The gas is taken at the temperature and pressure of the air round it, so that the lift of
a given amount of gas is the same at every height.
"""

from functools import cache
from typing import Any

import numpy as np

from windowwatch.errors import InputError
from windowwatch.physics import constants as c
from windowwatch.physics.atmosphere import standard_density_height_m, viscosity_pas
from windowwatch.physics.train import DragCurve, FlightTrain, Gas
from windowwatch.units import FloatArray

_MOLAR_MASS = {Gas.HYDROGEN: c.HYDROGEN_MOLAR_MASS, Gas.HELIUM: c.HELIUM_MOLAR_MASS}
#: Reynolds number of the published curve's minimum; held above it. [1]
_CURVE_MINIMUM = np.exp(1.406 / (2.0 * 0.04808))
#: Effective drag coefficient below the published curve's range: Reynolds number, Cd. [1]
#: Our fit to ten real ascents (tests/physics/test_soundings.py checks it on nine others).
_LOW_REYNOLDS = ((3.0e4, 1.22), (1.2e5, 1.12), (2.1e5, 0.48))
#: Mass of natural-latex sounding balloons against the diameter at which they burst.
#: [kg], [m] Common values as published with hydrogen fills; a second published set differs
#: by 0.2 to 5 % at the same mass.
BURST_DIAMETERS = (
    (0.2, 3.00), (0.3, 3.78), (0.35, 4.12), (0.45, 4.72), (0.5, 4.99), (0.6, 6.02), (0.7, 6.53),
    (0.8, 7.00), (1.0, 7.86), (1.2, 8.63), (1.5, 9.44), (2.0, 10.54), (3.0, 13.00),
)  # fmt: skip
#: One standard deviation of the burst diameter, as a fraction. [1] Judgement, from the
#: difference of published sets: 5 to 7 %; 5 % is about 1 km of burst height.
BURST_SIGMA = 0.06


def usual_burst_diameter_m(balloon_mass_kg: float) -> float:
    """Burst diameter that sounding balloons of a mass commonly have. [m]

    The centre of a distribution of relative width `BURST_SIGMA`; between the masses of
    the table the logarithm of diameter is linear in that of mass.

    Raises
    ------
    InputError
        If the mass is outside 0.2 kg to 3 kg.

    Examples
    --------
    >>> usual_burst_diameter_m(1.2)
    8.63
    """
    masses, diameters = np.array(BURST_DIAMETERS).T
    if not masses[0] <= balloon_mass_kg <= masses[-1]:
        raise InputError(
            f"burst diameters are known for balloons of {masses[0]} kg to {masses[-1]} kg, not "
            f"for {balloon_mass_kg} kg; give burst_diameter_m"
        )
    log = np.interp(np.log(balloon_mass_kg), np.log(masses), np.log(diameters))
    return round(float(np.exp(log)), 3)


def lift_fraction(gas: Gas, purity: float = 1.0) -> float:
    """Lift of a volume of gas as a fraction of the mass of dry air that it displaces. [1]

    Humid air is lighter, by a share that `displaced_air_kg` takes off.

    Parameters
    ----------
    purity : float
        Volume fraction of lifting gas, the rest dry air. [1]

    Raises
    ------
    InputError
        If the purity is not above 0 and at most 1.

    Examples
    --------
    >>> round(lift_fraction(Gas.HYDROGEN), 4)
    0.9304
    """
    if not 0.0 < purity <= 1.0:
        raise InputError(f"gas purity must be above 0 and at most 1; it is {purity}")
    return purity * (1.0 - _MOLAR_MASS[gas] / c.USSA76_MOLAR_MASS)


def displaced_air_kg(
    total_lift_kg: Any, gas: Gas, purity: float = 1.0, moisture: Any = 0.0
) -> FloatArray:
    """Mass that dry air would have in place of the gas that gives a total lift. [kg]

    Parameters
    ----------
    moisture : array_like
        By what share the air in which the lift was measured is lighter than dry air of its
        pressure and temperature, because of its humidity. [1]
    """
    share = lift_fraction(gas, purity) - np.asarray(moisture, dtype=np.float64)
    return np.asarray(np.asarray(total_lift_kg, dtype=np.float64) / share)


def gas_mass_kg(total_lift_kg: Any, gas: Gas, purity: float = 1.0) -> FloatArray:
    """Mass of gas, impurity included, that gives a total lift. [kg]"""
    lift = np.asarray(total_lift_kg, dtype=np.float64)
    return displaced_air_kg(lift, gas, purity) - lift


def gas_volume_m3(
    total_lift_kg: Any, air_density_kgpm3: Any, gas: Gas, purity: float = 1.0
) -> FloatArray:
    """Volume of the gas that gives a total lift, in air of a density. [m³]"""
    return np.asarray(displaced_air_kg(total_lift_kg, gas, purity) / np.asarray(air_density_kgpm3))


def sphere_diameter_m(volume_m3: Any) -> FloatArray:
    """Diameter of a sphere of given volume. [m]"""
    return np.asarray(np.cbrt(6.0 / np.pi * np.asarray(volume_m3, dtype=np.float64)))


def diameter_m(train: FlightTrain, air_density_kgpm3: Any) -> FloatArray:
    """Diameter of the train's balloon in air of a density. [m]"""
    volume = gas_volume_m3(train.total_lift_kg, air_density_kgpm3, train.gas, train.gas_purity)
    return sphere_diameter_m(volume)


def burst_density_kgpm3(train: FlightTrain) -> float:
    """Density of the air in which the balloon reaches its burst diameter. [kg m⁻³]"""
    displaced = displaced_air_kg(train.total_lift_kg, train.gas, train.gas_purity)
    return float(displaced) / (np.pi / 6.0 * train.burst_diameter_m**3)


def burst_height_m(train: FlightTrain) -> float:
    """Height at which the balloon bursts in the 1976 standard atmosphere. [m]

    NaN where that is above 86 km.
    """
    return float(standard_density_height_m(burst_density_kgpm3(train)))


def sounding_balloon_drag(reynolds: Any) -> FloatArray:
    """Effective drag coefficient of a sounding balloon by Reynolds number.

    From Re 2.1e5 up the mean curve of measured ascents [1]_, held at its minimum (Re
    2.2e6). Below, where balloons are past 15 km, a fit to real ascents: the coefficient
    there is above that of any sphere because it also stands for the lift that is lost
    when the expanding gas runs colder than the air. A constant coefficient would rise
    twice too fast at 30 km.

    Returns
    -------
    array
        On the cross-section. [1]

    Notes
    -----
    The upper part gives the published rise of balloons of 600 g and more within 10 %;
    those of 200 g to 500 g it makes 12 % to 16 % too slow.

    References
    ----------
    .. [1] P. Gallice et al., "Modeling the ascent of sounding balloons: derivation of the
       vertical air motion", Atmos. Meas. Tech. 4 (2011), 2235-2253. Coefficients from
       memory; nineteen real ascents agree with it within 5 % of Cd from Re 2.1e5 to 4.7e5.
    """
    log = np.log(np.maximum(np.asarray(reynolds, dtype=np.float64), 1.0))
    high = np.minimum(log, np.log(_CURVE_MINIMUM))
    curve = 0.04808 * high**2 - 1.406 * high + 10.490
    knots = np.log(_LOW_REYNOLDS)
    low = np.exp(np.interp(log, knots[:, 0], knots[:, 1]))
    return np.where(log < knots[-1, 0], low, curve)


def sphere_drag(reynolds: Any) -> FloatArray:
    """Drag coefficient of a smooth sphere before the drag crisis. Valid to Re 3e5. [1]

    References
    ----------
    .. [1] R. Clift, W. H. Gauvin, "The motion of entrained particles in gas streams",
       Can. J. Chem. Eng. 49 (1971), 439-448.
    """
    re = np.maximum(np.asarray(reynolds, dtype=np.float64), 1e-3)
    return np.asarray(24.0 / re * (1.0 + 0.152 * re**0.677) + 0.417 / (1.0 + 5070.0 * re**-0.94))


def drag_table(train: FlightTrain) -> tuple[float, float, FloatArray]:
    """The drag curve as kernels want it: Reynolds number where drag equals lift.

    For steady rise Cd·Re² = 8 F g ρ / (π μ²), free of the speed. The table gives ln Re at
    even steps of the logarithm of that number.

    Returns
    -------
    first, steps_per_unit : float
    log_reynolds : array
        Empty for a constant coefficient.
    """
    if train.balloon_drag_coefficient is not None:
        return 0.0, 1.0, np.empty(0)
    first, per_unit, table = _drag_table(train.drag_curve)
    return first, per_unit, table.copy()  # what is kept must not be written to


@cache
def _drag_table(of: DragCurve) -> tuple[float, float, FloatArray]:
    """The same of a curve, which never changes."""
    log_reynolds = np.linspace(np.log(1e2), np.log(1e8), 6_001)
    curve = sphere_drag if of is DragCurve.SPHERE else sounding_balloon_drag
    log_number = np.log(curve(np.exp(log_reynolds))) + 2.0 * log_reynolds
    even = np.linspace(log_number[0], log_number[-1], 2_049)
    table = np.interp(even, log_number, log_reynolds)
    return float(even[0]), float(1.0 / (even[1] - even[0])), table


def ascent_rate_mps(
    train: FlightTrain,
    pressure_pa: Any,
    temperature_k: Any,
    gravity_mps2: Any = c.STANDARD_GRAVITY_MPS2,
) -> FloatArray:
    """Steady ascent rate in still air, arrays broadcast.

    Returns
    -------
    array
        [m s⁻¹]

    Examples
    --------
    >>> train = FlightTrain(
    ...     balloon_mass_kg=1.0, payload_mass_kg=0.25, nozzle_lift_kg=1.31, burst_diameter_m=7.86,
    ...     parachute_area_m2=1.0, gas_purity=1.0, balloon_drag_coefficient=0.3,
    ... )
    >>> round(float(ascent_rate_mps(train, 101325.0, 288.15)), 2)
    5.4
    """
    temperature = np.asarray(temperature_k, dtype=np.float64)
    density = np.asarray(pressure_pa, dtype=np.float64) / (c.AIR_GAS_CONSTANT * temperature)
    size = diameter_m(train, density)
    push = 8.0 * train.free_lift_kg * np.asarray(gravity_mps2) / np.pi / train.drag_factor
    if train.balloon_drag_coefficient is not None:
        return np.sqrt(push / (density * train.balloon_drag_coefficient * size**2))
    viscosity = viscosity_pas(temperature)
    first, per_step, table = drag_table(train)
    number = np.log(push * density / viscosity**2)
    even = first + np.arange(table.size) / per_step
    return np.asarray(np.exp(np.interp(number, even, table)) * viscosity / (density * size))
