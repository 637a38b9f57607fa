"""Commands that do the work: rehearse, pass, serve, and the page alone."""

import logging
from pathlib import Path

import click

from windowwatch.cli.common import (
    EXAMPLE,
    clock_at,
    errors_in_words,
    page_options,
    parse_time,
    settings_of,
    settings_option,
)
from windowwatch.cli.early import require_file, require_free
from windowwatch.clock import SystemClock
from windowwatch.errors import InputError
from windowwatch.logs import LogStyle


@click.command("rehearse", short_help="Replay stored cycles; nothing is sent to anybody.")
@settings_option(EXAMPLE)
@click.option("--folder", type=click.Path(path_type=Path), help="Another folder of GRIB files.")
def rehearse_command(settings_path: Path, folder: Path | None) -> None:
    """Replay stored cycles on a simulated clock; nothing is sent to anybody."""
    with errors_in_words():
        if folder is not None:
            require_file(folder, "the folder of GRIB files that are to be replayed")
        from windowwatch.cli.work import rehearse

        rehearse(settings_of(settings_path), folder)


@click.command("pass", short_help="Pass one cycle through the line by hand.")
@settings_option()
@click.option(
    "--from",
    "files",
    type=click.Path(path_type=Path),
    multiple=True,
    help="GRIB file of the cycle; may be given several times.",
)
@click.option("--at", "at", help="Time to take for now, as 2026-05-04T04:00Z.")
@click.option(
    "--record",
    type=click.Path(path_type=Path),
    help="Empty folder: write down there what the providers answer, secrets left out.",
)
def pass_command(
    settings_path: Path, files: tuple[Path, ...], at: str | None, record: Path | None
) -> None:
    """Pass one cycle through the line by hand; notices are stored, sent by `serve`.

    Without files: look once where the settings say that forecasts come from, fetch what is
    there, and pass what is new.
    """
    with errors_in_words():
        moment = None if at is None else parse_time(at)
        for file in files:
            require_file(file, "a GRIB file of the cycle")
        if files and record is not None:
            raise InputError("--record is about what is fetched, --from reads files; give one")
        from windowwatch.cli.work import look_once, one_pass

        if not files:
            look_once(settings_of(settings_path), clock_at(at), record)
            return
        one_pass(settings_of(settings_path), files, moment, SystemClock())


@click.command("serve", short_help="Run the daemon and its page, until SIGTERM.")
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
        clock = clock_at(at)
        from windowwatch import daemon  # a port in use is tried again while all else runs

        daemon.serve(settings_of(settings_path), clock, host, port, style)


@click.command("page", short_help="Show stored results in a browser.")
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
        require_free(host, port)
        from windowwatch.cli.work import show_page

        show_page(settings_of(settings_path), host, port, moment, rehearsal=rehearsal)


COMMANDS = (rehearse_command, pass_command, serve_command, page_command)
