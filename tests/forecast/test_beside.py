"""Files in folders: sums beside forecasts, odd names, and maps with absurd contents."""

import hashlib
import json
import logging
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from windowwatch.errors import DecodeError, GroundError, SourceError
from windowwatch.forecast.sources import load_file, scan_folder
from windowwatch.ground.geojson import read_areas
from windowwatch.logs import _TEXT

pytestmark = pytest.mark.night


def _size(path: Path) -> int:
    """The damaged samples come last."""
    return 10**12 if "damaged" in str(path) else path.stat().st_size


ROOT = Path(__file__).resolve().parents[2]
SAMPLE = min((ROOT / "grib_samples").rglob("*.grib2"), key=_size)
SUM = hashlib.sha256(SAMPLE.read_bytes()).hexdigest()
WRONG = "0" * 64


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return Path(shutil.copy(SAMPLE, tmp_path / "run.grib2"))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (f"{SUM}\n", None),
        (f"{SUM.upper()} *run.grib2\n", None),
        (f"{WRONG}  other.grib2\n{SUM}  data/run.grib2\n", None),
        (f"SHA256 (run.grib2) = {SUM}\n", None),
        (f"{WRONG}  run.grib2\n", f"its SHA-256 is {SUM}, and run.grib2.sha256"),
        (f"{SUM}  other.grib2\n", "run.grib2.sha256 beside it holds no SHA-256 of it"),
        ("", "holds no SHA-256 of it"),
    ],
)
def test_the_sum_beside_a_forecast_counts(file: Path, text: str, said: str | None) -> None:
    before = scan_folder(file.parent, model="m")
    assert len(before.cycles) == 1
    Path(f"{file}.sha256").write_text(text)
    look = scan_folder(file.parent, model="m", seen=before.seen)
    if said is None:
        assert (len(look.cycles), look.set_aside) == (1, ())
        return
    assert look.cycles == ()
    assert said in look.set_aside[0].reason
    with pytest.raises(DecodeError, match=f"run.grib2: .*{said}"):
        load_file(file, "m")


def test_names_are_quoted_or_refused_by_name(tmp_path: Path) -> None:
    odd = tmp_path / "a\nERROR \x1b[2J.grib2"
    odd.write_bytes(b"no")
    foreign = os.fsencode(tmp_path) + b"/run\xff.grib2"
    Path(os.fsdecode(foreign)).write_bytes(SAMPLE.read_bytes())
    look = scan_folder(tmp_path, model="m")
    assert look.cycles == ()
    reasons = " ".join(each.reason + each.path for each in look.set_aside)
    assert reasons.isprintable()
    assert r"a\nERROR \x1b[2J.grib2" in reasons
    assert r"run\xff.grib2" in reasons
    with pytest.raises(SourceError, match=r"run\\xff.grib2.*is not UTF-8; rename"):
        load_file(os.fsdecode(foreign), "m")


def test_no_message_looks_like_two_lines_of_a_log() -> None:
    record = logging.LogRecord("x", logging.ERROR, "", 0, "one\n2026 ERROR \x1b[2J", (), None)
    assert _TEXT.format(record).endswith("one\n    2026 ERROR \\x1b[2J")


SQUARE = [[10.0, 50.0], [10.1, 50.0], [10.1, 50.1], [10.0, 50.1], [10.0, 50.0]]


def _map(ring: str = json.dumps(SQUARE), name: str = "A", more: str = "") -> str:
    return (
        '{"type": "FeatureCollection", ' + more + '"features": [{"type": "Feature", "properties": '
        '{"kind": "town", "name": "' + name + '"}, "geometry": {"type": "Polygon", "coordinates": ['
        + ring + "]}}]}"
    )  # fmt: skip


CRS = '"crs": {"type": "name", "properties": {"name": "%s"}}, '
ABSURD: dict[str, tuple[Any, str]] = {
    "1e308": (lambda: _map("[[1e308, 50], [1, 2], [3, 4], [1, 2]]"), "must be .longitude"),
    "1e999": (lambda: _map("[[1e999, 50], [1, 2], [3, 4], [1, 2]]"), "must be .longitude"),
    "NaN": (lambda: _map("[[NaN, 50], [1, 2], [3, 4], [1, 2]]"), "must be .longitude"),
    "digits": (lambda: _map(f"[[{'9' * 9000}, 5], [1, 2], [3, 4], [1, 2]]"), "that number"),
    "deep": (lambda: _map("[" * 100_000 + "]" * 100_000), "nested too deeply"),
    "megabyte": (lambda: _map(name="x" * 1_000_000), "its name has 1000000 characters"),
    "surrogate": (lambda: _map(name="\\ud800"), "lone surrogate"),
    "crs": (lambda: _map(more=CRS % "EPSG:25833"), "must be WGS 84"),
    "50 MB": (lambda: _map(name="x" * 50_000_000), "at most 16 MB"),
    "lists": (lambda: _map("[" + "[]," * 5_000_000 + "[]]"), "too many values"),
    "positions": (lambda: _map("[" + "[1.1,2.2]," * 500_000 + "[1]]"), "must be .longitude"),
}


@pytest.mark.parametrize("case", ABSURD)
def test_an_absurd_map_gives_one_error_within_200_mb(tmp_path: Path, case: str) -> None:
    make, said = ABSURD[case]
    path = tmp_path / "map.geojson"
    path.write_text(make())
    # VmHWM begins anew with a new program (proc(5)), unlike ru_maxrss.
    done = subprocess.run(
        [sys.executable, "-c", (
            "import sys; from pathlib import Path\n"
            "from windowwatch.errors import GroundError\n"
            "from windowwatch.ground.geojson import read_areas\n"
            "try: read_areas(Path(sys.argv[1]), [(50.0, 10.0)])\n"
            "except GroundError as error: print(error.message)\n"
            "print([l.split()[1] for l in open('/proc/self/status') if 'VmHWM' in l][0])"
        ), str(path)],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    message, used_kb = done.stdout.rsplit("\n", 2)[:2]
    print(case, used_kb)
    assert "\n" not in message
    assert len(message) < 500
    assert message.startswith(str(path))
    assert said.replace(".", "[") in message or said in message
    assert int(used_kb) < 200_000


def test_wgs_84_by_its_old_names_is_taken(tmp_path: Path) -> None:
    path = tmp_path / "map.geojson"
    for name in ("urn:ogc:def:crs:OGC:1.3:CRS84", "EPSG:4326", "urn:ogc:def:crs:EPSG::4326"):
        path.write_text(_map(more=CRS % name))
        assert read_areas(path).contains(50.05, 10.05)
    path.write_text(_map(more='"crs": null, '))
    with pytest.raises(GroundError, match="must be WGS 84"):
        read_areas(path)
