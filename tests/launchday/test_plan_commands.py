"""`windowwatch plan` as a crew uses it: each command, what goes wrong, and what is never lost."""

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner
from invented import cycle, hour
from line_watch import settings_in

from windowwatch.cli.checking import _check_texts
from windowwatch.cli.main import main
from windowwatch.launchday.plan import stand
from windowwatch.settings.read import read_settings
from windowwatch.storage.cycles import PassRecord
from windowwatch.storage.store import open_store

pytestmark = pytest.mark.launchday

NOW = datetime(2026, 5, 4, 12, 0, tzinfo=UTC)  # 13:00 at the site
MORE = """
clearance_from_utc = 2026-05-04T08:00:00Z
clearance_until_utc = 2026-05-04T22:00:00Z

[limits.gust]
fine_mps = 7
limit_mps = 10
hard = true

[cylinders]
residual_bar = 2
gauge = true
flow_m3pmin = 0.8
[launchday]
[[launchday.cylinders]]
name = "A1"
volume_l = 50
gauge_bar = 120
[[launchday.stations]]
site = "Field"
station = "EGXX"
"""


class Crew:
    """Types commands at a time, and sees what is answered."""

    def __init__(self, folder: Path, url: str) -> None:
        clearance, rest = MORE.split("\n\n[limits", 1)
        first = "first_utc = 2026-05-04T14:00:00Z"
        more = f'\n[limits{rest}\n[database]\nurl = "{url}"\n'
        self.settings = settings_in(folder, more)
        text = self.settings.read_text(encoding="utf-8")
        self.settings.write_text(text.replace(first, first + clearance), encoding="utf-8")
        self.url, self.now = url, NOW

    def __call__(self, *typed: str, fails: bool = False, answer: str = "") -> str:
        asked = ["plan", typed[0], "--settings", str(self.settings), "--by", "Ada"]
        asked += ["--at", self.now.isoformat(), *typed[1:]]
        done = CliRunner().invoke(main, asked, input=answer)
        assert (done.exit_code != 0) is fails, done.output
        if fails:
            assert done.output.count("error") == 1, "one clear answer"
        return done.output

    def state(self) -> str:
        store = open_store(self.url)
        try:
            entries = store.plan_entries("line", "1").entries
            return f"{stand('1', entries, self.now).state} {len(entries)}"
        finally:
            store.close()


@pytest.fixture
def crew(tmp_path: Path, new_sqlite: Callable[[Path, bool], str]) -> Crew:
    url = new_sqlite(tmp_path, True)
    store = open_store(url)
    hours = [replace(hour(NOW + timedelta(hours=h)), site="Field") for h in range(2, 9)]
    made = replace(cycle(0), model="made")
    assert store.save_pass(PassRecord("line", made, NOW, tuple(hours), (), ()))
    store.close()
    return Crew(tmp_path, url)


def test_a_launch_morning(crew: Crew) -> None:
    said = crew("make", "field", "16:05")
    assert "plan 1, Field: planned, release Mon 4 16:05 local (15:05 UTC)" in said
    assert "in no window" in said
    assert "NEXT, T minus 3 h 5 min" in crew("show")
    assert "16:25 local" in crew("hold", "20")
    assert "held until 13:20" in crew("list")
    assert "16:30 local" in crew("move", "1630")
    assert "done: Site safe" in crew("tick", "gas")
    assert "not done" in crew("untick", "GAS")
    assert "80 bar on the gauge" in crew("gauge", "a1", "80")
    filled = crew("fill")
    assert "2.60 kg on the scale" in filled
    assert "80 bar down to" in filled
    assert "Hydrogen burns" in filled, "cautions stand with every fill"
    assert "filling" in crew("tick", "fill")
    assert "2.70 kg, +0.10 kg" in crew("lift", "2.7")
    assert "wind 4.0 m/s, gust 6.5 m/s" in crew("seen", "--wind", "4", "--gust", "6.5")
    assert "NO-GO: 12.0 m/s" in crew("seen", "--gust", "12")
    crew.now = NOW + timedelta(hours=3, minutes=31)
    left = crew("released", "16:30")
    assert "left Mon 4 16:30 local" in left
    assert "begins: windowwatch flight show" in left
    assert "put away" in crew("done", "--note", "found")
    assert crew.state().startswith("done")


def test_what_is_taken_along_and_sent(crew: Crew, tmp_path: Path) -> None:
    crew("make", "Field", "16:05")
    assert "name no folder of texts" in crew("texts", "1", fails=True)
    file = tmp_path / "field.html"
    assert " kB; send it to the phones" in crew("pack", "1", str(file))
    assert "Decide nothing by it after" in file.read_text(encoding="utf-8")
    assert "No release was flown for it" in file.read_text(encoding="utf-8")
    assert "cannot be written" in crew("pack", "1", str(tmp_path / "no" / "x.html"), fails=True)
    crew.settings.write_text(
        crew.settings.read_text(encoding="utf-8").replace(
            "[launchday]", '[launchday]\ntexts = "texts"\nlooks = "red, 2 m"\nlevels_fl = [150]'
        ),
        encoding="utf-8",
    )
    texts = crew.settings.parent / "texts"
    texts.mkdir()
    (texts / "short.txt").write_text("$site $release_utc $looks $$5 $burst_utc", encoding="utf-8")
    said = "Field 2026-05-04 15:05 UTC red, 2 m $5 NOT KNOWN YET"
    assert crew("texts", "1", "short").strip() == said
    assert f"--- short\n{said}" in crew("texts", "1")
    assert "$site: Field" in crew("texts", "1", "--names")
    assert "no text is called 'shrt'; did you mean short?" in crew("texts", "1", "shrt", fails=True)
    assert "has no plan '7'" in crew("texts", "7", fails=True)
    (texts / "wrong.txt").write_text("$sight", encoding="utf-8")
    assert "wrong.txt, line 1: $sight is no name" in crew("texts", "1", fails=True)
    (found,) = _check_texts(read_settings(crew.settings, maps=False))
    assert found.wrong
    assert "$sight is no name" in found.words
    assert "held" in crew("hold", "5"), "a text that is wrong keeps nobody from the countdown"


def test_what_cannot_be_gets_one_clear_answer_and_changes_nothing(crew: Crew) -> None:
    make = "make"
    for typed, words in (
        (("feild", "16:05"), "did you mean Field?"),
        (("Field", "25:00"), "is no time"),
        (("Field", "2026-05-04T12:30"), "is in the past"),
        (("Field", "2026-05-05T09:00"), "outside the clearance"),
    ):
        assert words in crew(make, *typed, fails=True)
    assert "10.8 times" in crew(make, "Field", "16:05", "--lift", "28", fails=True)
    assert "no launch is planned" in crew("list")
    assert "plan make SITE TIME" in crew("show", fails=True)
    crew(make, "Field", "16:05")
    for asked, words in (
        (("lift", "28"), "10.8 times the planned"),
        (("lift", "1"), "does not lift the payload"),
        (("hold", "900"), "outside the clearance"),
        (("hold", "0.1"), "give 1 to 240"),
        (("hold", "nan"), "give 1 to 240"),
        (("move", "2026-05-04T12:30"), "in the past"),
        (("tick", "gsa"), "did you mean gas?"),
        (("untick", "gas"), "is not ticked"),
        (("gauge", "B9", "80"), "no cylinder is called"),
        (("gauge", "A1", "5000"), "give 0 to 1000"),
        (("released", "2026-05-04T18:00Z"), "still to come"),
        (("lift", "28"), "(--sure)"),
        (("seen",), "nothing was seen"),
        (("seen", "--gust", "3", "--wind", "8"), "look which is which"),
        (("seen", "--wind", "99"), "cannot be"),
        (("seen", "--metar", "METAR EGYY 041150Z 24005KT 9999 FEW020 15/09 Q1013"), "of EGYY"),
        (("seen", "--metar", "METAR EGXX 031150Z 24005KT 9999 FEW020 15/09 Q1013"), "24 h old"),
        (("seen", "--metar", "all fine here"), "cannot be read"),
        (("show", "--plan", "7"), "has no plan '7'"),
    ):
        assert words in " ".join(crew(*asked, fails=True).split()), asked
        assert crew.state() == "planned 1", asked
    assert "measured: 28.00 kg" in crew("lift", "28", "--sure")
    assert "15:50" not in crew("seen", "--metar", "EGXX 041150Z 24005G09KT 9999 15/09 Q1013")


def test_a_scrub_is_asked_twice_and_nothing_happens_after_it(crew: Crew) -> None:
    crew("make", "Field", "16:05")
    assert "nothing was changed" in crew("scrub", answer="n\n")
    assert crew.state() == "planned 1"
    assert "scrubbed" in crew("scrub", "--why", "front", answer="y\n")
    for asked in (("tick", "gas"), ("hold", "20"), ("released",), ("scrub", "--yes")):
        assert "is scrubbed: Ada ended it" in crew(*asked, fails=True)
    assert crew.state() == "scrubbed 2"


def test_two_plans_are_told_apart(crew: Crew) -> None:
    crew("make", "Field", "16:05")
    crew("make", "Field", "17:05")
    assert "say which: --plan KEY" in crew("show", fails=True)
    assert "plan 2" in crew("hold", "5", "--plan", "2")


def test_a_site_without_forecast_is_not_planned_for(crew: Crew) -> None:
    store = open_store(crew.url)
    later = replace(cycle(1), model="made")
    assert store.save_pass(PassRecord("line", later, NOW + timedelta(hours=1), (), (), ()))
    store.close()
    crew.now = NOW + timedelta(hours=1)
    assert "no forecast of Field is stored yet" in crew("make", "Field", "16:05", fails=True)
    assert "no launch is planned" in crew("list")
