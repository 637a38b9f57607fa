"""A cycle as one xarray Dataset with CF names: decoded, kept and read as it is.

It holds what decoding gave, cut out to the area, before anything is laid out: the values of
the source, on its levels, float32. It is written to NetCDF as it is, and reading it back and
laying it out gives the very cycle, bit by bit. It opens in plain `xarray.open_dataset`.

Conventions: CF Metadata Conventions 1.8 (names and units of the standard name table where the
quantity has one). What a value is of its interval stands in ``cell_methods``, the intervals are
the bounds of the time axis (chapter 7). Members are a coordinate, ``number``, missing planes are
NaN. Deterministic runs and members stand in variables of their own, the latter with ``member_``
before their name; a field whose intervals of different length end at the same time stands in
several. Which variable is what field of which run is said by its attributes.
"""

import os
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from windowwatch.clock import from_unix_s, to_unix_s
from windowwatch.errors import DecodeError, shown
from windowwatch.forecast.cycle import Cycle, SourceFile
from windowwatch.forecast.grib.messages import Kind
from windowwatch.forecast.models import FIELDS, ON_LEVELS, Field, Selector
from windowwatch.forecast.notes import (
    CopiesDiffer,
    IntervalsUnknown,
    Note,
    Notes,
    OverIntervals,
    SaidBefore,
    UnperturbedLeftOut,
)
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
#: What others call such a dataset, so that xarray has few doors.
CycleDataset = xr.Dataset
_RUNS = ("control", "members")
_AXES = ("number", "step", "level")
_BEGINS_AND_ENDS = "bounds"
#: Attribute of a field: so many of its planes were there twice with other values.
COPIES_DIFFER = "copies_that_differ"
#: Attribute of the dataset: 1 where an ensemble's own unperturbed run was left out.
_LEFT_OUT = "unperturbed_run_left_out"
#: Attribute of the dataset with sentences, of versions that did not keep facts.
_SAID_BEFORE = "remarks"
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


def arranged(
    arrays: Sequence[xr.DataArray], reference_utc: datetime, *, left_out: bool = False
) -> xr.Dataset:
    """One dataset of arrays that share latitudes and longitudes.

    Parameters
    ----------
    arrays : sequence of DataArray
        Dimensions ``number, step, level, latitude, longitude``; ``step``, and ``start`` beside
        it, are where an interval ends and begins after the reference time. [s] Attributes are
        those of `attributes_of`.
    reference_utc : datetime
    left_out : bool, optional
        Whether an ensemble's own unperturbed run was left out of the control.
    """
    variables: dict[str, Any] = {}
    coordinates: dict[str, Any] = {
        axis: (axis, arrays[0][axis].values, _AXIS_ATTRIBUTES[axis])
        for axis in ("latitude", "longitude")
    }
    for array in arrays:
        prefix = "member_" if array.attrs["run"] == "members" else ""
        key = next(
            name
            for count in range(len(variables) + 1)
            if (name := f"{prefix}{array.attrs['field']}{f'_{count}' if count else ''}")
            not in variables
        )
        number, level = (
            _axis(coordinates, axis, array[axis].values.astype(kind))
            for axis, kind in (("number", _WHOLE), ("level", np.float64))
        )
        dims = (number, _step_axis(coordinates, array, reference_utc), level)
        variables[key] = ((*dims, "latitude", "longitude"), array.values, array.attrs)
    attributes = {
        "Conventions": "CF-1.8",
        "forecast_reference_time": reference_utc.isoformat(),
        "reference_unix_s": to_unix_s(reference_utc),
        **({_LEFT_OUT: 1} if left_out else {}),
    }
    return xr.Dataset(variables, coordinates, attributes)


def attributes_of(run: str, field: Field, selector: Selector, members: int) -> dict[str, Any]:
    """Attributes of a field's variable.

    `run` is ``"control"`` or ``"members"``; `members` how many forecasts the source says its
    ensemble has, 0 if it has none.
    """
    return {
        "long_name": field.words,
        "field": field.name,
        "run": run,
        "scale_to_field_unit": selector.scale,
        "ensemble_size": members,
        "cell_methods": f"time: {selector.kind.method}",
    } | named(field.name, selector)


def arrays_of(dataset: xr.Dataset, run: str) -> dict[str, list[xr.DataArray]]:
    """Fields of a run by our names: arrays as `arranged` takes them, values not copied.

    The coordinate ``start`` is absent where a stored file does not know its intervals.
    """
    return {
        field: [_array_of(dataset, variable) for variable in variables]
        for field, variables in _variables_of(dataset, run).items()
    }


def _variables_of(dataset: xr.Dataset, run: str) -> dict[str, list[xr.Variable]]:
    """Fields of a run by our names, as they are held: to make an array of each takes long."""
    found: dict[str, list[xr.Variable]] = {}
    for name in dataset.data_vars:
        variable = dataset.variables[name]
        if variable.attrs.get("run") == run:
            found.setdefault(variable.attrs["field"], []).append(variable)
    return found


def _array_of(dataset: xr.Dataset, variable: xr.Variable) -> xr.DataArray:
    """A variable with the axes by their own names, and where its intervals begin."""
    held = dataset.variables
    starts = _starts_s(dataset, variable)
    return xr.DataArray(
        variable.values,
        dims=(*_AXES, "latitude", "longitude"),
        coords={
            **{axis: held[dim].values for axis, dim in zip(_AXES, variable.dims, strict=False)},
            "latitude": held["latitude"].values,
            "longitude": held["longitude"].values,
            **({} if starts is None else {"start": ("step", starts)}),
        },
        attrs=variable.attrs,
    )


def seconds_of(array: xr.DataArray) -> list[int]:
    """Steps of an array after the reference time. [s]"""
    return [int(value) for value in array["step"].values]


def remarks_of(dataset: xr.Dataset) -> Notes:
    """What was assumed; fields that were stored without their intervals among it."""
    held = [
        variable
        for run in _RUNS
        for several in _variables_of(dataset, run).values()
        for variable in several
    ]
    lacking = dict.fromkeys(v.attrs["field"] for v in held if _starts_s(dataset, v) is None)
    if _SAID_BEFORE in dataset.attrs:
        remarks: list[Note] = [SaidBefore(text) for text in _texts(dataset.attrs[_SAID_BEFORE])]
    else:
        remarks = [UnperturbedLeftOut()] if dataset.attrs.get(_LEFT_OUT) else []
        remarks += [
            CopiesDiffer(variable.attrs["field"], int(variable.attrs[COPIES_DIFFER]))
            for variable in held
            if COPIES_DIFFER in variable.attrs
        ]
        remarks += _over_intervals(held)
    if lacking:
        remarks.append(IntervalsUnknown(tuple(lacking)))
    return tuple(dict.fromkeys(remarks))


def _over_intervals(held: Sequence[xr.Variable]) -> list[Note]:
    """Which fields stand for an interval where one might take them for an instant."""
    found: list[Note] = []
    for kind in (Kind.AVERAGE, Kind.MAXIMUM):
        fields = dict.fromkeys(
            v.attrs["field"] for v in held if _KINDS[v.attrs["cell_methods"]] is kind
        )
        if fields:
            found.append(OverIntervals(kind.method, tuple(fields)))
    return found


@dataclass(frozen=True)
class Said:
    """What a field of a source says over one point, at the steps beside a time.

    Attributes
    ----------
    words, units : str
        What it is, in words, and its unit as the source carries it.
    run : str
        ``"control"`` or ``"members"``.
    level : float or None
        Pressure level [Pa]; None of a surface.
    times_utc : tuple of datetime
        The last step up to the time and the first from it on; one where they are the same, or
        where there is but one.
    values : numpy.ndarray, shape (steps, members)
        As they stand in the source; NaN where it has none.
    """

    words: str
    units: str
    run: str
    level: float | None
    times_utc: tuple[datetime, ...]
    values: np.ndarray


def said_at(
    dataset: xr.Dataset, latitude_deg: float, longitude_deg: float, moment_utc: datetime
) -> tuple[tuple[float, float], tuple[Said, ...]]:
    """All that a cycle says over the grid point next to a place, nothing laid out or filled.

    Returns
    -------
    (latitude_deg, longitude_deg), rows
        The grid point, and its values field by field and level by level.
    """
    rows, wanted_s = [], to_unix_s(moment_utc) - float(dataset.attrs["reference_unix_s"])
    near = (longitude_deg - dataset["longitude"].values + 180.0) % 360.0 - 180.0
    column = int(np.argmin(np.abs(near)))
    row = int(np.argmin(np.abs(dataset["latitude"].values - latitude_deg)))
    for variable in dataset.data_vars.values():
        if "field" not in variable.attrs:
            continue
        _, steps, levels = (dataset[dim] for dim in variable.dims[:3])
        behind = int(np.searchsorted(steps.values, wanted_s, side="right")) - 1
        ahead = int(np.searchsorted(steps.values, wanted_s, side="left"))
        beside = sorted({i for i in (behind, ahead) if 0 <= i < steps.size})
        times = tuple(
            from_unix_s(dataset.attrs["reference_unix_s"] + float(steps.values[i])) for i in beside
        )
        here = variable.isel({variable.dims[3]: row, variable.dims[4]: column}).values
        for number, level in enumerate(levels.values):
            attributes = variable.attrs
            aloft = attributes["field"] in ON_LEVELS
            rows.append(
                Said(
                    attributes["long_name"],
                    attributes["units"],
                    attributes["run"],
                    float(level) if aloft else None,
                    times,
                    here[:, beside, number].T,
                )
            )
    point = float(dataset["latitude"].values[row]), float(dataset["longitude"].values[column])
    return point, tuple(rows)


def with_origin(
    dataset: xr.Dataset, cycle: Cycle, files: Sequence[SourceFile], credit: str
) -> xr.Dataset:
    """The dataset with its cycle's name, the files that it was decoded from, and whose data."""
    return dataset.assign_attrs(
        title=f"{cycle.id}, cut out",
        model=cycle.model,
        source=credit,
        source_paths=[file.path for file in files],
        source_sha256=[file.sha256 for file in files],
        source_bytes=[file.size_bytes for file in files],
    )


def files_of(dataset: xr.Dataset) -> tuple[SourceFile, ...]:
    """Files that a dataset with an origin was decoded from."""
    attributes = dataset.attrs
    paths, sums = _texts(attributes["source_paths"]), _texts(attributes["source_sha256"])
    sizes = np.atleast_1d(attributes["source_bytes"])
    return tuple(
        SourceFile(path, sha, int(size)) for path, sha, size in zip(paths, sums, sizes, strict=True)
    )


def cycle_of(dataset: xr.Dataset) -> Cycle:
    """The cycle that a dataset with an origin is of."""
    reference: datetime = from_unix_s(float(dataset.attrs["reference_unix_s"]))
    return Cycle(reference, str(dataset.attrs["model"]))


def write_archive(path: Path, dataset: xr.Dataset) -> None:
    """Write a dataset with an origin: beside its place first, flushed, then renamed.

    Raises
    ------
    OSError
        If the disk refuses.
    """
    part = path.with_suffix(".nc.part")
    path.parent.mkdir(parents=True, exist_ok=True)
    encoding: dict[Any, Any] = {name: {"_FillValue": None} for name in dataset.variables}
    dataset.to_netcdf(part, engine="netcdf4", format="NETCDF4", encoding=encoding)
    with part.open("rb") as file:
        os.fsync(file.fileno())
    part.replace(path)


def read_archive(path: Path) -> xr.Dataset:
    """Read a stored dataset whole into memory, as it is.

    Raises
    ------
    DecodeError
        If it is not a file of ours, or damaged.
    """
    with _opened(path, "; remove it, it is made again") as opened:
        dataset = opened.load()
        cycle_of(dataset), files_of(dataset), remarks_of(dataset)
        for array in dataset.data_vars.values():
            if "field" in array.attrs:
                selector_of(array)
        return dataset


def archived_cycle(path: Path) -> Cycle:
    """Which cycle a stored dataset is, without reading it whole.

    Raises
    ------
    DecodeError
        If it is not a file of ours, or damaged.
    """
    with _opened(path) as opened:
        return cycle_of(opened)


@contextmanager
def _opened(path: Path, fix: str = "") -> Iterator[xr.Dataset]:
    """A stored dataset; what is wrong with it while it is read is an error that names the file."""
    try:
        with xr.open_dataset(
            path, engine="netcdf4", decode_cf=False, mask_and_scale=False
        ) as opened:
            yield opened
    except (OSError, KeyError, ValueError, TypeError, IndexError) as error:
        why = f"cannot be read as a stored cycle ({type(error).__name__}: {error})"
        raise DecodeError(f"{shown(path)}: {why}{fix}") from error


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


def _step_axis(coordinates: dict[str, Any], array: xr.DataArray, reference_utc: datetime) -> str:
    """Name of a dimension with the steps of an array and their intervals, made if there is none.

    Each has the time beside it, and where values stand for intervals both have bounds.
    """
    ends = np.array(seconds_of(array), dtype=_WHOLE)
    bounds: Any = None
    if array.attrs["cell_methods"] != "time: point":
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


def _texts(value: Any) -> Sequence[str]:
    """A list of texts; NetCDF gives a list of one back as the text itself."""
    return [value] if isinstance(value, str) else [str(text) for text in value]


def _starts_s(dataset: xr.Dataset, variable: xr.Variable) -> list[int] | None:
    """Where the intervals of a field begin: by its bounds, or as files had it before those."""
    step = dataset.variables[variable.dims[_AXES.index("step")]]
    if "bounds" in step.attrs:
        starts = dataset.variables[step.attrs["bounds"]].values[:, 0]
    elif "interval_start_s" in variable.attrs:
        starts = np.atleast_1d(variable.attrs["interval_start_s"])
    elif _KINDS[variable.attrs["cell_methods"]] is Kind.INSTANT:
        starts = step.values
    else:
        return None
    return [int(start) for start in starts]


def selector_of(array: xr.DataArray) -> Selector:
    """How a field was coded, as far as its values still tell: kind, unit and what it counts from.

    Raises
    ------
    ValueError
        If no way of coding it gives such values.
    """
    name, attributes = array.attrs["field"], array.attrs
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
