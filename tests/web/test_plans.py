"""Pages of planned launches on a real server: a launch morning by forms, and what is refused."""

import re
import shutil
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path

import httpx
import pytest
from page_week import Week
from patience import PATIENCE_S
from playwright.sync_api import Browser
from visiting import DESK, PHONE, visit

from windowwatch.clock import SimulatedClock
from windowwatch.errors import SettingsError
from windowwatch.launchday.flight import (
    FillAir,
    LevelTimes,
    LiftOutcome,
    PlannedFlight,
    Range,
    Span,
)
from windowwatch.launchday.plan import Plan, Planned, stand
from windowwatch.launchday.releases import ReleaseTable, release_table
from windowwatch.settings.launchday import read_texts
from windowwatch.storage.store import Store, ready_store
from windowwatch.web.access.guard import make_share, new_secret
from windowwatch.web.app import create_app
from windowwatch.web.pages.pack import LARGEST, next_due_utc
from windowwatch.web.server import PageServer
from windowwatch.web.values import Contact, Facts
from windowwatch.windows.values import WindowState

pytestmark = pytest.mark.launchday
TOKEN = "a long word for a test only"
CONTACT = Contact("Ines Duarte", "director", "+1 555 0100")


@dataclass
class Crew:
    """A crew at the page of its planned launch."""

    store: Store
    facts: Facts
    clock: SimulatedClock
    url: str
    client: httpx.Client
    release_utc: datetime

    def get(self, path: str = "/plans/1?by=Ada") -> str:
        answer = self.client.get(path)
        assert answer.status_code == 200, path
        return answer.text

    def post(self, path: str = "/plans/1", **fields: str) -> httpx.Response:
        page = self.get("/plans/new")
        found = re.search(r'name="csrf" value="([0-9a-f]+)"', page)
        assert found is not None
        return self.client.post(path, data={"csrf": found[1], "by": "Ada", **fields})

    def does(self, **fields: str) -> str:
        answer = self.post(**fields)
        assert answer.status_code == 303, answer.text
        assert answer.headers["location"] == "/plans/1?by=Ada"
        return self.get()

    def fails(self, **fields: str) -> str:
        before = self.plan.number
        answer = self.post(**fields)
        assert answer.status_code == 409
        assert self.plan.number == before, "nothing was changed"
        found = re.search(
            r'id="refused" role="alert"><strong>Not done.</strong> ([^<]*)<', answer.text
        )
        assert found is not None
        return found[1]

    @property
    def plan(self) -> Plan:
        entries = self.store.plan_entries(self.facts.watch, "1").entries
        return stand("1", entries, self.clock.now())


def flown(store: Store, facts: Facts) -> ReleaseTable:
    """A table of releases round the best planned hour, of the hours that the week has.

    How it rises, bursts and lands is invented; what it is worth and where it lands is not.
    """
    windows = [w for w in store.current_windows(facts.watch) if w.state is WindowState.OPEN]
    best = max(windows, key=lambda window: window.best_score)
    at, day = best.best_hour_utc, timedelta(hours=6)
    cycle = store.cycles(facts.watch)[-1].cycle
    hours = store.hours(
        facts.watch, cycle.id, site=best.site, from_utc=at - day, until_utc=at + 2 * day
    )
    hour = next(each for each in hours if each.time_utc == at)
    span = Span(*(at + timedelta(minutes=m) for m in (100, 110, 125)))
    flight = PlannedFlight(
        **{name: getattr(hour, name) for name in (
            "site", "time_utc", "verdict", "score", "chance", "checks", "worst", "footprint",
            "drift_km", "bearing_deg", "road_km", "landing_utc",
        )},
        parts=tuple(hour.parts.items()),
        ascent_mps=Range(4.5, 5.0, 5.6),
        burst_m=Range(30_000.0, 31_000.0, 32_000.0),
        burst=span,
        landing=Span(*(each + timedelta(minutes=45) for each in
                       (span.early_utc, span.middle_utc, span.late_utc))),
        levels=(LevelTimes(100, span, None), LevelTimes(600, span, span)),
        lifts=(LiftOutcome(2.7, 4.9, 31_100.0, 155.0, 1.5, 90.0),
               LiftOutcome(2.8, 5.0, 31_000.0, 152.0, 0.0, 0.0)),
        detail=store.detail(facts.watch, cycle.id, site=best.site, time_utc=at),
        air=FillAir(99_600.0, 288.0, 280.0),
    )  # fmt: skip
    now = at - timedelta(minutes=15)
    return release_table(
        hours, plan="1", plan_number=1, planned_utc=at, cycle_id=cycle.id, now_utc=now,
        flight=flight,
    )  # fmt: skip


@pytest.fixture
def crew(
    week: Week, made_once: Callable[[str, Callable[[Path], None]], Path], tmp_path: Path
) -> Iterator[Crew]:
    shutil.copytree(made_once("rehearsal", lambda _: None), tmp_path / "own")
    facts = replace(week.facts, contacts=(CONTACT,))
    with ready_store(f"sqlite:///{tmp_path}/own/w.sqlite3") as store, ExitStack() as opened:
        assert facts.train is not None
        table = flown(store, facts)
        made = table.made_utc - timedelta(hours=2)
        event = Planned(table.site, table.planned_utc, facts.train, ("Ada", "Ben"))
        assert store.make_plan(facts.watch, event, at_utc=made, by="Ada").key == "1"
        store.save_release_table(facts.watch, table)
        clock = SimulatedClock(table.made_utc + timedelta(minutes=1))
        app = create_app(store, facts, clock, token=TOKEN)
        server = opened.enter_context(PageServer(app, "127.0.0.1", 0))
        url = server.url.rstrip("/")
        client = opened.enter_context(
            httpx.Client(
                base_url=url, timeout=PATIENCE_S, headers={"authorization": f"Bearer {TOKEN}"}
            )
        )
        yield Crew(store, facts, clock, url, client, table.planned_utc)


def test_a_launch_morning_by_forms(crew: Crew) -> None:
    page = crew.get()
    assert "OVERDUE, due" in page, "the notice of yesterday is not ticked"
    assert "T − 14 min" in page
    assert ">OLD<" not in page
    assert "Last good release" in page
    for step in crew.facts.team.steps:
        if step.key not in ("lift", "release"):
            page = crew.does(do="tick", step=step.key)
    assert f"{step.key}" == "release"
    assert "The scale at the neck shows" in page, "the next step asks for what is measured"
    assert crew.plan.filling
    crew.does(do="gauge", cylinder="A1", bar="101,5")
    page = crew.does(do="lift", kg="2,85")
    assert "<strong>2.85 kg</strong> measured" in page
    assert "the plan has changed since" in page, "what was flown before it is old"
    assert "NOT KNOWN YET" in page, "no text to send holds old times"
    assert "The balloon has left now" in page
    page = crew.does(do="hold", minutes="20", seen=str(crew.plan.number))
    assert crew.plan.release_utc == crew.release_utc + timedelta(minutes=20)
    assert "HOLD until" in page
    page = crew.does(do="seen", wind="6.2", gust="9.0", cloud="3", visibility="20")
    assert "wind 6.2 m/s, gust 9.0 m/s, cloud 3 of 8, visibility 20.0 km" in page
    assert "something was measured since" in page
    crew.does(do="untick", step="traffic")
    crew.does(do="tick", step="traffic")
    crew.clock.set(crew.plan.release_utc + timedelta(minutes=1))
    page = crew.does(do="released", seen=str(crew.plan.number))
    assert "released" in page
    assert "Put the plan away" in page
    assert "put away: found" in crew.does(do="done", note="found")
    assert "done" in crew.get("/plans")


@pytest.mark.chase
def test_the_release_begins_a_flight_and_the_pages_lead_to_each_other(crew: Crew) -> None:
    assert "Its flight" not in crew.get()
    crew.does(do="released", seen=str(crew.plan.number))
    (flight,) = crew.store.flights()
    assert flight.begun.train == crew.plan.train
    assert flight.begun.released_utc == crew.plan.released_utc
    assert f'href="/flights/{flight.key}">Its flight' in crew.get()
    shown = crew.get(f"/flights/{flight.key}")
    assert 'href="/plans/1">plan 1</a>' in shown
    assert "Its forecast is still to be read" in shown
    assert f"flights/{flight.key}" in crew.get("/"), "the board says that a flight is on"


def test_a_measured_gust_is_no_go_at_once(crew: Crew) -> None:
    page = crew.does(do="seen", gust="14")
    found = re.search(r'<section class="minute ([a-z-]+)', page)
    assert found is not None
    assert found[1] == "no-go"
    assert "14.0 m/s measured by Ada" in page
    assert page.index("NO-GO NOW") < page.index('class="next-step'), "it stands above all else"
    assert "over the hard limit of 10.0 m/s. No release before" in page


def test_a_gust_stops_a_release_now_that_is_planned_for_later(crew: Crew) -> None:
    crew.does(do="move", time=f"{crew.release_utc + timedelta(hours=2):%H%MZ}")
    page = crew.does(do="seen", gust="14")
    assert "NO-GO NOW" in page
    assert '<section class="minute no-go' not in page, "in two hours it may have gone"
    crew.clock.set(crew.clock.now() + timedelta(minutes=31))
    assert "NO-GO NOW" not in crew.get()


def test_a_scrub_is_asked_twice(crew: Crew) -> None:
    asked = crew.get("/plans/1?by=Ada&ask=scrub")
    assert "Scrub this launch, and tell everybody?" in asked
    assert crew.plan.coming, "looking at the question does nothing"
    page = crew.does(do="scrub", why="front", seen=str(crew.plan.number))
    assert "scrubbed" in page
    assert "by Ada: front" in page
    assert "<form" not in page.split('<details id="log">')[0], "nothing is left to press"
    assert "is scrubbed: Ada ended it" in crew.fails(do="tick", step="gas")


def test_what_is_refused_says_so_and_keeps_what_was_typed(crew: Crew) -> None:
    for fields, said in (
        ({"do": "lift", "kg": "28"}, "10.0 times the planned"),
        ({"do": "lift", "kg": "two"}, "is no number"),
        ({"do": "lift", "kg": "nan"}, "is no number"),
        ({"do": "hold", "minutes": "900"}, "give 1 to 240"),
        ({"do": "move", "time": "25:00"}, "is no time"),
        ({"do": "move", "time": "2026-05-08 06:00"}, "in the past"),
        ({"do": "move", "time": "2026-05-12 09:00"}, "outside the clearance"),
        ({"do": "tick", "step": "gsa"}, "has no step"),
        ({"do": "gauge", "cylinder": "B9", "bar": "80"}, "no cylinder is called"),
        ({"do": "seen"}, "nothing was seen"),
        ({"do": "seen", "gust": "3", "wind": "8"}, "look which is which"),
        ({"do": "seen", "cloud": "2.5"}, "whole eighths"),
        ({"do": "metar", "metar": "all fine here"}, "cannot be read"),
        ({"do": "fly", "by": "Eve"}, "nothing that can be done"),
        ({"do": "tick", "step": "gas", "by": " "}, "say who you are"),
    ):  # fmt: skip
        assert said in crew.fails(**fields), fields
    again = crew.post(do="lift", kg="28").text
    assert 'value="28"' in again
    assert "It is so, however odd it looks" in again
    assert "28.00 kg" in crew.does(do="lift", kg="28", sure="yes")
    assert crew.client.post("/plans/1", data={"do": "tick", "by": "Ada"}).status_code == 403
    assert crew.client.get("/plans/7").status_code == 404
    assert crew.post("/plans/7", do="tick").status_code == 404


def test_two_who_decide_at_once_are_told(crew: Crew) -> None:
    seen = str(crew.plan.number)
    crew.does(do="hold", minutes="10", seen=seen)
    crew.clock.set(crew.plan.release_utc + timedelta(minutes=1))
    said = crew.fails(do="released", seen=seen)
    assert "has changed meanwhile: Ada, held" in said


@contextmanager
def before(crew: Crew, moment: datetime) -> Iterator[Crew]:
    """The same page at another time."""
    clock = SimulatedClock(moment)
    headers = {"authorization": f"Bearer {TOKEN}"}
    with (
        PageServer(create_app(crew.store, crew.facts, clock, token=TOKEN), "127.0.0.1", 0) as page,
        httpx.Client(base_url=page.url.rstrip("/"), timeout=PATIENCE_S, headers=headers) as client,
    ):
        yield replace(crew, clock=clock, url=page.url.rstrip("/"), client=client)


def test_a_launch_is_planned_from_its_window(crew: Crew) -> None:
    window = crew.store.current_windows(crew.facts.watch)[-1]
    with before(crew, window.best_hour_utc - timedelta(hours=20)) as early:
        page = early.get(f"/windows/{window.uid}")
        found = re.search(r'href="(/plans/new\?[^"]+)">Plan this launch', page)
        assert found is not None
        assert "Plan it</a>" in early.get("/")
        form = early.get(found[1].replace("&amp;", "&"))
        typed = re.search(r'name="time" required value="([^"]+)"', form)
        chosen = re.search(r'<option value="([^"]+)" selected', form)
        assert typed is not None
        assert chosen is not None
        made = early.post("/plans", site=chosen[1], time=typed[1], crew="Ada, Ben")
        assert made.headers["location"] == "/plans/2?by=Ada"
        plans = {each.key: each.entries for each in crew.store.all_plans(crew.facts.watch)}
        plan = stand("2", plans["2"])
        assert (plan.site, plan.release_utc) == (window.site, window.best_hour_utc)
        assert (plan.crew, plan.window_uid) == (("Ada", "Ben"), window.uid)
        assert "Not flown yet" in early.get("/plans/2")
        for time, said in (("2026-05-01 09:00", "in the past"), ("", "is no time")):
            refused = early.post("/plans", site=chosen[1], time=time)
            assert refused.status_code == 409
            assert said in refused.text
    assert len(crew.store.all_plans(crew.facts.watch)) == 2


def test_a_guest_looks_and_never_posts(crew: Crew) -> None:
    now = crew.clock.now()
    share = make_share(crew.store, crew.facts.watch, "client", timedelta(days=1), now, new_secret())
    with httpx.Client(base_url=crew.url, timeout=PATIENCE_S) as guest:
        assert guest.get(share.path).status_code == 303
        for path in ("/", "/plans", "/plans/1", "/plans/1?ask=scrub", "/plans/1/pack"):
            text = guest.get(path).text
            assert "<form" not in text, path
            assert "Plan it" not in text, path
            assert "555" not in text, path
        assert guest.get("/plans/new").status_code == 403
        for path in ("/plans", "/plans/1"):
            assert guest.post(path, data={"do": "scrub", "by": "Eve"}).status_code == 403
    assert crew.plan.number == 1


def test_what_is_old_is_marked(crew: Crew) -> None:
    crew.clock.set(crew.clock.now() + timedelta(minutes=25))
    page = crew.get()
    assert "they were flown 26 min ago" in page
    assert page.count(">OLD<") >= 3
    assert "OLD" in crew.get("/plans/1/pack")


def test_the_take_along(crew: Crew) -> None:
    answer = crew.client.get("/plans/1/pack")
    text = answer.text
    assert answer.headers["content-disposition"].startswith('attachment; filename="launch-1-')
    assert len(answer.content) <= LARGEST
    assert "<script" not in text
    assert not re.search(r"""(?:src|href|action)=["'](?!tel:|#)""", text), "nothing of elsewhere"
    assert re.search(r"<body>\s*<p class=\"first\">Made .* (OLD|Decide nothing by it after)", text)
    for part in ("Countdown", "If you wait", "Fill", "Phones", "Ines Duarte", "Cautions",
                 "Words to send", "UNMANNED FREE BALLOON", 'class="in90"', 'class="drive"',
                 'class="road'):  # fmt: skip
        assert part in text, part


def test_a_take_along_that_would_be_too_large_is_drawn_with_fewer_roads(
    crew: Crew, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = crew.client.get("/plans/1/pack")
    roads = whole.text.count('class="road')
    most = len(whole.content) - 1000
    monkeypatch.setattr("windowwatch.web.pages.pack.LARGEST", most)
    # the page keeps what it made of a plan until anything of that changes
    crew.clock.set(crew.clock.now() + timedelta(minutes=1))
    small = crew.client.get("/plans/1/pack")
    assert len(small.content) <= most
    assert "smallest roads are left out" in small.text
    assert "smallest roads are left out" not in whole.text
    assert 'class="in90"' in small.text
    assert small.text.count('class="road') <= roads
    monkeypatch.setattr("windowwatch.web.pages.pack.LARGEST", 1000)
    crew.clock.set(crew.clock.now() + timedelta(minutes=1))
    refused = crew.client.get("/plans/1/pack")
    assert refused.status_code >= 400
    assert "shorten the texts to send" in refused.text


def test_when_the_next_cycle_is_due(week: Week) -> None:
    cycles = [each.cycle for each in week.store.cycles(week.facts.watch)]
    step = cycles[-1].reference_utc - cycles[-2].reference_utc
    due = next_due_utc(cycles, timedelta(hours=4))
    assert due == cycles[-1].reference_utc + step + timedelta(hours=4)
    assert next_due_utc(cycles[-1:], timedelta(0)) == cycles[-1].reference_utc + timedelta(hours=6)
    assert next_due_utc([], timedelta(0)) is None


def test_texts_that_cannot_be_filled_name_file_name_and_names(crew: Crew, tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="is not a folder"):
        read_texts(tmp_path / "none")
    file = tmp_path / "client.txt"
    file.write_text("Hello,\nwe fly at $sight for $$5", encoding="utf-8")
    with pytest.raises(SettingsError, match=r"client.txt, line 2: \$sight is no name; .*\$site,"):
        read_texts(tmp_path)
    file.write_text("5 $ a day", encoding="utf-8")
    with pytest.raises(SettingsError, match=r"line 1: a \$ without a name"):
        read_texts(tmp_path)
    file.write_bytes(b"\xff\xfe")
    with pytest.raises(SettingsError, match="is not UTF-8"):
        read_texts(tmp_path)


@pytest.mark.browser
def test_a_phone_without_javascript_sees_one_large_button(crew: Crew, browser: Browser) -> None:
    app = create_app(crew.store, crew.facts, crew.clock)
    with (
        PageServer(app, "127.0.0.1", 0) as server,
        visit(browser, server.url, PHONE, java_script_enabled=False) as page,
    ):
        page.goto(f"{server.url}plans/1")
        page.locator(".next-step").get_by_label("Your name").fill("Ben")
        button = page.locator(".next-step").get_by_role("button", name="Done")
        box = button.bounding_box()
        assert box is not None
        assert box["height"] >= 56
        assert box["y"] + box["height"] < 844, "seen without moving the page"
        button.click()
        assert page.url.endswith("/plans/1?by=Ben")
        assert "As Ben" in page.locator(".next-step").inner_text()
        page.get_by_role("link", name="Scrub …").click()
        page.get_by_role("button", name="Yes, scrub it").click()
        assert "by Ben" in page.locator(".plan-state").inner_text().replace("BY BEN", "by Ben")
    assert not crew.plan.coming


@pytest.mark.browser
def test_an_open_page_hears_of_what_others_did(crew: Crew, browser: Browser) -> None:
    for size in (PHONE, DESK):
        app = create_app(crew.store, crew.facts, crew.clock)
        with PageServer(app, "127.0.0.1", 0) as server, visit(browser, server.url, size) as page:
            page.goto(f"{server.url}plans/1?by=Ben")
            wide = "[document.documentElement.scrollWidth, innerWidth]"
            reached, there = page.evaluate(wide)
            assert reached <= there
            if size is PHONE:
                crew.does(do="hold", minutes="20")
                page.get_by_text("HOLD until").wait_for()


@pytest.mark.browser
def test_the_take_along_opens_without_network(crew: Crew, browser: Browser, tmp_path: Path) -> None:
    file = tmp_path / "launch.html"
    file.write_text(crew.get("/plans/1/pack"), encoding="utf-8")
    context = browser.new_context(**PHONE, offline=True, java_script_enabled=False)
    page = context.new_page()
    said: list[str] = []
    page.on("console", lambda each: said.append(each.text))
    page.goto(file.as_uri())
    assert page.locator("svg.map ellipse.in90").first.is_visible()
    assert page.locator("svg.map path.drive").first.is_visible()
    first = page.locator("p").first.bounding_box()
    assert first is not None
    assert first["y"] == 0
    page.locator("summary").last.click()
    box = page.locator("table.limits").bounding_box()
    assert box is not None
    assert box["x"] + box["width"] <= 390
    context.close()
    assert said == []
