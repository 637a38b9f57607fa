"""Phrases that reasons are made of. Times are read in the zone they carry."""

from collections.abc import Iterable
from datetime import datetime, timedelta

from windowwatch.scoring.chance import percent as percent  # said one way everywhere

_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_POINTS = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")


def day_and_time(moment: datetime) -> str:
    """Read a time aloud in its own zone: ``Thu 7 06:00`` (day name, day of month, time)."""
    return f"{_DAYS[moment.weekday()]} {moment.day} {moment:%H:%M}"


def span(first: datetime, last: datetime) -> str:
    """Read a span aloud, both ends included: the second day is only named where it differs.

    Examples
    --------
    >>> from datetime import UTC
    >>> span(datetime(2026, 5, 7, 6, tzinfo=UTC), datetime(2026, 5, 7, 9, tzinfo=UTC))
    'Thu 7 06:00 to 09:00'
    """
    if first == last:
        return day_and_time(first)
    end = f"{last:%H:%M}" if first.date() == last.date() else day_and_time(last)
    return f"{day_and_time(first)} to {end}"


def runs_of(times: Iterable[datetime], step: timedelta) -> list[tuple[datetime, datetime]]:
    """Launch hours joined to runs of neighbours: first and last of each."""
    runs: list[tuple[datetime, datetime]] = []
    for moment in sorted(times):
        if runs and moment <= runs[-1][1] + step:
            runs[-1] = (runs[-1][0], moment)
        else:
            runs.append((moment, moment))
    return runs


def length(duration: timedelta) -> str:
    """Read a length of time aloud: ``2 h``, ``45 min``, ``1 h 30 min``."""
    minutes = round(abs(duration.total_seconds()) / 60.0)
    hours, rest = divmod(minutes, 60)
    parts = [f"{hours} h"] if hours else []
    if rest or not hours:
        parts.append(f"{rest} min")
    return " ".join(parts)


def go_words(go_hours: int | None, good_hours: int | None) -> str:
    """``1 of 5 launch hours is go, the rest caution``; empty when all are go or none is known."""
    if go_hours is None or not good_hours or go_hours >= good_hours:
        return ""
    if go_hours == 0:
        return "all launch hours are caution" if good_hours > 1 else "the launch hour is caution"
    return (
        f"{go_hours} of {good_hours} launch hours {'is' if go_hours == 1 else 'are'} go, "
        "the rest caution"
    )


def compass(bearing_deg: float) -> str:
    """Name the nearest of the eight points of the compass."""
    return _POINTS[round((bearing_deg % 360.0) / 45.0) % 8]


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
