"""Weather that cannot be: refused with file, field, level, time, or missing where it stands."""

import os
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from grib_maker import Box, Message, aloft, ground, write

from windowwatch.errors import ImpossibleWeatherError
from windowwatch.forecast.cycle import Cycle, CycleData
from windowwatch.forecast.dataset import arrays_of
from windowwatch.forecast.normalise import build_cycle
from windowwatch.forecast.notes import ThicknessOff
from windowwatch.forecast.plausible import misfits, thickness_m
from windowwatch.forecast.sources import load_file, load_files, open_files
from windowwatch.wording.gaps import notes_words

SAMPLES = Path(__file__).resolve().parents[2] / "grib_samples"
REAL = Path(os.environ.get("WINDOWWATCH_REFERENCE_DATA", ".")) / "gfs.t12z.pgrbf120.2p5deg.grib2"
WIDE = Box(rows=9, columns=9)
SLOPE = np.linspace(0.0, 3.0, 81).reshape(9, 9)


@pytest.mark.parametrize(
    ("pressure_hpa", "temperature_k", "humidity", "metres"),
    [
        # MetPy 1.7.1, calc.thickness_hydrostatic, run once outside of the tests (see DEVELOPERS.md)
        ((1000, 925), (293.15, 289.15), (0.0116995, 0.0104438), 668.874),
        ((850, 700), (285.15, 276.15), (0.0061735, 0.0026963), 1599.283),
        ((500, 400), (253.15, 241.15), None, 1614.277),
        ((100, 50), (205.15, 212.15), None, 4233.279),
        ((1000, 850), (303.15, 295.15), (0.0240505, 0.0175694), 1441.107),
    ],
)
def test_thickness_is_metpys(
    pressure_hpa: tuple[float, float],
    temperature_k: tuple[float, float],
    humidity: tuple[float, float] | None,
    metres: float,
) -> None:
    def column(values: tuple[float, float]) -> np.ndarray:
        return np.array(values, dtype=np.float32)[:, None, None]

    found = thickness_m(
        100.0 * np.array(pressure_hpa, dtype=np.float64),
        column(temperature_k),
        None if humidity is None else column(humidity),
    )
    assert found[0, 0] == pytest.approx(metres, rel=2e-4)


def test_a_level_that_fits_neither_neighbour_is_at_fault_alone() -> None:
    pressure = np.array([70_000.0, 60_000.0, 50_000.0, 40_000.0])
    heights = (29.27 * 250.0 * np.log(101_325.0 / pressure))[:, None, None] * np.ones((4, 2, 2))
    warmth = np.full((4, 2, 2), 250.0, dtype=np.float32)
    low = np.zeros((2, 2), dtype=np.float32)
    assert misfits(pressure, heights.astype(np.float32), warmth, low) == []
    for level, wrong in ((2, [2]), (1, [1]), (0, [0, 1]), (3, [2, 3])):
        damaged = heights.astype(np.float32)
        damaged[level, 0, 1] += 300.0
        found = misfits(pressure, damaged, warmth, low)
        assert [n for n, _ in found] == wrong
        assert isinstance(found[0][1], ThicknessOff)
        damaged[level] = np.nan  # a level that is missing says nothing
        assert misfits(pressure, damaged, warmth, low) == []


def _wide(damage: dict[tuple[str, int, int], object] | None = None) -> list[Message]:
    """Five steps of six levels with sloping fields; `damage` by field, level and step."""
    found = []
    for step in (0, 3, 6, 9, 12):
        for message in aloft(step, levels=(1000, 850, 700, 500, 300, 200)):
            values = np.asarray(message.values) + SLOPE
            given = (damage or {}).get((message.what, message.level, step), values)
            found.append(replace(message, values=given))  # type: ignore[arg-type]
        found.append(Message("gust", step, 4.0 + SLOPE))
    return found + ground()


def _load(tmp_path: Path, messages: list[Message]) -> CycleData:
    return load_file(write(tmp_path / "a.grib2", messages, WIDE), "x")


def test_what_is_wrong_at_one_step_is_missing_there(tmp_path: Path) -> None:
    sound = _load(tmp_path, _wide())
    assert not np.isnan(sound.wind.air).any()
    damaged = _load(tmp_path, _wide({("gh", 500, 6): 0.0}))
    said = [
        words for words in notes_words(damaged.gaps) if "geopotential height at 500 hPa" in words
    ]
    assert any("is not used" in words and "at +6 h" in words for words in said)
    at_m = 29.27 * 250.0 * np.log(1013.25 / 500.0)
    near = int(np.argmin(np.abs(damaged.wind.height_m - at_m)))
    lost = np.isnan(damaged.wind.air[0, :, :, :, near]).any(axis=(1, 2, 3))
    assert lost.tolist() == [False, False, True, False, False]


@pytest.mark.parametrize("values", [0.0, 5.0])
def test_a_wind_that_stands_still_at_every_step_refuses_the_cycle(
    tmp_path: Path, values: float
) -> None:
    damage = {(what, 200, step): values for what in "uv" for step in (0, 3, 6, 9, 12)}
    with pytest.raises(ImpossibleWeatherError, match=r"a\.grib2: .*wind at 200 hPa at \+0 h"):
        _load(tmp_path, _wide(damage))  # type: ignore[arg-type]


def test_gusts_of_zero_are_missing_after_the_first_step(tmp_path: Path) -> None:
    messages = [m for m in _wide() if m.what != "gust"]
    gusts = [Message("gust", step, 0.0 if step == 9 else 4.0 + SLOPE) for step in (0, 3, 6, 9, 12)]
    data = _load(tmp_path, messages + gusts)
    lost = np.isnan(data.surface.fields["gust_mps"][0]).all(axis=(1, 2))
    assert lost.tolist() == [False, False, False, True, False]
    assert "wind gust is not used, it is 0 everywhere, at +9 h" in notes_words(data.gaps)


def test_copies_that_contradict_refuse_the_cycle(tmp_path: Path) -> None:
    with pytest.raises(ImpossibleWeatherError, match="holds wind gust once more"):
        _load(tmp_path, [*_wide(), Message("gust", 3, 9.0 + SLOPE)])
    holes = np.where(SLOPE > 2.9, np.nan, 4.0 + SLOPE)
    with pytest.raises(ImpossibleWeatherError, match="one of them is wrong"):
        _load(tmp_path, [*_wide(), Message("gust", 3, holes)])


@pytest.mark.samples
@pytest.mark.parametrize(
    "names",
    [
        ("skerra-2026-05-04T18Z.grib2",),
        ("skerra-2026-05-04T12Z.grib2", "skerra-members-2026-05-04T12Z.grib2"),
        ("skerra-b/skerra-b-2026-05-04T12Z.grib2",),
    ],
)
def test_samples_pass(names: tuple[str, ...]) -> None:
    data = load_files([SAMPLES / name for name in names], "skerra")
    assert not any("is not used" in words for words in notes_words(data.gaps))


@pytest.fixture(scope="module")
def globe() -> xr.Dataset:
    if not REAL.is_file():
        pytest.skip("WINDOWWATCH_REFERENCE_DATA names no folder with the real GFS step")
    return open_files([REAL], None)[0]


def _damaged(globe: xr.Dataset, name: str, level_hpa: float, change: object) -> xr.Dataset:
    damaged = globe.copy(deep=True)
    for array in arrays_of(damaged, "control")[name]:
        place = array["level"].values.tolist().index(100.0 * level_hpa)
        array.values[:, :, place] = change(array.values[:, :, place])  # type: ignore[operator]
    return damaged


def _build(opened: xr.Dataset) -> CycleData:
    return build_cycle(opened, Cycle(datetime(2011, 1, 10, 12, tzinfo=UTC), "gfs"), [])


@pytest.mark.real_data
def test_the_real_step_passes(globe: xr.Dataset) -> None:
    assert not any("is not used" in words for words in notes_words(_build(globe).gaps))


@pytest.mark.real_data
@pytest.mark.parametrize("level_hpa", [925.0, 500.0, 250.0, 50.0])
@pytest.mark.parametrize(
    ("name", "change"),
    [
        ("gh", lambda x: 0.0 * x),
        ("gh", lambda x: x + 5000.0),
        ("gh", lambda x: x - 500.0),
        ("t", lambda x: x - 60.0),
        ("t", lambda x: x[..., ::-1, :] * 0.0 + 250.0),
        ("u", lambda x: 0.0 * x),
        ("v", lambda x: 0.0 * x + 12.0),
    ],
)
def test_the_real_step_damaged_is_refused(
    globe: xr.Dataset, name: str, level_hpa: float, change: object
) -> None:
    with pytest.raises(ImpossibleWeatherError, match=r"hPa at \+120 h cannot be weather"):
        _build(_damaged(globe, name, level_hpa, change))
