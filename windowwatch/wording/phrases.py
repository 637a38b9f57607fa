"""Phrases that texts are made of: times, lengths, shares, names of checks. Pure.

A cause holds its times as UTC; how they are read aloud is for whoever asks for its words:
`local_to` a zone, with UTC beside it, or `written`, in full and in UTC, for logs and for data.
"""

from collections.abc import Callable
from datetime import UTC, datetime, timedelta, tzinfo

from windowwatch.clock import require_utc

#: Reads the first and the last of a span of times aloud, both included; alike for one time.
Times = Callable[[datetime, datetime], str]

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


def written(first: datetime, last: datetime) -> str:
    """``2026-05-07 06:00 UTC to 2026-05-07 09:00 UTC``; one time where both are the same.

    Raises
    ------
    InputError
        If one has no zone.
    """
    ends = [f"{require_utc(each):%Y-%m-%d %H:%M} UTC" for each in (first, last)]
    return " to ".join(dict.fromkeys(ends))


def local_to(zone: tzinfo | None) -> Times:
    """Times read aloud in a zone, with UTC once beside each; None leaves UTC alone."""
    return lambda first, last: spoken_span(first, last, zone)


def spoken_span(
    first: datetime, last: datetime, zone: tzinfo | None, *, utc_beside: bool = True
) -> str:
    """``Thu 7 04:00 to 07:00 local (06:00 to 09:00 UTC)``; UTC's day only where it differs.

    Both times are included: the first and the last good release of a window, say. Without
    `utc_beside` local time stands alone where there is any.
    """
    first_utc, last_utc = require_utc(first), require_utc(last)
    utc = span(first_utc, last_utc)
    if zone is None or zone is UTC:
        return f"{utc} UTC"
    start, end = first_utc.astimezone(zone), last_utc.astimezone(zone)
    if not utc_beside:
        return f"{span(start, end)} local"
    if start.date() == first_utc.date() and end.date() == last_utc.date():
        utc = utc.split(" ", 2)[2]
    clocks = ", the clocks change in it" if start.utcoffset() != end.utcoffset() else ""
    return f"{span(start, end)} local ({utc} UTC{clocks})"


def spoken_moment(moment: datetime, zone: tzinfo | None, *, utc_beside: bool = True) -> str:
    """``Thu 7 04:00 local (06:00 UTC)``."""
    return spoken_span(moment, moment, zone, utc_beside=utc_beside)


def clock_moment(moment: datetime, zone: tzinfo | None, *, utc_beside: bool = True) -> str:
    """``04:00 local (06:00 UTC)``: a time whose day was just said."""
    day = day_and_time(require_utc(moment).astimezone(zone or UTC)).rsplit(" ", 1)[0]
    return spoken_moment(moment, zone, utc_beside=utc_beside).removeprefix(f"{day} ")


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


def length(duration: timedelta) -> str:
    """Read a length of time aloud: ``45 min``, ``1 h 30 min``, ``2 days 7 h`` from two days on."""
    minutes = round(abs(duration.total_seconds()) / 60.0)
    hours, rest = divmod(minutes, 60)
    if hours >= 48:
        days, left = divmod(round(minutes / 60.0), 24)
        return f"{days} days {left} h" if left else f"{days} days"
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


_LABELS = {
    "thunder": "thunder (CAPE)",
    "shear": "wind shear, 10 to 100 m",
    "temperature": "air at the site",
    "daylight": "sun above the horizon",
    "front": "nearest front passage",
    "clearance": "time inside the clearance",
    "extrapolated": "flights above the forecast's top",
    "water": "landings on water",
    "no_landing": "landings where none may be",
    "casualty": "casualty expectation",
    "landing_wind": "wind at landing",
    "road": "distance to a road",
    "landing_daylight": "daylight left at landing",
    "precipitation": "rain or snow",
    "strongest_wind": "strongest wind aloft",
    "coldest_air": "coldest air met",
    "built_up": "landings on built-up land",
    "hazard_line": "landings near hazard lines",
    "forest": "landings in forest",
    "slope": "slope where it lands",
    "crew": "crew at the road, after the landing",
    "walk": "walk from the road",
    "arrival_daylight": "daylight left on arrival",
    "notice": "time left for notice",
    "airspace": "flights through closed airspace",
    "permitted_area": "flights out of the permitted area",
    "battery": "battery beyond the flight",
    "tracker": "tracker beyond the crew's arrival",
    "touchdown": "touch-down speed",
    "landing_height": "height of the landing",
    "freezing_rain": "forecasts with freezing rain",
}


def check_label(name: str) -> str:
    """Name of a check in words."""
    return _LABELS.get(name, name.replace("_", " "))
