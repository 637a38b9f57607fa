"""Times as they are typed with cold hands; what is no time gets one clear answer."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from windowwatch.errors import InputError
from windowwatch.launchday.moments import read_moment

pytestmark = pytest.mark.launchday

#: Two hours behind UTC, without summer time.
NORONHA, LISBON = ZoneInfo("America/Noronha"), ZoneInfo("Europe/Lisbon")
NOW = datetime(2026, 5, 5, 8, 0, tzinfo=UTC)  # 6:00 on the site's clock


@pytest.mark.parametrize(
    ("typed", "wanted"),
    [
        ("9:05", "05 11:05"),
        ("09:05", "05 11:05"),
        ("0905", "05 11:05"),
        ("905", "05 11:05"),
        ("9.05", "05 11:05"),
        ("9h05", "05 11:05"),
        ("9", "05 11:00"),
        ("5:59", "06 07:59"),
        ("0905Z", "05 09:05"),
        ("9:05z", "05 09:05"),
        ("7:59Z", "06 07:59"),
        ("23:30", "06 01:30"),
        ("2026-05-07T09:05", "07 11:05"),
        ("2026-05-07 09:05", "07 11:05"),
        ("2026-05-07T09:05Z", "07 09:05"),
        ("2026-05-07T09:05+02:00", "07 07:05"),
    ],
)
def test_a_time_to_come(typed: str, wanted: str) -> None:
    assert f"{read_moment(typed, NORONHA, NOW):%d %H:%M}" == wanted


@pytest.mark.parametrize(
    ("typed", "wanted"), [("5:59", "05 07:59"), ("6:00", "05 08:00"), ("6:05", "04 08:05")]
)
def test_a_time_that_was(typed: str, wanted: str) -> None:
    assert f"{read_moment(typed, NORONHA, NOW, happened=True):%d %H:%M}" == wanted


@pytest.mark.parametrize(
    "typed", ["", "soon", "25:00", "9:60", "2460", "2026-05-07", "20260507", "-1", "9:5", "1e3"]
)
def test_what_is_no_time(typed: str) -> None:
    with pytest.raises(InputError, match=r"is no time|without a time"):
        read_moment(typed, NORONHA, NOW)


@pytest.mark.parametrize(("day", "how"), [("2026-03-29", "skipped"), ("2026-10-25", "shown twice")])
def test_an_hour_that_clocks_skip_or_show_twice_is_asked_for_in_utc(day: str, how: str) -> None:
    with pytest.raises(InputError, match=how):
        read_moment(f"{day}T01:30", LISBON, NOW)
    assert read_moment(f"{day}T01:30Z", LISBON, NOW)
