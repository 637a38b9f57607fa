"""Files as HRRR's, made with ecCodes: template 3.30, wind along the grid; and a provider of them.

The grid is a part of HRRR's own (its cone, sphere and distance), a few points wide. What stands
in it is INVENTED, and linear in the place, so that what is interpolated is known beforehand. The
lines of the index are spelled as GFS's real ones are: no real index of HRRR was at hand.
"""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

import eccodes
import numpy as np
from numpy.typing import NDArray
from provider import Provider, Sample

FloatArray = NDArray[np.float64]

#: HRRR's cone and sphere (from memory), and a corner in Kansas, east of its middle meridian.
KEYS: dict[str, Any] = {
    "shapeOfTheEarth": 6,
    "Nx": 31,
    "Ny": 27,
    "latitudeOfFirstGridPointInDegrees": 38.0,
    "longitudeOfFirstGridPointInDegrees": 264.0,
    "LaDInDegrees": 38.5,
    "LoVInDegrees": 262.5,
    "DxInMetres": 3000,
    "DyInMetres": 3000,
    "Latin1InDegrees": 38.5,
    "Latin2InDegrees": 38.5,
    "resolutionAndComponentFlags": 8,
    "scanningMode": 64,
}
#: discipline, category, number, surface, level; NOAA's words; statistics over the last hour.
WHAT: dict[str, tuple[tuple[int, int, int, int, int], str, int | None]] = {
    "right": ((0, 2, 2, 103, 10), "UGRD:10 m above ground", None),
    "up": ((0, 2, 3, 103, 10), "VGRD:10 m above ground", None),
    "gust": ((0, 2, 22, 1, 0), "GUST:surface", None),
    "greatest gust": ((0, 2, 22, 1, 0), "GUST:surface", 2),
    "low cloud": ((0, 6, 3, 214, 0), "LCDC:low cloud layer", None),
    "middle cloud": ((0, 6, 4, 224, 0), "MCDC:middle cloud layer", None),
    "high cloud": ((0, 6, 5, 234, 0), "HCDC:high cloud layer", None),
    "cloud": ((0, 6, 1, 10, 0), "TCDC:entire atmosphere", None),
    "ceiling": ((0, 3, 5, 215, 0), "HGT:cloud ceiling", None),
    "visibility": ((0, 19, 0, 1, 0), "VIS:surface", None),
    "rate": ((0, 1, 7, 1, 0), "PRATE:surface", None),
    "rain": ((0, 1, 8, 1, 0), "APCP:surface", 1),
    "ground": ((0, 3, 5, 1, 0), "HGT:surface", None),
    "helicity": ((0, 7, 8, 103, 3000), "HLCY:3000-0 m above ground", None),
}
_STATISTICS = {1: "acc", 2: "max"}


@dataclass(frozen=True)
class Spelled(Sample):
    """A message whose line of the index is said beforehand."""

    line: str = ""

    @property
    def noaa(self) -> str:
        return self.line


#: What was encoded, for tests serve the same messages again and again.
_encoded: dict[str, Spelled] = {}


def encode(
    what: str, cycle: datetime, step_h: int, values: FloatArray | float, **keys: Any
) -> Spelled:
    """One message; values [rows, columns] from south to north, NaN for missing."""
    if isinstance(values, np.ndarray):
        return _encode(what, cycle, step_h, values, keys)
    all_of_it = repr((what, cycle, step_h, values, sorted(keys.items())))
    if all_of_it not in _encoded:
        _encoded[all_of_it] = _encode(what, cycle, step_h, values, keys)
    return _encoded[all_of_it]


def _encode(
    what: str, cycle: datetime, step_h: int, values: FloatArray | float, keys: dict[str, Any]
) -> Spelled:
    number, words, statistics = WHAT[what]
    laid = KEYS | keys
    handle = eccodes.codes_grib_new_from_samples("GRIB2")
    try:
        start_h = step_h if statistics is None else step_h - 1
        given: dict[str, Any] = {
            "gridDefinitionTemplateNumber": 30,
            **laid,
            "discipline": number[0],
            "productDefinitionTemplateNumber": 0 if statistics is None else 8,
            "dataDate": int(f"{cycle:%Y%m%d}"),
            "dataTime": cycle.hour * 100,
            "parameterCategory": number[1],
            "parameterNumber": number[2],
            "typeOfFirstFixedSurface": number[3],
            "scaleFactorOfFirstFixedSurface": 0,
            "scaledValueOfFirstFixedSurface": number[4],
            "typeOfSecondFixedSurface": 255,
        }
        if statistics is None:
            given["step"] = step_h
        else:
            given |= {"typeOfStatisticalProcessing": statistics, "typeOfTimeIncrement": 2}
            given["stepRange"] = f"{start_h}-{step_h}"
        given |= {"packingType": "grid_simple", "bitsPerValue": 24}
        shape = (laid["Ny"], laid["Nx"])
        plane = np.broadcast_to(np.asarray(values, dtype=np.float64), shape)
        if np.isnan(plane).any():
            given |= {"bitmapPresent": 1, "missingValue": 9999}
        for key, value in given.items():
            eccodes.codes_set(handle, key, value)
        filled = np.where(np.isnan(plane), 9999.0, plane)
        eccodes.codes_set_values(handle, np.ascontiguousarray(filled).ravel())
        data = bytes(eccodes.codes_get_message(handle))
    finally:
        eccodes.codes_release(handle)
    when = f"{step_h} hour fcst" if step_h else "anl"
    if statistics is not None:
        when = f"{start_h}-{step_h} hour {_STATISTICS[statistics]} fcst"
    line = f"d={cycle:%Y%m%d%H}:{words}:{when}:"
    return Spelled(data, number, start_h, step_h, None, f"{cycle:%Y%m%d%H}", line)


def step_of(
    cycle: datetime,
    step_h: int,
    keys: dict[str, Any] | None = None,
    **other: FloatArray | float | None,
) -> list[Spelled]:
    """One step as HRRR has it, with something that nobody wants; None leaves a field out.

    The wind blows along the grid's rows at 6 m/s.
    """
    values: dict[str, FloatArray | float | None] = {
        "right": 6.0,
        "up": 0.0,
        "gust": 9.0,
        "low cloud": 10.0,
        "middle cloud": 5.0,
        "high cloud": 0.0,
        "cloud": 15.0,
        "ceiling": 3300.0,
        "visibility": 20_000.0,
        "rate": 0.0,
        "rain": 0.0 if step_h else None,
        "ground": 300.0,
        "helicity": 1.0,
        **{name.replace("_", " "): value for name, value in other.items()},
    }
    return [encode(w, cycle, step_h, v, **(keys or {})) for w, v in values.items() if v is not None]


def path_of(cycle: datetime, step_h: int) -> str:
    return f"hrrr.{cycle:%Y%m%d}/conus/hrrr.t{cycle:%H}z.wrfsfcf{step_h:02d}.grib2"


def fill(
    its: Provider,
    cycle: datetime,
    steps_h: range,
    keys: dict[str, Any] | None = None,
    **other: FloatArray | float | None,
) -> None:
    """Serve steps of a cycle, with what else stands in them."""
    for step_h in steps_h:
        its.add(path_of(cycle, step_h), step_h, tuple(step_of(cycle, step_h, keys, **other)))
