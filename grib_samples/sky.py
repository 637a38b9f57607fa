"""Cloud and rain of the invented week, hung on the fronts and on the sun.

Cloud and rain are prescribed round the fronts (a band of rain and low cloud along the line,
high cloud far ahead, showers in the cold air behind, heaps over land by day) with a texture
that drifts through; they are not computed from moisture. What is consistent: total cloud from
the layers, rain only under cloud, ceiling only where the cover makes one.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from air import day_wave, front_distance_km
from island import FloatArray
from scenario import FRONTS, SEED, Departure, Waves, plane_km

#: Ceiling in the files where there is none. [m]
NO_CEILING_M = 20000.0
#: Cover from which a layer makes a ceiling: more than half the sky. [%]
CEILING_COVER_PCT = 50.0


def _texture() -> Waves:
    """Patches of 250 to 600 km that drift through, the same in every forecast."""
    rng = np.random.default_rng([SEED, 1000])
    length_km = rng.uniform(250.0, 600.0, 9)
    heading = rng.uniform(-1.3, 1.3, 9)
    east = 2.0 * np.pi / length_km * np.cos(heading)
    north = 2.0 * np.pi / length_km * np.sin(heading)
    return Waves(east, north, 34.0 * east, rng.uniform(0.0, 2.0 * np.pi, 9))


_TEXTURE = _texture()


@dataclass(frozen=True)
class Sky:
    """Cloud cover [%] by layer and in all, and rate of rain [mm/h]; arrays [T, Y, X]."""

    low_pct: FloatArray
    middle_pct: FloatArray
    high_pct: FloatArray
    total_pct: FloatArray
    rain_mmph: FloatArray
    frontness: FloatArray  #: 1 on a front's line, 0 far from any; scaled by its wetness
    moistness: FloatArray  #: 1 in the warm air just ahead of a front, 0 in dry air


def _band(ahead_km: FloatArray, middle_km: float, width_km: float) -> FloatArray:
    band: FloatArray = np.exp(-(((ahead_km - middle_km) / width_km) ** 2))
    return band


def _ahead(ahead_km: FloatArray, reach_km: float) -> FloatArray:
    """1 at the line, fading ahead over `reach_km`; 0 behind."""
    fade = np.exp(-np.maximum(ahead_km, 0.0) / reach_km)
    ahead: FloatArray = fade * 0.5 * (1.0 + np.tanh((ahead_km + 20.0) / 60.0))
    return ahead


def sky(
    latitude_deg: Any, longitude_deg: Any, time_h: Any, departure: Departure, land: FloatArray
) -> Sky:
    """Cloud and rain at points and hours of one forecast.

    Parameters
    ----------
    latitude_deg, longitude_deg, time_h : array_like, broadcastable
        [deg], [deg], [h]
    departure : Departure
    land : array, broadcastable
        Share of land. [1]
    """
    x, y = plane_km(latitude_deg, longitude_deg)
    system_h = departure.system_time_h(time_h)
    texture = _TEXTURE.at(x, y, system_h)
    day = day_wave(time_h, longitude_deg)
    heaps = land * np.clip(day, 0.0, 1.0)
    none = np.zeros(np.shape(texture))
    clear_low, clear_middle, clear_high = none + 1.0, none + 1.0, none + 1.0
    rain, frontness, moistness = none, none, none
    for front in FRONTS:
        ahead = front_distance_km(front, x, y, system_h)
        near, warm = _band(ahead, 0.0, 70.0), _ahead(ahead, 420.0)
        cold = _ahead(-ahead - 60.0, 520.0)
        edge = 0.5 * (1.0 + np.tanh((y - front.south_edge_km) / 45.0))
        wet = departure.strength(front, time_h) * front.wet * edge
        strong = wet**0.5
        low = np.maximum(0.97 * _band(ahead, -30.0, 130.0), 0.62 * warm + 0.13 * texture * warm)
        low = np.maximum(low, cold * (0.34 + 0.22 * heaps + 0.16 * texture))
        clear_low = clear_low * (1.0 - strong * np.clip(low, 0.0, 1.0))
        middle = np.clip(0.96 * _band(ahead, 20.0, 190.0) + 0.10 * texture * warm, 0.0, 1.0)
        clear_middle = clear_middle * (1.0 - strong * middle)
        clear_high = clear_high * (1.0 - wet * 0.92 * _band(ahead, 300.0, 330.0))
        showers = cold * np.clip(texture - 0.45, 0.0, 2.0) * (0.5 + 0.7 * heaps)
        line = 5.2 * _band(ahead, -25.0, 70.0) * (1.0 + 0.25 * np.tanh(texture))
        rain = rain + wet * (line + 0.9 * _band(ahead, 90.0, 110.0) + 0.9 * showers)
        frontness = frontness + wet * near
        moistness = moistness + strong * warm
    dawn = np.clip(-day, 0.0, 1.0) ** 2
    fair = 0.09 + 0.20 * heaps + 0.10 * texture + 0.10 * land * dawn * np.tanh(texture)
    low = 1.0 - clear_low * (1.0 - np.clip(fair, 0.0, 1.0))
    middle = 1.0 - clear_middle * (1.0 - np.clip(0.05 + 0.06 * texture, 0.0, 1.0))
    high = 1.0 - clear_high * (1.0 - np.clip(0.10 + 0.10 * _TEXTURE.at(y, x, -system_h), 0.0, 1.0))
    total = 1.0 - (1.0 - low) * (1.0 - middle) * (1.0 - high)  # layers lie at random
    covered = np.clip((np.maximum(low, middle) - 0.2) / 0.25, 0.0, 1.0)  # no rain from blue sky
    rain = np.where(rain * covered < 0.03, 0.0, rain * covered)
    return Sky(
        100.0 * low,
        100.0 * middle,
        100.0 * high,
        100.0 * total,
        rain,
        np.minimum(frontness, 1.0),
        np.minimum(moistness, 1.0),
    )


def ceiling_m(clouds: Sky, spread_k: FloatArray) -> FloatArray:
    """Height of the ceiling above ground; `NO_CEILING_M` where less than half is covered.

    Low cloud has its base where rising air from the ground grows wet: 125 m for each kelvin
    between temperature and dew point (Espy's rule, from memory). Middle cloud lies at 2500 m.
    """
    low_base = np.clip(125.0 * spread_k, 120.0, 2000.0)
    low_base = low_base - 0.5 * (low_base - 120.0) * clouds.frontness
    low_or_middle = 100.0 - (100.0 - clouds.low_pct) * (100.0 - clouds.middle_pct) / 100.0
    upper = np.where(low_or_middle > CEILING_COVER_PCT, 2500.0, NO_CEILING_M)
    ceiling: FloatArray = np.where(clouds.low_pct > CEILING_COVER_PCT, low_base, upper)
    return ceiling


def rain_sum_mm(
    latitude_deg: Any, longitude_deg: Any, end_h: Any, departure: Departure, land: FloatArray
) -> FloatArray:
    """Rain of the three hours that end at `end_h`, by Simpson's rule over half hours. [mm]"""
    weights = np.array([1.0, 4.0, 2.0, 4.0, 2.0, 4.0, 1.0]) / 6.0
    total = np.zeros(np.broadcast_shapes(*map(np.shape, (latitude_deg, longitude_deg, end_h))))
    for back_h, weight in zip(np.arange(-3.0, 0.1, 0.5), weights, strict=True):
        hour = np.asarray(end_h, dtype=np.float64) + back_h
        total += weight * sky(latitude_deg, longitude_deg, hour, departure, land).rain_mmph
    return total
