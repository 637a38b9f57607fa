"""The limits in force: what each check asks, and who says so. Pure."""

from collections.abc import Iterable
from dataclasses import dataclass

from windowwatch.scoring.limits import LIMITS, CheckKind, Limit
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.scoring.values import Check, Part, Verdict
from windowwatch.web.values import Facts
from windowwatch.wording import page as words
from windowwatch.wording.phrases import check_label, length, percent
from windowwatch.wording.rules import check_rule_words, class_words, title_words


@dataclass(frozen=True)
class LimitRow:
    """A check with its two bounds, and where they come from."""

    label: str
    side: str
    fine: str
    limit: str
    hard: bool
    source: str


@dataclass(frozen=True)
class LimitsView:
    """The whole page. `not_asked` names the checks that this watch does not ask.

    `rules` is what is asked of an hour and of a window as a whole; `rule_set` says which rule
    set was laid on, empty for none.
    """

    parts: tuple[tuple[str, tuple[LimitRow, ...]], ...]
    rules: tuple[tuple[str, str], ...]
    not_asked: str
    rule_set: tuple[str, ...]


def limits_view(facts: Facts) -> LimitsView:
    """What is asked of every hour of a watch."""
    plan = facts.plan
    rows = ((part, tuple(_rows(plan, part))) for part in Part)
    applied = plan.applied
    return LimitsView(
        parts=tuple((str(part), found) for part, found in rows if found),
        rules=tuple(_rules(facts)),
        not_asked="; ".join(check_label(name) for name in LIMITS if name not in plan.limits),
        rule_set=(
            ()
            if applied is None
            else (title_words(applied.rules), class_words(applied.rules, applied.found))
        ),
    )


def _rows(plan: ScoringPlan, part: Part) -> Iterable[LimitRow]:
    for name, kind in LIMITS.items():
        limit = plan.limits.get(name)
        if kind.part is not part or limit is None:
            continue
        read = Check(
            name, part, Verdict.UNKNOWN, None, kind.unit, limit.fine, limit.limit, None, None,
            limit.hard,
        )  # fmt: skip
        unit = "" if words.is_long(read) else _unit(kind)
        yield LimitRow(
            label=check_label(name),
            side="at least" if kind.higher_is_better else "at most",
            fine=_exact(read, limit.fine) + unit,
            limit=_exact(read, limit.limit) + unit,
            hard=limit.hard,
            source=_source(plan, kind, limit),
        )


def _exact(read: Check, value: float) -> str:
    """A bound as it was set, not rounded as values are."""
    if words.is_long(read):
        return words.reading_words(read, value)
    return f"{value:g}".replace("-", "−")


def _unit(kind: CheckKind) -> str:
    return kind.unit if kind.unit == "°" else f"\xa0{kind.unit}"


def _source(plan: ScoringPlan, kind: CheckKind, limit: Limit) -> str:
    """Who says so: the rule set, the settings, or what the table of defaults gives as source."""
    applied = plan.applied
    laid = applied.limits_here if applied is not None and applied.laid else ()
    if applied is not None and any(r.check == kind.name and r.bound == limit.limit for r in laid):
        return check_rule_words(applied, kind.name)
    return f"default: {kind.source}" if limit == kind.default else f"settings, [limits.{kind.name}]"


def _rules(facts: Facts) -> Iterable[tuple[str, str]]:
    plan, rules = facts.plan, facts.rules
    share = words.flights_words(plan.quantile)
    yield "A value counts as kept", f"when {share} keep to it"
    yield (
        "Looked at",
        f"from {plan.setup_min:g} min before the release to {plan.hold_min:g} min after it, "
        "for everything at the site",
    )
    yield (
        "An hour is go",
        f"from a score of {plan.go_score:g} and a chance of {percent(plan.go_chance)}",
    )
    yield (
        "An hour is no-go",
        (
            f"below a score of {plan.caution_score:g}, or below a chance of "
            f"{percent(rules.close_chance)}, or past any hard limit"
        ),
    )
    yield (
        "A window opens",
        (
            f"with an hour of score {rules.open_score:g} and chance {percent(rules.open_chance)}, "
            f"and {length(rules.min_length)} of good hours in a row"
        ),
    )
