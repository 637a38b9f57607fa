"""The small map of a notice, looked at by its pixels."""

import io
import logging
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from invented import MILLFIELD, at
from numpy.typing import NDArray
from PIL import Image

from windowwatch.ground.read import read_ground
from windowwatch.ground.values import Ground
from windowwatch.drawing.picture import LARGEST, SIZE_PX, Scene, draw, picture_or_none
from windowwatch.physics.spread import Footprint
from windowwatch.scoring.detail import HourDetail, Track

CONFIG = Path(__file__).parents[2] / "config"
POINTS = 60
SHARE = np.linspace(0.0, 1.0, POINTS)
LATITUDE, LONGITUDE = 45.6 + 0.3 * SHARE, -35.9 + 0.6 * SHARE
MARK = Footprint(45.9, -35.3, 248, 7000.0, 3000.0, 14_000.0, 7000.0, 60.0)
LINE = tuple([1.0] * POINTS)
TRACK = Track(
    tuple((at(7).timestamp() + 7200.0 * SHARE).tolist()),
    tuple(LATITUDE.tolist()),
    tuple(LONGITUDE.tolist()),
    LINE,
    LINE,
    LINE,
    LINE,
    42,
)
DETAIL = HourDetail("Millfield", at(7), TRACK, (45.88, 45.93), (-35.28, -35.35), None, None)
SCENE = Scene("OPENED Millfield Thu 7 May 04:00 to 07:00 local", MILLFIELD, MARK, DETAIL, Ground())


@pytest.fixture(scope="module")
def island() -> Ground:
    near = ((MILLFIELD.latitude_deg, MILLFIELD.longitude_deg),)
    return read_ground(CONFIG / "skerra-areas.geojson", CONFIG / "skerra-roads.geojson", near)


def grey(made: bytes) -> NDArray[np.uint8]:
    """The picture as a machine that prints in grey would show it."""
    return np.asarray(Image.open(io.BytesIO(made)).convert("L"))


def test_it_is_a_small_png_with_the_island_on_it(island: Ground) -> None:
    made = draw(replace(SCENE, ground=island))
    assert made.startswith(b"\x89PNG\r\n\x1a\n")  # PNG specification, 5.2
    assert Image.open(io.BytesIO(made)).size == SIZE_PX
    assert len(made) <= LARGEST
    bare = grey(draw(SCENE))
    changed = np.mean(grey(made)[90:] != bare[90:])
    assert 0.02 < changed < 0.6, "roads and water are there, lightly"


def test_what_matters_is_dark_in_grey_and_the_ground_is_not(island: Ground) -> None:
    ground_only = replace(SCENE, ground=island, detail=None)
    dark = np.sum(grey(draw(replace(ground_only, detail=DETAIL)))[90:] < 60)
    without = np.sum(grey(draw(ground_only))[90:] < 60)
    assert dark > without + 1000, "the flight is drawn in black"


def test_north_is_up_and_east_is_right() -> None:
    """The flight goes north-east: it begins at the lower left and ends at the upper right."""
    pixels = grey(draw(replace(SCENE, detail=replace(DETAIL, landing_latitude_deg=(),
                                                     landing_longitude_deg=()))))  # fmt: skip
    map_only = pixels[95:640]
    height, width = map_only.shape
    low_left = np.sum(map_only[height * 2 // 3 :, : width // 3] < 60)
    low_right = np.sum(map_only[height * 2 // 3 :, width * 2 // 3 :] < 60)
    assert low_left > low_right + 200


@pytest.mark.parametrize("detail", [None, replace(DETAIL, track=None)])
def test_without_a_flight_a_dotted_line_is_drawn(detail: HourDetail | None) -> None:
    assert len(draw(replace(SCENE, detail=detail))) > 3000


def test_it_is_drawn_across_the_date_line() -> None:
    site = replace(MILLFIELD, longitude_deg=179.9)
    made = draw(Scene("x", site, replace(MARK, longitude_deg=-179.7), None, Ground()))
    assert np.sum(grey(made)[90:] < 60) > 500


def test_the_text_does_not_wait_for_its_picture(caplog: pytest.LogCaptureFixture) -> None:
    broken = replace(SCENE, footprint=replace(MARK, latitude_deg=float("nan")))
    with caplog.at_level(logging.WARNING):
        assert picture_or_none(broken) is None
    assert "a notice goes without its picture" in caplog.text
