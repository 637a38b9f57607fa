"""How well the watch is: how old the forecast is, and what waits. Pure."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo
from enum import StrEnum

from windowwatch.storage.cycles import StoredCycle
from windowwatch.web import words
from windowwatch.web.values import Facts, common_zone


class Condition(StrEnum):
    """What is to be thought of the results."""

    FRESH = "fresh"
    STALE = "stale"  #: the newest cycle is too old to plan by
    EMPTY = "empty"  #: no pass yet


@dataclass(frozen=True)
class Health:
    """State of the watch at a time. Ages are counted from the cycle's reference time."""

    condition: Condition
    now_utc: datetime
    cycle: StoredCycle | None
    age: timedelta | None
    stale_after: timedelta
    pending: Mapping[str, int]
    look_every: timedelta | None
    next_look_in: timedelta | None
    zone: tzinfo | None = None

    @property
    def now_words(self) -> str:
        """The present in the zone that all sites share, UTC beside it; else UTC alone."""
        return words.both_words(self.now_utc, self.zone)

    @property
    def well(self) -> bool:
        """Whether the results may be planned by."""
        return self.condition is Condition.FRESH

    @property
    def forecast_words(self) -> str:
        """Where the forecast is from and how old it is, in one sentence."""
        if self.cycle is None or self.age is None:
            return "No forecast has been passed yet."
        return (
            f"Forecast: model {self.cycle.cycle.model}, cycle of "
            f"{words.utc_words(self.cycle.cycle.reference_utc)}, "
            f"{words.length_words(self.age)} old."
        )

    @property
    def warning(self) -> str:
        """What must be said on every page; empty when all is well."""
        if self.condition is Condition.STALE and self.age is not None:
            return (
                f"This forecast is {words.length_words(self.age)} old. "
                "Do not plan by it before a newer cycle has come."
            )
        return ""


@dataclass(frozen=True)
class ModelState:
    """How well the newest cycle of a model is; `state` says whether it is heard."""

    model: str
    cycle: str
    age: str
    state: str


def model_states(
    facts: Facts, deciding: StoredCycle | None, others: Iterable[StoredCycle], now_utc: datetime
) -> tuple[ModelState, ...]:
    """A row per model, the deciding one first; empty before the first pass.

    Another model is stale when its cycle is older than the deciding one by more than
    `Facts.others_stale_after`: nobody hears it then.
    """
    if deciding is None:
        return ()
    rows = []
    for each in (deciding, *others):
        at = each.cycle.reference_utc
        if each is deciding:
            state = "stale" if now_utc - at > facts.stale_after else "fresh"
            state += ", decides"
        else:
            late = deciding.cycle.reference_utc - at
            state = "stale, not heard" if late > facts.others_stale_after else "fresh, heard"
        age = f"{words.length_words(max(timedelta(0), now_utc - at))} old"
        rows.append(ModelState(each.cycle.model, words.utc_words(at), age, state))
    return tuple(rows)


def health(
    facts: Facts,
    cycle: StoredCycle | None,
    now_utc: datetime,
    *,
    pending: Mapping[str, int],
    next_look_in: timedelta | None = None,
) -> Health:
    """Judge the newest cycle (None before the first pass) at a time."""
    age = None if cycle is None else now_utc - cycle.cycle.reference_utc
    if age is None:
        condition = Condition.EMPTY
    else:
        condition = Condition.STALE if age > facts.stale_after else Condition.FRESH
    return Health(
        condition,
        now_utc,
        cycle,
        age,
        facts.stale_after,
        dict(pending),
        facts.look_every,
        next_look_in,
        common_zone(facts.sites),
    )
