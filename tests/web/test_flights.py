"""Followed flights on the page: what trackers post, what a crew sees, and who may do what."""

import gzip
import os
import signal
import threading
from collections.abc import Iterator
from contextlib import ExitStack, suppress
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import gpxpy
import httpx
import pytest
from axe_playwright_python.sync_playwright import Axe
from children import living_children
from jsonschema import Draft202012Validator
from made_flight import BEGAN, BEGUN, at, report, reports
from page_week import Week
from patience import PATIENCE_S
from playwright.sync_api import Browser
from visiting import PHONE, visit

from windowwatch.chase.reports import Mark
from windowwatch.chase.values import Closing, Outcome
from windowwatch.child import ChildDiedError
from windowwatch.clock import SimulatedClock
from windowwatch.settings.read import read_settings
from windowwatch.storage.store import Store, ready_store
from windowwatch.watch.chasing import Chasing
from windowwatch.watch.estimating import EstimatesInChild
from windowwatch.web import live
from windowwatch.web.access.guard import make_share, new_secret
from windowwatch.web.app import create_app
from windowwatch.web.flights import MOST_POSITIONS
from windowwatch.web.server import PageServer

pytestmark = pytest.mark.chase
ROOT = Path(__file__).resolve().parents[2]
TOKEN = "a long word for a test only"
NOW = BEGAN + timedelta(minutes=90)


@pytest.fixture
def page(tmp_path: Path) -> Iterator[Week]:
    """The page of a real server over an empty database with one flight."""
    settings = read_settings(ROOT / "config" / "skerra.toml")
    with ready_store(f"sqlite:///{tmp_path}/w.sqlite3") as store, ExitStack() as opened:
        store.begin_flight(BEGUN)
        yield Week(settings, store, settings.page_facts(looks=False), NOW, opened)


def position(minute: float, **other: object) -> dict[str, Any]:
    lat, lon, height = at(minute)
    when = BEGAN + timedelta(minutes=minute)
    return {"time_utc": when.isoformat(), "latitude_deg": lat, "longitude_deg": lon,
            "height_m": height, **other}  # fmt: skip


def bearer(store: Store, tracker: str = "radio") -> dict[str, str]:
    return {"authorization": f"Bearer {store.let_post('flight', tracker, BEGAN)}"}


def settled(page: Week, number: int) -> None:
    """Wait until an estimate by a report is stored: it is made after the answer."""
    waited = threading.Event()
    for _ in range(int(PATIENCE_S * 20)):
        said = page.store.said("flight")
        if said is not None and said.number >= number:
            return
        waited.wait(0.05)
    raise AssertionError("no estimate was made")


def test_a_tracker_posts_and_the_page_shows_where_it_will_land(page: Week) -> None:
    client, word = page.client(token=TOKEN), bearer(page.store)
    one = client.post("/data/positions", json=position(0), headers=word)
    assert one.status_code == 201, one.text
    many = {"positions": [position(minute) for minute in range(1, 61)] + [position(3)]}
    answer = client.post("/data/positions", json=many, headers=word)
    stored = answer.json()["positions"]
    assert [each["used"] for each in stored] == [True] * 60 + [False]
    assert stored[-1]["mark"] == "late"
    settled(page, stored[-2]["number"])
    assert client.get("/flights").status_code == 401, "a tracker's word opens no page"
    assert client.get("/flights", headers=word).status_code == 401
    client.headers["authorization"] = f"Bearer {TOKEN}"
    shown = client.get("/flights/flight")
    assert "rising" in shown.text
    assert "30 min" in shown.text
    assert "Lands at 46.0" in shown.text
    assert "1 not used" in shown.text
    assert 'http-equiv="refresh"' in shown.text
    assert len(gzip.compress(shown.content)) < 30_000
    for kind in ("geojson", "gpx", "kml", "csv"):
        assert client.get(f"/flights/flight/record.{kind}").status_code == 200
    assert client.get("/flights/flight/record.exe").status_code == 404
    assert client.get("/flights/nowhere").status_code == 404


def test_a_closed_flight_takes_nothing(page: Week) -> None:
    client, word = page.client(), bearer(page.store)
    client.post("/data/positions", json=position(0), headers=word)
    page.store.close_flight("flight", Closing(Outcome.GIVEN_UP, NOW, "Ada"))
    answer = client.post("/data/positions", json=position(1), headers=word)
    assert answer.status_code == 409
    assert "closed since 2026-05-08 07:30 UTC" in answer.json()["error"]
    shown = client.get("/flights/flight").text
    assert "given up" in shown
    assert 'http-equiv="refresh" content="30"' not in shown


@pytest.mark.parametrize(
    ("body", "words"),
    [
        (b"{", "the body is no JSON"),
        (b"[" * 100_000, "the body is no JSON"),
        (b"[]", "a position is an object"),
        (b'{"positions": []}', f"give 1 to {MOST_POSITIONS} at once"),
        (b'{"time_utc": "2026-05-08T06:00:00"}', "time_utc: write it as"),
        (b'{"time_utc": "2026-05-08T06:00:00Z", "height_m": NaN}', "height_m is no number"),
        (b'{"time_utc": "2026-05-08T06:00:00Z", "height_m": true}', "height_m: is no number"),
        (b'{"time_utc": "2026-05-08T06:00:00Z", "latitude_deg": 91}', "latitude_deg of 91"),
        (b'{"time_utc": "2026-05-08T06:00:00Z", "altitude": 3}', "altitude: is not known"),
    ],
)
def test_what_cannot_be_read_is_refused_whole(page: Week, body: bytes, words: str) -> None:
    answer = page.client().post("/data/positions", content=body, headers=bearer(page.store))
    assert answer.status_code == 400
    assert words in answer.json()["error"]
    assert page.store.reports("flight") == ()


def test_who_may_not_post(page: Week) -> None:
    """Nobody unnamed, with a wrong word, with the word that opens the page, or one to read by."""
    client, word = page.client(token=TOKEN), bearer(page.store)
    day, secret = timedelta(days=1), new_secret()
    make_share(page.store, page.facts.watch, "reader", day, NOW, secret)
    for each in ("", "Bearer wrong", f"Bearer {TOKEN}", f"Bearer {secret}"):
        headers = {"authorization": each} if each else {}
        answer = client.post("/data/positions", json=position(0), headers=headers)
        assert answer.status_code == 401
        assert "windowwatch flight tracker" in answer.json()["error"]
    page.store.stop_posting("flight", "radio", NOW)
    assert client.post("/data/positions", json=position(0), headers=word).status_code == 401
    assert page.store.reports("flight") == ()
    large = client.post("/data/positions", content=b" " * 300_000, headers=bearer(page.store))
    assert large.status_code == 413


def test_answers_are_as_they_are_described(page: Week) -> None:
    client = page.client()
    document = client.get("/data/openapi.json").json()
    way = document["paths"]["/data/positions"]["post"]
    for word, body in ((bearer(page.store), position(0)), (bearer(page.store), {}), ({}, {})):
        answer = client.post("/data/positions", json=body, headers=word)
        schema = way["responses"][str(answer.status_code)]["content"]["application/json"]["schema"]
        whole = {**schema, "components": document["components"]}
        Draft202012Validator(whole).validate(answer.json())
    asked = way["requestBody"]["content"]["application/json"]["schema"]
    Draft202012Validator({**asked, "components": document["components"]}).validate(position(0))


def test_many_at_once_lose_nothing(page: Week) -> None:
    """Ten trackers at the same time, each waiting for nobody: what was answered is stored."""
    url = page.url()
    words = [bearer(page.store, f"tracker {i}") for i in range(10)]
    answered: list[int] = []

    def post(word: dict[str, str]) -> None:
        with httpx.Client(base_url=url, timeout=PATIENCE_S) as client:
            for minute in range(6):
                answer = client.post("/data/positions", json=position(minute), headers=word)
                answered.extend(each["number"] for each in answer.json()["positions"])

    threads = [threading.Thread(target=post, args=(word,)) for word in words]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(answered) == 60
    assert sorted(answered) == [each.number for each in page.store.reports("flight")]
    settled(page, max(answered))


@pytest.mark.browser
def test_a_position_by_voice_on_a_phone(page: Week, browser: Browser) -> None:
    page.store.add_reports("flight", [report(minute) for minute in range(81)])
    url = page.url()
    with visit(browser, url, PHONE, java_script_enabled=False) as seen:
        seen.goto(f"{url}/flights/flight/report")
        assert seen.locator("#place").bounding_box()["height"] >= 44.0  # type: ignore[index]
        seen.fill("#place", "46 00.00 N, 7 53.0 E")
        seen.fill("#height", "10000m")
        seen.fill("#time", "07:29")
        seen.click("button")
        seen.wait_for_url("**/flights/flight")
        settled(page, page.store.reports("flight")[-1].number)
        seen.goto(f"{url}/flights/flight")
        assert "Falling" in seen.inner_text("main")
        assert seen.locator("svg.map.tall").is_visible()
        box = seen.locator("svg.map.tall").bounding_box()
        assert box is not None
        assert 0.0 <= box["x"] <= box["x"] + box["width"] <= 390.0
    kept = page.store.reports("flight")[-1]
    assert (kept.report.tracker, kept.report.source, kept.report.height_m) == (
        "voice", "voice", 10_000.0,
    )  # fmt: skip
    assert kept.mark is Mark.USED


def test_what_is_typed_wrong_into_the_form_comes_back_with_its_reason(page: Week) -> None:
    client = page.client()
    word = client.get("/flights/flight/report").text.split('name="csrf" value="')[1].split('"')[0]
    fields = {"csrf": word, "place": "north of the barn", "height": "8200"}
    answer = client.post("/flights/flight/report", data=fields)
    assert answer.status_code == 400
    assert "is no place; write it as" in answer.text
    assert 'value="north of the barn"' in answer.text
    forged = client.post("/flights/flight/report", data=fields | {"csrf": "x"})
    assert forged.status_code == 403
    assert page.store.reports("flight") == ()


def test_the_board_says_that_a_flight_is_on(week: Week) -> None:
    board = week.client()
    assert "A flight is on" not in board.get("/").text
    week.store.begin_flight(BEGUN)
    try:
        link = '<a href="/flights/flight">Invented flight</a>'
        assert f"<b>A flight is on:</b> {link}" in board.get("/").text
        played = replace(week, facts=replace(week.facts, rehearsal=True), _served={})
        assert f"<b>A flight was played:</b> {link}" in played.client().get("/").text
    finally:
        week.store.close_flight("flight", Closing(Outcome.GIVEN_UP, NOW, "Ada"))
    assert "A flight is on" not in board.get("/").text


@pytest.mark.browser
def test_axe_finds_nothing_on_a_phone(page: Week, browser: Browser) -> None:
    """Rules of axe-core, which follow WCAG 2."""
    page.store.add_reports("flight", [report(minute) for minute in range(81)])
    page.store.follow("flight", NOW)
    url = page.url()
    with visit(browser, url, PHONE, bypass_csp=True) as seen:
        for path in ("/flights", "/flights/flight", "/flights/flight/report"):
            seen.goto(f"{url}{path}")
            found = Axe().run(seen)
            assert found.violations_count == 0, f"{path}\n{found.generate_report()}"
            assert seen.evaluate("document.documentElement.scrollWidth") <= 390


@pytest.mark.browser
def test_an_open_page_hears_of_a_new_report_and_its_age_goes_on(
    page: Week, browser: Browser, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One word of news, and the page anew, compressed: both far below 30 kB together."""
    monkeypatch.setattr(live, "LOOK_EVERY_S", 0.05)
    page.store.add_reports("flight", [report(minute) for minute in range(85)])
    page.store.follow("flight", NOW)
    url, asked = page.url(), list[str]()
    with visit(browser, url, PHONE) as seen:
        seen.goto(f"{url}/flights/flight")
        assert "07:24:00 UTC" in seen.inner_text("main")
        seen.on("request", lambda each: asked.append(each.url))
        page.store.add_reports("flight", [report(85)])
        seen.get_by_text("07:25:00 UTC").wait_for()
        assert asked == [f"{url}/flights/flight"]
        with page.client().stream("GET", "/flights/flight") as answer:
            assert sum(len(part) for part in answer.iter_raw()) < 29_000, "as it was sent"
        assert not seen.locator(".age.old").count()
        seen.clock.install()
        seen.goto(f"{url}/flights/flight")
        # the page asks for itself anew every five minutes, and the net does not answer
        seen.route("**/*", lambda _asked_for: None)
        seen.clock.fast_forward(11 * 60_000)
        assert "16 min" in seen.inner_text(".age.old"), "5 min old already when it was shown"
        assert "nothing was heard for long" in seen.inner_text(".age.old")


def test_a_slow_estimate_holds_nobody_up(page: Week) -> None:
    begun, go, asked = threading.Event(), threading.Event(), list[str]()

    def slow(key: str, _now: datetime) -> None:
        asked.append(key)
        begun.set()
        assert go.wait(PATIENCE_S)

    app = create_app(page.store, page.facts, page.clock(), estimates=slow)
    word = bearer(page.store)
    with PageServer(app, "127.0.0.1", 0) as server, httpx.Client(
        base_url=server.url, timeout=PATIENCE_S
    ) as client:  # fmt: skip
        for minute in range(20):
            answer = client.post("/data/positions", json=position(minute), headers=word)
            assert answer.status_code == 201
            assert begun.wait(PATIENCE_S)
        assert "06:19:00 UTC" in client.get("/flights/flight").text
        assert asked == ["flight"], "nineteen wait as one, and the page's own makes no second"
        go.set()
        for _ in range(int(PATIENCE_S * 20)):
            if len(asked) == 2:
                break
            threading.Event().wait(0.05)
        assert asked == ["flight", "flight"]


@pytest.mark.process
def test_a_process_of_its_own_estimates_the_same_and_another_one_after_it_died(page: Week) -> None:
    page.store.add_reports("flight", reports(40))
    here = page.store.follow("flight", NOW)
    assert here.estimate is not None
    page.store.add_reports("flight", [report(41)])
    estimates, killed = EstimatesInChild(f"sqlite:///{page.store.place}", None), list[int]()
    try:
        for minute in (42, 43):
            estimates("flight", NOW)
            there = page.store.said("flight")
            assert there is not None
            assert there.number == page.store.reports("flight")[-1].number
            assert there == page.store.follow("flight", NOW)
            (child,) = living_children(os.getpid())
            assert child not in killed
            killed.append(child)
            os.kill(child, signal.SIGKILL)
            with suppress(ChildDiedError):  # told, unless its end was seen before it was asked
                estimates("flight", NOW)
            page.store.add_reports("flight", [report(minute)])
    finally:
        estimates.close()


def test_crews_say_where_they_are_and_see_where_to_wait(page: Week, browser: Browser) -> None:
    """On a flight over the invented island, by a phone's word and by the form."""
    client = page.client(token=TOKEN)
    moved = [
        replace(each, latitude_deg=45.9, longitude_deg=(each.longitude_deg or 0.0) - 42.9)
        for each in (report(minute) for minute in range(0, 105, 4))
    ]
    begun = replace(BEGUN, key="island", latitude_deg=45.9, longitude_deg=-35.9)
    page.store.begin_flight(begun)
    page.store.add_reports("island", moved)
    page.store.follow("island", BEGAN + timedelta(minutes=105))
    word = page.store.let_post("island", "Ada", BEGAN, is_crew=True)
    there = {"time_utc": NOW.isoformat(), "latitude_deg": 45.98, "longitude_deg": -34.52}
    header = {"authorization": f"Bearer {word}"}
    answer = client.post("/data/positions", json=there, headers=header)
    assert answer.status_code == 201, answer.text
    assert len(page.store.reports("island")) == len(moved), "a crew is no balloon"
    assert [crew.name for crew in page.store.crews("island")] == ["Ada"]
    nowhere = {"time_utc": NOW.isoformat()}
    assert client.post("/data/positions", json=nowhere, headers=header).status_code == 400
    chased = SimulatedClock(BEGAN + timedelta(minutes=106))
    watch = page.settings.watch
    Chasing(watch, page.store, chased).look()
    url = page.url(chased.now())
    with visit(browser, url, PHONE, java_script_enabled=False) as seen:
        seen.goto(f"{url}/flights/island/crew")
        seen.fill("#crew", "Ben")
        seen.fill("#place", "45.6, -35.9")
        seen.click("button[type=submit]")
        seen.wait_for_url("**/flights/island")
        Chasing(watch, page.store, chased).look()
        seen.reload()
        now = seen.inner_text(".do-now")
        assert "Ada: drive" in now
        assert "Ben: drive" in now, "Ada is there first, but nobody is idle"
        link = seen.locator(".crew", has_text="Ada").locator("a.button").first.get_attribute("href")
        advice = page.store.advice("island")
        assert advice is not None
        ada = advice.of("Ada")
        assert ada is not None
        assert link == f"geo:{ada.to_latitude_deg:.5f},{ada.to_longitude_deg:.5f}"
        assert seen.locator("svg.map.tall path.drive").count() == 1
        assert seen.locator("svg.map.tall .crew-mark").count() == 2
        assert "Lands on water" in seen.inner_text("main")
        assert len(gzip.compress(seen.content().encode())) < 30_000
    with visit(browser, url, PHONE, bypass_csp=True) as seen:
        seen.goto(f"{url}/flights/island")
        assert seen.evaluate("document.documentElement.scrollWidth") <= 390
        for path in ("/flights/island", "/flights/island/crew"):
            seen.goto(f"{url}{path}")
            found = Axe().run(seen)
            assert found.violations_count == 0, f"{path}\n{found.generate_report()}"
    gpx = gpxpy.parse(httpx.get(f"{url}/flights/island/ways.gpx").text)
    way, of_ben = gpx.routes
    assert (way.name, of_ben.name) == ("Ada", "Ben")
    assert (way.points[-1].latitude, way.points[-1].longitude) == pytest.approx(
        (ada.to_latitude_deg, ada.to_longitude_deg), abs=2e-5
    )
    assert {mark.name for mark in gpx.waypoints} >= {"Ada", "Ben", "Search 1"}


def test_the_age_of_the_last_report_turns_to_a_warning_by_itself(
    page: Week, browser: Browser
) -> None:
    page.store.add_reports("flight", [report(minute) for minute in range(61)])
    at_utc = BEGAN + timedelta(minutes=71, seconds=58)
    with visit(browser, page.url(at_utc), PHONE) as seen:
        seen.goto(f"{page.url(at_utc)}/flights/flight")
        assert "old" not in (seen.locator("#age").get_attribute("class") or "")
        seen.wait_for_selector("#age.old")
        assert "nothing was heard for long" in seen.inner_text("#age")
