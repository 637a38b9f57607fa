"""Commands that look at stored results: windows, hours, sites, and what stands behind them."""

from shlex import quote
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import click

from windowwatch.cli.common import (
    Where,
    Words,
    day_typed,
    errors_in_words,
    present,
    results,
    results_options,
    site_called,
)
from windowwatch.cli.early import named_sites, require_site
from windowwatch.clock import SystemClock
from windowwatch.errors import InputError

if TYPE_CHECKING:
    from windowwatch.scoring.values import Hour, Site
    from windowwatch.settings.read import Settings
    from windowwatch.storage.store import Store
    from windowwatch.windows.standing import Week


def _week(
    where: Where, settings: "Settings", store: "Store", *, with_checks: bool = True
) -> "Week":
    """All of the newest pass as it stands at the present moment."""
    from windowwatch.windows.standing import week

    watch = settings.watch
    hours = store.hours(watch.name, with_checks=with_checks)
    return week(hours, store.windows(watch.name), watch.rules, present(where, store, watch.name))


@click.command("windows", short_help="Show the windows after the newest cycle.")
@results_options
@click.option("--all", "everything", is_flag=True, help="Closed and past ones too.")
def windows_command(where: Where, everything: bool) -> None:
    """Show the windows after the newest cycle."""
    with errors_in_words(), results(where) as (settings, store, cycle):
        from windowwatch.cli import show

        name = settings.watch.name
        kept = store.windows(name) if everything else store.current_windows(name)
        click.echo(f"after cycle {cycle}, windows: {show.state_counts(kept)}")
        week = _week(where, settings, store, with_checks=False)
        show.print_windows(show.terminal(), kept, settings.watch.sites, week)


@click.command("hours", short_help="Show the hours of a site, and what limits each.")
@results_options
@click.argument("site")
@click.option("--all", "everything", is_flag=True, help="No-go hours too.")
def hours_command(where: Where, site: str, everything: bool) -> None:
    """Show the hours of SITE after the newest cycle, with what limits each."""
    with errors_in_words():
        require_site(where.settings, site)
    with errors_in_words(), results(where) as (settings, store, cycle):
        from windowwatch.cli import show
        from windowwatch.scoring.values import Verdict

        chosen = site_called(settings, site)
        week = _week(where, settings, store)
        hours = [hour for _, hour in sorted(week.hours.get(chosen.name, {}).items())]
        kept = [h for h in hours if everything or h.verdict is not Verdict.NO_GO]
        show.print_hours(show.terminal(), kept, chosen, week)
        hidden = len(hours) - len(kept)
        more = f"; {hidden} no-go hours are not shown (--all shows them)" if hidden else ""
        click.echo(f"cycle {cycle}: {len(hours)} hours{more}")


@click.command("sites", short_help="Compare the sites, the best first, and say why.")
@results_options
def sites_command(where: Where) -> None:
    """Compare the sites after the newest cycle, the best first, and say why."""
    with errors_in_words(), results(where) as (settings, store, cycle):
        from windowwatch.cli import show
        from windowwatch.windows.sites import compare_sites

        watch = settings.watch
        click.echo(f"after cycle {cycle}")
        week = _week(where, settings, store)
        show.print_week(show.terminal(), week, watch.sites, watch.plan)
        ranked = compare_sites(week, watch.sites, watch.plan)
        show.print_sites(show.terminal(), ranked, watch.sites)


@click.command("learned", short_help="Show how good forecasts and chances were, and what changes.")
@results_options
@click.option("--site", help="The tables of one site; left out: all sites together.")
@click.option("--train", is_flag=True, help="The lines that flights teach for [train], with doubt.")
def learned_command(where: Where, site: str | None, train: bool) -> None:
    """Show how good forecasts and chances were, and what would change by it.

    Flights are made with what was learned only where the settings say so: [learning] use.
    """
    with errors_in_words():
        if site is not None:
            require_site(where.settings, site)
    if train:
        with errors_in_words():
            from windowwatch.cli.flightlog import print_train

            print_train(where.settings)
        return
    with errors_in_words(), results(where) as (settings, store, _):
        from windowwatch.cli import show
        from windowwatch.cli.learned import print_learned
        from windowwatch.watch.learned import learn_anew

        name = settings.watch.name
        found = store.learned_tables(name)
        if found is None:
            found = learn_anew(store, settings.watch, present(where, store, name))
        chosen = "" if site is None else site_called(settings, site).name
        print_learned(show.terminal(), found, settings.file.learning.use, chosen)


@click.command("explain", short_help="Say what stands behind a notice or a launch hour.")
@results_options
@click.argument("what", metavar="KEY|SITE")
@click.argument("at", metavar="[TIME|DAY]", required=False)
@click.option("--all", "everything", is_flag=True, help="Every hour of window or day in full.")
@click.option("--weather", is_flag=True, help="Of a launch hour, the values in the files too.")
def explain_command(
    where: Where, what: str, at: str | None, everything: bool, weather: bool
) -> None:
    """Say what stands behind a notice, or behind a launch hour.

    KEY stands in square brackets at the end of a notice. SITE and TIME name a launch hour of
    the newest cycle; TIME is local to the site, as 2026-05-08T06:00, unless it carries a zone.
    A DAY, as 2026-05-08, lists its launch hours.
    """
    with errors_in_words():
        if at is not None:
            require_site(where.settings, what)
        elif what.lower() in map(str.lower, named_sites(where.settings)):
            raise InputError(
                f"{what} is a site; say which day or launch hour of it: "
                f"windowwatch explain {quote(what)} 2026-05-08, or 2026-05-08T06:00"
            )
    with errors_in_words(), results(where) as (settings, store, _):
        from windowwatch.cli import explaining, show

        plan, console = settings.watch.plan, show.terminal()
        if at is None:
            sites = {site.name: site for site in settings.watch.sites}
            trail = store.explain(what.strip("[] "))
            rules = settings.watch.rules
            explaining.print_trail(console, trail, sites, plan, rules, every_hour=everything)
            return
        site = site_called(settings, what)
        zone = ZoneInfo(site.time_zone)
        week = _week(where, settings, store)
        hours = [each for _, each in sorted(week.hours.get(site.name, {}).items())]
        day = day_typed(at)
        if day is not None:
            chosen = explaining.hours_of(hours, site, day)
            show.print_hours(console, chosen, site, week)
        else:
            chosen = [explaining.hour_at(hours, site, at)]
            head = f"{site.name}, watch {settings.watch.name}"
            console.print(head, style="bold", highlight=False)
        if day is None or everything:
            for hour in chosen:
                explaining.print_hour(console, hour, plan, zone, week)
        if weather and day is None:
            _print_weather(where, settings, store, site, chosen[0])
        stored = store.cycles(settings.watch.name)
        names = {hour.from_cycle or (stored[-1].cycle.id if stored else "") for hour in chosen}
        for name in sorted(names):
            cycle = next((c for c in stored if c.cycle.id == name), None)
            explaining.print_cycle(console, cycle)


def _print_weather(
    where: Where, settings: "Settings", store: "Store", site: "Site", hour: "Hour"
) -> None:
    """The values that an hour was made of, as its cycle's files have them."""
    from windowwatch.cli import explaining, show
    from windowwatch.forecast.dataset import said_at
    from windowwatch.watch.launchday.opening import OpenAs, dataset_again

    stored = store.cycles(settings.watch.name)
    name = hour.from_cycle or stored[-1].cycle.id
    cycle = next(each for each in stored if each.cycle.id == name)
    named = OpenAs() if where.rehearsal else OpenAs(*settings.ledger_names())
    dataset, _ = dataset_again(cycle, settings.watch, store, named)
    point, rows = said_at(dataset, site.latitude_deg, site.longitude_deg, hour.time_utc)
    zone = ZoneInfo(site.time_zone)
    explaining.print_weather(show.terminal(), point, rows, hour.time_utc, zone)


@click.command("acknowledge", short_help="Say that you know of a notice; its reminders end.")
@results_options
@click.argument("key")
@click.option("--by", "by_whom", required=True, type=Words(60), help="Your name.")
def acknowledge_command(where: Where, key: str, by_whom: str) -> None:
    """Say that you know of a notice, or have seen to it: reminders of KEY end."""
    with errors_in_words(), results(where) as (_, store, _):
        known = store.acknowledge(key.strip("[] "), by_whom=by_whom, now_utc=SystemClock().now())
        click.echo("acknowledged" if known is None else f"{known} had acknowledged it before")


COMMANDS = (
    learned_command,
    windows_command,
    hours_command,
    sites_command,
    explain_command,
    acknowledge_command,
)
