"""Sentences that earlier versions stored in the place of facts, read aloud as they were. Pure.

They carried their times written out in UTC, ``2026-05-07 06:00 UTC``, two of them as ``… UTC to
… UTC``. Nothing newer is read in this way: causes hold their times as values.
"""

import re
from datetime import UTC, datetime

from windowwatch.wording.phrases import Times

_MOMENT = r"(\d{4}-\d{2}-\d{2} \d{2}:\d{2}) UTC"
_WRITTEN = re.compile(rf"{_MOMENT}(?: to {_MOMENT})?")


def read_aloud(text: str, times: Times) -> str:
    """A stored sentence, its times read as `times` reads them.

    Examples
    --------
    >>> from zoneinfo import ZoneInfo
    >>> from windowwatch.wording.phrases import local_to
    >>> read_aloud("Decide by 2026-05-07 06:00 UTC.", local_to(ZoneInfo("America/Noronha")))
    'Decide by Thu 7 04:00 local (06:00 UTC).'
    """

    def read(found: re.Match[str]) -> str:
        first, last = found.group(1), found.group(2) or found.group(1)
        return times(_moment(first), _moment(last))

    return _WRITTEN.sub(read, text)


def _moment(text: str) -> datetime:
    return datetime.strptime(text, "%Y-%m-%d %H:%M").replace(tzinfo=UTC)
