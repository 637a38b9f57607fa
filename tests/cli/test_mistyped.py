"""What is typed wrong is answered at once: bounds, what is usual, and the name that is near."""

import json
import os
import subprocess
import sys
from contextlib import closing
from dataclasses import replace
from io import StringIO
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from invented import at, check, flat, hour, record
from line_watch import settings_in
from made_store import new_store
from rich.console import Console
from typed import ROOT, typed

from windowwatch.cli.explaining import print_hour
from windowwatch.physics.fill import USUAL_ASCENT_MPS
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.web.listen import listening
from windowwatch.wording.page import margin_words, value_words

#: None of these is needed to see that a word is mistyped.
HEAVY = {"numpy", "pydantic", "sqlalchemy", "rich", "numba", "uvicorn", "starlette"}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder with the settings of the small watch, and a pass of its site in the database."""
    database = tmp_path / "line.sqlite3"
    settings_in(tmp_path, f'\n[database]\nurl = "sqlite:///{database}"\n')
    hours = tuple(replace(each, site="Field") for each in flat(6, 10))
    with closing(new_store(database)) as store:
        store.save_pass(record(watch="line", hours=hours))
    return tmp_path


def of_file(*words: str) -> tuple[str, ...]:
    """A command with the settings of the small watch."""
    return (*words, "--settings", "watch.toml")


def test_a_mistyped_word_is_answered_before_anything_is_loaded(folder: Path) -> None:
    """Site, file and port in a process each of its own would be dear: one process asks all."""
    with closing(listening("127.0.0.1", 0)) as taken:
        port = str(taken.getsockname()[1])
        asked = {
            "did you mean Field? The settings have Field": of_file("hours", "Feild"),
            "did you mean Field?": of_file("fill", "--site", "fielt"),
            "no site is called 'Meadow'; the": of_file("explain", "Meadow", "2026-05-07"),
            "field is a site; say which day": of_file("explain", "field"),
            "none.toml: no such file; name": ("check", "--settings", "none.toml"),
            "no.grib2: no such file": of_file("pass", "--from", "no.grib2"),
            "no.pbf: no such file": of_file("ground", "build", "--map", "no.pbf", "--out", "x"),
            "it is in use, perhaps by another": of_file("page", "--port", port),
            "give 0.5 to 15 m/s (usual: 4.6": of_file("fill", "--rate", "50"),
        }
        code = (
            "import json, sys\nfrom click.testing import CliRunner\n"
            "from windowwatch.cli.main import main\nasked = json.loads(sys.argv[1])\n"
            "said = {w: CliRunner().invoke(main, words).output for w, words in asked.items()}\n"
            "print(json.dumps([said, sorted(sys.modules)]))"
        )
        done = subprocess.run(
            [sys.executable, "-c", code, json.dumps(asked)],
            capture_output=True, text=True, check=False, cwd=folder,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
        )  # fmt: skip
    assert done.returncode == 0, done.stderr
    said, loaded = json.loads(done.stdout.splitlines()[-1])
    for words, output in said.items():
        assert words in " ".join(output.split()), output
    assert not HEAVY & set(loaded)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("fill", "--gas", "9000"), "9000 m³ cannot be meant; give 0.05 to 500 m³ (usual: 1 to 8)"),
        (("fill", "--burst", "30"), "give 1000 to 60000 m (usual: 25000 to 35000)"),
        (("fill", "--rate", "5,2"), "5,2 has a comma; write a point: 5.2"),
        (("fill", "--wind", "nan"), "nan m/s cannot be meant"),
        (("fill", "--temperature", "290"), "290 °C cannot be meant"),
        (("fill", "--cylinder-bar", "20000"), "usual: 150 to 300"),
        (("fill", "--flow", "much"), "'much' is no number; give it in m³ a minute"),
        (("share", "make", "Ines", "--days", "5000"), "give 0.01 to 366 days"),
        (("share", "make", " "), "give 1 to 60 printable characters"),
        (("acknowledge", "ab", "--by", ""), "give 1 to 60 printable characters"),
        (("share", "revoke", "a\nb"), "give 1 to 80 printable characters"),
        (("notices", "try", "--channel", " "), "give 1 to 40 printable characters"),
        (("serve", "--host", "my page"), "(usual: 127.0.0.1 for this machine alone, 0.0.0.0"),
        (("share", "make", "Ines", "--address", "a.org"), "(usual: https://watch.example.org)"),
        (("share", "make", "Ines", "--address", "http://a:x"), "is no address"),
    ],
)
def test_bounds_are_said_with_what_is_usual(
    folder: Path, words: tuple[str, ...], said: str
) -> None:
    answer = typed(folder, *of_file(*words))
    assert answer.code == 2
    assert said in " ".join(answer.err.split())


def test_what_is_usual_is_what_the_handbook_of_soundings_says() -> None:
    """The help of --rate rounds U.S. Federal Meteorological Handbook No. 3 (275 to 350 m/min)."""
    assert [round(mps, 1) for mps in USUAL_ASCENT_MPS] == [4.6, 5.8]


def test_a_year_that_nobody_means_is_refused(folder: Path) -> None:
    answer = typed(folder, *of_file("check", "--at", "0226-05-04T04:00Z"))
    assert "give a year from 1990 to 2099" in answer.err


def test_a_lift_far_from_the_usual_goes_on_only_when_told(folder: Path) -> None:
    answer = typed(folder, *of_file("fill", "--gas", "120"))
    assert answer.code == 1
    assert "times the payload (usual: 1.5 to 4 times); --yes to go on" in answer.err
    sure = typed(folder, *of_file("fill", "--gas", "120", "--yes"))
    assert sure.code == 0
    assert "times the payload" in sure.words
    assert "Hydrogen burns" in sure.words


def test_fill_says_which_wish_it_could_not_meet(folder: Path) -> None:
    short = typed(folder, *of_file("fill", "--rate", "5", "--burst", "38000")).words
    assert "Met: --rate 5 m/s." in short
    assert "NOT met: --burst 38000 m. Filled to rise at 5.0 m/s" in short
    both = typed(folder, *of_file("fill", "--rate", "5", "--burst", "25000")).words
    assert "Met: --burst 25000 m." in both
    assert "NOT met" not in both
    small = folder / "watch.toml"
    text = small.read_text(encoding="utf-8").replace("diameter_m = 8.63", "diameter_m = 2.0")
    small.write_text(text, encoding="utf-8")
    one = typed(folder, *of_file("fill", "--rate", "12", "--burst", "3000"))
    assert one.code == 1
    assert "--rate 12 cannot be met: a rise of 12.0 m/s cannot be had" in one.err
    assert "--burst 3000 could be: it then rises at" in one.err
    neither = typed(folder, *of_file("fill", "--rate", "12", "--burst", "30000"))
    assert "neither --rate 12 nor --burst 30000 can be met" in neither.err


def test_a_day_lists_its_launch_hours(folder: Path) -> None:
    answer = typed(folder, *of_file("explain", "Field", "2026-05-07"))
    assert (answer.code, answer.err) == (0, "")
    times = [line.split()[0] for line in answer.out.splitlines() if line[:1].isdigit()]
    assert times == [f"{h:02d}:00" for h in range(1, 24)], "a day in UTC begins at 1 in summer"
    assert "sha256" in answer.out
    full = typed(folder, *of_file("explain", "Field", "2026-05-07", "--all"))
    assert full.out.count(" in full: ") == len(times)
    none = typed(folder, *of_file("explain", "Field", "2026-05-09"))
    assert none.code == 1
    assert "Field has no launch hour on 2026-05-09; they are from" in none.err


def test_a_notice_of_a_rehearsal_is_acknowledged_there_alone(folder: Path) -> None:
    kept = folder / "data" / "windowwatch" / "rehearsal-line.sqlite3"
    kept.parent.mkdir(parents=True)
    kept.write_bytes((folder / "line.sqlite3").read_bytes())
    typing = of_file("acknowledge", "0" * 12, "--by", "Ines")
    assert typed(folder, *typing, "--rehearsal").out == "acknowledged\n"
    assert typed(folder, *typing, "--rehearsal").out == "Ines had acknowledged it before\n"
    assert typed(folder, *typing).out == "acknowledged\n"


def test_no_ceiling_is_none_and_never_its_number() -> None:
    """NCEP writes 20 km above the sea where there is no ceiling (from memory)."""
    clear = replace(
        check("ceiling", 100.0, 20_000.0), unit="m", fine=1500.0, limit=300.0, margin=19_700.0,
        facts=(),
    )  # fmt: skip
    assert (value_words(clear), margin_words(clear)) == ("none", "–")
    paper = StringIO()
    told = replace(hour(at(8)), checks=(clear,))
    print_hour(Console(file=paper, width=80), told, ScoringPlan(), ZoneInfo("UTC"))
    assert "none" in paper.getvalue()
    assert "20000" not in paper.getvalue()
    assert "19700" not in paper.getvalue()
    low = replace(clear, value=900.0, margin=600.0)
    assert (value_words(low), margin_words(low)) == ("900", "600")
