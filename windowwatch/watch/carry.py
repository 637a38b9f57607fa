"""Hours that a cycle has not come to yet keep the answer of the cycle before, marked. Pure."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta

from windowwatch.scoring.values import Hour
from windowwatch.windows.window import is_unread

#: A flight and its landing may need weather so long after the launch hour.
FLIGHT_NEEDS = timedelta(hours=9)


def carry_over(
    hours: Sequence[Hour],
    earlier: Sequence[Hour],
    *,
    earlier_cycle: str,
    reaches_utc: datetime,
) -> tuple[tuple[Hour, ...], int]:
    """Put earlier answers in the place of hours beyond what has come of a cycle.

    Only an hour that could not be read, and whose weather may lie after `reaches_utc`, is
    replaced, and only by one that could; everything else stays as the newest cycle says.

    Parameters
    ----------
    hours, earlier : sequence of Hour
        Of the newest cycle, and as stored before it.
    earlier_cycle : str
        Id of the cycle of `earlier`; hours that were carried over already name their own.
    reaches_utc : datetime
        Last time for which there is weather.

    Returns
    -------
    hours : tuple of Hour
    carried : int
        How many were replaced.
    """
    known = {(hour.site, hour.time_utc): hour for hour in earlier}
    made: list[Hour] = []
    carried = 0
    for hour in hours:
        old = known.get((hour.site, hour.time_utc))
        beyond = hour.time_utc + FLIGHT_NEEDS > reaches_utc
        if beyond and is_unread(hour) and old is not None and not is_unread(old):
            made.append(replace(old, from_cycle=old.from_cycle or earlier_cycle))
            carried += 1
        else:
            made.append(hour)
    return tuple(made), carried
