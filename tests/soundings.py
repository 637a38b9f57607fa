"""Real radiosonde ascents of the ARM programme, read from the files in a wheel.

Atmospheric Radiation Measurement user facility, balloon-borne sounding system (SONDEWNPN):
Darwin, 19 to 24 January 2006, six-hourly, and Southern Great Plains, 1 January 2019.
"""

from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, files
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.io import netcdf_file
from scipy.optimize import brentq

from windowwatch.physics.balloon import ascent_rate_mps
from windowwatch.physics.train import FlightTrain, Gas
from windowwatch.physics.windgrid import WindGrid

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Sounding:
    """Rows of one ascent at which place and wind were measured.

    Pressure and temperature are NaN where they were not.
    """

    name: str
    start_unix_s: float
    time_s: FloatArray
    latitude_deg: FloatArray
    longitude_deg: FloatArray
    height_m: FloatArray
    u_mps: FloatArray
    v_mps: FloatArray
    pressure_pa: FloatArray
    temperature_k: FloatArray

    def on_even_heights(self, step_m: float = 100.0) -> "Sounding":
        """The ascent at even heights, each at its first passage."""
        top = np.maximum.accumulate(self.height_m)
        first = np.concatenate([[True], np.diff(top) > 0.0])
        low = np.ceil(self.height_m[0] / step_m + 1.0) * step_m
        height = np.arange(low, np.floor(top[-1] / step_m) * step_m, step_m)

        def at(values: FloatArray) -> FloatArray:
            given = first & np.isfinite(values)
            if given.sum() < 0.9 * first.sum():
                return np.full_like(height, np.nan)
            return np.asarray(np.interp(height, top[given], values[given]))

        return Sounding(
            self.name, self.start_unix_s, at(self.time_s), at(self.latitude_deg),
            at(self.longitude_deg), height, at(self.u_mps), at(self.v_mps),
            np.exp(at(np.log(self.pressure_pa))), at(self.temperature_k),
        )  # fmt: skip


def sounding_files() -> list[Path]:
    """Files of the ascents; empty if the wheel that carries them is not installed."""
    try:
        listed = files("act-atmos") or []
    except PackageNotFoundError:
        return []
    paths = (Path(str(f.locate())) for f in listed if "sondewnpn" in f.name)
    return sorted(path for path in paths if path.suffix == ".cdf")


def read_sounding(path: Path) -> Sounding:
    """Read one ascent."""
    names = ("time_offset", "lat", "lon", "alt", "u_wind", "v_wind", "pres", "tdry")
    with netcdf_file(path, mmap=False) as data:
        rows = np.stack([np.array(data.variables[n][:], dtype=np.float64) for n in names])
        start = float(np.array(data.variables["base_time"].data))
    rows = rows[:, np.all(rows[:6] > -9_000.0, axis=0)]
    rows[rows < -9_000.0] = np.nan
    time, latitude, longitude, height, u, v, hpa, celsius = rows
    name = ".".join(path.name.split(".")[2:4])
    return Sounding(name, start, time, latitude, longitude, height, u, v, hpa * 100.0,
                    celsius + 273.15)  # fmt: skip


def six_hours_apart(soundings: list[Sounding]) -> list[tuple[Sounding, Sounding]]:
    """Pairs of ascents at one place about six hours apart, on common even heights."""
    ordered = sorted((s.on_even_heights() for s in soundings), key=lambda s: s.start_unix_s)
    return [
        (a, b)
        for a, b in pairwise(ordered)
        if 5.0 < (b.start_unix_s - a.start_unix_s) / 3600.0 < 7.2
        and min(a.height_m[-1], b.height_m[-1]) > 10_000.0
    ]


def air_of(even: Sounding) -> WindGrid:
    """The air of an ascent everywhere within two degrees and for a day."""
    height = np.concatenate([[-100.0], even.height_m, [even.height_m[-1] + 500.0]])

    def column(values: np.ndarray) -> np.ndarray:
        return np.concatenate([values[:1], values, values[-1:]])

    log_p = np.log(even.pressure_pa)
    ends = np.concatenate([[log_p[0] + 0.012], log_p, [log_p[-1] - 0.08]])
    layers = np.stack(
        [column(even.u_mps), column(even.v_mps), column(even.temperature_k), ends], axis=-1
    )
    latitude = even.latitude_deg[0] + np.arange(-2.0, 2.1, 0.5)
    longitude = even.longitude_deg[0] + np.arange(-3.0, 3.1, 0.5)
    shape = (1, 2, latitude.size, longitude.size, height.size, 4)
    return WindGrid(
        time_unix_s=np.array([0.0, 86_400.0]),
        height_m=height,
        latitude_deg=latitude,
        longitude_deg=longitude,
        air=np.broadcast_to(layers, shape).astype(np.float32),
        terrain_m=np.zeros(shape[2:4], dtype=np.float32),
        top_height_m=float(even.height_m[-1]),
        cycle_unix_s=0.0,
    )


def fitted_train(even: Sounding) -> FlightTrain:
    """A train whose lift gives the mean rise of the ascent's lowest 3 km.

    What the balloons were is not known; 350 g with 250 g of sonde and helium is usual, and
    1000 g instead changes the curve by less than 0.3 m/s.
    """
    low = even.height_m <= even.height_m[0] + 2_900.0
    observed = float(np.ptp(even.height_m[low]) / np.ptp(even.time_s[low]))

    def flown(lift_kg: float) -> FlightTrain:
        return FlightTrain(
            balloon_mass_kg=0.35, payload_mass_kg=0.25, nozzle_lift_kg=lift_kg,
            burst_diameter_m=8.63, parachute_area_m2=1.28, gas=Gas.HELIUM,
        )  # fmt: skip

    def missing(lift_kg: float) -> float:
        rate = ascent_rate_mps(flown(lift_kg), even.pressure_pa[low], even.temperature_k[low])
        return float(1.0 / np.mean(1.0 / rate)) - observed

    return flown(float(brentq(missing, 0.2501, 8.0)))
