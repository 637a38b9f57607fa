"""Intervals in the NetCDF file of a cycle: bounds and cell methods of CF, and files before those.

CF Metadata Conventions 1.8: bounds 7.1, cell methods 7.3 and appendix E, data types 2.2. Written
files were also held against an independent checker of these conventions, by hand.
"""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from grib_maker import AVERAGE, GREATEST, SUM, Message, aloft, ground, write
from made_air import whole_air
from provider import CYCLE

from windowwatch.errors import DecodeError
from windowwatch.forecast.cycle import Cycle, CycleData, SourceFile
from windowwatch.forecast.dataset import (
    cycle_of,
    files_of,
    read_archive,
    with_origin,
    write_archive,
)
from windowwatch.forecast.grib.arrange import open_cycle
from windowwatch.forecast.grib.framing import walk
from windowwatch.forecast.normalise import build_cycle
from windowwatch.wording.gaps import notes_words

METHODS = {"gust_mps": "maximum", "precipitation_mm": "sum", "cloud_total_pct": "mean"}
#: Begin and end of what the made file has, in hours.
BOUNDS = {
    "gust_mps": [(2, 3), (5, 6), (3, 9)],
    "precipitation_mm": [(0, 3), (0, 6), (0, 9)],
    "cloud_total_pct": [(0, 3), (3, 6), (6, 9)],
}
#: What files said of the kind of a field before intervals were bounds.
OLD_WORDS = {
    "point": "at the time",
    "maximum": "greatest in an interval",
    "sum": "sum over an interval",
    "mean": "mean over an interval",
}


def made(folder: Path) -> xr.Dataset:
    """Gusts of one hour and of six, totals since the start, means of three hours, instants."""
    at = (0, 3, 6, 9)
    messages = [m for step in at for m in aloft(step)] + ground()
    messages += [Message("2t", step, 280.0 + step) for step in at]
    messages += [Message("old ceiling", step, 900.0) for step in at]
    messages += [
        Message(what, values=0.5 * start + end, window=(start, end), kind=kind)
        for what, name, kind in (
            ("10gust", "gust_mps", GREATEST),
            ("rain", "precipitation_mm", SUM),
            ("total cloud", "cloud_total_pct", AVERAGE),
        )
        for start, end in BOUNDS[name]
    ]
    framing = walk(write(folder / "a.grib2", messages))
    files = (SourceFile(framing.path, framing.sha256, framing.size_bytes),)
    return with_origin(open_cycle([framing], None), Cycle(CYCLE, "x"), files, "Data: invented.")


def built(archived: xr.Dataset) -> CycleData:
    return build_cycle(archived, cycle_of(archived), files_of(archived))


def same(one: CycleData, other: CycleData) -> None:
    assert np.array_equal(whole_air(one.wind), whole_air(other.wind))
    assert one.surface.fields.keys() == other.surface.fields.keys()
    for name, values in one.surface.fields.items():
        assert np.array_equal(values, other.surface.fields[name], equal_nan=True), name
    assert one.surface.cells.keys() == other.surface.cells.keys() == METHODS.keys()
    for name, cells in one.surface.cells.items():
        assert cells.method == other.surface.cells[name].method == METHODS[name]
        starts = other.surface.cells[name].start_unix_s
        assert np.array_equal(cells.start_unix_s, starts, equal_nan=True), name


def rewritten(path: Path, change: Callable[[xr.Dataset], xr.Dataset]) -> None:
    with xr.open_dataset(path, decode_cf=False) as opened:
        dataset = change(opened.load())
    dataset.to_netcdf(path, engine="netcdf4")


def as_before(dataset: xr.Dataset) -> xr.Dataset:
    """The file as it was written before intervals were bounds: they were an attribute."""
    for variable in dataset.data_vars.values():
        if "field" not in variable.attrs:
            continue
        step = dataset[variable.dims[1]]
        starts = step.values
        if "bounds" in step.attrs:
            starts = dataset[step.attrs["bounds"]].values[:, 0]
        variable.attrs["interval_start_s"] = starts.astype(np.int64)
        method = variable.attrs["cell_methods"].removeprefix("time: ")
        variable.attrs["cell_methods"] = f"time: {OLD_WORDS[method]}"
        variable.attrs["selector"] = 7
        del variable.attrs["scale_to_field_unit"], variable.attrs["coordinates"]
    return without_bounds(dataset)


def without_bounds(dataset: xr.Dataset) -> xr.Dataset:
    for name in dataset.variables:
        dataset[name].attrs.pop("bounds", None)
    return dataset.drop_vars([n for n in dataset.variables if str(n).endswith("_bounds")])


def test_bounds_and_cell_methods_are_those_of_cf(tmp_path: Path) -> None:
    path = tmp_path / "cycle.nc"
    write_archive(path, made(tmp_path))
    with xr.open_dataset(path) as dataset:  # decoded by xarray: times are times
        for name, method in METHODS.items():
            field = dataset[name]
            assert field.attrs["cell_methods"] == f"time: {method}"
            (time,) = (c for c in field.coords.values() if c.attrs.get("standard_name") == "time")
            bounds = dataset[time.attrs.get("bounds") or time.encoding["bounds"]]
            assert bounds.shape == (*time.shape, 2)
            assert np.array_equal(bounds[:, 1], time)
            hours = (bounds - np.datetime64(CYCLE.replace(tzinfo=None))) / np.timedelta64(1, "h")
            assert [tuple(row) for row in hours.values.tolist()] == BOUNDS[name]
        assert dataset["temperature_2m_k"].attrs["cell_methods"] == "time: point"
    with xr.open_dataset(path, decode_cf=False) as dataset:
        assert not any("bounds" in dataset[d].attrs for d in dataset["temperature_2m_k"].dims)
        gust = dataset[dataset["gust_mps"].dims[1]]
        assert gust.attrs["standard_name"] == "forecast_period"
        assert dataset[gust.attrs["bounds"]].values.tolist() == [
            [3600 * start, 3600 * end] for start, end in BOUNDS["gust_mps"]
        ]
        assert {v.dtype.name for v in dataset.variables.values()} <= {"int32", "float32", "float64"}


def test_intervals_come_back_as_they_were(tmp_path: Path) -> None:
    archived, path = made(tmp_path), tmp_path / "cycle.nc"
    write_archive(path, archived)
    again = read_archive(path)
    same(built(archived), built(again))
    assert built(again).remarks == built(archived).remarks
    starts = built(again).surface.cells["gust_mps"].start_unix_s - CYCLE.timestamp()
    assert np.array_equal(starts / 3600.0, [np.nan, 2, 5, 3], equal_nan=True)


def test_a_file_from_before_bounds_is_read_with_its_intervals(tmp_path: Path) -> None:
    archived, path = made(tmp_path), tmp_path / "cycle.nc"
    write_archive(path, archived)
    rewritten(path, as_before)
    same(built(archived), built(read_archive(path)))


def test_without_intervals_values_are_taken_as_before_and_it_is_said(tmp_path: Path) -> None:
    archived, path = made(tmp_path), tmp_path / "cycle.nc"
    write_archive(path, archived)
    rewritten(path, without_bounds)
    data = built(read_archive(path))
    (said,) = (remark for remark in notes_words(data.remarks) if "without intervals" in remark)
    for words in ("wind gust", "precipitation amount", "total cloud"):
        assert words in said
    assert "temperature" not in said
    assert data.surface.cells.keys() == {"precipitation_mm"}, "only a sum has a length at least"
    gust = data.surface.fields["gust_mps"][0, :, 0, 0]
    assert gust.tolist() == pytest.approx([np.nan, 4.0, 8.5, 10.5], nan_ok=True)


def test_a_form_that_is_not_known_is_named(tmp_path: Path) -> None:
    path = tmp_path / "cycle.nc"
    write_archive(path, made(tmp_path))

    def strange(dataset: xr.Dataset) -> xr.Dataset:
        dataset["gust_mps"].attrs["units"] = "knot"
        return dataset

    rewritten(path, strange)
    with pytest.raises(DecodeError, match="gust_mps is stored in a form that is not known"):
        read_archive(path)
