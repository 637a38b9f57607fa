"""What a channel hears, and when; through stored rows to a real HTTP sink."""

from dataclasses import replace
from datetime import UTC, datetime, time, timedelta

import pytest
from invented import MILLFIELD, NOW, SITES, at, change, record, window
from sink import Sink, free_port

from windowwatch.clock import SimulatedClock
from windowwatch.errors import InputError
from windowwatch.notices.deliver import DeliveryReport, Result, deliver_pending
from windowwatch.notices.policy import (
    RetryRules,
    due_at,
    holds,
    next_of_day,
    next_try,
    plan_deliveries,
    quiet_until,
    why_not,
)
from windowwatch.notices.values import Channel
from windowwatch.storage.deliveries import DeliveryState
from windowwatch.storage.store import Store
from windowwatch.windows.values import Change, ChangeKind

OPENED, WEAKER, CLOSED, DUE = (
    ChangeKind.OPENED,
    ChangeKind.WEAKER,
    ChangeKind.CLOSED,
    ChangeKind.DECISION_DUE,
)
NIGHT = (time(22), time(7))
SKERRA = MILLFIELD.time_zone  # UTC-2 all the year


def channel(**other: object) -> Channel:
    made: dict[str, object] = {"name": "phone", "url": "json://127.0.0.1:9/", "time_zone": SKERRA}
    return Channel(**{**made, **other})  # type: ignore[arg-type]


def utc(*parts: int) -> datetime:
    return datetime(*parts, tzinfo=UTC)  # type: ignore[misc, arg-type]


@pytest.mark.parametrize(
    ("moment", "end"),
    [
        (utc(2026, 5, 5, 23, 59), None),  # 21:59 on Skerra
        (utc(2026, 5, 6, 0, 0), utc(2026, 5, 6, 9)),  # 22:00 until 07:00 of the next day
        (utc(2026, 5, 6, 8, 59), utc(2026, 5, 6, 9)),
        (utc(2026, 5, 6, 9, 0), None),
    ],
)
def test_quiet_hours_over_midnight_in_the_zone_of_the_person(
    moment: datetime, end: datetime | None
) -> None:
    assert quiet_until(channel(quiet=NIGHT), moment) == end
    assert quiet_until(channel(), moment) is None


def test_quiet_hours_in_the_nights_when_clocks_change() -> None:
    """Lisbon 2026: forward on 29 March, back on 25 October, both at 01 UTC (EU 2000/84/EC)."""
    night = channel(time_zone="Europe/Lisbon", quiet=(time(22), time(6)))
    assert quiet_until(night, utc(2026, 3, 28, 23)) == utc(2026, 3, 29, 5)
    assert quiet_until(night, utc(2026, 10, 24, 22)) == utc(2026, 10, 25, 6)
    # 01:30 is skipped in spring: it is read as the moment that would have been so.
    skipped = channel(time_zone="Europe/Lisbon", quiet=(time(22), time(1, 30)))
    assert quiet_until(skipped, utc(2026, 3, 29, 0)) == utc(2026, 3, 29, 1, 30)


def test_digests_come_at_the_next_of_their_times() -> None:
    times = (time(7), time(18))
    assert next_of_day(times, SKERRA, utc(2026, 5, 5, 8)) == utc(2026, 5, 5, 9)
    assert next_of_day(times, SKERRA, utc(2026, 5, 5, 9)) == utc(2026, 5, 5, 9)
    assert next_of_day(times, SKERRA, utc(2026, 5, 5, 9, 0, 1)) == utc(2026, 5, 5, 20)
    assert next_of_day(times, SKERRA, utc(2026, 5, 5, 20, 1)) == utc(2026, 5, 6, 9)


def test_what_is_held_and_what_is_not() -> None:
    """NOW is 02:00 on Skerra, two days and two hours before the window of 06 UTC."""
    quiet = channel(quiet=NIGHT)
    assert due_at(quiet, change(OPENED)) == utc(2026, 5, 5, 9)
    for kind in (CLOSED, DUE):
        assert due_at(quiet, change(kind)) == NOW
    assert due_at(replace(quiet, at_once=frozenset()), change(CLOSED)) == utc(2026, 5, 5, 9)
    near = channel(within=timedelta(hours=36))
    assert due_at(near, change(OPENED)) == at(6) - timedelta(hours=36)
    assert due_at(near, change(CLOSED)) == NOW, "nobody waits to hear that a window is gone"
    assert due_at(near, change(DUE)) == NOW, "its time is set by the decision"
    assert due_at(channel(), change(OPENED)) == NOW


def test_sites_and_watch_wide_changes() -> None:
    changes = [change(key="a"), change(key="b", site="Highmoor"), change(key="c", site="")]
    pairs = plan_deliveries(changes, [channel(sites=frozenset({"Millfield"}))])
    assert pairs == (("a", "phone"), ("c", "phone"))


def test_why_not() -> None:
    sure = channel(from_chance=0.9)

    def ask(what: Change, **other: bool) -> str | None:
        given = {"heard": False, "overtaken": False, "held": False, **other}
        return why_not(sure, what, now_utc=NOW, **given)

    words = "a chance of 80 % is under the 90 % from which on this channel hears of a window"
    assert ask(change(OPENED)) == words
    assert ask(change(WEAKER)) == words
    assert ask(change(WEAKER), heard=True) is None
    assert ask(change(OPENED, after=window(chance=0.9))) is None
    assert ask(change(CLOSED)) == "this channel was never told of the window"
    assert ask(change(CLOSED), heard=True) is None
    gone = {"heard": False, "overtaken": False, "held": False, "now_utc": NOW}
    assert why_not(channel(), change(CLOSED), **gone) is None, "nothing is kept from this one"  # type: ignore[arg-type]
    assert "overtaken" in str(ask(change(WEAKER), heard=True, held=True, overtaken=True))
    assert ask(change(WEAKER), heard=True, overtaken=True) is None, "not held: told in order"
    assert ask(change(DUE), held=True, overtaken=True) is None
    unknown = ask(change(OPENED, after=window(chance=None)))
    assert unknown is not None
    assert "not known" in unknown


def test_a_channel_of_no_use_is_refused() -> None:
    for wrong, words in (
        ({"from_chance": 1.5}, "share"),
        ({"quiet": (time(7), time(7))}, "same time"),
        ({"time_zone": "Skerra/Brackwater"}, "no IANA time zone"),
        ({"digest_at": (time(7, tzinfo=UTC),)}, "without a zone"),
    ):
        with pytest.raises(InputError, match=words):
            channel(**wrong)


def store_changes(store: Store, changes: list[Change], *channels: Channel) -> None:
    """Save changes as passes do."""
    for number, each in enumerate(changes):
        store.save_pass(
            record(
                number,
                changes=(each,),
                deliveries=plan_deliveries([each], channels),
                held_until=holds([each], channels),
            )
        )


def run(store: Store, moment: datetime, *channels: Channel) -> DeliveryReport:
    return deliver_pending(store, channels, SITES, SimulatedClock(moment))


def told(report: DeliveryReport) -> list[tuple[str, str]]:
    return [(a.message.title.split(" Thu")[0], a.channel) for a in report.of(Result.SENT)]


def test_of_a_held_story_only_the_last_word_is_told(store: Store) -> None:
    """Opened and weaker in the night: in the morning one notice, that it is open."""
    with Sink() as sink:
        phone = channel(url=sink.url, quiet=NIGHT)
        later = NOW + timedelta(hours=1)
        story = [change(OPENED, key="a"), change(WEAKER, key="b", found_utc=later)]
        store_changes(store, story, phone)
        assert run(store, later, phone).attempts == ()
        report = run(store, utc(2026, 5, 5, 9), phone)
        assert told(report) == [("OPEN Millfield", "phone")]
        assert [why for *_, why in report.skipped] == [
            "overtaken by a later change while it was held"
        ]
        assert run(store, utc(2026, 5, 6, 12), phone).attempts == ()
    (notice,) = sink.received
    assert "This is the first notice of this window here." in notice["message"]
    assert "Held back: found 4 h ago." in notice["message"]
    (first,) = store.deliveries("a")
    assert first.state is DeliveryState.SKIPPED


def test_a_window_that_came_and_went_in_the_night_wakes_nobody(store: Store) -> None:
    with Sink() as sink:
        phone = channel(url=sink.url, quiet=NIGHT)
        later = NOW + timedelta(hours=1)
        store_changes(store, [change(OPENED, key="a")], phone)
        store_changes(store, [], phone)
        store.save_changes(
            "skerra demo",
            [change(CLOSED, key="b", found_utc=later)],
            [("b", "phone")],
            holds([change(CLOSED, key="b", found_utc=later)], [phone]),
        )
        for hour in (5, 9, 12):
            run(store, utc(2026, 5, 5, hour), phone)
    assert sink.received == []
    states = [store.deliveries(key)[0].state for key in "ab"]
    assert states == [DeliveryState.SKIPPED] * 2


def test_hold_advice_is_for_those_who_heard_of_the_window(store: Store) -> None:
    """It waits for no morning, and does not count as having heard."""
    with Sink() as sink:
        picky = channel(url=sink.url, from_chance=0.9, quiet=NIGHT)
        hold, night = ChangeKind.HOLD_ADVICE, NOW
        assert due_at(picky, change(hold)) == night
        store_changes(store, [change(OPENED, key="a"), change(hold, key="b")], picky)
        run(store, utc(2026, 5, 5, 9), picky)
        assert sink.received == []
        likely = change(ChangeKind.STRONGER, key="c", after=window(chance=0.95))
        store.save_changes("skerra demo", [likely], [("c", "phone")])
        told_then = run(store, utc(2026, 5, 5, 9), picky)
    assert told(told_then) == [("OPEN Millfield", "phone")]
    assert "first notice of this window here" in sink.received[0]["message"]


def test_hold_advice_is_not_tried_again_after_the_last_launch_hour(store: Store) -> None:
    """Neither on the channel that failed until then, nor on the one that is told instead."""
    near = at(9) - timedelta(minutes=30)  # the last launch hour is 09 UTC
    dead = f"json://127.0.0.1:{free_port()}/"
    phone, mail = channel(url=dead, fallback="mail"), channel(name="mail", url=dead)
    hold = change(ChangeKind.HOLD_ADVICE, key="b", found_utc=near)
    store_changes(store, [change(OPENED, key="a", found_utc=near), hold], phone)
    for minutes in range(0, 29, 2):
        run(store, near + timedelta(minutes=minutes), phone, mail)
    assert {row.channel: row.state for row in store.deliveries("b")} == {
        "phone": DeliveryState.FAILED,
        "mail": DeliveryState.PENDING,
    }
    with Sink() as sink:
        for minutes in range(30, 120, 10):
            run(store, near + timedelta(minutes=minutes), channel(name="mail", url=sink.url))
    assert ["OPEN" in n["title"] for n in sink.received] == [True], "it is of use still"
    (mailed,) = [row for row in store.deliveries("b") if row.channel == "mail"]
    assert mailed.state is DeliveryState.SKIPPED
    assert "nothing to hold for" in str(mailed.error)


@pytest.mark.parametrize(("minutes", "told_then"), [(-1, True), (0, False), (30, False)])
def test_hold_advice_goes_out_before_the_last_launch_hour_only(
    store: Store, minutes: int, told_then: bool
) -> None:
    dead = channel(url=f"json://127.0.0.1:{free_port()}/")
    hold = change(ChangeKind.HOLD_ADVICE, key="b", found_utc=at(8))
    store_changes(store, [hold], dead)
    assert [a.result for a in run(store, at(8), dead).attempts] == [Result.LATER]
    with Sink() as sink:
        run(store, at(9) + timedelta(minutes=minutes), channel(url=sink.url))
    assert bool(sink.received) is told_then


def test_what_was_held_comes_in_one_message(store: Store) -> None:
    other = window(uid="highmoor-x", site="Highmoor", start_utc=at(4), best_hour_utc=at(5))
    with Sink() as sink:
        phone = channel(url=sink.url, digest_at=(time(7),))
        story = [
            change(OPENED, key="aaa"),
            change(OPENED, key="bbb", site="Highmoor", window_uid="highmoor-x", after=other),
        ]
        store_changes(store, story, phone)
        report = run(store, utc(2026, 5, 5, 9), phone)
    assert [a.result for a in report.attempts] == [Result.SENT]
    (notice,) = sink.received
    assert notice["title"] == "2 NOTICES: 2 open"
    first, second, last = notice["message"].split("\n\n")
    assert last == "Forecasts, no permissions."
    assert first.startswith("OPEN Highmoor Thu 7 May 02:00 to 07:00 local\nScore 78, ")
    assert "[bbb]" in first
    assert "[aaa]" in second
    assert all(store.deliveries(k)[0].state is DeliveryState.SENT for k in ("aaa", "bbb"))


def test_closed_is_told_at_once_to_whom_was_told_that_it_is_open(store: Store) -> None:
    with Sink() as sink:
        phone = channel(url=sink.url, digest_at=(time(7),), from_chance=0.7)
        store_changes(store, [change(OPENED, key="a")], phone)
        assert told(run(store, utc(2026, 5, 5, 9), phone)) == [("OPEN Millfield", "phone")]
        gone = change(CLOSED, key="b", found_utc=utc(2026, 5, 5, 10), before=window(chance=0.1))
        store.save_changes("skerra demo", [gone], [("b", "phone")], holds([gone], [phone]))
        assert told(run(store, utc(2026, 5, 5, 10), phone)) == [("CLOSED Millfield", "phone")]


def test_a_failing_channel_falls_back_and_says_so(store: Store) -> None:
    with Sink() as sink:
        phone = channel(url=f"json://127.0.0.1:{free_port()}/", fallback="mail")
        mail = channel(name="mail", url=sink.url, kinds=frozenset())
        store_changes(store, [change(OPENED, key="a"), change(CLOSED, key="b")], phone, mail)
        clock = NOW
        for _ in range(40):  # ten minutes: not yet long enough
            run(store, clock, phone, mail)
            clock += timedelta(seconds=15)
        assert sink.received == []
        while not sink.received and clock < NOW + timedelta(hours=1):
            run(store, clock, phone, mail)
            clock += timedelta(seconds=15)
        assert timedelta(minutes=15) <= clock - NOW <= timedelta(minutes=31)
        for _ in range(10):  # what came after it does not wait so long again
            run(store, clock, phone, mail)
            clock += timedelta(seconds=15)
    assert ["OPEN" in n["title"] or "CLOSED" in n["title"] for n in sink.received] == [True, True]
    assert all("Told here because phone does not work." in n["message"] for n in sink.received)
    for key in "ab":
        by = {row.channel: row for row in store.deliveries(key)}
        assert by["mail"].state is DeliveryState.SENT
        assert by["phone"].state is DeliveryState.FAILED
        assert str(by["phone"].error).endswith("; told on mail instead")


def test_jitter_only_ever_adds(store: Store) -> None:
    rules = RetryRules()
    plain = next_try(3, due_utc=NOW, now_utc=NOW, rules=rules)
    most = next_try(3, due_utc=NOW, now_utc=NOW, rules=rules, chance=1.0)
    assert plain == NOW + timedelta(seconds=120)
    assert most == NOW + timedelta(seconds=144)
