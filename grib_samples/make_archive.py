"""Make the invented archive: three years of analysed weather over Skerra, coarse, every six hours.

    python grib_samples/make_archive.py [--out FOLDER]

One Zarr store of some 40 MB, named and packed as a common reanalysis is. What is consistent, as
in the sample week: heights follow from temperature by the hypsometric equation, wind aloft from
the heights by the geostrophic balance, wind near the ground from that by friction and a turn.
What is prescribed: seasons (the contrast between south and north, and the stratosphere's turn
between west wind in winter and east wind in summer), travelling waves whose strength comes and
goes in spells of days, a slow ridge that holds for a week or two, cloud and rain ahead of the
troughs, showers by day in warm air. Visibility and cloud base are not in it, as they are not in
many archives. The same seed gives the same years.
"""

import argparse
import shutil
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr
from island import CENTRE_LATITUDE_DEG, CENTRE_LONGITUDE_DEG, FloatArray, land_fraction, terrain_m

HERE = Path(__file__).resolve().parent
NAME = "skerra-archive.zarr"
SEED = 20230101
FIRST, LAST = "2023-01-01T00", "2025-12-31T18"
STEP_H = 6
#: As they stand in the store: latitudes falling, longitudes 0 to 360. [deg]
LATITUDE_DEG: FloatArray = np.arange(52.0, 39.9, -1.5)
LONGITUDE_DEG: FloatArray = np.arange(315.0, 335.1, 1.5)
LEVELS_HPA = (1000, 925, 850, 700, 600, 500, 400, 300, 250, 200, 150, 100, 70, 50, 30, 20, 10)
#: A chunk is a month of 31 days, all levels, the whole area.
CHUNK_STEPS = 124

_GAS_OVER_GRAVITY = 287.053 / 9.80665
_GRAVITY = 9.80665
_KM_PER_DEGREE = 111.2
_YEAR_H = 8766.0
_ZETA: FloatArray = np.arange(-0.1, 4.8, 0.01)
_DEPTH: FloatArray = np.log(1000.0 / np.asarray(LEVELS_HPA, dtype=np.float64))


def _rise(zeta: Any, middle: float, width: float) -> FloatArray:
    return np.asarray(0.5 * (1.0 + np.tanh((np.asarray(zeta) - middle) / width)))


def _at_levels(shape: FloatArray) -> tuple[FloatArray, FloatArray]:
    """A temperature shape at the levels, and the height that it adds over 1000 hPa. [m K⁻¹]"""
    steps = 0.5 * (shape[1:] + shape[:-1]) * np.diff(_ZETA)
    total = np.concatenate([[0.0], np.cumsum(steps)])
    total = _GAS_OVER_GRAVITY * (total - np.interp(0.0, _ZETA, total))
    return np.interp(_DEPTH, _ZETA, shape), np.interp(_DEPTH, _ZETA, total)


def _shapes() -> dict[str, tuple[FloatArray, FloatArray]]:
    """Vertical shapes of temperature, each with its thickness."""
    z = _ZETA
    troposphere = 285.0 * np.exp(-z * _GAS_OVER_GRAVITY * 0.0061)
    stratosphere = 217.5 + 2.4 * np.logaddexp(0.0, (z - 3.2) / 0.25)
    mean = 1.5 * np.logaddexp(troposphere / 1.5, stratosphere / 1.5)
    jet = (1.0 - _rise(z, 1.24, 0.2)) - 0.84 * _rise(z, 1.46, 0.2) * (1.0 - _rise(z, 2.7, 0.3))
    warmth = (1.0 - _rise(z, 1.2, 0.2)) - 0.9 * _rise(z, 1.4, 0.2) * (1.0 - _rise(z, 2.6, 0.3))
    lid = _rise(z, 1.6, 0.25) * (1.0 - _rise(z, 3.2, 0.35))
    lid = -0.9 * lid / (_GAS_OVER_GRAVITY * np.sum(lid) * (z[1] - z[0]))  # of 1 m at 1000 hPa
    ground = np.exp(-((np.maximum(z, -0.1) + 0.1) ** 2) / 0.17**2)
    made = {"mean": mean, "jet": jet, "warmth": warmth, "lid": lid, "ground": ground,
            "summer": _rise(z, 3.0, 0.35)}  # fmt: skip
    return {name: _at_levels(shape) for name, shape in made.items()}


_SHAPES = _shapes()


@dataclass(frozen=True)
class Wave:
    """A plane wave: how deep at 1000 hPa [m], how warm [K], and where it goes."""

    depth_m: float
    warm_k: float
    east_per_km: float
    north_per_km: float
    per_hour: float
    phase: float


def _waves(rng: np.random.Generator, count: int = 9) -> list[Wave]:
    made = []
    for _ in range(count):
        length_km, heading = rng.uniform(2400.0, 5200.0), rng.uniform(-0.6, 0.6)
        east = 2.0 * np.pi / length_km * np.cos(heading)
        speed_kmph = rng.uniform(24.0, 50.0)
        size = length_km / 4000.0
        made.append(Wave(23.0 * size, 1.3, east, 2.0 * np.pi / length_km * np.sin(heading),
                         east * speed_kmph, rng.uniform(0.0, 2.0 * np.pi)))  # fmt: skip
    return made


def _spells(rng: np.random.Generator, hours: FloatArray, days: float) -> FloatArray:
    """A red noise of unit variance that forgets in so many days (an Ornstein-Uhlenbeck process)."""
    keep = np.exp(-STEP_H / (24.0 * days))
    kicks = rng.normal(size=hours.size) * np.sqrt(1.0 - keep**2)
    out = np.empty(hours.size)
    value = rng.normal()
    for i, kick in enumerate(kicks):
        value = keep * value + kick
        out[i] = value
    return out


class Pattern:
    """A horizontal pattern [T, Y, X] with its gradients to the east and north. [per km]"""

    def __init__(self, value: Any, east: Any = 0.0, north: Any = 0.0) -> None:
        self.value, self.east, self.north = value, east, north

    def __add__(self, other: "Pattern") -> "Pattern":
        return Pattern(self.value + other.value, self.east + other.east, self.north + other.north)


def _wave_pattern(wave: Wave, size: Any, lag: Any, x: Any, y: Any, hours: Any) -> Pattern:
    """``size`` [T, 1, 1] times the cosine of a wave, shifted by a phase."""
    angle = wave.east_per_km * x + wave.north_per_km * y - wave.per_hour * hours + wave.phase + lag
    slope = -size * np.sin(angle)
    return Pattern(size * np.cos(angle), slope * wave.east_per_km, slope * wave.north_per_km)


@dataclass(frozen=True)
class Patterns:
    """All horizontal patterns, of temperature by its shape [K] and of height at 1000 hPa [m]."""

    aloft: dict[str, Pattern]
    low: Pattern
    ahead: FloatArray  #: moist rising air ahead of troughs; about -2 to 2


def _patterns(hours: FloatArray) -> Patterns:
    """Patterns at all hours since `FIRST`."""
    rng = np.random.default_rng(SEED)
    waves, t = _waves(rng), hours[:, None, None]
    storm, ridge, drift = (_spells(rng, hours, days)[:, None, None] for days in (5.0, 11.0, 20.0))
    latitude = LATITUDE_DEG[None, :, None]
    y = (latitude - CENTRE_LATITUDE_DEG) * _KM_PER_DEGREE
    x = (LONGITUDE_DEG[None, None, :] - CENTRE_LONGITUDE_DEG - 360.0) * _KM_PER_DEGREE
    x = x * np.cos(np.radians(CENTRE_LATITUDE_DEG))
    winter = np.cos(2.0 * np.pi * (t - 24.0 * 25.0) / _YEAR_H)
    strength = np.minimum((1.0 + 0.35 * winter) * np.exp(0.35 * storm - 0.06), 1.9)
    low, warm, ahead = Pattern(0.0 * (t + x + y)), Pattern(0.0), 0.0
    for wave in waves:
        low += _wave_pattern(wave, -wave.depth_m * strength, 0.0, x, y, t)
        warm += _wave_pattern(wave, wave.warm_k * strength, -0.4 * np.pi, x, y, t)
        moist = _wave_pattern(wave, 0.47 * strength, -0.3 * np.pi, x, y, t)
        ahead = ahead + moist.value
    slow = Wave(1.0, 1.0, 2 * np.pi / 7000.0, 2 * np.pi / 9000.0, 0.0, 0.0)
    hold = 60.0 * np.maximum(ridge + 0.2 - 0.4 * winter, 0.0)
    low += _wave_pattern(slow, hold, 0.8 * drift, x, y, t)
    warm += _wave_pattern(slow, 0.03 * hold, 0.8 * drift, x, y, t)
    low += Pattern(-0.014 * (1.0 + winter) * y, 0.0, -0.014 * (1.0 + winter))
    contrast = -(4.2 + 1.3 * winter + 0.7 * storm) / 1000.0
    polar = -(2.2 + 6.0 * winter) / 1000.0
    day = np.cos(2.0 * np.pi * (t + LONGITUDE_DEG[None, None, :] / 15.0 - 24.0 - 14.5) / 24.0)
    land = _cells(land_fraction)[None]
    aloft = {
        "jet": Pattern(contrast * y, 0.0, contrast + 0.0 * y),
        "warmth": warm + Pattern(-5.5 * winter),
        "summer": Pattern(polar * y - 3.0 * winter, 0.0, polar + 0.0 * y),
        "lid": low,
        "ground": Pattern((1.5 + 4.5 * land) * day * (0.7 - 0.3 * winter)),
    }
    return Patterns(aloft, low, ahead - 0.012 * hold)


def _cells(of: Any) -> FloatArray:
    """Mean over each cell of the grid of something known everywhere [Y, X]."""
    off = (np.arange(7) - 3.0) / 7.0 * 1.5
    fine = of(
        (LATITUDE_DEG[:, None] + off)[:, :, None, None],
        (LONGITUDE_DEG[:, None] + off)[None, None, :, :],
    )
    return np.asarray(fine.mean(axis=(1, 3)))


def _aloft(patterns: Patterns, level: int) -> dict[str, FloatArray]:
    """Fields of one level [T, Y, X]."""
    t0, z0 = (part[level] for part in _SHAPES["mean"])
    temperature, height = t0 + 0.0 * patterns.low.value, z0 + patterns.low.value
    east, north = np.array(patterns.low.east), np.array(patterns.low.north)
    for name, pattern in patterns.aloft.items():
        warm, thick = (part[level] for part in _SHAPES[name])
        temperature = temperature + warm * pattern.value
        height = height + thick * pattern.value
        east, north = east + thick * pattern.east, north + thick * pattern.north
    coriolis = 2.0 * 7.292e-5 * np.sin(np.radians(LATITUDE_DEG))[None, :, None]
    factor = _GRAVITY / coriolis / 1000.0
    humidity = np.clip(0.42 + 0.22 * patterns.ahead, 0.08, 0.98) * np.exp(-0.5 * _DEPTH[level])
    celsius = temperature - 273.15
    vapour = 611.2 * np.exp(17.62 * celsius / (243.12 + celsius)) * humidity
    pressure = LEVELS_HPA[level] * 100.0
    return {
        "u": -factor * north,
        "v": factor * east,
        "t": temperature,
        "z": _GRAVITY * height,
        # far up there are a few parts in a million, whatever could condense
        "q": 3e-6
        if pressure < 1e4
        else np.minimum(0.622 * vapour / (pressure - 0.378 * vapour), 0.024),
    }


def _near_ground(
    patterns: Patterns, first: dict[str, FloatArray], hours: FloatArray
) -> dict[str, FloatArray]:
    """Fields near the ground [T, Y, X]; wind slowed and turned towards low pressure."""
    land, ground = _cells(land_fraction)[None], _cells(terrain_m)[None]
    t = hours[:, None, None]
    day = np.cos(2.0 * np.pi * (t + LONGITUDE_DEG[None, None, :] / 15.0 - 24.0 - 14.5) / 24.0)
    winter = np.cos(2.0 * np.pi * (t - 24.0 * 25.0) / _YEAR_H)
    slowed = 0.68 - 0.22 * land + 0.10 * land * day
    turn = np.radians(14.0 + 14.0 * land - 5.0 * land * day)
    wind = (first["u"] + 1j * first["v"]) * slowed * np.exp(1j * turn)
    rng = np.random.default_rng(SEED + 1)
    patchy = rng.normal(0.0, 0.008, (6, 2))
    patches = sum(
        _wave_pattern(Wave(0, 0, patchy[each, 0], patchy[each, 1], 0.25, each), 0.4, 0.0,
                      (LONGITUDE_DEG[None, None, :] - 325.0) * 77.0,
                      (LATITUDE_DEG[None, :, None] - 46.0) * 111.0, t).value
        for each in range(6)
    )  # fmt: skip
    wet = patterns.ahead + 0.5 * patches
    heaps = land * np.maximum(day, 0.0) * (0.6 - 0.3 * winter)
    cloud = np.clip(0.40 + 0.30 * wet + 0.15 * heaps, 0.0, 1.0)
    rain = np.where(cloud > 0.55, np.maximum(wet - 0.9, 0.0) * 1.4, 0.0)
    cape = np.maximum(0.0, 420.0 * (0.4 - winter) * (heaps + 0.15) * (1.0 + wet))
    speed = np.abs(wind)
    mean_k = first["t"]
    surface_k = mean_k - 0.0065 * (ground - patterns.low.value) + 0.3 * day * land
    scale = _GAS_OVER_GRAVITY * mean_k
    return {
        "u10": wind.real,
        "v10": wind.imag,
        "i10fg": speed * (1.32 + 0.22 * land) + 0.9 + 1.2 * heaps + 1.5 * (rain > 0.3),
        "t2m": surface_k,
        "d2m": surface_k - np.clip(9.0 - 4.5 * wet, 0.4, 18.0),
        "msl": 1e5 * np.exp(patterns.low.value / scale),
        "sp": 1e5 * np.exp((patterns.low.value - ground) / scale),
        "tcc": cloud,
        "tp": rain / 1000.0,
        "cape": cape,
    }


_UNITS = {
    "u": ("eastward_wind", "m s**-1", 0.01), "v": ("northward_wind", "m s**-1", 0.01),
    "t": ("air_temperature", "K", 0.01), "z": ("geopotential", "m**2 s**-2", 8.0),
    "q": ("specific_humidity", "kg kg**-1", 1e-6),
    "u10": ("", "m s**-1", 0.01), "v10": ("", "m s**-1", 0.01),
    "i10fg": ("wind_speed_of_gust", "m s**-1", 0.01),
    "t2m": ("", "K", 0.01), "d2m": ("", "K", 0.01),
    "msl": ("air_pressure_at_mean_sea_level", "Pa", 2.0),
    "sp": ("surface_air_pressure", "Pa", 2.0),
    "tcc": ("cloud_area_fraction", "(0 - 1)", 1e-4), "tp": ("", "m", 1e-6),
    "cape": ("", "J kg**-1", 0.5), "lsm": ("land_binary_mask", "(0 - 1)", 1e-4),
}  # fmt: skip
_ADDED = {"t": 250.0, "z": 150_000.0, "t2m": 280.0, "d2m": 280.0, "msl": 1e5, "sp": 95_000.0}


def archive() -> xr.Dataset:
    """The whole invented archive in memory."""
    time = np.arange(FIRST, np.datetime64(LAST) + 1, STEP_H, dtype="datetime64[h]")
    hours = (time - time[0]).astype(np.float64)
    patterns = _patterns(hours)
    levels = [_aloft(patterns, number) for number in range(len(LEVELS_HPA))]
    on_levels = ("valid_time", "pressure_level", "latitude", "longitude")
    flat = ("valid_time", "latitude", "longitude")
    variables: dict[str, Any] = {
        name: (
            on_levels,
            np.stack(
                [(each[name] + 0.0 * patterns.low.value).astype(np.float32) for each in levels],
                axis=1,
            ),
        )
        for name in ("u", "v", "t", "z", "q")
    }
    for name, values in _near_ground(patterns, levels[0], hours).items():
        variables[name] = (flat, values.astype(np.float32))
    variables["lsm"] = (("latitude", "longitude"), _cells(land_fraction).astype(np.float32))
    variables["orog"] = (
        ("latitude", "longitude"), _cells(terrain_m).astype(np.float32),
        {"standard_name": "surface_altitude", "units": "m"},
    )  # fmt: skip
    dataset = xr.Dataset(
        variables,
        {
            "valid_time": ("valid_time", time.astype("datetime64[ns]"), {"standard_name": "time"}),
            "pressure_level": ("pressure_level", np.asarray(LEVELS_HPA, dtype=np.float64),
                               {"units": "hPa", "standard_name": "air_pressure"}),
            "latitude": ("latitude", LATITUDE_DEG, {"units": "degrees_north"}),
            "longitude": ("longitude", LONGITUDE_DEG, {"units": "degrees_east"}),
        },
        {"title": "INVENTED weather of the island of Skerra, which exists nowhere",
         "Conventions": "CF-1.8"},
    )  # fmt: skip
    for name, (standard, units, _) in _UNITS.items():
        dataset[name].attrs = {"units": units} | ({"standard_name": standard} if standard else {})
    dataset["tp"].attrs["cell_methods"] = "time: sum (interval: 1 hour)"
    return dataset


def write(folder: Path) -> Path:
    """Write the store, whole or not at all; where it is there already it is left alone."""
    place = folder / NAME
    if place.exists():
        return place
    part = folder / f"{NAME}.part"
    shutil.rmtree(part, ignore_errors=True)
    dataset = archive()
    encoding = {}
    for name, (_, _, scale) in _UNITS.items():
        sizes = tuple(
            CHUNK_STEPS if dim == "valid_time" else size
            for dim, size in dataset[name].sizes.items()
        )
        encoding[name] = {"dtype": "int16", "scale_factor": scale, "_FillValue": -32768,
                          "add_offset": _ADDED.get(name, 0.0), "chunks": sizes}  # fmt: skip
    dataset.to_zarr(part, mode="w", encoding=encoding, zarr_format=3, consolidated=False)
    part.rename(place)
    return place


def main(arguments: list[str] | None = None) -> int:
    """Run the command line."""
    parser = argparse.ArgumentParser(description="Write the invented archive as a Zarr store.")
    parser.add_argument("--out", type=Path, default=HERE, help="folder to write to")
    asked = parser.parse_args(arguments)
    try:
        print(write(asked.out))
    except OSError as error:
        print(f"cannot write to {asked.out}: {error}", file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
