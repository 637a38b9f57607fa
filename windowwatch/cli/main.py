"""The command line as a whole: its name, its own options, and its commands."""

import logging

import click

from windowwatch.child import (
    give_back_freed_arrays,
    look_for_garbage_less_often,
    one_algebra_thread,
)
from windowwatch.cli import (
    backtest,
    chase,
    flightlog,
    look_at,
    new,
    planning,
    prepare,
    run,
    scout,
    survey,
)
from windowwatch.logs import LogStyle


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
    one_algebra_thread()
    look_for_garbage_less_often()
    give_back_freed_arrays()
    context.obj = log_json


for _module in (new, run, look_at, planning, chase, flightlog, scout, survey, backtest, prepare):
    for _command in _module.COMMANDS:
        main.add_command(_command)
