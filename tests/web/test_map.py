"""The maps in a real Chromium: every layer is really drawn, and the map can be moved by keys."""

import io
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import replace

import invented
import numpy as np
import pytest
from numpy.typing import NDArray
from page_week import Week
from PIL import Image
from playwright.sync_api import Browser, Locator, Page
from visiting import DESK, PHONE, SIZES, visit

from windowwatch.ground.query.outline import Zone
from windowwatch.scoring.values import Drive
from windowwatch.storage.store import open_store
from windowwatch.web.values import stamp

pytestmark = pytest.mark.browser

#: Custom property of the style sheet that each layer is drawn in.
LAYERS = {
    "land": "--map-land",
    "water": "--map-water",
    "closed land": "--map-shun",
    "roads": "--map-road-major",
    "airspace": "--map-airspace",
    "permitted area": "--map-permitted",
    "drive": "--map-drive",
    "landings": "--map-landing",
    "flight": "--map-flight",
}


@pytest.fixture(scope="module")
def mapped(week: Week, tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Week, str]]:
    """One made-up hour with all that a map can show, and the address of its page."""
    hour = invented.hour(invented.at(9), landing=(45.85, -35.05))
    detail = invented.detail(hour)
    assert detail.drive is not None
    depot = (45.98, -34.52)
    drive = Drive("Marrowby depot", 48.0, (depot[0], 45.85), (depot[1], -35.05))
    store = open_store(f"sqlite:///{tmp_path_factory.mktemp('map')}/map.sqlite3")
    store.upgrade()
    store.save_pass(invented.record(hours=(hour,), details=(replace(detail, drive=drive),)))
    ring = np.array([[45.5, -35.4], [45.9, -35.4], [45.9, -34.9], [45.5, -34.9], [45.5, -35.4]])
    zones = (
        Zone("airspace", "Sound TMA, above 450 m", (ring,)),
        Zone("permitted", "permitted area", (ring + np.array([-0.1, 0.3]),)),
    )
    with ExitStack() as opened:
        made = replace(
            week.over(store, opened, watch=invented.WATCH), facts=replace(
                week.facts, watch=invented.WATCH, zones=zones
            )
        )  # fmt: skip
        opened.callback(store.close)
        yield made, f"{made.url(invented.NOW)}/hour/millfield/{stamp(hour.time_utc)}"


def picture(part: Locator) -> NDArray[np.int_]:
    """What the browser has painted, [row, column, 3]."""
    return np.asarray(Image.open(io.BytesIO(part.screenshot())).convert("RGB")).astype(int)


def painted(page: Page, part: Locator) -> dict[str, int]:
    """Pixels in the colour of each layer."""
    seen = picture(part)
    counts = {}
    for layer, name in LAYERS.items():
        text = page.evaluate(
            "name => getComputedStyle(document.documentElement).getPropertyValue(name)", name
        )
        colour = np.array([int(text.strip()[i : i + 2], 16) for i in (1, 3, 5)])
        counts[layer] = int((np.abs(seen - colour).max(axis=2) <= 10).sum())
    return counts


@pytest.mark.parametrize("size", SIZES)
def test_every_layer_of_the_drawing_is_painted(
    mapped: tuple[Week, str], browser: Browser, size: str
) -> None:
    week, address = mapped
    with visit(browser, week.url(invented.NOW), SIZES[size], java_script_enabled=False) as page:
        page.goto(address)
        drawing = page.locator("svg.map:visible").first
        # Scripts of ours do not run, so colours are asked of a page on which they do.
        with visit(browser, week.url(invented.NOW), DESK) as asked:
            asked.goto(address)
            counts = painted(asked, drawing)
    assert min(counts.values()) >= 30, counts


@pytest.mark.parametrize("size", SIZES)
def test_every_layer_of_the_movable_map_is_painted_and_can_be_hidden(
    mapped: tuple[Week, str], browser: Browser, size: str
) -> None:
    week, address = mapped
    with visit(browser, week.url(invented.NOW), SIZES[size]) as page:
        page.goto(address)
        page.wait_for_selector("body[data-map=ready]")
        over = page.locator(".map-live")
        counts = painted(page, over)
        assert min(counts.values()) >= 30, counts
        page.locator(".leaflet-control-layers-toggle").focus()
        page.keyboard.press("Enter")
        for title, layer in (("roads", "roads"), ("the crew's drive", "drive")):
            page.get_by_label(title).focus()
            page.keyboard.press("Space")
            assert painted(page, over)[layer] < counts[layer] / 2, title


def test_the_movable_map_goes_by_keyboard_and_also_offline(
    mapped: tuple[Week, str], browser: Browser
) -> None:
    week, address = mapped
    with visit(browser, week.url(invented.NOW), DESK) as page:
        page.goto(address)
        page.wait_for_selector("body[data-map=ready]")
        page.context.set_offline(True)
        over = page.get_by_role("region", name="The same map, to be moved")
        over.focus()
        before = picture(over)
        page.keyboard.press("ArrowRight")
        page.wait_for_timeout(400)
        moved = picture(over)
        assert (np.abs(before - moved).max(axis=2) > 40).mean() > 0.02
        page.keyboard.press("+")
        page.wait_for_timeout(200)
        nearer = picture(over)
        assert (np.abs(nearer - moved).max(axis=2) > 40).mean() > 0.02
        assert page.get_by_text("Middle of the landings:").is_visible()
        page.context.set_offline(False)


def test_letters_are_large_enough_and_names_keep_apart(
    mapped: tuple[Week, str], browser: Browser
) -> None:
    week, address = mapped
    with visit(browser, week.url(invented.NOW), PHONE) as page:
        page.goto(address)
        page.wait_for_selector("body[data-map=ready]")
        for part in ("svg.map.tall > text", "svg.air text", "svg.timeline text"):
            letters = page.locator(part).evaluate_all(
                "texts => texts.map(t => t.getBoundingClientRect().height)"
            )
            assert min(letters) >= 12, part  # CSS pixels
        boxes = page.locator(".map-name:not(.map-sign) span").evaluate_all(
            "spans => spans.filter(s => s.style.visibility !== 'hidden').map(s => {"
            " const b = s.getBoundingClientRect(); return [b.left, b.top, b.right, b.bottom]; })"
        )
        assert len(boxes) >= 4
        for i, (left, top, right, bottom) in enumerate(boxes):
            for a in boxes[:i]:
                assert right <= a[0] or a[2] <= left or bottom <= a[1] or a[3] <= top


def test_on_paper_the_drawing_is_printed_and_not_the_movable_map(
    mapped: tuple[Week, str], browser: Browser
) -> None:
    week, address = mapped
    with visit(browser, week.url(invented.NOW), DESK) as page:
        page.goto(address)
        page.wait_for_selector("body[data-map=ready]")
        page.emulate_media(media="print")
        assert not page.locator(".map-live").is_visible()
        drawing = page.locator("svg.map.wide")
        assert drawing.is_visible()
        counts = painted(page, drawing)
        assert min(counts.values()) >= 30, counts
