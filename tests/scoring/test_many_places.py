"""Many places asked at once against each of them asked by itself."""

import numpy as np
import pytest

from windowwatch.errors import InputError
from windowwatch.physics.surface import CellMethod, SurfaceGrid, TimeCells
from windowwatch.scoring.checks.series import (
    extreme_in_span,
    extreme_of_cells,
    extreme_of_steps,
)

TIME = np.arange(0.0, 13.0) * 3600.0
RNG = np.random.default_rng(11)


def _grid(latitudes: int = 5) -> SurfaceGrid:
    shape = (2, TIME.size, latitudes, 6)
    gust = RNG.integers(0, 5, shape).astype(np.float32)  # many are equal
    gust[0, 4, 0, 2] = np.nan
    starts = np.where(np.arange(TIME.size) % 3 == 1, TIME - 3600.0, np.nan)  # gaps between
    return SurfaceGrid(
        TIME,
        np.linspace(50.0, 52.0, latitudes),
        np.linspace(178.0, 183.0, 6),
        {"gust_mps": gust, "ceiling_m": RNG.uniform(100.0, 9e3, shape).astype(np.float32)},
        cells={"gust_mps": TimeCells(CellMethod.MAXIMUM, starts)},
    )


@pytest.mark.parametrize("latitudes", [5, 1])
def test_every_place_has_the_series_it_has_alone(latitudes: int) -> None:
    grid = _grid(latitudes)
    latitude = np.array([50.0, 50.0, 51.3, 52.0, 60.0, 50.7])
    longitude = np.array([178.0, -177.0, 179.5, 181.25, 180.0, -176.9])
    found = grid.at_places(latitude, longitude, grid.fields)
    on_grid = 0
    for place, (y, x) in enumerate(zip(latitude, longitude, strict=True)):
        try:
            alone = grid.at(float(y), float(x)).values
        except InputError:
            assert all(np.isnan(values[:, place]).all() for values in found.values.values())
            continue
        on_grid += 1
        for name, values in found.values.items():
            np.testing.assert_allclose(values[:, place], alone[name], rtol=1e-14, atol=1e-12)
    assert on_grid == (4 if latitudes > 1 else 2)


@pytest.mark.parametrize("highest", [True, False])
def test_every_span_is_answered_as_it_is_alone(highest: bool) -> None:
    grid = _grid()
    series = grid.at_places(np.array([50.2, 51.1, 51.9]), np.array([178.3, 180.0, 182.2]),
                            grid.fields)  # fmt: skip
    values, cells = series.values["gust_mps"], grid.cells["gust_mps"]
    place = RNG.integers(0, 3, 60)
    start = RNG.uniform(-1.0, 11.0, 60).round(1) * 3600.0
    end = start + RNG.choice([0.0, 0.5, 2.0, 4.0], 60) * 3600.0
    known = 0
    for worst in (extreme_in_span, extreme_of_steps):
        found = worst(TIME, values, start, end, highest=highest, place=place)
        for n in range(60):
            span = start[n : n + 1], end[n : n + 1]
            alone = worst(TIME, values[:, place[n]], *span, highest=highest)
            np.testing.assert_array_equal(found[n], alone[0])
    found, over = extreme_of_cells(TIME, values, cells, start, end, highest=highest, place=place)
    for n in range(60):
        span = start[n : n + 1], end[n : n + 1]
        one, its = extreme_of_cells(TIME, values[:, place[n]], cells, *span, highest=highest)
        np.testing.assert_array_equal(found[n], one[0])
        np.testing.assert_array_equal(over.length_s[n], its.length_s[0])
        np.testing.assert_array_equal(over.nearest[n], its.nearest[0])
        known += int(np.isfinite(one).all())
    assert 20 < known < 60


def test_no_span_at_all_has_no_answer() -> None:
    nothing = np.zeros(0)
    found, over = extreme_of_cells(
        TIME, np.zeros((2, TIME.size)), TimeCells(CellMethod.MAXIMUM, TIME - 3600.0),
        nothing, nothing, highest=True,
    )  # fmt: skip
    assert found.shape == over.length_s.shape == (0, 2)
