"""Made-up air for tests: grids from formulas, and a slow, independent integrator."""

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import solve_ivp
from scipy.interpolate import RegularGridInterpolator

from windowwatch.physics.atmosphere import gravity_mps2, standard_atmosphere
from windowwatch.physics.balloon import ascent_rate_mps, burst_density_kgpm3, lift_fraction
from windowwatch.physics.constants import AIR_GAS_CONSTANT
from windowwatch.physics.earth import radii_of_curvature_m
from windowwatch.physics.flights import Launches
from windowwatch.physics.train import FlightTrain, descent_rate_mps
from windowwatch.physics.windgrid import DEFAULT_HEIGHTS, WindGrid

FloatArray = NDArray[np.float64]
Wind = Callable[[FloatArray, FloatArray, FloatArray, FloatArray], tuple[Any, Any]]

#: 2026-05-04T00:00Z. [s]
MONDAY = 1_777_852_800.0


def train(**changes: Any) -> FlightTrain:
    """A 1.2 kg balloon with 1.5 kg under it, with changes."""
    given: dict[str, Any] = {
        "balloon_mass_kg": 1.2,
        "payload_mass_kg": 1.5,
        "nozzle_lift_kg": 2.6,
        "burst_diameter_m": 8.63,
        "parachute_area_m2": 1.28,
    }
    return FlightTrain(**(given | changes))


def launches(
    latitude_deg: Any, longitude_deg: Any, height_m: Any = 0.0, time_unix_s: Any = MONDAY
) -> Launches:
    """Launches from numbers or arrays, broadcast."""
    arrays = np.broadcast_arrays(
        *(np.atleast_1d(np.asarray(x, dtype=np.float64))
          for x in (latitude_deg, longitude_deg, height_m, time_unix_s))
    )  # fmt: skip
    return Launches(*(np.array(x) for x in arrays))


def grid(
    wind: Wind,
    *,
    latitude_deg: Any = None,
    longitude_deg: Any = None,
    time_unix_s: Any = None,
    height_m: FloatArray = DEFAULT_HEIGHTS,
    terrain_m: Any = 0.0,
    isothermal: bool = False,
    warmth: Wind | None = None,
    members: int = 1,
) -> WindGrid:
    """Grid whose wind is a formula of time [s since Monday], latitude, longitude, height.

    The air is the standard atmosphere, or isothermal (250 K, so that the logarithm of
    density is linear in height); `warmth` adds to the temperature.
    """
    latitude = np.arange(43.0, 49.1, 0.5) if latitude_deg is None else latitude_deg
    longitude = np.arange(-38.0, -31.9, 0.5) if longitude_deg is None else longitude_deg
    time = MONDAY + np.arange(0.0, 30.1 * 3600, 3 * 3600.0) if time_unix_s is None else time_unix_s
    axes = np.meshgrid(time - MONDAY, latitude, longitude, height_m, indexing="ij", sparse=True)
    shape = (time.size, latitude.size, longitude.size, height_m.size)
    air = np.empty((members, *shape, 4), dtype=np.float32)
    u, v = wind(*axes)
    air[..., 0], air[..., 1] = np.broadcast_to(u, shape), np.broadcast_to(v, shape)
    if isothermal:
        air[..., 2] = 250.0
        air[..., 3] = np.log(101_325.0) - 9.80665 / (AIR_GAS_CONSTANT * 250.0) * height_m
    else:
        standard = standard_atmosphere(height_m)
        air[..., 2], air[..., 3] = standard.temperature_k, np.log(standard.pressure_pa)
        if warmth is not None:
            air[..., 2] += np.broadcast_to(warmth(*axes)[0], shape).astype(np.float32)
    return WindGrid(
        time_unix_s=time,
        height_m=height_m,
        latitude_deg=latitude,
        longitude_deg=longitude,
        air=air,
        terrain_m=np.broadcast_to(
            np.asarray(terrain_m, dtype=np.float32), (latitude.size, longitude.size)
        ).copy(),
        top_height_m=31_000.0,
        cycle_unix_s=MONDAY,
        member_labels=tuple(f"m{i}" for i in range(members)),
    )


def slow_flight(
    air: WindGrid, start: Launches, flown: FlightTrain, levels_pa: Sequence[float] = ()
) -> dict[str, float]:
    """One flight by an adaptive integrator over *time*, with the same physics.

    Of each pressure level `up_0`, `down_0` and so on are the times at which it passes.
    """
    axes = (air.time_unix_s, air.latitude_deg, air.longitude_deg, air.height_m)
    look = RegularGridInterpolator(axes, air.air[0].astype(np.float64))
    ground = RegularGridInterpolator(axes[1:3], air.terrain_m.astype(np.float64))
    if air.moisture is not None:  # weighed in moist air, the same lift takes more gas
        here = (start.time_unix_s[0], start.latitude_deg[0], start.longitude_deg[0])
        near = tuple(int(np.abs(a - x).argmin()) for a, x in zip(axes[:3], here, strict=True))
        share = lift_fraction(flown.gas, flown.gas_purity)
        total = flown.total_lift_kg * share / (share - float(air.moisture[near]))
        flown = replace(flown, nozzle_lift_kg=total - flown.balloon_mass_kg)
    burst = burst_density_kgpm3(flown)

    def seen(t: float, y: FloatArray) -> tuple[FloatArray, float, float]:
        column = look((t, y[0], y[1], y[2]))
        density = np.exp(column[3]) / (AIR_GAS_CONSTANT * column[2])
        return column, float(density), float(gravity_mps2(start.latitude_deg[0], y[2]))

    def slope(t: float, y: FloatArray, rising: bool) -> list[float]:
        column, density, g = seen(t, y)
        if rising:
            w = float(ascent_rate_mps(flown, np.exp(column[3]), column[2], g))
        else:
            w = -float(descent_rate_mps(flown, density, g))
        meridian, across = radii_of_curvature_m(y[0])
        north = np.degrees(column[1] / (meridian + y[2]))
        east = np.degrees(column[0] / ((across + y[2]) * np.cos(np.radians(y[0]))))
        return [float(north), float(east), w]

    def bursts(t: float, y: FloatArray, _: bool) -> float:
        return float(np.log(seen(t, y)[1] / burst))

    def lands(_t: float, y: FloatArray, _: bool) -> float:
        return float(y[2] - ground(y[:2])[0])

    def passing(level_pa: float) -> Callable[[float, FloatArray, bool], float]:
        return lambda t, y, _: float(seen(t, y)[0][3] - np.log(level_pa))

    levels = [passing(each) for each in levels_pa]
    bursts.terminal = lands.terminal = True  # type: ignore[attr-defined]
    t0 = float(start.time_unix_s[0])
    y0 = [float(x[0]) for x in (start.latitude_deg, start.longitude_deg, start.height_m)]
    close = {"rtol": 1e-9, "atol": 1e-9, "max_step": 30.0}
    up = solve_ivp(slope, (t0, t0 + 20_000), y0, events=[bursts, *levels], args=(True,), **close)
    down = solve_ivp(
        slope, (up.t[-1], up.t[-1] + 20_000), up.y[:, -1], events=[lands, *levels],
        args=(False,), **close
    )  # fmt: skip
    times = {
        f"{way}_{i}": float(found.t_events[i + 1][0])
        for way, found in (("up", up), ("down", down))
        for i in range(len(levels))
    }
    return times | {
        "burst_time": float(up.t[-1]), "burst_latitude": float(up.y[0, -1]),
        "burst_longitude": float(up.y[1, -1]), "burst_height": float(up.y[2, -1]),
        "time": float(down.t[-1]), "latitude": float(down.y[0, -1]),
        "longitude": float(down.y[1, -1]), "height": float(down.y[2, -1]),
    }  # fmt: skip


def whole_air(grid: WindGrid) -> NDArray[np.float32]:
    """Air of all members at the grid's times, [M, T, Y, X, H, 4]."""
    return np.stack([grid.air_of(member) for member in range(len(grid.member_labels))])
