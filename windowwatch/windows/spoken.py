"""Times inside sentences: stored as one plain written form, read aloud in local time.

A reason is stored for good and read by people in several zones, so it carries its times
written out in UTC, ``2026-05-07 06:00 UTC``, two of them as ``… UTC to … UTC``. Whoever shows
the sentence reads it aloud with `spoken`; whoever forgets to still shows a true time.
"""

import re
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta, tzinfo

from windowwatch.clock import require_utc
from windowwatch.windows.phrases import day_and_time, runs_of, span

_MOMENT = r"(\d{4}-\d{2}-\d{2} \d{2}:\d{2}) UTC"
_WRITTEN = re.compile(rf"{_MOMENT}(?: to {_MOMENT})?")


def written(moment: datetime) -> str:
    """``2026-05-07 06:00 UTC``: how a sentence carries a time.

    Raises
    ------
    InputError
        If it has no zone.
    """
    return f"{require_utc(moment):%Y-%m-%d %H:%M} UTC"


def written_span(first: datetime, last: datetime) -> str:
    """``2026-05-07 06:00 UTC to 2026-05-07 09:00 UTC``; one time where both are the same."""
    return written(first) if first == last else f"{written(first)} to {written(last)}"


def written_runs(times: Iterable[datetime], step: timedelta) -> str:
    """Launch hours as joined spans, from the first to the last of each."""
    return ", ".join(written_span(first, last) for first, last in runs_of(times, step))


def spoken(text: str, zone: tzinfo | None) -> str:
    """Read the times of a sentence aloud in a zone, with UTC once beside each.

    Parameters
    ----------
    text : str
        A sentence, with or without written times.
    zone : tzinfo or None
        Where it is read; None leaves UTC alone.

    Examples
    --------
    >>> from zoneinfo import ZoneInfo
    >>> spoken("Decide by 2026-05-07 06:00 UTC.", ZoneInfo("America/Noronha"))
    'Decide by Thu 7 04:00 local (06:00 UTC).'
    """

    def read(found: re.Match[str]) -> str:
        first, last = found.group(1), found.group(2) or found.group(1)
        return spoken_span(_moment(first), _moment(last), zone)

    return _WRITTEN.sub(read, text)


def spoken_span(first: datetime, last: datetime, zone: tzinfo | None) -> str:
    """``Thu 7 04:00 to 07:00 local (06:00 to 09:00 UTC)``; UTC's day only where it differs.

    Both times are included: the first and the last good release of a window, say.
    """
    first_utc, last_utc = require_utc(first), require_utc(last)
    utc = span(first_utc, last_utc)
    if zone is None or zone is UTC:
        return f"{utc} UTC"
    start, end = first_utc.astimezone(zone), last_utc.astimezone(zone)
    if start.date() == first_utc.date() and end.date() == last_utc.date():
        utc = utc.split(" ", 2)[2]
    clocks = ", the clocks change in it" if start.utcoffset() != end.utcoffset() else ""
    return f"{span(start, end)} local ({utc} UTC{clocks})"


def spoken_moment(moment: datetime, zone: tzinfo | None) -> str:
    """``Thu 7 04:00 local (06:00 UTC)``."""
    return spoken_span(moment, moment, zone)


def clock_moment(moment: datetime, zone: tzinfo | None) -> str:
    """``04:00 local (06:00 UTC)``: a time whose day was just said."""
    day = day_and_time(require_utc(moment).astimezone(zone or UTC))
    return spoken_moment(moment, zone).removeprefix(day.rsplit(" ", 1)[0] + " ")


def _moment(text: str) -> datetime:
    return datetime.strptime(text, "%Y-%m-%d %H:%M").replace(tzinfo=UTC)
