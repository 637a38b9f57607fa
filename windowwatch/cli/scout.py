"""`windowwatch scout`: from which place of a region to launch, over the newest stored forecast."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import click

from windowwatch.cli.common import (
    Number,
    Where,
    day_typed,
    errors_in_words,
    parse_time,
    present,
    rehearsal_file,
    results,
    results_options,
    settings_of,
)
from windowwatch.cli.early import require_file
from windowwatch.errors import InputError

if TYPE_CHECKING:
    from rich.console import Console

    from windowwatch.scouting.values import Order, PlaceHours, Scouting
    from windowwatch.settings.read import Settings

#: Places in the first, coarse table.
_FIRST_LOOK = 3
#: Columns and rows of a map in the terminal: a letter is about twice as high as wide.
_COLUMNS, _LETTER = 72, 2.0


@dataclass(frozen=True)
class Typed:
    """What was typed, as far as it is not read yet."""

    region: Path | None
    around: str | None
    begin: str | None
    hours: int
    spacing_km: float
    draws: int
    apart_km: float
    best: int
    land_in: Path | None
    map_file: Path | None


def _options(command: Callable[..., Any]) -> Callable[..., Any]:
    path = click.Path(path_type=Path)
    km = Number(0.2, 200.0, "km", "2 to 10")
    for option in (
        click.option("--map", "map_file", type=path, help="Write the maps as one HTML file."),
        click.option(
            "--land-in", type=path, help="GeoJSON polygon: from where does it land inside?"
        ),
        click.option(
            "--best", type=click.IntRange(1, 26), default=5, show_default=True,
            help="So many places in the table.",
        ),
        click.option(
            "--apart", "apart_km", type=Number(0.0, 500.0, "km", "10 to 30"), default=15.0,
            show_default=True, help="Those lie so far apart. [km]",
        ),
        click.option(
            "--draws", type=click.IntRange(1, 256), default=16, show_default=True,
            help="Flights for each launch hour and member.",
        ),
        click.option(
            "--spacing", "spacing_km", type=km, default=5.0, show_default=True,
            help="No two places are nearer to each other. [km]",
        ),
        click.option(
            "--hours", type=click.IntRange(1, 240), default=48, show_default=True,
            help="Launch hours from --from on.",
        ),
        click.option(
            "--from", "begin",
            help="First launch hour, local, as 2026-05-08T04:00, or a day; now when left out.",
        ),
        click.option("--around", help="The region: latitude,longitude,kilometres."),
        click.option("--region", type=path, help="The region: polygons in a GeoJSON file."),
    ):  # fmt: skip
        command = option(command)
    return command


@click.command("scout", short_help="From which place of a region to launch.")
@results_options
@_options
def scout_command(where: Where, **typed: Any) -> None:
    """Fly and score candidate places of a region over the newest stored forecast.

    Places lie by a road, on open ground, outside built-up and closed land and closed airspace.
    Each is asked what the watch asks of its sites.
    """
    with errors_in_words():
        asked = Typed(**typed)
        if (asked.region is None) == (asked.around is None):
            raise InputError(
                "name the region by one of --region FILE (GeoJSON) and --around "
                "LATITUDE,LONGITUDE,KM"
            )
        for file, what in (
            (asked.region, "a GeoJSON file with the region"),
            (asked.land_in, "a GeoJSON file with where it is to land"),
        ):
            if file is not None:
                require_file(file, what)
        if asked.map_file is not None and asked.map_file.suffix.lower() not in (".html", ".htm"):
            raise InputError(f"{asked.map_file}: the maps are written as HTML; end it in .html")
        _scout(where, asked)


def _scout(where: Where, typed: Typed) -> None:
    """Scout, store what there is as it comes, and show it."""
    from windowwatch.cli import show
    from windowwatch.logs import LogStyle
    from windowwatch.storage.engine import sqlite_url
    from windowwatch.watch.launchday.opening import OpenAs
    from windowwatch.watch.run.scouting import ByWhom, scout

    settings = settings_of(where.settings)
    limits = settings.file.service.limits()
    console = show.terminal()
    url = settings.database_url()
    if where.rehearsal:
        url = sqlite_url(rehearsal_file(settings))
    near = settings.near_plan()
    with results(where) as (_, store, _), show.progress_bar() as told:
        now = present(where, store, settings.watch.name)
        order = _order(typed, settings, now)

        def first_look(found: "Scouting") -> None:
            store.save_scouting(found)
            _first_look(console, found)

        found = scout(
            settings.watch,
            order,
            store,
            url,
            now,
            ByWhom(limits, LogStyle()),
            named=OpenAs() if where.rehearsal else OpenAs(*settings.ledger_names()),
            finer=None if near is None else near.finer.model.name,
            progress=told,
            coarse=first_look,
        )
        store.save_scouting(found)
    print_scouting(console, found, typed.best)
    if typed.map_file is not None:
        _write_map(typed.map_file, settings, found, typed.best)
    page = "page --rehearsal" if where.rehearsal else "page"
    click.echo(f"\nStored; `windowwatch {page}` shows it at /scout, hour by hour")


def _order(typed: Typed, settings: "Settings", now: datetime) -> "Order":
    """What is to be scouted, out of what was typed."""
    from windowwatch.clock import floor_to_step
    from windowwatch.ground.region import read_region, region_around
    from windowwatch.scouting.values import Order

    step, zone = settings.watch.span.step, ZoneInfo(settings.watch.sites[0].time_zone)
    begin = now if typed.begin is None else _begin(typed.begin, zone)
    first = floor_to_step(begin, step)
    first = first if first >= begin else first + step
    region = (
        region_around(typed.around or "")
        if typed.region is None
        else read_region(typed.region, "--region")
    )
    wanted = None if typed.land_in is None else read_region(typed.land_in, "--land-in")
    return Order(
        region=region,
        times_utc=tuple(first + number * step for number in range(typed.hours)),
        spacing_km=typed.spacing_km,
        apart_km=typed.apart_km,
        draws=typed.draws,
        land_in=wanted,
    )


def _begin(text: str, zone: ZoneInfo) -> datetime:
    day = day_typed(text)
    return parse_time(text if day is None else f"{text}T00:00", zone)


def _first_look(console: "Console", found: "Scouting") -> None:
    from windowwatch.wording.scouting import answer_words

    console.print(f"First look, {len(found.found)} of {len(found.places)} places, spread over all:",
                  style="bold", highlight=False)  # fmt: skip
    console.print(f"  {answer_words(found)}", highlight=False)
    _print_best(console, found, found.best(_FIRST_LOOK), heading="")
    console.print()


def print_scouting(console: "Console", found: "Scouting", most: int) -> None:
    """Print what scouting found: the answer, the best places, maps, and blocks for settings."""
    from windowwatch.cli.show import print_note, print_plain
    from windowwatch.wording import scouting as words

    zone = ZoneInfo(found.places[0].time_zone)
    best = found.best(most)
    console.print(words.answer_words(found), style="bold", highlight=False)
    print_plain(console, words.head_words(found, zone))
    print_plain(console, words.order_words(found))
    console.print()
    _print_best(console, found, best, f"The best places that lie {found.asked.apart_km:g} km apart")
    console.print()
    _print_maps(console, found, best)
    for note in words.notes(found):
        print_note(console, note)
    for number, (each, _) in enumerate(best):
        console.print()
        letter = words.letter_of(number)
        console.print(f"Settings for {letter}:", style="bold", highlight=False)
        click.echo(words.settings_block(found.places[each.place]))
    console.print()
    if best:
        print_plain(console, words.AFTERWARDS)
    print_plain(console, words.CAUTION)


def _print_best(
    console: "Console", found: "Scouting", best: "Sequence[tuple[PlaceHours, int]]", heading: str
) -> None:
    from windowwatch.cli.show import plain_table, print_note
    from windowwatch.wording.scouting import letter_of, place_row

    if not best:
        print_note(console, "no place to tell of")
        return
    wanted = found.asked.land_in is not None
    table = plain_table(heading)
    for name in ("", "place", "release, local", "verdict"):
        table.add_column(name, no_wrap=True)
    for name in ("score", "chance", *(("inside",) if wanted else ()), "go h"):
        table.add_column(name, justify="right", no_wrap=True)
    table.add_column("lands", no_wrap=True)
    rows = [place_row(found, *pair, letter_of(number)) for number, pair in enumerate(best)]
    for row in rows:
        table.add_row(
            row.letter, row.name, row.when, f"{row.mark} {row.verdict}", row.score, row.chance,
            *((row.inside,) if wanted else ()), str(row.go_hours), row.lands,
        )  # fmt: skip
    console.print(table)
    for row in rows:
        print_note(console, f"{row.letter}: {row.where}; nearest to its limit: {row.why}")


def _print_maps(
    console: "Console", found: "Scouting", best: "Sequence[tuple[PlaceHours, int]]"
) -> None:
    """Two maps in letters, by each place's best hour: the chance, and what limits."""
    from windowwatch.cli.show import print_note
    from windowwatch.wording.scouting import letter_of, limit_lines, share_words, small_letter

    limits = found.limits()
    number_of = {name: small_letter(number) for number, (name, _) in enumerate(limits)}
    told = {each.place: letter_of(number) for number, (each, _) in enumerate(best)}
    ranked = found.ranked()
    width = min(_COLUMNS, console.width - 2)

    def chance(each: "PlaceHours", hour: int) -> str:
        letter = each.verdicts[hour]
        if letter not in "gc":
            return {"n": "×", "u": "?"}[letter]
        share = each.share(hour)
        return "–" if share is None else "#" if share >= 0.95 else str(int(10.0 * share))

    def limit(each: "PlaceHours", hour: int) -> str:
        if each.verdicts[hour] == "g":
            return "+"
        return number_of.get(each.limit[hour] or "", "?")

    head = f"{share_words(found)}, at the best hour of each place"
    console.print(head, style="bold", highlight=False)
    _print_rows(drawn_places(found, ranked, chance, width, told))
    print_note(
        console,
        "Digit: tenths of that at a go or caution hour, # from 95 %; × no-go; ? unknown; "
        "blank no place. Capital letters: the places of the table.",
    )
    console.print("What is most in the way then", style="bold", highlight=False)
    _print_rows(drawn_places(found, ranked, limit, width, {}))
    legend = "; ".join(f"{letter} {what} ({count})" for letter, what, count in limit_lines(limits))
    print_note(console, f"+ go{'; ' if legend else ''}{legend}.")


def _print_rows(rows: Sequence[str]) -> None:
    for row in rows:
        click.echo(f"  {row}".rstrip())


def drawn_places(
    found: "Scouting",
    ranked: "Sequence[tuple[PlaceHours, int]]",
    sign: "Callable[[PlaceHours, int], str]",
    columns: int,
    told: "dict[int, str]",
) -> tuple[str, ...]:
    """A map in letters, north up: where several places fall on one letter the best is shown.

    `told` has letters of places that are shown instead of what `sign` says.
    """
    import numpy as np

    from windowwatch.drawing.hour_map import Flat

    rings = [np.array(ring) for ring in found.asked.outline]
    corners = np.vstack(rings)
    turned = np.unwrap(corners[:, 1], period=360.0)
    low, high = (float(f(corners[:, 0])) for f in (np.min, np.max))
    west, east = float(turned.min()), float(turned.max())
    half_x = max((east - west) / 2.0 * np.cos(np.radians((low + high) / 2.0)), 1e-3) * 111.19
    half_y = max((high - low) / 2.0, 1e-3) * 111.19
    flat = Flat((low + high) / 2.0, (west + east) / 2.0, half_x, half_y, float(columns))
    rows = max(round(flat.height / _LETTER), 1)
    drawn = [[" "] * columns for _ in range(rows)]

    def cell(latitude_deg: float, longitude_deg: float) -> tuple[int, int]:
        x, y = flat.point(latitude_deg, longitude_deg)
        return min(max(int(y / _LETTER), 0), rows - 1), min(max(int(x), 0), columns - 1)

    for each, hour in reversed(ranked):  # the best is put last, and stays
        place = found.places[each.place]
        row, column = cell(place.latitude_deg, place.longitude_deg)
        drawn[row][column] = sign(each, hour)
    for number, letter in told.items():
        place = found.places[number]
        row, column = cell(place.latitude_deg, place.longitude_deg)
        drawn[row][column] = letter
    return tuple("".join(row).rstrip() for row in drawn)


def _write_map(file: Path, settings: "Settings", found: "Scouting", most: int) -> None:
    """Write the maps as one file that needs no other."""
    from windowwatch.web.pages.scout import scout_file

    made = scout_file(found, settings.watch.ground, settings.file.watch.note or "", most)
    try:
        file.write_text(made, encoding="utf-8")
    except OSError as error:
        raise InputError(f"{file}: cannot be written ({error.strerror})") from error
    click.echo(f"\n{file}: {len(made.encode()) / 1e3:.0f} kB, the maps with every hour")


COMMANDS = (scout_command,)
