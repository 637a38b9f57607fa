"""One rehearsal, and every place that names an hour, a score, a chance or a span: all say the same.

The rehearsal is the one that all tests of the page share, with one change: one of its windows
keeps an hour that another has overtaken by now, so that planned hour and best hour differ.
"""

import csv
import io
import re
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass, replace
from datetime import datetime
from html import unescape
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from icalendar import Calendar
from page_week import Week as Pages
from typed import typed

from windowwatch.scoring.values import Hour, Verdict
from windowwatch.storage import rows
from windowwatch.storage.store import ready_store
from windowwatch.web.data.export import time_text
from windowwatch.web.values import site_keys, stamp
from windowwatch.windows.standing import Launch, Place, Week
from windowwatch.windows.standing import week as week_of
from windowwatch.windows.values import Window
from windowwatch.windows.window import is_good
from windowwatch.wording.phrases import percent

pytestmark = pytest.mark.one_answer

ZONE = ZoneInfo("America/Noronha")
SETTINGS = Path(__file__).resolve().parents[2] / "config" / "skerra.toml"


@dataclass(frozen=True)
class Walk:
    """The rehearsal as its pages serve it, a folder for commands, and the answer."""

    pages: Pages
    folder: Path
    week: Week

    def typed(self, *words: str) -> str:
        """What a command shows."""
        answer = typed(self.folder, *words, "--rehearsal", "--settings", str(SETTINGS), width=150)
        assert answer.code == 0, answer.err
        return answer.out

    def page(self, path: str) -> str:
        """The words of a page, without its tags."""
        answer = self.pages.client().get(path)
        assert answer.status_code == 200, path
        return plain(answer.text)


def plain(html: str) -> str:
    """Words of a page, blanks as one."""
    return (
        " ".join(unescape(re.sub(r"<[^>]+>", " ", html)).split())
        .replace(" .", ".")
        .replace(" ,", ",")
    )


def _kept(pages: Pages) -> tuple[Window, Window]:
    """A window, and the same as it were had it kept an hour that is worse by now."""
    store, facts = pages.store, pages.facts
    known = week_of(
        store.hours(facts.watch), store.windows(facts.watch), facts.rules, pages.ended_utc
    )
    for launch in known.launches:
        window, hours = launch.window, known.hours[launch.window.site]
        worse = [
            h
            for t, h in hours.items()
            if window.start_utc <= t < window.end_utc
            and is_good(h, facts.rules, inside=True)
            and round(h.score or 0.0) < round(launch.score)
        ]
        if worse and launch.hour is not None:
            hour = worse[0]
            assert hour.footprint is not None
            return window, replace(
                window,
                best_hour_utc=hour.time_utc,
                best_score=hour.score or 0.0,
                chance=hour.chance,
                drift_km=hour.drift_km,
                bearing_deg=hour.bearing_deg,
                road_km=hour.road_km,
                landing_latitude_deg=hour.footprint.latitude_deg,
                landing_longitude_deg=hour.footprint.longitude_deg,
                now_best_utc=launch.hour.time_utc,
                now_best_score=launch.hour.score,
            )
    raise AssertionError("no window of the rehearsal has two hours of different scores")


@pytest.fixture(scope="module")
def walk(
    week: Pages,  # the shared rehearsal
    tmp_path_factory: pytest.TempPathFactory,
) -> Iterator[Walk]:
    folder = tmp_path_factory.mktemp("one")
    file = folder / "data" / "windowwatch" / "rehearsal-skerra-demo.sqlite3"
    file.parent.mkdir(parents=True)
    shutil.copyfile(week.store.place, file)
    was, kept = _kept(week)
    with sqlite3.connect(file) as database:
        found = database.execute(
            "UPDATE windows SET value = ? WHERE uid = ? AND cycle_row ="
            " (SELECT max(cycle_row) FROM windows)",
            (rows.window_to_json(kept), was.uid),
        )
        assert found.rowcount == 1
        database.execute(
            "UPDATE changes SET after = ? WHERE window_uid = ? AND after IS NOT NULL",
            (rows.window_to_json(replace(kept, told=None)), was.uid),
        )
    database.close()
    with ready_store(f"sqlite:///{file}") as store, ExitStack() as opened:
        pages = week.over(store, opened)
        watch, rules = pages.facts.watch, pages.facts.rules
        hours, windows = store.hours(watch), store.windows(watch)
        yield Walk(pages, folder, week_of(hours, windows, rules, pages.ended_utc))


def clock(moment: datetime) -> str:
    return f"{moment.astimezone(ZONE):%H:%M}"


def better(launch: Launch) -> str:
    """What is said of an hour that does better than the planned one."""
    if launch.now_best is None:
        return ""
    return f"now best: {clock(launch.now_best.time_utc)}, {launch.now_best.score:.0f}"


def span(launch: Launch) -> tuple[str, str, str]:
    """First and last release, and end."""
    window = launch.window
    return clock(window.start_utc), clock(window.last_release_utc), clock(window.end_utc)


def figures(launch: Launch) -> str:
    return f"chance {percent(launch.chance)}, score {launch.score:.0f}"


def test_the_rehearsal_holds_what_is_to_be_compared(walk: Walk) -> None:
    """Else the tests below could not fail."""
    assert sum(launch.now_best is not None for launch in walk.week.launches) == 1
    stands = {
        (h.verdict, walk.week.standing(h).place)
        for at_site in walk.week.hours.values()
        for h in at_site.values()
    }
    assert {
        (Verdict.GO, Place.OPEN),
        (Verdict.GO, Place.SIGHTED),
        (Verdict.GO, Place.TOO_SHORT),
        (Verdict.CAUTION, Place.TOO_WEAK),
        (Verdict.NO_GO, Place.NOT_GOOD),
        (Verdict.UNKNOWN, Place.NOT_GOOD),
    } <= stands
    stored = {(h.site, h.time_utc): h for h in walk.pages.store.hours(walk.pages.facts.watch)}
    judged = [
        h
        for at_site in walk.week.hours.values()
        for h in at_site.values()
        if h.verdict is not stored[h.site, h.time_utc].verdict
    ]
    assert judged, "some stored hour is caution with next to no chance"


def test_windows_in_the_terminal(walk: Walk) -> None:
    text = walk.typed("windows")
    row = re.compile(
        r"^(open|sighted) +\w{3} \d+ (\d\d:\d\d)–(\d\d:\d\d) +\S+ +(\d\d:\d\d) +(\d+) +([^ ]+ %)",
        re.M,
    )
    note = re.compile(r"^  \w{3} \d+ (\d\d:\d\d): last release (\d\d:\d\d), window ends "
                      r"(\d\d:\d\d)(?:; (now best: \d\d:\d\d, \d+))?\.", re.M)  # fmt: skip
    ordered = sorted(walk.week.launches, key=lambda e: e.window.start_utc)
    expected = {
        (str(e.window.state), *span(e)[:2], clock(e.time_utc), f"{e.score:.0f}", percent(e.chance))
        for e in ordered
    }
    assert set(row.findall(text)) == expected
    assert set(note.findall(text)) == {(*span(e), better(e)) for e in ordered}


def test_sites_in_the_terminal_and_on_the_page(walk: Walk) -> None:
    text, page = walk.typed("sites"), walk.page("/sites")
    order = re.findall(r"^\d\. (\w+): (\d+) go", text, re.M)
    sites = walk.week.in_order([site.name for site in walk.pages.facts.sites])
    counted = [
        sum(
            walk.week.standing(h).counts and h.verdict is Verdict.GO
            for h in walk.week.hours[site].values()
        )
        for site in sites
    ]
    assert order == [(site, str(go)) for site, go in zip(sites, counted, strict=True)]
    assert [m for m in re.findall(r"\d\. (\w+)", page) if m in sites] == list(sites)
    heads: dict[tuple[str, str], Launch] = {}
    for launch in walk.week.launches:  # the best first: it heads its day
        day = f"{launch.time_utc.astimezone(ZONE):%a}"
        heads.setdefault((launch.window.site, day), launch)
    row = re.compile(r"^  (\w{3}) \d+ (\d\d:\d\d) +\S+ +(\S+) +(\d+) +([^ ]+ %)", re.M)
    parts = re.split(r"^\d\. (\w+): ", text, flags=re.M)[1:]
    shown = {
        (site, day, at, verdict, score, chance)
        for site, part in zip(parts[::2], parts[1::2], strict=True)
        for day, at, verdict, score, chance in row.findall(part)
    }
    expected = {
        (site, day, clock(e.time_utc), str(e.hour.verdict), f"{e.score:.0f}", percent(e.chance))
        for (site, day), e in heads.items()
        if e.hour is not None
    }
    assert shown == expected
    for (_, _), e in heads.items():
        there = e.time_utc.astimezone(ZONE)
        said = f"{there:%a} {there.day} May {there:%H:%M} : ● go, score {e.score:.0f}, chance "
        assert f"{said}{percent(e.chance)}" in page
        assert better(e) in text
        assert better(e) in page


def lead(walk: Walk, text: str) -> None:
    """The first lines: the best launch, then the soonest with its set-up."""
    best, soonest = walk.week.best, walk.week.soonest
    assert best is not None
    assert soonest is not None
    assert best is not soonest
    setup = soonest.setup_utc(walk.pages.facts.plan.setup_min)
    for name, launch in (("Best of the week", best), ("Soonest", soonest)):
        first, last, _ = span(launch)
        found = re.search(
            rf"{name}: ?{launch.window.site}, \w+ \d+ May, release {first} to {last}, planned "
            rf"{clock(launch.time_utc)}: {figures(launch)}",
            text,
        )
        assert found, (name, text[:500])
    assert f"set-up begins {setup.astimezone(ZONE):%a} {setup.astimezone(ZONE).day} May " in text
    assert f" May {clock(setup)} (in " in text
    assert text.index("Best of the week") < text.index("Soonest")


def test_the_week_in_one_line_each(walk: Walk) -> None:
    lead(walk, " ".join(walk.typed("sites").split()))
    lead(walk, walk.page("/"))


def test_cards_of_the_board(walk: Walk) -> None:
    html = walk.pages.client().get("/").text
    cards = [plain(each) for each in re.findall(r'<li class="answer">(.*?)\n  </li>', html, re.S)]
    sites = walk.week.in_order([site.name for site in walk.pages.facts.sites])
    assert [card.split()[0] for card in cards] == list(sites)
    strongest = []
    for site, card in zip(sites, cards, strict=True):
        best, *others = walk.week.at_site(site)
        first, last, _ = span(best)
        assert f"release {first} to {last}" in card
        told = f"lanned {clock(best.time_utc)}: {figures(best)}"
        assert (f"{told}; {better(best)}" if better(best) else told) in card
        for other in others:
            first, last, _ = span(other)
            also = f"release {first} to {last}" if first != last else f"release {first}"
            assert f"{also}: {figures(other)}" in card
        strongest.append(best.strength)
    assert strongest == sorted(strongest, reverse=True), "none is weaker than one lower down"


def test_pages_of_windows_and_their_sheets(walk: Walk) -> None:
    everything = walk.page("/windows")
    for launch in walk.week.launches:
        first, last, end = span(launch)
        page = walk.page(f"/windows/{launch.window.uid}")
        sheet = walk.page(f"/windows/{launch.window.uid}/sheet")
        told = f"planned {clock(launch.time_utc)}: {figures(launch)}"
        kept = f"last release {last}, window ends {end}"
        for text in (everything, page):
            assert told in text
            assert better(launch) in text
        assert kept in page
        assert f"L{kept[1:]}" in everything
        assert f"{clock(launch.time_utc)}: {figures(launch)}" in sheet
        assert "Planned release" in sheet
        assert better(launch) in sheet
        assert f"release {first} to {last}" in sheet if first != last else True
        begins = clock(launch.setup_utc(walk.pages.facts.plan.setup_min))
        assert re.search(rf"Set-up \w+ \d+ May {begins}", sheet)
        assert re.search(rf"Set-up begins \w+ \d+ May {begins}", page)


def test_pages_of_hours(walk: Walk) -> None:
    keys = {site.name: key for key, site in site_keys(walk.pages.facts.sites).items()}
    for launch in walk.week.launches:
        hours = [launch.hour, launch.now_best]
        for hour, said in zip(
            hours, ("the planned hour", "the hour that is now best"), strict=True
        ):
            if hour is None:
                continue
            text = walk.page(f"/hour/{keys[hour.site]}/{stamp(hour.time_utc)}")
            assert f"It is {said} of the {launch.window.state} window" in text
            assert f"score {hour.score:.0f} of 100 chance {percent(hour.chance)}" in text
    for hour in chosen(walk).values():
        text = walk.page(f"/hour/{keys[hour.site]}/{stamp(hour.time_utc)}")
        stands = walk.week.standing(hour).place
        assert re.search(rf"[●◐×?] {hour.verdict}\b", text)
        if stands is Place.TOO_SHORT:
            assert "but alone too short" in text
        if hour.verdict is Verdict.NO_GO and (hour.score or 0.0) > 0.0:
            assert "but alone" not in text


def chosen(walk: Walk) -> dict[tuple[Verdict, Place], Hour]:
    """One hour of every kind there is."""
    found: dict[tuple[Verdict, Place], Hour] = {}
    for at_site in walk.week.hours.values():
        for hour in at_site.values():
            found.setdefault((hour.verdict, walk.week.standing(hour).place), hour)
    return found


def test_hours_in_the_terminal(walk: Walk) -> None:
    row = re.compile(r"^(\d\d:\d\d) +\S+ +(go|caution|no-go|unknown) +(\d+|–) +(\S+(?: %)?)", re.M)
    for site in walk.pages.facts.sites:
        hours = [h for _, h in sorted(walk.week.hours[site.name].items())]
        text = walk.typed("hours", site.name, "--all")
        expected = [
            (
                clock(h.time_utc),
                str(h.verdict),
                "–" if h.score is None else f"{h.score:.0f}",
                "–" if h.chance is None else percent(h.chance),
            )
            for h in hours
        ]
        found = [(a, b, c, d.removeprefix("over ")) for a, b, c, d in row.findall(text)]
        want = [(a, b, c, d.split()[0] if d.startswith(("over", "under")) else d)
                for a, b, c, d in expected]  # fmt: skip
        assert found == want
        for hour in hours:
            line = re.search(
                rf"^{clock(hour.time_utc)} .*{re.escape('but alone too short')}", text, re.M
            )
            if walk.week.standing(hour).place is Place.TOO_SHORT:
                assert line, "it says so in its row"


def test_an_hour_explained(walk: Walk) -> None:
    for (verdict, place), hour in chosen(walk).items():
        local = hour.time_utc.astimezone(ZONE)
        text = walk.typed("explain", hour.site, f"{local:%Y-%m-%dT%H:%M}")
        head = re.search(r"in full: (.*?); (score \d+|refused)(?:, chance (.*?))?\n", text)
        assert head, text[:300]
        assert head[1].startswith(str(verdict))
        assert ("but alone too short" in head[1]) is (place is Place.TOO_SHORT)
        if hour.score is not None:
            assert head[2] == f"score {hour.score:.0f}"
        if hour.chance is not None:
            assert (head[3] or "").strip() == percent(hour.chance)


def test_hours_as_data(walk: Walk) -> None:
    client = walk.pages.client()
    given = client.get("/data/hours.json").json()["hours"]
    text = client.get("/data/hours.csv").text
    marks = client.get("/data/footprints.geojson?all=yes").json()["features"]
    all_hours = [h for at in walk.week.hours.values() for h in at.values()]
    expected = {
        (h.site, time_text(h.time_utc)): (
            str(h.verdict),
            h.score,
            h.chance,
            str(walk.week.standing(h).place),
        )
        for h in all_hours
    }
    assert {
        (d["site"], d["time_utc"]): (d["verdict"], d["score"], d["chance"], d["standing"])
        for d in given
    } == expected

    def number(field: str) -> float | None:
        return float(field) if field else None

    assert {
        (d["site"], d["time_utc"]): (
            d["verdict"], number(d["score"]), number(d["chance"]), d["standing"],
        )
        for d in csv.DictReader(io.StringIO(text))
    } == expected  # fmt: skip
    found = [each["properties"] for each in marks if "verdict" in each["properties"]]
    assert found
    for d in found:
        told = (d["verdict"], d["score"], d["chance"], d["standing"])
        assert told == expected[d["site"], d["time_utc"]]


def test_cells_of_the_board(walk: Walk) -> None:
    html = walk.pages.client().get("/").text
    spoken = {
        unescape(each) for each in re.findall(r'<a class="cell [^>]*aria-label="(.*?)"', html)
    }
    night = ", dark"
    for site in walk.pages.facts.sites:
        for hour in walk.week.hours[site.name].values():
            there = hour.time_utc.astimezone(ZONE)
            begin = f"{site.name}, {there:%a} {there.day} May {there:%H:%M}: {hour.verdict}"
            cells = [each for each in spoken if each.startswith(begin)]
            assert len(cells) <= 1
            if not cells or night in cells[0]:
                continue
            if hour.score is not None:
                assert f", score {hour.score:.0f}" in cells[0]
            if hour.chance is not None:
                assert f", chance {percent(hour.chance)}".replace(" %", "\xa0%") in cells[0]
            alone = walk.week.standing(hour).place is Place.TOO_SHORT
            assert ("but alone too short" in cells[0]) is alone
            planned = any(e.time_utc == hour.time_utc for e in walk.week.at_site(site.name))
            assert (", planned hour" in cells[0]) is planned


def test_windows_as_data_and_as_a_calendar(walk: Walk) -> None:
    client = walk.pages.client()
    given = {d["uid"]: d for d in client.get("/data/windows.json").json()["windows"]}
    feed = Calendar.from_ical(client.get("/data/windows.ics").content)
    events = {str(e["uid"]).partition("@")[0]: e for e in feed.walk("VEVENT")}
    changes = client.get("/data/changes.json").json()["changes"]
    for launch in walk.week.launches:
        window = launch.window
        data, event = given[window.uid], events[window.uid]
        assert (data["start_utc"], data["last_release_utc"], data["end_utc"]) == tuple(
            map(time_text, (window.start_utc, window.last_release_utc, window.end_utc))
        )
        assert data["planned_hour_utc"] == data["release_utc"] == time_text(launch.time_utc)
        assert (data["score"], data["chance"]) == (launch.score, launch.chance)
        best = launch.now_best
        assert (data["now_best_hour_utc"], data["now_best_score"]) == (
            (None, None) if best is None else (time_text(best.time_utc), best.score)
        )
        assert (event.decoded("dtstart"), event.decoded("dtend")) == (
            window.start_utc,
            window.end_utc,
        )
        assert event["status"] == "TENTATIVE", "nobody has planned a launch yet"
        text = str(event["description"])
        _, last, end = span(launch)
        assert f"last release {last}, window ends {end}." in text
        assert f"Planned {clock(launch.time_utc)}: {figures(launch)}" in text
        assert better(launch) in text
        for change in changes:
            if change["window_uid"] == window.uid and change["cycle_id"] == window.cycle_id:
                told = change["after"]
                for name in ("planned_hour_utc", "score", "chance", "now_best_hour_utc",
                             "now_best_score", "last_release_utc", "end_utc"):  # fmt: skip
                    assert told[name] == data[name], name


def test_notices_of_the_newest_cycle(walk: Walk) -> None:
    """In the terminal's words of a trail as well."""
    store, watch = walk.pages.store, walk.pages.facts.watch
    page = walk.page("/notices")
    compared = 0
    for change in store.changes(watch):
        launch = None if change.window_uid is None else walk.week.of_window(change.window_uid)
        if launch is None or change.cycle_id != launch.window.cycle_id:
            continue
        compared += 1
        first, last, _ = span(launch)
        spoken = f"{first} to {last} local" if first != last else f"{first} local"
        assert spoken in page
        more = f"; {better(launch)}" if better(launch) else ""
        assert re.search(
            rf"{spoken} \([^)]*\), planned {clock(launch.time_utc)} local"
            rf"(?: \([^)]*\))?{re.escape(more)}\. Score {launch.score:.0f} of 100\. "
            rf"Chance {re.escape(percent(launch.chance))}:",
            page,
        )
        trail = " ".join(walk.typed("explain", change.key).split())
        assert f"planned {clock(launch.time_utc)}, {figures(launch)}" in trail
        assert better(launch) in trail
    assert compared > 2
