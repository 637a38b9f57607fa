"""What the longer commands do: rehearse, one pass, check, try the channels."""

import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

import click
from rich.console import Console
from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeElapsedColumn

from windowwatch import daemon
from windowwatch.cli import show
from windowwatch.cli.fetching import plan_words
from windowwatch.clock import Clock, ShiftedClock, SystemClock, from_unix_s, require_utc
from windowwatch.errors import InputError, SettingsError, StorageError, WindowwatchError
from windowwatch.forecast.cycle import CycleData
from windowwatch.forecast.sources import load_cycle, load_files, require_covers, scan_folder
from windowwatch.notices.channels import check_channel_url, send
from windowwatch.notices.values import Channel, Message
from windowwatch.settings.read import Settings, data_folder
from windowwatch.storage.engine import sqlite_url
from windowwatch.watch.area import area_of
from windowwatch.watch.pipeline import PassResult, run_pass
from windowwatch.watch.pipeline import Progress as Told
from windowwatch.watch.rehearsal import Rehearsal
from windowwatch.watch.rehearsal import rehearse as replay

#: The demonstration watch, from the top of the project.
EXAMPLE = Path("config/skerra.toml")
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
    database = _fresh(rehearsal_file(settings))
    area = area_of(watch.sites)
    with daemon.ready_store(sqlite_url(database)) as store:
        with progress_bar() as told:
            result = replay(
                look.cycles,
                watch,
                store,
                load=lambda found: load_cycle(found, area=area),
                available_after=settings.available_after,
                send=lambda _channel, _message: None,
                progress=told,
            )
        _show_rehearsal(console, result, settings)
    click.echo(f"\nEverything is in {database}")
    click.echo(f"See it in a browser:  {_program()} page --rehearsal{_settings_words(settings)}")


def rehearsal_file(settings: Settings) -> Path:
    """Where a rehearsal of these settings leaves its results."""
    return data_folder() / f"rehearsal-{settings.slug}.sqlite3"


def show_page(
    settings: Settings, host: str, port: int, at: datetime | None, *, rehearsal: bool
) -> None:
    """Serve the page of what is stored, by the present or a given time.

    A rehearsal's clock starts where the rehearsal ended.
    """
    url, note = settings.database_url(), ""
    if rehearsal:
        file = rehearsal_file(settings)
        if not file.exists():
            raise StorageError(f"{file} is not there: run `windowwatch rehearse` first")
        url = sqlite_url(file)
        note = "A rehearsal: stored forecasts on a simulated clock. Nothing of it is to come."
    with daemon.ready_store(url) as store:
        stored = store.cycles(settings.watch.name)
        if rehearsal and at is None and stored:
            at = stored[-1].saved_utc
        daemon.show_page(
            daemon.page_facts(settings, looks=False, note=note),
            store,
            SystemClock() if at is None else ShiftedClock(at),
            host,
            port,
            ready=lambda page: click.echo(f"The page is at {page}  (stop with Ctrl-C)"),
        )


def _program() -> str:
    """Name of this program as it was typed, when it was typed with its folder."""
    typed = sys.argv[0]
    plain = Path(typed).name == "windowwatch" and not Path(typed).is_absolute()
    return typed if plain else "windowwatch"


def _settings_words(settings: Settings) -> str:
    return "" if settings.path == EXAMPLE else f" --settings {settings.path}"


def _show_rehearsal(console: Console, result: Rehearsal, settings: Settings) -> None:
    if settings.file.watch.note:
        click.echo(f"{settings.watch.name}: {settings.file.watch.note}")
    console.rule("cycles")
    for each in result.passes:
        show_pass(console, each)
    console.rule("notices, in the order they were told")
    for number, told in enumerate(result.told, start=1):
        show.print_notice(console, number, told.message, told.at_utc)
    if not result.told:
        click.echo("none")
    console.rule("windows after the last cycle")
    show.print_windows(console, result.passes[-1].windows, settings.watch.sites)


def show_pass(console: Console, result: PassResult) -> None:
    """Say in a few lines what one pass did."""
    refused = [hour for hour in result.hours if hour.refused is not None]
    kinds = [str(change.kind) for change in result.changes]
    counts = ", ".join(f"{kinds.count(k)} {k}" for k in dict.fromkeys(kinds)) or "no change"
    console.print(
        f"{result.cycle_id}: {len(result.hours)} launch hours, {result.flights} flights, "
        f"{len(refused)} hours refused; {show.state_counts(result.windows)}; {counts}",
        highlight=False,
    )
    for reason in dict.fromkeys(str(hour.refused) for hour in refused):
        count = sum(hour.refused == reason for hour in refused)
        show.print_note(console, f"refused {count} h: {reason}")
    for words in (*result.gaps, *result.remarks):
        show.print_note(console, words)
    if not result.saved:
        show.print_note(console, "this cycle was stored already; the stored answer stands")


def one_pass(settings: Settings, files: Sequence[Path], at: datetime | None, clock: Clock) -> None:
    """Pass one cycle by hand, at a given time or, for a past cycle, at the cycle's own."""
    with progress_bar() as told:
        told("reading", 0.0)
        data = load_files(list(files), settings.watch.model, area=area_of(settings.watch.sites))
        now = _now_for(data, at, clock)
        with daemon.ready_store(settings.database_url()) as store:
            watch = replace(settings.watch, channels=settings.channels())
            result = run_pass(data, watch, store, now_utc=now, progress=told)
            place = store.place
    console = Console()
    show_pass(console, result)
    show.print_windows(console, result.windows, settings.watch.sites)
    click.echo(f"now was taken to be {now:%Y-%m-%d %H:%M} UTC; results are in {place}")


@dataclass(frozen=True)
class Finding:
    """One thing that `check` looked at."""

    what: str
    words: str
    wrong: bool = False

    def line(self) -> str:
        """As shown: the word at the head says whether it is to be mended."""
        return f"{'MEND' if self.wrong else 'ok  '}  {self.what}: {self.words}"


def check(settings: Settings, clock: Clock) -> list[Finding]:
    """Look at everything the daemon will need, and go on after each fault."""
    watch = settings.watch
    findings = [
        Finding("settings", f"{settings.path} is well formed; {len(watch.sites)} site(s)"),
        *(Finding("map", words) for words in watch.ground.sources),
    ]
    ground = watch.ground
    if ground.rasters is None and (ground.areas is None or ground.roads is None):
        words = "neither areas and roads nor a ground file are given; checks on them stay unknown"
        findings.append(Finding("map", words, True))
    hours = watch.span.hours(clock.now())
    if hours:
        findings.append(Finding("span", f"{len(hours)} launch hours are to come at each site"))
    else:
        findings.append(
            Finding("span", "the watched days are over; give later ones in [watch]", True)
        )
    findings += _check_forecast(settings)
    findings += _check_database(settings)
    findings += _check_channels(settings)
    return findings


def _check_forecast(settings: Settings) -> list[Finding]:
    if settings.file.forecast.fetches:
        return [Finding("forecast", words) for words in plan_words(settings, SystemClock())]
    try:
        look = scan_folder(settings.forecast_folder, model=settings.watch.model)
    except WindowwatchError as error:
        return [Finding("forecast", error.message, True)]
    findings = [Finding("forecast", f"set aside: {each.reason}", True) for each in look.set_aside]
    if not look.cycles:
        words = f"{settings.forecast_folder.resolve()} holds no cycle yet"
        return [*findings, Finding("forecast", words, True)]
    newest = look.cycles[-1]
    try:
        data = load_cycle(newest, area=area_of(settings.watch.sites))
        require_covers(data, settings.watch.sites)
    except WindowwatchError as error:
        return [*findings, Finding("forecast", error.message, True)]
    last = from_unix_s(float(data.wind.time_unix_s[-1]))
    words = (
        f"{len(look.cycles)} cycle(s), the newest {newest.cycle.id} reaches to "
        f"{last:%Y-%m-%d %H:%M} UTC and {data.wind.top_height_m / 1000:.1f} km, "
        f"{len(data.wind.member_labels)} member(s)"
    )
    notes = [Finding("forecast", words) for words in (*data.gaps, *data.remarks)]
    return [*findings, Finding("forecast", words), *notes]


def _check_database(settings: Settings) -> list[Finding]:
    try:
        with daemon.ready_store(settings.database_url()) as store:
            newest = store.latest_cycle(settings.watch.name)
            held = "no pass yet" if newest is None else f"the newest pass is of {newest.id}"
            return [Finding("database", f"{store.place}: {held}")]
    except WindowwatchError as error:
        return [Finding("database", error.message, True)]


def _check_channels(settings: Settings) -> list[Finding]:
    try:
        channels = settings.channels()
    except WindowwatchError as error:
        return [Finding("channels", error.message, True)]
    if not channels:
        return [Finding("channels", "none is given: nobody will be told anything", True)]
    findings = []
    for channel in channels:
        try:
            check_channel_url(channel)
            findings.append(Finding("channels", f"{channel.name}: its address can be used"))
        except WindowwatchError as error:
            findings.append(Finding("channels", error.message, True))
    return findings


def try_channels(settings: Settings, name: str | None, now_utc: datetime) -> None:
    """Send one test notice to each channel, and say how each went."""
    channels = [c for c in settings.channels() if name in (None, c.name)]
    if not channels:
        known = ", ".join(c.name for c in settings.channels()) or "none"
        raise SettingsError(f"{settings.path}: no channel to try (the file has: {known})")
    text = Message(
        title=f"TEST windowwatch, watch {settings.watch.name}",
        body=f"This is a test of this channel, sent {now_utc:%a %d %b %H:%M} UTC. "
        "Nothing has opened or closed.",
        key="test",
    )
    failed = 0
    for channel in channels:
        try:
            send(channel, text)
            click.echo(f"{channel.name}: handed over; see that it arrived")
        except WindowwatchError as error:
            failed += 1
            click.echo(error.message, err=True)
    if failed:
        raise InputError(f"{failed} of {len(channels)} channel(s) did not take the test notice")


def parse_time(text: str) -> datetime:
    """Aware UTC time from what a person typed.

    Raises
    ------
    InputError
        If it is no time or carries no zone.
    """
    try:
        return require_utc(datetime.fromisoformat(text))
    except ValueError as error:
        raise InputError(f"{text!r} is no time; write it as 2026-05-04T04:00Z") from error


def _now_for(data: CycleData, at: datetime | None, clock: Clock) -> datetime:
    """A given time; else the present; else, for a forecast that is all past, its cycle's time."""
    if at is not None:
        return at
    now = clock.now()
    last = from_unix_s(float(data.wind.time_unix_s[-1]))
    return now if last > now else data.cycle.reference_utc


def _fresh(path: Path) -> Path:
    """A path where no database is, not even the side files of one."""
    for each in (path, *(path.with_name(path.name + end) for end in ("-wal", "-shm"))):
        each.unlink(missing_ok=True)
    return path


@contextmanager
def progress_bar() -> Iterator[Told]:
    """A progress bar on a terminal; nothing where there is none."""
    bar = Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        TaskProgressColumn(),
        TimeElapsedColumn(),
        console=Console(stderr=True),
        transient=True,
        disable=not Console(stderr=True).is_terminal,
    )
    with bar:
        task = bar.add_task("starting", total=1.0)
        yield lambda words, share: bar.update(task, description=words, completed=share)
