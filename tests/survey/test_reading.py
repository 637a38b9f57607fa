"""Archives in every shape: each read right, or one error that says what is wrong."""

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import fsspec
import made_archive
import numpy as np
import pytest
import xarray as xr
from fsspec.implementations.local import LocalFileSystem
from grib_maker import Message, aloft, ground, write

from windowwatch.errors import (
    DecodeError,
    ForecastError,
    ImpossibleWeatherError,
    InputError,
    MissingFieldError,
    SourceError,
)
from windowwatch.survey.archive import Archive
from windowwatch.survey.flying import fly_block
from windowwatch.survey.names import Mapped, read_mapping
from windowwatch.survey.opening import open_archive
from windowwatch.survey.plan import planned
from windowwatch.survey.rows import Rows, State

pytestmark = pytest.mark.survey

MADE = made_archive.archive(days=3.0)
AREA = (44.0, -37.0, 48.0, -33.0)
FIELDS = ("u", "v", "t", "gh", "q", "wind_u_10m_mps", "gust_mps", "precipitation_mm")


def everything(archive: Archive) -> dict[str, Any]:
    """What an archive holds of an area, by our names."""
    cut, times = archive.cut(AREA), archive.times_of("u")
    read = {name: archive.read(name, times, cut) for name in FIELDS}
    axes = {"times": times, "rows": cut.latitude_deg, "levels": archive.level_pa,
            "columns": np.mod(cut.longitude_deg, 360.0)}  # fmt: skip
    return read | axes


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    return everything(made_archive.opened(MADE, tmp_path_factory.mktemp("plain") / "a.zarr"))


def as_netcdf(made: xr.Dataset, folder: Path) -> str:
    """A file of levels for each day, and one for what is near the ground."""
    flat = [name for name in made.data_vars if "pressure_level" not in made[name].dims]
    made[flat].to_netcdf(folder / "near.nc")
    for day in range(3):
        part = made.drop_vars(flat).isel(valid_time=slice(4 * day, 4 * day + 4))
        part.to_netcdf(folder / f"aloft-{2 - day}.nc")  # names need not follow the days
    return str(folder)


def west_to_east(made: xr.Dataset) -> xr.Dataset:
    """Longitudes from -180 to 180."""
    east = (made.longitude.values + 180.0) % 360.0 - 180.0
    return made.assign_coords(longitude=("longitude", east, made.longitude.attrs)).sortby(
        "longitude"
    )


def in_pascals(made: xr.Dataset) -> xr.Dataset:
    level = ("pressure_level", made.pressure_level.values * 100.0, {"units": "Pa"})
    return made.assign_coords(pressure_level=level).rename(pressure_level="plev")


def by_cf_names(made: xr.Dataset) -> xr.Dataset:
    """Names of its own, so that CF says what is what."""
    names = {"u": ("a", "eastward_wind"), "v": ("b", "northward_wind"),
             "t": ("c", "air_temperature"), "z": ("d", "geopotential")}  # fmt: skip
    for old, (_, standard) in names.items():
        made = made.assign({old: made[old].assign_attrs(standard_name=standard)})
    return made.rename({old: new for old, (new, _) in names.items()} | {"valid_time": "time"})


BACKWARDS = slice(None, None, -1)
SHAPES: dict[str, Callable[[xr.Dataset, Path], str]] = {
    "zarr 2": lambda made, to: made_archive.write(made, to / "x.zarr", zarr_format=2),
    "a folder of NetCDF files": as_netcdf,
    "latitudes and levels the other way": lambda made, to: made_archive.write(
        made.isel(latitude=BACKWARDS, pressure_level=BACKWARDS), to / "x.zarr"
    ),
    "longitudes -180 to 180": lambda made, to: made_archive.write(
        west_to_east(made), to / "x.zarr"
    ),
    "levels in pascals": lambda made, to: made_archive.write(in_pascals(made), to / "x.zarr"),
    "CF names alone": lambda made, to: made_archive.write(by_cf_names(made), to / "x.zarr"),
    "other dimensions first": lambda made, to: made_archive.write(
        made.transpose("longitude", "latitude", ...), to / "x.zarr"
    ),
    "an hour twice, the same": lambda made, to: made_archive.write(
        xr.concat([made.isel(valid_time=slice(0, 5)), made.isel(valid_time=slice(4, None))],
                  "valid_time", data_vars="minimal"), to / "x.zarr",
    ),
}  # fmt: skip


@pytest.mark.parametrize("shape", SHAPES)
def test_the_same_weather_in_another_shape_is_the_same(
    shape: str, tmp_path: Path, plain: dict[str, Any]
) -> None:
    address = SHAPES[shape](MADE, tmp_path)
    for name, values in everything(open_archive(address)).items():
        np.testing.assert_array_equal(values, plain[name], err_msg=name)


def test_a_folder_of_grib_files(tmp_path: Path) -> None:
    """Against the values that ecCodes wrote: 12-bit packing of round numbers is exact enough."""
    levels = (1000, 850, 700, 500, 300, 100)
    for number, hour in enumerate((0, 6, 12, 18)):
        more: dict[str, Any] = {"hour": hour, "ymd": 20240501}
        speed = 5.0 + number
        messages = [
            *aloft(levels=levels, wind=speed, **more), *ground(**more),
            Message("10u", values=speed / 2.0, **more), Message("10v", values=1.0, **more),
            Message("2t", values=280.0, **more), Message("gust", values=speed, **more),
        ]  # fmt: skip
        write(tmp_path / f"{3 - number}.grib2", messages)
    archive = open_archive(str(tmp_path))
    assert {"u", "v", "t", "gh", "orography", "land_fraction", "wind_u_10m_mps", "gust_mps",
            "temperature_2m_k"} <= archive.fields  # fmt: skip
    np.testing.assert_array_equal(archive.level_pa, 100.0 * np.array(levels))
    times = archive.times_of("u")
    assert archive.step_s == 6 * 3600.0
    assert times[0] == 1_714_521_600.0  # 2024-05-01T00:00Z
    cut = archive.cut((43.0, -9.0, 49.0, -1.0))
    assert (np.diff(cut.latitude_deg) > 0.0).all()
    for k in range(4):
        np.testing.assert_allclose(archive.read("u", times, cut)[k], 5.0 + k, rtol=1e-3)
        np.testing.assert_allclose(archive.read("wind_u_10m_mps", times, cut)[k], 2.5 + k / 2)
    height = archive.read("gh", times, cut)[0, 3]
    np.testing.assert_allclose(
        height, 287.05287 * 250.0 / 9.80665 * np.log(1013.25 / 500), rtol=1e-3
    )
    assert archive.read_still("orography", cut)[0, 0] == pytest.approx(120.0, abs=0.1)
    assert not list(tmp_path.glob("*.idx"))


def test_values_are_those_that_were_written(plain: dict[str, Any]) -> None:
    """Against xarray's own selection by labels, in our units."""
    there = MADE.sel(latitude=plain["rows"], longitude=plain["columns"])
    np.testing.assert_array_equal(plain["u"], there["u"].values)
    np.testing.assert_allclose(plain["gh"], there["z"].values / 9.80665, rtol=1e-6)
    np.testing.assert_allclose(plain["precipitation_mm"], 1e3 * there["tp"].values, rtol=1e-6)


def test_a_unit_that_changes_from_file_to_file_is_followed(
    tmp_path: Path, plain: dict[str, Any]
) -> None:
    as_netcdf(MADE, tmp_path)
    with xr.open_dataset(tmp_path / "aloft-1.nc") as file:
        one = file.load()
    one["t"] = (one["t"] - 273.15).assign_attrs(units="degC")
    one["u"] = (one["u"] * 3.6).assign_attrs(units="km/h")
    (tmp_path / "aloft-1.nc").unlink()
    one.to_netcdf(tmp_path / "aloft-1.nc")
    found = everything(open_archive(str(tmp_path)))
    np.testing.assert_allclose(found["t"], plain["t"], rtol=2e-7)
    np.testing.assert_allclose(found["u"], plain["u"], rtol=2e-7, atol=1e-6)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda d: d.assign(t=(d["t"] - 273.15).assign_attrs(units="K")),
         "t (temperature) at 2024-05-02 00:00 UTC"),
        (lambda d: d.assign(z=d["z"].assign_attrs(units="m")),
         "z (geopotential height) at 2024-05-02 00:00"),
        (lambda d: d.assign(u=d["u"].assign_attrs(units="furlongs")), "u has the unit 'furlongs'"),
        (lambda d: d.assign(u=d["u"].drop_attrs()), "u (eastward wind) does not say its unit"),
        (lambda d: d.isel(pressure_level=slice(3, None)), "lacks the levels 1000, 975, 950 hPa"),
        (lambda d: d.isel(latitude=slice(1, None)), "its latitudes are not those of"),
    ],
)  # fmt: skip
def test_a_file_that_is_wrong_is_named_with_variable_and_time(
    tmp_path: Path, change: Callable[[xr.Dataset], xr.Dataset], says: str
) -> None:
    as_netcdf(MADE, tmp_path)
    with xr.open_dataset(tmp_path / "aloft-1.nc") as file:
        one = change(file.load())
    (tmp_path / "aloft-1.nc").unlink()
    one.to_netcdf(tmp_path / "aloft-1.nc")
    with pytest.raises(ForecastError) as error:
        everything(open_archive(str(tmp_path)))
    assert says in error.value.message
    assert "aloft-1.nc" in error.value.message


def test_an_hour_that_is_there_twice_and_differs_is_named(tmp_path: Path) -> None:
    again = MADE.isel(valid_time=slice(4, 6)).assign(u=MADE["u"].isel(valid_time=slice(4, 6)) + 1.0)
    again["u"].attrs = MADE["u"].attrs
    both = xr.concat([MADE, again], "valid_time", data_vars="minimal")
    with pytest.raises(ImpossibleWeatherError, match=r"u \(eastward wind\) is there twice for "
                                                     r"2024-05-02 00:00 UTC"):  # fmt: skip
        everything(made_archive.opened(both, tmp_path / "x.zarr"))


class Unsteady(LocalFileSystem):  # type: ignore[misc]
    """Files of this machine, of which every so manieth read fails."""

    protocol = "unsteady"
    cachable = False
    every, reads = 50, 0

    def cat_file(self, path: str, *args: Any, **more: Any) -> Any:
        type(self).reads += 1
        if type(self).reads % self.every == 0:
            raise OSError("the network is unsteady")
        return super().cat_file(path, *args, **more)

    @classmethod
    def _strip_protocol(cls, path: Any) -> Any:
        return super()._strip_protocol(str(path).removeprefix("unsteady://"))


@pytest.fixture
def unsteady(monkeypatch: pytest.MonkeyPatch) -> type[Unsteady]:
    fsspec.register_implementation("unsteady", Unsteady, clobber=True)
    monkeypatch.setattr(Unsteady, "reads", 0)
    monkeypatch.setattr(Unsteady, "every", 50)
    return Unsteady


def test_a_store_that_fails_every_fiftieth_read_is_read_right(
    tmp_path: Path, plain: dict[str, Any], unsteady: type[Unsteady]
) -> None:
    address = made_archive.write(MADE, tmp_path / "x.zarr", chunk=1)
    found = everything(open_archive(f"unsteady://{address}"))
    assert unsteady.reads > 100
    for name, values in found.items():
        np.testing.assert_array_equal(values, plain[name], err_msg=name)


def test_a_store_that_fails_always_is_named_with_variable_and_time(
    tmp_path: Path, unsteady: type[Unsteady], monkeypatch: pytest.MonkeyPatch
) -> None:
    archive = open_archive(f"unsteady://{made_archive.write(MADE, tmp_path / 'x.zarr')}")
    monkeypatch.setattr(unsteady, "every", 1)
    with pytest.raises(SourceError, match=r"u \(eastward wind\) of 2024-05-01 00:00 UTC"):
        everything(archive)


def flown(archive: Archive) -> Rows:
    found = made_archive.survey_of(archive)
    (block,) = (each for each in found.blocks if each.month == 5)
    return fly_block(found.survey, archive, block)


def test_a_hole_makes_those_hours_unknown_and_no_others(tmp_path: Path) -> None:
    whole = made_archive.archive(days=12.0)
    hole = np.arange(whole.sizes["valid_time"])
    hole = np.flatnonzero((hole < 8) | (hole >= 36))  # a week of it
    holed = whole.isel(valid_time=hole)
    archive = made_archive.opened(holed, tmp_path / "holed.zarr")
    remarks = made_archive.survey_of(archive).remarks
    assert any(
        "eastward wind: nothing from 2024-05-03 00:00 to 2024-05-09 18:00" in r for r in remarks
    )
    full = flown(made_archive.opened(whole, tmp_path / "whole.zarr"))
    found = flown(archive)
    np.testing.assert_array_equal(found.time_unix_s, full.time_unix_s)
    first, last = np.datetime64("2024-05-02T18:00"), np.datetime64("2024-05-10T00:00")
    time = found.time_unix_s.astype("datetime64[s]")
    # flights reach for air up to nine hours later, checks for weather of an hour before
    near = (time > first - np.timedelta64(9, "h")) & (time < last + np.timedelta64(1, "h"))
    inside = (time > first) & (time < last)
    ended = time > np.datetime64("2024-05-12T09:00")
    light = found.state != State.DARK
    assert light[inside].any()
    assert (found.state[inside & light] == State.UNKNOWN).all()
    outside = ~near & ~ended
    np.testing.assert_array_equal(found.state[outside], full.state[outside])
    np.testing.assert_array_equal(found.score[outside], full.score[outside])
    np.testing.assert_array_equal(
        found.landing_latitude_deg[outside], full.landing_latitude_deg[outside]
    )
    assert (full.state[inside & light] != State.UNKNOWN).all()


def test_an_archive_says_first_what_it_lacks(tmp_path: Path) -> None:
    few = MADE.sel(pressure_level=[1000, 850, 700, 500, 200, 100]).drop_vars(["z", "q", "lsm"])
    archive = made_archive.opened(few, tmp_path / "few.zarr")
    remarks = "\n".join(made_archive.survey_of(archive, reach_deg=4.0).remarks)
    for words in (
        "heights are worked out hydrostatically from temperature, up from the pressure at the gr",
        "no humidity", "no land mask", "the highest level is 100 hPa",
        "of 2024 to 2024 the archive has 2024-05-01 to 2024-05-03",
        "Near, Far: nothing south of 43.0, north of 49.0",
    ):  # fmt: skip
        assert words in remarks
    left = {
        name: (str(why), names)
        for name, why, names in made_archive.survey_of(archive).survey.left_out
    }
    assert left["visibility"] == ("field", ("visibility_m",))
    with pytest.raises(MissingFieldError, match="nothing of 1990 to 1991; it reaches from 2024-05"):
        planned(made_archive.watch(), archive, Mapped(), (1990, 1991))
    bare = made_archive.opened(few.drop_vars(["v", "sp"]), tmp_path / "bare.zarr")
    with pytest.raises(
        MissingFieldError, match=r"has no northward wind, no geopotential \(or a pre"
    ):
        made_archive.survey_of(bare)


def test_a_site_outside_is_named(tmp_path: Path) -> None:
    archive = made_archive.opened(MADE.isel(longitude=slice(0, 3)), tmp_path / "x.zarr")
    with pytest.raises(
        MissingFieldError, match=r"is in it; it covers 43.0 to 49.0|the site \w+ lies"
    ):
        made_archive.survey_of(archive)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[names]\nwind = 'u'", r"names.py-map: names.wind: no field; one of u, v, t"),
        ("[units]\nu = 'K'", r"units.u = 'K': not a unit of eastward wind; give one of m s-1"),
        ("[interval_h]\nprecipitation_mm = '6'", r"interval_h.precipitation_mm = '6': give hours"),
        ("[name]\nu = 'x'", r"name: no such key"),
        ("[names\n", r"no TOML"),
    ],
)
def test_a_mapping_file_that_is_wrong_is_named(text: str, says: str) -> None:
    with pytest.raises(InputError, match=says):
        read_mapping(text, "names.py-map")


def test_a_mapping_file_names_what_nobody_could_know(tmp_path: Path, plain: dict[str, Any]) -> None:
    odd = MADE.rename(u="one", v="two").assign()
    odd["one"] = (odd["one"] / 0.5144444).assign_attrs(units="?")
    text = (
        "[names]\nu = 'one'\nv = 'two'\n[units]\nu = 'knots'\n[interval_h]\nprecipitation_mm = 6\n"
    )
    archive = made_archive.opened(odd, tmp_path / "x.zarr", read_mapping(text, "m"))
    np.testing.assert_allclose(everything(archive)["u"], plain["u"], rtol=1e-6)
    assert archive.interval_h == {"precipitation_mm": 6.0}


def test_what_is_no_archive_is_said(tmp_path: Path) -> None:
    with pytest.raises(SourceError, match="no such archive"):
        open_archive(str(tmp_path / "none"))
    with pytest.raises(SourceError, match="neither a Zarr store nor a folder"):
        open_archive(str(tmp_path))
    (tmp_path / "a.nc").write_bytes(b"not netcdf")
    with pytest.raises(DecodeError, match=r"a\.nc: cannot be opened"):
        open_archive(str(tmp_path))
    shutil.rmtree(tmp_path)
