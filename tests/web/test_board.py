"""The board: the answer first, every hour a link that can be read aloud, nothing from outside."""

import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import invented
import pytest
from page_week import Week

from windowwatch.ground.query.features import Ground
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.scoring.values import Hour, Opinion, Site, Verdict
from windowwatch.web.pages.board import Board, board
from windowwatch.web.reading import Snapshot
from windowwatch.web.values import Facts, from_stamp, site_keys, stamp
from windowwatch.windows.decisions import Decision
from windowwatch.windows.standing import judged
from windowwatch.windows.values import WindowState
from windowwatch.wording.page import is_night

FACTS = Facts(
    watch=invented.WATCH,
    sites=(invented.MILLFIELD,),
    plan=ScoringPlan(),
    ground=Ground(),
    step=timedelta(hours=1),
    stale_after=timedelta(hours=16),
)


#: A day that is good from 06 to 10 UTC, and rained off otherwise.
DAY = tuple(
    invented.hour(invented.at(h), 80.0 if 6 <= h < 10 else 0.0, by="precipitation")
    for h in range(24)
)


def shown(now: datetime, *windows: object, facts: Facts = FACTS, **hours: object) -> Board:
    made = hours.get("hours", DAY)
    snapshot = Snapshot(None, (), made, tuple(windows), {})  # type: ignore[arg-type]
    return board(facts, snapshot, now)


def test_the_answer_names_the_best_window_in_local_time() -> None:
    (site,) = shown(invented.NOW, invented.window()).sites
    # Noronha is two hours behind UTC (IANA time zone database).
    assert site.answer.headline == "Thu 7 May, release 04:00 to 07:00"
    assert site.answer.sentence == (
        "planned 05:00: chance 80\xa0%, score 80; lands 42\xa0km north-east, 1.2\xa0km from a road."
    )


def test_the_answer_counts_the_go_hours_of_a_window_that_is_mostly_caution() -> None:
    (site,) = shown(invented.NOW, invented.window(go_hours=1, good_hours=5)).sites
    assert site.answer.sentence.endswith("; 1 of 5 launch hours is go, the rest caution.")


def test_an_open_window_comes_before_a_better_sighted_one() -> None:
    sighted = invented.window(
        uid="other",
        state=WindowState.SIGHTED,
        start_utc=invented.at(14),
        end_utc=invented.at(16),
        best_hour_utc=invented.at(14),
    )
    better = tuple(invented.hour(invented.at(h), 95.0, chance=0.99) for h in (14, 15))
    (site,) = shown(
        invented.NOW, sighted, invented.window(), hours=(*DAY[:14], *better, *DAY[16:])
    ).sites
    assert "chance 80\xa0%" in site.answer.sentence
    assert [text for _, text in site.answer.also] == [
        "Thu 7 May, release 12:00 to 13:00: chance 99\xa0%, score 95, sighted"
    ]


def test_a_window_that_is_over_is_no_answer() -> None:
    (site,) = shown(invented.at(11), invented.window()).sites
    assert site.answer.headline == "No window"


def test_without_a_window_the_best_hour_is_named_or_that_there_is_none() -> None:
    (site,) = shown(invented.NOW).sites
    assert site.answer.headline == "No window"
    assert "best single hour Thu 7 May 04:00: go, but in no window; score 80" in (
        site.answer.sentence
    )
    single = tuple(invented.hour(invented.at(h), 80.0 * (h == 9)) for h in range(24))
    (site,) = shown(invented.NOW, hours=single).sites
    assert "best single hour Thu 7 May 07:00: go, but alone too short;" in site.answer.sentence
    cells = [c for day in site.days for half in day.halves for c in half.cells]
    assert [(c.shows, c.kind) for c in cells if "alone" in c.kind] == [("(80)", "go alone")]
    assert "go, but alone too short" in next(c.spoken for c in cells if "alone" in c.kind)
    bad = tuple(invented.hour(invented.at(h), 0.0) for h in range(24))
    (site,) = shown(invented.NOW, hours=bad).sites
    assert site.answer.sentence == ("every launch hour to come is no-go; mostly in the way: gust.")


def test_refused_hours_are_question_marks_and_never_an_answer() -> None:
    refused = tuple(invented.refused(invented.at(h)) for h in range(24))
    (site,) = shown(invented.NOW, hours=refused).sites
    assert site.answer.headline == "Not known"
    assert site.answer.asides == ("The wind at 10 hPa is missing.",)
    cells = [c for day in site.days for half in day.halves for c in half.cells]
    assert {c.shows for c in cells} == {"?"}
    assert {c.kind for c in cells} == {"unknown"}


def test_the_present_stands_where_it_is() -> None:
    (site,) = shown(invented.at(9.6)).sites  # 07:36 local
    marks = {day.title: half.now for day in site.days for half in day.halves if half.now}
    assert marks == {"Thu 7 May": (8, 2)}


def test_a_window_over_noon_is_two_pieces_with_one_label() -> None:
    long = invented.window(start_utc=invented.at(10), end_utc=invented.at(17))
    (site,) = shown(invented.NOW, long).sites
    morning, afternoon = next(d for d in site.days if d.title == "Thu 7 May").halves
    (left,), (right,) = morning.brackets, afternoon.brackets
    assert (left.column, left.width, left.begins, left.ends) == (9, 4, True, False)
    assert (right.column, right.width, right.begins, right.ends) == (1, 3, False, True)
    assert [left.label, right.label] == ["open 08–14, 80\xa0%", ""]


def test_what_must_be_decided_is_marked_where_it_is_due() -> None:
    decide = (
        Decision("book the crew", timedelta(hours=24)),
        Decision("tell air traffic", timedelta(hours=2, minutes=20)),
        Decision("open the gate", timedelta(hours=1), sites=frozenset({"Highmoor"})),
    )
    facts = replace(FACTS, decisions=decide)
    (site,) = shown(invented.at(0), invented.window(), facts=facts).sites  # Wed 22:00 local
    # The window begins Thu 04:00 local; "open the gate" is for another site.
    assert site.answer.dues == (
        "book the crew by Wed 6 May 04:00 (overdue)",
        "tell air traffic by Thu 7 May 01:40 (in 4 h)",
    )
    marks = {
        day.title: (d.column, d.quarter) for day in site.days for h in day.halves for d in h.dues
    }
    assert marks == {"Wed 6 May": (5, 0), "Thu 7 May": (2, 2)}


@pytest.mark.parametrize(("minutes", "cells"), [(15, 24), (30, 24), (60, 24), (180, 8)])
def test_every_step_has_its_place_on_the_board(minutes: int, cells: int) -> None:
    step = timedelta(minutes=minutes)
    hours = tuple(
        invented.hour(invented.at(2) + i * step, 80.0 if i % 4 == 1 else 40.0)
        for i in range(24 * 60 // minutes)
    )
    (site,) = shown(invented.NOW, facts=replace(FACTS, step=step), hours=hours).sites
    day = next(d for d in site.days if d.title == "Thu 7 May")
    found = [c for half in day.halves for c in half.cells]
    assert len(found) == cells
    assert all(c.column + c.width <= 13 for c in found)
    if minutes == 15:  # the best of each hour is shown
        assert {c.shows for c in found} == {"(80)"}, "each of them stands alone"
        assert found[0].href.endswith("T0215Z")


def test_the_hour_that_a_clock_change_repeats_shares_a_place() -> None:
    """Europe/London, 25 October 2026: 01:00 comes twice (IANA time zone database)."""
    site = Site("Field", 51.0, -2.0, 50.0, "Europe/London")
    first = datetime(2026, 10, 24, 23, tzinfo=UTC)
    hours = tuple(
        replace(invented.hour(first + timedelta(hours=i), 50.0 + i), site="Field")
        for i in range(25)
    )
    facts = replace(FACTS, sites=(site,))
    (shown_site,) = shown(first, facts=facts, hours=hours).sites
    day = next(d for d in shown_site.days if d.title == "Sun 25 Oct")
    columns = [c.column + 12 * i for i, half in enumerate(day.halves) for c in half.cells]
    assert columns == list(range(1, 25))


def test_addresses_of_sites_and_times_are_plain_and_unique() -> None:
    names = ("Fell Top", "fell-top", "Ærø", "../x?")
    sites = [Site(name, 0.0, 0.0, 0.0, "UTC") for name in names]
    assert list(site_keys(sites)) == ["fell-top", "fell-top-2", "r", "x"]
    moment = datetime(2026, 5, 8, 8, 15, tzinfo=UTC)
    assert from_stamp(stamp(moment)) == moment
    for wrong in ("20260508T0815", "20261308T0815Z", "x" * 14, "２０260508T0815Z"):
        assert from_stamp(wrong) is None


def test_hours_in_the_dark_are_left_out_and_marks_in_it_stand_at_the_edge() -> None:
    dark = invented.check("daylight", 0.0)
    hours = tuple(
        h
        if 8 <= (h.time_utc.hour - 2) % 24 <= 20
        else replace(h, verdict=Verdict.NO_GO, checks=(*h.checks, dark))
        for h in DAY
    )
    board_ = shown(invented.at(1.9), hours=hours)  # Wed 23:54 local
    assert board_.hour_marks == tuple(range(3, 21))  # up to 20 local, and as far before noon
    (site,) = board_.sites
    wednesday = next(d for d in site.days if d.title == "Wed 6 May")
    assert [half.now for half in wednesday.halves] == [None, (9, 4)]
    thursday = next(d for d in site.days if d.title == "Thu 7 May")
    assert sum(len(half.cells) for half in thursday.halves) == 18
    (site,) = shown(invented.at(2.5), hours=hours).sites  # Thu 00:30 local
    assert site.days[0].halves[0].now == (1, 0)


def test_models_that_disagree_and_answers_that_were_kept_are_marked_and_said() -> None:
    def says(model: str, verdict: Verdict) -> Opinion:
        return Opinion(model, f"{model}-2026-05-05T00Z", verdict, 50.0, 0.5, 12.0)

    apart = (says("north", Verdict.NO_GO), says("vane", Verdict.GO))
    alike = (says("north", Verdict.GO), says("vane", Verdict.CAUTION))
    unsure = (says("north", Verdict.UNKNOWN),)
    hours = list(DAY)
    hours[7] = replace(hours[7], others=apart)
    hours[8] = replace(hours[8], others=alike, from_cycle="skerra-2026-05-04T18Z")
    hours[9] = replace(hours[9], others=unsure)
    made = shown(invented.NOW, invented.window(), hours=tuple(hours))
    (site,) = made.sites
    cells = {c.clock: c for d in site.days for half in d.halves for c in half.cells}
    assert [cells[h].kind for h in ("05", "06", "07")] == ["go split planned", "go kept", "go"]
    assert "2 of 3 models say go; north no-go" in cells["05"].spoken
    assert "by the earlier cycle of Mon 4 May 18:00 UTC" in cells["06"].spoken
    assert "models" not in cells["06"].spoken
    assert site.answer.asides[0] == "2 of 3 models say go; north no-go."
    assert (made.has_kept, made.has_split) == (True, True)


def test_a_better_hour_than_the_one_that_the_window_keeps_is_explained() -> None:
    hours = list(DAY)
    hours[8] = invented.hour(invented.at(8), 83.0)
    (site,) = shown(invented.NOW, invented.window(), hours=tuple(hours)).sites
    assert site.answer.sentence.startswith(
        "planned 05:00: chance 80\xa0%, score 80; now best: 06:00, 83; lands"
    )
    (site,) = shown(invented.NOW, invented.window()).sites
    assert "now best" not in site.answer.sentence


def test_a_window_is_told_by_its_first_and_last_release() -> None:
    """The end is the last launch hour plus a step; nothing was flown there."""
    (site,) = shown(invented.NOW, invented.window(end_utc=invented.at(7))).sites
    assert site.answer.headline == "Thu 7 May, release 04:00"
    over_night = invented.window(start_utc=invented.at(24), end_utc=invented.at(28))
    (site,) = shown(invented.NOW, over_night).sites
    assert site.answer.headline == "release Thu 7 May 22:00 to Fri 8 May 01:00"


def test_the_page_holds_every_hour_by_day_and_says_its_verdict(week: Week) -> None:
    page = week.client().get("/").text
    cells = re.findall(r'<a class="cell ([a-z-]+)[a-z ]* s\d+".*?aria-label="(.*?)"', page)
    hours = [judged(h, week.facts.rules) for h in week.store.hours(week.facts.watch)]
    by_day = [h for h in hours if not is_night(h)]
    assert len(by_day) < len(cells) < len(hours) == 3 * 144
    # an hour that cannot be judged has no score; one that stands alone says so before it
    for verdict, scored in ((Verdict.GO, ", "), (Verdict.CAUTION, ", "), (Verdict.UNKNOWN, "")):
        spoken = sum(f": {verdict}{scored}" in label for _, label in cells)
        assert spoken == sum(h.verdict is verdict for h in hours)
    spoken = sum(": no-go, score" in label and ", dark" not in label for _, label in cells)
    assert spoken == sum(h.verdict is Verdict.NO_GO for h in by_day)
    for window in week.store.current_windows(week.facts.watch):
        assert f'href="/windows/{window.uid}"' in page


def test_a_stale_forecast_is_said_aloud(week: Week, later: timedelta) -> None:
    page = week.client(week.ended_utc + later).get("/").text
    assert re.search(r'role="alert"><strong>Stale.</strong> This forecast is 34 h old', page)
    assert "Stale." not in week.client().get("/").text


def test_before_the_first_pass_the_page_says_so(empty_week: Week) -> None:
    answer = empty_week.client().get("/")
    assert answer.status_code == 200
    assert "No forecast cycle has been worked out" in answer.text
    assert "every 2 min" not in answer.text or "The daemon looks" in answer.text


def test_the_board_is_small_on_the_wire(week: Week) -> None:
    """Aim of the project: a first visit of at most 150 kB, gzip."""
    client = week.client()
    sizes = []
    for path in (
        "/",
        "/static/style.css",
        "/static/keys.js",
        "/static/live.js",
        "/static/icon.svg",
    ):
        with client.stream("GET", path, headers={"accept-encoding": "gzip"}) as answer:
            sizes.append(sum(len(part) for part in answer.iter_raw()))
    assert sum(sizes) < 40_000


def test_the_board_is_made_anew_for_a_new_cycle_and_a_new_minute(made_week: Week) -> None:
    client, store = made_week.client(invented.NOW), made_week.store
    assert "Nothing to show yet" in client.get("/").text
    store.save_pass(invented.record(hours=DAY))
    assert "cycle of Tue 5 May 00:00 UTC" in client.get("/").text
    store.save_pass(invented.record(1, hours=DAY))
    assert "cycle of Tue 5 May 06:00 UTC" in client.get("/").text
    made_week.clock(invented.NOW).set(invented.NOW + timedelta(hours=3))
    assert "Now: Tue 5 May 05:00 local (07:00 UTC)" in client.get("/").text


def test_an_hour_with_next_to_no_chance_is_marked_and_the_mark_explained(week: Week) -> None:
    hours = tuple(replace(h, chance=0.0 if h.time_utc == invented.at(7) else h.chance) for h in DAY)
    made = shown(invented.NOW, hours=hours)
    (site,) = made.sites
    cells = [c for day in site.days for half in day.halves for c in half.cells]
    # 07 UTC is 05 local; hours that are vetoed have their own mark.
    assert [c.clock for c in cells if "slim" in c.kind.split()] == ["05"]
    assert made.has_slim
    assert not shown(invented.NOW).has_slim
    assert "chance 0\xa0%" in next(c.spoken for c in cells if c.clock == "05")
    assert "Chance: of the flights computed for it" in week.client().get("/").text


def test_the_answer_says_why_it_is_not_the_earlier_window() -> None:
    later = invented.window(
        uid="later", start_utc=invented.at(30), end_utc=invented.at(34),
        best_hour_utc=invented.at(31),
    )  # fmt: skip

    def days(chance: float) -> tuple[Hour, ...]:
        made = (invented.hour(invented.at(h), chance=chance) for h in range(30, 34))
        return (*DAY, *made)

    (site,) = shown(invented.NOW, later, invented.window(), hours=days(0.95)).sites
    assert site.answer.headline.startswith("Fri 8 May")
    assert site.answer.sentence.startswith("the strongest here, though not the first: planned")
    (site,) = shown(invented.NOW, later, invented.window(), hours=days(0.5)).sites
    assert site.answer.sentence.startswith("planned 05:00: chance 80")
    seen = invented.window(state=WindowState.SIGHTED)
    (site,) = shown(invented.NOW, later, seen, hours=days(0.5)).sites
    assert site.answer.sentence.startswith("named before an earlier one that is only sighted: ")


@pytest.mark.parametrize(
    ("hours", "label"), [(4, "open 04–07, 80\xa0%"), (3, "04–06, 80\xa0%"), (2, "80\xa0%")]
)
def test_every_bracket_tells_its_chance(hours: int, label: str) -> None:
    made = invented.window(end_utc=invented.at(6 + hours))
    (site,) = shown(invented.NOW, made).sites
    labels = [b.label for day in site.days for half in day.halves for b in half.brackets]
    assert label in labels
