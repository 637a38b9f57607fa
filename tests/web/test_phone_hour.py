"""The page of an hour on a phone: short until it is folded out, light and dark, without colour."""

import pytest
from axe_playwright_python.sync_playwright import Axe
from page_week import Week
from playwright.sync_api import Browser
from visiting import PHONE, visit

from windowwatch.scoring.values import Verdict
from windowwatch.web.values import stamp

pytestmark = pytest.mark.browser

#: Before anything is folded out. [CSS pixel]
HIGHEST = 2_500
FOLDS = "document.querySelectorAll('details').forEach(each => { each.open = true; })"


def hours(week: Week) -> list[str]:
    kept = week.store.hours(week.facts.watch)
    chosen = [h for verdict in Verdict for h in [h for h in kept if h.verdict is verdict][:60:20]]
    return [f"/hour/{h.site.lower()}/{stamp(h.time_utc)}" for h in chosen]


def test_it_is_short_and_what_matters_is_seen(week: Week, browser: Browser) -> None:
    with visit(browser, week.url(), PHONE) as page:
        for path in hours(week):
            page.goto(week.url() + path)
            if page.locator(".mapframe").count():
                page.wait_for_selector("body[data-map=ready]")
            height = page.evaluate("document.documentElement.scrollHeight")
            assert height <= HIGHEST, path
            assert page.locator(".big.verdict").is_visible()
            assert page.locator("svg.timeline").first.is_visible()
            assert page.locator("#cautions").is_visible()
            assert not page.locator("table.checks").is_visible()
            assert page.locator(".worst li").count() <= 3


def test_it_is_folded_out_without_script(week: Week, browser: Browser) -> None:
    with visit(browser, week.url(), PHONE, java_script_enabled=False) as page:
        page.goto(week.url() + hours(week)[0])
        page.locator("summary:has(#checks)").click()
        assert page.get_by_role("link", name="The limits in force").is_visible()


def test_paper_has_all_that_is_folded(week: Week, browser: Browser) -> None:
    with visit(browser, week.url(), PHONE) as page:
        page.goto(week.url() + hours(week)[0])
        assert not page.locator("table.checks").is_visible()
        page.emulate_media(media="print", color_scheme="dark")
        assert page.locator("table.checks").is_visible()
        assert (
            page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
        )


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_in_either_scheme_with_all_folded_out(
    week: Week, browser: Browser, scheme: str
) -> None:
    uid = week.store.current_windows(week.facts.watch)[0].uid
    paths = ["/", *hours(week)[:2], "/limits", f"/windows/{uid}", f"/windows/{uid}/sheet",
             "/sites", "/health/page", "/notices"]  # fmt: skip
    with visit(browser, week.url(), PHONE, bypass_csp=True, color_scheme=scheme) as page:
        for path in paths:
            page.goto(week.url() + path)
            if page.locator(".mapframe").count():
                page.wait_for_selector("body[data-map=ready]")
            page.evaluate(FOLDS)
            back = page.evaluate("getComputedStyle(document.body).backgroundColor")
            assert back == ("rgb(20, 25, 29)" if scheme == "dark" else "rgb(246, 242, 233)")
            found = Axe().run(page)
            assert found.violations_count == 0, f"{path}\n{found.generate_report()}"


def test_names_that_the_ring_touches_are_shown_on_the_movable_map(
    week: Week, browser: Browser
) -> None:
    path = hours(week)[0]
    layers = week.client().get(f"{path}/layers.json").json()["layers"]
    wanted = {
        feature["properties"].get("label") or feature["properties"]["name"]
        for layer in layers for feature in layer["features"]["features"]
        if feature["properties"].get("touched")
    }  # fmt: skip
    with visit(browser, week.url(), PHONE) as page:
        page.goto(week.url() + path)
        page.wait_for_selector("body[data-map=ready]")
        seen = page.locator(".map-name.touched span").evaluate_all(
            "all => all.filter(each => each.style.visibility !== 'hidden')"
            ".map(each => each.textContent)"
        )
        assert wanted
        assert wanted <= set(seen)
