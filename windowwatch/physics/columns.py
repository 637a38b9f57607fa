"""Weather columns: from pressure levels over model terrain to nodes in height.

A column is described by nodes, from the ground up, between which quantities are linear
in height (pressure in its logarithm). Surface winds join below, the standard atmosphere
above. Nothing is filled in: a value that the forecast did not give is NaN, and so are
the spans on both sides of it. Humidity alone may be missing: such air is taken as dry.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from windowwatch.physics import constants as c
from windowwatch.physics.atmosphere import (
    geometric_height_m,
    geopotential_radius_m,
    gravity_mps2,
    standard_atmosphere,
    virtual_factor,
)

FloatArray = NDArray[np.float64]
AnyFloat = NDArray[np.floating]

#: Nodes of the joined standard atmosphere lie this far apart. [m]
_UPPER_STEP_M = 1_000.0
#: Over this height the forecast's departure from the standard temperature fades out. [m]
#: Judgement: of the order of the scale height, so that no kink is felt.
BLEND_M = 5_000.0
#: A level nearer than this above a surface wind is left to the surface wind. [m] Judgement.
_NEAR_SURFACE_M = 20.0
#: Lapse below the lowest level above ground, the standard one. [K m⁻¹]
_LAPSE_KPM = 6.5e-3
#: Foot of every column, below any ground on Earth. [m]
_FOOT_M = -1_000.0
#: The standard temperature as a table: looked up far faster than computed.
_STANDARD_M = np.arange(-1_000.0, 86_001.0, 100.0)
_STANDARD_K = standard_atmosphere(_STANDARD_M).temperature_k


class Nodes(NamedTuple):
    """Columns as nodes, arrays [columns, nodes]; heights never fall along a column.

    `log_pressure` is that of dry air as dense as the moist air is. `top_m` and `lightness`,
    which is by what share the lowest air above ground is lighter than dry air, are [columns].
    """

    wind_m: FloatArray
    u_mps: FloatArray
    v_mps: FloatArray
    air_m: FloatArray
    temperature_k: FloatArray
    log_pressure: FloatArray
    top_m: FloatArray
    lightness: FloatArray


class SurfaceWind(NamedTuple):
    """Wind at a height above ground, arrays [columns]."""

    above_ground_m: float
    u_mps: AnyFloat
    v_mps: AnyFloat


def column_nodes(
    pressure_pa: FloatArray,
    latitude_deg: FloatArray,
    terrain_m: FloatArray,
    levels: tuple[AnyFloat, AnyFloat, AnyFloat, AnyFloat],
    surface: list[SurfaceWind],
    upper_m: float,
    specific_humidity: AnyFloat | None = None,
) -> Nodes:
    """Nodes of every column.

    Parameters
    ----------
    pressure_pa : array [L], falling
    latitude_deg, terrain_m : array [columns]
    levels : four arrays [columns, L]
        Eastward and northward wind, temperature, geopotential height.
    surface : list of SurfaceWind, lowest first
    upper_m : float
        Height up to which the standard atmosphere is joined on. [m]
    specific_humidity : array [columns, L], optional
        NaN, or left out, where the air is to be taken as dry. [kg kg⁻¹]
    """
    u, v, temperature, geopotential = (np.asarray(x, dtype=np.float64) for x in levels)
    height = geometric_height_m(geopotential, latitude_deg[:, np.newaxis])
    lost = np.isnan(height)
    if lost.any():
        height = _between_neighbours(height, lost, pressure_pa)
        u, v, temperature = (np.where(lost, np.nan, x) for x in (u, v, temperature))
    top_m = np.max(height, axis=1, where=~lost, initial=-np.inf)
    wind_m, (u, v) = _join_surface(height, [u, v], terrain_m, surface)
    factor = np.ones_like(height)
    if specific_humidity is not None:
        factor = virtual_factor(np.nan_to_num(specific_humidity, copy=True, nan=0.0))
    log_pressure = np.where(lost, np.nan, np.log(pressure_pa)[np.newaxis, :] - np.log(factor))
    floor = np.where(np.isfinite(terrain_m), terrain_m, -np.inf)
    quantities = [temperature, log_pressure, factor]
    air_m, (temperature, log_pressure, factor) = _drop_below(height, quantities, floor)
    air = _extend(air_m, temperature, log_pressure, factor[:, 0], latitude_deg, upper_m)
    return Nodes(wind_m, u, v, *air, top_m, 1.0 - 1.0 / factor[:, 0])


def _between_neighbours(
    height: FloatArray, lost: NDArray[np.bool_], pressure_pa: FloatArray
) -> FloatArray:
    """A height for levels that came without one, only to keep the order of nodes.

    Every value there is NaN, so any height between the neighbours says the same.
    """
    index = np.arange(height.shape[1])
    below = np.maximum.accumulate(np.where(lost, -1, index), axis=1)
    rows = np.arange(height.shape[0])[:, np.newaxis]
    lower = height[rows, np.maximum(below, 0)]
    above = np.minimum.accumulate(np.where(lost, index.size, index)[:, ::-1], axis=1)[:, ::-1]
    upper = height[rows, np.minimum(above, index.size - 1)]
    guess = np.where(below >= 0, lower + 1e-3, upper - 1e-3)
    empty = (below < 0) & (above == index.size)
    standard = 16_000.0 * (5.0 - np.log10(pressure_pa))  # a column without any height at all
    guess = np.where(empty, standard[np.newaxis, :], guess)
    return np.asarray(np.where(lost, guess, height))


def _drop_below(
    height: FloatArray, values: list[FloatArray], floor_m: FloatArray
) -> tuple[FloatArray, list[FloatArray]]:
    """Fold nodes at or under a floor into the first one above it."""
    under = height <= floor_m[:, np.newaxis]
    first = np.minimum(under.sum(axis=1), height.shape[1] - 1)[:, np.newaxis]
    buried = under.all(axis=1, keepdims=True)
    folded = [
        np.where(buried, np.nan, np.where(under, np.take_along_axis(x, first, axis=1), x))
        for x in values
    ]
    return np.where(under, np.take_along_axis(height, first, axis=1), height), folded


def _join_surface(
    height: FloatArray,
    values: list[FloatArray],
    terrain_m: FloatArray,
    surface: list[SurfaceWind],
) -> tuple[FloatArray, list[FloatArray]]:
    """Wind nodes: surface winds over the terrain, then the levels above them."""
    if not surface:
        floor = np.where(np.isfinite(terrain_m), terrain_m, -np.inf)
        return _drop_below(height, values, floor)
    joined = [terrain_m + wind.above_ground_m for wind in surface]
    floor = joined[-1] + _NEAR_SURFACE_M
    keep = np.isfinite(floor)
    under = (height <= floor[:, np.newaxis]) & keep[:, np.newaxis]
    stacked = [np.where(under, joined[-1][:, np.newaxis], height)]
    for levels, component in zip(values, (1, 2), strict=True):
        last = np.asarray(surface[-1][component], dtype=np.float64)
        stacked.append(np.where(under, last[:, np.newaxis], levels))
    heads = [
        np.stack([np.where(keep, z, height[:, 0]) for z in joined], axis=1),
        np.stack([np.asarray(wind.u_mps, dtype=np.float64) for wind in surface], axis=1),
        np.stack([np.asarray(wind.v_mps, dtype=np.float64) for wind in surface], axis=1),
    ]
    heads[1:] = [np.where(keep[:, np.newaxis], head, np.nan) for head in heads[1:]]
    nodes = [np.concatenate([h, s], axis=1) for h, s in zip(heads, stacked, strict=True)]
    return nodes[0], nodes[1:]


def _extend(
    height: FloatArray,
    temperature: FloatArray,
    log_pressure: FloatArray,
    lowest_factor: FloatArray,
    latitude_deg: FloatArray,
    upper_m: float,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Carry temperature and pressure on to the foot and, hydrostatically, to the top."""
    surface_g, radius = gravity_mps2(latitude_deg), geopotential_radius_m(latitude_deg)
    z, t, p = height[:, 0], temperature[:, 0], log_pressure[:, 0]
    foot_t = t + _LAPSE_KPM * (z - _FOOT_M)
    warmth = 0.5 * (t + foot_t) * lowest_factor  # virtual: moist air weighs less
    foot_p = p + surface_g / (c.AIR_GAS_CONSTANT * warmth) * (z - _FOOT_M)
    nodes = [(np.full_like(z, _FOOT_M), foot_t, foot_p)]
    nodes += zip(height.T, temperature.T, log_pressure.T, strict=True)
    top_m, t, p = (x[:, -1] for x in (height, temperature, log_pressure))
    departure = t - np.interp(top_m, _STANDARD_M, _STANDARD_K)
    rungs = int(np.ceil(max(upper_m - float(top_m.min()), 0.0) / _UPPER_STEP_M))
    for k in range(1, rungs + 1):
        z = top_m + k * _UPPER_STEP_M
        fade = max(0.0, 1.0 - k * _UPPER_STEP_M / BLEND_M)
        next_t = np.interp(z, _STANDARD_M, _STANDARD_K) + fade * departure
        g = surface_g * (radius / (radius + z - 0.5 * _UPPER_STEP_M)) ** 2
        p = p - g * _UPPER_STEP_M / (c.AIR_GAS_CONSTANT * 0.5 * (t + next_t))
        t = next_t
        nodes.append((z, t, p))
    stacked = np.array(nodes)  # [nodes, 3, columns]
    z, t, p = (np.ascontiguousarray(stacked[:, j].T) for j in range(3))
    return z, t, p
