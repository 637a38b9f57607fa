"""Weather of an archive as flights and checks see it: heights found, holes kept, axes laid. Pure.

Where an archive has no geopotential, heights come from temperature and humidity by the
hypsometric equation, from the pressure at the ground, or at sea level, up.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from windowwatch.errors import MissingFieldError
from windowwatch.physics.atmosphere import specific_humidity, virtual_factor
from windowwatch.physics.constants import AIR_GAS_CONSTANT, STANDARD_GRAVITY_MPS2
from windowwatch.physics.surface import CellMethod, SurfaceGrid, TimeCells
from windowwatch.physics.windgrid import LevelRun, WindGrid, build_wind_grid
from windowwatch.survey.names import NEAR_GROUND
from windowwatch.units import FloatArray

Plane = NDArray[np.float32]

_R_OVER_G = AIR_GAS_CONSTANT / STANDARD_GRAVITY_MPS2
#: Below the lowest level it grows warmer by the standard lapse. [K m⁻¹]
_LAPSE_KPM = 6.5e-3
#: What a value is of its interval, where it is of one.
_OF_INTERVAL = {
    "precipitation_mm": CellMethod.SUM,
    "precipitation_rate_mmph": CellMethod.MEAN,
    "gust_mps": CellMethod.MAXIMUM,
}


def hydrostatic_heights_m(
    level_pa: FloatArray,
    temperature_k: NDArray[np.floating],
    humidity: NDArray[np.floating] | None,
    base_pa: NDArray[np.floating],
    base_m: NDArray[np.floating],
) -> FloatArray:
    """Geopotential heights of pressure levels, from temperature and humidity.

    Parameters
    ----------
    level_pa : array [L], falling
    temperature_k : array [T, L, Y, X]
    humidity : array [T, L, Y, X], optional
        Specific humidity; NaN, or left out, where the air is to be taken as dry. [kg kg⁻¹]
    base_pa, base_m : array [T, Y, X], [Y, X]
        A pressure and the geopotential height at which it is: of the ground, or of the sea.

    Returns
    -------
    array [T, L, Y, X]
        [gpm] NaN from the first missing temperature on, away from the base.

    Notes
    -----
    The hypsometric equation (WMO-No. 8, chapter on upper-air measurements), virtual temperature
    linear in the logarithm of pressure between levels. Where the base lies below the lowest level
    it grows warmer downwards by 6.5 K/km. Levels below the base get the heights that they would
    have; terrain takes them away later.
    """
    virtual = np.asarray(temperature_k, dtype=np.float64)
    if humidity is not None:
        virtual = virtual * virtual_factor(np.nan_to_num(np.asarray(humidity, np.float64), nan=0.0))
    rise = -np.diff(np.log(level_pa))
    layers = 0.5 * (virtual[:, 1:] + virtual[:, :-1]) * rise[None, :, None, None]
    above = np.concatenate([np.zeros_like(virtual[:, :1]), np.cumsum(layers, axis=1)], axis=1)
    at_base = _integral_at(level_pa, virtual, above, np.asarray(base_pa, dtype=np.float64))
    return np.asarray(base_m + _R_OVER_G * (above - at_base[:, None]))


def _integral_at(
    level_pa: FloatArray, virtual_k: FloatArray, above: FloatArray, base_pa: FloatArray
) -> FloatArray:
    """Integral of virtual temperature over log pressure, from the lowest level to the base."""
    log_base = np.log(base_pa)
    over = log_base - np.log(level_pa[0])  # how far the base lies under the lowest level
    lowest = virtual_k[:, 0]
    under = -0.5 * lowest * (1.0 + np.exp(_LAPSE_KPM * _R_OVER_G * over)) * over
    out = np.where(over >= 0.0, under, np.nan)
    for k in range(level_pa.size - 1):
        here = (base_pa < level_pa[k]) & (base_pa >= level_pa[k + 1])
        if not here.any():
            continue
        up, whole = np.log(level_pa[k]) - log_base, np.log(level_pa[k] / level_pa[k + 1])
        at = virtual_k[:, k] + (virtual_k[:, k + 1] - virtual_k[:, k]) * up / whole
        out = np.where(here, above[:, k] + 0.5 * (virtual_k[:, k] + at) * up, out)
    return np.asarray(out)


@dataclass(frozen=True)
class Raw:
    """Some times of an archive, cut to an area: levels fall, latitudes and longitudes rise.

    `aloft` holds arrays [T, L, Y, X] by the names of `survey.names.ALOFT`, `near` arrays
    [S, Y, X] by surface fields, at times of their own.
    """

    time_unix_s: FloatArray
    near_time_unix_s: FloatArray
    level_pa: FloatArray
    latitude_deg: FloatArray
    longitude_deg: FloatArray
    aloft: Mapping[str, Plane]
    near: Mapping[str, Plane]
    terrain_m: Plane
    land_fraction: Plane | None
    interval_h: Mapping[str, float]


def lay(raw: Raw, now_unix_s: float, threads: int = 1) -> tuple[WindGrid, SurfaceGrid]:
    """Air on fixed heights, and fields near the ground.

    Parameters
    ----------
    raw : Raw
    now_unix_s : float
        From when errors of the weather would grow: past all of it for weather that was. [s]
    threads : int
    """
    moist = _humidity(raw)
    run = LevelRun(
        raw.time_unix_s,
        raw.level_pa,
        raw.aloft["u"][None],
        raw.aloft["v"][None],
        raw.aloft["t"][None],
        heights_m(raw, moist)[None],
        wind_u_10m_mps=_at_times_aloft(raw, "wind_u_10m_mps"),
        wind_v_10m_mps=_at_times_aloft(raw, "wind_v_10m_mps"),
        wind_u_100m_mps=_at_times_aloft(raw, "wind_u_100m_mps"),
        wind_v_100m_mps=_at_times_aloft(raw, "wind_v_100m_mps"),
        specific_humidity=None if moist is None else moist[None],
    )
    wind = build_wind_grid(
        run,
        latitude_deg=raw.latitude_deg,
        longitude_deg=raw.longitude_deg,
        terrain_m=raw.terrain_m,
        cycle_unix_s=now_unix_s,
        threads=threads,
    )
    cells = {
        name: TimeCells(_OF_INTERVAL[name], raw.near_time_unix_s - 3600.0 * hours)
        for name, hours in raw.interval_h.items()
        if name in raw.near and name in _OF_INTERVAL
    }
    surface = SurfaceGrid(
        raw.near_time_unix_s,
        raw.latitude_deg,
        raw.longitude_deg,
        {name: values[None] for name, values in raw.near.items() if name in NEAR_GROUND},
        raw.land_fraction,
        cells,
    )
    return wind, surface


def heights_m(raw: Raw, moist: Plane | None) -> Plane:
    """Geopotential heights: the archive's own, or worked out.

    Raises
    ------
    MissingFieldError
        If there is nothing to begin from.
    """
    if "gh" in raw.aloft:
        return raw.aloft["gh"]
    terrain = raw.terrain_m.astype(np.float64)
    for name, base_m in (("pressure_surface_pa", terrain), ("pressure_msl_pa", 0.0 * terrain)):
        if name in raw.near:
            base_pa = _to_times(raw.near[name], raw.near_time_unix_s, raw.time_unix_s)
            found = hydrostatic_heights_m(raw.level_pa, raw.aloft["t"], moist, base_pa, base_m)
            return found.astype(np.float32)
    raise MissingFieldError("neither geopotential nor a pressure to work heights out from")


def _humidity(raw: Raw) -> Plane | None:
    if "q" in raw.aloft:
        return raw.aloft["q"]
    if "r" not in raw.aloft:
        return None
    pressure = raw.level_pa[None, :, None, None]
    made = specific_humidity(raw.aloft["r"], raw.aloft["t"], pressure)
    return np.asarray(made, dtype=np.float32)


def _at_times_aloft(raw: Raw, name: str) -> Plane | None:
    """A field near the ground at the times of the air aloft [1, T, Y, X]; None if it is away."""
    if name not in raw.near:
        return None
    return _to_times(raw.near[name], raw.near_time_unix_s, raw.time_unix_s)[None]


def _to_times(values: Plane, have_s: FloatArray, want_s: FloatArray) -> Plane:
    """Planes at those times that are there; NaN at all others."""
    if np.array_equal(have_s, want_s):
        return values
    out = np.full((want_s.size, *values.shape[1:]), np.nan, dtype=np.float32)
    spots = np.minimum(np.searchsorted(have_s, want_s), have_s.size - 1)
    there = have_s[spots] == want_s
    out[there] = values[spots[there]]
    return out


def even_times(present_s: FloatArray, first_s: float, last_s: float, step_s: float) -> FloatArray:
    """Times of a span, with those that are missing from it put in at the usual distance.

    A hole is seen as a time at which nothing is known, never bridged: without this, air of the
    week before would be blended into that of the week after.
    """
    inside = present_s[(present_s >= first_s) & (present_s <= last_s)]
    knots = np.concatenate([[first_s - step_s], inside, [last_s + step_s]])
    filled = [inside]
    for before, after in pairwise(knots):
        if after - before > 1.5 * step_s:
            begin = before if before in inside else _grid_from(present_s, first_s, step_s) - step_s
            filled.append(np.arange(begin + step_s, after - 0.25 * step_s, step_s))
    every = np.unique(np.concatenate(filled))
    return every[(every >= first_s) & (every <= last_s)]


def _grid_from(present_s: FloatArray, first_s: float, step_s: float) -> float:
    """First time from `first_s` on at a whole number of steps from the archive's own."""
    origin = float(present_s[0]) if present_s.size else 0.0
    return origin + float(np.ceil((first_s - origin) / step_s)) * step_s
