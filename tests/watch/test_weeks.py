"""Whole weeks, each with its exact list of changes and deliveries."""

from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from pathlib import Path
from random import Random

from invented import HIGHMOOR, MILLFIELD, against
from sink import Sink
from week import Weather, Week, phone, watch_of

from windowwatch.scoring.values import Site
from windowwatch.storage.store import Store
from windowwatch.windows.causes import (
    BrokeUp,
    CallOff,
    DecideBy,
    Edge,
    EdgeMoved,
    NoForecast,
    SeenGood,
    StillShown,
)
from windowwatch.windows.decisions import Decision

START = datetime(2026, 5, 5, tzinfo=UTC)
DAY = datetime(2026, 5, 7, tzinfo=UTC)  # a Thursday
NIGHT = (0.0, "daylight")


def may_7(hour: int) -> datetime:
    """An hour of the day that most weeks are about. [UTC]"""
    return DAY + timedelta(hours=hour)


def between(start: int, end: int, score: float = 80.0, by: str = "gust") -> Weather:
    """Good from one hour of the day to another, whatever the site and cycle."""

    def weather(_site: str, moment: datetime, _number: int) -> tuple[float, str]:
        return (score, by) if start <= moment.hour < end else NIGHT

    return weather


def test_a_good_week_is_told_once_also_with_noise(store: Store, tmp_path: Path) -> None:
    """Noise of half the hysteresis (5 points of 10): no change beyond the one."""
    random = Random(7)

    def weather(_site: str, moment: datetime, _number: int) -> tuple[float, str]:
        return (75.0 + random.uniform(-2.5, 2.5), "gust") if 6 <= moment.hour < 10 else NIGHT

    with Sink() as sink:
        week = Week(store, watch_of(tmp_path, [MILLFIELD], [phone(sink)]), weather, START, DAY)
        week.run(range(9))
    assert week.found() == [
        ("05 10:00 opened Millfield", SeenGood(2, 4, 4)),
        ("07 03:00 hold advice Millfield", may_7(6), may_7(9), may_7(10)),
    ]
    title = "Millfield Thu 7 May 04:00 to 07:00 local"
    assert week.told == [f"05 10:00 phone: OPEN {title}", f"07 03:00 phone: IF YOU HOLD {title}"]
    assert len(sink.received) == 2


def test_a_week_without_a_window_wakes_nobody(store: Store, tmp_path: Path) -> None:
    with Sink() as sink:
        watch = watch_of(tmp_path, [MILLFIELD, HIGHMOOR], [phone(sink)])
        week = Week(store, watch, between(6, 18, score=45.0), START, DAY, days=3).run(range(8))
    assert (week.found(), week.told, sink.received) == ([], [], [])


def test_closes_on_launch_morning(store: Store, tmp_path: Path) -> None:
    """Read two hours before the window: closed, and nobody acknowledges."""

    def weather(_site: str, moment: datetime, number: int) -> tuple[float, str]:
        if not 6 <= moment.hour < 10:
            return NIGHT
        return (0.0, "precipitation") if number >= 8 else (80.0, "gust")

    with Sink() as sink:
        book = Decision("book the crew", timedelta(hours=24), remind=timedelta(minutes=30))
        watch = watch_of(tmp_path, [MILLFIELD], [phone(sink)], [book])
        week = Week(store, watch, weather, START, DAY).run(range(9))
    crew = DecideBy("book the crew", may_7(-18), timedelta(hours=24), timedelta(hours=3))
    assert week.found() == [
        ("05 10:00 opened Millfield", SeenGood(2, 4, 4)),
        ("06 03:00 decision due Millfield", crew),
        ("06 04:00 decision due Millfield", replace(crew, left=timedelta(hours=2), reminder=1)),
        (
            "06 05:00 decision due Millfield",
            replace(crew, left=timedelta(hours=1), reminder=2, last=True),
        ),
        ("07 03:00 hold advice Millfield", may_7(6), may_7(9), may_7(10)),
        ("07 04:00 closed Millfield", against(0.0, "precipitation")),
        ("07 05:00 decision due Millfield", CallOff(("book the crew",))),
    ]
    title = "Millfield Thu 7 May 04:00 to 07:00 local"
    assert week.told == [
        f"05 10:00 phone: OPEN {title}",
        *(f"06 0{hour}:00 phone: DECISION DUE {title}" for hour in (3, 4, 5)),
        f"07 03:00 phone: IF YOU HOLD {title}",
        f"07 04:00 phone: CLOSED {title}",
        f"07 05:00 phone: DECISION DUE {title}",
    ]


def test_a_provider_silent_for_18_hours(store: Store, tmp_path: Path) -> None:
    """Three cycles are missing, which is told once, after half a cycle of grace; a decision is
    asked all the same; then the window has moved.
    """

    def weather(_site: str, moment: datetime, number: int) -> tuple[float, str]:
        late = 3 if number >= 5 else 0
        return (80.0, "gust") if 6 + late <= moment.hour < 10 + late else NIGHT

    with Sink() as sink:
        gas = Decision("buy gas", timedelta(hours=36), reminders=0)
        watch = watch_of(tmp_path, [MILLFIELD], [phone(sink)], [gas])
        week = Week(store, watch, weather, START, DAY).run([0, 1, 5, 6])
    assert week.found() == [
        ("05 10:00 opened Millfield", SeenGood(2, 4, 4)),
        (
            "05 15:00 decision due Millfield",
            DecideBy("buy gas", may_7(-30), timedelta(hours=36), timedelta(hours=3)),
        ),
        ("05 20:00 forecast late ", NoForecast(may_7(-32)), StillShown(may_7(-42))),
        (
            "06 10:00 moved Millfield",
            EdgeMoved(Edge.START, timedelta(hours=3), (against(*NIGHT),)),
            EdgeMoved(Edge.END, timedelta(hours=3)),
        ),
    ]
    assert week.told[-1] == "06 10:00 phone: LATER Millfield Thu 7 May 07:00 to 10:00 local"
    assert [line for line in week.told if "FORECAST LATE" in line] == [
        "05 20:00 phone: FORECAST LATE"
    ]
    assert len(week.told) == 4


def test_two_fronts(store: Store, tmp_path: Path) -> None:
    """The first breaks the day's window in two, the second takes the afternoon."""

    def weather(_site: str, moment: datetime, number: int) -> tuple[float, str]:
        if not 6 <= moment.hour < 18:
            return NIGHT
        if number >= 3 and 10 <= moment.hour < 13:
            return 0.0, "front"
        if number >= 5 and moment.hour >= 13:
            return 0.0, "precipitation"
        return 80.0, "gust"

    with Sink() as sink:
        channel = phone(
            sink, time_zone="UTC", quiet=(time(2), time(3))
        )  # one that can be kept from
        watch = watch_of(tmp_path, [MILLFIELD], [channel])
        week = Week(store, watch, weather, START, DAY).run(range(7))
    assert week.found() == [
        ("05 10:00 opened Millfield", SeenGood(2, 12, 12)),
        (
            "05 22:00 moved Millfield",
            BrokeUp(((may_7(13), may_7(17)),)),
            EdgeMoved(Edge.END, timedelta(hours=-8), (against(0.0, "front"),)),
        ),
        ("06 10:00 closed Millfield", against(0.0, "precipitation")),
    ]
    assert week.told == [
        "05 10:00 phone: OPEN Millfield Thu 7 May 04:00 to 15:00 local",
        "05 22:00 phone: BROKE UP Millfield Thu 7 May 04:00 to 07:00 local",
        "06 10:00 phone: CLOSED Millfield Thu 7 May 11:00 to 15:00 local",
    ]


LISBON = Site("Vale", 39.0, -8.0, 90.0, "Europe/Lisbon")


def test_the_night_in_which_clocks_go_back(store: Store, tmp_path: Path) -> None:
    """25 October 2026: 01:00 UTC is both 02:00 and 01:00 in Lisbon (EU 2000/84/EC)."""
    with Sink() as sink:
        quiet = phone(sink, time_zone="Europe/Lisbon", quiet=(time(22), time(7)))
        watch = watch_of(tmp_path, [LISBON], [quiet])
        start, day = datetime(2026, 10, 23, 12, tzinfo=UTC), datetime(2026, 10, 25, tzinfo=UTC)
        week = Week(store, watch, between(0, 4), start, day).run(range(5))
    assert week.found() == [
        ("23 22:00 opened Vale", SeenGood(2, 4, 4)),
        ("24 21:00 hold advice Vale", day, day + timedelta(hours=3), day + timedelta(hours=4)),
    ]
    # Found at 23:00 in Lisbon, held until 07:00 there: 06:00 UTC.
    title = "Vale Sun 25 Oct 01:00 to 03:00 local"
    # The advice does not wait for the morning: the launch is in the night.
    assert week.told == [f"24 06:00 phone: OPEN {title}", f"24 21:00 phone: IF YOU HOLD {title}"]
    assert "01:00 to 03:00 local (the clocks change in it)" in sink.received[0]["message"]


def test_a_window_on_leap_day(store: Store, tmp_path: Path) -> None:
    with Sink() as sink:
        watch = watch_of(tmp_path, [MILLFIELD], [phone(sink)])
        start, day = datetime(2028, 2, 27, tzinfo=UTC), datetime(2028, 2, 29, tzinfo=UTC)
        tell = Decision("tell air traffic", timedelta(hours=48), reminders=0)
        watch = watch_of(tmp_path, [MILLFIELD], [phone(sink)], [tell])
        week = Week(store, watch, between(22, 24), start, day, days=2).run(range(4))
    assert week.told == [
        "27 16:00 phone: 2 NOTICES: 2 open",
        "27 19:00 phone: DECISION DUE Millfield Tue 29 Feb 20:00 to 21:00 local",
    ]
    by = datetime(2028, 2, 27, 22, tzinfo=UTC)
    asked = DecideBy("tell air traffic", by, timedelta(hours=48), timedelta(hours=3))
    assert week.found()[-1][1:] == (asked,)


def test_sites_in_different_zones(store: Store, tmp_path: Path) -> None:
    """One UTC window, three local days; a digest at seven in the evening of Kathmandu."""
    tarn = Site("Tarn", 28.0, 84.0, 1400.0, "Asia/Kathmandu")  # UTC+5:45
    isle = Site("Isle", -13.8, -172.0, 5.0, "Pacific/Apia")  # UTC+13
    with Sink() as sink:
        digest = phone(sink, time_zone="Asia/Kathmandu", digest_at=(time(19),))
        watch = watch_of(tmp_path, [MILLFIELD, tarn, isle], [digest])
        week = Week(store, watch, between(20, 23), START, DAY).run(range(7))
    assert [head for head, *_ in week.found()] == [
        f"05 16:00 opened {name}" for name in ("Isle", "Millfield", "Tarn")
    ]
    assert week.told == ["06 14:00 phone: 3 NOTICES: 3 open"], "13:15 UTC, at the next look"
    text = sink.received[0]["message"]
    assert "OPEN Isle Fri 8 May 09:00 to 11:00 local" in text
    assert "OPEN Millfield Thu 7 May 18:00 to 20:00 local" in text
    assert "OPEN Tarn Fri 8 May 01:45 to 03:45 local" in text
