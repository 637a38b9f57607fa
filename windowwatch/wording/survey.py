"""A survey of years in words: what it is of, what is left out, and what its tables say. Pure."""

from collections.abc import Sequence
from datetime import date

import numpy as np

from windowwatch.physics.surface import SURFACE_FIELDS
from windowwatch.wording.phrases import check_label, percent

MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_LONG = ("January", "February", "March", "April", "May", "June", "July", "August", "September",
         "October", "November", "December")  # fmt: skip
#: Points of a rose, the first one north.
POINTS = ("N", "NNE", "NE", "ENE", "E", "ESE", "SE", "SSE", "S", "SSW", "SW", "WSW", "W", "WNW",
          "NW", "NNW")  # fmt: skip
#: Said with every answer.
CAUTIONS = (
    "Years that were say how often weather fits, never that a day will. Local rules, permissions "
    "and the forecast of the day decide.",
    "A payload can fall where it should not, with its parachute closed: landing maps show where "
    "flights end most often, not where nobody can be hurt. Ask before you step on private land.",
    "With few years the range between them is as much of an answer as the mean.",
)
_WHY_UNKNOWN = {
    "archive": "nothing in the archive",
    "left_grid": "flights out of the archive's area",
    "not_rising": "flights that do not rise",
    "too_long": "flights that are too long",
    "near_pole": "flights near a pole",
    "few flights": "too few flights with a landing",
}


def month_name(month: int) -> str:
    """Long name of a month, 0 to 11."""
    return _LONG[month]


def limit_words(name: str) -> str:
    """What limits an hour: a check, or why nothing is known."""
    return _WHY_UNKNOWN.get(name) or check_label(name)


def left_out_words(check: str, why: str, fields: Sequence[str]) -> str:
    """Why a check is not asked in a survey."""
    if why == "date":
        return f"{check_label(check)}: hangs on one date"
    lacking = " and ".join(SURFACE_FIELDS.get(name, name) for name in fields)
    return f"{check_label(check)}: the archive has no {lacking}"


def days_words(days: int) -> str:
    """A number of days."""
    return "1 day" if days == 1 else f"{days} days"


def share_words(share: float) -> str:
    """A share, or that it is not known."""
    return "?" if np.isnan(share) else percent(share)


def range_words(values: Sequence[float]) -> str:
    """From the least to the most of some years; of one year alone that there is no range."""
    known = [each for each in values if not np.isnan(each)]
    if not known:
        return "?"
    if len(known) == 1:
        return "one year"
    return f"{100 * min(known):.0f} to {100 * max(known):.0f} %"


def mean_words(values: Sequence[float]) -> str:
    """Mean over the years that are known."""
    known = [each for each in values if not np.isnan(each)]
    return f"{sum(known) / len(known):.1f}" if known else "?"


def dry_words(longest: int, from_day: date | None, until_day: date | None) -> str:
    """The longest spell without a window."""
    if from_day is None or until_day is None:
        return "no day without a window"
    return f"{days_words(longest)}, {from_day:%d %b %Y} to {until_day:%d %b %Y}"


def headline(site: str, month_share: Sequence[float], standing: Sequence[Sequence[float]]) -> str:
    """The answer first: which months, and how long to stand by.

    Parameters
    ----------
    site : str
    month_share : [12]
        Share of good hours in daylight.
    standing : [12][14]
        Chance of a window within 1 to 14 days.
    """
    known = [month for month in range(12) if not np.isnan(month_share[month])]
    if not known:
        return f"{site}: nothing is known."
    best = max(known, key=lambda month: month_share[month])
    worst = min(known, key=lambda month: month_share[month])
    words = (
        f"{site}: best in {month_name(best)}, when {share_words(month_share[best])} of launch "
        f"hours in daylight are good; worst in {month_name(worst)} "
        f"({share_words(month_share[worst])}). {_stand_by(best, standing[best])}"
    )
    return words if best == worst else f"{words} {_stand_by(worst, standing[worst])}"


def _stand_by(month: int, chances: Sequence[float]) -> str:
    """How many days nine times in ten bring a window."""
    enough = [days for days, chance in enumerate(chances, start=1) if chance >= 0.9]
    if enough:
        bring = "brings" if enough[0] == 1 else "bring"
        return (
            f"In {month_name(month)} {days_words(enough[0])} of standing by {bring} a window 9 "
            "times in 10."
        )
    last = chances[-1]
    if np.isnan(last):
        return f"How long to stand by in {month_name(month)} is not known."
    return (
        f"In {month_name(month)} even {len(chances)} days of it bring one only "
        f"{share_words(last)} of the time."
    )


def coverage_words(years: tuple[int, int], there: int, asked: int) -> str:
    """Of which years a survey is, and how much of it is done."""
    span = f"{years[0]}" if years[0] == years[1] else f"{years[0]} to {years[1]}"
    if there == asked:
        return span
    return f"{span}, {there} of {asked} blocks done: run `windowwatch survey run` for the rest"
