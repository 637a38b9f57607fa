"""The invented archive: air in balance, seasons and spells, and values that fit their packing."""

from pathlib import Path
from typing import Any

import make_archive
import numpy as np
import pytest
import xarray as xr

pytestmark = pytest.mark.survey


@pytest.fixture(scope="module")
def made() -> xr.Dataset:
    return make_archive.archive()


def middle(made: xr.Dataset, name: str, **more: Any) -> xr.DataArray:
    """A field over the middle of the island."""
    return made[name].sel(latitude=46.0, longitude=325.5, **more)


def test_it_has_three_whole_years_every_six_hours(made: xr.Dataset) -> None:
    assert made.sizes["valid_time"] == 4 * (365 + 366 + 365)
    assert set(np.unique(np.diff(made.valid_time.values))) == {np.timedelta64(6, "h")}


def test_thickness_follows_from_temperature(made: xr.Dataset) -> None:
    """The hypsometric equation, by trapezoids between its own levels; the tropopause is between."""
    some = made.isel(valid_time=slice(0, None, 97))
    depth = np.log(1000.0 / some.pressure_level.values)
    warm = some.t.values
    thick = np.sum(0.5 * (warm[:, 1:10] + warm[:, :9]) * np.diff(depth)[:9, None, None], axis=1)
    found = (some.z.values[:, 9] - some.z.values[:, 0]) / 9.80665
    np.testing.assert_allclose(found, 287.053 / 9.80665 * thick, rtol=2e-3)


def test_wind_aloft_is_in_balance_with_heights(made: xr.Dataset) -> None:
    """Geostrophic balance by central differences of the stored heights, away from the edges."""
    some = made.isel(valid_time=slice(0, None, 97)).sel(pressure_level=[850.0, 500.0, 250.0])
    latitude = np.radians(some.latitude.values)[None, None, :, None]
    metre = 111_200.0
    coriolis = 2.0 * 7.292e-5 * np.sin(latitude)
    north = np.gradient(some.z.values, axis=2) / (-1.5 * metre)
    east = np.gradient(some.z.values, axis=3) / (1.5 * metre * np.cos(np.radians(46.0)))
    inner = (..., slice(1, -1), slice(1, -1))
    for given, balanced in ((some.u, -north / coriolis), (some.v, east / coriolis)):
        error = (given.values - balanced)[inner]
        assert np.sqrt(np.mean(error**2)) < 0.06 * np.sqrt(np.mean(given.values[inner] ** 2)) + 0.3


def test_seasons_and_spells(made: xr.Dataset) -> None:
    month = made.valid_time.dt.month.values
    winter, summer = np.isin(month, (12, 1, 2)), np.isin(month, (6, 7, 8))
    speed = np.hypot(middle(made, "u10").values, middle(made, "v10").values)
    assert speed[winter].mean() > 1.15 * speed[summer].mean()
    far = middle(made, "u", pressure_level=10.0).values  # the stratosphere turns with the season
    assert far[winter].mean() > 15.0
    assert far[summer].mean() < -2.0
    daily = speed[: 4 * (speed.size // 4)].reshape(-1, 4).mean(axis=1)
    daily = daily - daily.mean()
    lagged = [float(np.mean(daily[n:] * daily[:-n]) / daily.var()) for n in (1, 10)]
    assert lagged[0] > 0.45  # a windy day follows a windy day …
    assert lagged[1] < 0.25  # … but not for weeks
    rain = middle(made, "tp").values
    assert 0.02 < np.mean(rain > 1e-4) < 0.3
    assert np.all(rain[middle(made, "tcc").values < 0.5] == 0.0)


def test_every_value_fits_its_packing_and_the_same_seed_gives_the_same(made: xr.Dataset) -> None:
    for name, (_, _, scale) in make_archive._UNITS.items():
        steps = (made[name].values - make_archive._ADDED.get(name, 0.0)) / scale
        assert np.abs(steps).max() < 32_767, name
    assert made.t.values.tobytes() == make_archive.archive().t.values.tobytes()


def test_it_is_written_whole_and_read_back(
    made: xr.Dataset, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    few = made.isel(valid_time=slice(0, 130))
    monkeypatch.setattr(make_archive, "archive", lambda: few)
    place = make_archive.write(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == [make_archive.NAME]
    with xr.open_dataset(place, engine="zarr", chunks=None, consolidated=False) as back:
        assert np.abs(back.u.values - few.u.values).max() <= 0.0051
        assert np.abs(back.z.values - few.z.values).max() <= 4.1
    stamp = place.stat().st_mtime_ns
    assert make_archive.write(tmp_path) == place
    assert place.stat().st_mtime_ns == stamp
