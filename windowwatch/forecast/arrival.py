"""When cycles are due: from the table at first, then from how they came in. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from statistics import median

from windowwatch.forecast.catalogue import Model
from windowwatch.forecast.ledger import CycleState

#: An arrival is known well enough when the looks before and after it are this near together.
_BRACKET = timedelta(minutes=30)
#: How many arrivals are remembered, and from how many on they are believed.
_REMEMBERED, _ENOUGH = 12, 3
#: First steps are asked for a little before they are commonly there.
_EARLY = 0.95


@dataclass(frozen=True)
class Due:
    """When a cycle should be complete, and from how many arrivals that is known (0: table)."""

    at_utc: datetime
    learned_from: int


def cycles_between(model: Model, since_utc: datetime, now_utc: datetime) -> list[datetime]:
    """Cycles that began in a span of time, the newest first."""
    day = since_utc.replace(hour=0, minute=0, second=0, microsecond=0)
    found = []
    while day <= now_utc:
        found += [day + timedelta(hours=hour) for hour in sorted(model.steps)]
        day += timedelta(days=1)
    return [cycle for cycle in reversed(found) if since_utc <= cycle <= now_utc]


def first_due(model: Model, cycle_utc: datetime) -> datetime:
    """From when on the first steps of a cycle are worth asking for."""
    return cycle_utc + timedelta(minutes=_EARLY * model.after_min(cycle_utc.hour)[0])


def complete_due(model: Model, states: Sequence[CycleState], cycle_utc: datetime) -> Due:
    """When a cycle should be complete, by how earlier ones of the same hour came in.

    Where too few of that hour are known, all hours count together; where too few in all, the
    table does. The middle of the bracket counts as the arrival, the median as the rule.
    """
    delays = {
        state.cycle_utc: (state.absent_utc + (state.complete_utc - state.absent_utc) / 2)
        - state.cycle_utc
        for state in states
        if state.absent_utc is not None
        and state.complete_utc is not None
        and state.cycle_utc != cycle_utc
        and state.complete_utc - state.absent_utc <= _BRACKET
    }
    same_hour = {at: d for at, d in delays.items() if at.hour == cycle_utc.hour}
    known = same_hour if len(same_hour) >= _ENOUGH else delays
    newest = [known[at] for at in sorted(known, reverse=True)[:_REMEMBERED]]
    if len(newest) < _ENOUGH:
        return Due(cycle_utc + timedelta(minutes=model.after_min(cycle_utc.hour)[1]), 0)
    seconds = median(delay.total_seconds() for delay in newest)
    return Due(cycle_utc + timedelta(seconds=seconds), len(newest))


def next_words(model: Model, states: Sequence[CycleState], now_utc: datetime) -> str:
    """When the next cycle is looked for and should be complete, in words."""
    ahead = cycles_between(model, now_utc - timedelta(hours=24), now_utc + timedelta(hours=24))
    done = {state.cycle_utc for state in states if state.complete_utc is not None}
    waiting = [c for c in reversed(ahead) if c not in done and c > max(done, default=c)]
    if not waiting:
        waiting = [c for c in reversed(ahead) if first_due(model, c) > now_utc]
    cycle = waiting[0]
    due = complete_due(model, states, cycle)
    how = f"as {due.learned_from} before it" if due.learned_from else "as commonly seen"
    look = max(first_due(model, cycle), now_utc)
    return (
        f"next look for cycle {cycle:%Y-%m-%d %HZ} about {look:%H:%M} UTC; complete about "
        f"{due.at_utc:%H:%M} UTC, {how}"
    )
