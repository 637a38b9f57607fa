"""A track of before our time taken into the log, by hand, without a watch and with one."""

import csv
import io
import re
from pathlib import Path

import gpxpy.gpx
import pytest
from line_watch import settings_in
from made_flight import BEGAN, BURST_MIN, DOWN_MIN, TOP_M, at
from typed import Answer, typed

from windowwatch.clock import from_unix_s, to_unix_s

pytestmark = pytest.mark.learning
TRAIN = ("--balloon", "1.2", "--payload", "1.6", "--lift", "2.8", "--burst-diameter", "8.6",
         "--canopy", "2.5", "--gas", "hydrogen")  # fmt: skip


def track(folder: Path, kind: str = "csv", until: float = DOWN_MIN + 6.0) -> Path:
    """The made flight as a file."""
    minutes = [0.5 * each for each in range(int(2.0 * until) + 1)]
    path = folder / f"old-flight.{kind}"
    if kind == "gpx":
        whole, line = gpxpy.gpx.GPX(), gpxpy.gpx.GPXTrack()
        segment = gpxpy.gpx.GPXTrackSegment()
        for minute in minutes:
            when = from_unix_s(to_unix_s(BEGAN) + 60.0 * minute)
            lat, lon, height = at(minute)
            segment.points.append(gpxpy.gpx.GPXTrackPoint(lat, lon, height, when))
        line.segments.append(segment)
        whole.tracks.append(line)
        path.write_text(whole.to_xml())
        return path
    lines = ["time_utc,latitude_deg,longitude_deg,height_m"]
    for minute in minutes:
        when = from_unix_s(to_unix_s(BEGAN) + 60.0 * minute)
        lat, lon, height = at(minute)
        lines.append(f"{when:%Y-%m-%dT%H:%M:%SZ},{lat:.5f},{lon:.5f},{height:.1f}")
    path.write_text("\n".join(lines))
    return path


def taken_in(folder: Path, file: Path, *more: str) -> Answer:
    return typed(folder, "log", "import", str(file), "--by", "Ada", *TRAIN, *more)


@pytest.mark.parametrize("kind", ["csv", "gpx"])
def test_a_track_becomes_a_flight_of_the_log(tmp_path: Path, kind: str) -> None:
    shown = taken_in(tmp_path, track(tmp_path, kind), "--found", "46.0, 7.9", "--found-at",
                     "2026-05-08T10:20Z", "--irregularity", "Hit a tree")  # fmt: skip
    assert shown.code == 0, shown.err
    for words in ("released 2026-05-08 06:00 UTC", "2.80 kg measured", "where it was found",
                  "Hit a tree (Ada", "recovered, 2026-05-08 10:20 UTC, by Ada",
                  "burst diameter (1.2 kg): 8.60", "imported from old-flight",
                  "no stored cycle has that site and hour"):  # fmt: skip
        assert words in shown.words, words
    top = float(re.search(r"burst: (\d+) m", shown.words)[1])  # type: ignore[index]
    assert top == pytest.approx(TOP_M, abs=100.0)
    assert re.search(r"0\.\d to [45]\.\d km: 5\.0 m/s, reckoned", shown.words)
    again = taken_in(tmp_path, track(tmp_path, kind))
    assert again.code == 1
    assert "has that track already; nothing was imported" in again.err
    listed = typed(tmp_path, "log")
    assert listed.out.count("\n") == 1
    assert "burst 23.9 km" in listed.out
    key = listed.out.split()[0]
    (row,) = csv.DictReader(io.StringIO(typed(tmp_path, "log", "csv").out))
    assert row["flight"] == key
    assert float(row["burst_height_m"]) == pytest.approx(TOP_M, abs=100.0)
    assert row["landing_by"] == "found"
    assert row["forecast_cycle"] == ""
    assert float(row["canopy_drag_coefficient"]) > 0.0
    assert "landing: 46.00000, 7.90000" in typed(tmp_path, "log", "show", key).words


def test_notes_change_what_is_made_of_a_flight_and_what_is_learned(tmp_path: Path) -> None:
    settings = settings_in(tmp_path, f'\n[database]\nurl = "sqlite:///{tmp_path}/line.sqlite3"\n')
    more = ("--settings", str(settings))
    shown = typed(tmp_path, "log", "import", str(track(tmp_path)), "--by", "Ada", *more)
    assert shown.code == 0, shown.err
    assert "2.60 kg as planned; nobody noted what the scale showed" in shown.words
    key = typed(tmp_path, "log", *more).out.split()[0]
    taught = typed(tmp_path, "log", "--train", *more)
    assert re.search(r"^burst_diameter_m = [\d.]+  # 8.63 is set; known to", taught.out, re.M)
    assert "[train]" in taught.out
    noted = typed(tmp_path, "log", "note", key, "--by", "Ben", "--lift", "2.7", "--announced",
                  "46.0, 7.8", "--radius", "9km", *more)  # fmt: skip
    assert noted.code == 0, noted.err
    assert "2.70 kg measured" in typed(tmp_path, "log", "show", key, *more).words
    page = typed(tmp_path, "log", "report", key, *more).out
    assert "Announced: 9.0 km about 46.00000, 7.80000. It landed " in page
    assert 'class="zone announced"' in page
    assert "src=" not in page, "it stands alone"
    assert "<link" not in page
    left = typed(tmp_path, "log", "note", key, "--by", "Ben", "--leave-out", "cut down", *more)
    assert left.code == 0
    assert "nothing is to be changed" in typed(tmp_path, "log", "--train", *more).out
    season = typed(tmp_path, "log", "season", "--out", str(tmp_path / "season.html"), *more)
    assert "is written" in season.out
    assert "Only 1 flight" in (tmp_path / "season.html").read_text()


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ("", "the first line must name the columns"),
        ("time_utc,latitude_deg\n", "longitude_deg is missing"),
        ("time_utc,latitude_deg,longitude_deg,height_m\nyesterday,46,7,500\n", "is no time"),
        ("time_utc,latitude_deg,longitude_deg\n2026-05-08T06:00Z,46,7\n2026-05-08T06:01Z,46,7\n",
         "no position in it has a height"),
        ("time_utc,latitude_deg,longitude_deg,height_m\n2026-05-08T06:00Z,46,7,500\n",
         "of 1 positions 1 can be used"),
        ("\x00\x01\x02\xff", "the first line must name the columns"),
    ],
)  # fmt: skip
def test_a_damaged_track_gives_one_error_that_names_it(
    tmp_path: Path, content: str, words: str
) -> None:
    file = tmp_path / "cut.csv"
    file.write_text(content, encoding="utf-8")
    answer = taken_in(tmp_path, file)
    assert answer.code == 1
    assert answer.err.startswith(f"error: {file}: ")
    assert answer.err.count("error:") == 1
    assert words in answer.err
    assert "Traceback" not in answer.err
    assert "no flight yet" in typed(tmp_path, "log").out, "nothing is half imported"


def test_a_torn_gpx_is_one_error_too(tmp_path: Path) -> None:
    whole = track(tmp_path, "gpx")
    whole.write_bytes(whole.read_bytes()[:3_000])
    answer = taken_in(tmp_path, whole)
    assert answer.code == 1
    assert answer.err.startswith(f"error: {whole}: is no GPX: ")
    assert answer.err.count("error:") == 1


def test_a_track_that_ends_in_the_air_is_taken_in_and_says_what_it_lacks(tmp_path: Path) -> None:
    shown = taken_in(tmp_path, track(tmp_path, until=BURST_MIN - 10.0))
    assert shown.code == 0, shown.err
    assert "burst: not seen" in shown.words
    assert "landing: not known" in shown.words
    assert "burst diameter: not measured" in shown.words
    still = tmp_path / "still.csv"
    lines = [f"2026-05-09T06:{minute:02d}:00Z,46.0,7.0,500" for minute in range(20)]
    still.write_text("time_utc,latitude_deg,longitude_deg,height_m\n" + "\n".join(lines))
    shown = taken_in(tmp_path, still)
    assert "the track never leaves its release" in shown.out
