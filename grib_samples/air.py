"""The air of the invented week: temperature first, then heights, then wind.

Temperature is a fixed profile plus a sum of products: a horizontal pattern [K] times a
vertical shape over the depth ``zeta = ln(1000 hPa / p)``. The hypsometric equation can then be
summed once per shape, so heights are hydrostatic by construction, and the wind follows from
the gradient of the height of a pressure surface, taken over 0.02 degree on the patterns
themselves (never on the coarse grid). Near the ground the wind is slowed and turned by the
Ekman spiral with slip. See README.md for the sources.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from island import FloatArray
from numpy.typing import NDArray
from scenario import (
    FRONTS,
    KM_PER_DEGREE,
    SYSTEM_SPEED_KMPH,
    WAVE_LENGTH_KM,
    Departure,
    Front,
    plane_km,
)

ComplexArray = NDArray[np.complex128]

#: Gas constant of dry air over standard gravity. [m/K]
GAS_OVER_GRAVITY = 287.053 / 9.80665
GRAVITY_MPS2 = 9.80665
_EARTH_RATE_PER_S = 7.292e-5
_GRADIENT_STEP_DEG = 0.02

# --- vertical shapes ------------------------------------------------------------------------
_ZETA: FloatArray = np.arange(-0.12, 5.5, 0.005)


def _rise(zeta: FloatArray, middle: float, width: float) -> FloatArray:
    """Smooth step from 0 below `middle` to 1 above it."""
    step: FloatArray = 0.5 * (1.0 + np.tanh((zeta - middle) / width))
    return step


def _mean_profile_k(zeta: FloatArray) -> FloatArray:
    """Mean temperature: 6.2 K/km to the tropopause, even air above, warming from 20 km up."""
    surface_k, lapse_k_per_m = 284.5, 0.0061
    troposphere = surface_k * np.exp(-zeta * GAS_OVER_GRAVITY * lapse_k_per_m)
    stratosphere = 218.5 + 2.4 * np.logaddexp(0.0, (zeta - 3.2) / 0.25)
    # A soft maximum of the two rounds the tropopause over about a kilometre.
    soft_k = 1.5
    return np.asarray(soft_k * np.logaddexp(troposphere / soft_k, stratosphere / soft_k))


def _shapes() -> FloatArray:
    """Vertical shapes of all patterns, in the order of `_patterns`. [K, fine depth]"""
    z = _ZETA
    jet = (1.0 - _rise(z, 1.24, 0.2)) - 0.84 * _rise(z, 1.46, 0.2) * (1.0 - _rise(z, 2.7, 0.3))
    low = 1.0 - _rise(z, 0.16, 0.06)
    middle = _rise(z, 0.16, 0.06) - _rise(z, 0.42, 0.08)
    upper = _rise(z, 0.42, 0.08) - _rise(z, 1.15, 0.12)
    # Over cold air the stratosphere is warm, and the other way round: the contrast of heights
    # that a front has built up to the tropopause is gone again some kilometres above it.
    above = _rise(z, 1.25, 0.12) * (1.0 - _rise(z, 2.4, 0.3))
    fronts = [
        part - 0.95 * np.sum(part[z >= 0.0]) / np.sum(above) * above
        for part in (low, middle, upper)
    ] * len(FRONTS)
    summer = _rise(z, 3.3, 0.35)
    swell = np.sin((z - 2.2) * 2.1) * _rise(z, 2.4, 0.3)
    ground = np.exp(-((np.maximum(z, -0.1) + 0.1) ** 2) / 0.17**2)
    warmth = (1.0 - _rise(z, 1.2, 0.2)) - 0.7 * _rise(z, 1.4, 0.2) * (1.0 - _rise(z, 2.6, 0.3))
    # Highs and lows of the weather fade in the stratosphere: cold air over a high, warm over
    # a low, so that a metre at 1000 hPa is a tenth of a metre above 20 hPa.
    lid = _rise(z, 1.6, 0.25) * (1.0 - _rise(z, 3.2, 0.35))
    lid = -0.9 * lid / (GAS_OVER_GRAVITY * np.sum(lid) * (z[1] - z[0]))
    return np.stack([jet, *fronts, summer, swell, lid, ground, warmth])


def _thickness(shape: FloatArray) -> FloatArray:
    """Height over the 1000 hPa surface for a temperature shape: hypsometric equation. [m]"""
    steps = 0.5 * (shape[..., 1:] + shape[..., :-1]) * np.diff(_ZETA)
    total = np.concatenate([np.zeros((*shape.shape[:-1], 1)), np.cumsum(steps, axis=-1)], -1)
    origin = int(np.argmin(np.abs(_ZETA)))
    return np.asarray(GAS_OVER_GRAVITY * (total - total[..., origin : origin + 1]))


_SHAPES = _shapes()
_THICKNESSES = _thickness(_SHAPES)
_MEAN_K = _mean_profile_k(_ZETA)
_MEAN_M = _thickness(_MEAN_K)
_GROUND_SHAPE = -2  # place of the daily cycle among the shapes


def _along(table: FloatArray, zeta: Any) -> FloatArray:
    """Rows of `table` at depths `zeta`: [K, *zeta.shape], or zeta.shape for one row."""
    place = np.clip((np.asarray(zeta) - _ZETA[0]) / (_ZETA[1] - _ZETA[0]), 0.0, _ZETA.size - 1.001)
    left = place.astype(np.intp)
    part = place - left
    value: FloatArray = table[..., left] * (1.0 - part) + table[..., left + 1] * part
    return value


# --- horizontal patterns --------------------------------------------------------------------
def front_distance_km(front: Front, east_km: Any, north_km: Any, system_h: Any) -> FloatArray:
    """How far a point lies ahead of a front; negative once it has passed. [km]"""
    ahead = np.cos(front.lean_rad) * east_km - np.sin(front.lean_rad) * north_km
    speed = SYSTEM_SPEED_KMPH * np.cos(front.lean_rad)
    return np.asarray(ahead - speed * (system_h - front.crossing_h), dtype=np.float64)


def _warm_tongue(ahead_km: FloatArray, width_km: float) -> FloatArray:
    """1 in the warm air just ahead of a front, 0 behind it, fading far ahead. [1]"""
    far = width_km * np.logaddexp(0.0, ahead_km / width_km)
    tongue: FloatArray = _rise(ahead_km, 0.0, width_km) * np.exp(-0.5 * (far / 1700.0) ** 2)
    return tongue


def _trough(ahead_km: FloatArray) -> FloatArray:
    """Depth of a front's trough: a rounded crease, long behind and shorter ahead. [1]"""
    reach_km = 420.0 - 50.0 * np.tanh(ahead_km / 150.0)
    crease = 0.22
    depth: FloatArray = np.exp(crease - np.sqrt((ahead_km / reach_km) ** 2 + crease**2))
    return depth


def day_wave(time_h: Any, longitude_deg: Any) -> FloatArray:
    """The sun's daily beat: +1 about 14:30 local solar time, -1 about dawn. [1]"""
    east_deg = np.mod(np.asarray(longitude_deg) + 180.0, 360.0) - 180.0
    angle = 2.0 * np.pi * (np.asarray(time_h, dtype=np.float64) + east_deg / 15.0 - 14.5) / 24.0
    # The second beat makes the morning's rise shorter than the evening's fall.
    return np.asarray((np.cos(angle) + 0.22 * np.sin(2.0 * angle)) / 1.1, dtype=np.float64)


def _patterns(
    latitude_deg: Any, longitude_deg: Any, time_h: Any, departure: Departure
) -> tuple[FloatArray, FloatArray]:
    """Patterns [K, ...] of temperature and the height of the 1000 hPa surface [m]."""
    x, y = plane_km(latitude_deg, longitude_deg)
    hour = np.asarray(time_h, dtype=np.float64)
    system_h, growth = departure.system_time_h(hour), departure.growth(hour)
    ridge = 1.0 - departure.ridge_gain * growth
    # Ridges and troughs: the jet swings north and south; the troughs follow the fronts.
    turn = 2.0 * np.pi * (x - SYSTEM_SPEED_KMPH * (system_h - FRONTS[0].crossing_h - 9.0))
    swing = turn / WAVE_LENGTH_KM
    side = 2.0 * np.pi * (x - 52.0 * (system_h - 30.0)) / 2300.0
    axis_km = 310.0 - 215.0 * ridge * np.cos(swing) + 60.0 * np.cos(side)
    jet = -5.2 * np.tanh((y - axis_km) / 540.0)
    height = 128.0 - 0.055 * y - 24.0 * ridge * np.cos(swing - 0.55)
    layers = []
    for front in FRONTS:
        ahead = front_distance_km(front, x, y, system_h)
        seen, deeper_north = departure.strength(front, hour), 1.0 + 0.25 * np.tanh(y / 700.0)
        height = height - seen * front.trough_m * (_trough(ahead) - 0.25) * deeper_north
        for back_km, width_km, strength_k in (
            (0.0, 120.0, front.low_k),
            (150.0, 170.0, front.middle_k),
            (340.0, 260.0, front.upper_k),
        ):
            layers.append(seen * strength_k * (_warm_tongue(ahead + back_km, width_km) - 0.4))
    summer = 0.0022 * y
    swell = 1.1 * np.cos(2.0 * np.pi * (x - 0.4 * y - 21.0 * hour) / 2900.0)
    island = np.exp(-((x / 260.0) ** 2) - (y / 300.0) ** 2)
    ground = 1.3 * island * day_wave(hour, longitude_deg)
    waves = departure.wave_gain * growth
    warmth = 0.55 * waves * departure.warmth_waves.at(x, y, hour)
    height = height + 9.0 * waves * departure.height_waves.at(x, y, hour)
    lid = height - 128.0
    # Warming by day lowers the surface pressure so that nothing changes above the warm layer.
    height = height - ground * _THICKNESSES[_GROUND_SHAPE, -1]
    patterns = np.broadcast_arrays(jet, *layers, summer, swell, lid, ground, warmth, height)
    return np.stack(patterns[:-1]), patterns[-1]


# --- the columns ----------------------------------------------------------------------------
@dataclass(frozen=True)
class Columns:
    """Patterns over points and times, and their gradients; everything else follows.

    Attributes
    ----------
    patterns, east, north : float64 array [K, ...]
        Temperature patterns [K] and their gradients [K/m].
    height_m, height_east, height_north : float64 array [...]
        The 1000 hPa surface [m] and its slope [1].
    coriolis_per_s : float64 array, broadcastable to [...]
    """

    patterns: FloatArray
    east: FloatArray
    north: FloatArray
    height_m: FloatArray
    height_east: FloatArray
    height_north: FloatArray
    coriolis_per_s: FloatArray

    def _at(self, table: FloatArray, zeta: Any) -> FloatArray:
        """Rows of `table` at depths, shaped to go with `patterns`."""
        rows = _along(table, zeta)
        gap = (1,) * (self.patterns.ndim - rows.ndim)
        return rows.reshape(rows.shape[0], *gap, *rows.shape[1:])

    def temperature_k(self, zeta: Any) -> FloatArray:
        """Temperature at depths broadcastable to the points. [K]"""
        shape = self._at(_SHAPES, zeta)
        return np.asarray(_along(_MEAN_K, zeta) + np.sum(self.patterns * shape, axis=0))

    def geopotential_height_m(self, zeta: Any) -> FloatArray:
        """Geopotential height at depths broadcastable to the points. [m]"""
        thickness = np.sum(self.patterns * self._at(_THICKNESSES, zeta), axis=0)
        return np.asarray(self.height_m + _along(_MEAN_M, zeta) + thickness)

    def geostrophic_mps(self, zeta: Any) -> ComplexArray:
        """Geostrophic wind, eastward + i northward. [m/s]"""
        thickness = self._at(_THICKNESSES, zeta)
        slope_east = self.height_east + np.sum(self.east * thickness, axis=0)
        slope_north = self.height_north + np.sum(self.north * thickness, axis=0)
        wind: ComplexArray = GRAVITY_MPS2 / self.coriolis_per_s * (-slope_north + 1j * slope_east)
        return wind

    def zeta_at_height(self, height_m: Any) -> FloatArray:
        """Depth at which the column has a geopotential height near the ground. [1]"""
        zeta = (np.asarray(height_m) - self.height_m) / (GAS_OVER_GRAVITY * 285.0)
        for _ in range(4):
            miss = self.geopotential_height_m(zeta) - height_m
            zeta = zeta - miss / (GAS_OVER_GRAVITY * self.temperature_k(zeta))
        return zeta


def columns(latitude_deg: Any, longitude_deg: Any, time_h: Any, departure: Departure) -> Columns:
    """Columns of air at points and hours.

    Parameters
    ----------
    latitude_deg, longitude_deg, time_h : array_like, broadcastable
        [deg], [deg], [h since `scenario.EPOCH`]
    departure : Departure
        Which forecast is asked.
    """
    latitude = np.asarray(latitude_deg, dtype=np.float64)
    longitude = np.asarray(longitude_deg, dtype=np.float64)
    step = _GRADIENT_STEP_DEG
    here, height = _patterns(latitude, longitude, time_h, departure)
    e1, he1 = _patterns(latitude, longitude + step, time_h, departure)
    e0, he0 = _patterns(latitude, longitude - step, time_h, departure)
    n1, hn1 = _patterns(latitude + step, longitude, time_h, departure)
    n0, hn0 = _patterns(latitude - step, longitude, time_h, departure)
    across_m = 2.0 * step * KM_PER_DEGREE * 1000.0
    east_m = across_m * np.cos(np.radians(latitude))
    return Columns(
        here,
        (e1 - e0) / east_m,
        (n1 - n0) / across_m,
        height,
        (he1 - he0) / east_m,
        (hn1 - hn0) / across_m,
        2.0 * _EARTH_RATE_PER_S * np.sin(np.radians(latitude)),
    )


def slowed_by_ground(
    wind_mps: ComplexArray, height_above_ground_m: Any, turn_rad: Any, depth_m: Any
) -> ComplexArray:
    """Wind in the friction layer: the Ekman spiral with slip at the ground.

    Parameters
    ----------
    wind_mps : complex array
        Geostrophic wind at the height in question, eastward + i northward. [m/s]
    height_above_ground_m : array_like
        Heights below ground are taken as the ground.
    turn_rad : array_like
        Angle by which the wind at the ground is turned towards low pressure. [rad]
    depth_m : array_like
        Scale depth of the spiral. [m]
    """
    scaled = np.maximum(height_above_ground_m, 0.0) / depth_m
    lag = np.sqrt(2.0) * np.sin(turn_rad) * np.exp(1j * (np.asarray(turn_rad) + 0.75 * np.pi))
    slowed: ComplexArray = wind_mps * (1.0 + lag * np.exp(-(1.0 + 1j) * scaled))
    return slowed
