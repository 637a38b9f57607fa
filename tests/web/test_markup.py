"""Text that is really markup stays text on every page; nothing is asked of elsewhere."""

import json
import re
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import replace
from datetime import timedelta
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree

import httpx
import pytest
from invented import NOW, at, change, detail, hour, record, window
from patience import PATIENCE_S
from playwright.sync_api import Browser
from visiting import DESK

from windowwatch.clock import SimulatedClock
from windowwatch.forecast.cycle import SourceFile
from windowwatch.forecast.notes import SaidBefore
from windowwatch.launchday.plan import Planned
from windowwatch.launchday.sighting import Sighting
from windowwatch.physics.train import FlightTrain
from windowwatch.scoring.values import Site, Told
from windowwatch.settings.read import read_settings
from windowwatch.storage.engine import sqlite_url
from windowwatch.storage.store import Store, open_store
from windowwatch.web.access.guard import make_share, new_secret
from windowwatch.web.app import create_app
from windowwatch.web.server import PageServer
from windowwatch.web.values import Contact, Facts, site_keys, stamp
from windowwatch.windows.causes import ErrorSaid, PassFailed
from windowwatch.windows.decisions import Decision
from windowwatch.windows.values import ChangeKind
from windowwatch.wording.texts import TextTemplate

pytestmark = pytest.mark.night
SKERRA = Path(__file__).resolve().parents[2] / "config" / "skerra.toml"
TOKEN = "a long word for a test only"
#: Breaks out of text, of attributes in either kind of quotes, of a script, a comment and a style;
#: each use of it carries a word of its own.
POISON = (
    "{word}\"'><img src=x onerror=poisoned()></script></style><script>poisoned()</script>"
    "--><svg onload=poisoned()>{{{{7*7}}}}&amp;"
)


def poison(word: str) -> str:
    return POISON.format(word=f"zz{word}")


SITE = Site(poison("site"), 45.60, -35.90, 140.0, "America/Noronha")


def poisoned_facts() -> Facts:
    """Facts of a watch of which every text is markup."""
    plain = read_settings(SKERRA).page_facts(looks=True)
    zones = tuple(replace(zone, label=poison("zone")) for zone in plain.zones)
    return replace(
        plain,
        watch=poison("watch"),
        note=poison("note"),
        sites=(SITE,),
        zones=zones,
        contacts=(Contact(poison("contact"), poison("role"), "+1 555 0100"),),
        decisions=(Decision(poison("decision"), timedelta(hours=3)),),
        ground=replace(plain.ground, sources=(poison("map"),)),
        channels=(poison("channel"),),
        page_url="https://watch.example",
        team=replace(plain.team, steps=(replace(plain.team.steps[0], text=poison("step")),)),
        texts=lambda: (TextTemplate(poison("text"), "x.txt", poison("words")),),
    )


def facts_train() -> FlightTrain:
    return read_settings(SKERRA, maps=False).watch.train


def poisoned_store(path: Path, watch: str) -> Store:
    store = open_store(sqlite_url(path))
    store.upgrade()
    hours = tuple(
        replace(
            hour(at(h), 80.0 if 6 <= h < 10 else 0.0, site=SITE.name, by="gust"),
            checks=tuple(
                replace(each, facts=(Told(poison("fact")),)) for each in hour(at(h)).checks
            ),
        )
        for h in range(24)
    )
    causes = (PassFailed(NOW, 3), ErrorSaid(poison("cause")))
    open_window = replace(window(), site=SITE.name)
    moved = change(ChangeKind.MOVED, key="0" * 12, site=SITE.name, causes=causes,
                   before=open_window, after=open_window)  # fmt: skip
    failed = replace(moved, key="1" * 12, kind=ChangeKind.PASS_FAILED, site="", window_uid=None,
                     before=None, after=None)  # fmt: skip
    changes = (moved, failed)
    store.save_pass(
        record(
            watch=watch,
            hours=hours,
            windows=(open_window,),
            changes=changes,
            deliveries=tuple((each.key, poison("channel")) for each in changes),
            details=tuple(detail(each, SITE) for each in hours),
            files=(SourceFile(f"/forecasts/{poison('file')}.grib2", "ab" * 32, 7),),
            gaps=(SaidBefore(poison("gap")),),
            remarks=(SaidBefore(poison("remark")),),
        )
    )
    store.acknowledge(changes[0].key, by_whom=poison("by"), now_utc=NOW)
    planned = Planned(SITE.name, at(7), facts_train(), (poison("crew"),))
    store.make_plan(watch, planned, at_utc=NOW, by=poison("by"))
    store.save_sighting(watch, Sighting(SITE.name, NOW, poison("seen"), wind_mps=3.0))
    make_share(store, watch, poison("share")[:80], timedelta(days=1), NOW, new_secret())
    return store


class Served:
    """The page of that watch, its addresses, and a client that has entered."""

    def __init__(self, store: Store, facts: Facts, opened: ExitStack) -> None:
        self.store = store
        app = create_app(store, facts, SimulatedClock(NOW), token=TOKEN)
        server = opened.enter_context(PageServer(app, "127.0.0.1", 0))
        self.url = server.url.rstrip("/")
        self.client = opened.enter_context(
            httpx.Client(
                base_url=self.url,
                timeout=PATIENCE_S,
                headers={"authorization": f"Bearer {TOKEN}"},
            )
        )
        (key,) = site_keys((SITE,))
        uid = window().uid
        here = f"site={key}&time={stamp(at(7))}"
        self.pages = [
            "/", f"/hour/{key}/{stamp(at(7))}", "/windows", f"/windows/{uid}",
            f"/windows/{uid}/sheet", "/sites", "/notices", "/health/page", "/data", "/shares",
            "/plans", "/plans/new", "/plans/1", "/nowhere",
        ]  # fmt: skip
        self.xml = [f"/data/flight.kml?{here}", f"/data/drive.gpx?{here}"]
        self.json = [
            "/data/hours.json", "/data/windows.json", "/data/changes.json",
            "/data/footprints.geojson", f"/data/flight.geojson?{here}", "/health",
            "/data/cycle.json",
        ]  # fmt: skip


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    facts = poisoned_facts()
    store = poisoned_store(tmp_path_factory.mktemp("poison") / "w.sqlite3", facts.watch)
    with ExitStack() as opened:
        yield Served(store, facts, opened)
    store.close()


class Parsed(HTMLParser):
    """What a browser would make elements of."""

    def __init__(self) -> None:
        super().__init__()
        self.bad: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        names = {name for name, _ in attrs}
        if any(name.startswith("on") for name in names) or dict(attrs).get("src") == "x":
            self.bad.append(f"<{tag} {attrs}>")

    def handle_data(self, data: str) -> None:
        if "poisoned()" in data and self.cdata_elem is not None:
            self.bad.append(f"in <{self.cdata_elem}>: {data[:80]}")


def test_markup_is_text_on_every_page(served: Served) -> None:
    shown: set[str] = set()
    for path in served.pages:
        answer = served.client.get(path)
        assert answer.status_code == (404 if path == "/nowhere" else 200), path
        parsed = Parsed()
        parsed.feed(answer.text)
        assert parsed.bad == [], path
        assert "{{7*7}}" in answer.text or path == "/nowhere", path
        assert ">49<" not in answer.text
        shown.update(re.findall(r"zz([a-z]+)", answer.text))
    assert shown >= {
        "site",  "note", "contact", "role", "decision", "fact", "cause", "gap", "remark",
        "channel", "share", "by", "map", "step", "seen", "text", "words",
    }  # fmt: skip


def test_markup_is_text_in_every_file(served: Served) -> None:
    taken_along = Parsed()
    taken_along.feed(served.client.get("/plans/1/pack").text)
    assert taken_along.bad == []
    for path in served.xml:
        answer = served.client.get(path)
        assert answer.status_code == 200, path
        tree = ElementTree.fromstring(answer.content)
        assert not [each for each in tree.iter() if each.tag.endswith(("img", "script"))]
        assert "zzsite" in answer.text
    for path in served.json:
        answer = served.client.get(path)
        json.loads(answer.text)
        assert answer.headers["content-type"].startswith(("application/json", "application/geo"))
        assert answer.headers["x-content-type-options"] == "nosniff"
    calendar = served.client.get("/data/windows.ics").text
    assert calendar.startswith("BEGIN:VCALENDAR")
    assert served.client.get("/data/map.png?" + served.xml[0].split("?")[1]).status_code == 200


@pytest.mark.browser
def test_no_page_runs_it_and_none_asks_elsewhere(served: Served, browser: Browser) -> None:
    """Every request of a real Chromium is looked at, also those that its policy would refuse."""
    context = browser.new_context(**DESK)
    served_host = served.url.removeprefix("http://")
    outside: list[str] = []
    ran: list[str] = []
    context.add_init_script("window.poisoned = () => { document.title = 'POISONED' }")
    page = context.new_page()
    page.on(
        "request",
        lambda asked: (
            None
            if re.match(rf"(http://{re.escape(served_host)}/|data:|blob:)", asked.url)
            else outside.append(asked.url)
        ),
    )
    page.goto(f"{served.url}/enter")
    page.get_by_label("Token").fill(TOKEN)
    page.get_by_role("button").click()
    for path in served.pages:
        page.goto(served.url + path)
        page.wait_for_timeout(50)
        if "/hour/" in path:  # the map that can be moved is drawn by a script
            page.wait_for_selector("body[data-map=ready]")
        if page.title() == "POISONED" or page.locator("img[src=x]").count():
            ran.append(path)
    context.close()
    assert outside == []
    assert ran == []


def test_no_answer_names_an_address_to_load_from_elsewhere(served: Served) -> None:
    """Of pages and styles, whatever a browser would load by itself."""
    loads = re.compile(
        r"""(?:src|href|action|poster|data)\s*=\s*["']?(https?:)?//|url\(\s*['"]?\w+:|@import"""
    )
    linked = re.findall(
        r'(?:src|href)="(/(?:static|lib)/[^"]+)"', served.client.get(served.pages[1]).text
    )
    assert len(linked) > 1
    for path in [*served.pages, *sorted(set(linked))]:
        text = served.client.get(path).text
        for found in loads.finditer(text):
            near = text[max(0, found.start() - 60) : found.end() + 60]
            assert re.search(r"<a\s[^>]*$", text[: found.start()][-200:]), f"{path}: {near}"
