"""A small archive like a reanalysis, for tests: air whose wind and heights are formulas."""

import contextlib
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import made_air
import numpy as np
import xarray as xr

from windowwatch.ground.query.features import Ground
from windowwatch.physics.atmosphere import (
    geopotential_height_m,
    standard_atmosphere,
    standard_height_m,
)
from windowwatch.physics.constants import STANDARD_GRAVITY_MPS2
from windowwatch.scoring.limits import LIMITS
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.scoring.values import Site
from windowwatch.survey.archive import Archive
from windowwatch.survey.blocks import Shelf
from windowwatch.survey.names import Mapped
from windowwatch.survey.opening import open_archive
from windowwatch.survey.plan import Planned, planned
from windowwatch.watch.values import Span, Watch
from windowwatch.windows.window import WindowRules

LEVELS_HPA = (1000, 975, 950, 925, 900, 850, 800, 750, 700, 600, 500, 400, 300, 250, 200, 150, 100,
              70, 50, 30, 20, 10, 7, 5)  # fmt: skip
LATITUDE_DEG = np.arange(49.0, 42.9, -1.0)
LONGITUDE_DEG = np.arange(321.0, 329.1, 1.0)
SITES = (
    Site("Near", 46.0, -35.5, 60.0, "America/Noronha"),
    Site("Far", 45.6, -34.8, 140.0, "America/Noronha"),
)
ON_LEVELS = ("valid_time", "pressure_level", "latitude", "longitude")
FLAT = ("valid_time", "latitude", "longitude")


def wind(hours: Any, height_m: Any) -> tuple[Any, Any]:
    """Towards east and north: linear in height and time, so that no grid changes it. [m s⁻¹]"""
    return 2.0 + 0.0006 * height_m + 0.05 * hours, -1.0 + 0.0004 * height_m - 0.02 * hours


def archive(days: float = 6.0, start: str = "2024-05-01", step_h: int = 6) -> xr.Dataset:
    """Named as a common reanalysis is, latitudes falling, longitudes 0 to 360, levels falling."""
    rng = np.random.default_rng(7)
    count = int(days * 24 / step_h)
    time = np.datetime64(start, "h") + step_h * np.arange(count)
    hours = (step_h * np.arange(count)).astype(np.float64)[:, None, None, None]
    pressure = 100.0 * np.asarray(LEVELS_HPA, dtype=np.float64)[None, :, None, None]
    latitude = LATITUDE_DEG[None, None, :, None]
    height = standard_height_m(pressure)
    shape = (count, len(LEVELS_HPA), LATITUDE_DEG.size, LONGITUDE_DEG.size)
    u, v = wind(hours, height)
    aloft: dict[str, tuple[Any, str]] = {
        "u": (u, "m s**-1"), "v": (v, "m s**-1"),
        "t": (standard_atmosphere(height).temperature_k, "K"),
        "z": (STANDARD_GRAVITY_MPS2 * geopotential_height_m(height, latitude), "m**2 s**-2"),
        "q": (0.0, "kg kg**-1"),
    }  # fmt: skip
    flat = (count, LATITUDE_DEG.size, LONGITUDE_DEG.size)
    slow = 3.0 + 3.0 * np.sin(hours[..., 0] / 9.0)
    low: dict[str, tuple[Any, str]] = {
        "u10": (slow, "m s**-1"), "v10": (-1.0, "m s**-1"),
        "i10fg": (1.4 * slow + rng.random(flat), "m s**-1"),
        "tp": (1e-4 * np.maximum(rng.random(flat) - 0.7, 0.0), "m"),
        "sp": (standard_atmosphere(50.0).pressure_pa, "Pa"),
    }  # fmt: skip
    variables: dict[str, Any] = {
        name: (ON_LEVELS, np.broadcast_to(values, shape).astype(np.float32), {"units": units})
        for name, (values, units) in aloft.items()
    }
    for name, (values, units) in low.items():
        variables[name] = (FLAT, np.broadcast_to(values, flat).astype(np.float32), {"units": units})
    still = np.ones((LATITUDE_DEG.size, LONGITUDE_DEG.size), dtype=np.float32)
    names = ("latitude", "longitude")
    variables["lsm"] = (names, still, {"units": "(0 - 1)"})
    variables["orog"] = (names, 50.0 * still, {"units": "m", "standard_name": "surface_altitude"})
    return xr.Dataset(
        variables,
        {
            "valid_time": ("valid_time", time.astype("datetime64[ns]"), {"standard_name": "time"}),
            "pressure_level": ("pressure_level", np.asarray(LEVELS_HPA, np.float64),
                               {"units": "hPa", "standard_name": "air_pressure"}),
            "latitude": ("latitude", LATITUDE_DEG, {"units": "degrees_north"}),
            "longitude": ("longitude", LONGITUDE_DEG, {"units": "degrees_east"}),
        },
        {"title": "made for a test"},
    )  # fmt: skip


def write(dataset: xr.Dataset, path: Path, zarr_format: int = 3, chunk: int = 8) -> str:
    """Write as Zarr, a few times a chunk; its address."""
    sizes = {
        name: {
            "chunks": tuple(min(chunk, n) if d == "valid_time" else n for d, n in v.sizes.items())
        }
        for name, v in dataset.data_vars.items()
    }
    clean = dataset.drop_encoding()
    clean.to_zarr(path, mode="w", zarr_format=zarr_format, consolidated=zarr_format == 2,
                  encoding=sizes)  # fmt: skip
    return str(path)


def opened(dataset: xr.Dataset, path: Path, mapped: Mapped | None = None) -> Archive:
    """A dataset written and opened."""
    return open_archive(write(dataset, path), mapped)


def watch(**changes: Any) -> Watch:
    """Two sites, checks of air and flight alone; visibility is none that the archive has."""
    asked = ("wind", "gust", "precipitation", "visibility", "daylight", "strongest_wind", "drift",
             "flight_time", "water")  # fmt: skip
    plan = ScoringPlan(limits={name: LIMITS[name].default for name in asked}, min_flights=2)
    given: dict[str, Any] = {
        "name": "made", "model": "made", "sites": SITES, "train": made_air.train(),
        "span": Span(timedelta(hours=1), 6.0), "draws": 3, "plan": plan,
        "rules": WindowRules(), "ground": Ground(),
    }  # fmt: skip
    return Watch(**(given | changes))


def survey_of(archive_: Archive, **changes: Any) -> Planned:
    """A survey of spring 2024, a launch hour every six hours, three flights each."""
    given: dict[str, Any] = {"draws": 3, "step": timedelta(hours=6), "reach_deg": 2.5}
    found = planned(watch(), archive_, Mapped(), (2024, 2024), **(given | changes))
    return replace(found, blocks=tuple(b for b in found.blocks if 3 <= b.month <= 6))


def written(shelf: Shelf) -> dict[str, bytes]:
    """The bytes of every block that is there."""
    return {key: (shelf.folder / "blocks" / f"{key}.parquet").read_bytes() for key in shelf.there()}


def workers(*, at_work: bool = False) -> list[int]:
    """Processes of the workers of this process' cluster, by the scheduler's word.

    With `at_work` those that were given a block and have not ended it. The scheduler is asked for
    their process, too: whoever starts workers again has the next one's by then.
    """
    import distributed  # whoever flies no blocks need not load it

    with contextlib.suppress(ValueError):  # there is no cluster yet
        cluster: Any = distributed.default_client().cluster  # type: ignore[no-untyped-call]
        known = list(cluster.scheduler.workers.values())
        return [each.pid for each in known if each.processing or not at_work]
    return []
