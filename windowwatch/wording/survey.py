"""A survey of years in words: what it is of, what is left out, and what its tables say. Pure."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from windowwatch.physics.surface import SURFACE_FIELDS
from windowwatch.scouting.years import (
    DRIFT_KM,
    MOST_DAYS,
    Pair,
    SiteAnswers,
    Surveyed,
)
from windowwatch.units import FloatArray, IntArray
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


@dataclass(frozen=True)
class Cell:
    """A cell of a table; `share` shades it, where it is one. [1]"""

    text: str
    share: float | None = None


@dataclass(frozen=True)
class Row:
    """A row of a table: what it is of, its cells, and what else is said of it."""

    label: str
    cells: tuple[Cell, ...]
    more: str = ""


@dataclass(frozen=True)
class Table:
    """A table in words, for a terminal, a page and paper alike.

    `key` tells it from others, `note` says how it is read, `heat` whether its cells are shaded by
    their shares; `corner` names the first column, which holds names where it is `named`.
    """

    key: str
    title: str
    note: str
    corner: str
    columns: tuple[str, ...]
    rows: tuple[Row, ...]
    heat: bool = True

    @property
    def named(self) -> bool:
        """Whether its rows have names instead of numbers."""
        return self.corner in ("site", "check")


def site_headline(each: SiteAnswers) -> str:
    """The answer about a site first."""
    return headline(each.site, each.month_share.tolist(), each.standing.chance.tolist())


def spell_words(each: SiteAnswers) -> str:
    """The longest spell without a window."""
    first, last = each.dry_from, each.dry_until
    days = 0 if first is None or last is None else (last - first).days + 1
    return f"Longest spell without a window: {dry_words(days, first, last)}."


def basis_words(survey: Surveyed) -> tuple[str, ...]:
    """What a survey rests on, and what is not in it, line by line."""
    asked = ", ".join(limit_words(name) for name in survey.asked)
    return (
        f"Weather: {survey.source}",
        *(f"Not asked: {left_out_words(*each)}" for each in survey.left_out),
        *(f"{each[:1].upper()}{each[1:]}" for each in survey.remarks),
        f"Asked of every hour: {asked}",
    )


def head_words(survey: Surveyed) -> str:
    """Of which years it is, and how it was flown."""
    years = coverage_words(survey.years, survey.blocks_there, survey.blocks)
    return (
        f"{years}; a launch hour every {survey.step_s / 3600.0:g} h, {survey.draws} flights for "
        f"each; a window is {survey.min_length_s / 3600.0:g} h or longer"
    )


def all_sites(survey: Surveyed) -> tuple[Table, ...]:
    """What compares the sites."""
    rows = tuple(Row(a.site, _shares(a.month_share)) for a in survey.answers)
    compared = tuple(map(_pair, survey.pairs))
    months = Table(
        "sites", "Good launch hours in daylight", "Percent; ? not known.", "site", MONTHS, rows
    )
    if not compared:
        return (months,)
    columns = ("both", "only first", "only second", "neither")
    note = "Days with a part of a window, of those that are known of both."
    title = "Site against site, on the same days"
    return months, Table("pairs", title, note, "sites", columns, compared, heat=False)


def _pair(p: Pair) -> Row:
    days = (p.days_both, p.days_only_first, p.days_only_second, p.days_neither)
    return Row(f"{p.first} / {p.second}", tuple(Cell(str(each)) for each in days))


def one_site(each: SiteAnswers) -> tuple[Table, ...]:
    """All tables of a site, in the order in which they are told."""
    return (
        _hours(each),
        _standing(each),
        _months(each),
        _limits(each),
        _years(each),
        _drift(each),
    )


def _hours(each: SiteAnswers) -> Table:
    """Shares by local hour and month; hours that are dark the whole year are left out."""
    shown = [h for h in range(24) if (each.known[:, h] > each.dark[:, h]).any()]
    dark = (each.known > 0) & (each.known == each.dark)
    rows = tuple(
        Row(
            f"{h:02d}",
            tuple(
                Cell("·") if dark[m, h] else share_cell(float(each.share[m, h])) for m in range(12)
            ),
        )
        for h in shown
    )
    return Table(
        "hours",
        "Good launch hours, by local hour and month",
        "Percent of the hours that are known; · in the dark, ? not known.",
        "hour",
        MONTHS,
        rows,
    )


def _standing(each: SiteAnswers) -> Table:
    rows = tuple(
        Row(str(days), _shares(each.standing.chance[:, days - 1]))
        for days in range(1, MOST_DAYS + 1)
    )
    return Table(
        "standing",
        "At least one window within so many days of standing by",
        "Percent of all spans that begin in the month; a day of which it is not known whether it "
        "had a window counts as one without.",
        "days",
        MONTHS,
        rows,
    )


def _months(each: SiteAnswers) -> Table:
    rows = []
    for m in range(12):
        cells = (
            share_words(each.month_share[m]),
            mean_words(each.windows_a_month[:, m].tolist()),
            days_words(int(each.dry_days[m])),
        )
        rows.append(Row(MONTHS[m], tuple(map(Cell, cells)), "; ".join(_month_more(each, m))))
    return Table(
        "months",
        "Month by month",
        "Good hours in daylight; windows, the mean of the years; the longest spell without one "
        "that begins in the month.",
        "month",
        ("good", "windows", "longest without"),
        tuple(rows),
        heat=False,
    )


def _month_more(each: SiteAnswers, m: int) -> Iterator[str]:
    lengths = each.windows.hours[each.windows.month == m]
    if lengths.size:
        yield f"windows of {np.median(lengths):g} h, up to {lengths.max():g} h"
    known = range_words(each.year_share[:, m].tolist())
    if known not in ("?", "one year"):
        yield f"good {known} year by year"
    if each.limited[m].sum():
        yield f"limited most by {limit_words(each.limits[int(np.argmax(each.limited[m]))])}"
    if each.unknown[m]:
        yield f"{each.unknown[m]} h not known"


def _limits(each: SiteAnswers, most: int = 8) -> Table:
    total = each.limited.sum(axis=1)
    lines = [(limit_words(name), each.limited[:, k]) for k, name in enumerate(each.limits[:most])]
    if len(each.limits) > most:
        lines.append(("all others", each.limited[:, most:].sum(axis=1)))
    rows = tuple(Row(words, _shares(_of(counts, total))) for words, counts in lines)
    return Table(
        "limits",
        "What limits the hours in daylight that are not good",
        "Percent of them; of each hour the check that speaks most against it.",
        "check",
        MONTHS,
        rows,
    )


def _years(each: SiteAnswers) -> Table:
    rows = tuple(
        Row(str(year), _shares(each.year_share[number]))
        for number, year in enumerate(each.years)
        if np.isfinite(each.year_share[number]).any()
    )
    return Table(
        "years",
        "Year by year: good launch hours in daylight",
        "Percent; ? where less than nine tenths of a month's daylight are known.",
        "year",
        MONTHS,
        rows,
    )


def _drift(each: SiteAnswers) -> Table:
    """Towards which of eight points: each its own sector, and half of those beside it."""
    sectors = each.rose.sum(axis=2)
    eight = sectors[:, ::2] + 0.5 * (sectors[:, 1::2] + np.roll(sectors[:, 1::2], 1, axis=1))
    total = sectors.sum(axis=1)
    rows = [Row(POINTS[2 * point], _shares(_of(eight[:, point], total))) for point in range(8)]
    far = tuple(Cell(middle_drift(each, m)) for m in range(12))
    return Table(
        "drift",
        "Where landings lie from the site",
        "Percent of the hours that were flown; last: half of them drift less than so many km.",
        "to",
        MONTHS,
        (*rows, Row("< km", far)),
    )


def middle_drift(each: SiteAnswers, month: int) -> str:
    """What half of the hours of a month drift less than, by the classes of drift. [km]"""
    counts = each.rose[month].sum(axis=0)
    if not counts.sum():
        return "?"
    k = int(np.searchsorted(np.cumsum(counts), 0.5 * counts.sum()))
    return f">{DRIFT_KM[k]:g}" if k + 1 == len(DRIFT_KM) else f"{DRIFT_KM[k + 1]:g}"


def rose_words(each: SiteAnswers, month: int) -> str:
    """Where landings of a month lie most often, and how far."""
    by_sector = each.rose[month].sum(axis=1)
    if not by_sector.any():
        return "not known"
    far = middle_drift(each, month)
    far = f"over {far[1:]}" if far.startswith(">") else f"under {far}"
    return f"most to {POINTS[int(np.argmax(by_sector))]}, half of them {far} km"


def landing_words(square_km: float, most: float, beyond: float, flights: int) -> str:
    """How a map of landings is read.

    Parameters
    ----------
    square_km, most, beyond : float
        As of `drawing.place_map.LandingMap`.
    flights : int
        How many landed.
    """
    away = "all are on the map" if not beyond else f"{100.0 * beyond:.1f} % lie beyond the map"
    return (
        f"{flights} flights. A square is {square_km:.0f} km high; its number: percent of the "
        f"flights that land in it, from 1 % on. The fullest holds {100.0 * most:.1f} %; {away}."
    )


def _of(part: IntArray | FloatArray, whole: IntArray) -> FloatArray:
    return np.asarray(np.where(whole > 0, part / np.maximum(whole, 1), np.nan))


def _shares(values: FloatArray) -> tuple[Cell, ...]:
    return tuple(map(share_cell, values.tolist()))


def share_cell(share: float) -> Cell:
    """A share as a whole percentage, which never says all or none unless it is so."""
    if np.isnan(share):
        return Cell("?")
    whole = f"{100.0 * share:.0f}"
    if share < 1.0 and whole == "100":
        return Cell(">99", share)
    return Cell("<1" if share > 0.0 and whole == "0" else whole, share)
