"""What a survey says, in the terminal: sites side by side, then one of them to the bottom."""

import click
import numpy as np
from rich.console import Console
from rich.table import Table

from windowwatch.cli.show import plain_table, print_plain
from windowwatch.survey.answers import Pair, SiteAnswers
from windowwatch.survey.found import Found
from windowwatch.wording.survey import (
    CAUTIONS,
    MONTHS,
    POINTS,
    dry_words,
    headline,
    left_out_words,
    limit_words,
    mean_words,
    range_words,
    share_words,
)

#: Days of standing by that are shown in a terminal; the report has all fourteen.
_DAYS = (1, 2, 3, 5, 7, 10, 14)


def print_survey(console: Console, found: Found) -> None:
    """The answer first, site by site, then the sites on the same days."""
    _print_head(console, found)
    answers = found.answers()
    for each in answers:
        print_plain(
            console, headline(each.site, each.month_share.tolist(), each.standing.chance.tolist())
        )
        console.print()
    table = plain_table("good launch hours in daylight, percent")
    table.add_column("site", no_wrap=True)
    for month in MONTHS:
        table.add_column(month, justify="right", no_wrap=True)
    for each in answers:
        table.add_row(each.site, *(_percent(share) for share in each.month_share))
    console.print(table)
    _print_pairs(console, found.pairs())
    for words in CAUTIONS:
        print_plain(console, words)


def _print_head(console: Console, found: Found) -> None:
    about = found.about
    if about["note"]:
        click.echo(f"{about['watch']}: {about['note']}")
    step = about["step_s"] / 3600.0
    print_plain(
        console,
        f"{found.coverage()}; a launch hour every {step:g} h, {about['draws']} flights for each; "
        f"weather: {about['credit'] or about['archive']}",
    )
    for name, why, fields in about["left_out"]:
        print_plain(console, f"not asked: {left_out_words(name, why, fields)}")
    console.print()


def _print_pairs(console: Console, pairs: tuple[Pair, ...]) -> None:
    if not pairs:
        return
    table = plain_table("days with a window, both sites known")
    for name in ("sites", "both", "only the first", "only the second", "neither"):
        table.add_column(name, justify="left" if name == "sites" else "right", no_wrap=True)
    for p in pairs:
        counts = (p.days_both, p.days_only_first, p.days_only_second, p.days_neither)
        table.add_row(f"{p.first} / {p.second}", *map(str, counts))
    console.print(table)


def print_site(console: Console, found: Found, each: SiteAnswers) -> None:
    """All tables of one site."""
    _print_head(console, found)
    print_plain(
        console, headline(each.site, each.month_share.tolist(), each.standing.chance.tolist())
    )
    if each.dry_from is not None and each.dry_until is not None:
        days = (each.dry_until - each.dry_from).days + 1
        words = dry_words(days, each.dry_from, each.dry_until)
        print_plain(console, f"Longest spell without a window: {words}.")
    console.print()
    for table in (_months(each), _hours(each), _standing(each), _limits(each), _drift(each)):
        console.print(table)
        console.print()


def _months(each: SiteAnswers) -> Table:
    table = plain_table("month by month")
    for name in ("", "good in daylight", "year by year", "windows", "longest without", "not known"):
        table.add_column(name, justify="right" if name else "left", no_wrap=True)
    for m in range(12):
        table.add_row(
            MONTHS[m],
            share_words(each.month_share[m]),
            range_words(each.year_share[:, m].tolist()),
            mean_words(each.windows_a_month[:, m].tolist()),
            f"{each.dry_days[m]} days",
            f"{each.unknown[m]} h",
        )
    return table


def _hours(each: SiteAnswers) -> Table:
    """Shares by month and local hour; hours that are dark the whole year are left out."""
    shown = [h for h in range(24) if (each.known[:, h] > each.dark[:, h]).any()]
    table = plain_table("good hours by local hour, percent (· dark, ? not known)")
    table.add_column("", no_wrap=True)
    for hour in shown:
        table.add_column(f"{hour:02d}", justify="right", no_wrap=True)
    for m in range(12):
        cells = [
            "·" if each.known[m, h] and each.known[m, h] == each.dark[m, h]
            else _percent(each.share[m, h])
            for h in shown
        ]  # fmt: skip
        table.add_row(MONTHS[m], *cells)
    return table


def _standing(each: SiteAnswers) -> Table:
    table = plain_table(
        "at least one window within so many days, percent of spans (not known: none)"
    )
    table.add_column("days", no_wrap=True)
    for days in _DAYS:
        table.add_column(str(days), justify="right", no_wrap=True)
    for m in range(12):
        table.add_row(MONTHS[m], *(_percent(each.standing.chance[m, days - 1]) for days in _DAYS))
    return table


def _limits(each: SiteAnswers, most: int = 6) -> Table:
    table = plain_table("what limits hours in daylight that are not good, percent of them")
    table.add_column("", no_wrap=False)
    for month in MONTHS:
        table.add_column(month, justify="right", no_wrap=True)
    total = each.limited.sum(axis=1)
    for k, name in enumerate(each.limits[:most]):
        shares = np.where(total > 0, each.limited[:, k] / np.maximum(total, 1), np.nan)
        table.add_row(limit_words(name), *(_percent(share) for share in shares))
    return table


def _drift(each: SiteAnswers) -> Table:
    table = plain_table("landings lie to (percent of hours flown)")
    table.add_column("", no_wrap=True)
    for point in POINTS[::2]:
        table.add_column(point, justify="right", no_wrap=True)
    for m in range(12):
        by_sector = each.rose[m].sum(axis=1)
        # eight points: each its own sector, and half of those beside it
        eight = by_sector[::2] + 0.5 * (by_sector[1::2] + np.roll(by_sector[1::2], 1))
        shares = eight / by_sector.sum() if by_sector.sum() else np.full(8, np.nan)
        table.add_row(MONTHS[m], *(_percent(share) for share in shares))
    return table


def _percent(share: float) -> str:
    if np.isnan(share):
        return "?"
    whole = f"{100.0 * share:.0f}"
    return ">99" if whole == "100" and share < 1.0 else whole
