"""Rule sets put into words: class, limits, duties, who decides; and times of airspace. Pure.

What an entry says is data of its file; here it is only set beside the rest.
"""

from collections.abc import Sequence
from datetime import datetime

from windowwatch.ground.query.activity import DAY_NAMES, Weekly
from windowwatch.ground.query.airspace import Volume
from windowwatch.scoring.limits import LIMITS
from windowwatch.scoring.rules import (
    AppliedRules,
    Classification,
    Question,
    RuleLimit,
    RuleSet,
    Status,
)

_QUESTIONS = {
    Question.SEPARATION: "the impact force that parts payload and balloon",
    Question.FACES: "the smallest face of each package",
}


def class_words(rules: RuleSet, found: Classification) -> str:
    """The class of a train, where it stands, how well that is known, and who decides.

    One or two sentences; the last one always says who decides.
    """
    if found.criterion is not None:
        by = found.criterion
        name = by.name[:1].upper() + by.name[1:]
        said = f"{name} by {rules.name} {by.paragraph}{_known(by.status)}."
    elif found.open_questions:
        wanted = " and ".join(_QUESTIONS[question] for question in found.open_questions)
        said = f"The class by {rules.name} cannot be said without {wanted}."
    else:
        said = f"No class of {rules.name} fits."
    return f"{said} {rules.decides}"


def check_rule_words(applied: AppliedRules, name: str) -> str:
    """Which entries of the rule are about a check; empty for none."""
    return "; ".join(
        _limit_words(applied.rules, each)
        for each in applied.limits_here
        if each.check == name and applied.laid
    )


def in_force_words(applied: AppliedRules) -> tuple[str, ...]:
    """The class, and where the rule's limits lie on the checks: for below an hour."""
    laid = applied.limits_here if applied.laid else ()
    return (
        class_words(applied.rules, applied.found),
        *(_limit_words(applied.rules, each) for each in laid),
    )


def title_words(rules: RuleSet) -> str:
    """Title, source, edition, and when it was collected."""
    return (
        f"{rules.title}: {rules.source}; edition {rules.edition}, "
        f"collected on {rules.collected_on:%Y-%m-%d}"
    )


def listed_class_words(applied: AppliedRules) -> str:
    """The class, and what follows where it is not known."""
    unknown = "" if applied.found.name else " (the class is not known: nothing is laid on checks)"
    return f"{class_words(applied.rules, applied.found)}{unknown}"


def asked_words(applied: AppliedRules) -> tuple[str, ...]:
    """Every limit and duty of the class."""
    rules = applied.rules
    return (
        *(
            f"{_limit_words(rules, each)}" + ("" if applied.laid else " (not laid on the checks)")
            for each in applied.limits_here
        ),
        *(
            f"{rules.name} {each.paragraph}{_known(each.status)} asks: {each.says}"
            for each in applied.duties_here
        ),
    )


def _known(status: Status) -> str:
    return "" if status is Status.CONFIRMED else f" ({status})"


def _limit_words(rules: RuleSet, limit: RuleLimit) -> str:
    kind = LIMITS[limit.check]
    side = "at least" if kind.higher_is_better else "at most"
    label = limit.check.replace("_", " ")
    return (
        f"{rules.name} {limit.paragraph}{_known(limit.status)}: {label} {side} "
        f"{limit.bound:g} {kind.unit} ({limit.says})"
    )


def times_words(volume: Volume, now_utc: datetime) -> str:
    """When a volume of air is active: its times of the week, and its dates."""
    said = [_weekly_words(each) for each in volume.weekly]
    if volume.active:
        coming = sum(end > now_utc.timestamp() for _, end in volume.active)
        of = f"{len(volume.active)} date{'' if len(volume.active) == 1 else 's'}"
        said.append(f"on {of}, {coming or 'none'} of them to come")
    return f"{volume.name}: {volume.kind} {'; '.join(said)}"


def _weekly_words(times: Weekly) -> str:
    days = "daily" if len(times.days) == 7 else _days_words(times.days)
    first, last = (
        f"{minutes // 60:02d}:{minutes % 60:02d}" for minutes in (times.from_min, times.until_min)
    )
    over = " of the next day" if times.until_min <= times.from_min else ""
    since = f" from {times.first_day}" if times.first_day else ""
    until = f" until {times.last_day}" if times.last_day else ""
    return f"{days} {first} to {last}{over} ({times.zone}){since}{until}"


def _days_words(days: Sequence[int]) -> str:
    """``Mon to Fri``, ``Mon, Wed``; runs of three and more as one."""
    runs: list[list[int]] = []
    for day in sorted(days):
        if runs and day == runs[-1][-1] + 1:
            runs[-1].append(day)
        else:
            runs.append([day])
    return ", ".join(
        f"{DAY_NAMES[run[0]]} to {DAY_NAMES[run[-1]]}"
        if len(run) > 2
        else ", ".join(DAY_NAMES[day] for day in run)
        for run in runs
    )
