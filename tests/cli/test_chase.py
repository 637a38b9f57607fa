"""A flight followed by hand, from the release to the payload, with one laptop and no watch."""

import json
import re
import shutil
import subprocess
import sys
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import fastkml
import gpxpy
import pytest
from fastkml.utils import find_all
from line_watch import forecast_in, settings_in
from made_flight import at
from made_store import new_store
from typed import ROOT, Answer, typed

from windowwatch.chase.said import height_said, place_said, time_said
from windowwatch.errors import InputError
from windowwatch.launchday.plan import Planned
from windowwatch.physics.train import FlightTrain

pytestmark = pytest.mark.chase
MINUTE = timedelta(minutes=1)
TRAIN = ("--balloon", "1.2", "--payload", "1.6", "--lift", "2.8", "--burst-diameter", "8.6",
         "--canopy", "2.5", "--gas", "hydrogen")  # fmt: skip


def begin(folder: Path, *more: str) -> Answer:
    return typed(folder, "flight", "begin", "Invented", "--place", "46.0, 7.0", "--height", "500m",
                 *TRAIN, *more)  # fmt: skip


def csv_until(folder: Path, minute: int, end: datetime) -> Path:
    """The made flight up to a minute, which is `end`, as a file."""
    lines = ["time_utc,latitude_deg,longitude_deg,height_m"]
    for each in range(minute + 1):
        when = end - timedelta(minutes=minute - each)
        lat, lon, height = at(each)
        lines.append(f"{when:%Y-%m-%dT%H:%M:%SZ},{lat:.5f},{lon:.5f},{height:.1f}")
    path = folder / "track.csv"
    path.write_text("\n".join(lines))
    return path


def test_from_the_release_to_the_payload(tmp_path: Path) -> None:
    begun = begin(tmp_path)
    assert begun.code == 0, begun.err
    assert "without a forecast" in begun.words
    key = re.search(r"flight (\w{6}),", begun.out)[1]  # type: ignore[index]
    now = datetime.now(UTC)
    shown = typed(tmp_path, "flight", "import", str(csv_until(tmp_path, 60, now - 40 * MINUTE)))
    assert "61 used" in shown.out, shown.err
    assert "rising, 5.0 m/s up" in shown.out
    wide = float(re.search(r"nine in ten within ([\d.]+)", shown.out)[1])  # type: ignore[index]
    assert wide > 20.0, "nothing is known of the wind above: the area is wide"
    wild = typed(tmp_path, "position", "--place", "56 30.0 N, 7 00.0 E", "--height", "27000ft")
    assert "not used: it is out of reach of the flight" in wild.out
    assert "1 of 62 reports not used" in wild.out
    whole = csv_until(tmp_path, 100, now)
    typed(tmp_path, "flight", "import", str(whole), "--tracker", "second")
    shown = typed(tmp_path, "flight", "show", key, "--reports")
    assert "falling under its canopy, " in shown.out
    landing = re.search(r"lands at ([\d.]+), ([\d.]+)", shown.out)
    assert landing is not None
    true = at(1_000)
    assert float(landing[1]) == pytest.approx(true[0], abs=0.02)
    assert float(landing[2]) == pytest.approx(true[1], abs=0.05)
    check_exports(tmp_path, key)
    done = typed(tmp_path, "flight", "recovered", "--by", "Ada", "--place", "46.0, 7.9",
                 "--payload", "whole")  # fmt: skip
    assert "recovered" in done.out
    after = typed(tmp_path, "position", "--place", "46.0, 7.9", "--flight", key)
    assert after.code == 1
    assert f"flight {key} is closed since" in after.err
    assert "by Ada at 46.00000, 7.90000; payload whole" in typed(tmp_path, "flight", "list").out


def check_exports(folder: Path, key: str) -> None:
    """Read by libraries of their own; the CSV holds what is not used, too."""
    said = {kind: typed(folder, "flight", "export", key, "--format", kind).out
            for kind in ("geojson", "gpx", "kml", "csv")}  # fmt: skip
    whole = json.loads(said["geojson"])
    kinds = {each["properties"]["what"] for each in whole["features"]}
    assert kinds == {"release", "estimated landing", "track", "report", "landing inside",
                     "way to come"}  # fmt: skip
    (track,) = gpxpy.parse(said["gpx"]).tracks
    assert len(track.segments[0].points) == 61 + 101
    assert track.segments[0].points[0].elevation == 500.0
    kml = fastkml.KML.from_string(said["kml"].split("?>", 1)[1], strict=True)
    names = [getattr(mark, "name", "") for mark in find_all(kml, of_type=fastkml.Placemark)]
    assert "Estimated landing" in names
    assert "90 % of landings" in names
    rows = said["csv"].splitlines()
    assert len(rows) == 1 + 61 + 1 + 101
    assert sum(",far away," in row for row in rows) == 1


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("position", "--place", "46.0, 7.0"), "no flight is open; begin one"),
        (("flight", "show"), "no flight is open"),
        (("flight", "begin", "X", "--place", "46,7"), "how high the release is: --height"),
        (("flight", "begin", "X", "--site", "Field"), "--site names a site of a settings file"),
        (("flight", "begin", "X", "--place", "46,7", "--height", "500"), "with its unit, as 8200m"),
        (("flight", "begin", "X", "--place", "46,7", "--height", "5m"), "--balloon, --payload"),
        (("position", "--place", "46"), "is no place; write it as"),
        (("position", "--place", "146, 7"), "a latitude of 146 cannot be"),
        (("position", "--place", "46,7", "--time", "25:00"), "is no time; write 06:31 (UTC)"),
    ],
)
def test_what_is_typed_wrong_is_answered_clearly(
    tmp_path: Path, words: tuple[str, ...], said: str
) -> None:
    answer = typed(tmp_path, *words)
    assert answer.code == 1
    assert said in answer.err
    assert not (tmp_path / "data" / "windowwatch" / "flights.sqlite3").exists() or "position" in (
        words
    )


def test_two_open_flights_must_be_told_apart(tmp_path: Path) -> None:
    begin(tmp_path)
    begin(tmp_path)
    answer = typed(tmp_path, "position", "--place", "46,7")
    assert "several flights are open; say which with --flight" in answer.err


@pytest.mark.parametrize(
    ("text", "place"),
    [
        ("46.0123, 7.5678", (46.0123, 7.5678)),
        ("-46.0123 -7.5678", (-46.0123, -7.5678)),
        ("46 00.74 N, 7 34.07 E", (46.0 + 0.74 / 60, 7 + 34.07 / 60)),
        ("46°00'44\"S 7°34'04\"W", (-(46 + 44 / 3600), -(7 + 34 / 60 + 4 / 3600))),
        ("-0 30.0, 0.0", (-0.5, 0.0)),
    ],
)
def test_places_as_they_are_said(text: str, place: tuple[float, float]) -> None:
    assert place_said(text) == pytest.approx(place)


@pytest.mark.parametrize("text", ["7.5 E, 46.0 N", "46 61.0 N, 7 0 E", "46.5 30 N, 7 E", "a, b",
                                  "-46 N, 7 E", "46, 181", ""])  # fmt: skip
def test_no_places(text: str) -> None:
    with pytest.raises(InputError):
        place_said(text)


def test_heights_and_times_as_they_are_said() -> None:
    now = datetime(2026, 5, 8, 0, 10, tzinfo=UTC)
    assert height_said("8,200 m") == 8200.0
    assert height_said("27000FT") == pytest.approx(8229.6)
    assert time_said("23:58", now) == datetime(2026, 5, 7, 23, 58, tzinfo=UTC)
    assert time_said("000930Z", now) == datetime(2026, 5, 8, 0, 9, 30, tzinfo=UTC)
    assert time_said("2026-05-08T02:00+02:00", now) == datetime(2026, 5, 8, 0, 0, tzinfo=UTC)
    with pytest.raises(InputError, match="has no zone"):
        time_said("2026-05-08T02:00", now)
    with pytest.raises(InputError, match="with its unit"):
        height_said("8200")


def test_looking_at_a_flight_loads_nothing_that_flies(tmp_path: Path) -> None:
    begin(tmp_path)
    code = (
        "import sys\nfrom windowwatch.cli.main import main\n"
        "for words in (['flight', 'list'], ['flight', 'show']):\n"
        "    try: main(words)\n"
        "    except SystemExit as end: assert end.code == 0\n"
        "slow = {'numba', 'xarray', 'eccodes', 'starlette', 'gpxpy'}\n"
        "print('loaded:', *(slow & set(sys.modules)))"
    )  # fmt: skip
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=False, cwd=ROOT,
        env={"XDG_DATA_HOME": str(tmp_path / "data"), "PATH": ""},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert done.stdout.rpartition("loaded:")[2].split() == []


def test_a_first_report_begins_a_flight_with_the_forecast_of_the_settings(tmp_path: Path) -> None:
    """A day of steady air, 7 m/s in both components aloft, of some years ago."""
    settings_in(tmp_path, f'\n[database]\nurl = "sqlite:///{tmp_path}/w.db"\n')
    forecast_in(tmp_path / "forecasts")
    far = typed(tmp_path, "position", "--place", "56, 7", "--settings", "watch.toml")
    assert "no site of the settings is within 300 km" in far.err
    first = typed(tmp_path, "position", "--place", "45.01, -4.95", "--height", "3000m",
                  "--settings", "watch.toml")  # fmt: skip
    assert "begins by this report, released at 45.00000, -5.00000, 120 m" in first.out, first.err
    assert "the newest cycle is too old for this time; followed without it" in first.err
    typed(tmp_path, "flight", "given-up", "--by", "Ada", "--settings", "watch.toml")
    path = tmp_path / "t.csv"
    lines = [f"2026-05-04T14:{m:02d}:00Z,{45.0 - 0.0038 * m:.4f},{-5.0 + 0.0053 * m:.4f},"
             f"{120 + 300 * m}" for m in range(31)]  # fmt: skip
    path.write_text("time_utc,latitude_deg,longitude_deg,height_m\n" + "\n".join(lines))
    assert across_km(tmp_path, path) < 0.6 * across_km(tmp_path, path, "--no-forecast")


def across_km(folder: Path, track: Path, *more: str) -> float:
    """Length of the 90 % area of a track, of a flight of the small watch; closed after it."""
    begun = typed(folder, "flight", "begin", "Past", "--site", "Field", "--released",
                  "2026-05-04T14:00Z", "--settings", "watch.toml", *more)  # fmt: skip
    said = "without a forecast" if more else "wind of cycle made-2026-05-04T12Z, put right by"
    assert said in begun.words, begun.err
    shown = typed(folder, "flight", "import", str(track), "--settings", "watch.toml")
    assert "31 used" in shown.out, shown.err
    typed(folder, "flight", "given-up", "--by", "Ada", "--settings", "watch.toml")
    return float(re.search(r"nine in ten within ([\d.]+)", shown.out)[1])  # type: ignore[index]


def test_a_report_begins_the_flight_of_the_launch_that_is_planned_there(tmp_path: Path) -> None:
    """With its fill; a launch has one flight, and one is begun before the release, too."""
    settings_in(tmp_path, f'\n[database]\nurl = "sqlite:///{tmp_path}/w.db"\n')
    now = datetime.now(UTC)
    with closing(new_store(tmp_path / "w.db")) as store:
        train = FlightTrain(1.2, 1.5, 2.9, 8.63, 1.28)
        for hours in (1, 9):
            event = Planned("Field", now + timedelta(hours=hours), train)
            store.make_plan("line", event, at_utc=now, by="Ada")
        first = typed(tmp_path, "position", "--place", "45.01, -4.95", "--height", "3000m",
                      "--settings", "watch.toml")  # fmt: skip
        assert "begins by this report" in first.out, first.err
        (flight,) = store.flights()
        assert (flight.begun.plan, flight.begun.watch, flight.begun.train) == ("1", "line", train)
        again = typed(tmp_path, "flight", "begin", "X", "--plan", "1", "--settings", "watch.toml")
        assert f"plan 1 has its flight already: {flight.key}" in again.err
        other = typed(tmp_path, "flight", "begin", "Y", "--plan", "2", "--settings", "watch.toml")
        assert other.code == 0, other.err
        assert {each.begun.plan for each in store.flights()} == {"1", "2"}


def test_a_crew_is_told_where_to_wait(tmp_path: Path) -> None:
    """Over the invented island, whose ground file has roads and terrain."""
    shutil.copytree(ROOT / "config", tmp_path, dirs_exist_ok=True)
    use = ("--settings", "skerra.toml")
    begun = typed(tmp_path, "flight", "begin", "Isle", "--place", "45.9, -35.9", "--height", "500m",
                  "--no-forecast", *use)  # fmt: skip
    assert begun.code == 0, begun.err
    early = typed(tmp_path, "flight", "crew", "Ada", "--place", "45.98, -34.52", *use)
    assert "Crews are sent nowhere before a landing is estimated" in early.out, early.err
    end = datetime.now(UTC) - MINUTE
    track = csv_until(tmp_path, 100, end).read_text().splitlines()
    moved = [track[0]]
    for line in track[1:]:
        when, lat, lon, height = line.split(",")
        moved.append(f"{when},{float(lat) - 0.1:.5f},{float(lon) - 42.9:.5f},{height}")
    (tmp_path / "isle.csv").write_text("\n".join(moved))
    taken = typed(tmp_path, "flight", "import", "isle.csv", *use)
    assert "101 used" in taken.out, taken.err
    told = typed(tmp_path, "flight", "drives", *use)
    assert re.search(r"Ada: drive \d+ min and wait\n  at 4[56]\.\d+, -3\d\.\d+", told.out), told.out
    assert "walk from the road" in told.out
    assert "lands on water 0 %" in told.out
    assert "Stop to read this" in told.out
    word = typed(tmp_path, "flight", "crew", "Ben", "--phone", *use)
    assert "its word, shown only now" in word.out
    home = typed(tmp_path, "flight", "crew", "Ada", "--home", *use)
    assert "no crew has said where it is" in home.out
    both = typed(tmp_path, "flight", "crew", "Ada", "--home", "--phone", *use)
    assert "give one of --place, --home and --phone" in both.err
