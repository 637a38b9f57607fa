"""What other weather models say of an hour, and what that does to its chance. Pure.

Named rules
-----------
the deciding model decides
    Verdict, score, checks and landing are of the deciding model alone. Other models raise or
    lower the chance, and nothing else.
half and half
    The chance is the mean of the deciding model's own chance and the mean of the others': the
    deciding model weighs as much as all others together. That is a linear opinion pool (Stone
    1961, "The opinion pool", Annals of Mathematical Statistics 32, 1339-1342; read of, not
    read): it never goes beyond what the surest of them says.
the interval is the deciding model's own
    `chance_low` and `chance_high` come from the deciding model's flights alone and belong to
    its own chance. Where others have changed the chance they are kept (without the others they
    hold again) and not shown: `chance_interval` gives none. The intervals of the others are not
    pooled with it, as flights of two models are not drawn from one sample.
others open nothing
    Others may raise a chance, but no window opens by that alone: it must be likely enough by
    the deciding model's own chance too (see `windows.window`).
no say
    A model has no say on an hour that it refuses or cannot judge, nor when what it says is
    older than the deciding model's cycle by more than `stale_after`. With no other model
    having a say the chance is the deciding model's own.
who judges less may lower only
    Models differ in what they have: some know no cloud base and no visibility. Such a model is
    asked about the rest (see `watch.opinions`). What it says may lower the chance; where it is
    surer than the deciding model it counts as being just as sure, because it has not judged
    everything that the deciding model has.
between launch hours
    Other models are flown at launch hours alone. A release between two of them is given what
    they say of the nearer one (`heard_at`).
unknown stays unknown
    Where the deciding model gives no chance (data are missing), no other model gives one.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum

import numpy as np

from windowwatch.errors import InputError
from windowwatch.forecast.cycle import Cycle
from windowwatch.physics.earth import bearing_deg, distance_m
from windowwatch.scoring.values import Hour, Opinion, Verdict

#: Share of the deciding model in the chance where others have a say. [1]
OWN_SHARE = 0.5


class Role(StrEnum):
    """Part of a stored cycle among those of its watch.

    Windows, changes and everything called "newest" are of the deciding model; cycles of other
    models have hours only, which are read to say what those models think.
    """

    PRIMARY = "primary"
    OPINION = "opinion"


@dataclass(frozen=True)
class Voice:
    """Another weather model: its newest cycle, and every hour as that cycle sees it."""

    cycle: Cycle
    hours: Sequence[Hour]


def chance_interval(hour: Hour) -> tuple[float, float] | None:
    """The 95 % interval of an hour's chance; None where there is none that belongs to it.

    That is so where other models have changed the chance: see the named rule above.
    """
    if hour.chance is None or hour.chance_low is None or hour.chance_high is None:
        return None
    if hour.own_chance is not None and hour.own_chance != hour.chance:
        return None
    return hour.chance_low, hour.chance_high


#: What the interval of a chance holds: that flights are a sample, and nothing else. The doubt of
#: the forecast is in the chance itself, drawn into the flights.
INTERVAL_HOLDS = "sampling"


def own_view(hour: Hour) -> Hour:
    """An hour as the deciding model alone sees it."""
    if hour.own_chance is None:
        return replace(hour, others=()) if hour.others else hour
    return replace(hour, chance=hour.own_chance, own_chance=None, others=())


def with_opinions(
    hours: Sequence[Hour],
    cycle: Cycle,
    voices: Sequence[Voice],
    stale_after: timedelta,
) -> tuple[Hour, ...]:
    """Hours of the deciding model with what the others say of them.

    Parameters
    ----------
    hours : sequence of Hour
        Of the deciding model; opinions that they carry already are left out and found anew.
    cycle : Cycle
        Which they are of.
    voices : sequence of Voice
        Other models.
    stale_after : timedelta
        An opinion older than the deciding cycle by more than this has no say.

    Raises
    ------
    InputError
        If two voices are of the same model, or one is of the deciding model.
    """
    names = [voice.cycle.model for voice in voices]
    if len({*names, cycle.model}) <= len(names):
        raise InputError(f"models {', '.join((cycle.model, *names))}: each may be named once")
    alone = [own_view(hour) for hour in hours]
    said: list[list[tuple[Opinion, float | None]]] = [[] for _ in alone]
    for voice in sorted(voices, key=lambda each: each.cycle.model):
        theirs = {(hour.site, hour.time_utc): hour for hour in voice.hours}
        pairs = [
            (i, found)
            for i, hour in enumerate(alone)
            if (found := theirs.get((hour.site, hour.time_utc))) is not None
            and _has_say(found, voice.cycle, cycle.reference_utc - stale_after)
        ]
        apart = _apart([alone[i] for i, _ in pairs], [found for _, found in pairs])
        cycle_id = voice.cycle.id
        for (i, found), (km, towards) in zip(pairs, apart, strict=True):
            said_by = voice.cycle.model, found.from_cycle or cycle_id
            opinion = _opinion(found, *said_by, km, towards, _lacking(alone[i], found))
            said[i].append((opinion, _counted(alone[i], opinion)))
    return tuple(
        _combined(hour, [o for o, _ in opinions], [c for _, c in opinions if c is not None])
        for hour, opinions in zip(alone, said, strict=True)
    )


def heard_at(hour: Hour, beside: Sequence[Hour], within: timedelta) -> Hour:
    """A release with what other models say of the launch hour nearest to it.

    Parameters
    ----------
    hour : Hour
        Of the deciding model alone.
    beside : sequence of Hour
        Launch hours of the same site and cycle, with their opinions.
    within : timedelta
        From further away nothing is taken: half the step of the launch hours.
    """
    near = min(beside, key=lambda each: abs(each.time_utc - hour.time_utc), default=None)
    if near is None or abs(near.time_utc - hour.time_utc) > within:
        return hour
    chances = [c for o in near.others if (c := _counted(hour, o)) is not None]
    return _combined(hour, near.others, chances)


def _has_say(hour: Hour, cycle: Cycle, oldest_utc: datetime) -> bool:
    if hour.refused is not None or hour.score is None or hour.verdict is Verdict.UNKNOWN:
        return False
    return _seen_by(hour, cycle).reference_utc >= oldest_utc


def _seen_by(hour: Hour, cycle: Cycle) -> Cycle:
    """The cycle that gave an answer: an earlier one, where it was carried over."""
    return cycle if hour.from_cycle is None else Cycle.of_id(hour.from_cycle)


def _lacking(ours: Hour, theirs: Hour) -> tuple[str, ...]:
    """Checks that we have answered and they were not asked."""
    if not ours.checks:
        return ()
    asked = {check.name for check in theirs.checks}
    return tuple(
        check.name
        for check in ours.checks
        if check.name not in asked and check.verdict is not Verdict.UNKNOWN
    )


def _counted(ours: Hour, opinion: Opinion) -> float | None:
    """Their chance as it counts: not above ours, where they have judged less."""
    if not opinion.lacks or opinion.chance is None or ours.chance is None:
        return opinion.chance
    return min(opinion.chance, ours.chance)


def _opinion(
    hour: Hour,
    model: str,
    cycle_id: str,
    km: float | None,
    towards: float | None,
    lacks: tuple[str, ...],
) -> Opinion:
    return Opinion(
        model=model,
        cycle_id=cycle_id,
        verdict=hour.verdict,
        score=hour.score,
        chance=hour.chance,
        apart_km=km,
        bearing_deg=towards,
        says=None if hour.verdict is Verdict.GO else next(iter(hour.worst_checks), None),
        lacks=lacks,
    )


def _apart(ours: Sequence[Hour], theirs: Sequence[Hour]) -> list[tuple[float | None, float | None]]:
    """How far, and which way, their landings' centres lie from ours. [km], [deg]"""
    ends = np.array(
        [
            [np.nan] * 4
            if a.footprint is None or b.footprint is None
            else [
                a.footprint.latitude_deg,
                a.footprint.longitude_deg,
                b.footprint.latitude_deg,
                b.footprint.longitude_deg,
            ]
            for a, b in zip(ours, theirs, strict=True)
        ]
    ).reshape(-1, 4)
    known = ~np.isnan(ends[:, 0])
    found: list[tuple[float | None, float | None]] = [(None, None)] * len(ours)
    if known.any():
        columns = ends[known].T
        km, towards = distance_m(*columns) / 1000.0, bearing_deg(*columns)
        for i, far, way in zip(np.flatnonzero(known), km, towards, strict=True):
            found[i] = (float(far), float(way))
    return found


def _combined(hour: Hour, others: Sequence[Opinion], chances: Sequence[float]) -> Hour:
    if not others:
        return hour
    if hour.chance is None or not chances:
        return hour.with_others(tuple(others), hour.chance, hour.own_chance)
    pooled = OWN_SHARE * hour.chance + (1.0 - OWN_SHARE) * sum(chances) / len(chances)
    return hour.with_others(tuple(others), pooled, hour.chance)
