"""A real GFS step of 2011: multi-field messages, 0-360, falling axes, old cloud layers.

The file comes from the public-domain output of NOAA/NCEP and is not part of the project; the
folder that holds it is named by the environment variable below.
"""

import os
from pathlib import Path

import numpy as np
import pytest
from grib_maker import FloatArray, loop

from windowwatch.forecast.cycle import CycleData
from windowwatch.forecast.grib.framing import walk
from windowwatch.forecast.grib.reader import inventory
from windowwatch.forecast.sources import load_file, scan_folder
from windowwatch.physics.atmosphere import geometric_height_m
from windowwatch.wording.gaps import notes_words

pytestmark = pytest.mark.real_data

FOLDER = "WINDOWWATCH_REFERENCE_DATA"
EUROPE, PLAINS = (50.0, 10.0), (37.5, -97.5)  # grid points, so that no interpolation hides


@pytest.fixture(scope="module")
def path() -> str:
    folder = os.environ.get(FOLDER)
    if not folder:
        pytest.skip(f"the real GFS step is not here: {FOLDER} is not set")
    found = Path(folder) / "gfs.t12z.pgrbf120.2p5deg.grib2"
    if not found.is_file():
        pytest.skip(f"{found} is not there")
    return str(found)


@pytest.fixture(scope="module")
def globe(path: str) -> CycleData:
    return load_file(path, "gfs")


@pytest.fixture(scope="module")
def fields(path: str) -> list[tuple[dict[str, int], FloatArray]]:
    return list(loop(path))


def _find(
    fields: list[tuple[dict[str, int], FloatArray]], *code: int, level: int | None = None
) -> FloatArray:
    """The one field with this discipline, category, number and surface, on rising latitudes."""
    names = ("discipline", "parameterCategory", "parameterNumber", "typeOfFirstFixedSurface")
    found = [
        values
        for keys, values in fields
        if tuple(keys[name] for name in names) == code
        and level in (None, keys["scaledValueOfFirstFixedSurface"])
    ]
    assert len(found) == 1
    return found[0][::-1]


def test_the_file_is_what_it_is_known_to_be(path: str) -> None:
    framing = walk(path)
    assert (len(framing.frames), framing.fields) == (307, 343)
    keys = inventory(path)
    assert len(keys) == 343
    pairs = [key for key in keys if key.surface == 100 and key.parameter in (2, 3)]
    winds = [key for key in pairs if key.category == 2]
    assert len(winds) == 52, "U and V share their messages; both are seen"
    assert len({key.message for key in winds}) == 26


def test_the_cycle_is_read_from_the_header(globe: CycleData) -> None:
    assert globe.cycle.id == "gfs-2011-01-10T12Z"
    valid = globe.wind.cycle_unix_s + 120 * 3600
    assert globe.wind.time_unix_s.tolist() == [valid - 10800, valid + 10800]
    assert "valid 2011-01-15 12:00 UTC (+120 h)" in notes_words(globe.remarks)[-1]
    assert notes_words(globe.gaps) == (
        "not in the files: eastward wind at 100 m, northward wind at 100 m, dew point at 2 m, "
        "cloud ceiling, visibility",
    )


def test_the_globe_is_closed_and_upright(globe: CycleData) -> None:
    assert globe.wind.latitude_deg.tolist() == np.arange(-90.0, 90.1, 2.5).tolist()
    assert globe.wind.longitude_deg.tolist() == np.arange(0.0, 360.1, 2.5).tolist()
    assert not np.isnan(globe.wind.air).any()
    assert 28_000.0 < globe.wind.top_height_m < 32_000.0  # 10 hPa
    for place in (EUROPE, PLAINS, (10.0, -1.0), (10.0, 359.9)):
        assert globe.wind.covers(*place)


@pytest.mark.parametrize(
    ("name", "code", "level", "scale"),
    [
        ("wind_u_10m_mps", (0, 2, 2, 103), 10, 1.0),
        ("wind_v_10m_mps", (0, 2, 3, 103), 10, 1.0),
        ("gust_mps", (0, 2, 22, 1), None, 1.0),
        ("temperature_2m_k", (0, 0, 0, 103), 2, 1.0),
        ("pressure_msl_pa", (0, 3, 1, 101), None, 1.0),
        ("pressure_surface_pa", (0, 3, 0, 1), None, 1.0),
        ("cloud_low_pct", (0, 6, 1, 214), None, 1.0),
        ("cloud_middle_pct", (0, 6, 1, 224), None, 1.0),
        ("cloud_high_pct", (0, 6, 1, 234), None, 1.0),
        ("cloud_total_pct", (0, 6, 1, 200), None, 1.0),
        ("precipitation_rate_mmph", (0, 1, 7, 1), None, 3600.0),
        ("precipitation_mm", (0, 1, 8, 1), None, 1.0),
        ("cape_jpkg", (0, 7, 6, 1), None, 1.0),
        ("lifted_index_k", (0, 7, 192, 1), None, 1.0),
        ("freezing_rain", (0, 1, 193, 1), None, 1.0),
    ],
)
def test_surface_fields_equal_the_loop(
    globe: CycleData,
    fields: list[tuple[dict[str, int], FloatArray]],
    name: str,
    code: tuple[int, int, int, int],
    level: int | None,
    scale: float,
) -> None:
    expected = (_find(fields, *code, level=level) * scale).astype(np.float32)
    plane = globe.surface.fields[name][0, 1]
    assert np.allclose(plane[:, :-1], expected, rtol=1e-6, atol=1e-6)
    assert np.array_equal(plane[:, -1], plane[:, 0])


def test_terrain_and_land_equal_the_loop(
    globe: CycleData, fields: list[tuple[dict[str, int], FloatArray]]
) -> None:
    assert np.allclose(globe.wind.terrain_m[:, :-1], _find(fields, 0, 3, 5, 1), atol=1e-3)
    assert globe.surface.land_fraction is not None
    assert np.array_equal(globe.surface.land_fraction[:, :-1], _find(fields, 2, 0, 0, 1))


@pytest.mark.parametrize("place", [EUROPE, PLAINS], ids=["Europe", "US plains"])
@pytest.mark.parametrize("cropped", [False, True])
def test_the_column_over_a_site_equals_the_loop(
    path: str,
    globe: CycleData,
    fields: list[tuple[dict[str, int], FloatArray]],
    place: tuple[float, float],
    cropped: bool,
) -> None:
    """Wind, temperature and pressure at fixed heights, interpolated here from the loop's levels."""
    latitude, longitude = place
    data = globe
    if cropped:
        box = (latitude - 6.0, longitude - 8.0, latitude + 6.0, longitude + 8.0)
        data = load_file(path, "gfs", area=box)
        assert data.wind.air.size < globe.wind.air.size / 50
    levels = sorted(
        {k["scaledValueOfFirstFixedSurface"] for k, _ in fields if _is_wind(k)}, reverse=True
    )
    assert len(levels) == 26
    row, column = round((latitude + 90.0) / 2.5), round(longitude % 360.0 / 2.5)
    u, v, t, gh = (
        np.array([_find(fields, *code, 100, level=p)[row, column] for p in levels])
        for code in ((0, 2, 2), (0, 2, 3), (0, 0, 0), (0, 3, 5))
    )
    height = geometric_height_m(gh, latitude)
    y = int(np.argmin(np.abs(data.wind.latitude_deg - latitude)))
    x = int(np.argmin(np.abs((data.wind.longitude_deg - longitude + 180.0) % 360.0 - 180.0)))
    z = data.wind.height_m
    inside = (z > height[4]) & (z > data.wind.terrain_m[y, x] + 300.0) & (z < height[-1])
    assert inside.sum() > 80
    air = data.wind.air[0, 0, y, x, inside]
    for column_values, k, tolerance in ((u, 0, 2e-3), (v, 1, 2e-3), (t, 2, 0.05)):
        assert np.allclose(air[:, k], np.interp(z[inside], height, column_values), atol=tolerance)
    # of dry air as dense as the moist air: p - (1 - 0.62198) e, with e after WMO-No. 8, annex 4.B
    humid = [
        _find(fields, 0, 1, 1, 100, level=p)[row, column] if p >= 20_000 else 0.0 for p in levels
    ]
    celsius = t - 273.15
    water = 611.2 * np.exp(17.62 * celsius / (243.12 + celsius))
    ice = 611.2 * np.exp(22.46 * celsius / (272.62 + celsius))
    share = np.clip(1.0 + celsius / 20.0, 0.0, 1.0)
    vapour = np.array(humid) / 100.0 * (share * water + (1.0 - share) * ice)
    effective = np.array(levels) - (1.0 - 0.62198) * vapour
    assert 1e-4 < 1.0 - effective[0] / levels[0] < 0.01
    log_pressure = np.interp(z[inside], height, np.log(effective))
    assert np.allclose(air[:, 3], log_pressure, atol=1e-4)
    assert data.wind.moisture is not None
    low = int(np.argmax(height > data.wind.terrain_m[y, x]))
    assert data.wind.moisture[0, y, x] == pytest.approx(
        1.0 - effective[low] / levels[low], rel=1e-3
    )


def _is_wind(keys: dict[str, int]) -> bool:
    return (
        keys["typeOfFirstFixedSurface"] == 100
        and (keys["parameterCategory"], keys["parameterNumber"]) == (2, 2)
    )  # fmt: skip


def test_the_folder_is_searched_without_choking_on_its_neighbours(path: str) -> None:
    """A radiosonde report in BUFR lies beside it: set aside by name, and the step is found."""
    look = scan_folder(Path(path).parent, model="gfs")
    assert [found.cycle.id for found in look.cycles] == ["gfs-2011-01-10T12Z"]
    assert [Path(item.path).name for item in look.set_aside] == ["temp_hires.bufr"]
    assert "is no GRIB file, it begins with" in look.set_aside[0].reason
