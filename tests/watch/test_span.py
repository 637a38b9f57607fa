"""Launch hours of fixed and rolling spans."""

from datetime import UTC, datetime, timedelta, timezone

import pytest

from windowwatch.errors import InputError
from windowwatch.watch.values import Span

HOUR = timedelta(hours=1)


def utc(day: int, hour: int, minute: int = 0) -> datetime:
    return datetime(2026, 5, day, hour, minute, tzinfo=UTC)


def test_fixed_span_takes_first_and_leaves_last_out() -> None:
    span = Span(HOUR, 6, utc(5, 0), utc(5, 3))
    assert span.hours(utc(4, 0)) == (utc(5, 0), utc(5, 1), utc(5, 2))


def test_hours_gone_by_are_left_out() -> None:
    span = Span(HOUR, 6, utc(5, 0), utc(5, 3))
    assert span.hours(utc(5, 1, 1)) == (utc(5, 2),)
    assert span.hours(utc(5, 2)) == (utc(5, 2),)
    assert span.hours(utc(5, 3)) == ()


def test_rolling_span_starts_at_the_next_whole_step() -> None:
    hours = Span(timedelta(minutes=30), 0.1).hours(utc(5, 10, 10))
    assert hours == (utc(5, 10, 30), utc(5, 11), utc(5, 11, 30), utc(5, 12), utc(5, 12, 30))


def test_local_span_edges_are_understood() -> None:
    zone = timezone(timedelta(hours=-2))
    span = Span(HOUR, 6, datetime(2026, 5, 5, tzinfo=zone), datetime(2026, 5, 6, tzinfo=zone))
    hours = span.hours(utc(1, 0))
    assert (hours[0], hours[-1], len(hours)) == (utc(5, 2), utc(6, 1), 24)


def test_leap_day_has_its_hours() -> None:
    day = datetime(2028, 2, 29, tzinfo=UTC)
    assert len(Span(HOUR, 6, day, day + timedelta(days=1)).hours(day)) == 24


def test_a_time_without_zone_is_refused() -> None:
    with pytest.raises(InputError, match="has no time zone"):
        Span(HOUR, 6).hours(datetime(2026, 5, 5))  # noqa: DTZ001
