"""The launch-day sheet: what stands on it, for whom, and that it stays one page of paper."""

import re
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import invented
import made_detail
import pytest
from line_watch import settings_in
from page_week import Week
from playwright.sync_api import Browser
from visiting import DESK, visit

from windowwatch.clock import SimulatedClock
from windowwatch.errors import SettingsError
from windowwatch.physics.fill import GAS_CAUTIONS
from windowwatch.settings.read import read_settings
from windowwatch.web.access.guard import make_share
from windowwatch.web.app import create_app
from windowwatch.web.pages.sheet import Sheet, sheet
from windowwatch.web.server import PageServer
from windowwatch.web.values import Contact, Facts
from windowwatch.windows.decisions import Decision
from windowwatch.windows.holds import hold_table

CONTACTS = (
    Contact("Ines Duarte", "flight director", "+1 555 0100"),
    Contact("Skerra Tower", "air traffic", "+1 555 0142 x 3", frozenset({"Highmoor"})),
)
#: Paper less its margins of 11 mm, at 96 pixels an inch (CSS Values 4, section 6.2).
PRINTED_PX = {"A4": 188 / 25.4 * 96, "Letter": 193.9 / 25.4 * 96}


def made(week: Week, **more: object) -> Sheet:
    hours = [h for h in invented.flat(6, 12) if h.site == "Millfield"]
    window = invented.window(end_utc=invented.at(12))
    facts = replace(week.facts, contacts=CONTACTS)
    found = sheet(facts, invented.MILLFIELD, window, hours, **more)  # type: ignore[arg-type]
    assert found is not None
    return found


def test_waiting_is_told_as_the_hold_table_has_it(week: Week) -> None:
    moved = [
        replace(h, footprint=replace(h.footprint, longitude_deg=-35.5 + 0.1 * i))
        for i, h in enumerate(invented.flat(6, 12))
        if h.footprint is not None
    ]
    window = invented.window(end_utc=invented.at(12))
    table = hold_table(moved, window, window.start_utc)
    assert table is not None
    found = sheet(week.facts, invented.MILLFIELD, window, moved)
    assert found is not None
    rows = {slip.clock: slip for slip in found.slips}
    zone = ZoneInfo("America/Noronha")
    assert [s.clock for s in found.slips if s.planned] == ["05:00"]  # 07 UTC
    for hold in table.rows:
        slip = rows[f"{hold.time_utc.astimezone(zone):%H:%M}"]
        assert slip.verdict == str(hold.verdict)
        assert slip.wait == f"+{hold.wait // timedelta(hours=1)} h"
        assert hold.moved_km is not None
        assert slip.moved.startswith(f"{hold.moved_km:.0f}" if hold.moved_km >= 9.95 else
                                     f"{hold.moved_km:.1f}")  # fmt: skip
        assert slip.moved.endswith("east")
    assert [s.clock for s in found.slips if s.first_over] == ["10:00"]


def test_however_short_the_steps_the_planned_release_stays(week: Week) -> None:
    quarter = timedelta(minutes=15)
    hours = [invented.hour(invented.at(6) + i * quarter) for i in range(40)]
    for number in range(16, 24):
        best = invented.at(6) + number * quarter
        window = invented.window(best_hour_utc=best, end_utc=invented.at(15.75))
        found = sheet(week.facts, invented.MILLFIELD, window, hours)
        assert found is not None
        assert sum(slip.planned for slip in found.slips) == 1
        assert len(found.slips) <= 13


def test_drive_and_landing_are_told(week: Week) -> None:
    hour = invented.hour(invented.at(7))
    found = made(week, detail=made_detail.detail(hour))
    # The landing is 2 h 11 min after the release at 05:00.
    assert "From Millfield 48 min by road to" in found.drive
    assert found.drive.endswith("; leave by 06:23 to be there before it.")
    assert made(week).drive.startswith("No drive is known")
    assert found.drawing is not None
    assert found.drawing.drive


def test_phones_are_for_the_site_and_not_for_those_with_a_link(week: Week) -> None:
    facts = replace(week.facts, contacts=CONTACTS)
    assert [c.name for c in made(week).contacts] == ["Ines Duarte"]
    assert made(week, with_contacts=False).contacts == ()
    assert CONTACTS[0].dial == "+15550100"
    assert CONTACTS[1].dial == "+15550142;ext=3"  # RFC 3966
    token = "a long word for a test only"
    share = make_share(
        week.store, facts.watch, "crew", timedelta(days=1), week.ended_utc, "a secret of its own"
    )
    uid = week.store.current_windows(facts.watch)[0].uid
    app = create_app(week.store, facts, SimulatedClock(week.ended_utc), token=token)
    with PageServer(app, "127.0.0.1", 0) as server:
        client = week.client()
        address = f"{server.url}windows/{uid}/sheet"
        own = client.get(address, headers={"authorization": f"Bearer {token}"})
        assert 'href="tel:+15550100"' in own.text
        came = client.get(server.url.rstrip("/") + share.path)
        assert came.status_code == 303
        guest = client.get(address)
        assert guest.status_code == 200
        assert "555 0100" not in guest.text
        assert "Ines Duarte" not in guest.text


def test_the_caution_is_the_one_of_the_terminal(week: Week) -> None:
    train = week.facts.train
    assert train is not None
    assert made(week).caution == GAS_CAUTIONS[train.gas]


def test_phones_come_from_the_settings(tmp_path: Path) -> None:
    def read(more: str) -> Facts:
        return read_settings(settings_in(tmp_path, more)).page_facts(looks=False)

    text = '\n[[contacts]]\nname = "Ines"\nrole = "director"\nphone = "{}"\n'
    (contact,) = read(text.format("+1 (555) 01-00")).contacts
    assert contact == Contact("Ines", "director", "+1 (555) 01-00")
    for wrong in ("call me", "+", "1;2", "javascript:1", ""):
        with pytest.raises(SettingsError, match="phone"):
            read(text.format(wrong))
    with pytest.raises(SettingsError, match="names the site 'Moon'"):
        read(text.format("5550100") + 'sites = ["Moon"]\n')


@pytest.mark.browser
@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_one_page_of_paper_and_nothing_cropped_however_much_there_is(
    week: Week, browser: Browser, paper: str
) -> None:
    contacts = tuple(Contact(f"Somebody Withalongname {i}", "a role of some words", "+1 555 0100")
                     for i in range(12))  # fmt: skip
    names = ("tell air traffic", "book the crew", "buy gas", "ask the landowner")
    decisions = tuple(
        Decision(name, timedelta(hours=6 * i), timedelta(hours=3))
        for i, name in enumerate(names, 1)
    )
    full = replace(week.facts, contacts=contacts, decisions=decisions)
    clock = SimulatedClock(week.ended_utc)
    windows = week.store.current_windows(week.facts.watch)
    assert windows
    for facts in (week.facts, full):
        app = create_app(week.store, facts, clock)
        with PageServer(app, "127.0.0.1", 0) as server, visit(browser, server.url, DESK) as page:
            for window in windows[: 4 if facts is week.facts else 1]:
                page.set_viewport_size({"width": int(PRINTED_PX[paper]), "height": 900})
                page.goto(f"{server.url}windows/{window.uid}/sheet")
                count = len(re.findall(rb"/Type\s*/Page\b", page.pdf(format=paper)))
                assert count == 1, (window.uid, len(facts.contacts))
                page.emulate_media(media="print")
                wide = page.evaluate(
                    "[...document.querySelectorAll('.sheet, .sheet *')]"
                    ".filter(each => !each.closest('svg') || each.matches('svg'))"
                    ".map(each => each.getBoundingClientRect().right)"
                    ".reduce((a, b) => Math.max(a, b))"
                )
                assert wide <= int(PRINTED_PX[paper]) + 0.5, window.uid
                page.emulate_media(media="null")
