"""How much gas: filling for an ascent rate, for a burst height, or with what there is.

All answers are for still air that is standard above the site and has the site's own
pressure and temperature at the ground. The cautions said with every fill stand here, too.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from windowwatch.errors import InputError
from windowwatch.physics.atmosphere import air_density, standard_atmosphere, standard_height_m
from windowwatch.physics.balloon import (
    ascent_rate_mps,
    burst_height_m,
    diameter_m,
    gas_mass_kg,
    gas_volume_m3,
    lift_fraction,
)
from windowwatch.physics.train import FlightTrain, Gas

#: Standard reference conditions of gas trade. [K], [Pa] ISO 13443:1996 (from memory).
STANDARD_TEMPERATURE_K = 288.15
STANDARD_PRESSURE_PA = 101_325.0
#: Molar gas constant, exact since the SI of 2019. [J mol⁻¹ K⁻¹]
GAS_CONSTANT = 8.314462618
#: Ascent rates that a sounding should keep to: 275 to 350 m a minute. [m s⁻¹]
#: U.S. Federal Meteorological Handbook No. 3 (from memory).
USUAL_ASCENT_MPS = (275.0 / 60.0, 350.0 / 60.0)
#: Surface wind over ascent rate above which a train is dragged off rather than lifted.
#: From the practice of short trains above 25 mph (11.2 m/s) at 5 m/s of rise. [1]
HIGHEST_WIND_TO_RISE = 11.2 / 5.0
#: Helium's second virial coefficient, which hardly changes from -40 to 60 °C. [m³ mol⁻¹]
#: J. H. Dymond, E. B. Smith, "The Virial Coefficients of Pure Gases and Mixtures" (1980), from
#: memory.
_HELIUM_VIRIAL = 11.8e-6
#: Terms of hydrogen's compressibility factor: factor, powers of 100 K / T and of p in MPa. [1]
#: E. W. Lemmon, M. L. Huber, J. W. Leachman, "Revised Standardized Equation for Hydrogen Gas
#: Densities for Fuel Consumption Applications", Journal of Research of NIST 113 (2008) 341-350,
#: from memory; for 220 to 1000 K and up to 70 MPa.
_HYDROGEN_TERMS = (
    (0.05888460, 1.325, 1.0),
    (-0.06136111, 1.87, 1.0),
    (-0.002650473, 2.5, 2.0),
    (0.002731125, 2.8, 2.0),
    (0.001802374, 2.938, 2.42),
    (-0.001150707, 3.14, 2.63),
    (0.9588528e-4, 3.37, 3.0),
    (-0.1109040e-6, 3.75, 4.0),
    (0.1264403e-9, 4.0, 5.0),
)
#: Burst heights are read to a tenth of a kilometre; what is nearer to the wish fulfils it. [m]
_BURST_READ_TO_M = 50.0


@dataclass(frozen=True)
class SiteAir:
    """Air at the site when filling; `specific_humidity` is vapour in the mass of air. [kg kg⁻¹]

    Moist air is lighter and lifts less: by 0.6 % where it is saturated at 15 °C, by 1.6 % at 30 °C.
    """

    pressure_pa: float = STANDARD_PRESSURE_PA
    temperature_k: float = STANDARD_TEMPERATURE_K
    specific_humidity: float = 0.0

    @property
    def density_kgpm3(self) -> float:
        """Density. [kg m⁻³]"""
        return float(air_density(self.pressure_pa, self.temperature_k, self.specific_humidity))


@dataclass(frozen=True)
class Fill:
    """A fill and what follows from it.

    Attributes
    ----------
    train : FlightTrain
        The train with this fill's nozzle lift.
    gas_mass_kg : float
        [kg]
    volume_m3, standard_volume_m3 : float
        Of the gas in the balloon at the site, and at 15 °C and 1013.25 hPa. [m³]
    diameter_m : float
        Of the balloon when filled. [m]
    release_rate_mps, mean_rate_mps : float
        Ascent rate at the site, and from there to the burst on average. [m s⁻¹]
    burst_height_m : float
        [m]
    warnings : tuple of str
    """

    train: FlightTrain
    gas_mass_kg: float
    volume_m3: float
    standard_volume_m3: float
    diameter_m: float
    release_rate_mps: float
    mean_rate_mps: float
    burst_height_m: float
    warnings: tuple[str, ...]

    @property
    def nozzle_lift_kg(self) -> float:
        """What the scale at the neck must show. [kg]"""
        return self.train.nozzle_lift_kg


def fill_for_lift(
    train: FlightTrain,
    nozzle_lift_kg: float,
    air: SiteAir | None = None,
    *,
    surface_wind_mps: float | None = None,
    wanted_burst_m: float | None = None,
) -> Fill:
    """What a nozzle lift means.

    Raises
    ------
    InputError
        If the lift does not carry the payload, or the balloon would burst when filled.
    """
    air = air or SiteAir()
    filled = replace(train, nozzle_lift_kg=nozzle_lift_kg)
    density = air.density_kgpm3
    size = float(diameter_m(filled, density))
    if not size < filled.burst_diameter_m:
        raise InputError(
            f"a nozzle lift of {nozzle_lift_kg:.2f} kg swells the balloon to {size:.2f} m at the "
            f"site; it bursts at {filled.burst_diameter_m:.2f} m"
        )
    site_m = float(standard_height_m(air.pressure_pa))
    mass = float(gas_mass_kg(filled.total_lift_kg, filled.gas, filled.gas_purity))
    volume = float(gas_volume_m3(filled.total_lift_kg, density, filled.gas, filled.gas_purity))
    standard = volume * air.pressure_pa / STANDARD_PRESSURE_PA
    standard *= STANDARD_TEMPERATURE_K / air.temperature_k
    fill = Fill(
        filled,
        mass,
        volume,
        standard,
        size,
        float(ascent_rate_mps(filled, air.pressure_pa, air.temperature_k)),
        mean_rate_mps(filled, site_m),
        burst_height_m(filled),
        (),
    )
    return replace(fill, warnings=_warnings(fill, surface_wind_mps, wanted_burst_m))


def _warnings(fill: Fill, wind_mps: float | None, wanted_burst_m: float | None) -> tuple[str, ...]:
    """What a careful crew would say about a fill."""
    said = []
    if wind_mps is not None and wind_mps > HIGHEST_WIND_TO_RISE * fill.release_rate_mps:
        said.append(
            f"too little free lift for the wind: at {wind_mps:.0f} m/s and a rise of "
            f"{fill.release_rate_mps:.1f} m/s the train leaves low and may drag"
        )
    slow, fast = USUAL_ASCENT_MPS
    if fill.mean_rate_mps < slow:
        said.append(
            f"slow: it rises at {fill.mean_rate_mps:.2f} m/s, below the usual {slow:.2f} m/s; it "
            "drifts far and may not burst"
        )
    if fill.mean_rate_mps > fast:
        said.append(
            f"fast: it rises at {fill.mean_rate_mps:.2f} m/s, above the usual {fast:.2f} m/s; the "
            "balloon bursts lower and measurements blur"
        )
    if wanted_burst_m is not None and fill.burst_height_m < wanted_burst_m - _BURST_READ_TO_M:
        said.append(
            f"bursts low: at about {fill.burst_height_m / 1e3:.1f} km instead of the wanted "
            f"{wanted_burst_m / 1e3:.1f} km"
        )
    return tuple(said)


def mean_rate_mps(train: FlightTrain, from_m: float = 0.0) -> float:
    """Mean ascent rate from a height to the burst in standard air. [m s⁻¹]"""
    height = np.linspace(from_m, max(burst_height_m(train), from_m + 1.0), 200)
    air = standard_atmosphere(height)
    pace = 1.0 / ascent_rate_mps(train, air.pressure_pa, air.temperature_k)
    return float(1.0 / np.mean(0.5 * (pace[1:] + pace[:-1])))


def fill_for_ascent_rate(
    train: FlightTrain, wanted_mps: float, air: SiteAir | None = None, **wishes: float | None
) -> Fill:
    """The fill whose mean ascent rate is the wanted one.

    Raises
    ------
    InputError
        If no fill short of bursting at the site rises so fast, or any rises so slowly.
    """
    air = air or SiteAir()
    site_m = float(standard_height_m(air.pressure_pa))

    def missing(lift_kg: float) -> float:
        return mean_rate_mps(replace(train, nozzle_lift_kg=lift_kg), site_m) - wanted_mps

    lift = _between(missing, train, air, f"a rise of {wanted_mps:.1f} m/s")
    return fill_for_lift(train, lift, air, **wishes)


def fill_for_burst_height(
    train: FlightTrain, wanted_m: float, air: SiteAir | None = None, **wishes: float | None
) -> Fill:
    """The fill that bursts at the wanted height: less gas bursts higher.

    Raises
    ------
    InputError
        If even a fill that hardly rises bursts lower than that.
    """
    air = air or SiteAir()

    def missing(lift_kg: float) -> float:
        return wanted_m - burst_height_m(replace(train, nozzle_lift_kg=lift_kg))

    lift = _between(missing, train, air, f"a burst at {wanted_m / 1e3:.1f} km")
    return fill_for_lift(train, lift, air, **wishes)


def fill_for_gas(
    train: FlightTrain,
    standard_volume_m3: float,
    air: SiteAir | None = None,
    **wishes: float | None,
) -> Fill:
    """The fill that takes all of a given amount of gas.

    Parameters
    ----------
    standard_volume_m3 : float
        At 15 °C and 1013.25 hPa. [m³]

    Raises
    ------
    InputError
        If that does not lift the payload, or bursts the balloon.
    """
    density = float(air_density(STANDARD_PRESSURE_PA, STANDARD_TEMPERATURE_K))
    total = standard_volume_m3 * density * lift_fraction(train.gas, train.gas_purity)
    nozzle = total - train.balloon_mass_kg
    if not nozzle > train.payload_mass_kg:
        raise InputError(
            f"{standard_volume_m3:.2f} m³ of gas lift {total:.2f} kg; balloon and payload weigh "
            f"{train.balloon_mass_kg + train.payload_mass_kg:.2f} kg"
        )
    return fill_for_lift(train, nozzle, air, **wishes)


def _between(
    missing: Callable[[float], float], train: FlightTrain, air: SiteAir, what: str
) -> float:
    """Nozzle lift at which a rising function is zero, by halving. [kg]"""
    low = train.payload_mass_kg * (1.0 + 1e-4)
    fullest = np.pi / 6.0 * train.burst_diameter_m**3 * air.density_kgpm3
    total = fullest * lift_fraction(train.gas, train.gas_purity)
    high = 0.999 * total - train.balloon_mass_kg
    if high <= low or missing(low) > 0.0 or missing(high) < 0.0:
        raise InputError(
            f"{what} cannot be had with this balloon and payload; nozzle lifts from "
            f"{low:.2f} kg to {max(high, low):.2f} kg were tried"
        )
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if missing(middle) > 0.0 else (middle, high)
    return high


def explain_conflict(
    train: FlightTrain, wanted_mps: float, wanted_burst_m: float, air: SiteAir | None = None
) -> str | None:
    """Say why an ascent rate and a burst height cannot be had together.

    Returns
    -------
    str or None
        None if the fill for the rate bursts at the wanted height or above.
    """
    quick = fill_for_ascent_rate(train, wanted_mps, air)
    if quick.burst_height_m >= wanted_burst_m:
        return None
    said = (
        f"Filled to rise at {wanted_mps:.1f} m/s the balloon bursts at about "
        f"{quick.burst_height_m / 1e3:.1f} km, {(wanted_burst_m - quick.burst_height_m) / 1e3:.1f} "
        f"km short of {wanted_burst_m / 1e3:.1f} km."
    )
    try:
        high = fill_for_burst_height(train, wanted_burst_m, air)
    except InputError:
        return f"{said} No fill reaches that height; take a larger balloon or less payload."
    return (
        f"{said} Filled to reach it, it rises at only {high.mean_rate_mps:.1f} m/s. Take a larger "
        "balloon or less payload, or give up one of the two."
    )


def compressibility(gas: Gas, pressure_pa: float, temperature_k: float) -> float:
    """Real-gas factor Z of the gas in a cylinder: p V = Z n R T. [1]

    Within 0.5 % for 230 to 335 K up to 300 bar; sources beside the coefficients above.
    """
    if gas is Gas.HYDROGEN:
        warmth, pressure_mpa = 100.0 / temperature_k, pressure_pa / 1e6
        terms = (a * math.pow(warmth, b) * math.pow(pressure_mpa, c) for a, b, c in _HYDROGEN_TERMS)
        return 1.0 + sum(terms)
    return 1.0 + _HELIUM_VIRIAL * pressure_pa / (GAS_CONSTANT * temperature_k)


def amount_mol(gas: Gas, volume_m3: float, pressure_pa: float, temperature_k: float) -> float:
    """Gas in a cylinder of a water volume, with the real-gas factor. [mol]"""
    z = compressibility(gas, pressure_pa, temperature_k)
    return pressure_pa * volume_m3 / (z * GAS_CONSTANT * temperature_k)


def cylinders(
    gas: Gas,
    standard_volume_m3: float,
    *,
    cylinder_m3: float,
    pressure_pa: float,
    left_pa: float = 2e5,
    temperature_k: float = STANDARD_TEMPERATURE_K,
    pressure_at_k: float = STANDARD_TEMPERATURE_K,
) -> int:
    """How many cylinders hold an amount of gas.

    Parameters
    ----------
    standard_volume_m3 : float
        At 15 °C and 1013.25 hPa. [m³]
    cylinder_m3 : float
        Water volume of one cylinder. [m³]
    pressure_pa, left_pa : float
        Absolute pressure when full, and that at which a cylinder gives no more: what the
        regulator needs, and what is to stay in it. [Pa]
    temperature_k : float
        Of the cylinders in use: decides how much stays in them. [K]
    pressure_at_k : float
        At which `pressure_pa` is meant: 15 °C for what is stamped or ordered, the cylinder's
        own for what a gauge shows on it. [K]

    Notes
    -----
    A cylinder holds what it was filled with: the cold lowers its pressure and adds no gas. With
    the real-gas factor: at 200 bar a hydrogen cylinder holds 11 % less than the ideal gas law
    says.

    Raises
    ------
    InputError
        If a cylinder gives nothing.
    """
    full = amount_mol(gas, cylinder_m3, pressure_pa, pressure_at_k)
    usable = full - amount_mol(gas, cylinder_m3, left_pa, temperature_k)
    if not usable > 0.0:
        raise InputError("a cylinder must hold more pressure than is left in it, and volume")
    needed = standard_volume_m3 * STANDARD_PRESSURE_PA / (GAS_CONSTANT * STANDARD_TEMPERATURE_K)
    return math.ceil(needed / usable - 1e-9)


@dataclass(frozen=True)
class Cylinders:
    """The cylinders at hand, and how they are read.

    Parameters
    ----------
    water_m3 : float
        Water volume of one. [m³]
    pressure_pa, left_pa : float
        Pressure when full, and that at which one gives no more: what the regulator needs, and
        what is to stay in it. [Pa]
    is_gauge : bool
        Whether both pressures are above that of the air, as gauges show them; else absolute.
    is_read_now : bool
        Whether the full pressure was read on the cylinder as it is now; else it is what is
        stamped on it or was ordered, meant at 15 °C.
    temperature_k : float or None
        Of the cylinders in use; None: as the air at the site. [K]
    """

    water_m3: float = 0.05
    pressure_pa: float = 200e5
    left_pa: float = 2e5
    is_gauge: bool = False
    is_read_now: bool = False
    temperature_k: float | None = None

    def count_for(self, gas: Gas, standard_volume_m3: float, air: SiteAir) -> int:
        """How many of them hold an amount of gas (at 15 °C and 1013.25 hPa) at a site.

        Raises
        ------
        InputError
            If a cylinder gives nothing.
        """
        warmth_k = air.temperature_k if self.temperature_k is None else self.temperature_k
        above_pa = air.pressure_pa if self.is_gauge else 0.0
        return cylinders(
            gas,
            standard_volume_m3,
            cylinder_m3=self.water_m3,
            pressure_pa=self.pressure_pa + above_pa,
            left_pa=self.left_pa + above_pa,
            temperature_k=warmth_k,
            pressure_at_k=warmth_k if self.is_read_now else STANDARD_TEMPERATURE_K,
        )


def fill_time_s(standard_volume_m3: float, flow_m3ps: float) -> float:
    """Time to fill at a steady flow of gas at standard conditions. [s]

    A mid-size balloon commonly takes about ten minutes (common practice, no source).
    """
    if not flow_m3ps > 0.0:
        raise InputError(f"the flow of gas must be above zero; it is {flow_m3ps}")
    return standard_volume_m3 / flow_m3ps


#: What is said with every fill, in the terminal and on paper: one text for each gas. Common
#: practice of those who fill balloons; local rules and licensed practice come first.
GAS_CAUTIONS = {
    Gas.HYDROGEN: (
        "Hydrogen burns with a flame that is hard to see and needs only the faintest spark: "
        "ventilate, bond and earth, no flames, phones or bystanders near; touch earthed metal "
        "before you touch the balloon; if a leak burns, close the valve. Local rules and "
        "trained people come first."
    ),
    Gas.HELIUM: (
        "Helium displaces the air you breathe: ventilate, and never breathe it. Secure the "
        "cylinders. Local rules and trained people come first."
    ),
}
