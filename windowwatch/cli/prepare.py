"""Commands that make ready: the fill, what is to be mended, and a try of the channels."""

from pathlib import Path

import click

from windowwatch.cli.common import (
    clock_at,
    errors_in_words,
    settings_of,
    settings_option,
    site_called,
)
from windowwatch.clock import SystemClock
from windowwatch.errors import InputError, WindowwatchError


@click.command("fill", short_help="How much gas: lift, cylinders, rise and burst.")
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
        from windowwatch.cli.fill import Supply, Wish, show_fill

        settings = settings_of(settings_path, maps=False)
        chosen = settings.watch.sites[0] if site is None else site_called(settings, site)
        show_fill(
            settings.watch.train,
            chosen,
            Wish(rate, burst, gas, wind, temperature),
            Supply(cylinder_l, cylinder_bar, flow),
        )


@click.command("check", short_help="Say what is to be mended before the daemon starts.")
@settings_option()
@click.option("--forecast", "plan_only", is_flag=True, help="Only what fetching would cost.")
@click.option("--live", is_flag=True, help="Only what providers have now: 20 small requests.")
@click.option(
    "--record",
    type=click.Path(path_type=Path),
    help="With --live: empty folder in which the answers are kept, secrets left out.",
)
@click.option("--at", "at", help="Time to take for now, as 2026-05-04T04:00Z.")
def check_command(
    settings_path: Path, plan_only: bool, live: bool, record: Path | None, at: str | None
) -> None:
    """Say what is wrong with settings, maps, forecasts, database and channels."""
    with errors_in_words():
        if live:
            from windowwatch.cli.live import live_words

            live_words(settings_of(settings_path, maps=False), clock_at(at), record)
            return
        if record is not None:
            raise InputError("--record writes down what --live is answered; give both")
        from windowwatch.cli.fetching import plan_lines
        from windowwatch.cli.show import folded

        if plan_only:
            settings = settings_of(settings_path, maps=False)
            lines = plan_lines(settings, clock_at(at))
            for line in lines:
                click.echo(folded(line.words))
            if not lines:
                click.echo(f"nothing is fetched: {settings.forecast_place}")
            return
        from windowwatch.cli.checking import check

        findings = check(settings_of(settings_path), clock_at(at))
        for finding in findings:
            click.echo(folded(finding.line(), 6))
        if any(finding.wrong for finding in findings):
            raise WindowwatchError(f"{sum(f.wrong for f in findings)} finding(s) to mend")


@click.group("notices")
def notices_group() -> None:
    """Try the ways to tell people."""


@notices_group.command("try")
@settings_option()
@click.option("--channel", "name", help="Only this channel.")
def notices_try_command(settings_path: Path, name: str | None) -> None:
    """Send one test notice to every channel."""
    with errors_in_words():
        from windowwatch.cli.checking import try_channels

        try_channels(settings_of(settings_path, maps=False), name, SystemClock().now())


COMMANDS = (fill_command, check_command, notices_group)
