"""One NetCDF file a cycle: every decoded field with CF names, read back exactly.

It holds what decoding gave, cut out to the area, before anything is laid out: the values of
the source, on its levels, float32. So reading it back and laying it out gives the very cycle,
bit by bit, without decoding again. It opens in plain `xarray.open_dataset`.

Conventions: CF Metadata Conventions 1.8 (names and units of the standard name table where the
quantity has one). What a value is of its interval stands in ``cell_methods``, the intervals are
the bounds of the time axis (chapter 7). Deterministic runs and members stand in variables of
their own, the latter with ``member_`` before their name.
"""

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from windowwatch.clock import from_unix_s, to_unix_s
from windowwatch.errors import DecodeError
from windowwatch.forecast.cycle import Cycle, SourceFile
from windowwatch.forecast.grib.arrange import OpenCycle, OpenField, seconds_of
from windowwatch.forecast.grib.cutout import Cut
from windowwatch.forecast.grib.messages import Kind
from windowwatch.forecast.models import FIELDS, Selector
from windowwatch.physics.constants import STANDARD_GRAVITY_MPS2

#: Our field to CF standard name and unit; without a name (the table has none for the
#: quantity) the file carries our words and the unit. Every field of `models.FIELDS` is here.
CF: Mapping[str, tuple[str, str]] = {
    "u": ("eastward_wind", "m s-1"),
    "v": ("northward_wind", "m s-1"),
    "t": ("air_temperature", "K"),
    "gh": ("geopotential_height", "m"),
    "q": ("specific_humidity", "1"),
    "r": ("relative_humidity", "%"),
    "orography": ("surface_altitude", "m"),
    "land_fraction": ("land_area_fraction", "1"),
    "wind_u_10m_mps": ("eastward_wind", "m s-1"),
    "wind_v_10m_mps": ("northward_wind", "m s-1"),
    "wind_u_100m_mps": ("eastward_wind", "m s-1"),
    "wind_v_100m_mps": ("northward_wind", "m s-1"),
    "gust_mps": ("wind_speed_of_gust", "m s-1"),
    "temperature_2m_k": ("air_temperature", "K"),
    "dew_point_2m_k": ("dew_point_temperature", "K"),
    "pressure_msl_pa": ("air_pressure_at_mean_sea_level", "Pa"),
    "pressure_surface_pa": ("surface_air_pressure", "Pa"),
    "cloud_low_pct": ("low_type_cloud_area_fraction", "%"),
    "cloud_middle_pct": ("medium_type_cloud_area_fraction", "%"),
    "cloud_high_pct": ("high_type_cloud_area_fraction", "%"),
    "cloud_total_pct": ("cloud_area_fraction", "%"),
    "visibility_m": ("visibility_in_air", "m"),
    "precipitation_rate_mmph": ("precipitation_flux", "kg m-2 s-1"),
    "precipitation_mm": ("precipitation_amount", "kg m-2"),
    "cape_jpkg": ("atmosphere_convective_available_potential_energy", "J kg-1"),
    "lifted_index_k": (
        "temperature_difference_between_ambient_air_and_air_lifted_adiabatically_from_the_surface",
        "K",
    ),
    "ceiling_m": ("", "m"),  # above ground, where CF's cloud_base_altitude is above the geoid
    "freezing_rain": ("", "1"),  # whether, or what share of the time
}
_GEOPOTENTIAL = {"gh": "geopotential", "orography": "surface_geopotential"}
#: ECMWF's own numbers: metres of water, and a fraction.
_ECMWF_OWN = {
    ("precipitation_mm", 1000.0): ("lwe_thickness_of_precipitation_amount", "m"),
    ("cloud_total_pct", 100.0): ("cloud_area_fraction", "1"),
}
_RUNS = ("control", "members")
_AXES = ("number", "step", "level")
_BEGINS_AND_ENDS = "bounds"
#: Of whole numbers: CF 1.8 knows none of 64 bits (section 2.2).
_WHOLE = np.int32
#: Kinds by their cell method, as it is written and as it was before intervals were bounds.
_KINDS = {f"time: {words}": kind for kind in Kind for words in (kind.value, kind.method)} | {
    "time: point": Kind.INSTANT
}
_AXIS_ATTRIBUTES = {
    "number": {"long_name": "perturbation number, 0 for the control", "units": "1"},
    "step": {"standard_name": "forecast_period", "units": "s"},
    "time": {"standard_name": "time", "calendar": "standard"},
    "level": {"long_name": "level in its own unit: pressure in Pa, height in m"},
    "latitude": {"standard_name": "latitude", "units": "degrees_north"},
    "longitude": {"standard_name": "longitude", "units": "degrees_east"},
}


@dataclass(frozen=True)
class Archived:
    """A cycle as it came back: fields, files they were decoded from, and its name."""

    cycle: Cycle
    opened: OpenCycle
    files: tuple[SourceFile, ...]
    credit: str


def write_archive(path: Path, archived: Archived) -> None:
    """Write a cycle's file: beside its place first, flushed, then renamed.

    Raises
    ------
    OSError
        If the disk refuses.
    """
    dataset = _dataset(archived)
    part = path.with_suffix(".nc.part")
    path.parent.mkdir(parents=True, exist_ok=True)
    encoding: dict[Any, Any] = {name: {"_FillValue": None} for name in dataset.variables}
    dataset.to_netcdf(part, engine="netcdf4", format="NETCDF4", encoding=encoding)
    with part.open("rb") as file:
        os.fsync(file.fileno())
    part.replace(path)


def read_archive(path: Path) -> Archived:
    """Read a cycle's file whole into memory.

    Raises
    ------
    DecodeError
        If it is not a file of ours, or damaged.
    """
    try:
        with xr.open_dataset(
            path, engine="netcdf4", decode_cf=False, mask_and_scale=False
        ) as opened:
            return _archived(opened.load())
    except (OSError, KeyError, ValueError, TypeError, IndexError) as error:
        raise DecodeError(
            f"{path}: cannot be read as a stored cycle ({type(error).__name__}: {error}); "
            f"remove it, it is made again"
        ) from error


def _dataset(archived: Archived) -> xr.Dataset:
    box, cycle = archived.opened.box, archived.cycle
    variables: dict[str, Any] = {}
    coordinates: dict[str, Any] = {
        "latitude": ("latitude", box.latitude_deg, _AXIS_ATTRIBUTES["latitude"]),
        "longitude": ("longitude", box.longitude_deg, _AXIS_ATTRIBUTES["longitude"]),
    }
    for run in _RUNS:
        fields: Mapping[str, OpenField] = getattr(archived.opened, run)
        for name, opened in fields.items():
            for count, array in enumerate(opened.arrays):
                key = f"{'member_' if run == 'members' else ''}{name}"
                key = f"{key}_{count}" if count else key
                number, level = (
                    _axis(coordinates, axis, array[axis].values.astype(kind))
                    for axis, kind in (("number", _WHOLE), ("level", np.float64))
                )
                step = _step_axis(coordinates, array, opened.selector.kind, cycle.reference_utc)
                variables[key] = (
                    (number, step, level, "latitude", "longitude"),
                    array.values,
                    _attributes(run, name, opened),
                )
    attributes = {
        "Conventions": "CF-1.8",
        "title": f"{cycle.id}, cut out",
        "model": cycle.model,
        "forecast_reference_time": cycle.reference_utc.isoformat(),
        "reference_unix_s": to_unix_s(cycle.reference_utc),
        "source": archived.credit,
        "source_paths": [file.path for file in archived.files],
        "source_sha256": [file.sha256 for file in archived.files],
        "source_bytes": [file.size_bytes for file in archived.files],
        "remarks": list(archived.opened.remarks),
    }
    return xr.Dataset(variables, coordinates, {k: v for k, v in attributes.items() if v != []})


def _axis(coordinates: dict[str, Any], axis: str, values: Any) -> str:
    """Name of a dimension with these coordinates, made if there is none."""
    for count in range(len(coordinates) + 1):
        name = f"{axis}_{count}" if count else axis
        if name not in coordinates:
            coordinates[name] = (name, values, _AXIS_ATTRIBUTES[axis])
            return name
        if np.array_equal(coordinates[name][1], values):
            return name
    raise AssertionError("one of these names is free")


def _step_axis(
    coordinates: dict[str, Any], array: xr.DataArray, kind: Kind, reference_utc: datetime
) -> str:
    """Name of a dimension with the steps of an array and their intervals, made if there is none.

    Each has the time beside it, and where values stand for intervals both have bounds.
    """
    ends = np.array(seconds_of(array), dtype=_WHOLE)
    bounds: Any = None
    if kind is not Kind.INSTANT and "start" in array.coords:
        bounds = np.stack([array["start"].values.astype(_WHOLE), ends], axis=1)
    for count in range(len(coordinates) + 1):
        step, time = (f"{axis}_{count}" if count else axis for axis in ("step", "time"))
        if step not in coordinates:
            break
        there = coordinates.get(f"{step}_bounds", ((), None))[1]
        if np.array_equal(coordinates[step][1], ends) and np.array_equal(there, bounds):
            return step
    since = {"units": f"seconds since {reference_utc:%Y-%m-%d %H:%M:%S}"}
    for name, more in ((step, {}), (time, since)):
        attributes = {**_AXIS_ATTRIBUTES[name.split("_")[0]], **more}
        if bounds is not None:
            attributes["bounds"] = f"{name}_bounds"
            coordinates[f"{name}_bounds"] = ((step, _BEGINS_AND_ENDS), bounds)
        coordinates[name] = (step, ends, attributes)
    return step


def _attributes(run: str, name: str, opened: OpenField) -> dict[str, Any]:
    found: dict[str, Any] = {
        "long_name": opened.field.words,
        "field": name,
        "run": run,
        "scale_to_field_unit": opened.selector.scale,
        "ensemble_size": opened.members,
        "cell_methods": f"time: {opened.selector.kind.method}",
    }
    return found | named(name, opened.selector)


def named(name: str, selector: Selector) -> dict[str, str]:
    """Unit of a field's values as a source carries it, and the CF name where there is one."""
    standard_name, units = _ECMWF_OWN.get((name, selector.scale), CF[name])
    if selector.scale == 1.0 / STANDARD_GRAVITY_MPS2:  # geopotential, not its height
        standard_name, units = _GEOPOTENTIAL[name], "m2 s-2"
    found = {"units": units}
    if standard_name:
        found["standard_name"] = standard_name
    if selector.above_sea:
        found["comment"] = "above sea level"
    return found


def _archived(dataset: xr.Dataset) -> Archived:
    attributes = dataset.attrs
    fields: dict[str, dict[str, list[Any]]] = {run: {} for run in _RUNS}
    for variable in dataset.data_vars.values():
        if "field" in variable.attrs:
            fields[variable.attrs["run"]].setdefault(variable.attrs["field"], []).append(variable)
    control, members = (
        {name: _field(name, arrays, dataset) for name, arrays in fields[run].items()}
        for run in _RUNS
    )
    latitude, longitude = dataset["latitude"].values, dataset["longitude"].values
    box = Cut(slice(0, latitude.size), np.arange(longitude.size), latitude, longitude)
    reference: datetime = from_unix_s(float(attributes["reference_unix_s"]))
    files = zip(
        _texts(attributes["source_paths"]),
        _texts(attributes["source_sha256"]),
        np.atleast_1d(attributes["source_bytes"]),
        strict=True,
    )
    return Archived(
        Cycle(reference, str(attributes["model"])),
        OpenCycle(
            control,
            members,
            box,
            (*_texts(attributes.get("remarks", [])), *_without_intervals({**members, **control})),
        ),
        tuple(SourceFile(path, sha, int(size)) for path, sha, size in files),
        str(attributes["source"]),
    )


def _texts(value: Any) -> Sequence[str]:
    """A list of texts; NetCDF gives a list of one back as the text itself."""
    return [value] if isinstance(value, str) else [str(text) for text in value]


def _without_intervals(fields: Mapping[str, OpenField]) -> tuple[str, ...]:
    """Say which fields were stored without the intervals that they stand for."""
    lacking = [
        opened.field.words
        for opened in fields.values()
        if any("start" not in array.coords for array in opened.arrays)
    ]
    if not lacking:
        return ()
    return (
        "stored without intervals, so taken as values at the time, sums as those since the time "
        f"before: {', '.join(lacking)}",
    )


def _field(name: str, variables: Sequence[xr.DataArray], dataset: xr.Dataset) -> OpenField:
    first = variables[0].attrs
    arrays = []
    for variable in variables:
        values = [variable[dim].values for dim in variable.dims]
        number, step, level, latitude, longitude = values
        starts = _starts_s(variable, dataset)
        arrays.append(
            xr.DataArray(
                variable.values,
                dims=(*_AXES, "latitude", "longitude"),
                coords={
                    "number": number,
                    "step": step.astype("timedelta64[s]").astype("timedelta64[ns]"),
                    "level": level,
                    "latitude": latitude,
                    "longitude": longitude,
                    **({} if starts is None else {"start": ("step", starts)}),
                },
            )
        )
    return OpenField(
        FIELDS[name], _selector(name, first), tuple(arrays), int(first["ensemble_size"])
    )


def _starts_s(variable: xr.DataArray, dataset: xr.Dataset) -> list[int] | None:
    """Where the intervals of a field begin: by its bounds, or as files had it before those."""
    step = dataset[str(variable.dims[1])]
    if "bounds" in step.attrs:
        starts = dataset[step.attrs["bounds"]].values[:, 0]
    elif "interval_start_s" in variable.attrs:
        starts = np.atleast_1d(variable.attrs["interval_start_s"])
    elif _KINDS[variable.attrs["cell_methods"]] is Kind.INSTANT:
        starts = step.values
    else:
        return None
    return [int(start) for start in starts]


def _selector(name: str, attributes: Mapping[str, Any]) -> Selector:
    """How a field was coded, as far as its values still tell: kind, unit and what it counts from.

    Raises
    ------
    ValueError
        If no way of coding it gives such values.
    """
    for selector in FIELDS[name].selectors:
        said = named(name, selector)
        if (
            _KINDS[attributes["cell_methods"]] is selector.kind
            and said["units"] == attributes["units"]
            and said.get("comment") == attributes.get("comment")
            and attributes.get("scale_to_field_unit", selector.scale) == selector.scale
        ):
            return selector
    raise ValueError(f"{name} is stored in a form that is not known")
