"""What a notice reads like."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import product
from zoneinfo import ZoneInfo

import pytest
from invented import MILLFIELD, NOW, at, change, check, hour, window

from windowwatch.scoring.values import Drive, Refusal, RefusalKind, Site
from windowwatch.windows.causes import (
    BrokeUp,
    CheckAgainst,
    DecideBy,
    Edge,
    EdgeMoved,
    LandingMoved,
    NotReadable,
    QualityMoved,
    Refused,
    StillShown,
    ToldEarlier,
)
from windowwatch.windows.values import ChangeKind, Window
from windowwatch.wording.causes import read_aloud
from windowwatch.wording.checks import check_sentence
from windowwatch.wording.notices import (
    LONGEST_BODY,
    LONGEST_TABLE,
    LONGEST_TITLE,
    Beside,
    message,
)
from windowwatch.wording.phrases import (
    compass,
    go_words,
    inside,
    length,
    local_to,
    percent,
    sentence,
    written,
)

DRIVE = Drive("Marrowby depot", 95.0, (45.6, 45.7), (-35.9, -35.8))
LISBON = Site("Millfield", 45.6, -35.9, 140.0, "Europe/Lisbon")


def body(kind: ChangeKind = ChangeKind.OPENED, **other: object) -> str:
    return message(change(kind, **other), MILLFIELD, now_utc=NOW).body


def test_opened_whole() -> None:
    told = message(change(), MILLFIELD, now_utc=NOW)
    assert told.title == "OPEN Millfield Thu 7 May 04:00 to 07:00 local"
    assert told.body == (
        "Open: release Millfield Thu 7 04:00 to 07:00 local (06:00 to 09:00 UTC), planned 05:00.\n"
        "Score 78, chance 80 %; lands 42 km north-east, 1.2 km from a road.\n"
        "Good launch hours seen in 2 cycles.\n"
        "Begin to plan. A forecast, no permission.\n"
        "[3fa9c1d2e4b5]"
    )
    assert told.key == "3fa9c1d2e4b5"
    assert "Limited by: gust 6.8 m/s, limit 9.0 m/s.\n" in told.full
    assert "[3fa9c1d2e4b5, cycle skerra-2026-05-05T00Z]\n" in told.full


def test_closed_whole() -> None:
    closed = change(ChangeKind.CLOSED, causes=(CheckAgainst(check("gust", 0.0, 11.4)),))
    told = message(closed, MILLFIELD, now_utc=NOW)
    assert told.title == "CLOSED Millfield Thu 7 May 04:00 to 07:00 local"
    assert told.body == (
        "Closed, do not plan on it: Millfield Thu 7 04:00 to 07:00 local (06:00 to 09:00 UTC).\n"
        "It was: score 78, chance 80 %.\n"
        "Gust 11.4 m/s, limit 9.0 m/s.\n"
        "Stop what was begun for it. A forecast, no permission.\n"
        "[3fa9c1d2e4b5]"
    )


def test_moved_says_where_it_was() -> None:
    text = body(
        ChangeKind.MOVED,
        after=window(start_utc=at(8), end_utc=at(12), best_hour_utc=at(9)),
        causes=tuple(EdgeMoved(edge, timedelta(hours=2)) for edge in Edge),
    ).splitlines()
    assert text[0] == (
        "Open: release Millfield Thu 7 06:00 to 09:00 local, planned 07:00 (was 05:00)."
    )
    assert text[2] == "Before: 04:00 to 07:00. First release 2 h later; last release 2 h later."
    assert "Before" not in body(ChangeKind.MOVED, causes=(LandingMoved(31.0, 0.0),))


START, END = Edge.START, Edge.END


@pytest.mark.parametrize(
    ("edges", "landing", "head"),
    [
        ({START: -2, END: 1}, False, "LONGER"),
        ({START: -2}, False, "LONGER"),
        ({END: 3}, False, "LONGER"),
        ({START: 2}, False, "SHORTER"),
        ({START: 1, END: -1}, False, "SHORTER"),
        ({END: -2}, True, "SHORTER, LANDING MOVED"),
        ({START: 2, END: 1}, False, "LATER"),
        ({START: -1, END: -3}, False, "EARLIER"),
        ({}, True, "LANDING MOVED"),
    ],
)
@pytest.mark.one_answer
def test_a_title_says_what_happened_to_the_plan(
    edges: dict[Edge, int], landing: bool, head: str
) -> None:
    causes = [EdgeMoved(edge, timedelta(hours=by)) for edge, by in edges.items()]
    after = window(start_utc=at(6 + edges.get(START, 0)), end_utc=at(10 + edges.get(END, 0)))
    moved = (LandingMoved(31.0, 0.0),) if landing else ()
    told = change(ChangeKind.MOVED, before=window(), after=after, causes=(*causes, *moved))
    said = message(told, MILLFIELD, now_utc=NOW)
    assert said.title.startswith(f"{head} Millfield Thu 7 May ")
    assert said.body.startswith("Open: release Millfield ")
    assert ("Check your plan." in said.body) == (head != "LONGER"), "more hours ask for nothing"


def test_broke_up_is_said_in_the_title() -> None:
    causes = (BrokeUp(((at(13), at(17)),)), EdgeMoved(END, timedelta(hours=-8)))
    told = message(change(ChangeKind.MOVED, causes=causes), MILLFIELD, now_utc=NOW)
    assert told.title.startswith("BROKE UP Millfield")


def test_weaker_does_not_repeat_its_reason() -> None:
    """The line above says what is so now, "before" what was; numbers stand once."""
    causes = (CheckAgainst(check()), QualityMoved(78.0, 61.0, 0.8, 0.8))
    text = body(ChangeKind.WEAKER, causes=causes, after=window(best_score=61.0)).splitlines()
    assert text[1].startswith("Score 61, chance 80 %; ")
    assert text[2] == "Before: score 78, chance 80 %. Gust 6.8 m/s, limit 9.0 m/s."


def test_each_kind_is_told_by_its_first_word() -> None:
    told = [message(change(kind), MILLFIELD, now_utc=NOW) for kind in ChangeKind]
    firsts = {each.title.split(" Millfield")[0] for each in told}
    assert firsts >= {
        "OPEN", "MOVED", "WEAKER", "BETTER", "CLOSED", "FORECAST LATE", "DECISION DUE",
        "IF YOU HOLD", "PASS FAILED",
    }  # fmt: skip
    assert len(firsts) == len(ChangeKind)
    assert all("A forecast, no permission" in each.body for each in told)


def test_a_change_without_a_window() -> None:
    late = change(
        ChangeKind.FORECAST_LATE,
        site="",
        window_uid=None,
        before=None,
        after=None,
        causes=(StillShown(None),),
    )
    told = message(late, None, now_utc=NOW)
    assert told.title == "FORECAST LATE"
    assert told.body.splitlines()[0] == "No forecast has been read so far."


def test_a_site_that_is_not_in_the_settings_any_more_is_told_in_utc() -> None:
    told = message(change(), None, now_utc=NOW)
    assert told.title == "OPEN Millfield Thu 7 May 06:00 to 09:00 UTC"
    assert "release Millfield Thu 7 06:00 to 09:00 UTC, planned 07:00 UTC." in told.body
    assert "local" not in told.body


def test_told_late_says_so() -> None:
    def told(after: timedelta) -> str:
        return message(change(), MILLFIELD, now_utc=NOW + after).body

    assert "late" not in told(timedelta(hours=1))
    assert "Told late: found 7 h 30 min ago." in told(timedelta(hours=7, minutes=30))


@pytest.mark.parametrize(
    ("chance", "words"),
    [
        (None, "chance not known"),
        (1.0, "chance 100 %"),
        (0.999, "chance over 99 %"),
        (0.744, "chance 74 %"),
        (0.001, "chance under 1 %"),
        (0.0, "chance 0 %"),
    ],
)
def test_chance_in_words(chance: float | None, words: str) -> None:
    assert f"Score 78, {words}; lands" in body(after=window(chance=chance))


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"drift_km": 0.4}, "lands 0.4 km north-east, "),
        ({"drift_km": 9.97}, "lands 10 km north-east"),
        ({"drift_km": 123.4, "bearing_deg": 359.0}, "lands 123 km north, "),
        ({"bearing_deg": None}, "; where it lands is not known."),
        ({"road_km": None}, ", road not known."),
        ({"road_km": 14.6}, ", 15 km from a road."),
        ({"readable": False}, "Score 78 as last known, chance 80 %"),
        ({"unread": (NotReadable(((at(6), at(6)),)),)}, "Some hours could not be read."),
    ],
)
def test_what_is_not_known_is_said(fields: dict[str, object], words: str) -> None:
    assert words in body(after=window(**fields))


@pytest.mark.parametrize("long", range(3))
def test_what_does_better_goes_before_what_was_and_what_to_do(long: int) -> None:
    """A crew acts on its plan: that another hour does better by now is on the page too."""
    plain = EdgeMoved(Edge.END, timedelta(hours=-4))
    gust = EdgeMoved(Edge.END, timedelta(hours=-4), (CheckAgainst(check("gust", 0.0, 11.4)),))
    north = LandingMoved(31.0, 0.0)
    moved = change(
        ChangeKind.MOVED,
        before=window(start_utc=at(4), end_utc=at(13), best_hour_utc=at(12), best_score=61.0),
        after=window(
            start_utc=at(5), end_utc=at(9), best_hour_utc=at(6),
            now_best_utc=at(7), now_best_score=92.0,
        ),
        causes=((plain,), (plain, north), (gust,))[long],
    )  # fmt: skip
    told = message(moved, MILLFIELD, now_utc=NOW)
    assert "now best: 05:00, 92" in told.full
    assert "Before: 02:00 to 10:00, score 61" in told.body
    assert ("now best" in told.body) == (long == 0)
    assert "Check your plan." in told.body or long > 0
    assert len(told.body) <= LONGEST_BODY


def test_which_hours_could_not_be_read_is_in_the_long_text() -> None:
    unread = window(unread=(NotReadable(((at(6), at(6)),)),))
    told = message(change(after=unread), MILLFIELD, now_utc=NOW)
    assert "The forecast could not be read for Thu 7 04:00 local (06:00 UTC)." in told.full


@pytest.mark.parametrize(
    ("start", "hours", "zone", "title", "line"),
    [
        pytest.param(
            datetime(2026, 3, 29, 0, tzinfo=UTC), 4, "Europe/Lisbon",
            "Sun 29 Mar 00:00 to 04:00 local",
            "Sun 29 00:00 to 04:00 local (00:00 to 03:00 UTC, the clocks change in it)",
            id="clocks go forward, Lisbon 29 March 2026 at 01 UTC",
        ),
        pytest.param(
            datetime(2026, 10, 25, 0, tzinfo=UTC), 3, "Europe/Lisbon",
            "Sun 25 Oct 01:00 to 02:00 local",
            "Sun 25 01:00 to 02:00 local (00:00 to 02:00 UTC, the clocks change in it)",
            id="clocks go back, Lisbon 25 October 2026 at 01 UTC",
        ),
        pytest.param(
            datetime(2026, 11, 1, 5, tzinfo=UTC), 3, "America/Chicago",
            "Sun 1 Nov 00:00 to 01:00 local",
            "Sun 1 00:00 to 01:00 local (05:00 to 07:00 UTC, the clocks change in it)",
            id="clocks go back, Chicago 1 November 2026 at 07 UTC",
        ),
        pytest.param(
            datetime(2026, 5, 6, 23, tzinfo=UTC), 4, "America/Noronha",
            "Wed 6 May 21:00 to Thu 7 00:00 local",
            "Wed 6 21:00 to Thu 7 00:00 local (23:00 to Thu 7 02:00 UTC)",
            id="midnight between",
        ),
        pytest.param(
            datetime(2026, 5, 6, 16, tzinfo=UTC), 4, "Pacific/Auckland",
            "Thu 7 May 04:00 to 07:00 local",
            "Thu 7 04:00 to 07:00 local (Wed 6 16:00 to 19:00 UTC)",
            id="another day in UTC",
        ),
        pytest.param(
            datetime(2028, 2, 29, 6, tzinfo=UTC), 2, "Asia/Kathmandu",
            "Tue 29 Feb 11:45 to 12:45 local",
            "Tue 29 11:45 to 12:45 local (06:00 to 07:00 UTC)",
            id="leap day, a zone of three quarters of an hour",
        ),
    ],
)  # fmt: skip
def test_local_time(start: datetime, hours: int, zone: str, title: str, line: str) -> None:
    """Clock changes as the IANA time zone database has them."""
    made = window(start_utc=start, end_utc=start + timedelta(hours=hours), best_hour_utc=start)
    site = replace(MILLFIELD, time_zone=zone)
    told = message(change(after=made), site, now_utc=NOW)
    assert told.title == f"OPEN Millfield {title}"
    assert f"Open: release Millfield {line}, planned " in told.full


LONG = "the wind and the rain and the cloud and the cold of this hour " * 12


def worst_window(kind: ChangeKind, text: str) -> Window | None:
    if kind is ChangeKind.CLOSED:
        return None
    return window(
        start_utc=datetime(2026, 10, 24, 22, 30, tzinfo=UTC),
        end_utc=datetime(2026, 10, 25, 3, 30, tzinfo=UTC),
        site="S" * 40,
        limited_by=(ToldEarlier(text),) if text else (),
        unread=(ToldEarlier("unread " + text),),
        readable=False,
        chance=0.6,
    )


@pytest.mark.parametrize(
    ("kind", "reason", "limits"), list(product(ChangeKind, ["short", LONG, "x" * 900], ["", LONG]))
)
def test_never_too_long_and_never_without_its_key(
    kind: ChangeKind, reason: str, limits: str
) -> None:
    made = change(
        kind,
        site="S" * 40,
        causes=(ToldEarlier(reason),),
        after=worst_window(kind, limits),
        before=window(),
    )
    told = message(made, LISBON, now_utc=NOW + timedelta(hours=30))
    longest = LONGEST_TABLE if kind is ChangeKind.HOLD_ADVICE else LONGEST_BODY
    assert len(told.body) <= longest
    assert len(told.title) <= LONGEST_TITLE
    assert told.body.endswith("[3fa9c1d2e4b5]")
    assert "Told late: found 30 h ago." in told.body
    # Whatever is cut: site, span and cautions stay, and all of it is in the long text.
    assert "S" * 40 in told.body
    assert " local" in told.body
    assert reason.strip().lower() in told.full.lower()
    assert "A forecast, no permission" in told.body
    assert limits.strip() in told.full or kind is ChangeKind.CLOSED
    assert "\n\n" not in told.body


def test_phrases() -> None:
    assert [compass(b) for b in (0, 22, 23, 45, 180, 337, 338, 720)] == [
        "north", "north", "north-east", "north-east", "south", "north-west", "north", "north",
    ]  # fmt: skip
    assert [length(timedelta(minutes=m)) for m in (0, 45, 60, -90, 1500)] == [
        "0 min", "45 min", "1 h", "1 h 30 min", "25 h",
    ]  # fmt: skip
    assert [percent(p) for p in (None, 0.0, 0.004, 0.5, 0.996, 1.0)] == [
        "not known", "0 %", "under 1 %", "50 %", "over 99 %", "100 %",
    ]  # fmt: skip
    assert [sentence(t) for t in ("", " a b ", "Why?", "ok.")] == ["", "A b.", "Why?", "Ok."]
    assert [inside(t) for t in ("", "Gust 9 m/s.", "CAPE 900 J/kg", "P(water) 30 %")] == [
        "", "gust 9 m/s", "CAPE 900 J/kg", "P(water) 30 %",
    ]  # fmt: skip
    assert written(at(6), at(8)) == "2026-05-07 06:00 UTC to 2026-05-07 08:00 UTC"
    assert written(at(6), at(6)) == "2026-05-07 06:00 UTC"
    assert [go_words(*counts) for counts in ((1, 5), (2, 4), (0, 3), (0, 1), (3, 3))] == [
        "1 of 5 launch hours is go, the rest caution",
        "2 of 4 launch hours are go, the rest caution",
        "all launch hours are caution",
        "the launch hour is caution",
        "",
    ]
    assert go_words(None, None) == "", "an older version did not count them"


NORONHA = ZoneInfo("America/Noronha")


@pytest.mark.parametrize(
    ("text", "zone", "said"),
    [
        ("No time at all.", NORONHA, "No time at all."),
        ("By 2026-05-07 06:00 UTC.", NORONHA, "By Thu 7 04:00 local (06:00 UTC)."),
        ("By 2026-05-07 01:00 UTC.", NORONHA, "By Wed 6 23:00 local (Thu 7 01:00 UTC)."),
        ("By 2026-05-07 06:00 UTC.", None, "By Thu 7 06:00 UTC."),
        (
            "2026-05-07 06:00 UTC to 2026-05-07 09:00 UTC, 2026-05-07 12:00 UTC",
            NORONHA,
            "Thu 7 04:00 to 07:00 local (06:00 to 09:00 UTC), Thu 7 10:00 local (12:00 UTC)",
        ),
    ],
)
def test_times_in_a_sentence_of_an_earlier_version(
    text: str, zone: ZoneInfo | None, said: str
) -> None:
    assert read_aloud(text, local_to(zone)) == said


def test_no_line_of_a_notice_mixes_times() -> None:
    """Every time in the site's, UTC at most once beside it, also inside a reason."""
    unread = (NotReadable(((at(8), at(8)),), Refused(Refusal(RefusalKind.TOLD, told="no wind"))),)
    front = check("front", 0.0, 2.0)
    made = change(
        ChangeKind.MOVED,
        causes=(
            BrokeUp(((at(13), at(17)),)),
            EdgeMoved(Edge.END, timedelta(hours=-8), (CheckAgainst(front),)),
        ),
        after=window(unread=unread),
    )
    told = message(made, MILLFIELD, now_utc=NOW)
    assert "releases Thu 7 11:00 to 15:00 local (13:00 to 17:00 UTC) are now" in told.full
    assert "could not be read for Thu 7 06:00 local (08:00 UTC): no wind." in told.full
    assert "Some hours could not be read." in told.body
    for line in told.full.splitlines():
        assert line.count("UTC") == line.count("local")
    for line in told.body.splitlines():
        assert line.count("UTC") <= line.count("local")


def test_the_long_text_leaves_nothing_out() -> None:
    best = hour(at(7))
    beside = Beside(best=best, page_url="https://page.example", drive=DRIVE)
    told = message(
        change(ChangeKind.CLOSED, before=window()), MILLFIELD, now_utc=NOW, beside=beside
    )
    assert told.full.startswith("Closed, do not plan on it")
    assert all(check_sentence(each) in told.full for each in best.checks)
    assert "windowwatch explain 3fa9c1d2e4b5" in told.full
    assert f"https://page.example/windows/{window().uid}" in told.full
    assert "https://page.example/notices#3fa9c1d2e4b5" in told.full
    assert "https" not in message(change(), MILLFIELD, now_utc=NOW).full
    said = message(change(), MILLFIELD, now_utc=NOW, beside=beside).body
    assert "lands 42 km north-east, 1.2 km from a road, drive 1 h 35 min." in said
    full = message(change(), MILLFIELD, now_utc=NOW, beside=beside).full
    assert "1.2 km from a road, 1 h 35 min by road from Marrowby depot." in full


@pytest.mark.parametrize("kind", [ChangeKind.OPENED, ChangeKind.MOVED, ChangeKind.WEAKER])
@pytest.mark.parametrize("clauses", [0, 1, 2, 3, 20])
def test_where_it_lands_and_the_drive_there_are_never_dropped(
    kind: ChangeKind, clauses: int
) -> None:
    """What is said twice or can wait goes before it, however long a reason is."""
    more = (ToldEarlier("gust 6.8 m/s, limit 9.0 m/s, at more hours"),) * clauses
    causes = (EdgeMoved(Edge.START, timedelta(hours=2)), *more)
    coming = Beside(drive=DRIVE, next_forecast_utc=NOW + timedelta(hours=6))
    moved = window(
        start_utc=at(8), end_utc=at(12), best_hour_utc=at(9), limited_by=(ToldEarlier("Rain " * 8),)
    )
    told = message(change(kind, causes=causes, after=moved), MILLFIELD, now_utc=NOW, beside=coming)
    assert len(told.body) <= LONGEST_BODY
    assert "Score 78, chance 80 %; lands 42 km north-east" in told.body
    assert "drive 1 h 35 min." in told.body
    assert "First release 2 h later" in told.body, "the head of the reason"
    # In the order in which they go: what is there is followed by nothing that is not.
    goes = ("08:00 to 11:00 UTC", "from a road", "Next forecast", "Before")
    there = [words in told.body for words in goes if words != "Before" or moved_before(kind)]
    assert there == sorted(there)
    assert "planned 07:00" in told.body
    assert "Next forecast about" in told.full


def moved_before(kind: ChangeKind) -> bool:
    """Whether there is a "before" to tell."""
    return kind is not ChangeKind.OPENED


@pytest.mark.one_answer
def test_what_is_to_be_decided_next_and_by_when() -> None:
    by = at(-18)
    book = DecideBy("book the crew", by, timedelta(hours=24), by - NOW)
    told = message(change(), MILLFIELD, now_utc=NOW, beside=Beside(decide=book)).body
    assert "\nDecide by Wed 6 04:00 local: book the crew. A forecast, no permission.\n" in told
    due = change(ChangeKind.DECISION_DUE, causes=(replace(book, reminder=2, last=True),))
    asked = message(due, MILLFIELD, now_utc=NOW).body
    assert asked.startswith("Last reminder, nobody has acknowledged this: book the crew: decide by")
    assert "Seen to? windowwatch acknowledge 3fa9c1d2e4b5 --by NAME\n" in asked
    assert len(asked) <= LONGEST_BODY


def test_the_next_forecast_is_told_while_it_is_to_come() -> None:
    coming = Beside(next_forecast_utc=NOW + timedelta(hours=6))
    text = message(change(), MILLFIELD, now_utc=NOW, beside=coming).body
    assert "Next forecast about Tue 5 08:00 local." in text
    late = message(change(), MILLFIELD, now_utc=NOW + timedelta(hours=7), beside=coming).body
    assert "Next forecast" not in late
