"""Grids in Lambert projection as files describe them: against ecCodes' own places."""

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import eccodes
import hrrr_maker
import numpy as np
import pytest

from windowwatch.errors import DecodeError, SourceError
from windowwatch.forecast.atsites import read_at
from windowwatch.forecast.cycle import Cycle
from windowwatch.forecast.finer import FINER
from windowwatch.forecast.grib.framing import walk
from windowwatch.forecast.grib.grid import LambertGrid, read_lambert
from windowwatch.forecast.grib.reader import read_planes
from windowwatch.forecast.sources import load_file
from windowwatch.physics.surface import CellMethod
from windowwatch.scoring.values import Site

RUN = datetime(2026, 5, 4, 12, tzinfo=UTC)
CYCLE = Cycle(RUN, "hrrr")
SITE = Site("Prairie", 38.31, -95.66, 300.0, "America/Chicago")
FAR = Site("Coast", 52.0, 4.0, 0.0, "Europe/Amsterdam")


def _grid(**keys: Any) -> tuple[LambertGrid | str, Any, Any]:
    """The grid as we read it, and ecCodes' latitudes and longitudes [rows, columns]."""
    message = hrrr_maker.encode("gust", RUN, 1, 9.0, **keys).data
    handle = eccodes.codes_new_from_message(message)
    kinds = {"int": eccodes.codes_get_long, "float": eccodes.codes_get_double}

    def get(key: str) -> Any:
        name, _, kind = key.partition(":")
        return kinds[kind](handle, name)

    try:
        found = read_lambert(get)
        shape = (get("Ny:int"), get("Nx:int"))
        if isinstance(found, str):
            return found, None, None
        axes = (eccodes.codes_get_array(handle, name) for name in ("latitudes", "longitudes"))
        return (found, *(axis.reshape(shape) for axis in axes))
    finally:
        eccodes.codes_release(handle)


WHOLE = {
    "Nx": 1799,
    "Ny": 1059,
    "latitudeOfFirstGridPointInDegrees": 21.138123,
    "longitudeOfFirstGridPointInDegrees": 237.280472,
}


@pytest.mark.parametrize(
    "keys",
    [
        {},
        WHOLE,
        {"Latin1InDegrees": 30.0, "Latin2InDegrees": 50.0, "LaDInDegrees": 30.0},
        {"shapeOfTheEarth": 1, "scaleFactorOfRadiusOfSphericalEarth": 0}
        | {"scaledValueOfRadiusOfSphericalEarth": 6_370_000},
    ],
)
def test_points_lie_where_eccodes_has_them(keys: dict[str, Any]) -> None:
    grid, latitude, longitude = _grid(**keys)
    assert isinstance(grid, LambertGrid)
    ours = grid.places(slice(0, grid.rows), slice(0, grid.columns))
    assert np.abs(ours[0] - latitude).max() < 1e-6
    assert np.abs((ours[1] - longitude + 180.0) % 360.0 - 180.0).max() < 1e-6
    row, column = grid.positions(latitude, longitude)
    assert np.abs(row - np.arange(grid.rows)[:, None]).max() < 1e-4
    assert np.abs(column - np.arange(grid.columns)).max() < 1e-4


def test_the_grid_of_the_table_is_the_one_that_such_a_file_describes() -> None:
    assert _grid(**WHOLE)[0] == FINER["hrrr"].grid


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        ({"shapeOfTheEarth": 5}, "shape 5"),
        ({"scanningMode": 0}, "scanned in mode 0"),
        ({"LaDInDegrees": 40.0}, "no standard parallel"),
        ({"projectionCentreFlag": 128}, "turned to the south"),
        ({"Latin1InDegrees": 30.0, "Latin2InDegrees": -30.0, "LaDInDegrees": 30.0}, "no cone"),
    ],
)
def test_other_grids_are_refused_by_name(keys: dict[str, Any], words: str, tmp_path: Path) -> None:
    found, _, _ = _grid(**keys)
    assert isinstance(found, str)
    assert words in found
    path = tmp_path / "one.grib2"
    path.write_bytes(hrrr_maker.encode("gust", RUN, 1, 9.0, **keys).data)
    with pytest.raises(DecodeError, match=words):
        read_planes(walk(path), None)


def test_the_cut_covers_what_is_wanted_and_no_more_than_is_needed(tmp_path: Path) -> None:
    shape = (27, 31)
    values = np.arange(27.0 * 31.0).reshape(shape)
    path = tmp_path / "one.grib2"
    path.write_bytes(hrrr_maker.encode("gust", RUN, 1, values).data)
    (plane,) = read_planes(walk(path), (38.2, -95.8, 38.4, -95.6))
    _, latitude, longitude = _grid()
    inside = (latitude > 38.2) & (latitude < 38.4) & (longitude > 264.2) & (longitude < 264.4)
    assert np.isin(values[inside], plane.values).all()
    assert plane.values.size < 2.0 * inside.sum()
    with pytest.raises(SourceError, match="nothing of what is wanted"):
        read_planes(walk(path), (10.0, 0.0, 12.0, 2.0))


def test_flights_are_not_asked_to_go_through_it(tmp_path: Path) -> None:
    path = tmp_path / "one.grib2"
    path.write_bytes(hrrr_maker.encode("gust", RUN, 1, 9.0).data)
    with pytest.raises(DecodeError, match="near_ground"):
        load_file(path, "hrrr")


def _written(folder: Path, steps: range, **other: Any) -> list[str]:
    paths = []
    for step in steps:
        path = folder / f"{step:02d}.grib2"
        path.write_bytes(b"".join(m.data for m in hrrr_maker.step_of(RUN, step, **other)))
        paths.append(str(path))
    return paths


def test_fields_at_a_site_are_bilinear_and_wind_is_turned(tmp_path: Path) -> None:
    """Fields linear in row and column, so that the value at the site is known beforehand."""
    rows, columns = np.mgrid[0:27, 0:31].astype(float)
    paths = _written(
        tmp_path, range(3), gust=5.0 + 0.2 * rows + 0.1 * columns, right=4.0 + 0.1 * columns, up=2.0
    )
    found = read_at(paths, CYCLE, [SITE, FAR])
    assert list(found.series) == ["Prairie"]
    series = found.series["Prairie"]
    grid, _, _ = _grid()
    assert isinstance(grid, LambertGrid)
    place = np.array(SITE.latitude_deg), np.array(SITE.longitude_deg)
    row, column = map(float, grid.positions(*place))
    assert np.allclose(series.values["gust_mps"], 5.0 + 0.2 * row + 0.1 * column, atol=1e-4)
    # HRRR's meridian is 97.5 W; Snyder's cone constant of one parallel is the sine of it
    turn = np.radians(np.sin(np.radians(38.5)) * (SITE.longitude_deg + 97.5))
    right = 4.0 + 0.1 * column
    east, north = series.values["wind_u_10m_mps"][0], series.values["wind_v_10m_mps"][0]
    assert np.allclose(east, right * np.cos(turn) + 2.0 * np.sin(turn), atol=1e-4)
    assert np.allclose(north, 2.0 * np.cos(turn) - right * np.sin(turn), atol=1e-4)
    assert abs(turn) > np.radians(1.0), "else the turn would not be seen"
    assert np.allclose(series.values["ceiling_m"], 3000.0, atol=1e-2), "above ground, not sea"
    assert series.cells["precipitation_mm"].method is CellMethod.SUM
    lengths = (series.time_unix_s - series.cells["precipitation_mm"].start_unix_s)[1:]
    assert lengths.tolist() == [3600.0, 3600.0]


def test_wind_to_east_and_north_is_left_as_it_is(tmp_path: Path) -> None:
    path = tmp_path / "one.grib2"
    keys = {"resolutionAndComponentFlags": 0}
    parts = [("right", 6.0), ("up", 1.0)]
    path.write_bytes(b"".join(hrrr_maker.encode(w, RUN, 1, v, **keys).data for w, v in parts))
    series = read_at([str(path)], CYCLE, [SITE]).series["Prairie"]
    assert np.allclose(series.values["wind_u_10m_mps"], 6.0)
    assert np.allclose(series.values["wind_v_10m_mps"], 1.0)


def test_the_lowest_neighbour_counts_for_visibility(tmp_path: Path) -> None:
    grid, _, _ = _grid()
    assert isinstance(grid, LambertGrid)
    row, column = grid.positions(np.array(SITE.latitude_deg), np.array(SITE.longitude_deg))
    values = np.full((27, 31), 20_000.0)
    values[int(row) + 1, int(column)] = 400.0
    paths = _written(tmp_path, range(1, 3), visibility=values)
    series = read_at(paths, CYCLE, [SITE]).series["Prairie"]
    assert np.allclose(series.values["visibility_m"], 400.0, atol=1.0)


def test_a_gust_keeps_the_interval_that_it_is_the_greatest_of(tmp_path: Path) -> None:
    path = tmp_path / "g.grib2"
    path.write_bytes(
        b"".join(hrrr_maker.encode("greatest gust", RUN, s, 8.0 + s).data for s in (1, 2, 3))
    )
    series = read_at([str(path)], CYCLE, [SITE]).series["Prairie"]
    assert series.cells["gust_mps"].method is CellMethod.MAXIMUM
    assert (series.time_unix_s - series.cells["gust_mps"].start_unix_s).tolist() == [3600.0] * 3


@pytest.mark.parametrize("lost", ["right", "up"])
def test_one_part_of_the_wind_alone_is_no_wind(tmp_path: Path, lost: str) -> None:
    paths = _written(tmp_path, range(1, 3), **{lost: None})
    series = read_at(paths, CYCLE, [SITE]).series["Prairie"]
    assert not {"wind_u_10m_mps", "wind_v_10m_mps"} & set(series.values)
    assert "gust_mps" in series.values


def test_missing_cells_and_steps_stay_missing(tmp_path: Path) -> None:
    values = np.full((27, 31), 3300.0)
    values[:, :] = np.nan
    paths = _written(tmp_path, range(1, 5), ceiling=values)
    series = read_at([*paths[:2], paths[3]], CYCLE, [SITE]).series["Prairie"]
    assert np.isnan(series.values.get("ceiling_m", np.full((1, 4), np.nan))).all()
    assert np.isnan(series.values["gust_mps"][0]).tolist() == [False, False, True, False]


def test_a_file_of_another_cycle_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "one.grib2"
    other = datetime(2026, 5, 4, 6, tzinfo=UTC)
    path.write_bytes(hrrr_maker.encode("gust", other, 1, 9.0).data)
    with pytest.raises(SourceError, match="not of hrrr-2026-05-04T12Z"):
        read_at([str(path)], CYCLE, [SITE])
