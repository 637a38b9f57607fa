"""The commands a person types."""

import logging
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import click
from rich.console import Console

from windowwatch import daemon
from windowwatch.cli import show
from windowwatch.cli.fetching import plan_words
from windowwatch.cli.fill import Supply, Wish, show_fill
from windowwatch.cli.ground import build_ground, existing, request
from windowwatch.cli.work import (
    EXAMPLE,
    check,
    one_pass,
    parse_time,
    progress_bar,
    rehearse,
    show_page,
    try_channels,
)
from windowwatch.clock import Clock, ShiftedClock, SystemClock
from windowwatch.errors import InputError, StorageError, WindowwatchError
from windowwatch.logs import LogStyle
from windowwatch.scoring.compare import compare_sites
from windowwatch.scoring.values import Site, Verdict
from windowwatch.settings.read import Settings, read_settings
from windowwatch.storage.store import Store


@contextmanager
def errors_in_words() -> Iterator[None]:
    """Turn our errors into one message and exit code 1; a stop by hand into 130."""
    try:
        yield
    except WindowwatchError as error:
        click.echo(f"error: {error.message}", err=True)
        sys.exit(1)
    except KeyboardInterrupt:
        click.echo("stopped", err=True)
        sys.exit(130)


def settings_option(default: Path | None = None) -> Callable[[Callable[..., Any]], Any]:
    """The option that names the settings file."""
    return click.option(
        "--settings",
        "settings_path",
        type=click.Path(path_type=Path),
        envvar="WINDOWWATCH_SETTINGS",
        default=default,
        required=default is None,
        show_default=default is not None,
        show_envvar=True,
        help="The settings file (TOML).",
    )


def page_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """The options that say where the page is."""
    for option in (
        click.option("--port", type=click.IntRange(0, 65535), default=8750, show_default=True),
        click.option(
            "--host",
            default="127.0.0.1",
            show_default=True,
            help="Address of the page; beyond this machine it asks for WINDOWWATCH_PAGE_TOKEN.",
        ),
    ):
        command = option(command)
    return command


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(package_name="windowwatch", message="%(version)s")
@click.option("--verbose", is_flag=True, help="Say more about what is done.")
@click.option("--log-json", is_flag=True, help="Log as JSON, one object a line.")
@click.pass_context
def main(context: click.Context, verbose: bool, log_json: bool) -> None:
    """Watch the forecast for launch windows of a stratospheric balloon.

    Local aviation rules, your authority's permission and licensed practice come first: what
    this program says is advice, never a clearance.
    """
    LogStyle(logging.INFO if verbose else logging.WARNING, log_json).set_up()
    context.obj = log_json


@main.command("rehearse")
@settings_option(EXAMPLE)
@click.option("--folder", type=click.Path(path_type=Path), help="Another folder of GRIB files.")
def rehearse_command(settings_path: Path, folder: Path | None) -> None:
    """Replay stored cycles on a simulated clock; nothing is sent to anybody."""
    with errors_in_words():
        rehearse(read_settings(settings_path), folder)


@main.command("pass")
@settings_option()
@click.option(
    "--from",
    "files",
    type=click.Path(path_type=Path),
    multiple=True,
    required=True,
    help="GRIB file of the cycle; may be given several times.",
)
@click.option("--at", "at", help="Time to take for now, as 2026-05-04T04:00Z.")
def pass_command(settings_path: Path, files: tuple[Path, ...], at: str | None) -> None:
    """Pass one cycle through the line by hand; notices are stored, sent by `serve`."""
    with errors_in_words():
        one_pass(
            read_settings(settings_path),
            files,
            None if at is None else parse_time(at),
            SystemClock(),
        )


@main.command("serve")
@settings_option()
@page_options
@click.option("--at", "at", help="Drill: let the daemon's clock start at this time.")
@click.pass_obj
def serve_command(
    log_json: bool, settings_path: Path, host: str, port: int, at: str | None
) -> None:
    """Run the daemon and its page: look for cycles, pass them, deliver notices, until SIGTERM."""
    with errors_in_words():
        style = LogStyle(logging.INFO, log_json)
        style.set_up()
        settings, clock = read_settings(settings_path), _clock(at)
        daemon.serve(settings, clock, host, port, style)


@main.command("page")
@settings_option(EXAMPLE)
@click.option("--rehearsal", is_flag=True, help="Results of the last rehearsal.")
@page_options
@click.option("--at", "at", help="Time to take for now, as 2026-05-07T09:00Z.")
def page_command(
    settings_path: Path, rehearsal: bool, host: str, port: int, at: str | None
) -> None:
    """Show stored results in a browser, without looking for new cycles, until Ctrl-C."""
    with errors_in_words():
        moment = None if at is None else parse_time(at)
        show_page(read_settings(settings_path), host, port, moment, rehearsal=rehearsal)


@main.command("windows")
@settings_option()
@click.option("--all", "everything", is_flag=True, help="Closed and past ones too.")
def windows_command(settings_path: Path, everything: bool) -> None:
    """Show the windows after the newest cycle."""
    with errors_in_words(), _results(settings_path) as (settings, store, cycle):
        name = settings.watch.name
        kept = store.windows(name) if everything else store.current_windows(name)
        click.echo(f"after cycle {cycle}: {show.state_counts(kept)}")
        show.print_windows(Console(), kept, settings.watch.sites)


@main.command("hours")
@settings_option()
@click.argument("site")
@click.option("--all", "everything", is_flag=True, help="No-go hours too.")
def hours_command(settings_path: Path, site: str, everything: bool) -> None:
    """Show the hours of SITE after the newest cycle, with what limits each."""
    with errors_in_words(), _results(settings_path) as (settings, store, cycle):
        chosen = _site(settings, site)
        hours = store.hours(settings.watch.name, site=chosen.name)
        kept = [h for h in hours if everything or h.verdict is not Verdict.NO_GO]
        show.print_hours(Console(), kept, chosen)
        hidden = len(hours) - len(kept)
        more = f"; {hidden} no-go hours are not shown (--all shows them)" if hidden else ""
        click.echo(f"cycle {cycle}: {len(hours)} hours{more}")


@main.command("sites")
@settings_option()
def sites_command(settings_path: Path) -> None:
    """Compare the sites after the newest cycle, the best first, and say why."""
    with errors_in_words(), _results(settings_path) as (settings, store, cycle):
        watch = settings.watch
        click.echo(f"after cycle {cycle}")
        ranked = compare_sites(watch.sites, store.hours(watch.name), watch.plan)
        show.print_sites(Console(), ranked, watch.sites)


@main.command("explain")
@settings_option()
@click.argument("key")
def explain_command(settings_path: Path, key: str) -> None:
    """Follow a notice back: KEY stands in square brackets at its end."""
    with errors_in_words(), _results(settings_path) as (settings, store, _):
        sites = {site.name: site for site in settings.watch.sites}
        trail = store.explain(key.strip("[] "))
        show.print_trail(Console(), trail, sites, settings.watch.plan)


@main.command("acknowledge")
@settings_option()
@click.argument("key")
@click.option("--by", "by_whom", required=True, help="Your name.")
def acknowledge_command(settings_path: Path, key: str, by_whom: str) -> None:
    """Say that you know of a notice, or have seen to it: reminders of KEY end."""
    with errors_in_words(), _results(settings_path) as (_, store, _):
        before = store.acknowledge(key, by_whom=by_whom, now_utc=SystemClock().now())
        click.echo("acknowledged" if before is None else f"{before} had acknowledged it before")


@main.command("fill")
@settings_option()
@click.option("--site", help="Site; the first of the settings when left out.")
@click.option("--rate", type=float, help="Wanted mean rate of rise, m/s.")
@click.option("--burst", type=float, help="Wanted burst height, m.")
@click.option("--gas", type=float, help="Gas there is, m³ at 15 °C and 1013 hPa.")
@click.option("--wind", type=float, help="Wind at the site, m/s.")
@click.option("--temperature", type=float, help="Air temperature at the site, °C.")
@click.option("--cylinder-l", type=float, default=50.0, show_default=True, help="Litres of one.")
@click.option("--cylinder-bar", type=float, default=200.0, show_default=True)
@click.option("--flow", type=float, default=0.4, show_default=True, help="Gas flow, m³ a minute.")
def fill_command(
    settings_path: Path,
    site: str | None,
    rate: float | None,
    burst: float | None,
    gas: float | None,
    wind: float | None,
    temperature: float | None,
    cylinder_l: float,
    cylinder_bar: float,
    flow: float,
) -> None:
    """Size the fill: lift, gas, cylinders, rise and burst, with warnings and cautions."""
    with errors_in_words():
        settings = read_settings(settings_path)
        chosen = settings.watch.sites[0] if site is None else _site(settings, site)
        show_fill(
            settings.watch.train,
            chosen,
            Wish(rate, burst, gas, wind, temperature),
            Supply(cylinder_l, cylinder_bar, flow),
        )


@main.command("check")
@settings_option()
@click.option("--forecast", "plan_only", is_flag=True, help="Only what fetching would cost.")
def check_command(settings_path: Path, plan_only: bool) -> None:
    """Say what is wrong with settings, maps, forecasts, database and channels."""
    with errors_in_words():
        if plan_only:
            settings = read_settings(settings_path)
            words = plan_words(settings, SystemClock())
            click.echo("\n".join(words or [f"nothing is fetched: {settings.forecast_place}"]))
            return
        findings = check(read_settings(settings_path), SystemClock())
        for finding in findings:
            click.echo(finding.line())
        if any(finding.wrong for finding in findings):
            raise WindowwatchError(f"{sum(f.wrong for f in findings)} finding(s) to mend")


@main.group("notices")
def notices_group() -> None:
    """Try the ways to tell people."""


@notices_group.command("try")
@settings_option()
@click.option("--channel", "name", help="Only this channel.")
def notices_try_command(settings_path: Path, name: str | None) -> None:
    """Send one test notice to every channel."""
    with errors_in_words():
        try_channels(read_settings(settings_path), name, SystemClock().now())


@main.group("ground")
def ground_group() -> None:
    """Look after the map."""


@ground_group.command("build")
@settings_option()
@click.option(
    "--map",
    "map_path",
    type=click.Path(path_type=Path),
    required=True,
    help="OpenStreetMap extract (.osm.pbf).",
)
@click.option("--out", type=click.Path(path_type=Path), required=True, help="File to write.")
@click.option("--terrain", type=click.Path(path_type=Path), help="GeoTIFF of heights in metres.")
@click.option(
    "--population", type=click.Path(path_type=Path), help="GeoTIFF of people in each of its cells."
)
@click.option(
    "--cell-m",
    type=click.FloatRange(10.0, 1000.0),
    default=100.0,
    show_default=True,
    help="Side of a cell.",
)
@click.option(
    "--reach-km",
    type=click.FloatRange(0.1, 1000.0),
    show_default="as in the settings",
    help="How far round every site.",
)
@click.option("--licence", help="Of the map, where it is not OpenStreetMap's.")
@click.option("--attribution", help="Of the map, where it is not OpenStreetMap's.")
@click.option("--small", is_flag=True, help="Deflate the file: smaller, and slower to read.")
def ground_build_command(
    settings_path: Path,
    map_path: Path,
    out: Path,
    terrain: Path | None,
    population: Path | None,
    reach_km: float | None,
    **given: Any,
) -> None:
    """Turn a map extract into the ground file that the watch reads ([ground] file)."""
    with errors_in_words(), progress_bar() as told:
        given |= {"map": existing(map_path), "out": str(out.resolve())}
        given |= {"terrain": existing(terrain), "population": existing(population)}
        wanted = {name: value for name, value in given.items() if value is not None}
        settings = read_settings(settings_path, maps=False)
        build_ground(request(settings, wanted, reach_km, SystemClock().now()), told)


@main.group("db")
def db_group() -> None:
    """Look after the database."""


@db_group.command("upgrade")
@settings_option()
def db_upgrade_command(settings_path: Path) -> None:
    """Bring the database's schema to this program's version."""
    with (
        errors_in_words(),
        daemon.ready_store(read_settings(settings_path).database_url()) as store,
    ):
        click.echo(f"{store.place} is of this program's version")


@db_group.command("backup")
@settings_option()
@click.argument("target", metavar="FILE", type=click.Path(path_type=Path))
def db_backup_command(settings_path: Path, target: Path) -> None:
    """Copy the database to a new FILE, also while the daemon runs."""
    with (
        errors_in_words(),
        daemon.ready_store(read_settings(settings_path, maps=False).database_url()) as store,
    ):
        size = store.backup(target)
        click.echo(f"{target}: {size / 1e6:.1f} MB, whole and checked")


@contextmanager
def _results(settings_path: Path) -> Iterator[tuple[Settings, Store, str]]:
    """Settings, their open store, and the id of the newest cycle in it."""
    settings = read_settings(settings_path)
    with daemon.ready_store(settings.database_url()) as store:
        newest = store.latest_cycle(settings.watch.name)
        if newest is None:
            raise StorageError(
                f"{store.place} holds no result of watch {settings.watch.name!r}; run "
                "`windowwatch pass` or `windowwatch serve` first"
            )
        yield settings, store, newest.id


def _site(settings: Settings, name: str) -> Site:
    for site in settings.watch.sites:
        if site.name.lower() == name.lower():
            return site
    known = ", ".join(site.name for site in settings.watch.sites)
    raise InputError(f"no site is called {name!r}; the settings have {known}")


def _clock(at: str | None) -> Clock:
    return SystemClock() if at is None else ShiftedClock(parse_time(at))
