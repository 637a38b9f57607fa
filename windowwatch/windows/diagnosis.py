"""Why a window closed, or how it moved from what people were told: the causes of it. Pure.

Named rule
----------
their doing
    An hour is lost to other models when the deciding model alone would still find it good:
    then they are named, with what they say, and none of its own checks, which are all kept.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

from windowwatch.physics.earth import bearing_deg, distance_m
from windowwatch.scoring.opinions import own_view
from windowwatch.scoring.values import Hour, Verdict
from windowwatch.windows.causes import (
    BestHourIs,
    BrokeUp,
    Cause,
    Causes,
    ChanceLowered,
    ChanceUnder,
    CheckAgainst,
    Edge,
    EdgeMoved,
    FrontAt,
    JoinedWith,
    LandingMoved,
    NothingLeft,
    NotReadable,
    OnlyCaution,
    OnlyStays,
    QualityMoved,
    ScoreFell,
    ScoreIs,
    Span,
)
from windowwatch.windows.values import Window
from windowwatch.windows.window import WindowRules, is_good, is_unread, runs_of, worst_check


@dataclass(frozen=True)
class Shift:
    """Difference between two versions of a window.

    `start`, `end` : positive when later. `landing_km` and `score`, `chance` (positive when
    better) are None where one side is not known or the two cannot be compared.
    """

    start: timedelta
    end: timedelta
    landing_km: float | None
    landing_bearing_deg: float | None
    score: float | None
    chance: float | None


def shift_between(before: Window, after: Window, *, same_ground: bool) -> Shift:
    """Compare two versions of one window.

    Parameters
    ----------
    before, after : Window
        As last told, and as it is now.
    same_ground : bool
        Whether score, chance and landing may be compared: False when the best hour people
        were told of has gone by or could not be read.
    """
    km = bearing = score = chance = None
    if same_ground:
        score = after.best_score - before.best_score
        if before.chance is not None and after.chance is not None:
            chance = after.chance - before.chance
        if (
            before.landing_latitude_deg is not None
            and before.landing_longitude_deg is not None
            and after.landing_latitude_deg is not None
            and after.landing_longitude_deg is not None
        ):
            ends = (
                before.landing_latitude_deg,
                before.landing_longitude_deg,
                after.landing_latitude_deg,
                after.landing_longitude_deg,
            )
            km = float(distance_m(*ends)) / 1000.0
            bearing = float(bearing_deg(*ends))
    return Shift(
        start=after.start_utc - before.start_utc,
        end=after.end_utc - before.end_utc,
        landing_km=km,
        landing_bearing_deg=bearing,
        score=score,
        chance=chance,
    )


def quality(before: Window, after: Window) -> QualityMoved:
    """Score and chance before and after."""
    return QualityMoved(before.best_score, after.best_score, before.chance, after.chance)


def lost_to_others(hour: Hour, rules: WindowRules) -> bool:
    """Whether an hour is not good and would be by the deciding model alone."""
    alone = is_good(own_view(hour), rules, inside=True)
    return alone and not is_good(hour, rules, inside=True)


def lowered(hour: Hour, rules: WindowRules) -> ChanceLowered:
    """Which other models made the chance of an hour too low; the lowest first.

    Parameters
    ----------
    hour : Hour
        Lost to others (`lost_to_others`).
    rules : WindowRules
        Bounds.
    """
    lower = [
        each
        for each in hour.others
        if each.chance is not None and each.chance < (hour.own_chance or 0.0)
    ]
    lower.sort(key=lambda each: (each.chance or 0.0, each.model))
    return ChanceLowered(hour.chance, rules.close_chance, hour.own_chance, tuple(lower))


def closing_causes(
    old: Window,
    hours: Mapping[datetime, Hour],
    rules: WindowRules,
    now_utc: datetime,
    told: Window | None = None,
) -> Causes:
    """Which check, or which other model, closed a window.

    The hour that was best speaks, when it was read and is not good any more; otherwise the
    worst of the hours that fell away. Hours that could not be read are named as such and
    never given a weather reason.

    Parameters
    ----------
    old : Window
        As it was before.
    hours : mapping of datetime to Hour
        Hours of its site in the new cycle.
    rules : WindowRules
        Bounds.
    now_utc : datetime
        Aware UTC; hours before it are out of the question.
    told : Window, optional
        As people were last told of it: a score before is told as they know it, and only of the
        hour that they know.
    """
    known = told or old
    times = _launch_hours(old, rules, now_utc, hours)
    read = {t: hours[t] for t in times if not is_unread(hours.get(t))}
    bad = {t: h for t, h in read.items() if not is_good(h, rules, inside=True)}
    unread = [t for t in times if t not in read]
    causes: list[Cause] = []
    best = bad.get(old.best_hour_utc)
    if best is not None:
        same = known.best_hour_utc == old.best_hour_utc
        causes += against(best, hours, rules, was=known.best_score if same else None)
    elif bad:
        worst = min(
            bad.values(), key=lambda h: (h.verdict is not Verdict.NO_GO, h.score, h.time_utc)
        )
        causes += against(worst, hours, rules)
    left = len(read) - len(bad)
    if left:
        causes.append(OnlyStays(left * rules.step, rules.min_length))
    if unread:
        causes.append(NotReadable(runs_of(unread, rules.step)))
    return tuple(causes) or (NothingLeft(),)


def _launch_hours(
    old: Window, rules: WindowRules, now_utc: datetime, hours: Mapping[datetime, Hour]
) -> list[datetime]:
    """Launch hours of a window still to come, whether or not the new cycle has them."""
    times = {t for t in hours if old.start_utc <= t < old.end_utc}
    moment = old.start_utc
    while moment < old.end_utc:
        times.add(moment)
        moment += max(rules.step, timedelta(minutes=1))
    return sorted(t for t in times if t >= now_utc)


def against(
    hour: Hour,
    hours: Mapping[datetime, Hour],
    rules: WindowRules,
    *,
    was: float | None = None,
) -> Causes:
    """What speaks against an hour: its worst check, and the score or chance when that failed.

    Where only other models have made its chance too low, they are named and no check is: all
    checks of the deciding model are then kept.

    Parameters
    ----------
    hour : Hour
        Read, and not good.
    hours : mapping of datetime to Hour
        All launch hours of its site in the same cycle; they tell when a front passes.
    rules : WindowRules
        Bounds.
    was : float, optional
        Its score before, where that is known. [0-100]
    """
    if lost_to_others(hour, rules):
        return (lowered(hour, rules),)
    worst = worst_check(hour)
    said: list[Cause] = [] if worst is None else [CheckAgainst(worst)]
    front = front_passage(hour, hours, rules)
    said += [] if front is None else [FrontAt(front)]
    if hour.verdict is Verdict.NO_GO and worst is not None:
        return tuple(said)
    if hour.verdict is Verdict.CAUTION and not rules.accept_caution:
        said.append(OnlyCaution())
    elif hour.chance is not None and hour.chance < rules.close_chance:
        said.append(ChanceUnder(hour.chance, rules.close_chance))
    elif was is None:
        said.append(ScoreIs(hour.score or 0.0))
    else:
        said.append(ScoreFell(was, hour.score or 0.0, rules.close_score))
    return tuple(said)


def front_passage(
    hour: Hour, hours: Mapping[datetime, Hour], rules: WindowRules
) -> datetime | None:
    """About when the front passes that speaks against an hour; None where none does.

    Each launch hour knows only how far the nearest passage is, before or after. Of the hour
    that is nearest to one, the neighbour after it tells which: it is nearer to a passage that
    is still to come than one step, and further from one that has gone by.

    Parameters
    ----------
    hour : Hour
        What a check speaks against.
    hours : mapping of datetime to Hour
        All launch hours of its site in the same cycle.
    rules : WindowRules
        Bounds; the step between launch hours is needed.
    """
    far = _hours_from_front(hour)
    worst = worst_check(hour)
    if worst is None or worst.name != "front" or far is None:
        return None
    reach = timedelta(hours=far) + 2 * rules.step
    near = {
        time: value
        for time, each in hours.items()
        if abs(time - hour.time_utc) <= reach and (value := _hours_from_front(each)) is not None
    }
    nearest = min(near, key=lambda time: (near[time], time))
    after = near.get(nearest + rules.step)
    step_h = rules.step / timedelta(hours=1)
    if after is None or near[nearest] > step_h:
        return None
    sign = 1.0 if after < step_h else -1.0
    return nearest + sign * timedelta(hours=near[nearest])


def _hours_from_front(hour: Hour) -> float | None:
    return next((c.value for c in hour.checks if c.name == "front"), None)


@dataclass(frozen=True)
class Move:
    """A window as last told and as it is, with what broke off it and what it took in."""

    before: Window
    after: Window
    shift: Shift
    parts: tuple[Window, ...] = ()
    joined_to: tuple[Window, ...] = ()


def moving_causes(move: Move, hours: Mapping[datetime, Hour], rules: WindowRules) -> list[Cause]:
    """How a window moved, and which check took away the hours it lost.

    Parameters
    ----------
    move : Move
        What to compare.
    hours : mapping of datetime to Hour
        Hours of its site in the new cycle.
    rules : WindowRules
        Bounds.

    Returns
    -------
    list of Cause
        Empty when nothing passed a bound.
    """
    why: list[Cause] = []
    if move.parts:
        why.append(BrokeUp(_spans(move.parts)))
    if move.joined_to:
        why.append(JoinedWith(_spans(move.joined_to)))
    bound = timedelta(minutes=rules.moved_min)
    shift = move.shift
    if why or abs(shift.start) > bound or abs(shift.end) > bound:
        why += _edges(move, hours, rules)
    if shift.landing_km is not None and shift.landing_km > rules.moved_km:
        if shift.landing_bearing_deg is not None:
            why.append(LandingMoved(shift.landing_km, shift.landing_bearing_deg))
        if move.after.best_hour_utc != move.before.best_hour_utc:
            why.append(BestHourIs(move.after.best_hour_utc))
    return why


def _edges(move: Move, hours: Mapping[datetime, Hour], rules: WindowRules) -> list[EdgeMoved]:
    """Ends that moved, each with what took hours away there."""
    shift = move.shift
    nothing = timedelta(0)
    ends = (
        (Edge.START, shift.start, shift.start > nothing, move.after.start_utc - rules.step),
        (Edge.END, shift.end, shift.end < nothing, move.after.end_utc),
    )
    moved = []
    for edge, by, shorter, first_lost in ends:
        if not by:
            continue
        hour = hours.get(first_lost)
        lost = shorter and not is_unread(hour) and not is_good(hour, rules, inside=True)
        lost_to = against(hour, hours, rules) if lost and hour is not None else ()
        moved.append(EdgeMoved(edge, by, lost_to))
    return moved


def _spans(windows: tuple[Window, ...]) -> tuple[Span, ...]:
    return tuple((w.start_utc, w.last_release_utc) for w in windows)
