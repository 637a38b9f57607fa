"""Air: the 1976 standard atmosphere, density, viscosity, gravity and heights.

Everything here takes arrays of any shape. Heights are geometric above mean sea level
unless the name says geopotential.
"""

from typing import Any, NamedTuple

import numpy as np

from windowwatch.errors import InputError
from windowwatch.physics import constants as c
from windowwatch.units import KELVIN_AT_0_C, FloatArray


class Air(NamedTuple):
    """State of still air: temperature [K], pressure [Pa], density [kg m⁻³]."""

    temperature_k: FloatArray
    pressure_pa: FloatArray
    density_kgpm3: FloatArray


def _layer_bases() -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Geopotential height, gradient, temperature and pressure at each layer's base."""
    base, lapse = np.array(c.USSA76_BASE_M), np.array(c.USSA76_LAPSE_KPM)
    temperature = np.empty_like(base)
    pressure = np.empty_like(base)
    temperature[0] = c.USSA76_SEA_LEVEL_TEMPERATURE_K
    pressure[0] = c.USSA76_SEA_LEVEL_PRESSURE_PA
    for i in range(base.size - 1):
        thick = base[i + 1] - base[i]
        temperature[i + 1] = temperature[i] + lapse[i] * thick
        pressure[i + 1] = pressure[i] * _pressure_ratio(temperature[i], lapse[i], thick)
    return base, lapse, temperature, pressure


def _pressure_ratio(temperature_k: Any, lapse_kpm: Any, thickness_m: Any) -> Any:
    """Pressure over its value at the base of a layer with a constant gradient."""
    g_over_r = c.STANDARD_GRAVITY_MPS2 / c.AIR_GAS_CONSTANT
    flat = lapse_kpm == 0.0
    slope = np.where(flat, 1.0, lapse_kpm)
    leaning = (temperature_k / (temperature_k + slope * thickness_m)) ** (g_over_r / slope)
    return np.where(flat, np.exp(-g_over_r * thickness_m / temperature_k), leaning)


_BASE_M, _LAPSE_KPM, _BASE_TEMPERATURE_K, _BASE_PRESSURE_PA = _layer_bases()


def standard_atmosphere(height_m: Any) -> Air:
    """Air of the 1976 standard atmosphere.

    Parameters
    ----------
    height_m : array_like
        Geometric height. Valid -5 000 m to 86 000 m. [m]

    Returns
    -------
    Air
        NaN where the height is NaN.

    Raises
    ------
    InputError
        If any height is outside the valid range.

    References
    ----------
    .. [1] "U.S. Standard Atmosphere, 1976", NOAA-S/T 76-1562, equations 18, 23, 33 and 42.

    Examples
    --------
    >>> round(float(standard_atmosphere(11_000.0).temperature_k), 3)
    216.774
    """
    height = np.asarray(height_m, dtype=np.float64)
    if np.any(height < -5_000.0) or np.any(height > c.USSA76_TOP_M):
        raise InputError(
            f"the standard atmosphere covers -5000 m to 86000 m; asked for "
            f"{np.nanmin(height):.0f} m to {np.nanmax(height):.0f} m"
        )
    geopotential = c.USSA76_RADIUS_M * height / (c.USSA76_RADIUS_M + height)
    layer = np.clip(np.searchsorted(_BASE_M, geopotential, side="right") - 1, 0, _BASE_M.size - 1)
    thickness = geopotential - _BASE_M[layer]
    molecular = _BASE_TEMPERATURE_K[layer] + _LAPSE_KPM[layer] * thickness
    pressure = _BASE_PRESSURE_PA[layer] * _pressure_ratio(
        _BASE_TEMPERATURE_K[layer], _LAPSE_KPM[layer], thickness
    )
    # air grows lighter above 80 km: temperature falls short of its molecular-scale value
    ratio_m = 80_000.0 + 500.0 * np.arange(len(c.USSA76_MOLAR_MASS_RATIO))
    ratio = np.interp(height, ratio_m, c.USSA76_MOLAR_MASS_RATIO)
    density = pressure / (c.AIR_GAS_CONSTANT * molecular)
    return Air(np.asarray(molecular * ratio), np.asarray(pressure), np.asarray(density))


def standard_height_m(pressure_pa: Any) -> FloatArray:
    """Geometric height at which the standard atmosphere has a pressure.

    Parameters
    ----------
    pressure_pa : array_like
        Above 0.3734 Pa (86 km). [Pa]

    Raises
    ------
    InputError
        If a pressure is not above that of 86 km.
    """
    pressure = np.asarray(pressure_pa, dtype=np.float64)
    if np.any(pressure < float(standard_atmosphere(c.USSA76_TOP_M).pressure_pa)):
        raise InputError(f"pressure {np.nanmin(pressure)} Pa is above the standard atmosphere")
    layer = np.clip(np.searchsorted(-_BASE_PRESSURE_PA, -pressure, "right") - 1, 0, 6)
    base_t, lapse = _BASE_TEMPERATURE_K[layer], _LAPSE_KPM[layer]
    log_ratio = np.log(pressure / _BASE_PRESSURE_PA[layer])
    r_over_g = c.AIR_GAS_CONSTANT / c.STANDARD_GRAVITY_MPS2
    flat = lapse == 0.0
    slope = np.where(flat, 1.0, lapse)
    leaning = base_t / slope * np.expm1(-r_over_g * slope * log_ratio)
    geopotential = _BASE_M[layer] + np.where(flat, -r_over_g * base_t * log_ratio, leaning)
    return np.asarray(c.USSA76_RADIUS_M * geopotential / (c.USSA76_RADIUS_M - geopotential))


def standard_density_height_m(density_kgpm3: Any) -> FloatArray:
    """Geometric height at which the standard atmosphere has a density, -5 km to 86 km.

    NaN for densities that it does not reach. Found in a table of 10 m steps, linear in
    the logarithm of density: error under 1 cm.
    """
    height = np.arange(-5_000.0, c.USSA76_TOP_M + 1.0, 10.0)
    log_density = np.log(standard_atmosphere(height).density_kgpm3)
    wanted = np.log(np.asarray(density_kgpm3, dtype=np.float64))
    return np.asarray(np.interp(-wanted, -log_density, height, left=np.nan, right=np.nan))


def air_density(
    pressure_pa: Any, temperature_k: Any, specific_humidity: Any | None = None
) -> FloatArray:
    """Density of air from the gas law.

    Parameters
    ----------
    pressure_pa, temperature_k : array_like
        [Pa], [K]
    specific_humidity : array_like, optional
        Mass of vapour in the mass of moist air; dry when left out. [kg kg⁻¹]

    Returns
    -------
    array
        [kg m⁻³] NaN where an input is NaN.

    Raises
    ------
    InputError
        If a temperature is not above zero.

    Notes
    -----
    Leaving humidity out makes saturated air at sea level too heavy by 0.6 % at 15 °C and
    1.6 % at 30 °C.

    Examples
    --------
    >>> round(float(air_density(101325.0, 288.15)), 4)
    1.225
    """
    temperature = np.asarray(temperature_k, dtype=np.float64)
    if np.any(temperature <= 0.0):
        raise InputError(f"temperature must be above 0 K; it is {np.nanmin(temperature)} K")
    if specific_humidity is not None:
        temperature = temperature * virtual_factor(specific_humidity)
    pressure = np.asarray(pressure_pa, dtype=np.float64)
    return np.asarray(pressure / (c.AIR_GAS_CONSTANT * temperature))


def virtual_factor(specific_humidity: Any) -> FloatArray:
    """Virtual over true temperature: how much warmer dry air of the same density would be. [1]

    Parameters
    ----------
    specific_humidity : array_like
        Mass of vapour in the mass of moist air. [kg kg⁻¹]
    """
    moist = np.asarray(specific_humidity, dtype=np.float64)
    return np.asarray(1.0 + (1.0 / c.WATER_TO_AIR - 1.0) * moist)


def saturation_pressure_pa(temperature_k: Any) -> FloatArray:
    """Pressure of saturated water vapour: over water above 0 °C, over ice below -20 °C. [Pa]

    Between the two, where cloud is of both, the share of water falls evenly with temperature.
    Weather models differ in where they change over; taking water for ice or back changes the
    density of air by less than 2e-4 (-20 °C, 600 hPa, saturated).

    References
    ----------
    .. [1] WMO-No. 8 (2018), annex 4.B, for both formulas. The change-over from 0 °C to -20 °C
       is that of the producer of GFS (from memory).

    Examples
    --------
    >>> round(float(saturation_pressure_pa(293.15)))
    2333
    """
    celsius = np.asarray(temperature_k, dtype=np.float64) - KELVIN_AT_0_C
    water, ice = (
        c.SATURATION_AT_0_C_PA * np.exp(factor * celsius / (celsius + offset))
        for factor, offset in (c.MAGNUS_WATER, c.MAGNUS_ICE)
    )
    share = np.clip(1.0 + celsius / 20.0, 0.0, 1.0)
    return np.asarray(share * water + (1.0 - share) * ice)


def specific_humidity(relative_humidity_pct: Any, temperature_k: Any, pressure_pa: Any) -> Any:
    """Mass of vapour in the mass of moist air, from relative humidity.

    Parameters
    ----------
    relative_humidity_pct, temperature_k, pressure_pa : array_like
        [%], [K], [Pa]

    Returns
    -------
    array
        [kg kg⁻¹] NaN where an input is NaN. Where vapour would be more than the air (far up,
        where formulas for saturation mean nothing), it is all vapour.
    """
    vapour = 0.01 * np.asarray(relative_humidity_pct) * saturation_pressure_pa(temperature_k)
    vapour = np.minimum(vapour, pressure_pa)
    return c.WATER_TO_AIR * vapour / (pressure_pa - (1.0 - c.WATER_TO_AIR) * vapour)


def viscosity_pas(temperature_k: Any) -> FloatArray:
    """Dynamic viscosity of air by Sutherland's law. [Pa s]

    References
    ----------
    .. [1] NOAA-S/T 76-1562, equation 51.

    Examples
    --------
    >>> float(np.round(viscosity_pas(288.15) * 1e5, 4))
    1.7894
    """
    temperature = np.asarray(temperature_k, dtype=np.float64)
    return np.asarray(c.SUTHERLAND_BETA * temperature**1.5 / (temperature + c.SUTHERLAND_S_K))


def gravity_mps2(latitude_deg: Any, height_m: Any = 0.0) -> FloatArray:
    """Acceleration of free fall, by Somigliana's formula and the inverse square of height.

    Returns
    -------
    array
        [m s⁻²]

    References
    ----------
    .. [1] NGA.STND.0036_1.0.0 (2014), equation 4-1, for the value on the ellipsoid.
    .. [2] WMO-No. 8 (2018), chapter 12: radius by latitude, for its fall with height.
    """
    sine2 = np.sin(np.radians(np.asarray(latitude_deg, dtype=np.float64))) ** 2
    surface = (
        c.GRAVITY_EQUATOR_MPS2 * (1.0 + c.SOMIGLIANA_K * sine2) / np.sqrt(1.0 - c.WGS84_E2 * sine2)
    )
    radius = geopotential_radius_m(latitude_deg)
    height = np.asarray(height_m, dtype=np.float64)
    return np.asarray(surface * (radius / (radius + height)) ** 2)


def geopotential_radius_m(latitude_deg: Any) -> FloatArray:
    """Radius that makes gravity fall off with height as it should, by latitude. [m]

    References
    ----------
    .. [1] WMO-No. 8, chapter on upper-air measurements (from memory):
       6378.137 km / (1.006803 - 0.006706 sin²φ).
    """
    sine2 = np.sin(np.radians(np.asarray(latitude_deg, dtype=np.float64))) ** 2
    return np.asarray(6_378_137.0 / (1.006803 - 0.006706 * sine2))


def geometric_height_m(geopotential_height_m: Any, latitude_deg: Any) -> FloatArray:
    """Geometric height of a geopotential height. [m]

    Treating one as the other costs 100 m to 220 m at 30 km, by latitude.
    """
    geopotential = np.asarray(geopotential_height_m, dtype=np.float64)
    scaled = geopotential * c.STANDARD_GRAVITY_MPS2 / gravity_mps2(latitude_deg)
    radius = geopotential_radius_m(latitude_deg)
    return np.asarray(radius * scaled / (radius - scaled))


def geopotential_height_m(height_m: Any, latitude_deg: Any) -> FloatArray:
    """Geopotential height of a geometric height. [gpm]"""
    height = np.asarray(height_m, dtype=np.float64)
    radius = geopotential_radius_m(latitude_deg)
    lowered = radius * height / (radius + height)
    return np.asarray(lowered * gravity_mps2(latitude_deg) / c.STANDARD_GRAVITY_MPS2)
