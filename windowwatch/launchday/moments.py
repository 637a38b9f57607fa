"""Times as tired people type them: 9:05, 0905, with a day or a zone where there is one. Pure.

Named rules
-----------
next or last
    A time of day alone is the next one that comes; of what has happened, the last one that was.
local
    Without a zone of its own a time is read in the site's; a Z behind it means UTC.
"""

import re
from datetime import UTC, datetime, timedelta, tzinfo

from windowwatch.clock import require_utc
from windowwatch.errors import InputError

#: Hours and minutes, in one of the ways in which clocks are read out.
_OF_DAY = re.compile(r"^(?:(\d{1,2})[:.hH](\d{2})|(\d{1,2})(\d{2})|(\d{1,2}):?)(Z|z)?$")
_EXAMPLES = "9:05 or 0905 for the site's clock, 0905Z for UTC, or 2026-05-05T09:05Z"
#: What is said to have happened may be so much ahead of this machine's clock.
_AHEAD = timedelta(minutes=1)


def read_moment(text: str, zone: tzinfo, now_utc: datetime, *, happened: bool = False) -> datetime:
    """Aware UTC time of what a person typed.

    Parameters
    ----------
    text : str
    zone : tzinfo
        Of the site.
    now_utc : datetime
    happened : bool
        A time of day is the last one; otherwise the next one.

    Raises
    ------
    InputError
        If it is no time, or one that clocks skip or show twice.

    Examples
    --------
    >>> now = datetime(2026, 5, 5, 8, 0, tzinfo=UTC)
    >>> f"{read_moment('905', UTC, now):%d %H:%M}", f"{read_moment('7:30', UTC, now):%d %H:%M}"
    ('05 09:05', '06 07:30')
    """
    typed, now_utc = text.strip(), require_utc(now_utc)
    found = _OF_DAY.match(typed)
    if found is not None:
        return _of_day(typed, found, zone, now_utc, happened=happened)
    try:
        moment = datetime.fromisoformat(typed.replace("z", "Z").replace(" ", "T", 1))
    except ValueError as error:
        raise _no_time(text) from error
    if re.fullmatch(r"[0-9-]+", typed):
        raise InputError(f"{text!r} is a day without a time; write {_EXAMPLES}")
    return require_utc(moment) if moment.tzinfo is not None else _local(moment, zone, text)


def _no_time(text: str) -> InputError:
    return InputError(f"{text!r} is no time; write {_EXAMPLES}")


def _of_day(
    typed: str, found: re.Match[str], zone: tzinfo, now_utc: datetime, *, happened: bool
) -> datetime:
    hour = int(found[1] or found[3] or found[5])
    minute = int(found[2] or found[4] or 0)
    if hour > 23 or minute > 59:
        raise _no_time(typed)
    where = UTC if found[6] else zone
    today = now_utc.astimezone(where).replace(tzinfo=None)
    plain = today.replace(hour=hour, minute=minute, second=0, microsecond=0)
    days = (0, -1) if happened else (0, 1)
    moment = _local(plain + timedelta(days=days[0]), where, typed)
    late = moment > now_utc + _AHEAD if happened else moment <= now_utc
    return _local(plain + timedelta(days=days[1]), where, typed) if late else moment


def _local(plain: datetime, zone: tzinfo, text: str) -> datetime:
    """UTC of a local time; refused where clocks skip it or show it twice."""
    first, second = (require_utc(plain.replace(tzinfo=zone, fold=fold)) for fold in (0, 1))
    if first != second:
        how = "skipped" if second < first else "shown twice"
        raise InputError(
            f"{text!r}: that hour is {how} when the clocks change; write it in UTC, with a Z behind"
        )
    return first
