"""Places, heights and times as people say them over a radio, read strictly. Pure."""

import re
from datetime import UTC, datetime, time, timedelta

from windowwatch.errors import InputError

#: How well a place is known that was read out over a radio, and a height. [m]
VOICE_SIGMA_M, VOICE_HEIGHT_SIGMA_M = 60.0, 50.0

_PLACE = "write it as '46.0123, 7.5678', or as '46 00.74 N, 7 34.07 E'"
_ANGLE = re.compile(
    r"(?P<deg>[+-]?\d+(?:\.\d+)?)\s*°?\s*(?:(?P<min>\d+(?:\.\d+)?)\s*['′]?\s*"
    r"(?:(?P<sec>\d+(?:\.\d+)?)\s*(?:\"|″|'')?\s*)?)?(?P<side>[NSEW])?",
    re.IGNORECASE,
)
_HEIGHT = re.compile(r"([+-]?\d[\d,']*(?:\.\d+)?)\s*(m|metres|meters|ft|feet)", re.IGNORECASE)
_CLOCK = re.compile(r"([01]\d|2[0-3]):?([0-5]\d)(?::?([0-5]\d))?\s*(?:Z|UTC)?", re.IGNORECASE)


def place_said(text: str) -> tuple[float, float]:
    """Latitude and longitude of what was said. [deg]

    Raises
    ------
    InputError
        If it is no place, or cannot be one.
    """
    parts = re.split(r"\s*[,;]\s*", text.strip())
    if len(parts) == 1:
        parts = re.split(r"(?<=[NSns])\s+", text.strip())
    if len(parts) == 1:
        parts = text.split()
    if len(parts) != 2:
        raise InputError(f"{text!r} is no place; {_PLACE}")
    (latitude, first), (longitude, second) = (_angle(part, text) for part in parts)
    if first in ("E", "W") or second in ("N", "S"):
        raise InputError(f"{text!r}: say the latitude (N or S) first")
    if not -90.0 <= latitude <= 90.0:
        raise InputError(f"{text!r}: a latitude of {latitude:g} cannot be; say the latitude first")
    if not -180.0 <= longitude <= 180.0:
        raise InputError(f"{text!r}: a longitude of {longitude:g} cannot be; give -180 to 180")
    return latitude, longitude


def _angle(part: str, whole: str) -> tuple[float, str]:
    found = _ANGLE.fullmatch(part.strip())
    if found is None:
        raise InputError(f"{whole!r} is no place; {_PLACE}")
    degrees = float(found["deg"])
    minutes, seconds = float(found["min"] or 0.0), float(found["sec"] or 0.0)
    side = (found["side"] or "").upper()
    if minutes >= 60.0 or seconds >= 60.0:
        raise InputError(f"{whole!r}: minutes and seconds stay below 60")
    if found["min"] and not float(found["deg"]).is_integer():
        raise InputError(f"{whole!r}: give whole degrees where minutes follow")
    if side and found["deg"].startswith("-"):
        raise InputError(f"{whole!r}: give a minus sign or {side}, not both")
    size = abs(degrees) + minutes / 60.0 + seconds / 3600.0
    negative = found["deg"].startswith("-") or side in ("S", "W")
    return (-size if negative else size), side


def height_said(text: str) -> float:
    """Height of what was said, with its unit. [m]

    Raises
    ------
    InputError
        If it has no unit, or is no height.
    """
    found = _HEIGHT.fullmatch(text.strip())
    if found is None:
        raise InputError(f"{text!r} is no height; write it with its unit, as 8200m or 27000ft")
    from windowwatch.units import M_PER_FOOT  # with numpy, which a mistyped word need not wait for

    number = float(re.sub(r"[,']", "", found[1]))
    return number * M_PER_FOOT if found[2].lower().startswith("f") else number


def time_said(text: str, now_utc: datetime) -> datetime:
    """Time of what was said: 06:31 or 063105 is the last such UTC time up to now.

    Raises
    ------
    InputError
        If it is no time.
    """
    said = text.strip()
    if said.lower() == "now":
        return now_utc
    clock = _CLOCK.fullmatch(said)
    if clock is not None:
        of_day = time(int(clock[1]), int(clock[2]), int(clock[3] or 0))
        found = datetime.combine(now_utc.date(), of_day, UTC)
        # a clock that is a little ahead says a time that is still to come
        return found if found <= now_utc + timedelta(minutes=5) else found - timedelta(days=1)
    try:
        moment = datetime.fromisoformat(said)
    except ValueError:
        raise InputError(
            f"{text!r} is no time; write 06:31 (UTC), 2026-05-08T06:31Z, or now"
        ) from None
    if moment.tzinfo is None:
        raise InputError(f"{text!r} has no zone; write {said}Z for UTC, or 06:31 for UTC of today")
    return moment.astimezone(UTC)
