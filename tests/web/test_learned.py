"""The page of how good forecasts and chances were, and the same in the terminal."""

import html
import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta

import invented
import pytest
from axe_playwright_python.sync_playwright import Axe
from made_answers import FIRST, forecasts, weeks
from page_week import Week
from playwright.sync_api import Browser
from rich.console import Console
from visiting import PHONE, visit

from windowwatch.cli.learned import print_learned
from windowwatch.learning.learned import Learned, Use, learn
from windowwatch.learning.record import answers_of
from windowwatch.learning.verify import WindowStory
from windowwatch.web.access.guard import may_read
from windowwatch.web.data.export import hour_data
from windowwatch.web.pages.learned import learned_view
from windowwatch.web.values import stamp
from windowwatch.wording.learned import (
    headline,
    raw_chance_words,
    summary,
    what_would_change,
)

pytestmark = pytest.mark.learning
SITES = ("Millfield", "Highmoor")


def taught(days: int, **other: float) -> Learned:
    answers = answers_of(weeks(days, 3, SITES, model="skerra", launch_every_h=3, **other))
    stories = [WindowStory(90.0, True, 1)] * 3 + [WindowStory(60.0, False, 3)]
    return learn(answers, FIRST + timedelta(days=days), stories)


@pytest.fixture(scope="module")
def learned() -> Learned:
    return taught(40, sure=1.8)


@pytest.fixture
def stored(week: Week, learned: Learned) -> Iterator[Week]:
    week.store.save_learned(week.facts.watch, learned)
    yield week
    with week.store.writing() as session:
        from sqlalchemy import text

        session.execute(text("DELETE FROM learned_tables"))
        session.execute(text("DELETE FROM learned"))


def text_of(page: str) -> str:
    return html.unescape(re.sub(r"<[^>]+>", " ", page[page.index("<main") :]))


def test_the_sentence_that_matters_stands_first(stored: Week, learned: Learned) -> None:
    answer = stored.client().get("/learned")
    assert answer.status_code == 200
    said = re.search(r"<h1>(.*?)</h1>", answer.text)
    assert said is not None
    table = next(t for t in learned.tables if t.lead_h == 48.0 and not t.site)
    best = table.chance.bins[-1]
    assert html.unescape(said[1]) == (
        f"Chances above 80 % came true {round(best.came_true)} of {best.hours} times, "
        "2 days before."
    )
    page = text_of(answer.text)
    for each in table.chance.bins:
        assert f"{each.came_true:.0f} of {each.hours} came true" in page
    assert "Nothing of it is used" in page
    assert "What would change" in page
    assert "Of 4 windows that opened 3 were still open on the day" in page
    assert answer.text.count('role="img"') == 3
    assert may_read("GET", "/learned")


def test_it_says_so_when_there_is_nothing_and_is_linked_from_every_page(week: Week) -> None:
    client = week.client()
    assert "Nothing is known yet" in text_of(client.get("/learned").text)
    for path in ("/", "/windows", "/limits"):
        assert 'href="/learned"' in client.get(path).text


def test_few_days_are_said_to_be_few() -> None:
    few = taught(9)
    view = learned_view(few, "skerra", None)
    assert "too few to go by" in view.few
    assert "too few to go by" in " ".join(summary(few, ("skerra",)))
    assert not learned_view(taught(25), "skerra", None).few


def test_what_passes_flew_with_is_said(learned: Learned) -> None:
    view = learned_view(learned, "skerra", learned.key)
    assert view.used
    assert learned.key in view.use
    assert "Nothing" not in view.use


def test_drawings_lie_within_their_frame_and_are_what_the_tables_say(learned: Learned) -> None:
    (model,) = learned_view(learned, "skerra", None).models
    assert model.chances is not None
    assert model.landings is not None
    assert model.winds is not None
    for curves in (model.chances, model.landings, model.winds):
        for point in curves.points:
            assert 44.0 <= point.x <= 368.0
            assert 30.0 <= point.y <= 246.0
    table = next(t for t in learned.tables if t.lead_h == 48.0 and not t.site)
    first = model.chances.points[0]
    bin_ = table.chance.bins[0]
    assert first.x == pytest.approx(44.0 + 324.0 * bin_.mean_chance, abs=0.06)
    assert bin_.share.value is not None
    assert first.y == pytest.approx(246.0 - 216.0 * bin_.share.value, abs=0.06)
    assert first.low is not None
    assert first.high is not None
    assert first.high < first.y < first.low, "up is small"


def test_the_terminal_says_the_same(learned: Learned) -> None:
    console = Console(width=80, record=True, force_terminal=False, quiet=False)
    with console.capture() as caught:
        print_learned(console, learned, Use.SHOW)
    out = caught.get()
    assert headline(learned, "skerra") in " ".join(out.split())
    assert max(map(len, out.splitlines())) <= 80
    assert "…" not in out
    assert "[learning] use" in out
    with console.capture() as caught:
        print_learned(console, learned, Use.USE, "Highmoor")
    assert "skerra, Highmoor" in caught.get()
    changes = what_would_change(learned, "skerra")
    assert any(line.startswith("Wind error 2 days ahead") for line in changes)
    assert any(line.startswith("Chances 36 to 96 h ahead") for line in changes)


def test_a_model_that_errs_as_the_table_says_changes_little() -> None:
    answers = forecasts(60, 1.0, measured=False, seed=33)
    calm = learn(answers, FIRST + timedelta(days=60))
    changed = [line for line in what_would_change(calm, "gfs") if line.startswith("Wind")]
    factors = [f for t in calm.wind for row in t.factor for f in row]
    assert all(0.85 < factor < 1.2 for factor in factors), changed
    assert headline(calm, "gfs") == "No chance has been put to the test yet."


def test_the_raw_chance_stays_visible(made_week: Week) -> None:
    plain = invented.hour(invented.at(9), chance=0.71)
    mended = replace(plain, raw_chance=0.82)
    assert "82 %" in raw_chance_words(mended)
    assert "71 %" in raw_chance_words(mended)
    assert hour_data(mended)["raw_chance"] == 0.82
    assert hour_data(plain)["raw_chance"] is None
    made_week.store.save_pass(invented.record(hours=(mended,), learned="0123456789"))
    path = f"/hour/millfield/{stamp(mended.time_utc)}"
    page = text_of(made_week.client(invented.NOW).get(path).text)
    said = " ".join(page.replace("\xa0", " ").split())
    assert "chance 71 %" in said
    assert "(82 % as the flights gave it" in said


@pytest.mark.browser
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_phone_shows_it_without_scrolling_sideways_and_axe_finds_nothing(
    stored: Week, browser: Browser, scheme: str
) -> None:
    with visit(browser, stored.url(), PHONE, bypass_csp=True, color_scheme=scheme) as page:
        page.goto(f"{stored.url()}/learned")
        wide = page.evaluate("document.documentElement.scrollWidth")
        assert wide <= PHONE["viewport"]["width"]
        found = Axe().run(page)
        assert found.violations_count == 0, found.generate_report()
