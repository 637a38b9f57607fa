"""A scouting started on the page: by a form, in a process of its own, one at a time."""

import html
import json
import os
import re
import signal
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import NamedTuple

import httpx
import psutil
import pytest
from axe_playwright_python.sync_playwright import Axe
from invented import record
from patience import PATIENCE_S
from playwright.sync_api import Browser
from scouted import BAY, FIRST, SKERRA, made_up
from visiting import PHONE, SIZES, visit

from windowwatch.child import ChildLimits
from windowwatch.clock import SimulatedClock
from windowwatch.errors import InputError
from windowwatch.forecast.cycle import CycleData
from windowwatch.forecast.sources import load_cycle, scan_folder
from windowwatch.scouting.values import SEEN_WITHIN, RunState, ScoutFields
from windowwatch.settings.read import read_settings
from windowwatch.storage.store import Store, ready_store
from windowwatch.watch.launchday.opening import OpenAs
from windowwatch.watch.run.scouting import Flyer, ScoutRuns, ScoutWith, prepared
from windowwatch.watch.values import area_of
from windowwatch.web.access.guard import make_share, new_secret
from windowwatch.web.app import create_app
from windowwatch.web.pages.scout import order_of
from windowwatch.web.server import PageServer

pytestmark = pytest.mark.scout
TOKEN = "a long word for a test only"
ASKED = ScoutFields(around="45.95, -35.3, 22", spacing="12", hours="8")
WATCH = "test watch"


def test_one_at_a_time_whoever_asks(store: Store) -> None:
    """On SQLite and on PostgreSQL: of eight who start at once one does; the rest are told why."""
    gate, said = threading.Barrier(8), list[str]()

    def start(word: str) -> None:
        gate.wait()
        try:
            store.begin_scout_run(WATCH, word, ASKED, FIRST)
            said.append(word)
        except InputError as error:
            said.append(error.message)

    threads = [threading.Thread(target=start, args=(f"w{n}",)) for n in range(8)]
    for each in threads:
        each.start()
    for each in threads:
        each.join()
    begun = [each for each in said if each.startswith("w")]
    assert len(begun) == 1
    assert len(said) == 8
    assert all("under way already" in each for each in said if each not in begun)
    store.begin_scout_run("another watch", "x", ASKED, FIRST)


def test_it_is_said_to_have_died_when_nothing_is_heard_of_it(store: Store) -> None:
    store.begin_scout_run(WATCH, "a", ASKED, FIRST)
    later = FIRST + timedelta(seconds=20)
    assert store.renew_scout_run(WATCH, "a", 0.25, later)
    run = store.scout_run(WATCH)
    assert run is not None
    assert (run.share, run.asked, run.begun_utc) == (0.25, ASKED, FIRST)
    assert run.stands(later + SEEN_WITHIN) is RunState.RUNNING
    for gone in (later + 1.1 * SEEN_WITHIN, later - 1.1 * SEEN_WITHIN):  # a clock put back, too
        assert run.stands(gone) is RunState.DIED
    store.begin_scout_run(WATCH, "b", ASKED, later + 2 * SEEN_WITHIN)
    assert not store.renew_scout_run(WATCH, "a", 0.5, later), "another has begun since"
    store.end_scout_run(WATCH, "a", RunState.DONE, "", later)
    run = store.scout_run(WATCH)
    assert run is not None
    assert run.state is RunState.RUNNING, "who died does not end another's"
    store.stop_scout_run(WATCH)
    assert not store.renew_scout_run(WATCH, "b", 0.5, later)
    store.end_scout_run(WATCH, "b", RunState.FAILED, "a reason", later)
    run = store.scout_run(WATCH)
    assert run is not None
    assert (run.state, run.error) == (RunState.FAILED, "a reason")


def until(holds: Callable[[], bool], what: str) -> None:
    end = time.monotonic() + PATIENCE_S
    while not holds():
        assert time.monotonic() < end, what
        time.sleep(0.1)


class Flown(NamedTuple):
    """A page over the newest sample cycle, and what flies for it."""

    url: str
    store: Store
    clock: SimulatedClock
    runs: ScoutRuns
    given: ScoutWith
    client: httpx.Client

    def word(self) -> str:
        found = re.search(r'name="csrf" value="(\w+)"', self.client.get("/scout/new").text)
        assert found is not None
        return found[1]

    def post(self, path: str = "/scout", **fields: str) -> httpx.Response:
        return self.client.post(path, data={"csrf": self.word(), **fields})

    def state(self) -> RunState:
        run = self.store.scout_run(WATCH)
        assert run is not None
        return run.state

    def ends(self) -> RunState:
        until(lambda: self.state() is not RunState.RUNNING, f"it ends, and is {self.state()}")
        return self.state()


@pytest.fixture(scope="module")
def data() -> CycleData:
    """The newest sample cycle, as a pass of the demonstration would open it."""
    watch = read_settings(SKERRA).watch
    look = scan_folder(SKERRA.parents[1] / "grib_samples", model=watch.model)
    return load_cycle(look.cycles[-1], area=area_of(watch.sites))


@pytest.fixture
def flown(tmp_path: Path, data: CycleData) -> Iterator[Flown]:
    """It holds the cycle as one that was passed, without its hours."""
    settings = read_settings(SKERRA)
    watch = replace(settings.watch, name=WATCH, channels=())
    clock = SimulatedClock(data.cycle.reference_utc + timedelta(hours=12))
    url = f"sqlite:///{tmp_path}/w.sqlite3"
    with ExitStack() as opened:
        store = opened.enter_context(ready_store(url))
        held = replace(
            record(), watch=WATCH, cycle=data.cycle, files=data.files,
            hours=(), windows=(), changes=(), details=(), deliveries=(),
        )  # fmt: skip
        store.save_pass(held)
        given = ScoutWith(watch, url, ChildLimits(), None, OpenAs(), None)
        runs = ScoutRuns(store, clock, lambda: given)
        opened.callback(runs.close)
        facts = replace(settings.page_facts(looks=False), watch=WATCH)
        app = create_app(store, facts, clock, scouts=runs)
        server = opened.enter_context(PageServer(app, "127.0.0.1", 0))
        client = opened.enter_context(httpx.Client(base_url=server.url, timeout=PATIENCE_S))
        yield Flown(server.url.rstrip("/"), store, clock, runs, given, client)


def test_what_was_asked_on_the_page_is_flown_and_shown(flown: Flown, data: CycleData) -> None:
    """The same places, verdicts and scores as flown here; a second one meanwhile is refused."""
    assert flown.post(**vars(ASKED)).status_code == 303
    page = flown.client.get("/scout").text
    assert "A scouting is under way" in page
    assert '<noscript><meta http-equiv="refresh" content="10"></noscript>' in page
    again = flown.post(**{**vars(ASKED), "hours": "3"})
    assert again.status_code == 409
    assert "a scouting is under way already" in again.text
    assert 'name="hours" required value="3"' in again.text
    assert flown.ends() is RunState.DONE
    found = flown.store.newest_scouting(WATCH)
    assert found is not None
    page = flown.client.get("/scout").text
    assert "A scouting is" not in page
    assert f"within 22\xa0km of {45.95:.3f}° N, {35.3:.3f}° W" in page
    assert f"{len(found.places)} places" in page
    order = order_of(ASKED, flown.clock.now(), flown.given.watch.span.step)
    watch, candidates, _ = prepared(flown.given.watch, order)
    here = Flyer(data, watch, order, candidates, flown.clock.now())
    assert found.places == here.candidates.places
    assert found.found[0] == here.hours(0)
    assert found.times_utc[0] >= flown.clock.now()
    assert len(found.times_utc) == 8


def children() -> list[psutil.Process]:
    found: list[psutil.Process] = psutil.Process().children()
    return found


def test_it_can_be_ended_and_dies_aloud(flown: Flown) -> None:
    """Ended on the page; its process killed; whoever flies it stopped. Nothing runs on."""
    before = {each.pid for each in children()}
    flown.post(**vars(ASKED))
    assert flown.post("/scout/end").status_code == 303
    assert "is being ended" in flown.client.get("/scout").text
    assert flown.ends() is RunState.ENDED
    assert "was ended before its end" in flown.client.get("/scout").text
    until(lambda: {each.pid for each in children()} == before, "its process is gone")

    flown.post(**vars(ASKED))
    until(lambda: len(children()) > len(before), "its process is there")
    (flying,) = [each for each in children() if each.pid not in before]
    os.kill(flying.pid, signal.SIGKILL)
    assert flown.ends() is RunState.FAILED
    page = flown.client.get("/scout").text
    assert "The last scouting failed: the process of scouting died: signal 9 (SIGKILL)." in page
    assert 'value="45.95, -35.3, 22"' in flown.client.get("/scout/new").text, "the input is there"

    flown.post(**vars(ASKED))
    flown.runs.close()
    assert flown.state() is RunState.STOPPED
    assert "for the watch was stopped" in flown.client.get("/scout").text
    assert {each.pid for each in children()} == before


def test_where_nothing_can_be_a_place_that_is_said(flown: Flown) -> None:
    """Found out in its process; the words are those of the command."""
    flown.post(**{**vars(ASKED), "around": "10, 20, 30"})
    assert flown.ends() is RunState.FAILED
    assert "The last scouting failed: the circle lies outside the ground file" in (
        flown.client.get("/scout").text
    )


def test_after_a_new_start_a_run_that_died_is_said_to_have(flown: Flown) -> None:
    """The row of another process, of which nothing comes any more."""
    flown.store.begin_scout_run(WATCH, "somebody else", ASKED, flown.clock.now())
    assert "A scouting is under way" in flown.client.get("/scout").text
    assert flown.post(**vars(ASKED)).status_code == 409
    flown.clock.set(flown.clock.now() + SEEN_WITHIN + timedelta(seconds=1))
    page = flown.client.get("/scout").text
    assert "The last scouting died: nothing is heard of it since" in page
    assert 'href="/scout/new"' in page
    assert 'value="45.95, -35.3, 22"' in flown.client.get("/scout/new").text


class Asked(NamedTuple):
    """A page whose scoutings are taken down and not flown, for what is wrong before that."""

    client: httpx.Client
    url: str
    store: Store
    taken: list[ScoutFields]


@pytest.fixture
def asked(tmp_path: Path) -> Iterator[Asked]:
    with ExitStack() as opened:
        yield _asked(opened, tmp_path)


def _asked(opened: ExitStack, folder: Path, token: str | None = None) -> Asked:
    facts = replace(read_settings(SKERRA).page_facts(looks=True), watch=WATCH)
    store = opened.enter_context(ready_store(f"sqlite:///{folder}/s.sqlite3"))
    taken: list[ScoutFields] = []
    app = create_app(
        store, facts, SimulatedClock(FIRST), token=token,
        scouts=lambda _order, fields: taken.append(fields),
    )  # fmt: skip
    server = opened.enter_context(PageServer(app, "127.0.0.1", 0))
    client = opened.enter_context(httpx.Client(base_url=server.url, timeout=PATIENCE_S))
    return Asked(client, server.url.rstrip("/"), store, taken)


POINT = json.dumps({"type": "Point", "coordinates": [1, 2]})
FLAT = json.dumps({"type": "Polygon", "coordinates": [[[1, 2], [3, 4], [5, 6], [1, 2]]]})
TURNED = json.dumps({"type": "Polygon", "coordinates": [[[45, -136], [46, -136], [46, -135],
                                                         [45, -136]]]})  # fmt: skip


@pytest.mark.parametrize(
    ("fields", "at", "words"),
    [
        ({"around": "46,-36"}, "around", "Circle: '46,-36' is no circle; write it as latitude,"),
        ({"around": ""}, "around", "Circle: '' is no circle"),
        ({"around": "99,-36,5"}, "around", "latitude 99, longitude -36 is no place"),
        ({"around": "46,-36,5000"}, "around", "radius of 5000 km cannot be meant"),
        ({"how": "polygon"}, "polygon", "Polygon: is empty; paste GeoJSON"),
        ({"how": "polygon", "polygon": "{"}, "polygon", "Polygon: is not JSON"),
        ({"how": "polygon", "polygon": POINT}, "polygon", "Polygon: is Point; a region is"),
        ({"how": "polygon", "polygon": FLAT}, "polygon", "Polygon"),
        ({"how": "polygon", "polygon": TURNED}, "polygon", "Polygon"),
        ({"how": "polygon", "polygon": "[" * 100_000}, "polygon", "Polygon: is not JSON"),
        ({"spacing": "0"}, "spacing", "Spacing: '0' is not from 0.2 to 200; write km, such as 5"),
        ({"spacing": "nan"}, "spacing", "Spacing: 'nan' is not from 0.2 to 200"),
        ({"hours": "1e9"}, "hours", "Launch hours: '1e9' is not from 1 to 240"),
        ({"hours": "4.5"}, "hours", "Launch hours: '4.5' is not from 1 to 240; write whole ones"),
        ({"land_in": "[]"}, "land_in", "Landings wanted: is not GeoJSON"),
    ],
)
def test_what_is_wrong_is_said_of_its_field_and_nothing_is_lost(
    asked: Asked, fields: dict[str, str], at: str, words: str
) -> None:
    typed = {**vars(ASKED), **fields}
    csrf = _csrf(asked.client)
    answer = asked.client.post("/scout", data={"csrf": csrf, **typed})
    assert answer.status_code == 409
    page = html.unescape(answer.text)
    alerts = re.findall(r'role="alert" id="refused">(.*?)</p>', page, re.DOTALL)
    assert len(alerts) == 1, "one error"
    assert words in alerts[0]
    marked = re.findall(r'<(?:input|textarea) id="(\w+)"[^>]*aria-invalid="true"', page)
    assert marked == [at]
    for name in ("around", "spacing", "hours"):
        assert f'value="{typed[name]}"' in page
    for name in ("polygon", "land_in"):
        assert f">{typed[name]}</textarea>" in page
    assert re.search(rf'value="{typed["how"]}" checked', page)
    assert asked.taken == []


def _csrf(client: httpx.Client, path: str = "/scout/new") -> str:
    found = re.search(r'name="csrf" value="(\w+)"', client.get(path).text)
    assert found is not None
    return found[1]


def test_a_polygon_is_taken_with_comma_numbers(asked: Asked) -> None:
    typed = replace(ASKED, how="polygon", polygon=json.dumps(BAY), spacing="7,5")
    answer = asked.client.post("/scout", data={"csrf": _csrf(asked.client), **vars(typed)})
    assert answer.status_code == 303
    assert asked.taken == [typed]
    order = order_of(typed, FIRST, timedelta(hours=1))
    assert order.spacing_km == 7.5
    assert order.region.holds(45.7, -36.6).all()
    assert not order.region.holds(45.7, -36.4).any(), "the hole"
    land = order_of(replace(typed, land_in=json.dumps(BAY)), FIRST, timedelta(hours=1)).land_in
    assert land is not None
    half = order_of(typed, FIRST + timedelta(minutes=20), timedelta(hours=1))
    assert half.times_utc[0] == FIRST + timedelta(hours=1)


def test_only_pages_of_ours_start_one_and_no_guest(tmp_path: Path) -> None:
    """Without its word, from elsewhere, too long, without a token, by a link that lets read."""
    with ExitStack() as opened:
        asked = _asked(opened, tmp_path, TOKEN)
        assert asked.client.post("/scout", data=vars(ASKED)).status_code == 401
        door = _csrf(asked.client, "/enter")
        asked.client.post("/enter", data={"token": TOKEN, "csrf": door})
        csrf = _csrf(asked.client)
        for path in ("/scout", "/scout/end"):
            assert asked.client.post(path, data=vars(ASKED)).status_code == 403
            foreign = {"origin": "https://elsewhere.example"}
            data = {"csrf": csrf, **vars(ASKED)}
            assert asked.client.post(path, data=data, headers=foreign).status_code == 403
        huge = {"csrf": csrf, **vars(ASKED), "polygon": "x" * 500_000}
        assert asked.client.post("/scout", data=huge).status_code == 413
        share = make_share(asked.store, WATCH, "crew", timedelta(hours=2), FIRST, new_secret())
        with httpx.Client(base_url=asked.url, timeout=PATIENCE_S) as guest:
            guest.get(share.path)
            assert guest.get("/").status_code == 200
            for path in ("/scout", "/scout/new"):
                assert guest.get(path).status_code == 403
            for path in ("/scout", "/scout/end"):
                assert guest.post(path, data=data).status_code == 403
        assert asked.taken == []
        assert asked.client.post("/scout", data=data).status_code == 303
        assert asked.taken == [ASKED]


def test_where_nothing_can_start_one_no_form_is_shown(tmp_path: Path) -> None:
    facts = replace(read_settings(SKERRA).page_facts(looks=True), watch=WATCH)
    with ExitStack() as opened:
        store = opened.enter_context(ready_store(f"sqlite:///{tmp_path}/s.sqlite3"))
        app = create_app(store, facts, SimulatedClock(FIRST))
        server = opened.enter_context(PageServer(app, "127.0.0.1", 0))
        page = httpx.get(f"{server.url}scout", timeout=PATIENCE_S).text
        assert "/scout/new" not in page
        assert httpx.get(f"{server.url}scout/new", timeout=PATIENCE_S).status_code == 404


@pytest.mark.browser
def test_the_form_on_a_phone_without_script(asked: Asked, browser: Browser) -> None:
    """A wrong polygon is said, stays, is put right and taken; axe finds nothing."""
    context = browser.new_context(**PHONE, java_script_enabled=False)
    seen = context.new_page()
    seen.goto(f"{asked.url}/scout")
    seen.get_by_role("link", name="Scout a region").click()
    seen.get_by_role("radio", name="A polygon").check()
    seen.get_by_label("GeoJSON (a Polygon").fill(POINT)
    seen.get_by_label("Launch hours").fill("24")
    seen.get_by_role("button", name="Scout it").click()
    assert "Polygon: is Point" in seen.get_by_role("alert").first.inner_text()
    field = seen.get_by_label("GeoJSON (a Polygon")
    assert field.input_value() == POINT
    assert seen.get_by_role("radio", name="A polygon").is_checked()
    assert seen.get_by_label("Launch hours").input_value() == "24"
    field.fill(json.dumps(BAY))
    seen.get_by_role("button", name="Scout it").click()
    assert seen.url == f"{asked.url}/scout"
    assert [json.loads(each.polygon) for each in asked.taken] == [BAY]
    context.close()
    asked.store.save_scouting(made_up())
    asked.store.begin_scout_run(WATCH, "x", ASKED, FIRST)
    asked.store.renew_scout_run(WATCH, "x", 0.5, FIRST)
    for path in ("/scout/new", "/scout"):
        for size in SIZES.values():
            for scheme in ("light", "dark"):
                with visit(browser, asked.url, size, bypass_csp=True, color_scheme=scheme) as page:
                    page.goto(asked.url + path)
                    width = size["viewport"]["width"]
                    assert page.evaluate("document.documentElement.scrollWidth") == width
                    report = Axe().run(page)
                    assert report.violations_count == 0, report.generate_report()
                    if path == "/scout":
                        assert "50\xa0% is done" in page.inner_text("main")
    with visit(browser, asked.url, PHONE) as page:
        page.goto(f"{asked.url}/scout")
        asked.store.renew_scout_run(WATCH, "x", 0.75, FIRST)
        page.get_by_text("75\u00a0% is done").wait_for(timeout=1000 * PATIENCE_S)
        assert page.get_by_role("progressbar", name="Scouting").evaluate("e => e.value") == 0.75
