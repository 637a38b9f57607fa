"""A scouting kept, ranked and shown: in letters, on the page, as a file; in a real Chromium too."""

import re
import tomllib
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import replace
from datetime import timedelta
from itertools import pairwise
from pathlib import Path
from xml.etree import ElementTree as Xml

import httpx
import pytest
from axe_playwright_python.sync_playwright import Axe
from made_store import new_store
from markupsafe import escape
from patience import PATIENCE_S
from playwright.sync_api import Browser
from rich.console import Console
from scouted import FIRST, SKERRA, away_km, made_up
from visiting import PHONE, SIZES, visit

from windowwatch.cli.scout import drawn_places, print_scouting
from windowwatch.clock import SimulatedClock
from windowwatch.scouting.values import Scouting
from windowwatch.settings.read import read_settings
from windowwatch.storage.store import Store
from windowwatch.web.app import create_app
from windowwatch.web.pages.scout import scout_file
from windowwatch.web.server import PageServer
from windowwatch.wording.scouting import answer_words, notes, settings_block

pytestmark = pytest.mark.scout
POISON = "\"'><img src=x onerror=poisoned()></title></style><script>poisoned()</script>{{7*7}}"


def test_what_is_kept_comes_back(store: Store) -> None:
    """On SQLite and on PostgreSQL; a scouting takes the place of the one before."""
    coarse, whole = made_up(flown=6), made_up()
    assert store.newest_scouting("test watch") is None
    assert store.save_scouting(coarse) == 1
    assert store.newest_scouting("test watch") == coarse
    assert store.save_scouting(whole) == store.scouting_number("test watch") == 2
    assert store.newest_scouting("test watch") == whole


def test_the_best_lie_apart_and_none_that_is_better_is_left_out() -> None:
    """Against a search by hand: each is the best of all that lie far enough from those before."""
    found = made_up()
    best = found.best(99)
    assert 3 < len(best) < len(found.places)

    def worth(number: int, hour: int) -> tuple[object, ...]:
        each = found.found[number]
        order = {"g": 0, "c": 1, "n": 2, "u": 3}[each.verdicts[hour]]
        return order, -(each.chance[hour] or 0.0), -(each.score[hour] or 0.0), hour, number

    chosen: list[int] = []
    for each, hour in best:
        open_ = [
            (number, at)
            for number in range(len(found.places))
            if all(away_km(found.places[number], found.places[c]) >= 15.0 for c in chosen)
            for at in range(len(found.times_utc))
            if found.found[number].verdicts[at] in "gc"
        ]
        assert (each.place, hour) == min(open_, key=lambda pair: worth(*pair))
        chosen.append(each.place)
    assert found.best(3) == best[:3]
    assert all(
        min(away_km(place, found.places[c]) for c in chosen) < 15.0
        for number, place in enumerate(found.places)
        if number not in chosen
    ), "there are no more so far apart"


def test_where_landings_are_wanted_the_share_inside_comes_first() -> None:
    plain = made_up()
    inside = [0.0] * len(plain.found)
    inside[24], inside[12] = 0.25, 0.75
    found = replace(
        plain,
        asked=replace(plain.asked, land_in="field.geojson", land_outline=plain.asked.outline),
        found=tuple(
            replace(each, inside=(share,) * 4)
            for each, share in zip(plain.found, inside, strict=True)
        ),
    )
    assert [each.place for each, _ in found.best(9)] == [12, 24], "none from where none lands there"


def test_no_go_and_unknown_places_are_never_among_the_best() -> None:
    plain = made_up()
    bad = tuple(
        replace(each, verdicts="nnuu"[: len(plain.times_utc)], chance=(0.99,) * 4)
        for each in plain.found
    )
    found = replace(plain, found=bad)
    assert found.best(5) == ()
    assert answer_words(found) == "No place has a go or caution hour."
    unknown = replace(plain, found=tuple(replace(e, verdicts="uuuu") for e in plain.found))
    assert answer_words(unknown).endswith("25 places are unknown at every hour.")


def test_the_map_in_letters_has_every_place_where_it_lies() -> None:
    found = made_up()
    names = {each.place: chr(ord("A") + each.place) for each in found.found}
    rows = drawn_places(found, found.ranked(), lambda each, _: names[each.place], 60, {})
    at = {c: (row, i) for row, line in enumerate(rows) for i, c in enumerate(line) if c != " "}
    assert set(at) == set(names.values())
    for row in range(5):
        line = [at[names[5 * row + column]] for column in range(5)]
        assert len({up for up, _ in line}) == 1, "one latitude, one line"
        assert all(a[1] < b[1] for a, b in pairwise(line)), "west to east"
    assert at[names[0]][0] > at[names[20]][0], "north is up"


def test_the_terminal_says_it_in_order(capsys: pytest.CaptureFixture[str]) -> None:
    print_scouting(Console(width=80), made_up(), 3)
    said = capsys.readouterr().out
    order = ("20 of 25 places have a go hour.", "The best places", "Chance, at the best hour",
             "What is most in the way", "7 on built-up land", "model b", "Settings for A",
             "no permission")  # fmt: skip
    assert sorted(order, key=said.find) == list(order)
    assert all(part in said for part in order)
    assert "nearest to its limit: distance to a road 3.2 km" in " ".join(said.split()).replace(
        "\xa0", " "
    )
    blocks = re.findall(r"\[\[sites\]\].*?time_zone[^\n]*", said, re.DOTALL)
    assert len(blocks) == 3


def test_a_block_is_a_site_of_a_settings_file(tmp_path: Path) -> None:
    """Read back by the settings' own reader, beside the demonstration's sites."""
    place = made_up().places[3]
    text = SKERRA.read_text(encoding="utf-8")
    for name in sorted(set(re.findall(r'"([^"\n]+)"', text))):
        if (SKERRA.parent / name).exists():
            text = text.replace(f'"{name}"', f'"{SKERRA.parent / name}"')
    text = text.replace("[train]", f"{settings_block(place)}\n\n[train]", 1)
    (tmp_path / "w.toml").write_text(text, encoding="utf-8")
    site = read_settings(tmp_path / "w.toml", maps=False).watch.sites[-1]
    assert site.name == place.name
    assert site.latitude_deg == pytest.approx(place.latitude_deg)
    assert site.longitude_deg == pytest.approx(place.longitude_deg)
    assert tomllib.loads(settings_block(place))["sites"][0]["height_m"] == 100


def test_the_file_needs_no_other(tmp_path: Path) -> None:
    found = made_up()
    found = replace(found, off_map=0.123)
    poisoned = replace(found, asked=replace(found.asked, region=POISON, radius_km=None))
    text = scout_file(poisoned, read_settings(SKERRA).watch.ground, POISON, 4)
    assert not re.search(r"<script|<img|<link|@import|https?://(?!www\.w3\.org)", text)
    assert "No place was looked for in 12 % of the region: off the ground file." in text
    drawn = re.findall(r"<svg.*?</svg>", text, re.DOTALL)
    maps = [Xml.fromstring(each) for each in drawn if 'role="img"' in each]
    small = [each for each in maps if each.get("class") == "map small"]
    assert len(maps) == 4 + len(small)
    assert len(small) == 2, "hours with a go or caution place"
    for svg in small:
        signs = [e for e in svg.iter() if e.get("class", "").startswith("place")]
        assert len(signs) == len(found.places)
    (tmp_path / "m.html").write_text(text, encoding="utf-8")


@pytest.fixture
def clock() -> SimulatedClock:
    return SimulatedClock(FIRST)


@pytest.fixture
def served(tmp_path: Path, clock: SimulatedClock) -> Iterator[tuple[str, Store]]:
    """A page over a database that holds nothing yet."""
    facts = replace(read_settings(SKERRA).page_facts(looks=True), watch="test watch")
    with ExitStack() as opened:
        store = new_store(tmp_path / "s.sqlite3")
        opened.callback(store.close)
        app = create_app(store, facts, clock)
        server = opened.enter_context(PageServer(app, "127.0.0.1", 0))
        yield server.url.rstrip("/"), store


def _get(url: str, status: int = 200) -> str:
    answer = httpx.get(url, timeout=PATIENCE_S)
    assert answer.status_code == status, url
    return answer.text


def test_the_page_shows_the_newest(served: tuple[str, Store], clock: SimulatedClock) -> None:
    url, store = served
    assert "No region is scouted yet" in _get(f"{url}/scout")
    store.save_scouting(made_up(flown=6))
    assert "A first look" in _get(f"{url}/scout")
    found = made_up()
    store.save_scouting(found)
    text = _get(f"{url}/scout")
    assert "A first look" not in text
    assert "20 of 25 places have a go hour." in text
    assert all(escape(note) in text for note in notes(found))
    hours = re.findall(r'href="(/scout\?hour=[^"]+)"', text)
    assert len(hours) == 2, "two of four hours are good anywhere"
    assert "no place is go or caution are not listed: 2." in text
    chosen = _get(url + hours[1])
    assert "release Tue 5 May 06:00" in chosen
    assert 'aria-current="true"' in chosen
    place = _get(f"{url}/scout?place=p07")
    assert "P07, hour by hour" in place
    assert "Settings for P07" in place, "any place can become a site"
    assert place.count('<th scope="row" class="keep">Tue 5 May') == 3
    assert "are not listed: 1." in place
    for bad in ("hour=x", "hour=20300101T0000Z", "place=P99", "place=%00"):
        _get(f"{url}/scout?{bad}", 404)
    clock.set(FIRST + timedelta(minutes=90))
    later = _get(f"{url}/scout")
    assert "2 launch hours from Tue 5 May 06:00" in later, "hours that are over are not told"
    clock.set(FIRST + timedelta(hours=4))
    assert "All launch hours of the last scouting are over" in _get(f"{url}/scout")


@pytest.mark.browser
def test_it_is_read_on_a_phone_without_script_and_axe_finds_nothing(
    served: tuple[str, Store], browser: Browser, tmp_path: Path
) -> None:
    url, store = served
    found: Scouting = made_up()
    store.save_scouting(replace(found, asked=replace(found.asked, region=POISON, radius_km=None)))
    for path in ("/scout", "/scout?place=P07", "/scout?hour=20260505T0800Z"):
        for size in SIZES.values():
            with visit(browser, url, size, bypass_csp=True) as seen:
                seen.goto(url + path)
                width = size["viewport"]["width"]
                assert seen.evaluate("document.documentElement.scrollWidth") == width
                if size is PHONE:
                    report = Axe().run(seen)
                    assert report.violations_count == 0, f"{path}\n{report.generate_report()}"
                    with_script = seen.inner_text("main")
    with visit(browser, url, PHONE, java_script_enabled=False) as seen:
        seen.goto(f"{url}/scout?hour=20260505T0800Z")
        assert seen.inner_text("main") == with_script
        seen.get_by_role("textbox", name="Place").fill("P07")
        seen.get_by_role("button", name="Show").click()
        assert "P07, hour by hour" in seen.inner_text("main")
    ground = read_settings(SKERRA).watch.ground
    file = tmp_path / "maps.html"
    file.write_text(scout_file(made_up(), ground, "", 4), encoding="utf-8")
    with visit(browser, file.as_uri(), PHONE, bypass_csp=True) as seen:
        seen.goto(file.as_uri())
        report = Axe().run(seen)
        assert report.violations_count == 0, report.generate_report()
        assert seen.evaluate("document.documentElement.scrollWidth") <= 390
