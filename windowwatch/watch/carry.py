"""Hours that a cycle does not reach, or not yet, keep the answer before, marked. Pure.

Some models run far only every other cycle: without this, each short one between would make
windows that lie beyond it unreadable, and people would be told so.
"""

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta

from windowwatch.forecast.cycle import Cycle
from windowwatch.scoring.values import Hour
from windowwatch.windows.window import is_unread

#: A flight and its landing may need weather so long after the launch hour.
FLIGHT_NEEDS = timedelta(hours=9)
#: An answer is kept for so long: long cycles come every twelve hours, and one may fail.
#: Common practice, no source.
KEPT_FOR = timedelta(hours=24)


def carry_over(
    hours: Sequence[Hour],
    earlier: Sequence[Hour],
    *,
    earlier_cycle: str,
    cycle_utc: datetime,
    reaches_utc: datetime,
) -> tuple[tuple[Hour, ...], int]:
    """Put earlier answers in the place of hours beyond what there is of a cycle.

    Only an hour that could not be read, and whose weather may lie after `reaches_utc`, is
    replaced, and only by one that could and is not older than `KEPT_FOR`; everything else
    stays as the newest cycle says.

    Parameters
    ----------
    hours, earlier : sequence of Hour
        Of the newest cycle, and as stored before it.
    earlier_cycle : str
        Id of the cycle of `earlier`; hours that were carried over already name their own.
    cycle_utc : datetime
        Reference time of the newest cycle.
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
        if not beyond or not is_unread(hour) or old is None or is_unread(old):
            made.append(hour)
            continue
        origin = old.from_cycle or earlier_cycle
        if Cycle.of_id(origin).reference_utc < cycle_utc - KEPT_FOR:
            made.append(hour)
            continue
        made.append(replace(old, from_cycle=origin))
        carried += 1
    return tuple(made), carried
