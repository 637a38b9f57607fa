"""What a survey says, in the terminal: sites side by side, then one of them to the bottom."""

from rich.console import Console

from windowwatch.cli.show import plain_table, print_note, print_plain
from windowwatch.scouting.years import SiteAnswers, Surveyed
from windowwatch.wording import survey as words


def print_survey(console: Console, survey: Surveyed, note: str) -> None:
    """The answer first, site by site, then the sites side by side."""
    _print_head(console, survey, note)
    for each in survey.answers:
        print_plain(console, words.site_headline(each))
        console.print()
    _print_tables(console, words.all_sites(survey))
    for caution in words.CAUTIONS:
        print_plain(console, caution)


def print_site(console: Console, survey: Surveyed, each: SiteAnswers, note: str) -> None:
    """All tables of one site."""
    _print_head(console, survey, note)
    print_plain(console, words.site_headline(each))
    print_plain(console, words.spell_words(each))
    console.print()
    _print_tables(console, words.one_site(each))


def _print_head(console: Console, survey: Surveyed, note: str) -> None:
    if note:
        print_plain(console, f"{survey.watch}: {note}")
    print_plain(console, words.head_words(survey))
    for line in words.basis_words(survey):
        print_plain(console, line)
    console.print()


def _print_tables(console: Console, tables: tuple[words.Table, ...]) -> None:
    for each in tables:
        table = plain_table(each.title)
        table.add_column(each.corner)
        for name in each.columns:
            table.add_column(name, justify="right", no_wrap=each.heat)
        more = any(row.more for row in each.rows)
        if more:
            table.add_column("")
        for row in each.rows:
            cells = [cell.text for cell in row.cells]
            table.add_row(row.label, *cells, *([row.more] if more else []))
        console.print(table)
        print_note(console, each.note)
        console.print()
