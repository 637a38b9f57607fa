"""Phrases that reasons are made of. Times are UTC: this floor knows no local time."""

from collections.abc import Iterable
from datetime import datetime, timedelta

_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_POINTS = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")


def day_and_time(moment: datetime) -> str:
    """Read a time aloud in its own zone: ``Thu 7 06:00`` (day name, day of month, time)."""
    return f"{_DAYS[moment.weekday()]} {moment.day} {moment:%H:%M}"


def span(start: datetime, end: datetime) -> str:
    """Read a span aloud: the second day is only named where it differs.

    Examples
    --------
    >>> from datetime import UTC
    >>> span(datetime(2026, 5, 7, 6, tzinfo=UTC), datetime(2026, 5, 7, 10, tzinfo=UTC))
    'Thu 7 06:00-10:00'
    """
    last = f"{end:%H:%M}" if start.date() == end.date() else day_and_time(end)
    return f"{day_and_time(start)}-{last}"


def spans_utc(times: Iterable[datetime], step: timedelta) -> str:
    """Read launch hours aloud as joined spans: ``Thu 7 06:00-08:00, Thu 7 10:00-11:00 UTC``."""
    runs: list[tuple[datetime, datetime]] = []
    for moment in sorted(times):
        if runs and moment <= runs[-1][1]:
            runs[-1] = (runs[-1][0], moment + step)
        else:
            runs.append((moment, moment + step))
    return ", ".join(span(start, end) for start, end in runs) + " UTC"


def length(duration: timedelta) -> str:
    """Read a length of time aloud: ``2 h``, ``45 min``, ``1 h 30 min``."""
    minutes = round(abs(duration.total_seconds()) / 60.0)
    hours, rest = divmod(minutes, 60)
    parts = [f"{hours} h"] if hours else []
    if rest or not hours:
        parts.append(f"{rest} min")
    return " ".join(parts)


def compass(bearing_deg: float) -> str:
    """Name the nearest of the eight points of the compass."""
    return _POINTS[round((bearing_deg % 360.0) / 45.0) % 8]


def percent(share: float | None) -> str:
    """Read a share aloud, without rounding doubt away: never 0 % or 100 % unless it is so."""
    if share is None:
        return "not known"
    whole = round(share * 100.0)
    if whole == 100 and share < 1.0:
        return "over 99 %"
    if whole == 0 and share > 0.0:
        return "under 1 %"
    return f"{whole} %"


def sentence(text: str) -> str:
    """Begin with a capital and end with a full stop; an empty text stays empty."""
    text = text.strip()
    if not text:
        return ""
    return text[0].upper() + text[1:] + ("" if text[-1] in ".!?" else ".")


def inside(text: str) -> str:
    """Fit a sentence into another: small first letter (but not of ``CAPE``), no full stop."""
    text = text.strip().rstrip(".")
    return text[0].lower() + text[1:] if text[1:2].islower() else text
