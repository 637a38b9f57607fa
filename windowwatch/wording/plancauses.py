"""Causes of what is told of a planned launch: holds, scrubs, verdicts, overdue steps. Pure."""

from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Any

from windowwatch.scoring.values import Verdict
from windowwatch.windows import causes as c
from windowwatch.windows.causes import Cause
from windowwatch.wording.phrases import Times, length, percent


def _at(moment: datetime, times: Times) -> str:
    return times(moment, moment)


def _of_plan(cause: c.OfPlan, times: Times) -> str:
    return f"plan {cause.plan}, release {_at(cause.release_utc, times)}, {cause.state}"


def _scrubbed(cause: c.PlanScrubbed, _times: Times) -> str:
    why = cause.why.strip().rstrip(".")
    return f"scrubbed by {cause.by}{f': {why}' if why else ''}"


def stands_words(cause: c.PlanStands, times: Times) -> str:
    """``the planned minute is no-go, was go; score 0, was 82; last good release …``."""
    before = cause.verdict_before
    was = "" if before is None or before is cause.verdict else f", was {before}"
    said = "not known" if cause.verdict is Verdict.UNKNOWN else str(cause.verdict)
    words = [f"the planned minute is {said}{was}"]
    if cause.score is not None:
        old = cause.score_before
        was = "" if old is None or f"{old:.0f}" == f"{cause.score:.0f}" else f", was {old:.0f}"
        words.append(f"score {cause.score:.0f}{was}")
    if cause.chance is not None:
        told = cause.chance_before
        same = told is None or percent(told) == percent(cause.chance)
        words.append(f"chance {percent(cause.chance)}{'' if same else f', was {percent(told)}'}")
    last = cause.last_good_utc
    if last is None:
        words.append("no good release is in sight")
    elif last == cause.last_flown_utc:
        words.append(
            f"go or caution until {_at(last, times)} at least, the last release that was flown"
        )
    else:
        words.append(f"last good release {_at(last, times)}")
    return "; ".join(words)


def _overdue(cause: c.StepOverdue, times: Times) -> str:
    who = f" ({cause.who})" if cause.who else ""
    text = cause.text.strip().rstrip(".")
    return f"not ticked: {text}{who}, due {_at(cause.due_utc, times)}"


def _gust(cause: c.GustMeasured, times: Times) -> str:
    return (
        f"{cause.gust_mps:.1f} m/s measured by {cause.by}, hard limit {cause.limit_mps:.1f} m/s: "
        f"no release before {_at(cause.until_utc, times)}, whatever the forecast says"
    )


#: What each cause of a planned launch is called; `windowwatch.wording.causes` has all others.
PLAN_WORDS: Mapping[type[Cause], Callable[[Any, Times], str]] = {
    c.OfPlan: _of_plan,
    c.PlanMade: lambda cause, _: f"planned by {cause.by}",
    c.PlanMoved: lambda cause, times: f"moved by {cause.by}, was {_at(cause.before_utc, times)}",
    c.PlanHeld: lambda cause, _: f"{cause.by} holds for {length(cause.wait)}",
    c.PlanScrubbed: _scrubbed,
    c.PlanReleased: lambda cause, times: f"left the hand {_at(cause.at_utc, times)} ({cause.by})",
    c.PlanStands: stands_words,
    c.PlanUnanswered: lambda _cause, _times: "nothing could be flown for the planned minute",
    c.StepOverdue: _overdue,
    c.GustMeasured: _gust,
}
