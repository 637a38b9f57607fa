"""The command `log`: flights that are over, what they teach, and their printed reports."""

import sys
from collections.abc import Sequence
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from windowwatch.chase.said import height_said, place_said, time_said
from windowwatch.cli.common import errors_in_words
from windowwatch.cli.flights import (
    flight_settings,
    flight_store,
    settings_or_none,
)
from windowwatch.clock import SystemClock
from windowwatch.errors import InputError

if TYPE_CHECKING:
    from windowwatch.chase.logbook import Logged, Note
    from windowwatch.chase.reports import Report
    from windowwatch.chase.values import Begun
    from windowwatch.ground.query.features import Ground
    from windowwatch.ground.query.outline import Zone
    from windowwatch.settings.read import Settings
    from windowwatch.storage.flightlog import LoggedAt
    from windowwatch.storage.store import Store

_OUT = click.option("--out", type=click.Path(path_type=Path), help="File; printed when left out.")


@click.group(
    "log", invoke_without_command=True, short_help="Flights that are over, and what they teach."
)
@click.option("--train", is_flag=True, help="The lines that flights teach for [train], with doubt.")
@flight_settings
@click.pass_context
def log_group(context: click.Context, train: bool, settings_path: Path | None) -> None:
    """List every flight: rise, burst, landing, and how far off the forecast was.

    Flights are those that were followed, and those imported from a track with `log import`.
    """
    context.obj = settings_path
    if context.invoked_subcommand is not None:
        if train:
            raise click.UsageError("--train stands alone", context)
        return
    with errors_in_words():
        if train:
            print_train(settings_path)
            return
        settings = settings_or_none(settings_path)
        with flight_store(settings_path, settings) as store:
            log = brought_up(store, settings, SystemClock().now())
            from windowwatch.wording.flightlog import log_words

            if not log:
                click.echo("no flight yet; `windowwatch log import FILE` takes in a track")
            for each in log:
                click.echo(f"{each.flight.key}  {log_words(each)}")


def brought_up(
    store: "Store", settings: "Settings | None", now_utc: datetime
) -> "tuple[Logged, ...]":
    """The whole log, the newest first; made anew where reports have come since."""
    return tuple(
        store.logged_now(each, now_utc, logged_at(settings, each.begun)) for each in store.flights()
    )


def logged_at(settings: "Settings | None", begun: "Begun") -> "LoggedAt | None":
    """Where the forecasts of a flight's launch hour are asked for."""
    from windowwatch.storage.flightlog import logged_from

    if settings is None:
        return None
    watch = settings.watch
    return logged_from(watch.name, watch.sites, watch.train.nozzle_lift_kg, begun)


def print_train(path: Path | None) -> None:
    """Print the lines for the settings that flights teach."""
    settings = settings_or_none(path)
    with flight_store(path, settings) as store:
        for line in train_lines_said(brought_up(store, settings, SystemClock().now()), settings):
            click.echo(line)


def train_lines_said(log: "Sequence[Logged]", settings: "Settings | None") -> list[str]:
    """Lines for the settings that flights teach; `windowwatch learned` says them, too.

    Raises
    ------
    InputError
        Without settings: there is no train to compare with.
    """
    from windowwatch.learning.balloons import courses, kit_of, train_lines
    from windowwatch.storage.flightlog import lessons_of
    from windowwatch.wording.flightlog import TRAIN_CAUTION, train_settings

    if settings is None:
        raise InputError("say whose train is meant: --settings FILE")
    lessons = lessons_of(log)
    train = settings.watch.train
    lines = train_lines(train, kit_of(train), courses(lessons))
    if not lines:
        return [
            f"no closed flight has measured a {kit_of(train).balloon} balloon or a canopy of "
            f"{kit_of(train).parachute}; nothing is to be changed"
        ]
    return [f"# {TRAIN_CAUTION}", "[train]", *train_settings(lines)]


def _import_options(command: Any) -> Any:
    for option in (
        flight_settings,
        click.option("--irregularity", multiple=True, help="What was not as it should be."),
        click.option("--parachute-name", default="", help="By what name such parachutes go."),
        click.option("--balloon-name", default="", help="By what name such balloons go."),
        click.option("--by", required=True, help="Who imports it."),
        click.option("--payload-state", default="", help="In what state the payload was found."),
        click.option("--found-at", help="When it was found, as 2026-05-08T10:20Z."),
        click.option("--found", help="Where it was found, as '46.0123, 7.5678'."),
        click.option("--gas", type=click.Choice(["hydrogen", "helium"]), help="Lifting gas."),
        click.option("--canopy", type=float, help="Fabric of the parachute, m²."),
        click.option("--burst-diameter", type=float, help="At which it was to burst, m."),
        click.option("--lift", type=float, help="Lift measured at the neck, kg."),
        click.option("--payload", type=float, help="Mass of all below the neck, kg."),
        click.option("--balloon", type=float, help="Mass of the empty balloon, kg."),
        click.option("--released", help="When, as 2026-05-08T06:31Z; its track shows it, too."),
        click.option("--height", help="Of the release above sea level, as 420m or 1380ft."),
        click.option("--place", help="Of the release; the first position when left out."),
        click.option("--site", help="Site of the settings from which it was released."),
        click.option("--format", "kind", type=click.Choice(["csv", "gpx", "nmea", "aprs"])),
        click.option("--name", help="For people; the name of the file when left out."),
    ):
        command = option(command)
    return command


@log_group.command("import", short_help="Take in the track of a flight of before.")
@click.argument("file", type=click.Path(path_type=Path))
@_import_options
@click.pass_obj
def import_command(
    before: Path | None, /, file: Path, settings_path: Path | None, **given: Any
) -> None:
    """Take in the track of a flight that is over: CSV or GPX, also NMEA 0183 or APRS packets.

    Its train is that of the settings, with what is given in its place. It is closed from the start.
    """
    with errors_in_words():
        from windowwatch.cli.track_files import read_track

        now = SystemClock().now()
        path = settings_path or before
        settings = settings_or_none(path)
        reports, refused = read_track(file, given["kind"], "file", now)
        reports.sort(key=lambda each: each.time_utc)
        try:
            begun = _begun(file, reports, settings, given)
            end = _closing(begun, reports, given, now)
            notes = _import_notes(file, given, now)
            with flight_store(path, settings) as store:
                store.import_flight(begun, reports, end, notes)
                made = store.log_flight(begun.key, now, logged_at(settings, begun))
        except InputError as error:
            raise InputError(f"{file}: {error.message}") from error
        for each in refused[:10]:
            click.echo(f"line {each.number} left out: {each.why}", err=True)
        if len(refused) > 10:
            click.echo(f"… and {len(refused) - 10} more left out", err=True)
        _say(made, (made,))


def _begun(
    file: Path, reports: "Sequence[Report]", settings: "Settings | None", given: dict[str, Any]
) -> "Begun":
    """The flight of a track: its release where nobody said otherwise is its first position."""
    from windowwatch.chase.values import Begun
    from windowwatch.cli.beginning import place_of, train_of
    from windowwatch.storage.flights import new_key

    placed = [r for r in reports if r.latitude_deg is not None and r.longitude_deg is not None]
    if not placed:
        raise InputError("no position in it has a place")
    first = next((r for r in placed if r.height_m is not None), None)
    if given["site"] is None and given["place"] is None:
        if first is None or first.latitude_deg is None or first.longitude_deg is None:
            raise InputError("no position in it has a height, which rise and burst need")
        assert first.height_m is not None
        height = height_said(given["height"]) if given["height"] else first.height_m
        place = (first.latitude_deg, first.longitude_deg, height)
    else:
        place = place_of(settings, given)
    released = given["released"]
    return Begun(
        key=new_key(),
        name=given["name"] or file.stem,
        begun_utc=placed[0].time_utc,
        latitude_deg=place[0],
        longitude_deg=place[1],
        height_m=place[2],
        train=train_of(settings, given),
        released_utc=None if released is None else time_said(released, placed[-1].time_utc),
    )


def _closing(
    begun: "Begun", reports: "Sequence[Report]", given: dict[str, Any], now: datetime
) -> Any:
    """How an imported flight ended."""
    from windowwatch.chase.values import Closing, Outcome

    if given["found"] is None:
        if given["found_at"] is not None or given["payload_state"]:
            raise InputError("say where it was found, too: --found '46.0123, 7.5678'")
        return Closing(Outcome.OVER, reports[-1].time_utc, given["by"])
    at = reports[-1].time_utc
    if given["found_at"] is not None:
        at = time_said(given["found_at"], now)
    if at < begun.begun_utc - timedelta(minutes=1):
        raise InputError(f"it cannot be found ({at:%Y-%m-%d %H:%M} UTC) before it was released")
    latitude, longitude = place_said(given["found"])
    return Closing(Outcome.RECOVERED, at, given["by"], latitude, longitude, given["payload_state"])


def _import_notes(file: Path, given: dict[str, Any], now: datetime) -> "list[Note]":
    from windowwatch.chase.logbook import Note, NoteKind

    by = given["by"]
    notes = [Note(NoteKind.SOURCE, now, by, file.name)]
    if given["lift"] is not None:
        notes.append(Note(NoteKind.LIFT, now, by, number=given["lift"]))
    for kind, name in ((NoteKind.BALLOON, "balloon_name"), (NoteKind.PARACHUTE, "parachute_name")):
        if given[name]:
            notes.append(Note(kind, now, by, given[name]))
    notes += [Note(NoteKind.IRREGULARITY, now, by, text) for text in given["irregularity"]]
    return notes


def _say(logged: "Logged", log: "Sequence[Logged]") -> None:
    """A flight in full."""
    from windowwatch.learning.balloons import courses
    from windowwatch.storage.flightlog import lessons_of
    from windowwatch.wording.flightlog import log_lines

    click.echo(f"flight {logged.flight.key}, {logged.flight.begun.name}")
    for heading, lines in log_lines(logged, courses(lessons_of(log))):
        click.echo(f"{heading}:")
        for line in lines:
            click.echo(f"  {line}")


def found_in(log: "Sequence[Logged]", key: str | None) -> "Logged":
    """The flight of a key, or the newest one that is closed."""
    if key is None:
        closed = [each for each in log if each.flight.closing is not None]
        if not closed:
            raise InputError("no flight is closed yet; `windowwatch log` names those there are")
        return closed[0]
    for each in log:
        if each.flight.key == key:
            return each
    raise InputError(f"there is no flight {key}; `windowwatch log` names them")


@log_group.command("show", short_help="A flight in full: what it measured, and what it teaches.")
@click.argument("key", required=False)
@flight_settings
@click.pass_obj
def show_command(before: Path | None, key: str | None, settings_path: Path | None) -> None:
    """Show a flight in full; the newest one that is closed where no KEY is given."""
    with errors_in_words():
        path = settings_path or before
        settings = settings_or_none(path)
        with flight_store(path, settings) as store:
            log = brought_up(store, settings, SystemClock().now())
            _say(found_in(log, key), log)


@log_group.command("note", short_help="Note something of a flight.")
@click.argument("key")
@click.option("--by", required=True, help="Who notes it.")
@click.option("--lift", type=float, help="Lift that was measured at the neck, kg.")
@click.option("--balloon-name", help="By what name such balloons go.")
@click.option("--parachute-name", help="By what name such parachutes go.")
@click.option("--announced", help="Middle of the area that was announced, as '46.01, 7.56'.")
@click.option("--radius", help="Of that area, as 12km.")
@click.option("--irregularity", help="What was not as it should be.")
@click.option("--leave-out", help="Learn nothing of this flight, and why.")
@flight_settings
@click.pass_obj
def note_command(
    before: Path | None, /, key: str, settings_path: Path | None, **given: Any
) -> None:
    """Note something of the flight KEY, closed or not. Notes are only ever added."""
    with errors_in_words():
        now = SystemClock().now()
        path = settings_path or before
        settings = settings_or_none(path)
        notes = _notes(given, now)
        with flight_store(path, settings) as store:
            store.note_flight(key, notes)
            flight = store.flight(key)
            assert flight is not None
            made = store.log_flight(key, now, logged_at(settings, flight.begun))
            click.echo(f"noted of flight {key}, {made.flight.begun.name}")
            if made.why:
                click.echo(made.why)


def _notes(given: dict[str, Any], now: datetime) -> "list[Note]":
    from windowwatch.chase.logbook import Note, NoteKind

    by = given["by"]
    texts = {"balloon_name": NoteKind.BALLOON, "parachute_name": NoteKind.PARACHUTE,
             "irregularity": NoteKind.IRREGULARITY, "leave_out": NoteKind.LEFT_OUT}  # fmt: skip
    notes = [Note(kind, now, by, given[name]) for name, kind in texts.items() if given[name]]
    if given["lift"] is not None:
        notes.append(Note(NoteKind.LIFT, now, by, number=given["lift"]))
    if (given["announced"] is None) != (given["radius"] is None):
        raise InputError("an area has a middle and a radius: give both --announced and --radius")
    if given["announced"] is not None:
        latitude, longitude = place_said(given["announced"])
        notes.append(
            Note(NoteKind.ANNOUNCED, now, by, "", _radius_m(given["radius"]), latitude, longitude)
        )
    if not notes:
        raise InputError("say what is noted: --irregularity, --lift, --announced, --leave-out, …")
    return notes


def _radius_m(text: str) -> float:
    said = text.strip().lower()
    if said.endswith("km"):
        try:
            return 1e3 * float(said[:-2])
        except ValueError:
            raise InputError(f"{text!r} is no radius; write it as 12km or 8000m") from None
    return height_said(text)


@log_group.command("report", short_help="One page of a flight to print, for client and authority.")
@click.argument("key", required=False)
@_OUT
@flight_settings
@click.pass_obj
def report_command(
    before: Path | None, key: str | None, out: Path | None, settings_path: Path | None
) -> None:
    """Write the report of a flight as one HTML page that prints on A4 and letter."""
    with errors_in_words():
        _write_page(settings_path or before, out, key, season=False)


@log_group.command("season", short_help="All flights on a page for the team.")
@_OUT
@flight_settings
@click.pass_obj
def season_command(before: Path | None, out: Path | None, settings_path: Path | None) -> None:
    """Write all flights as one HTML page for the team, with what they teach."""
    with errors_in_words():
        _write_page(settings_path or before, out, None, season=True)


@log_group.command("csv", short_help="All flights as CSV.")
@_OUT
@flight_settings
@click.pass_obj
def csv_command(before: Path | None, out: Path | None, settings_path: Path | None) -> None:
    """Write all flights as CSV, a row each."""
    with errors_in_words():
        from windowwatch.web.data.chase import log_csv

        path = settings_path or before
        settings = settings_or_none(path)
        with flight_store(path, settings) as store:
            _written(out, log_csv(brought_up(store, settings, SystemClock().now())))


def _write_page(path: Path | None, out: Path | None, key: str | None, *, season: bool) -> None:
    """A page of its own: style and drawing are in it."""
    from windowwatch.cli.common import settings_of
    from windowwatch.web.pages.flightpaper import paper_html, season_html
    from windowwatch.web.pages.render import Pages

    settings = None if path is None else settings_of(path)
    with flight_store(path, settings) as store:
        log = brought_up(store, settings, SystemClock().now())
        if season:
            train = None if settings is None else settings.watch.train
            _written(out, season_html(Pages(), log, train))
            return
        each = found_in(log, key)
        ground: Ground | None = None
        zones: Sequence[Zone] = ()
        if settings is not None:
            from windowwatch.ground.query.outline import zones_of

            ground = settings.watch.ground
            zones = zones_of(ground)
        _written(out, paper_html(Pages(), each, store.reports(each.flight.key), ground, zones))


def _written(out: Path | None, text: str) -> None:
    if out is None:
        sys.stdout.write(text)
        return
    try:
        out.write_text(text, encoding="utf-8")
    except OSError as error:
        raise InputError(f"{out}: cannot be written: {error.strerror}") from error
    click.echo(f"{out} is written")


COMMANDS = (log_group,)
