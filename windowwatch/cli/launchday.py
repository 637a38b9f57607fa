"""What the commands of launch day show: countdown, releases and the fill, in the terminal."""

from collections.abc import Iterable
from zoneinfo import ZoneInfo

from rich import box
from rich.console import Console
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from windowwatch.cli import show
from windowwatch.cli.common import settings_of
from windowwatch.cli.planning import Desk
from windowwatch.launchday.countdown import Countdown, count_down
from windowwatch.launchday.flight import air_for_fill
from windowwatch.launchday.plan import Plan
from windowwatch.launchday.releases import Release, ReleaseTable
from windowwatch.launchday.sighting import USED_FOR
from windowwatch.wording import launchday as words

#: So many releases are shown without being asked for all.
_SHOWN = 13


def show_plan(desk: Desk, plan: Plan, *, everything: bool) -> None:
    """A plan as its crew wants it: how it stands, the next step large, then how long to wait."""
    console, zone = show.terminal(), desk.zone(plan)
    count = count_down(plan, desk.settings.watch.team.steps, desk.now_utc)
    console.print(Text(words.plan_words(plan, zone), style="bold"))
    _show_next(console, count, zone)
    for each in count.steps:
        show.print_note(console, words.step_words(each, zone))
    table = desk.store.release_table(desk.watch, plan.key)
    if plan.coming:
        _show_table(console, desk, plan, table, zone, everything=everything)
        if plan.measured_lift_kg is None:
            show_fill_now(desk, plan, None)


def _show_next(console: Console, count: Countdown, zone: ZoneInfo) -> None:
    if count.next is None:
        return
    late = count.next in count.alarming
    body = Text(words.step_words(count.next, zone), style="bold red" if late else "bold")
    head = words.countdown_words(count)
    console.print(Panel(body, title=f"NEXT, {head}", title_align="left", padding=(1, 2)))


def _show_table(
    console: Console,
    desk: Desk,
    plan: Plan,
    table: ReleaseTable | None,
    zone: ZoneInfo,
    *,
    everything: bool,
) -> None:
    if table is None:
        console.print("No release was flown yet: the daemon does it, or `windowwatch plan fly`.")
        return
    console.rule("if you wait")
    console.print(Text(words.last_good_words(table, zone), style="bold"))
    show.print_note(console, words.table_age_words(table, desk.now_utc))
    if table.plan_number < plan.flown_number:
        show.print_note(console, "OLD: the plan has changed since; it is flown again by the daemon")
    newest = desk.store.latest_cycle(desk.watch)
    if newest is not None and newest.id != table.cycle_id:
        show.print_note(console, f"OLD: the newest forecast is {newest.id}")
    for each in table.seen:
        show.print_note(console, words.beside_words(each, zone))
    if table.correction is not None:
        show.print_note(console, words.correction_words(table.correction))
    coming = [row for row in table.rows if row.time_utc >= desk.now_utc]
    shown = coming if everything else _round(coming, table)
    console.print(_releases(shown, table, zone))
    hidden = len(coming) - len(shown)
    if hidden:
        show.print_note(console, f"{hidden} more releases were flown (--all shows them)")
    if table.flight is not None and plan.measured_lift_kg is not None:
        show.print_note(console, f"Measured at the neck: {plan.measured_lift_kg:.2f} kg")
        for line in words.lift_lines(table.flight.lifts, plan.train.nozzle_lift_kg):
            show.print_note(console, line)


def _round(rows: list[Release], table: ReleaseTable) -> list[Release]:
    """Some releases: every quarter of an hour, the planned one, the last good one and the next."""
    wanted = {table.planned_utc, table.last_good_utc}
    ends = [r.time_utc for r in rows if table.last_good_utc and r.time_utc > table.last_good_utc]
    wanted |= set(ends[:1])
    every = 15 if len(rows) <= 3 * _SHOWN else 30
    return [r for r in rows if r.time_utc in wanted or r.time_utc.minute % every == 0]


def _releases(rows: Iterable[Release], table: ReleaseTable, zone: ZoneInfo) -> Table:
    drawn = Table(box=box.SIMPLE, padding=(0, 1, 0, 0))
    heads = ("release", "verdict", "chance", "lands", "crew after", "clearance", "daylight", "why")
    for head in heads:
        drawn.add_column(head, no_wrap=head != "why")
    for row in rows:
        cells = list(words.row_cells(row, zone))
        if row.time_utc == table.planned_utc:
            cells[0] += " *"
        style = "" if row.good else "dim"
        drawn.add_row(*cells, words.limit_words(row), style=style)
    return drawn


def show_fill_now(desk: Desk, plan: Plan, lift_kg: float | None) -> None:
    """The fill as it is to be done now, with its cautions.

    Raises
    ------
    InputError
        If the settings name no cylinder, or the lift cannot be had.
    """
    console, team = show.terminal(), desk.settings.watch.team
    site = desk.site(plan.site)
    table = desk.store.release_table(desk.watch, plan.key)
    flight = None if table is None else table.flight
    seen = desk.store.sightings(desk.watch, site.name, desk.now_utc - USED_FOR)
    air, source = air_for_fill(
        site.height_m, None if flight is None else flight.air, seen, desk.now_utc
    )
    target = plan.meant_lift_kg if lift_kg is None else lift_kg
    day = team.fill_to(target, plan, air)
    console.rule("the fill")
    drawn = Table(box=box.SIMPLE, show_header=False, padding=(0, 1, 0, 0))
    drawn.add_column(no_wrap=True)
    drawn.add_column()
    lines = words.fill_lines(day, air, str(source), cylinders=bool(team.cylinders))
    for what, value in lines:
        drawn.add_row(what, value)
    console.print(drawn)
    if not team.cylinders:
        show.print_note(console, "No cylinder is in the settings: [[launchday.cylinders]].")
    if plan.measured_lift_kg is not None:
        show.print_note(console, f"Measured at the neck: {plan.measured_lift_kg:.2f} kg")
    if flight is not None:
        for line in words.lift_lines(flight.lifts, plan.train.nozzle_lift_kg):
            show.print_note(console, line)
    for line in words.fill_cautions(day):
        show.print_note(console, line)


def fly_now(desk: Desk, plan: Plan) -> None:
    """Fly a plan in this process, keep its table and show it."""
    from windowwatch.watch.launchday.desk import Desk as Flying
    from windowwatch.watch.launchday.opening import OpenAs

    settings = settings_of(desk.settings.path)  # with its maps
    named = OpenAs() if desk.rehearsal else OpenAs(*settings.ledger_names())
    table = Flying(settings.watch, desk.store, named).table(plan.key, desk.now_utc)
    desk.store.save_release_table(desk.watch, table)
    _show_table(show.terminal(), desk, plan, table, desk.zone(plan), everything=False)
