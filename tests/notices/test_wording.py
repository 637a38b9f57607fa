"""What a notice reads like."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import product

import pytest
from invented import MILLFIELD, NOW, at, change, window

from windowwatch.notices.wording import LONGEST_BODY, LONGEST_TITLE, message
from windowwatch.scoring.values import Site
from windowwatch.windows.phrases import compass, inside, length, percent, sentence, spans_utc
from windowwatch.windows.values import ChangeKind, Window

LISBON = Site("Millfield", 45.6, -35.9, 140.0, "Europe/Lisbon")


def body(kind: ChangeKind = ChangeKind.OPENED, **other: object) -> str:
    return message(change(kind, **other), MILLFIELD, now_utc=NOW).body


def test_opened_whole() -> None:
    told = message(change(), MILLFIELD, now_utc=NOW)
    assert told.title == "OPENED Millfield Thu 7 May 04:00-08:00 local"
    assert told.body == (
        "Good launch hours seen in 2 cycles.\n"
        "Launch Thu 7 04:00-08:00 local (06:00-10:00 UTC), best 05:00 (07:00 UTC).\n"
        "Score 78 of 100. Chance 80 %: most flights are go.\n"
        "Lands 42 km north-east of the site, 1.2 km from a road.\n"
        "Limited by: gust 6.8 m/s, limit 9.0 m/s.\n"
        "A forecast, no permission: air traffic control and landowners decide.\n"
        "[3fa9c1d2e4b5, cycle skerra-2026-05-05T00Z]"
    )
    assert told.key == "3fa9c1d2e4b5"


def test_closed_whole() -> None:
    closed = change(ChangeKind.CLOSED, reason="Gust 11.4 m/s, limit 9.0 m/s.")
    told = message(closed, MILLFIELD, now_utc=NOW)
    assert told.title == "CLOSED Millfield Thu 7 May 04:00-08:00 local"
    assert told.body == (
        "Gust 11.4 m/s, limit 9.0 m/s.\n"
        "It was Thu 7 04:00-08:00 local (06:00-10:00 UTC), score 78 of 100, chance 80 %.\n"
        "Do not plan on this window.\n"
        "[3fa9c1d2e4b5, cycle skerra-2026-05-05T00Z]"
    )


def test_moved_says_where_it_was() -> None:
    text = body(
        ChangeKind.MOVED,
        after=window(start_utc=at(8), end_utc=at(12), best_hour_utc=at(9)),
        reason="Starts 2 h later; ends 2 h later.",
    ).splitlines()
    assert text[:3] == [
        "Starts 2 h later; ends 2 h later.",
        "Now Thu 7 06:00-10:00 local (08:00-12:00 UTC), best 07:00 (09:00 UTC).",
        "Before: Thu 7 04:00-08:00 local (06:00-10:00 UTC).",
    ]
    assert "permission" not in "".join(text)
    assert "Before" not in body(ChangeKind.MOVED, reason="Lands 31 km further north.")


def test_weaker_does_not_repeat_its_reason() -> None:
    text = body(ChangeKind.WEAKER, reason="Gust 6.8 m/s, limit 9.0 m/s; score 78 to 61.")
    assert text.count("limit 9.0") == 1
    assert text.splitlines()[1].startswith("Still open, Thu 7 04:00-08:00 local")


def test_each_kind_is_told_by_its_first_word() -> None:
    firsts = {
        message(change(kind), MILLFIELD, now_utc=NOW).title.split(" Millfield")[0]
        for kind in ChangeKind
    }
    assert firsts == {
        "OPENED", "MOVED", "WEAKER", "STRONGER", "CLOSED", "FORECAST LATE", "DECISION DUE",
    }  # fmt: skip


def test_a_change_without_a_window() -> None:
    late = change(
        ChangeKind.FORECAST_LATE,
        site="",
        window_uid=None,
        before=None,
        after=None,
        reason="no cycle has come for 9 h",
    )
    told = message(late, None, now_utc=NOW)
    assert told.title == "FORECAST LATE"
    assert told.body.splitlines()[0] == "No cycle has come for 9 h."


def test_a_site_that_is_not_in_the_settings_any_more_is_told_in_utc() -> None:
    told = message(change(), None, now_utc=NOW)
    assert told.title == "OPENED Millfield Thu 7 May 06:00-10:00 UTC"
    assert "Launch Thu 7 06:00-10:00 UTC, best 07:00 UTC." in told.body
    assert "local" not in told.body


def test_told_late_says_so() -> None:
    def told(after: timedelta) -> str:
        return message(change(), MILLFIELD, now_utc=NOW + after).body

    assert "late" not in told(timedelta(hours=1))
    assert "Told late: found 7 h 30 min ago." in told(timedelta(hours=7, minutes=30))


@pytest.mark.parametrize(
    ("chance", "words"),
    [
        (None, "Chance not known."),
        (1.0, "Chance 100 %: all flights are go."),
        (0.999, "Chance over 99 %: nearly all flights are go."),
        (0.95, "nearly all flights are go"),
        (0.947, "Chance 95 %: nearly all flights are go."),
        (0.94, "Chance 94 %: most flights are go."),
        (0.744, "more than half of the flights are go"),
        (0.5, "about half of the flights are go"),
        (0.444, "fewer than half of the flights are go"),
        (0.194, "few flights are go"),
        (0.001, "Chance under 1 %: few flights are go."),
        (0.0, "Chance 0 %: few flights are go."),
    ],
)
def test_chance_in_words(chance: float | None, words: str) -> None:
    assert words in body(after=window(chance=chance))


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"drift_km": 0.4}, "Lands 0.4 km north-east of the site"),
        ({"drift_km": 9.97}, "Lands 10 km north-east"),
        ({"drift_km": 123.4, "bearing_deg": 359.0}, "Lands 123 km north of the site"),
        ({"bearing_deg": None}, "Where it lands is not known."),
        ({"road_km": None}, "of the site, distance to a road not known."),
        ({"road_km": 14.6}, ", 15 km from a road."),
        ({"readable": False}, "Score 78 of 100 as last known."),
        (
            {"unread": "the forecast could not be read for X"},
            "The forecast could not be read for X.",
        ),
    ],
)
def test_what_is_not_known_is_said(fields: dict[str, object], words: str) -> None:
    assert words in body(after=window(**fields))


@pytest.mark.parametrize(
    ("start", "hours", "zone", "title", "line"),
    [
        pytest.param(
            datetime(2026, 3, 29, 0, tzinfo=UTC), 4, "Europe/Lisbon",
            "Sun 29 Mar 00:00-05:00 local",
            "Sun 29 00:00-05:00 local (00:00-04:00 UTC, the clocks change in it)",
            id="clocks go forward, Lisbon 29 March 2026 at 01 UTC",
        ),
        pytest.param(
            datetime(2026, 10, 25, 0, tzinfo=UTC), 3, "Europe/Lisbon",
            "Sun 25 Oct 01:00-03:00 local",
            "Sun 25 01:00-03:00 local (00:00-03:00 UTC, the clocks change in it)",
            id="clocks go back, Lisbon 25 October 2026 at 01 UTC",
        ),
        pytest.param(
            datetime(2026, 11, 1, 5, tzinfo=UTC), 3, "America/Chicago",
            "Sun 1 Nov 00:00-02:00 local",
            "Sun 1 00:00-02:00 local (05:00-08:00 UTC, the clocks change in it)",
            id="clocks go back, Chicago 1 November 2026 at 07 UTC",
        ),
        pytest.param(
            datetime(2026, 5, 6, 22, tzinfo=UTC), 4, "America/Noronha",
            "Wed 6 May 20:00-Thu 7 00:00 local",
            "Wed 6 20:00-Thu 7 00:00 local (22:00-Thu 7 02:00 UTC)",
            id="midnight between",
        ),
        pytest.param(
            datetime(2026, 5, 6, 16, tzinfo=UTC), 4, "Pacific/Auckland",
            "Thu 7 May 04:00-08:00 local",
            "Thu 7 04:00-08:00 local (Wed 6 16:00-20:00 UTC)",
            id="another day in UTC",
        ),
        pytest.param(
            datetime(2028, 2, 29, 6, tzinfo=UTC), 2, "Asia/Kathmandu",
            "Tue 29 Feb 11:45-13:45 local",
            "Tue 29 11:45-13:45 local (06:00-08:00 UTC)",
            id="leap day, a zone of three quarters of an hour",
        ),
    ],
)  # fmt: skip
def test_local_time(start: datetime, hours: int, zone: str, title: str, line: str) -> None:
    """Clock changes as the IANA time zone database has them."""
    made = window(start_utc=start, end_utc=start + timedelta(hours=hours), best_hour_utc=start)
    site = replace(MILLFIELD, time_zone=zone)
    told = message(change(after=made), site, now_utc=NOW)
    assert told.title == f"OPENED Millfield {title}"
    assert f"Launch {line}, best " in told.body


LONG = "the wind and the rain and the cloud and the cold of this hour " * 12


def worst_window(kind: ChangeKind, text: str) -> Window | None:
    if kind is ChangeKind.CLOSED:
        return None
    return window(
        start_utc=datetime(2026, 10, 24, 22, 30, tzinfo=UTC),
        end_utc=datetime(2026, 10, 25, 3, 30, tzinfo=UTC),
        site="S" * 40,
        limited_by=text,
        unread="unread " + text,
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
        kind, site="S" * 40, reason=reason, after=worst_window(kind, limits), before=window()
    )
    told = message(made, LISBON, now_utc=NOW + timedelta(hours=30))
    assert len(told.body) <= LONGEST_BODY
    assert len(told.title) <= LONGEST_TITLE
    assert told.body.endswith("[3fa9c1d2e4b5, cycle skerra-2026-05-05T00Z]")
    assert "Told late: found 30 h ago." in told.body
    if reason == LONG:
        assert told.body.startswith("The wind and the rain and the cloud")
        assert "…" in told.body
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
    times = [at(8), at(6), at(7), at(23), at(24)]
    assert spans_utc(times, timedelta(hours=1)) == (
        "Thu 7 06:00-09:00, Thu 7 23:00-Fri 8 01:00 UTC"
    )
