"""What other weather models do to a launch hour. Pure.

Named rule
----------
their doing
    An hour is lost to other models when the deciding model alone would still find it good:
    then they are named, with what they say, and none of its own checks, which are all kept.
"""

from windowwatch.scoring.opinions import own_view
from windowwatch.scoring.values import Hour
from windowwatch.windows.causes import ChanceLowered
from windowwatch.windows.window import WindowRules, is_good


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
