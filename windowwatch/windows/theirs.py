"""What other weather models do to a launch hour, in words. Pure.

Named rules
-----------
named in full
    People plan by one model; another one is told as ``the other model ifs (12Z run)``.
their doing
    An hour is lost to other models when the deciding model alone would still find it good:
    then they are named, with what they say, and none of its own checks, which are all kept.
"""

from collections.abc import Sequence

from windowwatch.forecast.cycle import Cycle
from windowwatch.scoring.chance import percent
from windowwatch.scoring.opinions import own_view
from windowwatch.scoring.values import Hour, Opinion, Verdict
from windowwatch.windows.phrases import inside
from windowwatch.windows.window import WindowRules, is_good
from windowwatch.wording.checks import opinion_words

#: Models named in a reason; a phone is small.
MOST_NAMED = 2


def run_of(opinion: Opinion) -> str:
    """Model and run in few words: ``ifs (12Z run)``."""
    return f"{opinion.model} ({Cycle.of_id(opinion.cycle_id).reference_utc:%HZ} run)"


def model_words(opinion: Opinion) -> str:
    """Name a model that does not decide: ``the other model ifs (12Z run)``."""
    return f"the other model {run_of(opinion)}"


def lost_to_others(hour: Hour, rules: WindowRules) -> bool:
    """Whether an hour is not good and would be by the deciding model alone."""
    alone = is_good(own_view(hour), rules, inside=True)
    return alone and not is_good(hour, rules, inside=True)


def lowered_words(hour: Hour, rules: WindowRules) -> str:
    """Say which other models made the chance too low, and why.

    Examples
    --------
    ``the other model ifs (12Z run) lowers the chance to 11 %, under 15 %: it gives 5 % and says
    no-go, gust 14.0 m/s, limit 9.0 m/s; 16 % without it``

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
    fell = f"the chance to {percent(hour.chance)}, under {percent(rules.close_chance)}"
    alone = percent(hour.own_chance)
    if len(lower) == 1:
        gives = _gives(lower[0])
        return f"{model_words(lower[0])} lowers {fell}: it {gives}; {alone} without it"
    named = [f"{run_of(each)} {_gives(each)}" for each in lower[:MOST_NAMED]]
    return f"other models lower {fell}: {_listed(named, len(lower))}; {alone} without them"


def _gives(opinion: Opinion) -> str:
    """``gives 5 % and says no-go, gust 14.0 m/s, limit 9.0 m/s``."""
    words = f"gives {percent(opinion.chance)}"
    if opinion.verdict is Verdict.GO:
        return words
    why = inside(opinion_words(opinion))
    return f"{words} and says {opinion.verdict}" + (f", {why}" if why else "")


def _listed(named: Sequence[str], count: int) -> str:
    more = count - len(named)
    return "; ".join(named) + (f"; and {more} more" if more > 0 else "")
