"""From a map extract to a scored hour: `ground build` as typed, and a pass on what it made."""

import sys
from pathlib import Path
from typing import Any

import osmium
import pytest
from line_watch import forecast_in, settings_in
from typed import typed as run

from windowwatch.cli import prepare
from windowwatch.cli.prepare import build_ground
from windowwatch.errors import GroundError
from windowwatch.settings.read import read_settings

ASKED = """
[limits.walk]
ask = true
fine_min = 30
limit_min = 150

[limits.crew]
ask = true
fine_min = 0
limit_min = 600
"""
BUILD = ("ground", "build", "--settings", "watch.toml", "--map", "made.osm.pbf", "--out",
         "made.ground", "--cell-m", "500")  # fmt: skip


def extract_in(folder: Path) -> None:
    """Lanes every 0.05 degrees of latitude, joined by one road along each meridian."""
    header = osmium.io.Header()
    header.add_box(osmium.osm.Box(-8.0, 43.5, -2.0, 46.5))
    node: Any = osmium.osm.mutable.Node
    way: Any = osmium.osm.mutable.Way
    rows, columns = 51, 11
    with osmium.SimpleWriter(str(folder / "made.osm.pbf"), header=header) as out:
        for i in range(rows):
            for j in range(columns):
                place = (-7.5 + 0.5 * j, 43.75 + 0.05 * i)
                out.add_node(node(id=1 + i * columns + j, version=1, location=place))
        for i in range(rows):
            refs = [1 + i * columns + j for j in range(columns)]
            out.add_way(way(id=1 + i, version=1, nodes=refs, tags={"highway": "unclassified"}))
        for j in range(columns):
            refs = [1 + i * columns + j for i in range(rows)]
            out.add_way(way(id=100 + j, version=1, nodes=refs, tags={"highway": "primary"}))


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    path = settings_in(tmp_path, ASKED)
    text = path.read_text(encoding="utf-8")
    text = text.replace('areas = "areas.geojson"\nroads = "roads.geojson"', 'file = "made.ground"')
    database = f'\n[database]\nurl = "sqlite:///{tmp_path}/line.sqlite3"\n'
    path.write_text(text + database, encoding="utf-8")
    extract_in(tmp_path)
    return tmp_path


def test_a_map_is_built_and_a_pass_stands_on_it(folder: Path) -> None:
    built = run(folder, *BUILD)
    assert built.code == 0, built.err
    assert "© OpenStreetMap contributors; Open Database License (ODbL) 1.0" in built.out
    assert "from Field 100 % of the roads can be driven to" in built.out
    checked = run(folder, "check", "--settings", "watch.toml").out
    assert "made.osm.pbf: map; © OpenStreetMap contributors" in checked
    assert "nor a ground file are given" not in checked

    forecast_in(folder)
    level = run(folder, "pass", "--settings", "watch.toml", "--from", "made.grib2")
    assert level.code == 0, level.err
    assert "the ground file has no terrain" in level.words, "nobody walks on it as if it were level"
    assert "windows: none" in level.words
    asked = (folder / "watch.toml").read_text(encoding="utf-8")
    (folder / "watch.toml").write_text(
        asked.replace("[limits.walk]\nask = true", "[limits.walk]\nask = false"), encoding="utf-8"
    )
    (folder / "line.sqlite3").unlink()
    passed = run(folder, "pass", "--settings", "watch.toml", "--from", "made.grib2")
    assert passed.code == 0, passed.err
    assert "6 flights; windows: 1 open" in passed.words
    hours = run(folder, "hours", "--settings", "watch.toml", "Field", "--all").out
    assert "6 hours" in hours


def test_what_the_builder_refuses_is_one_line(folder: Path) -> None:
    (folder / "made.osm.pbf").write_bytes(b"no map")
    built = run(folder, *BUILD)
    assert built.code == 1
    assert built.err.startswith("error: ")
    assert len(built.err.splitlines()) == 1
    assert "made.osm.pbf: cannot be read as an OpenStreetMap extract" in built.err
    assert not (folder / "made.ground").exists()


def test_settings_that_name_a_file_not_yet_built(folder: Path) -> None:
    answer = run(folder, "check", "--settings", "watch.toml")
    assert answer.code == 1
    assert "made.ground: no such file; make it with `windowwatch ground build`" in answer.err


def test_a_file_that_does_not_reach_far_enough_is_refused(folder: Path) -> None:
    assert run(folder, *BUILD, "--reach-km", "40").code == 0
    with pytest.raises(GroundError, match=r"the map ends 4\d\.\d km north of site Field, and 100"):
        read_settings(folder / "watch.toml")


def test_missing_libraries_are_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "osmium", None)
    with pytest.raises(GroundError, match=r'needs osmium; install them with pip install "windoww'):
        build_ground({}, lambda _words, _share: None)


def test_a_builder_that_dies_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(prepare, "BUILDER", "child_work:die_building")
    died = r"building ground died: signal 9 \(SIGKILL\); perhaps there was too little memory"
    with pytest.raises(GroundError, match=died):
        build_ground({}, lambda _words, _share: None)


def test_a_builder_without_room_says_how_to_need_less(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(prepare, "BUILDER", "child_work:lack_memory")
    with pytest.raises(GroundError, match="not enough memory; ask for larger cells"):
        build_ground({}, lambda _words, _share: None)
