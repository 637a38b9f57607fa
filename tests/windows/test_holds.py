"""What a launch that waits would meet."""

from dataclasses import replace
from datetime import timedelta

import pytest
from geodesic import Geod
from invented import WATCH, against, at, hour, refused, window

from windowwatch.errors import InputError
from windowwatch.scoring.values import Hour, Refusal, RefusalKind, Verdict
from windowwatch.windows.causes import HoldTable, Refused
from windowwatch.windows.holds import advice_key, advise, hold_table, is_due
from windowwatch.windows.values import ChangeKind, Window, WindowState
from windowwatch.wording.causes import hold_words
from windowwatch.wording.phrases import local_to

#: Release 06:00 to 08:30 UTC in steps of 30 min, planned 07:00.
HALF_HOURS = window(end_utc=at(9), step_min=30.0)
MORNING = at(4)


def flown(last_bad: Hour | None = None) -> list[Hour]:
    """Half hours of the morning; landings move 0.1 degrees east with each."""
    hours = [hour(at(6 + 0.5 * n), 80.0 - n, landing=(45.9, -35.5 + 0.1 * n)) for n in range(6)]
    return [*hours, last_bad or hour(at(9), 0.0, landing=(45.9, -34.9))]


def table(hours: list[Hour], made: Window = HALF_HOURS, now: float = 4) -> HoldTable:
    found = hold_table(hours, made, at(now))
    assert found is not None
    return found


def test_rows_are_launch_hours_that_were_flown() -> None:
    found = table(flown())
    assert found.planned.time_utc == at(7), "the window's best hour"
    assert [row.time_utc for row in found.rows] == [at(7.5), at(8), at(8.5), at(9)]
    assert [row.wait for row in found.rows][:2] == [timedelta(minutes=30), timedelta(hours=1)]
    assert [row.good for row in found.rows] == [True, True, True, False]
    assert found.last_good_utc == at(8.5)
    assert found.closing is not None
    assert found.closing == found.rows[-1]
    assert found.closing.why == against()
    assert found.step == timedelta(minutes=30)


def test_where_it_lands_is_counted_on_the_ellipsoid() -> None:
    """Distances and directions by pyproj's geodesic on WGS 84."""
    found = table(flown())
    for n, row in enumerate(found.rows[:3], 3):
        azimuth, _, metres = Geod().inv(-35.3, 45.9, -35.5 + 0.1 * n, 45.9)
        assert row.moved_km == pytest.approx(metres / 1000.0, abs=1e-6)
        assert row.moved_bearing_deg == pytest.approx(azimuth, abs=1e-6)


def test_the_plan_moves_on_when_the_best_hour_has_gone_by() -> None:
    late = table(flown(), now=7.25)
    assert late.planned.time_utc == at(7.5)
    assert table(flown()).as_planned
    assert not late.as_planned
    assert hold_words(late, local_to(None)).startswith("Next good release ")
    assert hold_table(flown(), HALF_HOURS, at(8.75)) is None
    assert hold_table(flown(), window(readable=False), MORNING) is None


def test_an_hour_that_could_not_be_read_is_never_good() -> None:
    hours = flown()
    hours[4] = refused(at(8))
    found = table(hours)
    assert found.closing is not None
    assert (found.closing.verdict, found.closing.good) == (Verdict.UNKNOWN, False)
    assert found.last_good_utc == at(7.5), "what comes after a gap is not counted on"
    assert found.rows[2].good, "but it is shown"
    assert found.closing.why == Refused(
        Refusal(RefusalKind.TOLD, told="the wind at 10 hPa is missing")
    )


def test_a_landing_that_is_not_known_has_no_way() -> None:
    hours = flown()
    hours[3] = replace(hour(at(7.5), 79.0), footprint=None)
    row = table(hours).rows[0]
    assert (row.moved_km, row.moved_bearing_deg) == (None, None)


def test_hours_of_other_sites_and_times_without_zone() -> None:
    others = [hour(at(7.5), site="Highmoor")]
    assert len(table([*flown(), *others]).rows) == 4
    with pytest.raises(InputError):
        hold_table(flown(), HALF_HOURS, MORNING.replace(tzinfo=None))


def test_when_advice_is_due() -> None:
    before = timedelta(hours=3)
    due = [is_due(HALF_HOURS, before, at(h)) for h in (2.9, 3, 8.4, 8.5)]
    assert due == [False, True, True, False]
    assert not is_due(window(state=WindowState.SIGHTED), before, at(4))


def test_advice_is_a_change_with_a_stable_key() -> None:
    made = advise(HALF_HOURS, flown(), at(4), WATCH)
    assert made is not None
    assert made.kind is ChangeKind.HOLD_ADVICE
    assert made.key == advice_key(WATCH, HALF_HOURS.uid)
    again = advise(HALF_HOURS, flown(), at(5), WATCH)
    assert again is not None
    assert again.key == made.key
    assert advise(HALF_HOURS, [], at(4), WATCH) is None
