"""Series at a point: bilinear where a mean has a meaning, the lowest neighbour where not."""

import numpy as np
import pytest

from windowwatch.errors import InputError
from windowwatch.physics.surface import SurfaceGrid


def _grid(name: str, corners: list[list[float]], west: float = 10.0) -> SurfaceGrid:
    values = np.array(corners, dtype=np.float32)[None, None]
    return SurfaceGrid(
        np.array([0.0]), np.array([50.0, 51.0]), np.array([west, west + 1.0]), {name: values}
    )


def test_bilinear_in_the_middle_and_exact_at_the_corners() -> None:
    grid = _grid("gust_mps", [[1.0, 2.0], [3.0, 6.0]])
    assert grid.at(50.5, 10.5).values["gust_mps"] == pytest.approx(3.0)
    assert grid.at(51.0, 11.0).values["gust_mps"] == pytest.approx(6.0)
    assert grid.at(50.0, 10.25).values["gust_mps"] == pytest.approx(1.25)


def test_a_low_ceiling_next_door_is_not_averaged_away() -> None:
    grid = _grid("ceiling_m", [[600.0, 20_000.0], [20_000.0, 20_000.0]])
    assert grid.at(50.9, 10.9).values["ceiling_m"] == pytest.approx(600.0)
    assert grid.at(51.0, 11.0).values["ceiling_m"] == pytest.approx(20_000.0)


def test_a_missing_neighbour_is_not_guessed() -> None:
    for name in ("gust_mps", "ceiling_m"):
        grid = _grid(name, [[1.0, np.nan], [3.0, 6.0]])
        assert np.isnan(grid.at(50.5, 10.5).values[name]).all()


def test_across_the_date_line() -> None:
    grid = _grid("gust_mps", [[1.0, 2.0], [1.0, 2.0]], west=179.5)
    assert grid.at(50.5, -179.75).values["gust_mps"] == pytest.approx(1.75)


def test_off_the_grid_is_refused() -> None:
    with pytest.raises(InputError, match=r"longitude 12\.000 is outside the forecast grid"):
        _grid("gust_mps", [[1.0, 2.0], [3.0, 6.0]]).at(50.5, 12.0)
