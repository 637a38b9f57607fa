"""Commands of years: `windowwatch survey run`, `show` and `export`."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from windowwatch.cli.common import EXAMPLE, NO_SETTINGS, errors_in_words, settings_of
from windowwatch.clock import SystemClock
from windowwatch.errors import InputError, SettingsError, StorageError
from windowwatch.settings.toml import settings_text

if TYPE_CHECKING:
    from windowwatch.learning.climatology import Climatology
    from windowwatch.scouting.years import Surveyed
    from windowwatch.settings.read import Settings

#: What `--rehearsal` flies through is made by this script, beside the demonstration's forecasts.
_MAKER = "make_archive"
_INSTALL = "what surveys need is not installed; pip install 'windowwatch[survey]'"


@click.group("survey", short_help="Years of weather: which month, how many days.")
def survey_group() -> None:
    """Fly every launch hour of many years through an archive of weather, and ask what it shows."""


def _options(command: Any) -> Any:
    for option in (
        click.option("--rehearsal", is_flag=True, help="Years of the invented demonstration."),
        click.option(
            "--settings",
            "settings_path",
            type=click.Path(path_type=Path),
            envvar="WINDOWWATCH_SETTINGS",
            show_envvar=True,
            help=f"The settings file (TOML); for --rehearsal {EXAMPLE} when left out.",
        ),
    ):
        command = option(command)
    return command


def _settings(path: Path | None, *, rehearsal: bool, maps: bool) -> "Settings":
    if path is None and not rehearsal:
        raise click.UsageError(NO_SETTINGS)
    settings_text(path or EXAMPLE)
    return settings_of(path or EXAMPLE, maps=maps)


@survey_group.command("run", short_help="Fly what is not flown yet.")
@_options
@click.option("--workers", type=click.IntRange(1, 512), default=2, show_default=True,
              help="Processes on this machine.")  # fmt: skip
@click.option("--scheduler", metavar="ADDRESS", help="A Dask cluster instead: tcp://host:8786.")
@click.option("--years", metavar="FIRST-LAST", help="Such as 2005-2024; else as the settings say.")
@click.option("--memory-mb", type=click.IntRange(min=100),
              help="Weather that one worker holds at a time; it needs 900 MB besides.")  # fmt: skip
def run_command(
    settings_path: Path | None,
    rehearsal: bool,
    workers: int,
    scheduler: str | None,
    years: str | None,
    memory_mb: int | None,
) -> None:
    """Fly what is not flown yet; what was stopped or killed goes on where it was."""
    with errors_in_words():
        settings = _settings(settings_path, rehearsal=rehearsal, maps=True)
        _run(settings, rehearsal, (workers, scheduler), _years(years), memory_mb)


def _years(text: str | None) -> tuple[int, int] | None:
    if text is None:
        return None
    first, _, last = text.partition("-")
    try:
        return int(first), int(last or first)
    except ValueError as error:
        raise InputError(f"--years {text}: write it as 2005-2024, or one year as 2024") from error


def _run(
    settings: "Settings",
    rehearsal: bool,
    crew: tuple[int, str | None],
    years: tuple[int, int] | None,
    memory_mb: int | None,
) -> None:
    try:
        from windowwatch.survey import making
    except ImportError as error:
        raise InputError(f"{_INSTALL} ({error})") from error
    from windowwatch.cli.show import progress_bar

    address = _rehearsal_archive(settings) if rehearsal else _archive(settings)
    section = settings.file.survey
    with progress_bar() as told:
        told("opening the archive", 0.0)
        made = making.make_ready(
            settings.watch,
            address,
            making.Asked(
                folder=settings.survey_folder(rehearsal=rehearsal),
                names=None if section.names is None else _beside(settings, section.names),
                ground_files=_ground_files(settings),
                years=years or section.years,
                draws=section.flights,
                launch_step_min=section.launch_step_min,
                memory_mb=memory_mb or section.memory_mb,
                reach_deg=section.reach_deg,
                note=settings.file.watch.note,
            ),
        )
        for words in made.first_words():
            click.echo(words)
        flown, there = made.run(*crew, progress=told)
    more = " --rehearsal" if rehearsal else ""
    click.echo(f"{flown} blocks flown, {there} were there; they are in {made.folder}")
    survey = _show(settings, rehearsal, None)
    _keep(settings, survey, made.usual(), rehearsal=rehearsal)
    click.echo(f"Look into it: windowwatch survey show SITE{more}, windowwatch survey export{more}")


def _keep(
    settings: "Settings", survey: "Surveyed", usual: "Climatology", *, rehearsal: bool
) -> None:
    """Put what it says where pages and passes find it; what was flown is kept without that too."""
    from windowwatch.cli.common import rehearsal_file
    from windowwatch.storage.engine import sqlite_url
    from windowwatch.storage.store import ready_store

    url = sqlite_url(rehearsal_file(settings)) if rehearsal else settings.database_url()
    try:
        with ready_store(url) as store:
            store.save_survey(survey, usual)
    except StorageError as error:
        click.echo(f"The page does not have it: {error.message}; run it again", err=True)
        return
    click.echo(f"`windowwatch page{' --rehearsal' if rehearsal else ''}` shows it at /survey")


def _archive(settings: "Settings") -> str:
    named = settings.file.survey.archive
    if named is None:
        raise SettingsError(
            f"{settings.path}: survey.archive: no archive is named; give a Zarr store, a folder of "
            "NetCDF or GRIB files, or an address that fsspec knows"
        )
    return named if "://" in named else str(_beside(settings, named))


def _beside(settings: "Settings", name: str) -> Path:
    return settings.path.resolve().parent / Path(name).expanduser()


def _ground_files(settings: "Settings") -> tuple[Path, ...]:
    ground = settings.file.ground
    names = (ground.areas, ground.roads, ground.file, ground.airspace, ground.permitted)
    return tuple(_beside(settings, name) for name in names if name)


def _rehearsal_archive(settings: "Settings") -> str:
    """The invented archive, made when it is first needed, by the script that can make it."""
    import sys

    from windowwatch.child import UNLIMITED, in_child
    from windowwatch.settings.read import data_folder

    maker = settings.forecast_folder / f"{_MAKER}.py"
    if not maker.exists():
        raise InputError(f"{maker} is not there: --rehearsal flies the demonstration's years alone")
    folder = data_folder() / "survey"
    folder.mkdir(parents=True, exist_ok=True)
    path = str(maker.resolve().parent)
    sys.path.insert(0, path)
    try:
        place: Path = in_child(
            f"{_MAKER}:write", (folder,), UNLIMITED, what="the maker of the archive"
        )
    finally:
        sys.path.remove(path)
    return str(place)


@survey_group.command("show", short_help="Show what it says of all sites, or of one.")
@_options
@click.argument("site", required=False)
def show_command(settings_path: Path | None, rehearsal: bool, site: str | None) -> None:
    """Show what a survey says: of all sites, or all of SITE."""
    with errors_in_words():
        settings = _settings(settings_path, rehearsal=rehearsal, maps=False)
        _show(settings, rehearsal, site)


def _show(settings: "Settings", rehearsal: bool, site: str | None) -> "Surveyed":
    from windowwatch.cli import show
    from windowwatch.cli.early import no_such
    from windowwatch.cli.surveyed import print_site, print_survey
    from windowwatch.survey.found import found_in

    found = found_in(settings.survey_folder(rehearsal=rehearsal))
    console, note = show.terminal(), found.about.get("note", "")
    survey = found.surveyed(SystemClock().now())
    if site is None:
        print_survey(console, survey, note)
        return survey
    for each in survey.answers:
        if each.site.lower() == site.lower():
            print_site(console, survey, each, note)
            return survey
    raise no_such("site", site, (each.name for each in survey.sites))


@survey_group.command("export", short_help="Write report, tables and launch hours.")
@_options
@click.option("--to", "folder", type=click.Path(path_type=Path), default=Path("survey"),
              show_default=True, help="Folder to write to.")  # fmt: skip
def export_command(settings_path: Path | None, rehearsal: bool, folder: Path) -> None:
    """Write the report (HTML), every table (CSV and Parquet), and all launch hours (Parquet)."""
    with errors_in_words():
        settings = _settings(settings_path, rehearsal=rehearsal, maps=True)
        from windowwatch.survey.found import found_in

        found = found_in(settings.survey_folder(rehearsal=rehearsal))
        for path in found.export(folder, settings.watch.ground, SystemClock().now()):
            click.echo(path)


COMMANDS = (survey_group,)
