"""Why a window closed, in words."""

from collections.abc import Mapping
from datetime import datetime, timedelta

from windowwatch.scoring.chance import percent
from windowwatch.scoring.values import Hour, Verdict
from windowwatch.windows.phrases import length
from windowwatch.windows.spoken import written, written_runs
from windowwatch.windows.theirs import lost_to_others, lowered_words
from windowwatch.windows.values import Window
from windowwatch.windows.window import (
    WindowRules,
    is_good,
    is_unread,
    worst_check,
    worst_words,
)


def closing_reason(
    old: Window, hours: Mapping[datetime, Hour], rules: WindowRules, now_utc: datetime
) -> str:
    """Say which check, or which other model, closed a window.

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
    reasons = []
    best = bad.get(old.best_hour_utc)
    if best is not None:
        reasons.append(against(best, rules, was=old.best_score) + front_words(best, hours, rules))
    elif bad:
        worst = min(
            bad.values(), key=lambda h: (h.verdict is not Verdict.NO_GO, h.score, h.time_utc)
        )
        reasons.append(against(worst, rules) + front_words(worst, hours, rules))
    left = len(read) - len(bad)
    if left:
        stays = length(left * rules.step)
        reasons.append(f"only {stays} of it stays good, {length(rules.min_length)} are wanted")
    if unread:
        reasons.append(f"the forecast could not be read for {written_runs(unread, rules.step)}")
    return "; ".join(reasons) or "no launch hour is left of it"


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


def against(hour: Hour, rules: WindowRules, *, was: float | None = None) -> str:
    """Say what speaks against an hour: its worst check, and the score when that failed.

    Where only other models have made its chance too low, they are named and no check is: all
    checks of the deciding model are then kept.

    Parameters
    ----------
    hour : Hour
        Read, and not good.
    rules : WindowRules
        Bounds.
    was : float, optional
        Its score before, where that is known. [0-100]
    """
    if lost_to_others(hour, rules):
        return lowered_words(hour, rules)
    worst = worst_words(hour).rstrip(".")
    if hour.verdict is Verdict.NO_GO and worst:
        return worst
    if hour.verdict is Verdict.CAUTION and not rules.accept_caution:
        fell = "only caution, where go is asked"
    elif hour.chance is not None and hour.chance < rules.close_chance:
        fell = f"chance {percent(hour.chance)}, under {percent(rules.close_chance)}"
    elif was is None:
        fell = f"score {hour.score or 0.0:.0f}"
    else:
        fell = f"score {was:.0f} to {hour.score or 0.0:.0f}, under {rules.close_score:.0f}"
    return f"{worst}; {fell}" if worst else fell


def front_words(hour: Hour, hours: Mapping[datetime, Hour], rules: WindowRules) -> str:
    """Say when the front passes, where a front speaks against an hour: ``, about … UTC``.

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
    said = worst_check(hour)
    front = said is not None and said.name == "front"
    if not front or far is None or lost_to_others(hour, rules):
        return ""
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
        return ""
    sign = 1.0 if after < step_h else -1.0
    return f", about {written(nearest + sign * timedelta(hours=near[nearest]))}"


def _hours_from_front(hour: Hour) -> float | None:
    return next((c.value for c in hour.checks if c.name == "front"), None)
