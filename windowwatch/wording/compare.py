"""What would make an hour go, and a site beside others, in words. Pure; English."""

from typing import assert_never

from windowwatch.scoring.compare import SiteSummary, Wanted, WantedKind, what_is_wanted
from windowwatch.scoring.limits import LIMITS
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.scoring.values import Check, Hour
from windowwatch.wording.checks import refusal_words
from windowwatch.wording.labels import check_label
from windowwatch.wording.phrases import percent


def what_would_make_it_go(hour: Hour, plan: ScoringPlan) -> tuple[str, ...]:
    """What stands between an hour and `go` in words, the worst first; empty when it is `go`.

    Parameters
    ----------
    hour : Hour
    plan : ScoringPlan
        The one it was scored by.
    """
    return tuple(wanted_words(each) for each in what_is_wanted(hour, plan))


def wanted_words(wanted: Wanted) -> str:
    """What stands between an hour and go: ``gust 1.4 m/s less``."""
    match wanted.kind:
        case WantedKind.LANDINGS:
            why = "" if wanted.refused is None else f" ({refusal_words(wanted.refused)})"
            return f"flights with a landing{why}"
        case WantedKind.SCORE:
            return f"a score of {wanted.needed or 0.0:.0f} instead of {wanted.have or 0.0:.0f}"
        case WantedKind.CHANCE:
            return f"a chance of {percent(wanted.needed)} instead of {percent(wanted.have)}"
        case WantedKind.REACHED:
            return "landings that a crew gets to"
        case WantedKind.KNOWN:
            return f"{check_label(wanted.check.name) if wanted.check else 'everything'} known"
        case WantedKind.MARGIN:
            return "" if wanted.check is None else _margin_words(wanted.check)
        case _:
            assert_never(wanted.kind)


def _margin_words(check: Check) -> str:
    label = check_label(check.name)
    kind = LIMITS.get(check.name)  # None for a stored check of an older version
    decimals = 1 if kind is None else kind.decimals
    gap = "" if check.unit == "°" else " "
    # Rounded up: "0.0 m/s less" would not do.
    step = 10.0**-decimals
    amount = max(step, -((check.margin or 0.0) // step) * step)
    higher = kind.higher_is_better if kind else (check.fine or 0.0) > (check.limit or 0.0)
    after = ":" if "," in label else ""
    return f"{label}{after} {amount:.{decimals}f}{gap}{check.unit} {'more' if higher else 'less'}"


def site_words(summary: SiteSummary) -> str:
    """A site over all its hours, in one sentence for the ranking."""
    go, days = summary.go_hours, summary.go_days
    words = [f"{go} go hour{'s' * (go != 1)} on {days} day{'s' * (days != 1)}"]
    if summary.chance_any is not None:
        chance = percent(summary.chance_any)
        words.append(f"chance of at least one {chance} (taking days as independent)")
    if summary.in_the_way is not None:
        words.append(f"mostly in the way: {check_label(summary.in_the_way)}")
    return f"{summary.site}: {', '.join(words)}."
