"""Archives opened through xarray, wherever they are: their fields found, units and axes settled.

The only door of the house to zarr and fsspec. What cannot be settled is one error that names file
and variable, and what to do.
"""

import time as clock
import warnings
from collections.abc import Collection, Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from windowwatch.errors import DecodeError, MissingFieldError, SourceError, shown
from windowwatch.survey.archive import (
    FOREIGN,
    ONE_AT_A_TIME,
    PAUSE_S,
    TRIES,
    Archive,
    Part,
    eastward_deg,
)
from windowwatch.survey.names import (
    ALOFT,
    EVERY,
    NEAR_GROUND,
    STILL,
    USUAL_INTERVAL_H,
    Mapped,
    is_named,
    to_ours,
    units_that_fit,
)
from windowwatch.units import FloatArray

_ZARR_MARKS = ("zarr.json", ".zgroup", ".zmetadata")
_ENDS = {".nc": "netcdf4", ".nc4": "netcdf4", ".grib": "cfgrib", ".grb": "cfgrib",
         ".grib2": "cfgrib", ".grb2": "cfgrib"}  # fmt: skip
#: What a GRIB file holds is opened surface by surface: each has another shape.
_GRIB_SURFACES: tuple[dict[str, Any], ...] = (
    {"typeOfLevel": "isobaricInhPa"},
    *({"typeOfLevel": "surface", "stepType": kind} for kind in ("instant", "accum", "max", "avg")),
    *({"typeOfLevel": "heightAboveGround", "level": height} for height in (2, 10, 100)),
    {"typeOfLevel": "meanSea"},
)


def open_archive(address: str, mapped: Mapped | None = None) -> Archive:
    """Open an archive and find its fields; nothing but axes is read.

    Parameters
    ----------
    address : str
        Path, or address that fsspec knows.
    mapped : Mapped, optional
        What a mapping file says of its names and units.

    Raises
    ------
    ForecastError
        If it is not there, cannot be read, or its parts do not fit together; with what is to do.
    """
    mapped = mapped or Mapped()
    remarks: list[str] = []
    parts: dict[str, list[Part]] = {}
    grid: tuple[FloatArray, FloatArray, str] | None = None
    title = ""
    for place, engine in _places(address):
        for dataset in _datasets(place, engine):
            found, axes = _parts_of(dataset, place, engine, mapped)
            title = title or str(dataset.attrs.get("title", ""))
            for part in found:
                parts.setdefault(part.name, []).append(part)
            if found and grid is None:
                grid = (*axes, place)
            elif found and grid is not None:
                _require_same_grid(grid, axes, place)
    if grid is None:
        raise MissingFieldError(
            f"{shown(address)}: no field that is known is in it; name its variables in a mapping "
            "file (see [survey] names)"
        )
    latitude, longitude = grid[0], grid[1]
    _require_even(address, latitude, eastward_deg(longitude))
    times = np.unique(np.concatenate([p.time_s for p in parts.get("u", [])] or [np.empty(0)]))
    return Archive(
        address, parts, latitude, longitude, _common_levels(address, parts),
        _commonest_step_s(times), _intervals(parts, mapped, remarks), remarks, title,
    )  # fmt: skip


def _places(address: str) -> list[tuple[str, str]]:
    """Stores and files of an address, each with the engine that reads it."""
    if "://" in address:
        return _remote_places(address)
    path = Path(address).expanduser()
    if not path.exists():
        raise SourceError(f"{shown(path)}: no such archive; fix [survey] archive")
    if path.is_file():
        return [(str(path), _engine(path))]
    if any((path / mark).exists() for mark in _ZARR_MARKS):
        return [(str(path), "zarr")]
    found = [
        (str(each), "zarr" if each.suffix == ".zarr" else _ENDS[each.suffix])
        for each in sorted(path.rglob("*"))
        if (each.suffix in _ENDS and each.is_file()) or (each.suffix == ".zarr" and each.is_dir())
    ]
    if not found:
        raise SourceError(
            f"{shown(path)}: neither a Zarr store nor a folder with files that end in "
            f"{', '.join(_ENDS)} or .zarr"
        )
    return found


def _engine(path: Path) -> str:
    if path.suffix not in _ENDS:
        raise SourceError(f"{shown(path)}: its name must end in {', '.join(_ENDS)}")
    return _ENDS[path.suffix]


def _remote_places(address: str) -> list[tuple[str, str]]:
    """Likewise, through fsspec; NetCDF and GRIB files are copied whole into its cache."""
    import fsspec

    try:
        system, path = fsspec.core.url_to_fs(address)
        names = [str(each).rsplit("/", 1)[-1] for each in system.ls(path, detail=False)]
        if path.endswith(".zarr") or set(names) & set(_ZARR_MARKS):
            return [(address, "zarr")]
        ends = [name for name in sorted(names) if Path(name).suffix in _ENDS]
        base = address.rstrip("/")
        return [
            (fsspec.open_local(f"simplecache::{base}/{name}"), _ENDS[Path(name).suffix])
            for name in ends
        ]
    except (OSError, ValueError, ImportError) as error:
        raise SourceError(
            f"{shown(address)}: cannot be reached ({type(error).__name__}: {error}); an address "
            "of its kind may need a package of its own, such as s3fs or gcsfs",
            retry=isinstance(error, OSError),
        ) from error


def _datasets(place: str, engine: str) -> Iterator[xr.Dataset]:
    """A store or file as datasets, lazily."""
    surfaces: Sequence[dict[str, Any]] = _GRIB_SURFACES if engine == "cfgrib" else ({},)
    for surface in surfaces:
        more: dict[str, Any] = {}
        if engine == "cfgrib":
            more["backend_kwargs"] = {
                "indexpath": "", "filter_by_keys": surface, "errors": "ignore",
            }  # fmt: skip
        for attempt in range(1, TRIES + 1):
            try:
                with ONE_AT_A_TIME, warnings.catch_warnings():
                    warnings.simplefilter("ignore", RuntimeWarning)  # metadata in one place, or not
                    dataset = xr.open_dataset(
                        place, engine=engine, chunks=None, decode_timedelta=True, **more
                    )
                break
            except FOREIGN as error:
                if attempt == TRIES:
                    raise DecodeError(
                        f"{shown(place)}: cannot be opened ({type(error).__name__}: {error})"
                    ) from error
                clock.sleep(PAUSE_S * 2.0**attempt)
        if surface.get("typeOfLevel") == "heightAboveGround":
            for variable in dataset.data_vars.values():
                variable.attrs["windowwatch_height_m"] = float(surface["level"])
        yield dataset


def _parts_of(
    dataset: xr.Dataset, place: str, engine: str, mapped: Mapped
) -> tuple[list[Part], tuple[FloatArray, FloatArray]]:
    """Parts of one dataset, and its latitudes and longitudes."""
    latitude = _coordinate(dataset, "latitude", "degrees_north", ("latitude", "lat", "y"))
    longitude = _coordinate(dataset, "longitude", "degrees_east", ("longitude", "lon", "x"))
    if latitude is None or longitude is None:
        return [], (np.empty(0), np.empty(0))
    named = {variable: name for name, variable in mapped.names.items()}
    found = []
    for variable, data in dataset.data_vars.items():
        array = _in_order(dataset, data, latitude, longitude, place)
        if array is None:
            continue
        on_levels = "level" in array.dims
        name = named.get(str(variable)) or _name_of(str(variable), data, on_levels)
        if name is None or name not in EVERY or EVERY[name].on_levels != on_levels:
            continue
        factor, summand = _unit(name, data, place, mapped)
        found.append(
            Part(
                name, place, str(variable), array,
                _seconds(array, data, place),
                _pressures(array, place) if on_levels else np.empty(0),
                factor, summand, engine,
            )
        )  # fmt: skip
    axes = tuple(
        np.asarray(dataset[axis].values, dtype=np.float64) for axis in (latitude, longitude)
    )
    return found, (axes[0], axes[1])


def _coordinate(
    dataset: xr.Dataset, standard: str, units: str, names: Collection[str]
) -> str | None:
    for name, values in dataset.coords.items():
        said = values.attrs.get("standard_name"), values.attrs.get("units")
        if values.ndim == 1 and (standard in said or units in said or str(name).lower() in names):
            return str(name)
    return None


def _in_order(
    dataset: xr.Dataset, data: xr.DataArray, latitude: str, longitude: str, place: str
) -> xr.DataArray | None:
    """A variable with our names of dimensions in our order; None for what is no field."""
    if latitude not in data.dims or longitude not in data.dims:
        return None
    renamed = {latitude: "latitude", longitude: "longitude"}
    for dim in map(str, data.dims):
        if dim in renamed:
            continue
        axis = dataset[dim] if dim in dataset.coords else None
        if axis is not None and np.issubdtype(axis.dtype, np.datetime64):
            renamed[dim] = "time"
        elif axis is not None and _is_pressure(dim, axis):
            renamed[dim] = "level"
        elif data.sizes[dim] == 1:
            data = data.isel({dim: 0}, drop=True)
        else:
            raise DecodeError(
                f"{shown(place)}: {data.name} goes along {dim!r}, which is neither time (of a "
                "calendar that people use), pressure nor place; an archive of analyses has one "
                "value for each of these"
            )
    kept = {old: new for old, new in renamed.items() if old in data.dims}
    stored = [kept.get(str(dim), str(dim)) for dim in dataset[data.name].dims]
    array = data.reset_coords(drop=True).rename(kept)
    order = [dim for dim in ("time", "level", "latitude", "longitude") if dim in array.dims]
    out = array.transpose(*order)
    out.encoding = {**dataset[data.name].encoding, "windowwatch_dims": stored}
    return out


def _is_pressure(dim: str, axis: xr.DataArray) -> bool:
    said = axis.attrs.get("standard_name") == "air_pressure" or axis.attrs.get("units") in (
        "hPa", "Pa", "millibars", "mbar", "mb",
    )  # fmt: skip
    return said or dim.lower() in ("level", "pressure_level", "isobaricinhpa", "plev", "lev")


def _name_of(variable: str, data: xr.DataArray, on_levels: bool) -> str | None:
    """Our name of a variable, by its own name first, then by what CF says of it."""
    standard = str(data.attrs.get("standard_name", ""))
    height = data.attrs.get("windowwatch_height_m")
    groups = (ALOFT,) if on_levels else (NEAR_GROUND, STILL)
    for by_name in (True, False):
        for group in groups:
            for name, known in group.items():
                if not is_named(name, variable if by_name else "", "" if by_name else standard):
                    continue
                # a CF name without the height it holds at does not say which of ours it is
                if by_name or known.above_ground_m is None or height == known.above_ground_m:
                    return name
    return None


def _unit(name: str, data: xr.DataArray, place: str, mapped: Mapped) -> tuple[float, float]:
    units = mapped.units.get(name) or data.attrs.get("units")
    if units is None:
        raise MissingFieldError(
            f"{shown(place)}: {data.name} ({EVERY[name].words}) does not say its unit; give it in "
            f"[units] of the mapping file, as {name} = …"
        )
    change = to_ours(name, str(units))
    if change is None:
        raise DecodeError(
            f"{shown(place)}: {data.name} has the unit {units!r}: {units_that_fit(name)}, or set "
            f"it right in [units] of the mapping file, as {name} = …"
        )
    return change


def _seconds(array: xr.DataArray, data: xr.DataArray, place: str) -> FloatArray:
    """Times of a variable; a file of a single time may have it beside its dimensions."""
    if "time" in array.dims:
        times = array["time"].values
    else:
        beside = [data.coords[name] for name in ("valid_time", "time") if name in data.coords]
        alone = [each for each in beside if np.issubdtype(each.dtype, np.datetime64)]
        if not alone or alone[0].ndim:
            return np.empty(0)
        times = np.atleast_1d(alone[0].values)
    if np.isnat(times).any():
        raise DecodeError(f"{shown(place)}: {array.name}: a time on its axis is missing")
    return np.asarray(times.astype("datetime64[s]").astype(np.int64), dtype=np.float64)


def _pressures(array: xr.DataArray, place: str) -> FloatArray:
    axis = array["level"]
    values = np.asarray(axis.values, dtype=np.float64)
    units = str(axis.attrs.get("units", "")).strip()
    change = to_ours("pressure_msl_pa", units)
    if change is None:  # common names of the axis are of hectopascals; greater numbers are pascals
        change = (100.0, 0.0) if values.max() < 2_000.0 else (1.0, 0.0)
    pressure = values * change[0]
    if not ((pressure > 0.0) & (pressure < 1.2e5)).all() or np.unique(pressure).size != values.size:
        raise DecodeError(
            f"{shown(place)}: {array.name}: levels {values.tolist()} are no pressures"
        )
    return pressure


def _require_same_grid(
    grid: tuple[FloatArray, FloatArray, str], axes: tuple[FloatArray, FloatArray], place: str
) -> None:
    for ours, theirs, words in zip(grid[:2], axes, ("latitude", "longitude"), strict=True):
        if ours.shape != theirs.shape or not np.allclose(ours, theirs, atol=1e-4):
            raise DecodeError(
                f"{shown(place)}: its {words}s are not those of {shown(grid[2])}; all files of an "
                "archive must be on one grid, in one order"
            )


def _require_even(address: str, *axes: FloatArray) -> None:
    for axis, words in zip(axes, ("latitude", "longitude"), strict=True):
        steps = np.diff(axis)
        if axis.size < 2 or not np.allclose(steps, steps.mean(), rtol=1e-3, atol=1e-6):
            raise DecodeError(
                f"{shown(address)}: its {words}s are not evenly spaced; put it onto a regular grid"
            )


def _common_levels(address: str, parts: dict[str, list[Part]]) -> FloatArray:
    """Levels of all parts, falling; a part that lacks some of another's is an error."""
    on_levels = [part for name in ALOFT for part in parts.get(name, [])]
    if not on_levels:
        return np.empty(0)
    every = np.unique(np.concatenate([part.level_pa for part in on_levels]))[::-1]
    for part in on_levels:
        lacking = np.setdiff1d(every, part.level_pa)[::-1]
        if lacking.size:
            words = ", ".join(f"{level / 100:g}" for level in lacking)
            raise MissingFieldError(
                f"{shown(part.place)}: {part.variable} ({EVERY[part.name].words}) lacks the levels "
                f"{words} hPa, which other fields or files of {shown(address)} have"
            )
    return every


def _commonest_step_s(times: FloatArray) -> float:
    if times.size < 2:
        return 0.0
    steps, counts = np.unique(np.diff(times), return_counts=True)
    return float(steps[np.argmax(counts)])


def _intervals(
    parts: dict[str, list[Part]], mapped: Mapped, remarks: list[str]
) -> dict[str, float]:
    """Of what interval values are: by the mapping file, by the file itself, or as is usual. [h]"""
    found = dict(mapped.interval_h)
    for name, some in parts.items():
        if name in found or name in ALOFT or name in STILL:
            continue
        methods = str(some[0].data.attrs.get("cell_methods", ""))
        said = _said_hours(methods)
        if said is not None and "point" not in methods:
            found[name] = said
        elif name in USUAL_INTERVAL_H:
            found[name] = USUAL_INTERVAL_H[name]
            remarks.append(
                f"{some[0].variable} is taken as the sum of the last {found[name]:g} h: nothing "
                "says of what interval it is"
            )
    return {name: hours for name, hours in found.items() if hours > 0.0}


def _said_hours(cell_methods: str) -> float | None:
    """Hours in words such as ``time: sum (interval: 6 hours)``."""
    words = cell_methods.replace("(", " ").replace(")", " ").split()
    for before, number, unit in zip(words, words[1:], words[2:], strict=False):
        if before == "interval:" and unit.lower().startswith(("hour", "h")):
            try:
                return float(number)
            except ValueError:
                return None
    return None
