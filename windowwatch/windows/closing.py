"""Why a window closed: the causes of it. Pure."""

from collections.abc import Mapping
from datetime import datetime, timedelta

from windowwatch.scoring.values import Hour, Verdict
from windowwatch.windows.causes import (
    Cause,
    Causes,
    ChanceUnder,
    CheckAgainst,
    FrontAt,
    NothingLeft,
    NotReadable,
    OnlyCaution,
    OnlyStays,
    ScoreFell,
    ScoreIs,
)
from windowwatch.windows.theirs import lost_to_others, lowered
from windowwatch.windows.values import Window
from windowwatch.windows.window import WindowRules, is_good, is_unread, runs_of, worst_check


def closing_causes(
    old: Window, hours: Mapping[datetime, Hour], rules: WindowRules, now_utc: datetime
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
    """
    times = _launch_hours(old, rules, now_utc, hours)
    read = {t: hours[t] for t in times if not is_unread(hours.get(t))}
    bad = {t: h for t, h in read.items() if not is_good(h, rules, inside=True)}
    unread = [t for t in times if t not in read]
    causes: list[Cause] = []
    best = bad.get(old.best_hour_utc)
    if best is not None:
        causes += against(best, hours, rules, was=old.best_score)
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
