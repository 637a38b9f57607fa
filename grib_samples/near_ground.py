"""Weather at the ground of the invented week: wind, gust, temperature, pressure, CAPE."""

from typing import Any

import numpy as np
from air import GAS_OVER_GRAVITY, GRAVITY_MPS2, Columns, columns, day_wave, slowed_by_ground
from island import GRID_LATITUDE_DEG, GRID_LONGITUDE_DEG, FloatArray, land_fraction, terrain_m
from scenario import Departure
from sky import Sky, ceiling_m, rain_sum_mm, sky

_GAS_DRY = GAS_OVER_GRAVITY * GRAVITY_MPS2
_HEAT_CP = 1004.0
_LATENT_J_PER_KG = 2.5e6
_LOWEST_PA = 100000.0


def model_ground() -> tuple[FloatArray, FloatArray]:
    """Orography [m] and share of land [1] as the model has them: means over its grid cells.

    Returns
    -------
    two arrays [13, 13], rows from north to south
        Rounded as they stand in the files, so that surface pressure fits the file's orography.
    """
    half = np.linspace(-0.25, 0.25, 21)
    latitude = GRID_LATITUDE_DEG[:, None, None, None] + half[None, None, :, None]
    longitude = GRID_LONGITUDE_DEG[None, :, None, None] + half[None, None, None, :]
    height = terrain_m(latitude, longitude).mean(axis=(2, 3))
    land = land_fraction(latitude, longitude).mean(axis=(2, 3))
    return np.rint(height), np.rint(land * 100.0) / 100.0


def friction(
    speed_mps: FloatArray, day: FloatArray, cloud: FloatArray, land: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Turn of the wind at the ground [rad] and depth of the friction layer [m].

    Over the sea the layer is deep and the turn small. Over land it follows the sun: well mixed
    by day; on a clear night with little wind shallow and cut off from the wind above.
    """
    calm = 1.0 / (1.0 + (speed_mps / 11.0) ** 3)
    stable = 0.5 * (1.0 - day) * calm * (1.0 - 0.6 * cloud)
    turn_deg = 12.0 + land * (8.0 + 11.0 * stable)
    depth_m = 380.0 + land * (140.0 - 330.0 * stable)
    return np.radians(turn_deg), depth_m


def _saturation_ratio(temperature_k: FloatArray, pressure_pa: FloatArray) -> FloatArray:
    """Mixing ratio over water at saturation, Magnus form. [kg/kg]"""
    celsius = temperature_k - 273.15
    vapour_pa = 611.2 * np.exp(17.67 * celsius / (celsius + 243.5))
    ratio: FloatArray = 0.622 * vapour_pa / np.maximum(pressure_pa - vapour_pa, 1.0)
    return ratio


def _moist_fall(temperature_k: FloatArray, pressure_pa: FloatArray) -> FloatArray:
    """Cooling of rising wet air for each unit of depth ln(1/p). [K]"""
    ratio = _saturation_ratio(temperature_k, pressure_pa)
    heat = _HEAT_CP + _LATENT_J_PER_KG**2 * ratio * 0.622 / (_GAS_DRY * temperature_k**2)
    fall: FloatArray = (_GAS_DRY * temperature_k + _LATENT_J_PER_KG * ratio) / heat
    return fall


def cape_jpkg(
    air: Columns, zeta_ground: FloatArray, temperature_k: FloatArray, dew_point_k: FloatArray
) -> FloatArray:
    """Energy of a parcel lifted from the ground against the temperature of the column. [J/kg]

    Dry to its condensation level, then along the pseudo-adiabat; moisture is left out of the
    buoyancy, which lowers the result by some tens of joules.
    """
    wet_at_k = 1.0 / (1.0 / (dew_point_k - 56.0) + np.log(temperature_k / dew_point_k) / 800.0)
    wet_at_k = wet_at_k + 56.0  # Bolton 1980, eq. 15 (from memory)
    step = 0.04
    parcel, energy = temperature_k, np.zeros(np.shape(temperature_k))
    for count in range(1, 43):
        zeta = zeta_ground + count * step
        pressure = _LOWEST_PA * np.exp(-(zeta - step / 2.0))
        dry = _GAS_DRY * parcel / _HEAT_CP
        halfway = parcel - 0.5 * step * _moist_fall(parcel, pressure)
        fall = np.where(parcel > wet_at_k, dry, _moist_fall(halfway, pressure))
        parcel = parcel - step * fall
        warmer = np.maximum(parcel - air.temperature_k(zeta), 0.0)
        energy = energy + _GAS_DRY * warmer * step
    return energy


def _visibility_m(clouds: Sky, spread_k: FloatArray, speed_mps: FloatArray) -> FloatArray:
    """Visibility: 24 km in dry air, less in rain, and mist where air is damp and still. [m]"""
    rain = 24000.0 / (1.0 + 1.1 * clouds.rain_mmph**0.8)
    damp = np.exp(-((spread_k / 0.9) ** 2)) * np.exp(-((speed_mps / 3.5) ** 2))
    visibility: FloatArray = rain * (1.0 - 0.92 * damp) * (1.0 - 0.35 * clouds.moistness)
    return visibility


def near_ground(
    time_h: Any,
    departure: Departure,
    latitude_deg: Any,
    longitude_deg: Any,
    orography_m: FloatArray,
    land: FloatArray,
) -> dict[str, FloatArray]:
    """Every surface field of one forecast.

    Parameters
    ----------
    time_h : array_like [T, 1, 1]
        Valid times. [h]
    departure : Departure
    latitude_deg, longitude_deg : array_like, [Y, 1] and [X]
    orography_m, land : array [Y, X]
        Ground of the model.

    Returns
    -------
    dict of name to array [T, Y, X]
        Names are those of the table in `encode`; SI units, cloud in %, rain in mm and mm/h.
    """
    air = columns(latitude_deg, longitude_deg, time_h, departure)
    clouds = sky(latitude_deg, longitude_deg, time_h, departure, land)
    day = day_wave(time_h, longitude_deg) + np.zeros(np.shape(clouds.low_pct))
    cover = clouds.total_pct / 100.0
    zeta = air.zeta_at_height(orography_m + 0.0 * day)
    free = air.geostrophic_mps(zeta)
    turn, depth = friction(np.abs(free), day, cover, land)
    wind10, wind100, wind400 = (
        slowed_by_ground(free, z, turn, depth) for z in (10.0, 100.0, 400.0)
    )
    speed = np.abs(wind10)
    clear = 1.0 - 0.65 * cover
    column_k = air.temperature_k(zeta)
    swing = np.where(day > 0.0, 2.6, 3.2 / (1.0 + (speed / 4.0) ** 2)) * day * land * clear
    temperature = column_k + swing
    spread = 4.2 - 3.1 * clouds.moistness - 0.8 * clouds.frontness
    dew_point = np.minimum(column_k - spread, temperature - 0.2)
    spread = temperature - dew_point
    cape = cape_jpkg(air, zeta, temperature, dew_point)
    mixed = 0.38 + land * (0.12 + 0.22 * np.clip(day, 0.0, 1.0) * clear)
    gust = speed + mixed * np.maximum(np.abs(wind400) - speed, 0.0)
    gust = gust + 1.0 + 0.9 * land * np.clip(day, 0.0, 1.0) * clear + 3.0 * clouds.frontness
    return {
        "wind_u_10m": wind10.real,
        "wind_v_10m": wind10.imag,
        "wind_u_100m": wind100.real,
        "wind_v_100m": wind100.imag,
        "gust": gust,
        "temperature_2m": temperature,
        "dew_point_2m": dew_point,
        "pressure_surface": _LOWEST_PA * np.exp(-zeta),
        "pressure_msl": _LOWEST_PA * np.exp(-air.zeta_at_height(np.zeros(np.shape(zeta)))),
        "cloud_low": clouds.low_pct,
        "cloud_middle": clouds.middle_pct,
        "cloud_high": clouds.high_pct,
        "cloud_total": clouds.total_pct,
        "ceiling": ceiling_m(clouds, spread),
        "visibility": _visibility_m(clouds, spread, speed),
        "precipitation_rate": clouds.rain_mmph / 3600.0,
        "precipitation": rain_sum_mm(latitude_deg, longitude_deg, time_h, departure, land),
        "cape": cape,
    }


def aloft(
    zeta: Any,
    time_h: Any,
    departure: Departure,
    latitude_deg: Any,
    longitude_deg: Any,
    orography_m: FloatArray,
    land: FloatArray,
) -> dict[str, FloatArray]:
    """Wind, temperature and height on isobaric levels ``zeta = ln(1000 hPa / p)`` [L].

    Returns
    -------
    dict of ``u``, ``v``, ``t``, ``gh`` to array [T, L, Y, X]
        [m/s], [m/s], [K], [gpm]
    """
    air = columns(latitude_deg, longitude_deg, time_h, departure)
    cover = sky(latitude_deg, longitude_deg, time_h, departure, land).total_pct / 100.0
    day = day_wave(time_h, longitude_deg)
    ground = air.zeta_at_height(orography_m + 0.0 * cover)
    turn, depth = friction(np.abs(air.geostrophic_mps(ground)), day, cover, land)
    fields: dict[str, list[FloatArray]] = {"u": [], "v": [], "t": [], "gh": []}
    for level in np.asarray(zeta, dtype=np.float64):
        height = air.geopotential_height_m(level)
        wind = air.geostrophic_mps(level)
        wind = slowed_by_ground(wind, height - orography_m, turn, depth)
        fields["u"].append(wind.real)
        fields["v"].append(wind.imag)
        fields["t"].append(air.temperature_k(level))
        fields["gh"].append(height)
    return {name: np.stack(planes, axis=1) for name, planes in fields.items()}
