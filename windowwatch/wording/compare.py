"""What would make an hour go, and a site beside others, in words. Pure."""

from windowwatch.scoring.compare import SiteSummary
from windowwatch.scoring.limits import LIMITS
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.scoring.values import Check, Hour, Verdict
from windowwatch.scoring.verdict import worst_first
from windowwatch.wording.labels import check_label
from windowwatch.wording.phrases import percent


def site_words(site: SiteSummary) -> str:
    """``Millfield: 9 go hours on 2 days, chance of at least one 64 % …, mostly in the way: …``."""
    go, days = site.go_hours, site.go_days
    words = [f"{go} go hour{'s' * (go != 1)} on {days} day{'s' * (days != 1)}"]
    if site.chance_any is not None:
        chance = percent(site.chance_any)
        words.append(f"chance of at least one {chance} (taking days as independent)")
    if site.in_the_way is not None:
        words.append(f"mostly in the way: {check_label(site.in_the_way)}")
    return f"{site.site}: {', '.join(words)}."


def what_would_make_it_go(hour: Hour, plan: ScoringPlan) -> tuple[str, ...]:
    """What stands between an hour and `go`, the worst first; empty when it is `go`.

    Parameters
    ----------
    hour : Hour
    plan : ScoringPlan
        The one it was scored by.

    Returns
    -------
    tuple of str
        Words such as ``"gust 1.4 m/s less"``.
    """
    if hour.verdict is Verdict.GO:
        return ()
    wanted = [
        _wanted(check)
        for check in worst_first(hour.checks, plan)
        if check.verdict in {Verdict.NO_GO, Verdict.UNKNOWN}
    ]
    if hour.refused is not None and not any(c.verdict is Verdict.UNKNOWN for c in hour.checks):
        wanted.append(f"flights with a landing ({hour.refused})")
    if hour.score is not None and not wanted and hour.score < plan.go_score:
        wanted.append(f"a score of {plan.go_score:.0f} instead of {hour.score:.0f}")
    if hour.chance is not None and hour.chance < plan.go_chance and not wanted:
        wanted.append(f"a chance of {percent(plan.go_chance)} instead of {percent(hour.chance)}")
    return tuple(wanted)


def _wanted(check: Check) -> str:
    label = check_label(check.name)
    if check.margin is None:
        known = check.verdict is Verdict.UNKNOWN
        return f"{label} known" if known else "landings that a crew gets to"
    kind = LIMITS.get(check.name)  # None for a stored check of an older version
    decimals = 1 if kind is None else kind.decimals
    gap = "" if check.unit == "°" else " "
    # Rounded up: "0.0 m/s less" would not do.
    step = 10.0**-decimals
    amount = max(step, -(check.margin // step) * step)
    higher = kind.higher_is_better if kind else (check.fine or 0.0) > (check.limit or 0.0)
    after = ":" if "," in label else ""
    return f"{label}{after} {amount:.{decimals}f}{gap}{check.unit} {'more' if higher else 'less'}"
