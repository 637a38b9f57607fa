"""What was learned of forecasts and chances, drawn in the terminal."""

from collections.abc import Iterable

from rich.console import Console
from rich.table import Table
from rich.text import Text

from windowwatch.cli.show import plain_table, print_note
from windowwatch.errors import InputError
from windowwatch.learning.learned import Learned, Use
from windowwatch.learning.scores import Bin
from windowwatch.learning.verify import ALL_SITES, LeadTable
from windowwatch.physics.spread import KNOT_HEIGHT_M
from windowwatch.wording import learned as words

#: Cells of a bar, and every second knot of the wind's error up to 30 km.
_BAR = 20
#: Columns of two settings that are compared.
_COMPARED = ("ahead", "settings", "hours", "off, km", "in 90 %", "Brier", "go held", "false go",
             "missed go")  # fmt: skip
_KNOTS = tuple(k for k, height in enumerate(KNOT_HEIGHT_M) if height <= 30_000.0)[::2]


def print_learned(console: Console, learned: Learned, use: Use, site: str = ALL_SITES) -> None:
    """Print how good the answers were, for each model, and what would change."""
    print_note(console, words.from_words(learned))
    few = words.few_words(learned)
    if few:
        print_note(console, few)
    models = words.models_of(learned)
    for model in models:
        _print_model(console, learned, model, site)
    if models:
        console.print()
        print_note(console, words.windows_words(learned))
        print_note(console, words.REFERENCE)
    console.print()
    console.print(Text("What would change" if use is Use.SHOW else "What is used", style="bold"))
    print_note(console, words.use_words(use, learned))
    for model in models:
        lines = words.what_would_change(learned, model) or ["as before: nothing differs by 5 %"]
        for line in lines:
            print_note(console, f"{model}: {line}" if len(models) > 1 else line)
    for fault in learned.faults:
        print_note(console, f"Left out: {fault}")


def _print_model(console: Console, learned: Learned, model: str, site: str) -> None:
    tables = words.tables_of(learned, model, site)
    if not tables and len({t.site for t in learned.tables}) == 1:
        tables = words.tables_of(learned, model)  # there is but one site
    if not tables:
        raise InputError(f"nothing of {site} has gone by yet, so nothing is known of it")
    console.print()
    where = f", {site}" if site else ""
    console.print(Text(f"{model}{where}: {words.headline(learned, model)}", style="bold"))
    for title, drawn in (
        ("landings, km: how far off, and what had been claimed", _landings(tables)),
        ("near the ground, m/s: wind and gust error; skill of the chance",
         _below(tables, with_survey=words.has_survey(learned))),
        ("wind aloft, m/s: error found / as the table from memory has it", _aloft(tables)),
    ):  # fmt: skip
        console.print()
        print_note(console, title)
        console.print(drawn)
    console.print()
    for each in tables:
        if each.verdicts.total:
            lead = words.lead_words(each.lead_h)
            print_note(console, f"{lead} before: {words.verdict_words(each)}")
    telling = next((t for t in tables if t.lead_h == 48.0), tables[-1])
    _print_chances(console, telling)
    print_note(console, words.CAME_TRUE)
    for line in words.survey_words(learned):
        print_note(console, line)


def _landings(tables: Iterable[LeadTable]) -> Table:
    table = plain_table("")
    for name in ("lead", "hours", "middle", "claimed", "9 of 10", "claimed", "in 50 %", "in 90 %"):
        table.add_column(name, justify="right", no_wrap=True)
    for each in tables:
        table.add_row(
            words.lead_words(each.lead_h),
            str(each.hours),
            words.estimate_words(each.landing_median_km),
            _number(each.claimed_median_km),
            _number(each.landing_most_km.value),
            _number(each.claimed_most_km),
            *(words.estimate_words(x, share=True) for x in (each.inside_50, each.inside_90)),
        )
    return table


def _below(tables: Iterable[LeadTable], *, with_survey: bool) -> Table:
    table = plain_table("")
    against = ("to survey",) if with_survey else ()
    for name in ("lead", "wind", "claimed", "too high by", "gust", "skill", *against):
        table.add_column(name, justify="right", no_wrap=True)
    for each in tables:
        table.add_row(
            words.lead_words(each.lead_h),
            words.estimate_words(each.surface_rmse_mps, 1),
            _number(each.surface_claimed_mps, 1),
            words.estimate_words(each.surface_bias_mps, 1),
            words.estimate_words(each.gust_rmse_mps, 1),
            words.estimate_words(each.chance.skill, 2),
            *((words.estimate_words(each.chance.survey.skill, 2),) if with_survey else ()),
        )
    return table


def _aloft(tables: Iterable[LeadTable]) -> Table:
    shown = list(tables)
    table = plain_table("")
    table.add_column("km", justify="right", no_wrap=True)
    for each in shown:
        table.add_column(words.lead_words(each.lead_h), justify="right", no_wrap=True)
    for k in _KNOTS:
        cells = [
            f"{_number(t.wind_rmse_mps[k].value, 1)} / {_number(t.wind_claimed_mps[k], 1)}"
            for t in shown
        ]
        table.add_row(f"{KNOT_HEIGHT_M[k] / 1000:.0f}", *cells)
    return table


def _print_chances(console: Console, table: LeadTable) -> None:
    """Chances of a lead: a bar of what came true, with a mark where it should end."""
    if not table.chance.bins:
        return
    print_note(
        console,
        f"chances {words.lead_words(table.lead_h)} before, and how many came true: the bar should "
        "end at the mark",
    )
    for each in table.chance.bins:
        console.print(Text(f"{_bar(each)}  {words.bin_words(each)}"), soft_wrap=True)


def _bar(each: Bin) -> str:
    """What came true as a bar; ``|`` stands where the chance was."""
    share = 0.0 if each.share.value is None else each.share.value
    cells = ["█" if number < round(share * _BAR) else "·" for number in range(_BAR)]
    cells[min(int(each.mean_chance * _BAR), _BAR - 1)] = "|"
    return "".join(cells)


def _number(value: float | None, digits: int = 0) -> str:
    return "–" if value is None else f"{value:.{digits}f}"


def print_compared(
    console: Console,
    names: tuple[str, str],
    models: tuple[str, ...],
    learned: tuple[Learned, Learned],
) -> None:
    """Print how good the answers of two settings were, one under the other at each lead."""
    for each, name in zip(learned, names, strict=True):
        print_note(console, f"{name}: {words.from_words(each)}")
        few = words.few_words(each)
        if few:
            print_note(console, few)
    drawn = plain_table("")
    for title in _COMPARED:
        drawn.add_column(title, justify="left" if title in {"ahead", "settings"} else "right")
    found = [
        {table.lead_h: table for table in words.tables_of(each, model)}
        for each, model in zip(learned, models, strict=True)
    ]
    for lead in sorted(set(found[0]) | set(found[1])):
        for number, (name, tables) in enumerate(zip(names, found, strict=True)):
            drawn.add_row(
                words.lead_words(lead) if number == 0 else "", name, *_row(tables.get(lead))
            )
    if drawn.row_count:
        console.print(drawn)
    print_note(console, words.COMPARED)


def _row(table: LeadTable | None) -> tuple[str, ...]:
    if table is None:
        return ("0", *["–"] * 6)
    said = table.verdicts
    return (
        str(table.hours),
        _number(table.landing_median_km.value, 1),
        _number(None if table.inside_90.value is None else 100.0 * table.inside_90.value),
        _number(table.chance.brier, 3),
        str(said.hits),
        str(said.false_alarms),
        str(said.misses),
    )
