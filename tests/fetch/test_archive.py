"""The NetCDF file of a cycle: read back exactly, opened by plain xarray, damage named."""

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from grib_maker import Message, aloft, ground, write
from made_air import whole_air
from provider import CYCLE, gfs_messages, samples

from windowwatch.errors import DecodeError
from windowwatch.forecast.cycle import Cycle, CycleData, SourceFile
from windowwatch.forecast.dataset import (
    CF,
    cycle_of,
    files_of,
    named,
    read_archive,
    with_origin,
    write_archive,
)
from windowwatch.forecast.grib.arrange import open_cycle
from windowwatch.forecast.grib.framing import walk
from windowwatch.forecast.models import FIELDS
from windowwatch.forecast.normalise import build_cycle

STEPS = (0, 3, 6)
MEMBERS = "skerra-members-2026-05-04T12Z.grib2"


def made(folder: Path, *, members: bool) -> xr.Dataset:
    """A cycle of three steps, on request with members, decoded."""
    path = folder / "c.grib2"
    data = b"".join(m.data for step in STEPS for m in gfs_messages(CYCLE, step))
    if members:
        data += b"".join(m.data for m in samples(MEMBERS, (0, 6)) if m.member in (1, 2))
    path.write_bytes(data)
    framing = walk(path)
    files = (SourceFile(framing.path, framing.sha256, framing.size_bytes),)
    opened = open_cycle([framing], (44.0, -37.0, 47.0, -33.0))
    return with_origin(opened, Cycle(CYCLE, "gfs"), files, "Data: invented.")


def built(archived: xr.Dataset) -> CycleData:
    return build_cycle(archived, cycle_of(archived), files_of(archived))


@pytest.mark.parametrize("members", [False, True])
def test_a_cycle_comes_back_bit_by_bit(members: bool, tmp_path: Path) -> None:
    archived = made(tmp_path, members=members)
    path = tmp_path / "deep" / "cycle.nc"
    write_archive(path, archived)
    assert [p.name for p in path.parent.iterdir()] == ["cycle.nc"]
    again = read_archive(path)
    assert cycle_of(again) == Cycle(CYCLE, "gfs")
    assert files_of(again) == files_of(archived)
    assert again.attrs["source"] == "Data: invented."
    assert again.variables.keys() == archived.variables.keys(), "kept as it is"
    for name, variable in archived.variables.items():
        kept = again.variables[name]
        assert (kept.dims, kept.dtype) == (variable.dims, variable.dtype), name
        assert np.array_equal(kept.values, variable.values, equal_nan=True), name
        # what is beside dimensions is named for whoever opens the file: xarray adds that
        assert kept.attrs.items() >= variable.attrs.items(), name
    one, other = built(archived), built(again)
    assert np.array_equal(whole_air(one.wind), whole_air(other.wind), equal_nan=True)
    assert one.wind.member_labels == other.wind.member_labels
    for axis in ("time_unix_s", "latitude_deg", "longitude_deg", "height_m", "terrain_m"):
        assert np.array_equal(getattr(one.wind, axis), getattr(other.wind, axis)), axis
    assert one.surface.fields.keys() == other.surface.fields.keys()
    for name, values in one.surface.fields.items():
        assert np.array_equal(values, other.surface.fields[name], equal_nan=True), name
    assert (one.gaps, one.remarks, one.files) == (other.gaps, other.remarks, other.files)
    write_archive(path, archived)  # over itself, as after a fuller pass
    assert files_of(read_archive(path)) == files_of(archived)


def test_every_field_has_a_unit_and_a_name() -> None:
    """Names: CF standard name table; of these two quantities it has none of their meaning."""
    assert set(CF) == set(FIELDS)
    for name, field in FIELDS.items():
        assert field.words
        for selector in field.selectors:
            found = named(name, selector)
            assert found["units"], name
            assert ("standard_name" in found) == (name not in {"ceiling_m", "freezing_rain"}), name
            if selector.scale in (100.0, 1000.0):  # ECMWF's fraction, and its metres of water
                assert found["units"] == {100.0: "1", 1000.0: "m"}[selector.scale], name
            elif selector.scale not in (1.0, 3600.0):  # geopotential is not its height
                assert found["standard_name"] in {"geopotential", "surface_geopotential"}
                assert found["units"] == "m2 s-2"
    assert named("q", FIELDS["q"].selectors[0])["units"] == "1"
    assert named("r", FIELDS["r"].selectors[0])["units"] == "%"


@pytest.mark.parametrize(("what", "value"), [("r", 80.0), ("q", 4e-4)])
def test_humidity_comes_back_and_says_its_unit(what: str, value: float, tmp_path: Path) -> None:
    messages = [message for step in (0, 3) for message in aloft(step)] + ground()
    messages += [Message(what, step, value, hpa) for step in (0, 3) for hpa in (1000, 500)]
    messages += [Message("old ceiling", step, 900.0) for step in (0, 3)]
    freezing = {"parameterNumber": 34}
    messages += [Message("rate", step, 1.0, keys=freezing) for step in (0, 3)]
    framing = walk(write(tmp_path / "a.grib2", messages))
    files = (SourceFile(framing.path, framing.sha256, framing.size_bytes),)
    archived = with_origin(open_cycle([framing], None), Cycle(CYCLE, "x"), files, "Data: invented.")
    path = tmp_path / "cycle.nc"
    write_archive(path, archived)
    one, other = built(archived), built(read_archive(path))
    assert one.wind.moisture is not None
    assert other.wind.moisture is not None
    assert (one.wind.moisture > 2e-4).all()
    assert np.array_equal(one.wind.moisture, other.wind.moisture)
    assert np.array_equal(whole_air(one.wind), whole_air(other.wind))
    for name in ("ceiling_m", "freezing_rain"):
        assert np.array_equal(one.surface.fields[name], other.surface.fields[name])
    with xr.open_dataset(path) as dataset:
        units = {name: dataset[name].attrs["units"] for name in (what, "freezing_rain")}
        assert units == {what: {"r": "%", "q": "1"}[what], "freezing_rain": "1"}
        assert dataset[what].attrs["long_name"].endswith("humidity")
        assert float(dataset[what].mean()) == pytest.approx(value, rel=1e-3)
        assert dataset["ceiling_m"].attrs["comment"] == "above sea level"


def test_it_opens_in_plain_xarray(tmp_path: Path) -> None:
    path = tmp_path / "cycle.nc"
    archived = made(tmp_path, members=False)
    write_archive(path, archived)
    with xr.open_dataset(path) as dataset:
        assert dataset["u"].attrs["standard_name"] == "eastward_wind"
        assert dataset["u"].attrs["units"] == "m s-1"
        assert dataset["pressure_msl_pa"].attrs["units"] == "Pa"
        assert dataset.attrs["Conventions"] == "CF-1.8"
        assert dataset.attrs["model"] == "gfs"
        assert dataset.attrs["source_sha256"] == files_of(archived)[0].sha256
        assert dataset.attrs["source"] == "Data: invented."
        value = dataset["t"].sel(latitude=45.0, longitude=-35.0, level=50_000.0).isel(number=0)
        assert 230.0 < float(value.isel(step=0)) < 280.0


def test_what_is_damaged_is_named(tmp_path: Path) -> None:
    path = tmp_path / "cycle.nc"
    write_archive(path, made(tmp_path, members=False))
    data = path.read_bytes()
    for bad in (data[: len(data) // 3], b"<html>", b""):
        path.write_bytes(bad)
        with pytest.raises(DecodeError, match=r"cycle\.nc: cannot be read as a stored cycle"):
            read_archive(path)
    xr.Dataset({"a": ("x", [1.0])}).to_netcdf(path, engine="netcdf4")
    with pytest.raises(DecodeError, match="cannot be read as a stored cycle"):
        read_archive(path)


@pytest.mark.parametrize(
    "order",
    [
        "netCDF4 cfgrib shapely",
        "cfgrib netCDF4 shapely",
        "shapely netCDF4 cfgrib",
        "numba cfgrib shapely netCDF4",
    ],
)
def test_libraries_of_c_live_together_in_any_order(order: str) -> None:
    """netCDF4 brings HDF5 and more; ecCodes has crashed beside another library before."""
    code = (
        f"import importlib\nfor m in {order.split()!r}: importlib.import_module(m)\n"
        "import numpy as np, xarray as xr, tempfile, pathlib, eccodes, shapely\n"
        "p = pathlib.Path(tempfile.mkdtemp()) / 'x.nc'\n"
        "xr.Dataset({'a': ('x', np.ones(3))}).to_netcdf(p, engine='netcdf4')\n"
        "assert float(xr.open_dataset(p, engine='netcdf4').a.sum()) == 3\n"
        "h = eccodes.codes_grib_new_from_samples('regular_ll_pl_grib2')\n"
        "assert len(eccodes.codes_get_values(h)) > 0\n"
        "assert shapely.Point(0, 0).buffer(1).area > 3\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
