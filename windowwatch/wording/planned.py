"""A change of a planned launch as a notice: its title, and its lines in order. Pure.

The title says what happened to the crew's launch; the first line what is so now and why, the
second when the balloon is to leave, the third what is to be done.
"""

from datetime import UTC
from zoneinfo import ZoneInfo

from windowwatch.scoring.values import Verdict
from windowwatch.windows import causes as c
from windowwatch.windows.causes import Cause
from windowwatch.windows.values import Change
from windowwatch.wording.causes import clauses
from windowwatch.wording.phrases import Times, day_and_time, length, sentence

#: What is to be done, said in the last line.
_SCRUB = "Nobody fills, nobody drives to the landing; make the gas safe."
_NO_RELEASE = "Do not release. Hold, move or scrub: the director decides."
_FORECAST = "A forecast, no permission."


def _of_plan(change: Change) -> c.OfPlan | None:
    return next((each for each in change.causes if isinstance(each, c.OfPlan)), None)


def _told(change: Change) -> tuple[Cause, ...]:
    return tuple(each for each in change.causes if not isinstance(each, c.OfPlan))


def plan_title(change: Change, zone: ZoneInfo | None) -> str:
    """``HOLD 20 min: Millfield Thu 7 09:00 local``; what happened, the site, the release."""
    plan, told = _of_plan(change), _told(change)
    head = _head(told[0]) if told else "PLANNED LAUNCH"
    if plan is None:
        return f"{head}: {change.site}"
    at = day_and_time(plan.release_utc.astimezone(zone or UTC))
    return f"{head}: {change.site} {at} {'local' if zone else 'UTC'}"


def _head(cause: Cause) -> str:
    match cause:
        case c.PlanMade():
            return "LAUNCH PLANNED"
        case c.PlanMoved():
            return "LAUNCH MOVED"
        case c.PlanHeld():
            return f"HOLD {length(cause.wait)}"
        case c.PlanScrubbed():
            return "SCRUBBED"
        case c.PlanReleased():
            return "RELEASED"
        case c.StepOverdue():
            return "OVERDUE, GO OR NOT?"
        case c.GustMeasured():
            return "NO-GO, GUST MEASURED"
        case c.PlanStands():
            return _stands(cause)
        case _:
            return "LAUNCH NOT KNOWN"


#: From best to worst; what is not known is worse than any answer that can be planned by.
_ORDER = (Verdict.GO, Verdict.CAUTION, Verdict.NO_GO)


def _stands(cause: c.PlanStands) -> str:
    if cause.verdict is Verdict.NO_GO:
        return "LAUNCH NO-GO"
    if cause.verdict is Verdict.UNKNOWN:
        return "LAUNCH NOT KNOWN"
    before = cause.verdict_before
    if before in _ORDER and before is not cause.verdict:
        better = _ORDER.index(cause.verdict) < _ORDER.index(before)
        return f"LAUNCH {'BETTER' if better else 'WORSE'}: {cause.verdict}"
    moved = [
        (new - old)
        for new, old in ((cause.chance, cause.chance_before), (cause.score, cause.score_before))
        if new is not None and old is not None and new != old
    ]
    if not moved:
        return f"LAUNCH {str(cause.verdict).upper()}"
    return f"LAUNCH {'BETTER' if moved[0] > 0 else 'WORSE'}"


def plan_lines(change: Change, times: Times) -> list[tuple[str, int]]:
    """Lines in the order they are read, each with how early it goes where there is no room."""
    plan, told = _of_plan(change), _told(change)
    lines = [(sentence(clauses(told, times)), 0)]
    if plan is None:
        lines.append((sentence(change.site), 0))
    else:
        ended = any(isinstance(each, c.PlanScrubbed | c.PlanReleased) for each in told)
        at = times(plan.release_utc, plan.release_utc)
        if not ended:
            lines.append((f"Release {at}, {change.site}, plan {plan.plan} ({plan.state}).", 0))
        elif any(isinstance(each, c.PlanReleased) for each in told):
            lines.append((f"{change.site}, plan {plan.plan}.", 0))
        else:
            lines.append((f"It was: release {at}, {change.site}, plan {plan.plan}.", 0))
    return [*lines, (_to_do(told), 0)]


def _to_do(told: tuple[Cause, ...]) -> str:
    for each in told:
        if isinstance(each, c.PlanScrubbed):
            return _SCRUB
        if isinstance(each, c.GustMeasured):
            return _NO_RELEASE
        if isinstance(each, c.StepOverdue):
            return f"Tick it, hold or scrub: windowwatch plan tick {each.step}"
        if isinstance(each, c.PlanStands) and each.verdict in (Verdict.NO_GO, Verdict.UNKNOWN):
            return _NO_RELEASE
        if isinstance(each, c.PlanUnanswered):
            return "What stands on the page is older; look at the time beside it."
    return _FORECAST
