"""The page in a real Chromium, on a phone and on a desk: looks, keys, print, no script, axe."""

import re
from typing import Any
from zoneinfo import ZoneInfo

import invented
import pytest
from axe_playwright_python.sync_playwright import Axe
from page_week import Week
from playwright.sync_api import Browser
from visiting import DESK, PHONE, SIZES, visit

from windowwatch.scoring.values import Verdict
from windowwatch.web.values import stamp
from windowwatch.windows.standing import judged
from windowwatch.windows.values import ChangeKind

pytestmark = pytest.mark.browser


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
            if "/hour/" in path:
                page.wait_for_selector("body[data-map=ready]")
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
            verdict = judged(hour, week.facts.rules).verdict
            name = f"Millfield, {local:%a} {local.day} May {local:%H:%M}: {verdict}, "
            assert page.get_by_role("link", name=name).count() == 1, name


def test_without_script_everything_is_there(week: Week, browser: Browser) -> None:
    def texts(**more: Any) -> list[str]:
        with visit(browser, week.url(), PHONE, **more) as page:
            found = []
            for path in paths(week):
                page.goto(week.url() + path)
                if more.get("java_script_enabled", True) and "/hour/" in path:
                    page.wait_for_selector("body[data-map=ready]")
                    # What lies over the drawing says nothing that the page does not say.
                    page.evaluate(
                        "document.querySelectorAll('.map-live, .map-help').forEach("
                        "part => part.remove())"
                    )
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
        assert len(boxes) > 80
        assert min(width for width, _ in boxes) >= 24
        assert min(height for _, height in boxes) >= 24


def test_the_board_goes_by_keyboard(week: Week, browser: Browser) -> None:
    with visit(browser, week.url(), DESK) as page:
        page.goto(week.url())
        cells = page.locator(".site.first .cells a")
        cells.nth(30).evaluate("cell => cell.closest('.site').querySelector('a.cell').focus()")

        def focused() -> str:
            return str(page.evaluate("document.activeElement.getAttribute('aria-label')"))

        assert "Tue 5 May 04:00" in focused()
        page.keyboard.press("ArrowRight")
        page.keyboard.press("ArrowDown")
        assert "Wed 6 May 05:00" in focused()
        stops = page.locator('.cells a[tabindex="0"]').count()
        assert stops == len(week.facts.sites)
        page.keyboard.press("Enter")
        page.wait_for_url("**/hour/**")
        assert "05:00" in page.locator("h1").inner_text()


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


def test_the_board_prints_one_site_on_each_page_lying(
    week: Week, browser: Browser, later: Any
) -> None:
    for url, stale in ((week.url(), False), (week.url(week.ended_utc + later), True)):
        with visit(browser, url, PHONE) as page:
            page.goto(url)
            pdf = page.pdf(prefer_css_page_size=True)
            sheets = len(re.findall(rb"/Type\s*/Page\b", pdf))
            assert sheets == len(week.facts.sites)
            # ISO 216: A4 is 210 mm by 297 mm, in points of 1/72 inch.
            box = re.search(rb"/MediaBox\s*\[0 0 ([\d.]+) ([\d.]+)\]", pdf)
            assert box is not None
            assert (float(box[1]), float(box[2])) == pytest.approx((841.9, 595.3), abs=1.0)
            page.emulate_media(media="print")
            page.set_viewport_size({"width": 1032, "height": 720})  # 273 mm between the margins
            assert page.evaluate("document.documentElement.scrollWidth") <= 1032
            for site in page.locator(".site").all():
                head = site.locator(".paper-head").inner_text()
                assert "cycle of Mon 4 May 18:00 UTC" in head
                assert "INVENTED" in head
                assert ("Stale." in head) is stale
                assert site.locator(".days").is_visible()
                foot = site.locator(".paper-foot").inner_text()
                assert "Weather: model skerra" in foot
                assert "no permission" in foot


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
        for size in SIZES.values():
            with visit(browser, url, size, bypass_csp=True) as page:
                for path in ("/windows", "/health/page", "/"):
                    page.goto(url + path)
                    wide = page.evaluate("document.documentElement.scrollWidth")
                    assert wide == size["viewport"]["width"]
                if size is PHONE:
                    assert Axe().run(page).violations_count == 0


@pytest.mark.parametrize("size", SIZES)
def test_hours_that_were_refused_are_clean(empty_week: Week, browser: Browser, size: str) -> None:
    hours = tuple(invented.refused(invented.at(h)) for h in range(24))
    empty_week.store.save_pass(
        invented.record(
            watch=empty_week.facts.watch, hours=hours, windows=(), changes=(), deliveries=()
        )
    )
    url = empty_week.url(invented.NOW)
    with visit(browser, url, SIZES[size], bypass_csp=True) as page:
        for path in ("/", f"/hour/millfield/{stamp(invented.at(9))}", "/sites", "/windows"):
            page.goto(url + path)
            wide = page.evaluate("document.documentElement.scrollWidth")
            assert wide == SIZES[size]["viewport"]["width"], path
            if size == "phone":
                found = Axe().run(page)
                assert found.violations_count == 0, f"{path}\n{found.generate_report()}"
        page.goto(f"{url}/hour/millfield/{stamp(invented.at(9))}")
        assert page.get_by_text("The wind at 10 hPa is missing.").first.is_visible()
        assert page.get_by_text("No footprint").is_visible()
