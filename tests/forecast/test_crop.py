"""Cropping any grid to a box, over any meridian."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from windowwatch.errors import SourceError
from windowwatch.forecast.grib.grid import Area, Grid, crop

GLOBE = Grid(0, 0, 144, 73, 90.0, 0.0, -90.0, 357.5)
RISING_GLOBE = Grid(0, 64, 360, 181, -90.0, -180.0, 90.0, 179.0)
CLOSED_GLOBE = Grid(0, 0, 73, 37, 90.0, -180.0, -90.0, 180.0)
ISLAND = Grid(0, 0, 13, 13, 49.0, 322.0, 43.0, 328.0)
OVER_GREENWICH = Grid(0, 0, 9, 5, 55.0, 350.0, 45.0, 10.0)
OVER_DATE_LINE = Grid(0, 0, 9, 5, -10.0, 170.0, -20.0, -170.0)


def test_a_whole_regional_grid_runs_one_way_from_its_west() -> None:
    whole = crop(ISLAND, None)
    assert whole.longitude_deg[0] == -38.0
    assert whole.longitude_deg[-1] == -32.0
    assert (whole.latitude_deg[0], whole.latitude_deg[-1]) == (49.0, 43.0)
    assert list(whole.columns) == list(range(13))


def test_a_whole_globe_has_no_seam() -> None:
    whole = crop(GLOBE, None)
    assert whole.longitude_deg[-1] - whole.longitude_deg[0] == 360.0
    assert whole.columns[-1] == whole.columns[0] == 0


@pytest.mark.parametrize(
    ("grid", "area", "west", "east"),
    [
        (GLOBE, (44.0, -3.0, 52.0, 4.0), -5.0, 5.0),
        (GLOBE, (44.0, 357.0, 52.0, 364.0), -5.0, 5.0),
        (GLOBE, (-20.0, 175.0, -10.0, 186.0), 175.0, 187.5),
        (GLOBE, (-20.0, 175.0, -10.0, -174.0), 175.0, 187.5),
        (CLOSED_GLOBE, (-20.0, 175.0, -10.0, 186.0), 175.0, 190.0),
        (OVER_GREENWICH, (46.0, -4.0, 54.0, 4.0), -5.0, 5.0),
        (OVER_DATE_LINE, (-18.0, 176.0, -12.0, 183.0), 175.0, 185.0),
        (ISLAND, (40.0, -40.0, 60.0, -30.0), -38.0, -32.0),
    ],
)
def test_the_box_is_found_over_any_meridian(
    grid: Grid, area: Area, west: float, east: float
) -> None:
    box = crop(grid, area)
    assert (box.longitude_deg[0], box.longitude_deg[-1]) == (west, east)


@settings(max_examples=300, deadline=None)
@given(
    grid=st.sampled_from([GLOBE, RISING_GLOBE, CLOSED_GLOBE]),
    south=st.floats(-89.0, 80.0),
    height=st.floats(0.0, 9.0),
    west=st.floats(-180.0, 360.0),
    width=st.floats(0.0, 359.0),
)
def test_what_is_kept_covers_the_area_tightly_and_lies_where_it_says(
    grid: Grid, south: float, height: float, west: float, width: float
) -> None:
    """Against the definition: covers, less than one grid step wider on each side, same points."""
    box = crop(grid, (south, west, south + height, west + width))
    step = grid.longitude_deg[1] - grid.longitude_deg[0]
    rise = abs(grid.latitude_deg[1] - grid.latitude_deg[0])
    latitude, longitude = np.sort(box.latitude_deg), box.longitude_deg
    assert latitude[0] <= south <= south + height <= latitude[-1]
    assert latitude[-1] - latitude[0] < height + 2 * rise + 1e-9
    if longitude[-1] - longitude[0] < 360.0:
        lead = (west - longitude[0]) % 360.0
        lead = 0.0 if lead > 360.0 - 1e-4 else lead
        assert lead + width <= longitude[-1] - longitude[0] + 1e-4
        assert longitude[-1] - longitude[0] < width + 2 * step + 1e-4
    assert np.allclose(np.diff(longitude), step)
    there = grid.longitude_deg[box.columns]
    assert np.allclose((there - longitude + 180.0) % 360.0, 180.0)
    assert np.array_equal(grid.latitude_deg[box.rows], box.latitude_deg)


@pytest.mark.parametrize(
    "area", [(10.0, -36.0, 20.0, -34.0), (44.0, 5.0, 46.0, 9.0), (44.0, -50.0, 46.0, -39.0)]
)
def test_a_grid_elsewhere_is_refused_with_both_positions(area: Area) -> None:
    with pytest.raises(SourceError) as caught:
        crop(ISLAND, area, "a.grib2")
    words = caught.value.message
    assert words.startswith(
        "a.grib2: covers 13 x 13 points, latitude 49 to 43, longitude -38 to -32"
    )
    assert f"latitude {area[0]:.2f} to {area[2]:.2f}" in words
    assert "correct the sites" in words


def test_a_point_on_a_grid_line_still_gets_two_rows_and_columns() -> None:
    box = crop(ISLAND, (46.0, -36.0, 46.0, -36.0))
    assert box.latitude_deg.size >= 2
    assert box.longitude_deg.size >= 2
    corner = crop(ISLAND, (43.0, -32.0, 43.0, -32.0))
    assert corner.latitude_deg.size == 2
    assert corner.longitude_deg.size == 2
