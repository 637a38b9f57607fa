"""Hours that a cycle does not reach, or not yet, keep the answer before, marked. Pure.

Some models run far only every other cycle: without this, each short one between would make
windows that lie beyond it unreadable, and people would be told so.

That is so for the end of time alone. Where a field is lost, or flights leave the area, nothing
is known of an hour, and no earlier answer may hide it.
"""

from collections.abc import Collection, Sequence
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from windowwatch.forecast.cycle import Cycle
from windowwatch.physics.flights import FlightStatus
from windowwatch.scoring.checks.release import WEATHER_CHECKS
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.scoring.values import Check, Hour, Verdict
from windowwatch.windows.window import is_unread

#: A flight and its landing may need weather so long after the launch hour.
FLIGHT_NEEDS = timedelta(hours=9)
#: An answer is kept for so long: long cycles come every twelve hours, and one may fail.
#: Common practice, no source.
KEPT_FOR = timedelta(hours=24)


#: The check of fronts looks ahead of the launch hour.
_LOOKS_AHEAD = "front"


def past_end(
    hours: Sequence[Hour],
    status: NDArray[np.uint8],
    plan: ScoringPlan,
    *,
    air_until_utc: datetime,
    surface_until_utc: datetime,
) -> frozenset[tuple[str, datetime]]:
    """Hours that could not be read because the cycle ends too early, and for nothing else.

    Parameters
    ----------
    hours : sequence of Hour [N]
        Of one site, as this cycle sees them.
    status : array [N, M, D]
        What became of their flights (`windowwatch.physics.flights.FlightStatus`).
    plan : ScoringPlan
        How many flights may be lost, and how long the site is looked at.
    air_until_utc, surface_until_utc : datetime
        Last step of the weather aloft, and of that near the ground.

    Returns
    -------
    frozenset of (str, datetime)
        Site and launch hour. Among their flights those that ran past the last step are as
        many as all others that were lost, and those others were few enough; every hard check
        that is unknown is answered at another hour, and asks for weather past the last step.
    """
    ends = min(air_until_utc, surface_until_utc)
    within = [hour for hour in hours if hour.time_utc + FLIGHT_NEEDS <= ends]
    answered = {c.name for hour in hours for c in hour.checks if c.verdict is not Verdict.UNKNOWN}
    hold = timedelta(minutes=plan.hold_min)
    found = []
    for hour, each in zip(hours, status, strict=True):
        if not is_unread(hour) or hour.time_utc + FLIGHT_NEEDS <= ends:
            continue
        late = int(np.count_nonzero(each == FlightStatus.LEFT_TIME))
        lost = int(np.count_nonzero(each != FlightStatus.LANDED)) - late
        if lost > min(late, plan.max_lost_share * each.size):
            continue
        held_past = hour.time_utc + hold > surface_until_utc
        unknown = [c for c in hour.checks if c.hard and c.verdict is Verdict.UNKNOWN]
        if not late and not unknown:
            continue
        if within and any(check.name not in answered for check in unknown):
            continue
        if all(_asks_past(check, late=late > 0, held_past=held_past) for check in unknown):
            found.append((hour.site, hour.time_utc))
    return frozenset(found)


def _asks_past(check: Check, *, late: bool, held_past: bool) -> bool:
    """Whether a check that is unknown asks for weather past the last step."""
    if check.name == _LOOKS_AHEAD:
        return True
    return held_past if check.name in WEATHER_CHECKS else late


def carry_over(
    hours: Sequence[Hour],
    earlier: Sequence[Hour],
    *,
    earlier_cycle: str,
    cycle_utc: datetime,
    ended: Collection[tuple[str, datetime]],
) -> tuple[tuple[Hour, ...], int]:
    """Put earlier answers in the place of hours beyond what there is of a cycle.

    Only an hour that could not be read, for no other reason than that the cycle ends, is
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
    ended : collection of (str, datetime)
        Site and launch hour of those that it does not reach, as of `past_end`.

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
        beyond = (hour.site, hour.time_utc) in ended
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
