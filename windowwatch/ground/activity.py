"""When a volume of air is active, as a map file says it: dates, and times of the week.

- ``{"from_utc": "2026-05-05T06:00Z", "until_utc": "2026-05-05T20:00Z"}``,
- ``{"days": "Mon-Fri", "from": "08:00", "until": "17:00", "zone": "Europe/Berlin"}``, where wished
  with ``first_day`` and ``last_day``. Days are a span, one day, a list of either, or "daily".

Every error names the place, the key and the fix.
"""

from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from windowwatch.errors import GroundError, InputError
from windowwatch.ground.query.activity import DAY_NAMES, MINUTES_OF_DAY, Span, Weekly

_NUMBERS = {name.lower(): number for number, name in enumerate(DAY_NAMES)}
_DAILY = "daily"
_DATED, _WEEKLY = ("from_utc", "until_utc"), ("days", "from", "until", "zone")
_BETWEEN = ("first_day", "last_day")
_HOW = (
    '{"from_utc": …, "until_utc": …} or {"days": "Mon-Fri", "from": "08:00", "until": "17:00", '
    '"zone": "Europe/Berlin"}'
)


def read_activity(place: str, given: Any) -> tuple[tuple[Span, ...], tuple[Weekly, ...]]:
    """Dates and times of the week on which a volume is active; both empty: always.

    Parameters
    ----------
    place : str
        File and feature, for errors.
    given : object
        The value of ``active``; None where there is none.

    Raises
    ------
    GroundError
        If it is no such list.
    """
    if given is None:
        return (), ()
    if not isinstance(given, list) or not given:
        raise GroundError(
            f'{place}: "active" must be a list of {_HOW}; leave it out where the volume is always '
            "active"
        )
    dated: list[Span] = []
    weekly: list[Weekly] = []
    for number, each in enumerate(given, start=1):
        times = each if isinstance(each, dict) else {}
        here = f"{place}: active {number}"
        if set(times) & {*_WEEKLY, *_BETWEEN}:
            weekly.append(_weekly(here, times))
        else:
            dated.append(_dated(here, times))
    return tuple(dated), tuple(weekly)


def _only(here: str, times: dict[str, Any], keys: tuple[str, ...]) -> None:
    odd = sorted(set(times) - set(keys))
    if odd:
        raise GroundError(
            f"{here}: {_brief(odd[0])} does not belong there; keys are {', '.join(keys)}: each "
            f"entry is {_HOW}"
        )


def _dated(here: str, times: dict[str, Any]) -> Span:
    _only(here, times, _DATED)
    from_utc, until_utc = (_moment(here, key, times.get(key)) for key in _DATED)
    if not from_utc < until_utc:
        raise GroundError(
            f"{here}: from_utc {times['from_utc']} is not before until_utc "
            f"{times['until_utc']}; they may be the wrong way round"
        )
    return from_utc, until_utc


def _moment(here: str, key: str, value: Any) -> float:
    """A time with its offset, as seconds since 1970 UTC."""
    moment = _read(here, key, value, datetime.fromisoformat, "2026-05-05T06:00Z")
    if moment.tzinfo is None:
        raise GroundError(f"{here}: {key} = {value} has no time zone; write {value}Z for UTC")
    return float(moment.astimezone(UTC).timestamp())


def _weekly(here: str, times: dict[str, Any]) -> Weekly:
    _only(here, times, (*_WEEKLY, *_BETWEEN))
    missing = [key for key in _WEEKLY if key not in times]
    if missing:
        raise GroundError(f"{here}: has no {missing[0]}; times of the week are {_HOW}")
    days = tuple(sorted(set(_days(here, times["days"]))))
    zone = _read(here, "zone", times["zone"], _zone, '"Europe/Berlin", or "UTC"')
    first_day, last_day = (
        _read(here, key, times[key], date.fromisoformat, "2026-04-01") if key in times else None
        for key in _BETWEEN
    )
    from_min, until_min = (_minutes(here, key, times[key]) for key in ("from", "until"))
    try:
        return Weekly(days, from_min, until_min, zone, first_day, last_day)
    except InputError as error:
        raise GroundError(f"{here}: {error.message}") from error


def _days(here: str, given: Any) -> Iterator[int]:
    """Numbers of days, of a span, a day, or a list of either."""
    parts = given if isinstance(given, list) else [given]
    if not parts:
        raise GroundError(f'{here}: days is empty; write "Mon-Fri", ["Mon", "Wed"] or "{_DAILY}"')
    for part in parts:
        words = part.strip().lower() if isinstance(part, str) else ""
        first, _, last = ("mon-sun" if words == _DAILY else words).partition("-")
        ends = [_NUMBERS.get(end.strip()) for end in (first, last or first)]
        if ends[0] is None or ends[1] is None:
            raise GroundError(
                f"{here}: days has {_brief(repr(part))}; write {', '.join(DAY_NAMES)}, a span such "
                f'as "Mon-Fri", a list of them, or "{_DAILY}"'
            )
        for more in range((ends[1] - ends[0]) % 7 + 1):
            yield (ends[0] + more) % 7


def _minutes(here: str, key: str, value: Any) -> int:
    """Minutes since midnight; 24:00 is the end of a day."""

    def read(text: str) -> int:
        hours, minutes = text.split(":")
        if len(hours) != 2 or len(minutes) != 2 or not (hours + minutes).isdecimal():
            raise ValueError(text)
        found = 60 * int(hours) + int(minutes)
        most = MINUTES_OF_DAY - 1 if key == "from" else MINUTES_OF_DAY
        if int(minutes) > 59 or found > most:
            raise ValueError(text)
        return found

    return int(_read(here, key, value, read, "08:00" if key == "from" else "17:00, 24:00 at most"))


def _zone(name: str) -> str:
    ZoneInfo(name)
    return name


def _read(here: str, key: str, value: Any, read: Callable[[str], Any], example: str) -> Any:
    """A value that is read from text."""
    try:
        if not isinstance(value, str):
            raise TypeError(value)
        return read(value)
    # a zone that is not there is a KeyError, and one that names a folder an OSError
    except (TypeError, ValueError, KeyError, OSError) as error:
        raise GroundError(
            f"{here}: {key} is {_brief(repr(value))}; write it as {example}"
        ) from error


def _brief(words: str) -> str:
    return words if len(words) <= 60 else f"{words[:57]}…"
