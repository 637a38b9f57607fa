"""What the longer commands do: rehearse, show the page, one pass, one look."""

import logging
import os
import sqlite3
import sys
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import click
from rich.console import Console

from windowwatch.cli import show
from windowwatch.cli.common import EXAMPLE, no_rehearsal, rehearsal_file
from windowwatch.cli.show import progress_bar
from windowwatch.clock import Clock, ShiftedClock, SystemClock, from_unix_s
from windowwatch.errors import InputError, StorageError
from windowwatch.forecast.cycle import CycleData
from windowwatch.forecast.sources import load_files, scan_folder
from windowwatch.logs import LogStyle
from windowwatch.notices.values import Channel
from windowwatch.scoring.opinions import Role
from windowwatch.settings.read import Settings
from windowwatch.storage.engine import sqlite_url
from windowwatch.storage.store import ready_store
from windowwatch.watch.launchday.aloft import FlownToGround
from windowwatch.watch.pipeline import PassResult, run_pass
from windowwatch.watch.run.ahead import FlownAhead
from windowwatch.watch.run.rehearsal import Heard, Rehearsal
from windowwatch.watch.run.rehearsal import rehearse as replay
from windowwatch.watch.values import area_of
from windowwatch.wording.chase import place_words
from windowwatch.wording.checks import refusal_gist
from windowwatch.wording.gaps import notes_words
from windowwatch.wording.learned import summary
from windowwatch.wording.phrases import length

#: In a rehearsal everything is "told" here, and to nobody else.
TERMINAL = Channel("this terminal", "none://")


def rehearse(settings: Settings, folder: Path | None) -> None:
    """Replay the cycles of a folder into a database of their own, and show what came of it."""
    console = Console()
    folder = (folder or settings.forecast_folder).resolve()
    watch = replace(settings.watch, channels=(TERMINAL,))
    look = scan_folder(folder, model=watch.model)
    for each in look.set_aside:
        click.echo(f"set aside: {each.reason}", err=True)
    database = rehearsal_file(settings)
    others = _heard(settings)
    flown = len(look.cycles) + sum(len(other.found) for other in others)
    if look.cycles:  # without any there is an error to say, and nothing else
        _show_opening(console, settings, flown)
    told_before: set[str] = set()

    def passed(each: PassResult) -> None:
        show_pass(console, each, told_before)
        sys.stdout.flush()  # as they come, into a pipe as well

    with (
        in_place_of(database) as anew,
        ready_store(sqlite_url(anew)) as store,
        FlownAhead(watch, min(2, os.cpu_count() or 1)) as ahead,
        progress_bar() as told,
    ):
        result = replay(
            look.cycles,
            watch,
            store,
            begin=ahead.begin,
            at_once=ahead.at_once,
            available_after=settings.available_after,
            send=lambda _channel, _message: None,
            progress=told,
            passed=passed,
            others=others,
            launch=True,
        )
    _show_rehearsal(console, result, settings)
    click.echo(f"\nEverything is in {database}")
    more = f"--rehearsal{_settings_words(settings)}"
    click.echo("Look into it:")
    for words, what in (
        (f"page {more}", "in a browser"),
        (f"sites {more}", "the sites, the best first"),
        (f"hours {watch.sites[0].name} {more}", "every hour, and what limits it"),
        (f"explain KEY {more}", "what stands behind a notice"),
        (f"plan show {more}", "the launch that was played"),
        (f"learned {more}", "how good the forecasts were"),
    ):
        click.echo(f"  {_program()} {words:<{_WIDTH}} {what}")


def _heard(settings: Settings) -> list[Heard]:
    """Cycles of the other models that lie in folders of theirs."""
    heard = []
    for source in settings.sources()[1:]:
        if source.folder is None:
            click.echo(f"{source.model} is fetched, so a rehearsal has none of it", err=True)
            continue
        look = scan_folder(source.folder, model=source.model)
        heard.append(Heard(look.cycles, source.available_after))
    return heard


def show_page(
    settings: Settings, host: str, port: int, at: datetime | None, *, rehearsal: bool
) -> None:
    """Serve the page of what is stored, by the present or a given time.

    A rehearsal's clock starts where the rehearsal ended.
    """
    from windowwatch import daemon  # a second and 12 MB that no other command here needs
    from windowwatch.watch.launchday.opening import OpenAs
    from windowwatch.watch.run.scouting import ScoutRuns

    url, note = settings.database_url(), ""
    if rehearsal:
        file = rehearsal_file(settings)
        if not file.exists():
            raise no_rehearsal(settings)
        url = sqlite_url(file)
        note = "A rehearsal: stored forecasts on a simulated clock. Nothing of it is to come."
    with ready_store(url) as store:
        stored = store.cycles(settings.watch.name)
        if rehearsal and at is None and stored:
            at = stored[-1].saved_utc
        facts = settings.page_facts(looks=False, note=note)
        clock = SystemClock() if at is None else ShiftedClock(at)
        flown_with = daemon.scout_with(settings)
        if rehearsal:
            flown_with = replace(flown_with, database_url=url, named=OpenAs())
        daemon.show_page(
            replace(facts, rehearsal=rehearsal),
            store,
            clock,
            host,
            port,
            ready=lambda page: click.echo(f"The page is at {page}  (stop with Ctrl-C)"),
            estimates=daemon.estimates_of(settings) if not rehearsal else None,
            scouts=ScoutRuns(store, clock, lambda: flown_with),
        )


#: Of the commands that a rehearsal ends with, so that what they show stands in a column.
_WIDTH = 34


def _program() -> str:
    """Name of this program as it was typed, when it was typed with its folder."""
    typed = sys.argv[0]
    plain = Path(typed).name == "windowwatch" and not Path(typed).is_absolute()
    return typed if plain else "windowwatch"


def _settings_words(settings: Settings) -> str:
    return "" if settings.path == EXAMPLE else f" --settings {settings.path}"


def _show_opening(console: Console, settings: Settings, flown: int) -> None:
    """What a rehearsal is about; `flown` forecasts of one or several models."""
    watch, note = settings.watch, settings.file.watch.note
    models = "the weather model"
    if watch.others:
        models = f"the weather model {watch.model}, which decides, and of {', '.join(watch.others)}"
    if note:
        click.echo(f"{watch.name}: {note}")
    show.print_plain(
        console,
        f"{flown} forecasts of {models}, one after the other as they came "
        f"in, each for every launch hour at {', '.join(site.name for site in watch.sites)}. "
        "Nothing is sent to anybody: what phones would have got stands below.",
    )
    console.rule("cycles (runs of the weather model)")


def _show_rehearsal(console: Console, result: Rehearsal, settings: Settings) -> None:
    console.rule("notices, in the order they were told")
    for number, told in enumerate(result.told, start=1):
        show.print_notice(console, number, told.message, told.at_utc)
    if not result.told:
        click.echo("none")
    console.rule("windows after the last cycle")
    show.print_windows(console, result.windows, settings.watch.sites)
    played = result.played
    if played is not None:
        console.rule("a planned launch, played")
        for number, told in enumerate(played.told, start=len(result.told) + 1):
            show.print_notice(console, number, told.message, told.at_utc)
    if result.flown is not None:
        console.rule("its flight, followed to the ground")
        for line in _flown_lines(result.flown):
            show.print_plain(console, line)
    if result.learned is not None:
        console.rule("what the cycles say of one another")
        for line in summary(result.learned, (settings.watch.model,)):
            show.print_note(console, line)


def _flown_lines(flown: FlownToGround) -> Iterator[str]:
    """How well the landing of a played flight was told."""
    yield (
        f"Flight {flown.key} flew in air that the forecast did not know, with a train of its own. "
        f"It came down at {place_words(*flown.landing)}, {flown.landed_utc:%H:%M} UTC. Its tracker "
        f"reported {flown.reports} times; {flown.unused} of them were wild and are not used."
    )
    for when, miss in (
        ("forecast", flown.forecast),
        ("burst seen", flown.burst),
        ("10 min before down", flown.before_landing),
    ):
        if miss is None:
            yield f"  {when:<18} no landing was told"
        else:
            yield (
                f"  {when:<18} {miss.at_utc:%H:%M} UTC {miss.error_m / 1e3:6.1f} km off; "
                f"nine in ten within {miss.major_90_m / 1e3:.1f} km"
            )
    for each in flown.crews:
        if each.at_utc is None:
            yield f"  {each.crew}: no way leads there"
        else:
            after = length(max(each.at_utc - flown.landed_utc, timedelta(0)))
            soonest = (
                ""
                if each.soonest_utc is None
                else (f"; {each.soonest_utc:%H:%M} had it known where from the start")
            )
            there = f"there {each.at_utc:%H:%M} UTC, {after} after the landing"
            yield f"  {each.crew}: {there}{soonest}"


def show_pass(console: Console, result: PassResult, told_before: set[str]) -> None:
    """Say in a few lines what one pass did.

    `told_before` holds what was said of earlier forecasts, and takes what is said of this one:
    what is true of all of them is said once.
    """
    refused = [hour for hour in result.hours if hour.refused is not None]
    kinds = [str(change.kind) for change in result.changes]
    told = ", ".join(f"{kinds.count(kind)} {kind}" for kind in dict.fromkeys(kinds))
    told = f"told: {told}" if told else "no change"
    if result.recombined:
        words = f"{result.cycle_id} once more, with what other models say now: {told}"
        console.print(words, highlight=False)
        return
    barred = f", {len(refused)} of them refused" if refused else ""
    if result.role is Role.OPINION:
        decided = "asked what it thinks"
    else:
        decided = f"windows: {show.state_counts(result.windows)}; {told}"
    console.print(
        f"{result.cycle_id}: {len(result.hours)} launch hours{barred}, {result.flights} flights; "
        f"{decided}",
        highlight=False,
    )
    reasons = Counter(refusal_gist(hour.refused) for hour in refused if hour.refused)
    for reason, count in reasons.items():
        show.print_note(console, f"refused {count} h: {reason}")
    noted = notes_words((*result.gaps, *result.remarks))
    for words in dict.fromkeys(noted):
        if words not in told_before:
            show.print_note(console, f"of the forecast: {words}")
    told_before.update(noted)
    if not result.saved:
        show.print_note(console, "this cycle was stored already; the stored answer stands")


def one_pass(settings: Settings, files: Sequence[Path], at: datetime | None, clock: Clock) -> None:
    """Pass one cycle by hand, at a given time or, for a past cycle, at the cycle's own."""
    with progress_bar() as told:
        told("reading", 0.0)
        data = load_files(list(files), settings.watch.model, area=area_of(settings.watch.sites))
        now = _now_for(data, at, clock)
        with ready_store(settings.database_url()) as store:
            watch = replace(settings.watch, channels=settings.channels())
            result = run_pass(data, watch, store, now_utc=now, progress=told)
            place = store.place
    console = Console()
    show_pass(console, result, set())
    show.print_windows(console, result.windows, settings.watch.sites)
    click.echo(f"now was taken to be {now:%Y-%m-%d %H:%M} UTC; results are in {place}")


def look_once(settings: Settings, clock: Clock, record: Path | None = None) -> None:
    """Look once at every weather model: fetch what is there, pass what is new, and show it.

    With `record`, what the providers answer is written down in that folder.
    """
    fetches = settings.file.forecast.near_ground or any(s.network for s in settings.sources())
    if record is not None and not fetches:
        raise InputError(
            f"{settings.path}: nothing is fetched, so there is nothing to record; give "
            "[forecast] a source"
        )
    # the ways to providers: 0.3 s and 12 MB that a rehearsal does not need
    from windowwatch.watch.polling.watching import PassContext, Watching

    url, limits = settings.database_url(), settings.file.service.limits()
    with progress_bar() as told, ready_store(url) as store:
        watch = replace(settings.watch, channels=settings.channels())
        context = PassContext(url, limits, LogStyle(logging.WARNING), progress=told, record=record)
        near = settings.near_plan()
        watching = Watching(watch, settings.sources(), store, clock, context, near)
        # Files in a folder must be quiet from one look to the next.
        with closing(watching):
            results = watching.look(every=True)
            if all(each.recombined for each in results):
                results += watching.look(every=True)
        if record is not None:
            click.echo(f"what was answered is in {record}; addresses and headers without secrets")
        place, newest = store.place, store.latest_cycle(watch.name)
        windows = store.current_windows(watch.name)
    console = show.terminal()
    if not results:
        held = "no cycle is stored" if newest is None else f"the newest cycle is {newest.id}"
        click.echo(f"nothing new is there; {held}; results are in {place}")
        return
    told_before: set[str] = set()
    for result in results:
        show_pass(console, result, told_before)
    show.print_windows(console, windows, settings.watch.sites)
    click.echo(f"results are in {place}")


def _now_for(data: CycleData, at: datetime | None, clock: Clock) -> datetime:
    """A given time; else the present; else, for a forecast that is all past, its cycle's time."""
    if at is not None:
        return at
    now = clock.now()
    last = from_unix_s(float(data.wind.time_unix_s[-1]))
    return now if last > now else data.cycle.reference_utc


#: SQLite keeps these beside a database while it is in use.
_SIDE_ENDS = ("-wal", "-shm")


@contextmanager
def in_place_of(path: Path) -> Iterator[Path]:
    """Path of a new SQLite file, moved to `path` if all goes well; else the old one stays.

    A process that has the old file open keeps it until its next work, and then opens the
    new one (see `storage.engine`).

    Raises
    ------
    StorageError
        If the file cannot be put in its place.
    """
    # With the process in its name, so that two at a time do not write into one file.
    anew = path.with_name(f"{path.name}.{os.getpid()}.new")
    _remove(anew)
    try:
        yield anew
        try:
            _swap(anew, path)
        except (OSError, sqlite3.Error) as error:
            raise StorageError(f"{path} cannot be replaced ({error}); fix that") from error
    finally:
        _remove(anew)


def _swap(anew: Path, path: Path) -> None:
    with closing(sqlite3.connect(anew)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    # Pages in the log of the old database must not be taken for those of the new one.
    for end in _SIDE_ENDS:
        path.with_name(path.name + end).unlink(missing_ok=True)
    anew.replace(path)


def _remove(path: Path) -> None:
    for end in ("", *_SIDE_ENDS):
        path.with_name(path.name + end).unlink(missing_ok=True)
