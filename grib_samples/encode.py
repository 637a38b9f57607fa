"""Planes to GRIB2 messages, with ecCodes and numeric keys only.

The header says what this is: centre 255 (none), production status 2 (research), generating
process 255 (none). Nothing claims to come from a weather service.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cache

import eccodes
import numpy as np
from island import GRID_LATITUDE_DEG, GRID_LONGITUDE_DEG, FloatArray
from planes import WINDOW_H, Plane
from scenario import MEMBER_COUNT, cycle_time

_GROUND, _TOP, _ISOBARIC, _SEA_LEVEL, _ABOVE_GROUND, _NONE = 1, 8, 100, 101, 103, 255


@dataclass(frozen=True)
class Field:
    """How a field stands in GRIB2 (WMO-No. 306, code tables 4.2 and 4.5).

    `decimals` is the precision: values are rounded to 10 to the power of minus `decimals`.
    """

    discipline: int
    category: int
    number: int
    surface: int
    decimals: int
    level_m: int | None = None
    second_surface: int = _NONE


#: Every field of the samples. Total cloud and CAPE are for the whole column (surfaces 1 to 8).
FIELDS: dict[str, Field] = {
    "u": Field(0, 2, 2, _ISOBARIC, 1),
    "v": Field(0, 2, 3, _ISOBARIC, 1),
    "t": Field(0, 0, 0, _ISOBARIC, 1),
    "gh": Field(0, 3, 5, _ISOBARIC, 0),
    "wind_u_10m": Field(0, 2, 2, _ABOVE_GROUND, 1, 10),
    "wind_v_10m": Field(0, 2, 3, _ABOVE_GROUND, 1, 10),
    "wind_u_100m": Field(0, 2, 2, _ABOVE_GROUND, 1, 100),
    "wind_v_100m": Field(0, 2, 3, _ABOVE_GROUND, 1, 100),
    "gust": Field(0, 2, 22, _GROUND, 1),
    "temperature_2m": Field(0, 0, 0, _ABOVE_GROUND, 1, 2),
    "dew_point_2m": Field(0, 0, 6, _ABOVE_GROUND, 1, 2),
    "pressure_surface": Field(0, 3, 0, _GROUND, -1),
    "pressure_msl": Field(0, 3, 1, _SEA_LEVEL, -1),
    "cloud_low": Field(0, 6, 3, _GROUND, 0),
    "cloud_middle": Field(0, 6, 4, _GROUND, 0),
    "cloud_high": Field(0, 6, 5, _GROUND, 0),
    "cloud_total": Field(0, 6, 1, _GROUND, 0, None, _TOP),
    "ceiling": Field(0, 6, 13, _GROUND, -1),
    "visibility": Field(0, 19, 0, _GROUND, -2),
    "precipitation_rate": Field(0, 1, 7, _GROUND, 6),
    "precipitation": Field(0, 1, 8, _GROUND, 2),
    "cape": Field(0, 7, 6, _GROUND, 0, None, _TOP),
    "orography": Field(0, 3, 5, _GROUND, 0),
    "land": Field(2, 0, 0, _GROUND, 2),
}

_ORIGIN = {
    "tablesVersion": 28,
    "localTablesVersion": 0,
    "centre": 255,
    "subCentre": 255,
    "productionStatusOfProcessedData": 2,
    "significanceOfReferenceTime": 1,
}
_GRID = {
    "shapeOfTheEarth": 6,
    "Ni": GRID_LONGITUDE_DEG.size,
    "Nj": GRID_LATITUDE_DEG.size,
    "latitudeOfFirstGridPoint": round(GRID_LATITUDE_DEG[0] * 1e6),
    "latitudeOfLastGridPoint": round(GRID_LATITUDE_DEG[-1] * 1e6),
    "longitudeOfFirstGridPoint": round(GRID_LONGITUDE_DEG[0] * 1e6),
    "longitudeOfLastGridPoint": round(GRID_LONGITUDE_DEG[-1] * 1e6),
    "iDirectionIncrement": round((GRID_LONGITUDE_DEG[1] - GRID_LONGITUDE_DEG[0]) * 1e6),
    "jDirectionIncrement": round((GRID_LATITUDE_DEG[0] - GRID_LATITUDE_DEG[1]) * 1e6),
    "scanningMode": 0,
}


@cache
def _template(name: str, ensemble: bool) -> int:
    """Handle of a message that has everything but time, level, member and values."""
    field, summed = FIELDS[name], name == "precipitation"
    handle = int(eccodes.codes_grib_new_from_samples("regular_ll_pl_grib2"))
    product = {(False, False): 0, (True, False): 1, (False, True): 8}[ensemble, summed]
    keys = {
        **_ORIGIN,
        "typeOfProcessedData": 4 if ensemble else 1,
        **_GRID,
        "productDefinitionTemplateNumber": product,
        "typeOfGeneratingProcess": 4 if ensemble else 2,
        "backgroundProcess": 255,
        "generatingProcessIdentifier": 255,
        "discipline": field.discipline,
        "parameterCategory": field.category,
        "parameterNumber": field.number,
        "typeOfFirstFixedSurface": field.surface,
        "typeOfSecondFixedSurface": field.second_surface,
    }
    if summed:
        keys |= {"typeOfStatisticalProcessing": 1, "typeOfTimeIncrement": 2}
    for key, value in keys.items():
        eccodes.codes_set(handle, key, value)
    if field.level_m is not None:
        eccodes.codes_set(handle, "scaleFactorOfFirstFixedSurface", 0)
        eccodes.codes_set(handle, "scaledValueOfFirstFixedSurface", field.level_m)
    elif field.surface != _ISOBARIC:
        eccodes.codes_set_missing(handle, "scaleFactorOfFirstFixedSurface")
        eccodes.codes_set_missing(handle, "scaledValueOfFirstFixedSurface")
    eccodes.codes_set(handle, "packingType", "grid_ccsds")
    return handle


def message(plane: Plane) -> bytes:
    """One GRIB2 message, CCSDS packed with as few bits as the field's precision needs."""
    field = FIELDS[plane.name]
    handle = eccodes.codes_clone(_template(plane.name, plane.member is not None))
    try:
        reference = cycle_time(plane.cycle_h)
        eccodes.codes_set(handle, "dataDate", int(f"{reference:%Y%m%d}"))
        eccodes.codes_set(handle, "dataTime", reference.hour * 100)
        if plane.level_hpa is not None:
            eccodes.codes_set(handle, "scaleFactorOfFirstFixedSurface", 0)
            eccodes.codes_set(handle, "scaledValueOfFirstFixedSurface", plane.level_hpa * 100)
        if plane.member is not None:
            eccodes.codes_set(handle, "typeOfEnsembleForecast", 3 if plane.member else 1)
            eccodes.codes_set(handle, "perturbationNumber", plane.member)
            eccodes.codes_set(handle, "numberOfForecastsInEnsemble", MEMBER_COUNT)
        if plane.name == "precipitation":
            window = f"{plane.step_h - WINDOW_H}-{plane.step_h}"
            eccodes.codes_set(handle, "stepRange", window)
        else:
            eccodes.codes_set(handle, "step", plane.step_h)
        _set_values(handle, plane.values, field.decimals)
        return bytes(eccodes.codes_get_message(handle))
    finally:
        eccodes.codes_release(handle)


def _set_values(handle: int, values: FloatArray, decimals: int) -> None:
    """Round to the precision and pack without further loss."""
    if not np.all(np.isfinite(values)):
        raise ValueError("a plane with a value that is not a number must not be written")
    steps = np.rint(values.ravel() * 10.0**decimals)
    span = int(steps.max() - steps.min())
    eccodes.codes_set(handle, "decimalScaleFactor", decimals)
    eccodes.codes_set(handle, "bitsPerValue", span.bit_length())
    eccodes.codes_set_values(handle, steps / 10.0**decimals)


def messages(planes: Iterable[Plane]) -> Iterator[bytes]:
    """Messages of planes, in their order."""
    return map(message, planes)
