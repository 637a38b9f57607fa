"""The map as a picture, looked at by its pixels."""

import io
import logging
import re
import subprocess
import sys
from dataclasses import replace
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest
import shapely
from invented import MILLFIELD, at
from numpy.typing import NDArray
from PIL import Image

from windowwatch.drawing import picture as drawing_picture
from windowwatch.drawing.picture import (
    LARGEST,
    WIDTH_PX,
    Scene,
    picture,
    picture_or_none,
    picture_svg,
)
from windowwatch.ground.geojson import read_ground
from windowwatch.ground.query.features import Ground, Road, RoadClass, Roads
from windowwatch.physics.spread import Footprint
from windowwatch.scoring.values import Drive, HourDetail, Track

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
    made = picture(replace(SCENE, ground=island))
    assert made.startswith(b"\x89PNG\r\n\x1a\n")  # PNG specification, 5.2
    assert Image.open(io.BytesIO(made)).width == WIDTH_PX
    assert len(made) <= LARGEST
    bare = grey(picture(SCENE))
    changed = np.mean(grey(made)[140:600] != bare[140:600])
    assert 0.02 < changed < 0.6, "roads and water are there, lightly"


def test_what_matters_is_dark_in_grey_and_the_ground_is_not(island: Ground) -> None:
    ground_only = replace(SCENE, ground=island, detail=None)
    dark = np.sum(grey(picture(replace(ground_only, detail=DETAIL)))[90:] < 75)
    without = np.sum(grey(picture(ground_only))[90:] < 75)
    assert dark > without + 1000, "the flight is darker than all of the ground"


def test_north_is_up_and_east_is_right() -> None:
    """The flight goes north-east: it begins at the lower left and ends at the upper right."""
    pixels = grey(picture(replace(SCENE, detail=replace(DETAIL, landing_latitude_deg=(),
                                                     landing_longitude_deg=()))))  # fmt: skip
    map_only = pixels[95:640]
    height, width = map_only.shape
    low_left = np.sum(map_only[height * 2 // 3 :, : width // 3] < 75)
    low_right = np.sum(map_only[height * 2 // 3 :, width * 2 // 3 :] < 75)
    assert low_left > low_right + 200


@pytest.mark.parametrize("detail", [None, replace(DETAIL, track=None)])
def test_without_a_flight_a_dotted_line_is_drawn(detail: HourDetail | None) -> None:
    assert len(picture(replace(SCENE, detail=detail))) > 3000


def test_it_is_drawn_across_the_date_line() -> None:
    site = replace(MILLFIELD, longitude_deg=179.9)
    made = picture(Scene("x", site, replace(MARK, longitude_deg=-179.7), None, Ground()))
    assert np.sum(grey(made)[90:] < 75) > 500


def test_the_text_does_not_wait_for_its_picture(caplog: pytest.LogCaptureFixture) -> None:
    broken = replace(SCENE, footprint=replace(MARK, latitude_deg=float("nan")))
    with caplog.at_level(logging.WARNING):
        assert picture_or_none(broken) is None
    assert "a notice goes without its picture" in caplog.text


def test_the_letters_are_ours_so_a_machine_without_fonts_shows_them(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Without our font not one letter is drawn, so fonts of the machine are not used."""
    with_letters = grey(picture(SCENE))
    monkeypatch.setattr(drawing_picture, "_fonts", tuple)
    without = grey(picture(SCENE))
    title = slice(0, 60)
    assert np.sum(with_letters[title] < 75) > 1000
    assert np.sum(without[title] < 75) == 0


def test_names_in_other_letters_are_looked_for_on_the_machine() -> None:
    svg = picture_svg(replace(SCENE, site=replace(MILLFIELD, name="Łódź Київ Αθήνα")))
    assert not drawing_picture._BEYOND.search(svg)
    assert drawing_picture._BEYOND.search(svg.replace("Łódź", "東京"))


def test_colours_are_those_of_the_pages(island: Ground) -> None:
    """Each layer has many pixels in the very colour that the style names."""
    drive = Drive("Depot", 48.0, (45.98, 45.9), (-35.0, -35.3))
    scene = replace(SCENE, ground=island, detail=replace(DETAIL, drive=drive))
    pixels = np.asarray(Image.open(io.BytesIO(picture(scene))).convert("RGB")).astype(int)
    style = (files("windowwatch.drawing") / "static" / "map.css").read_text(encoding="utf-8")
    for layer in ("land", "water", "road-major", "landing", "flight", "drive", "ink"):
        found = re.search(rf"--map-{layer}: #([0-9a-f]{{6}});", style)
        assert found is not None
        colour = np.array(list(bytes.fromhex(found[1])))
        assert (np.abs(pixels - colour).max(axis=2) <= 3).sum() > 100, layer


def test_a_picture_of_too_much_ground_leaves_out_the_smallest_roads() -> None:
    rng = np.random.default_rng(3)
    roads = [
        Road("", RoadClass.TRACK, shapely.LineString(ends))
        for ends in rng.uniform((-37.0, 45.0), (-34.0, 47.0), (1500, 3, 2))
    ]
    ground = Ground(roads=Roads(roads))
    assert len(picture(replace(SCENE, ground=ground))) <= LARGEST


def test_resvg_lives_with_eccodes_in_one_process_in_either_order() -> None:
    """Compiled libraries have crashed with it before; each order in a process of its own."""
    for order in ("eccodes, resvg_py", "resvg_py, eccodes"):
        code = (
            f"import {order}\n"
            'resvg_py.svg_to_bytes(svg_string=\'<svg xmlns="http://www.w3.org/2000/svg" '
            'width="9" height="9"/>\')\n'
            "eccodes.codes_get_api_version()\n"
        )
        done = subprocess.run([sys.executable, "-c", code], capture_output=True, check=False)
        assert done.returncode == 0, (order, done.stderr)


def test_credits_stand_below_as_sentences() -> None:
    svg = picture_svg(
        replace(SCENE, credits=("No permission.", "Map: a.osm: open", "Map: b: open"))
    )
    assert ">No permission. Map: a.osm, b: open.</text>" in svg
