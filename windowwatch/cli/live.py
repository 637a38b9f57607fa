"""`check --live`: what the providers have at this moment, as a table and in words."""

from collections.abc import Collection, Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import click
from rich.console import Console

from windowwatch.cli.show import folded, plain_table
from windowwatch.clock import Clock
from windowwatch.errors import SourceError
from windowwatch.forecast.download.fetch import Manners
from windowwatch.settings.read import Settings
from windowwatch.watch.polling.network import make_fetcher
from windowwatch.watch.probe import Found, Probe
from windowwatch.wording.checks import check_label

#: Which check cannot be answered without any of these fields.
_NEEDS: dict[str, tuple[str, ...]] = {
    "wind": ("wind_u_10m_mps", "wind_v_10m_mps"),
    "gust": ("gust_mps",),
    "cloud": ("cloud_total_pct",),
    "low_cloud": ("cloud_low_pct",),
    "middle_cloud": ("cloud_middle_pct",),
    "high_cloud": ("cloud_high_pct",),
    "ceiling": ("ceiling_m",),
    "visibility": ("visibility_m",),
    "thunder": ("cape_jpkg",),
    "lifted_index": ("lifted_index_k",),
    "freezing_rain": ("freezing_rain",),
    "shear": ("wind_u_100m_mps", "wind_v_100m_mps"),
    "temperature": ("temperature_2m_k",),
}


def live_words(settings: Settings, clock: Clock, record: Path | None = None) -> None:
    """Ask the providers, and print what they said.

    Raises
    ------
    SourceError
        If there is a weather model that no way leads to.
    """
    sources = [source for source in settings.sources() if source.network is not None]
    plans = [source.network for source in sources if source.network is not None]
    now = clock.now()
    hours = settings.watch.span.hours(now)
    if not plans:
        click.echo(f"nothing is fetched: {settings.forecast_place}")
        return
    if not hours:
        click.echo("the watched days are over: give later ones in [watch]")
        return
    manners = replace(sources[0].manners or Manners(), tries=1)
    fetcher = make_fetcher(manners, clock, record=record)
    try:
        site = settings.watch.sites[0]
        found = Probe(fetcher, now, hours, site).ask(plans)
    finally:
        fetcher.close()
    _print(found, settings, now)
    said = f"{fetcher.requests} requests, {fetcher.received_bytes / 1e6:.2f} MB"
    click.echo(said if record is None else f"{said}; written down in {record}")
    names = dict.fromkeys(each.model for each in found)
    silent = [n for n in names if all(each.problem for each in found if each.model == n)]
    if silent:
        raise SourceError(f"no way leads to {', '.join(silent)} at present")


def _print(found: Sequence[Found], settings: Settings, now: datetime) -> None:
    """A table of all hosts, and below it what is to be said of each."""
    table = plain_table("")
    for head in ("", "model, way", "host", "answers", "newest cycle, age"):
        table.add_column(head, overflow="fold")
    for number, each in enumerate(found, 1):
        newest = ""
        if each.cycle_utc is not None:
            hours = (now - each.cycle_utc).total_seconds() / 3600.0
            newest = f"{each.cycle_utc:%d %b %HZ} (+{each.step_h} h), {hours:.1f} h"
        answers = "no" if each.problem else "yes"
        table.add_row(str(number), f"{each.model}, {each.way}", each.host, answers, newest)
    Console().print(table)
    asked = settings.watch.plan.limits
    for number, each in enumerate(found, 1):
        for line in _lines(each, asked):
            click.echo(folded(f"{number}  {line}", 5))


def _lines(each: Found, asked: Collection[str]) -> list[str]:
    """What is to be said of one host."""
    lines = [f"gives nothing: {each.problem}"] if each.problem else []
    if each.there:
        lines.append(f"there: {each.there}")
    if each.missing:
        lines.append(f"missing: {'; '.join(each.missing)}")
    if each.grounded:
        lines.append("lost: every file of this way is refused while that is missing aloft")
    lost = [check_label(name) for name in _unanswered(each.fields_missing) if name in asked]
    if lost:
        lines.append(f"lost by these settings: the checks {', '.join(lost)} get no field of theirs")
    lines += each.notes
    if each.value:
        lines.append(f"value: {each.value}")
    return lines


def _unanswered(missing: frozenset[str]) -> list[str]:
    """Checks whose fields are missing."""
    found = [name for name, fields in _NEEDS.items() if missing & set(fields)]
    if {"precipitation_mm", "precipitation_rate_mmph"} <= missing:
        found.append("precipitation")
    return found
