"""Reports of flights on the page and on paper: one sheet each, A4 and letter, in a real browser."""

import csv
import io
import re
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from made_flight import BEGAN, BEGUN, DOWN_MIN, at, report
from page_week import Week
from playwright.sync_api import Browser
from visiting import PHONE, visit

from windowwatch.chase.logbook import Note, NoteKind
from windowwatch.chase.values import Closing, Outcome
from windowwatch.settings.read import read_settings
from windowwatch.storage.store import ready_store

pytestmark = pytest.mark.learning
ROOT = Path(__file__).resolve().parents[2]
NOW = BEGAN + timedelta(hours=5)


@pytest.fixture
def page(tmp_path: Path) -> Iterator[Week]:
    """The page of a real server, after a flight over the invented island."""
    settings = read_settings(ROOT / "config" / "skerra.toml")
    begun = replace(BEGUN, latitude_deg=46.7, longitude_deg=-35.5, height_m=500.0)
    with ready_store(f"sqlite:///{tmp_path}/w.sqlite3") as store, ExitStack() as opened:
        store.begin_flight(begun)
        said = [report(minute) for minute in range(int(DOWN_MIN) + 6)]
        store.add_reports(
            "flight",
            [replace(r, latitude_deg=46.7, longitude_deg=(r.longitude_deg or 0.0) - 42.5)
             for r in said],
        )  # fmt: skip
        spot = (46.7, at(DOWN_MIN)[1] - 42.5)
        store.close_flight("flight", Closing(Outcome.RECOVERED, NOW, "Ada", *spot, "whole"))
        notes = [Note(NoteKind.ANNOUNCED, NOW, "Ada", "", 9_000.0, 46.7, spot[1])]
        notes += [Note(NoteKind.IRREGULARITY, NOW, "Ada", f"{'Long words ' * 30}{n}")
                  for n in range(3)]  # fmt: skip
        store.note_flight("flight", notes)
        yield Week(settings, store, settings.page_facts(looks=False), NOW, opened)


def test_a_closed_flight_has_a_report_and_the_season_has_it(page: Week) -> None:
    client = page.client()
    assert "/flights/flight/print" in client.get("/flights/flight").text
    assert "/flights/season" in client.get("/flights").text
    shown = client.get("/flights/flight/print")
    assert shown.status_code == 200
    for words in ("released 2026-05-08 06:00 UTC", "burst at 23.9 km", "landed inside, 0.0 km",
                  "payload whole", "area that was announced", "Long words"):  # fmt: skip
        assert words.lower() in shown.text.lower(), words
    assert "<style" not in shown.text, "the page's own rules allow no style in it"
    season = client.get("/flights/season").text
    assert "1 flight, 1 recovered." in season
    assert "Only 1 flight" in season
    (row,) = csv.DictReader(io.StringIO(client.get("/flights/log.csv").text))
    assert row["flight"] == "flight"
    assert row["outcome"] == "recovered"
    assert client.get("/flights/nowhere/print").status_code == 404
    page.store.begin_flight(replace(BEGUN, key="early", name="Not flown"))
    assert "nothing can be measured" in client.get("/flights/early/print").text
    assert client.get("/flights/season").status_code == 200


@pytest.mark.browser
def test_each_fits_on_one_sheet_and_a_phone_can_read_it(page: Week, browser: Browser) -> None:
    """Pages are counted in the PDF itself (ISO 32000-1, 7.7.3.3: every page has a /Type /Page)."""
    url = page.url()
    with visit(browser, url, PHONE, bypass_csp=True) as seen:
        for path in ("/flights/flight/print", "/flights/season"):
            seen.goto(f"{url}{path}")
            found = Axe().run(seen)
            assert found.violations_count == 0, f"{path}\n{found.generate_report()}"
            assert seen.evaluate("document.documentElement.scrollWidth") <= 390
            for paper in ("A4", "Letter"):
                printed = seen.pdf(format=paper)
                assert len(re.findall(rb"/Type\s*/Page\b", printed)) == 1, (path, paper)
