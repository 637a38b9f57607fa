"""The page in a real Chromium, on a phone and on a desk: looks, keys, print, no script, axe."""

import re
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any
from zoneinfo import ZoneInfo

import invented
import pytest
from axe_playwright_python.sync_playwright import Axe
from page_week import Week
from playwright.sync_api import Browser, Page, sync_playwright

from windowwatch.scoring.values import Verdict
from windowwatch.web.values import stamp
from windowwatch.windows.values import ChangeKind

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(CHROMIUM is None, reason="no chromium is installed on this machine"),
]

#: No name but loopback resolves, and Chromium calls nobody on its own.
FLAGS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    "--host-resolver-rules=MAP * ~NOTFOUND,EXCLUDE 127.0.0.1",
]  # fmt: skip
PHONE: dict[str, Any] = {
    "viewport": {"width": 390, "height": 844},
    "device_scale_factor": 2,
    "is_mobile": True,
    "has_touch": True,
}
DESK: dict[str, Any] = {"viewport": {"width": 1280, "height": 900}}
SIZES = {"phone": PHONE, "desk": DESK}


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_playwright() as play:
        opened = play.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield opened
        opened.close()


@contextmanager
def visit(browser: Browser, url: str, size: dict[str, Any], **more: Any) -> Iterator[Page]:
    """A visit during which nothing may go wrong: no error, no refusal, no outside request."""
    context = browser.new_context(**size, **more)
    page = context.new_page()
    bad: list[str] = []
    page.on("pageerror", lambda error: bad.append(str(error)))
    page.on(
        "console", lambda said: bad.append(said.text) if said.type in {"error", "warning"} else None
    )
    page.on("response", lambda r: bad.append(f"{r.status} {r.url}") if r.status >= 400 else None)
    page.on("request", lambda r: None if r.url.startswith(url) else bad.append(f"out: {r.url}"))
    yield page
    context.close()
    assert bad == []


def paths(week: Week) -> list[str]:
    watch = week.facts.watch
    hours = week.store.hours(watch)
    chosen = [next(h for h in hours if h.verdict is v) for v in (Verdict.GO, Verdict.NO_GO)]
    return [
        "/",
        *(f"/hour/{h.site.lower()}/{stamp(h.time_utc)}" for h in chosen),
        "/windows",
        f"/windows/{week.store.current_windows(watch)[0].uid}",
        f"/windows/{week.store.current_windows(watch)[0].uid}/sheet",
        "/sites",
        "/notices",
        "/health/page",
        "/data",
    ]


@pytest.mark.parametrize("size", SIZES)
def test_no_page_is_wider_than_its_screen(week: Week, browser: Browser, size: str) -> None:
    wide = SIZES[size]["viewport"]["width"]
    with visit(browser, week.url(), SIZES[size]) as page:
        for path in paths(week):
            page.goto(week.url() + path)
            assert page.evaluate("document.documentElement.scrollWidth") == wide, path
            assert page.locator("h1").count() == 1, path


@pytest.mark.parametrize("size", SIZES)
def test_axe_finds_nothing(week: Week, browser: Browser, size: str) -> None:
    """Rules of axe-core, which follow WCAG 2."""
    chosen = paths(week) if size == "phone" else paths(week)[:2]
    # axe looks at the page through a script of its own, which our policy rightly refuses.
    with visit(browser, week.url(), SIZES[size], bypass_csp=True) as page:
        for path in chosen:
            page.goto(week.url() + path)
            found = Axe().run(page)
            assert found.violations_count == 0, f"{path}\n{found.generate_report()}"


def test_hours_are_read_aloud(week: Week, browser: Browser) -> None:
    """Ten hours by their role and name, as a screen reader meets them."""
    hours = [h for h in week.store.hours(week.facts.watch, site="Millfield") if h.score][:10]
    assert len(hours) == 10
    with visit(browser, week.url(), DESK) as page:
        page.goto(week.url())
        for hour in hours:
            local = hour.time_utc.astimezone(ZoneInfo("America/Noronha"))
            name = f"Millfield, {local:%a} {local.day} May {local:%H:%M}: {hour.verdict}, score"
            assert page.get_by_role("link", name=name).count() == 1, name


def test_without_script_everything_is_there(week: Week, browser: Browser) -> None:
    def texts(**more: Any) -> list[str]:
        with visit(browser, week.url(), PHONE, **more) as page:
            found = []
            for path in paths(week):
                page.goto(week.url() + path)
                found.append(page.locator("body").inner_text())
            return found

    assert texts(java_script_enabled=False) == texts()


def test_on_a_phone_one_site_is_unfolded_at_a_time(week: Week, browser: Browser) -> None:
    with visit(browser, week.url(), PHONE, java_script_enabled=False) as page:
        page.goto(week.url())
        days = page.locator(".site .days")
        assert [days.nth(i).is_visible() for i in range(3)] == [True, False, False]
        page.get_by_role("link", name=re.compile("Show the days of")).last.click()
        assert [days.nth(i).is_visible() for i in range(3)] == [False, False, True]
    with visit(browser, week.url(), DESK) as page:
        page.goto(week.url())
        days = page.locator(".site .days")
        assert [days.nth(i).is_visible() for i in range(3)] == [True, True, True]


def test_cells_are_large_enough_for_a_finger(week: Week, browser: Browser) -> None:
    """WCAG 2.2, success criterion 2.5.8: at least 24 by 24 CSS pixels."""
    with visit(browser, week.url(), PHONE) as page:
        page.goto(week.url())
        boxes = page.locator(".site.first .cells a").evaluate_all(
            "cells => cells.map(c => { const b = c.getBoundingClientRect();"
            " return [b.width, b.height]; })"
        )
        assert len(boxes) == 144
        assert min(width for width, _ in boxes) >= 24
        assert min(height for _, height in boxes) >= 24


def test_the_board_goes_by_keyboard(week: Week, browser: Browser) -> None:
    with visit(browser, week.url(), DESK) as page:
        page.goto(week.url())
        cells = page.locator(".site.first .cells a")
        cells.nth(30).evaluate("cell => cell.closest('.site').querySelector('a.cell').focus()")

        def focused() -> str:
            return str(page.evaluate("document.activeElement.getAttribute('aria-label')"))

        assert "Tue 5 May 00:00" in focused()
        page.keyboard.press("ArrowRight")
        page.keyboard.press("ArrowDown")
        assert "Wed 6 May 01:00" in focused()
        stops = page.locator('.cells a[tabindex="0"]').count()
        assert stops == len(week.facts.sites)
        page.keyboard.press("Enter")
        page.wait_for_url("**/hour/**")
        assert "01:00" in page.locator("h1").inner_text()


def test_the_layers_of_the_map_are_drawn(week: Week, browser: Browser) -> None:
    """What the browser finds at places of the drawing, and what it fills it with."""
    hour = next(
        h
        for h in week.store.hours(week.facts.watch, site="Millfield")
        if h.verdict is Verdict.GO and h.footprint is not None
    )
    with visit(browser, week.url(), PHONE) as page:
        page.goto(f"{week.url()}/hour/millfield/{stamp(hour.time_utc)}")
        drawing = page.locator("svg.map").first
        drawing.scroll_into_view_if_needed()
        under = drawing.evaluate(
            """svg => {
              const at = (x, y) => {
                const p = new DOMPoint(x, y).matrixTransform(svg.getScreenCTM());
                return document.elementsFromPoint(p.x, p.y).map(e => e.getAttribute('class'));
              };
              const ring = svg.querySelector('.in50').getAttribute('transform');
              const [x, y] = ring.match(/[-\\d.]+/g).map(Number);
              return at(x + 12, y + 12);
            }"""
        )
        for layer in ("in50", "in90", "land"):
            assert layer in under
        for layer in ("water", "road", "shun", "site-mark", "in50", "in90"):
            box = drawing.locator(f".{layer}").first.bounding_box()
            assert box is not None, layer
            assert box["width"] > 1, layer
        letters = drawing.locator("text").evaluate_all(
            "texts => texts.map(t => t.getBoundingClientRect().height)"
        )
        assert min(letters) >= 12  # CSS pixels, on a phone
        assert drawing.evaluate("svg => getComputedStyle(svg.querySelector('.in50')).fill") == (
            "rgb(168, 50, 26)"
        )


def test_a_verdict_is_told_without_colour(week: Week, browser: Browser) -> None:
    """go has a bar, caution a dotted one, no-go none: seen in what the browser draws."""

    def drawn(kind: str) -> str:
        return (
            f"() => getComputedStyle(document.querySelector('.cells .cell.{kind}'), '::after')"
            ".borderBottomStyle"
        )

    with visit(browser, week.url(), DESK) as page:
        page.goto(week.url())
        assert page.evaluate(drawn("go")) == "solid"
        assert page.evaluate(drawn("caution")) == "dotted"
        assert page.evaluate(drawn("no-go")) == "none"


def test_the_board_prints_whole(week: Week, browser: Browser) -> None:
    with visit(browser, week.url(), PHONE) as page:
        page.goto(week.url())
        page.emulate_media(media="print")
        days = page.locator(".site .days")
        assert all(days.nth(i).is_visible() for i in range(3))
        pages = len(re.findall(rb"/Type\s*/Page\b", page.pdf(format="A4")))
        assert 1 <= pages <= 4


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_the_launch_day_sheet_is_one_page_of_paper(
    week: Week, browser: Browser, paper: str
) -> None:
    with visit(browser, week.url(), DESK) as page:
        for window in week.store.current_windows(week.facts.watch):
            page.goto(f"{week.url()}/windows/{window.uid}/sheet")
            assert len(re.findall(rb"/Type\s*/Page\b", page.pdf(format=paper))) == 1
    assert week.store.current_windows(week.facts.watch)


def test_a_newer_forecast_is_announced_and_not_forced(made_week: Week, browser: Browser) -> None:
    store, url = made_week.store, made_week.url(invented.NOW)
    store.save_pass(invented.record(hours=()))
    with visit(browser, url, PHONE) as page:
        page.clock.install()
        page.goto(f"{url}/health/page")
        bar = page.get_by_text("A newer forecast has come.")
        with page.expect_response("**/data/cycle.json"):
            page.clock.fast_forward(61_000)
        assert not bar.is_visible()
        store.save_pass(invented.record(1, hours=()))
        with page.expect_response("**/data/cycle.json"):
            page.clock.fast_forward(61_000)
        bar.wait_for(state="visible")
        assert page.locator("body").get_attribute("data-cycle") == invented.cycle(0).id
        page.get_by_role("link", name="Show it").click()
        assert page.locator("body").get_attribute("data-cycle") == invented.cycle(1).id
        assert not bar.is_visible()


def test_a_notice_is_acknowledged_by_keyboard_and_without_script(
    made_week: Week, browser: Browser
) -> None:
    change = invented.change(ChangeKind.CLOSED, found_utc=invented.NOW)
    made_week.store.save_pass(invented.record(hours=(), changes=(change,), deliveries=()))
    url = made_week.url(invented.NOW)
    with visit(browser, url, PHONE, bypass_csp=True) as page:
        page.goto(f"{url}/notices")
        page.locator("summary").click()
        assert Axe().run(page).violations_count == 0
    with visit(browser, url, DESK, java_script_enabled=False) as page:
        page.goto(f"{url}/notices")
        page.locator("summary").focus()
        page.keyboard.press("Enter")
        page.keyboard.press("Tab")
        page.keyboard.type("Ada")
        page.keyboard.press("Enter")
        page.wait_for_url("**/notices#*")
        assert page.get_by_text("Known to Ada").is_visible()


def test_entering_with_the_token_works_in_a_browser(week: Week, browser: Browser) -> None:
    token = "a word for the browser test"
    url = week.url(token=token)
    context = browser.new_context(**PHONE)
    page = context.new_page()
    page.goto(url)
    page.get_by_label("Token").fill(token)
    page.get_by_role("button", name="Enter").click()
    assert page.locator("h1").inner_text() == "When and where to launch"
    assert page.evaluate("document.cookie") == ""
    context.close()


def test_a_page_that_is_stale_or_empty_is_clean(
    week: Week, empty_week: Week, browser: Browser, later: Any
) -> None:
    for url in (week.url(week.ended_utc + later), empty_week.url()):
        with visit(browser, url, PHONE, bypass_csp=True) as page:
            for path in ("/", "/windows", "/health/page"):
                page.goto(url + path)
                assert page.evaluate("document.documentElement.scrollWidth") == 390
            assert Axe().run(page).violations_count == 0
