"""Times at which airspace is active: by every minute of a zone's clock, and by dateutil."""

import json
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest
import shapely
from dateutil.rrule import WEEKLY, rrule

from windowwatch.errors import GroundError, InputError
from windowwatch.ground.activity import read_activity
from windowwatch.ground.geojson import read_airspace
from windowwatch.ground.query.activity import Weekly, merged
from windowwatch.ground.query.airspace import Airspace, AirspaceKind, Level, Paths, Volume
from windowwatch.wording.rules import times_words

BOX = [[-35.1, 45.9], [-34.9, 45.9], [-34.9, 46.1], [-35.1, 46.1], [-35.1, 45.9]]
OFFICE = {"days": "Mon-Fri", "from": "08:00", "until": "17:00", "zone": "Europe/Berlin"}
NIGHT = {"days": ["Fri", "Sat"], "from": "22:30", "until": "05:15", "zone": "America/New_York"}
SHORT = {"days": "daily", "from": "02:15", "until": "02:45", "zone": "Europe/Berlin"}
WHOLE = {"days": "Sat-Sun", "from": "00:00", "until": "24:00", "zone": "Australia/Lord_Howe"}
IN_UTC = {"days": ["Wed", "Sun-Mon"], "from": "23:00", "until": "01:00", "zone": "UTC"}


def weekly(given: dict[str, Any]) -> Weekly:
    (found,) = read_activity("here", [given])[1]
    return found


def by_every_minute(times: Weekly, minutes: range) -> set[int]:
    """Minutes since 1970 in which a clock of the zone stands between the bounds."""
    zone, found = ZoneInfo(times.zone), set()
    over = times.until_min <= times.from_min
    for minute in minutes:
        local = datetime.fromtimestamp(60 * minute, zone)
        at, today = 60 * local.hour + local.minute, local.date()
        begun = today if at >= times.from_min else today - timedelta(days=1)
        if over:
            inside = at >= times.from_min or at < times.until_min
        else:
            inside = times.from_min <= at < times.until_min
        early = times.first_day is not None and begun < times.first_day
        late = times.last_day is not None and begun > times.last_day
        if inside and begun.weekday() in times.days and not early and not late:
            found.add(minute)
    return found


def covered(times: Weekly, minutes: range) -> set[int]:
    spans = times.between(60.0 * minutes[0], 60.0 * minutes[-1])
    return {m for a, b in spans for m in range(int(a // 60), int(b // 60))} & set(minutes)


def changes_of(zone: str, minutes: range) -> list[int]:
    """Minutes at which the clock is put on or back."""
    offsets = [datetime.fromtimestamp(60 * m, ZoneInfo(zone)).utcoffset() for m in minutes]
    return [minutes[i] for i in range(1, len(offsets)) if offsets[i] != offsets[i - 1]]


@pytest.mark.parametrize("given", [OFFICE, NIGHT, SHORT, WHOLE, IN_UTC])
@pytest.mark.parametrize("month", [3, 4, 6, 10, 11])
def test_every_minute_is_as_the_clock_of_the_zone_says(given: dict[str, Any], month: int) -> None:
    """Never too short; and too long by the change of the clock, in that night alone."""
    times = weekly(given)
    first = int(datetime(2026, month, 1, tzinfo=UTC).timestamp()) // 60
    minutes = range(first, first + 31 * 24 * 60)
    expected, found = by_every_minute(times, minutes), covered(times, minutes)
    assert expected <= found
    more = found - expected
    changes = changes_of(times.zone, minutes)
    assert all(any(abs(minute - change) <= 120 for change in changes) for minute in more)
    assert len(more) <= 2 * 60 * len(changes)
    if not changes:
        assert more == set()


def test_between_dates_it_begins_on_none_outside() -> None:
    times = weekly({**NIGHT, "first_day": "2026-05-08", "last_day": "2026-05-16"})
    minutes = range(
        int(datetime(2026, 5, 1, tzinfo=UTC).timestamp()) // 60,
        int(datetime(2026, 6, 1, tzinfo=UTC).timestamp()) // 60,
    )
    assert covered(times, minutes) == by_every_minute(times, minutes)
    begins = [datetime.fromtimestamp(a, ZoneInfo(times.zone)) for a, _ in times.between(
        60.0 * minutes[0], 60.0 * minutes[-1])]  # fmt: skip
    assert [each.date() for each in begins] == [
        date(2026, 5, 8), date(2026, 5, 9), date(2026, 5, 15), date(2026, 5, 16),
    ]  # fmt: skip


def test_ten_years_of_it_begin_as_the_rule_of_rfc_5545_does() -> None:
    """FREQ=WEEKLY;BYDAY=MO,TU,WE,TH,FR as dateutil expands it; no bound meets a changed clock."""
    zone = ZoneInfo("Europe/Berlin")
    first, last = datetime(2016, 1, 1, tzinfo=zone), datetime(2026, 1, 1, tzinfo=zone)
    starts = rrule(WEEKLY, byweekday=range(5), dtstart=first.replace(hour=8), until=last)
    expected = [each.timestamp() for each in starts]
    ends = (first.timestamp(), last.timestamp())
    found = [a for a, _ in weekly(OFFICE).between(*ends) if ends[0] <= a <= ends[1]]
    assert found == expected
    assert len(found) > 2600


def test_only_what_touches_the_time_asked_is_given() -> None:
    times = weekly(NIGHT)
    late = datetime(2026, 5, 9, 9, 0, tzinfo=UTC).timestamp()  # 05:00 of Saturday there
    assert len(list(times.between(late, late))) == 1, "it began the evening before"
    later = datetime(2026, 5, 9, 9, 16, tzinfo=UTC).timestamp()
    assert list(times.between(later, later)) == []


def test_spans_that_meet_are_one() -> None:
    assert merged([(5.0, 7.0), (0.0, 2.0), (2.0, 3.0), (6.0, 6.5)]) == ((0.0, 3.0), (5.0, 7.0))
    daily = {"days": "daily", "from": "00:00", "until": "24:00", "zone": "Europe/Berlin"}
    box = Volume("v", AirspaceKind.CLOSED, shapely.Polygon(BOX), Level(0.0), Level(1e4),
                 *read_activity("here", [daily]))  # fmt: skip
    year = [datetime(2026, m, 1, tzinfo=UTC).timestamp() for m in (1, 12)]
    assert len(box.active_within(*year)) == 1, "no gap where the clock is changed"


def test_flights_and_places_meet_it_only_while_it_is_active() -> None:
    """Through the box at 2000 m every hour of a fortnight, over the end of summer time."""
    volume = Volume("v", AirspaceKind.CLOSED, shapely.Polygon(BOX), Level(0.0), Level(3000.0),
                    *read_activity("here", [OFFICE]))  # fmt: skip
    begin = datetime(2026, 10, 20, tzinfo=UTC).timestamp() + 3600.0 * np.arange(14 * 24)
    shape = (begin.size, 2)
    paths = Paths(
        np.broadcast_to([-35.01, -34.99], shape), np.full(shape, 46.0), np.full(shape, 2000.0),
        begin[:, None] + [60.0, 120.0], lambda at: (np.full(at[0].size, np.nan),) * 2,
        np.full(begin.size, 2),
    )  # fmt: skip
    crossed = Airspace([volume]).crossed(paths)[:, 0]
    local = [datetime.fromtimestamp(each, ZoneInfo("Europe/Berlin")) for each in begin]
    expected = [each.weekday() < 5 and 8 <= each.hour < 17 for each in local]
    assert crossed.tolist() == expected
    assert 0 < sum(expected) < len(expected)
    here = np.array([46.0]), np.array([-35.0]), np.array([0.0])
    shut = [
        bool(Airspace([volume]).closed_at(*here, (t + 60.0, t + 120.0))[0]) for t in begin.tolist()
    ]
    assert shut == expected


def test_a_file_may_have_both_and_check_says_when(tmp_path: Path) -> None:
    dates = {"from_utc": "2026-05-09T06:00Z", "until_utc": "2026-05-09T20:00Z"}
    about = {"name": "Range", "kind": "closed", "floor_m": 0, "ceiling_ft": 9000,
             "active": [OFFICE, dates, {**NIGHT, "first_day": "2026-04-01"}]}  # fmt: skip
    path = tmp_path / "air.geojson"
    path.write_text(json.dumps({"type": "FeatureCollection", "features": [
        {"type": "Feature", "properties": about,
         "geometry": {"type": "Polygon", "coordinates": [BOX]}}]}))  # fmt: skip
    (volume,) = read_airspace(path)[0].volumes
    now = datetime(2026, 6, 1, tzinfo=UTC)
    assert times_words(volume, now) == (
        "Range: closed Mon to Fri 08:00 to 17:00 (Europe/Berlin); Fri, Sat 22:30 to 05:15 of the "
        "next day (America/New_York) from 2026-04-01; on 1 date, none of them to come"
    )
    assert not volume.is_over(now.timestamp())
    over = weekly({**OFFICE, "last_day": "2026-05-30"})
    ended = Volume("v", volume.kind, volume.shape, volume.floor, volume.ceiling, (), (over,))
    assert ended.is_over(now.timestamp() + 2 * 86_400.0)
    assert not ended.is_over(now.timestamp() - 3 * 86_400.0)


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"days": "Mo-Fr"}, r"days has 'Mo-Fr'; write Mon, Tue"),
        ({"days": []}, "days is empty"),
        ({"days": [1]}, "days has 1; write Mon"),
        ({"from": "8:00"}, "from is '8:00'; write it as 08:00"),
        ({"from": "24:00"}, "from is '24:00'; write it as 08:00"),
        ({"until": "24:01"}, "until is '24:01'; write it as 17:00, 24:00 at most"),
        ({"until": 17}, "until is 17; write it as 17:00"),
        ({"until": "08:00"}, "until is the same as from; a whole day is from 00:00 until 24:00"),
        ({"zone": "Berlin"}, "zone is 'Berlin'; write it as \"Europe/Berlin\", or \"UTC\""),
        ({"zone": "../../etc/passwd"}, "zone is '../../etc/passwd'; write it as"),
        ({"zone": "Europe"}, "zone is 'Europe'; write it as"),
        ({"zone": None}, "zone is None; write it as"),
        ({"first_day": "2026-13-01"}, "first_day is '2026-13-01'; write it as 2026-04-01"),
        ({"first_day": "2026-05-02", "last_day": "2026-05-01"}, "first_day 2026-05-02 is after"),
        ({"holidays": "closed"}, "holidays does not belong there; keys are days, from, until"),
        ({"from_utc": "2026-05-05T06:00Z"}, "from_utc does not belong there"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_named_with_its_fix(changed: dict[str, Any], said: str) -> None:
    with pytest.raises(GroundError, match=rf"^air\.geojson: active 1: .*{said}"):
        read_activity("air.geojson", [{**OFFICE, **changed}])


@pytest.mark.parametrize("key", ["days", "from", "until", "zone"])
def test_what_is_missing_is_named(key: str) -> None:
    given = {name: value for name, value in OFFICE.items() if name != key}
    with pytest.raises(GroundError, match=rf"active 1: has no {key}; times of the week are"):
        read_activity("air.geojson", [given])


def test_what_no_file_can_say_is_refused_too() -> None:
    nowhere: tuple[int, ...] = ()
    for days, first, last in (
        (nowhere, 60, 120),
        ((7,), 60, 120),
        ((0,), -1, 120),
        ((0,), 9, 1441),
    ):
        with pytest.raises(InputError):
            Weekly(days, first, last, "UTC")
