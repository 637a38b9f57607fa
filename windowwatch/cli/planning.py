"""Commands of launch day: `windowwatch plan`, what a crew does to a launch, and asks of it."""

import getpass
import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import click

from windowwatch.cli.common import (
    Where,
    errors_in_words,
    parse_time,
    results,
    results_options,
)
from windowwatch.clock import SystemClock, from_unix_s
from windowwatch.errors import InputError

# What reads settings and databases takes a second to load: each command loads it when it runs.
if TYPE_CHECKING:
    from windowwatch.launchday.plan import Event, Plan
    from windowwatch.scoring.values import Site
    from windowwatch.settings.read import Settings
    from windowwatch.storage.plans import PlanEntries
    from windowwatch.storage.store import Store

#: Whose name stands beside what is done, where `--by` does not say it.
NAME_ENV = "WINDOWWATCH_NAME"


@dataclass(frozen=True)
class Desk:
    """What every command of a plan needs: settings, results, the time, and who asks."""

    settings: "Settings"
    store: "Store"
    now_utc: datetime
    by: str
    rehearsal: bool

    @property
    def watch(self) -> str:
        """Name of the watch."""
        return self.settings.watch.name

    def site(self, name: str) -> "Site":
        """The site of that name, with the nearest one named where there is none."""
        from windowwatch.launchday.team import called

        found = called(name, [site.name for site in self.settings.watch.sites], "site")
        return next(site for site in self.settings.watch.sites if site.name == found)

    def plan(self, key: str | None) -> "Plan":
        """A plan by its key; without one the only plan that is to come, else the newest.

        Raises
        ------
        InputError
            If there is none, or several are to come.
        """
        from windowwatch.launchday.plan import stand

        if key is not None:
            entries = self.store.plan_entries(self.watch, key).entries
            return stand(key, entries, self.now_utc)
        plans = self.plans()
        coming = [plan for plan in plans if plan.coming]
        if len(coming) > 1:
            named = ", ".join(f"{plan.key} ({plan.site})" for plan in coming)
            raise InputError(f"several launches are planned: {named}; say which: --plan KEY")
        if not plans:
            raise InputError("no launch is planned; `windowwatch plan make SITE TIME` plans one")
        return (coming or plans)[0]

    def plans(self) -> "tuple[Plan, ...]":
        """All plans, the newest first."""
        from windowwatch.launchday.plan import stand

        kept = self.store.all_plans(self.watch)
        return tuple(stand(each.key, each.entries, self.now_utc) for each in kept)

    def zone(self, plan: "Plan") -> ZoneInfo:
        """Zone of a plan's site; UTC when the settings do not have it any more."""
        sites = {site.name: site.time_zone for site in self.settings.watch.sites}
        return ZoneInfo(sites.get(plan.site, "UTC"))

    def act(self, plan: "Plan", event: "Event", *, sure: bool = False) -> "PlanEntries":
        """Do something to a plan as it was seen."""
        return self.store.act_on_plan(
            self.watch,
            plan.key,
            event,
            at_utc=self.now_utc,
            by=self.by,
            steps=self.settings.watch.team.steps,
            seen=plan.number,
            sure=sure,
        )

    def moment(self, text: str, zone: ZoneInfo, *, happened: bool = False) -> datetime:
        """A time that was typed."""
        from windowwatch.launchday.moments import read_moment

        return read_moment(text, zone, self.now_utc, happened=happened)

    @property
    def clearance(self) -> tuple[datetime, datetime] | None:
        """First and last of the clearance, where there is one."""
        given = self.settings.watch.plan.clearance
        return None if given is None else (from_unix_s(given[0]), from_unix_s(given[1]))

    def require_clearance(self, release_utc: datetime) -> None:
        """Refuse a release outside the clearance of the watch."""
        from windowwatch.launchday.plan import check_clearance

        check_clearance(release_utc, self.clearance)

    def stands_now(self, plan: "Plan", said: str) -> None:
        """Say what was done, and how the plan stands after it."""
        from windowwatch.wording.launchday import plan_words

        after = self.plan(plan.key)
        click.echo(f"{said}\n{plan_words(after, self.zone(after))}")


@contextmanager
def _desk(where: Where, by: str | None, at: str | None) -> Iterator[Desk]:
    with errors_in_words(), results(where) as (settings, store, _):
        name = " ".join((by or os.environ.get(NAME_ENV) or getpass.getuser()).split())
        if not name or len(name) > 60 or not name.isprintable():
            raise InputError(f"{name[:60]!r} is no name; say who you are: --by NAME")
        yield Desk(settings, store, _now(store, settings.watch.name, where, at), name,
                   where.rehearsal)  # fmt: skip


def _now(store: "Store", watch: str, where: Where, at: str | None) -> datetime:
    """The present; of a rehearsal, its own end."""
    if at is not None:
        return parse_time(at)
    if not where.rehearsal:
        return SystemClock().now()
    ends = [each.saved_utc for each in store.cycles(watch, last=1)]
    ends += [plan.entries[-1].at_utc for plan in store.all_plans(watch)]
    return max(ends)


def _command(
    name: str, short_help: str, *, key: bool = True
) -> Callable[[Callable[..., None]], click.Command]:
    """A command of the group: its function is given the desk, and the key where it takes one."""

    def made(work: Callable[..., None]) -> click.Command:
        @results_options
        @wraps(work)
        def run(where: Where, by: str | None, at: str | None, **others: Any) -> None:
            with _desk(where, by, at) as desk:
                work(desk, **others)

        options = [
            click.option("--by", help=f"Your name; else {NAME_ENV}, or your login."),
            click.option("--at", help="Time to take for now, as 2026-05-04T04:00Z."),
        ]
        if key:
            options.append(click.option("--plan", "key", help="Which plan, where there are two."))
        found: Any = run
        for option in options:
            found = option(found)
        return plan_group.command(name, short_help=short_help)(found)

    return made


@contextmanager
def _sure_in_words() -> Iterator[None]:
    """Say how to insist on a number that was doubted."""
    from windowwatch.launchday.plan import DoubtedError

    try:
        yield
    except DoubtedError as error:
        raise InputError(f"{error.message} (--sure)") from error


@click.group("plan", short_help="See a launch through: countdown, holds, release.")
def plan_group() -> None:
    """Plan a launch and see it through: countdown, holds, fill, release.

    What is done here is told to the crew by the daemon. Local rules and whoever is licensed
    come first: nothing here clears a launch.
    """


@_command("make", "Plan a launch at SITE, TIME on the site's clock.", key=False)
@click.argument("site")
@click.argument("time")
@click.option("--lift", type=float, help="Neck lift to fill to, kg; else as in the settings.")
@click.option("--sure", is_flag=True, help="That lift is so, however odd it looks.")
@click.option("--crew", multiple=True, help="Who is there; once for each.")
def make_command(
    desk: Desk, site: str, time: str, lift: float | None, sure: bool, crew: tuple[str, ...]
) -> None:
    """Plan a launch at SITE and TIME: 9:05, 0905, 0905Z, 2026-05-05T09:05."""
    from dataclasses import replace

    from windowwatch.launchday.plan import check_lift

    place = desk.site(site)
    release = desk.moment(time, ZoneInfo(place.time_zone))
    train = desk.settings.watch.train
    if lift is not None:
        with _sure_in_words():
            check_lift(lift, train.nozzle_lift_kg, train.payload_mass_kg, sure=sure)
        train = replace(train, nozzle_lift_kg=lift)
    made = desk.store.plan_launch(
        desk.watch,
        place.name,
        release,
        train,
        at_utc=desk.now_utc,
        by=desk.by,
        crew=crew,
        clearance=desk.clearance,
    )
    desk.stands_now(desk.plan(made.entries.key), "planned:")
    if made.window is None:
        click.echo("careful: that is in no window that the newest forecast has")
    if made.beyond:
        click.echo("careful: that is beyond the newest forecast; nothing is known of it yet")


@_command("list", "List all planned launches.", key=False)
def list_command(desk: Desk) -> None:
    """List all planned launches, the newest first."""
    from windowwatch.wording.launchday import plan_words

    plans = desk.plans()
    for plan in plans:
        click.echo(plan_words(plan, desk.zone(plan)))
    if not plans:
        click.echo("no launch is planned")


@_command("show", "Show a plan: countdown, releases, fill.")
@click.option("--all", "everything", is_flag=True, help="Every release that was flown.")
def show_command(desk: Desk, key: str | None, everything: bool) -> None:
    """Show a plan: the next step, how long there is to wait, releases, and the fill."""
    from windowwatch.cli.launchday import show_plan

    show_plan(desk, desk.plan(key), everything=everything)


@_command("move", "Set the release to another TIME.")
@click.argument("time")
def move_command(desk: Desk, key: str | None, time: str) -> None:
    """Set the release to another TIME; a hold ends with it."""
    from windowwatch.launchday.plan import Moved

    plan = desk.plan(key)
    release = desk.moment(time, desk.zone(plan))
    desk.require_clearance(release)
    desk.act(plan, Moved(release))
    desk.stands_now(plan, "moved:")


@_command("hold", "Wait for MINUTES: all that is to come is so much later.")
@click.argument("minutes", type=float)
def hold_command(desk: Desk, key: str | None, minutes: float) -> None:
    """Wait for MINUTES: the release and every step to come are so much later."""
    from windowwatch.launchday.plan import Held

    plan = desk.plan(key)
    if not abs(minutes) < 1e5:
        raise InputError(f"a hold of {minutes:g} minutes; give 1 to 240")
    desk.require_clearance(plan.release_utc + timedelta(minutes=minutes))
    desk.act(plan, Held(timedelta(minutes=minutes)))
    desk.stands_now(plan, "held:")


@_command("fill", "What to do at the cylinders now.")
@click.option("--lift", type=float, help="Another neck lift to reach, kg.")
def fill_command(desk: Desk, key: str | None, lift: float | None) -> None:
    """Neck lift to reach, gas, bars out of which cylinder, time, and what is left after it."""
    from windowwatch.cli.launchday import show_fill_now

    show_fill_now(desk, desk.plan(key), lift)


@_command("gauge", "What the gauge of CYLINDER shows, BAR.")
@click.argument("cylinder")
@click.argument("bar", type=float)
def gauge_command(desk: Desk, key: str | None, cylinder: str, bar: float) -> None:
    """Say what the gauge of CYLINDER shows, BAR."""
    from windowwatch.launchday.plan import Gauged
    from windowwatch.settings.launchday import absolute_pa

    plan = desk.plan(key)
    found = desk.settings.watch.team.cylinder_called(cylinder)
    desk.act(plan, Gauged(found.name, absolute_pa(bar)))
    click.echo(f"cylinder {found.name}: {bar:g} bar on the gauge")


@_command("lift", "What the scale at the neck shows, KG.")
@click.argument("kg", type=float)
@click.option("--sure", is_flag=True, help="It is so, however odd it looks.")
def lift_command(desk: Desk, key: str | None, kg: float, sure: bool) -> None:
    """Say what the scale at the neck shows, KG: the plan is flown again with it."""
    from windowwatch.launchday.plan import LiftMeasured

    plan = desk.plan(key)
    with _sure_in_words():
        desk.act(plan, LiftMeasured(kg), sure=sure)
    desk.stands_now(plan, f"measured: {kg:.2f} kg, {kg - plan.meant_lift_kg:+.2f} kg as planned:")


@_command("tick", "STEP of the countdown is done.")
@click.argument("step")
def tick_command(desk: Desk, key: str | None, step: str) -> None:
    """Say that STEP of the countdown is done."""
    from windowwatch.launchday.plan import Ticked

    plan, found = desk.plan(key), desk.settings.watch.team.step_called(step)
    desk.act(plan, Ticked(found.key))
    desk.stands_now(plan, f"done: {found.text}")


@_command("untick", "STEP was ticked by mistake.")
@click.argument("step")
def untick_command(desk: Desk, key: str | None, step: str) -> None:
    """Say that STEP was ticked by mistake."""
    from windowwatch.launchday.plan import Unticked

    plan, found = desk.plan(key), desk.settings.watch.team.step_called(step)
    desk.act(plan, Unticked(found.key))
    desk.stands_now(plan, f"not done: {found.text}")


@_command("seen", "What you see and measure at the site.")
@click.option("--wind", type=float, help="Mean wind, m/s.")
@click.option("--gust", type=float, help="Gust, m/s.")
@click.option("--from", "from_deg", type=float, help="Where the wind comes from, degrees.")
@click.option("--cloud", type=int, help="Eighths of the sky, 9 where it is hidden.")
@click.option("--visibility", type=float, help="Visibility, km.")
@click.option("--metar", help="A pasted METAR; no other values beside it.")
@click.option("--site", help="Of which site, where nothing is planned.")
def seen_command(
    desk: Desk, key: str | None, metar: str | None, site: str | None, **values: Any
) -> None:
    """Say what you see and measure: it corrects the wind, and a gust may forbid a release."""
    from windowwatch.launchday.metar import read_metar
    from windowwatch.launchday.sighting import Sighting
    from windowwatch.wording.launchday import seen_words

    place = desk.site(site) if site is not None else desk.site(desk.plan(key).site)
    if metar is not None:
        if any(value is not None for value in values.values()):
            raise InputError("give a METAR or single values, not both")
        station = desk.settings.watch.team.station(place.name)
        seen = read_metar(metar, place.name, desk.by, desk.now_utc, station=station)
    else:
        km = values["visibility"]
        seen = Sighting(
            place.name,
            desk.now_utc,
            desk.by,
            wind_mps=values["wind"],
            gust_mps=values["gust"],
            wind_from_deg=values["from_deg"],
            cloud_oktas=values["cloud"],
            visibility_m=None if km is None else km * 1000.0,
        )
    desk.store.save_sighting(desk.watch, seen)
    click.echo(f"noted: {seen_words(seen, ZoneInfo(place.time_zone))}")
    _say_veto(desk, [seen])


def _say_veto(desk: Desk, seen: "Sequence[Any]") -> None:
    from windowwatch.launchday.sighting import FRESH_FOR, vetoes
    from windowwatch.wording.phrases import spoken_moment

    limit = desk.settings.watch.plan.limits.get("gust")
    if limit is None or not limit.hard:
        return
    for veto in vetoes(seen, limit.limit, desk.now_utc):
        zone = ZoneInfo(desk.site(seen[0].site).time_zone)
        until = spoken_moment(veto.at_utc + FRESH_FOR, zone)
        click.echo(
            f"NO-GO: {veto.gust_mps:.1f} m/s is over the hard limit of {veto.limit_mps:.1f} m/s; "
            f"no release before {until}"
        )


@_command("released", "The balloon has left the hand, now or at TIME.")
@click.argument("time", required=False)
def released_command(desk: Desk, key: str | None, time: str | None) -> None:
    """Say that the balloon has left the hand, now or at TIME."""
    from windowwatch.launchday.plan import Released

    plan = desk.plan(key)
    at = desk.now_utc if time is None else desk.moment(time, desk.zone(plan), happened=True)
    desk.act(plan, Released(at))
    desk.stands_now(plan, "released:")
    sites = [site for site in desk.settings.watch.sites if site.name == plan.site]
    if sites:
        flight = desk.store.begin_planned(
            desk.watch, desk.plan(plan.key), sites[0], SystemClock().now()
        )
        click.echo(f"flight {flight.key} begins: windowwatch flight show {flight.key}")


@_command("scrub", "Call the launch off; everybody is told.")
@click.option("--why", default="", help="The reason, in a few words.")
@click.option("--yes", is_flag=True, help="Do not ask again.")
def scrub_command(desk: Desk, key: str | None, why: str, yes: bool) -> None:
    """Call the launch off; everybody who was told of it is told."""
    from windowwatch.launchday.plan import Scrubbed
    from windowwatch.wording.launchday import plan_words

    plan = desk.plan(key)
    if len(why) > 200 or not why.isprintable():
        raise InputError("--why takes 200 characters on one line")
    if not yes:
        click.echo(plan_words(plan, desk.zone(plan)))
        if not click.confirm("Scrub this launch, and tell everybody?"):
            click.echo("nothing was changed")
            return
    desk.act(plan, Scrubbed(why.strip()))
    desk.stands_now(plan, "scrubbed:")


@_command("done", "Put a plan away that is over.")
@click.option("--note", default="", help="What is to be remembered of it.")
def done_command(desk: Desk, key: str | None, note: str) -> None:
    """Put a plan away that is over."""
    from windowwatch.launchday.plan import Done

    plan = desk.plan(key)
    desk.act(plan, Done(note.strip()))
    desk.stands_now(plan, "put away:")


@_command("fly", "Fly the plan now, where no daemon does.")
def fly_command(desk: Desk, key: str | None) -> None:
    """Fly the plan and its releases now, in this process, and keep the table."""
    from windowwatch.cli.launchday import fly_now

    plan = desk.plan(key)
    fly_now(desk, plan)


@_command("pack", "Write one HTML file to take along where there is no signal.", key=False)
@click.argument("key")
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path))
def pack_command(desk: Desk, key: str, file: Path) -> None:
    """Write plan KEY into one HTML FILE: it needs no server, no script and no signal."""
    from windowwatch.cli.takealong import write_pack

    write_pack(desk, key, file)


@_command("texts", "Print the texts to send, filled from the plan.", key=False)
@click.argument("key")
@click.argument("name", required=False)
@click.option("--names", is_flag=True, help="What each name of a text stands for instead.")
def texts_command(desk: Desk, key: str, name: str | None, names: bool) -> None:
    """Print the texts to send about plan KEY, or the one called NAME; nothing is sent."""
    from windowwatch.cli.takealong import print_names, print_texts

    if names:
        print_names(desk, key)
        return
    print_texts(desk, key, name)


COMMANDS = (plan_group,)
