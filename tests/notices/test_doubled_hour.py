"""Quiet hours in the night in which an hour comes twice.

Lisbon 2026: back on 25 October at 01 UTC (EU directive 2000/84/EC): 01:00 to 02:00 comes twice,
first in UTC+1, then in UTC.
"""

from datetime import UTC, datetime, time

from windowwatch.notices.policy import quiet_until
from windowwatch.notices.values import Channel


def _channel(last: time) -> Channel:
    return Channel(
        name="phone", url="json://127.0.0.1:9/", time_zone="Europe/Lisbon", quiet=(time(22), last)
    )


def _utc(hour: int, minute: int = 0, day: int = 25) -> datetime:
    return datetime(2026, 10, day, hour, minute, tzinfo=UTC)


def test_quiet_hours_end_at_the_second_pass() -> None:
    night = _channel(time(1, 30))
    end = _utc(1, 30)  # 01:30 in UTC+0; the first 01:30 is 00:30 UTC
    for moment in (_utc(22, day=24), _utc(0, 29), _utc(0, 30), _utc(0, 59), _utc(1, 29)):
        assert quiet_until(night, moment) == end
    assert quiet_until(night, end) is None


def test_other_ends_of_that_night_stay() -> None:
    assert quiet_until(_channel(time(0, 30)), _utc(22, day=24)) == _utc(23, 30, day=24)
    assert quiet_until(_channel(time(6)), _utc(22, day=24)) == _utc(6)
