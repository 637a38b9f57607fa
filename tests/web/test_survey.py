"""Surveys of years kept, shown and given out: against the rows they are made of, in a Chromium."""

import html
import json
import re
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from xml.etree import ElementTree as Xml

import httpx
import numpy as np
import pandas as pd
import pytest
import sqlalchemy as sa
from axe_playwright_python.sync_playwright import Axe
from made_years import SITES, STEP_S, invented, surveyed
from markupsafe import escape
from patience import PATIENCE_S
from playwright.sync_api import Browser
from rich.console import Console
from scouted import SKERRA
from visiting import PHONE, SIZES, visit

from windowwatch.cli.surveyed import print_site, print_survey
from windowwatch.clock import SimulatedClock
from windowwatch.drawing.hour_map import TALL
from windowwatch.drawing.place_map import landing_map
from windowwatch.errors import StorageError
from windowwatch.scouting.years import Surveyed
from windowwatch.settings.read import read_settings
from windowwatch.storage.rows import value_to_json
from windowwatch.storage.store import Store
from windowwatch.survey.rows import Rows, State
from windowwatch.web.access.guard import make_share, new_secret
from windowwatch.web.app import create_app
from windowwatch.web.pages.survey import survey_file
from windowwatch.web.server import PageServer
from windowwatch.wording.survey import all_sites, one_site

pytestmark = pytest.mark.survey
TOKEN = "a long word for a test only"
POISON = "\"'><img src=x onerror=poisoned()></title><script>poisoned()</script>{{7*7}}"
CELL = r"<t[hd].*?</t[hd]>"
MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"]
ROWS, SURVEY = invented(), surveyed()
GROUND = read_settings(SKERRA).watch.ground


def text_of(survey: Surveyed) -> str:
    return value_to_json(survey, "a survey")


def test_what_is_kept_comes_back(store: Store) -> None:
    """On SQLite and on PostgreSQL, to the last digit; one of the same mark takes its place."""
    nothing = surveyed(mark="b" * 12, rows=Rows.none(4))
    assert store.survey("test watch", SURVEY.mark) is None
    assert store.save_survey(SURVEY) == 1
    assert store.save_survey(nothing) == 2
    found = store.survey("test watch", SURVEY.mark)
    assert found is not None
    assert text_of(found) == text_of(SURVEY)
    np.testing.assert_array_equal(found.answers[0].share, SURVEY.answers[0].share)
    empty = store.survey("test watch", nothing.mark)
    assert empty is not None
    assert empty.answers[0].year_share.shape == (0, 12)
    assert text_of(empty) == text_of(nothing)
    assert [mark for mark, _, _ in store.surveys("test watch")] == [nothing.mark, SURVEY.mark]
    later = replace(SURVEY, made_utc=SURVEY.made_utc + timedelta(days=1))
    assert store.save_survey(later) == 3
    assert store.surveys("test watch")[0] == (SURVEY.mark, 3, later.made_utc)
    assert len(store.surveys("test watch")) == 2
    assert store.surveys("another") == ()


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda v: v["answers"][0]["share"]["values"].pop(), r"share: 287 numbers of a shape"),
        (lambda v: v["answers"][0]["share"].update(values=["x"] * 288), r"share: 'x' is stored"),
        (lambda v: v["answers"][0]["known"].update(values=[None] * 288), r"known: None is stored"),
        (lambda v: v["answers"][0].update(dry_from="May"), r"dry_from: 'May' is stored"),
        (lambda v: v.pop("pairs"), r"pairs missing"),
    ],
)
def test_a_damaged_row_is_refused_by_name(
    store: Store, change: Callable[[object], object], said: str
) -> None:
    store.save_survey(SURVEY)
    value = json.loads(text_of(SURVEY))
    change(value)
    with store.engine.begin() as connection:
        connection.execute(sa.text("UPDATE surveys SET value = :v"), {"v": json.dumps(value)})
    with pytest.raises(StorageError, match=said):
        store.survey("test watch", SURVEY.mark)


@pytest.fixture
def served(tmp_path: Path) -> Iterator[tuple[str, Store]]:
    """A page over a database that holds nothing yet."""
    with ExitStack() as opened:
        yield serve(opened, tmp_path)


def serve(opened: ExitStack, folder: Path, token: str | None = None) -> tuple[str, Store]:
    from windowwatch.storage.store import ready_store

    facts = replace(read_settings(SKERRA).page_facts(looks=True), watch="test watch")
    store = opened.enter_context(ready_store(f"sqlite:///{folder}/s.sqlite3"))
    app = create_app(store, facts, SimulatedClock(SURVEY.made_utc), token=token)
    server = opened.enter_context(PageServer(app, "127.0.0.1", 0))
    return server.url.rstrip("/"), store


def get(url: str, status: int = 200) -> str:
    answer = httpx.get(url, timeout=PATIENCE_S)
    assert answer.status_code == status, url
    return answer.text


def tables(page: str) -> dict[str, pd.DataFrame]:
    """Every table of a page by its heading, as pandas reads it."""
    found = {}
    inner = r'<section class="years">\s*<h\d id="(\w+)".*?(<table.*?</table>|</section>)'
    for name, inside in re.findall(inner, page, re.DOTALL):
        if inside.startswith("<table"):
            lines = [
                [html.unescape(re.sub("<.*?>", "", cell)) for cell in re.findall(CELL, line)]
                for line in re.findall(r"<tr.*?</tr>", inside, re.DOTALL)
            ]
            found[name] = pd.DataFrame(
                [line for line in lines[1:] if len(line) > 1], columns=lines[0]
            )
    return found


def shown(share: float) -> str:
    """A share as a percentage, by hand; nothing rounds to none or all."""
    if np.isnan(share):
        return "?"
    whole = str(int(100.0 * share + 0.5 - 1e-9))
    return "<1" if share > 0 and whole == "0" else ">99" if share < 1 and whole == "100" else whole


def test_tables_of_a_site_are_those_of_its_rows(served: tuple[str, Store]) -> None:
    """By month and local hour against pandas, cell by cell; shades are of the same share."""
    url, store = served
    assert "No years are surveyed yet" in get(f"{url}/survey")
    get(f"{url}/survey/a", 404)
    store.save_survey(SURVEY)
    page = get(f"{url}/survey/a")
    found = tables(page)
    rows = ROWS.of_site("A")
    frame = pd.DataFrame({"state": rows.state, "time": rows.time_unix_s, "limit": rows.limit})
    local = pd.to_datetime(frame.time, unit="s", utc=True).dt.tz_convert(SITES[0].time_zone)
    frame["month"], frame["hour"], frame["year"] = local.dt.month, local.dt.hour, local.dt.year
    known = frame[frame.state != State.UNKNOWN]
    heat = found["hours"]
    for _, line in heat.iterrows():
        for month, name in enumerate(MONTHS, start=1):
            chosen = known[(known.month == month) & (known.hour == int(line.hour))]
            if not len(chosen):
                assert line[name] == "?"
            elif (chosen.state == State.DARK).all():
                assert line[name] == "·"
            else:
                share = (chosen.state == State.GOOD).mean()
                assert abs(float(line[name].strip("<>")) - 100 * share) <= 0.5 + 1e-6
    light = frame[frame.state.isin([State.GOOD, State.BAD])]
    good = (light.state == State.GOOD).groupby(light.month).mean()
    assert [float(c.split()[0]) for c in found["months"].good] == [
        float(f"{100 * v:.0f}") for v in good
    ]
    worst = frame[frame.state == State.BAD].groupby(["month", "limit"]).size()
    for _, line in found["limits"].iterrows():
        check = {"landings on water": "water", "gust": "gust", "drift": "drift", "cloud": "cloud"}
        for month, name in enumerate(MONTHS, start=1):
            of = worst[month]
            assert line[name] == shown(of.get(check[line.check], 0) / of.sum())
    assert {len(found["standing"]), len(found["hours"])} == {14, len(heat)}
    for share, text in re.findall(r'class="n s(\d+)">([<>]?\d+)<', html.unescape(page)):
        number = float(text.strip("<>"))
        assert abs(float(share) * 10 - number) <= 10.5, "the shade says what the number does"


def test_sites_stand_against_each_other_and_older_surveys_are_kept(
    served: tuple[str, Store],
) -> None:
    url, store = served
    older = replace(SURVEY, mark="a" * 12, made_utc=SURVEY.made_utc - timedelta(days=30))
    store.save_survey(older)
    store.save_survey(SURVEY)
    page = get(f"{url}/survey")
    pair = SURVEY.pairs[0]
    days = (pair.days_both, pair.days_only_first, pair.days_only_second, pair.days_neither)
    assert list(tables(page)["pairs"].iloc[0])[1:] == [str(each) for each in days]
    assert f'href="/survey?of={older.mark}"' in page
    assert "Made 2026-04-04 12:00 UTC" in get(f"{url}/survey?of={older.mark}")
    assert f'href="/survey/b?of={older.mark}"' in get(f"{url}/survey?of={older.mark}")
    assert "B: which month" in get(f"{url}/survey/b?of={older.mark}")
    for bad in ("/survey?of=zz", "/survey/c", "/survey/a?of=zz", "/survey/%00"):
        get(url + bad, 404)
    for path in ("/sites", "/learned", "/data"):
        if path != "/sites":  # without a pass there is none
            assert 'href="/survey' in get(url + path) or "/data/survey.json" in get(url + path)


def test_the_data_are_the_answers(served: tuple[str, Store]) -> None:
    url, store = served
    assert json.loads(get(f"{url}/data/survey.json", 404)) == {"error": "no survey is stored"}
    store.save_survey(SURVEY)
    whole = json.loads(get(f"{url}/data/survey.json"))
    assert whole["attribution"][-1] == "Weather: weather by chance"
    frame = pd.DataFrame(whole["tables"]["landings"])
    for site in SITES:
        rows = ROWS.of_site(site.name)
        landed = np.isfinite(rows.landing_latitude_deg).sum()
        assert frame.flights[frame.site == site.name].sum() == landed
    one = json.loads(get(f"{url}/data/survey.json?site=b&of={SURVEY.mark}"))
    assert set(one["tables"]["standing-by"]["site"]) == {"B"}
    assert "no such site" in get(f"{url}/data/survey.json?site=c", 404)
    assert "no such survey" in get(f"{url}/data/survey.json?of=c", 404)
    assert "unknown parameter" in get(f"{url}/data/survey.json?x=c", 400)


def test_guests_may_read_it(tmp_path: Path) -> None:
    with ExitStack() as opened:
        url, store = serve(opened, tmp_path, TOKEN)
        store.save_survey(SURVEY)
        get(f"{url}/survey", 401)
        lasts = timedelta(hours=2)
        share = make_share(store, "test watch", "crew", lasts, SURVEY.made_utc, new_secret())
        with httpx.Client(base_url=url, timeout=PATIENCE_S) as guest:
            guest.get(share.path)
            for path in ("/survey", "/survey/a", "/data/survey.json"):
                assert guest.get(path).status_code == 200
            assert "/scout" not in guest.get("/survey").text


def test_squares_of_landings_hold_what_a_count_of_them_does() -> None:
    """Numbers on the map against flights counted one by one in squares of that size."""
    each, site = SURVEY.answers[0], SITES[0]
    drawn = landing_map(each.landings_good, site, GROUND, shape=TALL, ident="m", spoken="m")
    assert drawn is not None
    rows = ROWS.of_site("A")
    good = (rows.state == State.GOOD)[:, None] & np.isfinite(rows.landing_latitude_deg)
    north = rows.landing_latitude_deg[good].astype(np.float64)
    east = rows.landing_longitude_deg[good].astype(np.float64)
    by = round(drawn.square_km / 111.19 / 0.1)
    edges = each.landings.latitude_edges_deg, each.landings.longitude_edges_deg
    steps = [by * (edge[1] - edge[0]) for edge in edges]
    cells = np.column_stack(
        [np.floor((v - edge[0]) / step + 1e-9)
         for v, edge, step in zip((north, east), edges, steps, strict=True)]
    )  # fmt: skip
    _, counts = np.unique(cells, axis=0, return_counts=True)
    shares = counts / counts.sum()
    root = Xml.fromstring(drawn.svg)
    signs = [e.text for e in root.iter() if e.get("class", "").startswith("sign")]
    expected = [f"{100 * share:.0f}" for share in shares if share >= 0.01]
    assert sorted(map(str, signs)) == sorted(expected)
    assert len(signs) > 10
    assert drawn.most == pytest.approx(shares.max())
    assert 0.0 <= drawn.beyond < 0.03
    squares = [e for e in root.iter() if e.get("class", "").startswith("density")]
    assert len(squares) == len(shares)
    none = replace(each.landings_good, count=0 * each.landings_good.count)
    assert landing_map(none, site, GROUND, ident="m", spoken="m") is None


def test_the_coast_lies_under_the_landings_of_the_report() -> None:
    """Shores of the ground file, in the shape of the island's own site, below the squares."""
    site = replace(read_settings(SKERRA).watch.sites[0], name="A")
    away = [np.asarray(edge) - edge.mean() for edge in (
        SURVEY.answers[0].landings_good.latitude_edges_deg,
        SURVEY.answers[0].landings_good.longitude_edges_deg)]  # fmt: skip
    landings = replace(
        SURVEY.answers[0].landings_good,
        latitude_edges_deg=away[0] + site.latitude_deg,
        longitude_edges_deg=away[1] + site.longitude_deg,
    )
    answers = replace(SURVEY.answers[0], landings_good=landings)
    moved = replace(SURVEY, sites=(site,), answers=(answers,), pairs=())
    page = survey_file(moved, GROUND, POISON)
    maps = [each for each in re.findall(r"<svg.*?</svg>", page, re.DOTALL) if "density" in each]
    assert len(maps) == 2
    for drawn in maps:
        assert drawn.index('class="water"') < drawn.index('class="density')
        assert "road" in drawn
    assert "<script" not in page
    assert "&lt;script&gt;poisoned" in page
    assert not re.search(r"<link|<img|@import|url\((?!#)|https?://(?!www\.w3\.org)", page)
    assert "prefers-color-scheme: dark" in page
    assert "@media print" in page
    assert all(line in page for line in map(escape, GROUND.sources))


def test_terminal_page_and_report_say_the_same_in_one_order(
    served: tuple[str, Store], capsys: pytest.CaptureFixture[str]
) -> None:
    url, store = served
    store.save_survey(SURVEY)
    wide = Console(width=200)
    print_survey(wide, SURVEY, "made by chance")
    whole = capsys.readouterr().out
    print_site(wide, SURVEY, SURVEY.answers[0], "")
    one = capsys.readouterr().out
    report = html.unescape(survey_file(SURVEY, GROUND, ""))
    site, both = (html.unescape(get(f"{url}/survey{path}")) for path in ("/a", ""))
    for made, places in ((all_sites(SURVEY), (whole, both, report)),
                         (one_site(SURVEY.answers[0]), (one, site, report))):  # fmt: skip
        for place in places:
            spots = [place.find(table.title) for table in made]
            assert -1 not in spots
            assert spots == sorted(spots)
            for table in made:
                assert table.note in " ".join(place.split())
    for _, line in tables(site)["limits"].iterrows():
        cells = r"\s+".join(map(re.escape, line))
        assert re.search(cells, one), "the same cells in a terminal"


@pytest.mark.browser
def test_it_is_read_on_a_phone_in_the_dark_and_on_paper(
    served: tuple[str, Store], browser: Browser, tmp_path: Path
) -> None:
    url, store = served
    store.save_survey(replace(SURVEY, source=POISON))
    file = tmp_path / "report.html"
    file.write_text(survey_file(SURVEY, GROUND, ""), encoding="utf-8")
    for path in (f"{url}/survey", f"{url}/survey/a", file.as_uri()):
        base = url if path.startswith(url) else file.as_uri()
        for size in SIZES.values():
            for scheme in ("light", "dark"):
                with visit(browser, base, size, bypass_csp=True, color_scheme=scheme) as seen:
                    seen.goto(path)
                    width = size["viewport"]["width"]
                    assert seen.evaluate("document.documentElement.scrollWidth") == width
                    cut = seen.evaluate(
                        "[...document.querySelectorAll('table.heat td, table.heat th')]"
                        ".filter(e => e.scrollWidth > e.clientWidth + 1).length"
                    )
                    assert cut == 0, "every number is seen whole"
                    wide = seen.evaluate(
                        "[...document.querySelectorAll('.wide-table')]"
                        ".filter(e => e.scrollWidth > e.clientWidth + 1).length"
                    )
                    assert wide == 0, "no month is out of sight"
                    report = Axe().run(seen)
                    assert report.violations_count == 0, f"{path}\n{report.generate_report()}"
                    words = seen.inner_text("main")
        with visit(browser, base, size, java_script_enabled=False) as seen:
            seen.goto(path)
            assert seen.inner_text("main") == words


@pytest.mark.browser
def test_from_the_board_to_a_number(served: tuple[str, Store], browser: Browser) -> None:
    """As somebody looks for it: by the pages' own links, on a phone, without script."""
    url, store = served
    store.save_survey(SURVEY)
    with visit(browser, url, PHONE, java_script_enabled=False) as seen:
        seen.goto(f"{url}/scout")
        seen.get_by_role("link", name="Survey", exact=True).click()
        seen.get_by_role("link", name="All of B").click()
        assert seen.inner_text("h1").startswith("B: which month")
        assert STEP_S == 3 * 3600
        assert "a launch hour every 3 h" in seen.inner_text("main")
        seen.get_by_role("link", name="All sites").click()
        assert "Site against site" in seen.inner_text("main")
