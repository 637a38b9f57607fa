"""Results drawn in the terminal: windows, hours, sites, notices, progress, and how much gas."""

import sys
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from shlex import quote
from textwrap import fill, shorten
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import click
from rich import box
from rich.console import Console
from rich.padding import Padding
from rich.panel import Panel
from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeElapsedColumn
from rich.table import Table
from rich.text import Text

from windowwatch.cli.common import unusual_lift
from windowwatch.errors import InputError
from windowwatch.notices.values import Message
from windowwatch.physics.atmosphere import standard_atmosphere
from windowwatch.physics.fill import (
    GAS_CAUTIONS,
    Cylinders,
    Fill,
    SiteAir,
    explain_conflict,
    fill_for_ascent_rate,
    fill_for_burst_height,
    fill_for_gas,
    fill_for_lift,
    fill_time_s,
)
from windowwatch.physics.train import FlightTrain, descent_rate_mps, landing_energy_j
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.scoring.values import Hour, Site, Verdict
from windowwatch.units import KELVIN_AT_0_C
from windowwatch.windows.sites import SiteSummary
from windowwatch.windows.standing import Launch, Week
from windowwatch.windows.values import Window, WindowState
from windowwatch.wording.causes import reason
from windowwatch.wording.checks import hour_head, hour_words, others_words
from windowwatch.wording.credits import near_summary
from windowwatch.wording.page import (
    crew_words,
    day_words,
    score_words,
    utc_words,
    walk_words,
    windows_words,
)
from windowwatch.wording.phrases import compass, day_and_time, local_to, percent, sentence
from windowwatch.wording.standing import (
    alone_words,
    count_words,
    end_words,
    head_words,
    now_best_words,
    place_words,
    planned_words,
    site_words,
    told_best_words,
    week_lines,
)

if TYPE_CHECKING:
    from windowwatch.child import Progress as Told


@contextmanager
def progress_bar() -> Iterator["Told"]:
    """A progress bar on a terminal; nothing where there is none."""
    bar = Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        TaskProgressColumn(),
        TimeElapsedColumn(),
        console=Console(stderr=True),
        transient=True,
        # what is printed meanwhile goes above the bar, unless it goes to a file
        redirect_stdout=sys.stdout.isatty(),
        disable=not Console(stderr=True).is_terminal,
    )
    with bar:
        task = bar.add_task("starting", total=1.0)
        yield lambda words, share: bar.update(task, description=words, completed=share)


#: A verdict is read by its word; the colour only helps.
COLOURS = {
    Verdict.GO: "green",
    Verdict.CAUTION: "yellow",
    Verdict.NO_GO: "red",
    Verdict.UNKNOWN: "magenta",
}
#: Longest head of a worst check in the table of hours.
_SHORT = 42
#: What the states of a window mean, for whoever reads the word for the first time.
_MEANING = {
    WindowState.OPEN: "good in enough cycles to plan on",
    WindowState.SIGHTED: "good in this cycle; a later one must confirm it",
    WindowState.CLOSED: "the forecast took it away: do not plan on it",
    WindowState.PAST: "its time went by",
}


def terminal() -> Console:
    """The terminal, as wide as it is."""
    return Console()


def print_windows(
    console: Console,
    windows: Iterable[Window],
    sites: Sequence[Site],
    week: Week | None = None,
) -> None:
    """Print the windows of each site, in its local time, each with what limits it.

    Without a `week` they are told as their pass left them.
    """
    kept = list(windows)
    for site in sites:
        here = sorted((w for w in kept if w.site == site.name), key=lambda w: w.start_utc)
        zone = ZoneInfo(site.time_zone)
        if not here:
            console.print(Text(f"{site.name}: no window", style="bold"))
            console.print()
            continue
        table = plain_table(f"{site.name} (local: {site.time_zone})")
        for name in ("state", "release, local", "UTC"):
            table.add_column(name, no_wrap=True)
        for name in ("planned", "score", "chance"):
            table.add_column(name, justify="right", no_wrap=True)
        table.add_column("lands", no_wrap=True)
        for window in here:
            launch = None if week is None else week.of_window(window.uid)
            table.add_row(*_window_cells(window, launch, zone))
        console.print(table)
        for window in here:
            day = day_and_time(window.start_utc.astimezone(zone))
            print_note(console, f"{day}: {_window_note(window, week, zone)}")
        console.print()
    states = [state for state in _MEANING if any(w.state is state for w in kept)]
    for state in states:
        print_note(console, f"{state}: {_MEANING[state]}")
    if kept:
        print_note(
            console,
            "planned: the hour that a window keeps so that plans do not jump; score and chance "
            "are of that hour",
        )


def _window_note(window: Window, week: Week | None, zone: tzinfo) -> str:
    """Ends, what does better by now, and what limits it."""
    launch = None if week is None else week.of_window(window.uid)
    said = [end_words(window, zone)]
    if launch is not None and not launch.as_planned:
        said.append(planned_words(launch, zone))
    better = now_best_words(launch, zone) if launch else told_best_words(window, zone)
    if better:
        said.append(better)
    limits = reason(window.limited_by, local_to(zone)) or "Nothing in particular limits it."
    return f"{'; '.join(said)}. {limits}"


def _window_cells(window: Window, launch: Launch | None, zone: tzinfo) -> tuple[str, ...]:
    first, last = window.start_utc, window.last_release_utc
    at = window if launch is None or launch.hour is None else launch.hour
    return (
        str(window.state),
        _span(first, last, zone),
        _span(first, last, UTC, beside=zone),
        f"{window.best_hour_utc.astimezone(zone):%H:%M}",
        score_words(window.best_score if launch is None else launch.score),
        share_words(window.chance if launch is None else launch.chance),
        lands(at.drift_km, at.bearing_deg),
    )


def print_week(console: Console, week: Week, sites: Sequence[Site], plan: ScoringPlan) -> None:
    """Print the best launch of all sites in the week, and the soonest."""
    zones: dict[str, tzinfo] = {site.name: ZoneInfo(site.time_zone) for site in sites}
    lines = week_lines(week, zones, plan.setup_min)
    for name, words, _ in lines:
        told = fill(f"{name}: {words}", console.width, break_long_words=False)
        console.print(Text(told, style="bold"))
    console.print(Text(count_words(week.launches)))
    console.print()


def folded(words: str, set_in: int = 2) -> str:
    """Words folded to the width of the terminal; paths and addresses stay whole, to be copied."""
    return fill(
        words,
        terminal().width,
        subsequent_indent=" " * set_in,
        break_long_words=False,
        break_on_hyphens=False,
    )


def print_plain(console: Console, words: str) -> None:
    """Print words as they are, folded to the width of the terminal."""
    console.print(Text(words))


def print_note(console: Console, words: str) -> None:
    """Print a remark, set in and folded to the width of the terminal."""
    console.print(Padding(Text(words), (0, 0, 0, 2)))


def print_sites(console: Console, ranked: Iterable[SiteSummary], sites: Sequence[Site]) -> None:
    """Print the sites side by side, the best first, each with the planned hour of each day."""
    zones = {site.name: ZoneInfo(site.time_zone) for site in sites}
    for number, each in enumerate(ranked, start=1):
        console.print(Text(f"{number}. {site_words(each)}", style="bold"))
        print_note(console, _beside(each))
        if not each.heads:
            print_note(console, "no window")
            console.print()
            continue
        table = plain_table("")
        for name in ("planned", "UTC", "verdict"):
            table.add_column(name, no_wrap=True)
        for name in ("score", "chance"):
            table.add_column(name, justify="right", no_wrap=True)
        table.add_column("lands", no_wrap=True)
        table.add_column("")
        zone = zones[each.site]
        for head in each.heads:
            cells = _hour_cells(head.hour, zone)
            day = day_and_time(head.hour.time_utc.astimezone(zone))
            table.add_row(day, *cells[1:-1], head_words(head, zone))
        console.print(Padding(table, (0, 0, 1, 2)))


def _beside(site: SiteSummary) -> str:
    """What else tells a site from others: its windows, how far crews walk and drive, and hours
    that stand alone.
    """
    known = windows_words(site.window_count, site.window_h, site.longest_window_h)
    said = [f"windows: {known}"]
    if walk := walk_words(site.walk_min):
        said.append(f"walk from the road {walk}")
    if crew := crew_words(site.crew_min):
        said.append(f"crew at the road {crew}")
    if alone := alone_words(site.alone_hours):
        said.append(alone)
    return sentence("; ".join(said))


def print_hours(console: Console, hours: Iterable[Hour], site: Site, week: Week) -> None:
    """Print every hour of a site with its verdict and what limits it, day by day."""
    zone = ZoneInfo(site.time_zone)
    table = plain_table(f"{site.name} (local: {site.time_zone})")
    for name in ("local", "UTC", "verdict"):
        table.add_column(name, no_wrap=True)
    for name in ("score", "chance"):
        table.add_column(name, justify="right", no_wrap=True)
    kept = list(hours)
    asked = any(hour.others for hour in kept)
    if asked:
        table.add_column("others", no_wrap=True)
    table.add_column("lands", no_wrap=True)
    table.add_column("worst check")
    day = ""
    for hour in kept:
        today = day_words(hour.time_utc.astimezone(zone).date())
        if today != day:
            if day:
                table.add_section()
            table.add_row(Text(today.rsplit(" ", 1)[0], style="bold"), *[""] * 5)
            day = today
        cells = (*_hour_cells(hour, zone)[:-1], _short(hour, week))
        told = (others_words(hour),) if asked else ()
        table.add_row(*cells[:5], *told, *cells[5:])
    console.print(table)
    if kept:
        name = quote(site.name)
        print_note(console, f"the whole of a worst check: windowwatch explain {name} TIME")
    if asked:
        models = sorted({opinion.model for hour in kept for opinion in hour.others})
        print_note(
            console,
            f"others: what {', '.join(models)} would say; they raise or lower the chance, and "
            "decide nothing",
        )
    for words in near_summary(kept):
        print_note(console, words)
    carried = sorted({hour.from_cycle for hour in kept if hour.from_cycle})
    if carried:
        print_note(
            console,
            f"* the newest cycle has not come so far yet: the answer is that of "
            f"{', '.join(carried)}",
        )


def _hour_cells(hour: Hour, zone: tzinfo) -> tuple[str | Text, ...]:
    local = hour.time_utc.astimezone(zone)
    apart = (hour.time_utc.date() - local.date()).days
    return (
        f"{local:%H:%M}{'*' * (hour.from_cycle is not None)}",
        f"{hour.time_utc:%H:%M}{f'{apart:+d}' if apart else ''}",
        Text(str(hour.verdict), style=COLOURS[hour.verdict]),
        score_words(hour.score),
        share_words(hour.chance),
        lands(hour.drift_km, hour.bearing_deg),
        hour_words(hour),
    )


def _short(hour: Hour, week: Week) -> str:
    """How an hour stands, then what is worst in it, in two lines of its column."""
    return shorten(
        "; ".join(filter(None, (_stands(hour, week), hour_head(hour)))), _SHORT, placeholder=" …"
    )


def _stands(hour: Hour, week: Week) -> str:
    """Whether an hour is planned, or why it cannot be although it looks good."""
    standing = week.standing(hour)
    launch = None if standing.window is None else week.of_window(standing.window.uid)
    if launch is not None and launch.time_utc == hour.time_utc:
        return "planned" if launch.as_planned else "best to come"
    better = None if launch is None else launch.now_best
    if better is not None and better.time_utc == hour.time_utc:
        return "now best"
    return place_words(hour, standing, short=True)


def plain_table(title: str) -> Table:
    """A table without a frame, its title at the left."""
    return Table(
        title=title or None,
        title_justify="left",
        title_style="bold",
        box=box.SIMPLE_HEAD,
        show_edge=False,
        pad_edge=False,
        padding=(0, 1, 0, 0),
    )


def print_notice(console: Console, number: int, message: Message, sent_utc: datetime) -> None:
    """Print one notice as it stands on a phone."""
    head = f"{number}. told {utc_words(sent_utc)}"
    body = Text(f"{message.title}\n\n", style="bold").append(message.body, style="not bold")
    console.print(Panel(body, title=head, title_align="left", width=min(console.width, 76)))


def state_counts(windows: Iterable[Window]) -> str:
    """``2 open, 1 sighted``."""
    kept = list(windows)
    counts = {state: sum(w.state is state for w in kept) for state in WindowState}
    return ", ".join(f"{n} {state}" for state, n in counts.items() if n) or "none"


def _span(first: datetime, last: datetime, zone: tzinfo, *, beside: tzinfo | None = None) -> str:
    """From the first to the last time; `beside` is a zone in which the day was just said."""
    start, end = first.astimezone(zone), last.astimezone(zone)
    if beside is not None and (start.date(), end.date()) == (
        first.astimezone(beside).date(),
        last.astimezone(beside).date(),
    ):
        return f"{start:%H:%M}–{end:%H:%M}"
    if first == last:
        return day_and_time(start)
    if start.date() == end.date():
        return f"{day_and_time(start)}–{end:%H:%M}"
    return f"{day_and_time(start)}–\n{day_and_time(end)}"


def share_words(share: float | None) -> str:
    """``74 %``, or a dash."""
    return "–" if share is None else percent(share)


def lands(drift_km: float | None, bearing_deg: float | None) -> str:
    """``85 km NE``, or a dash."""
    if drift_km is None or bearing_deg is None:
        return "–"
    initials = "".join(word[0] for word in compass(bearing_deg).split("-")).upper()
    return f"{drift_km:.0f} km {initials}"


@dataclass(frozen=True)
class Wish:
    """What is wanted of a fill; at most one of the first three, or rate and burst together."""

    rate_mps: float | None = None
    burst_m: float | None = None
    gas_m3: float | None = None
    wind_mps: float | None = None
    temperature_c: float | None = None


@dataclass(frozen=True)
class Supply:
    """Where the gas comes from: cylinders, and how fast it flows."""

    cylinders: Cylinders
    flow_m3pmin: float


def show_fill(
    train: FlightTrain, site: Site, wish: Wish, supply: Supply, *, sure: bool = False
) -> None:
    """Work a fill out for the air at a site, and show it with its warnings and cautions.

    A wish that takes a lift far beyond what is usual is refused until the person is `sure`.

    Raises
    ------
    InputError
        If the wish cannot be had, with the reason; or if two wishes contradict.
    """
    console = Console()
    air = _air(site, wish)
    fill = _fill(train, air, wish)
    odd = unusual_lift(fill.nozzle_lift_kg, train.payload_mass_kg, train.balloon_mass_kg)
    conflict = None
    if wish.rate_mps is not None and wish.burst_m is not None:
        conflict = explain_conflict(train, wish.rate_mps, wish.burst_m, air)
    wished = (wish.rate_mps, wish.burst_m, wish.gas_m3)
    if odd is not None and not sure and wished != (None, None, None):
        raise InputError(f"{odd}; --yes to go on{'' if conflict is None else f'. {conflict}'}")
    click.echo(
        f"Fill at {site.name}: {train.gas}, {air.temperature_k - KELVIN_AT_0_C:.0f} °C, "
        f"{air.pressure_pa / 100:.0f} hPa (standard air unless given)"
    )
    table = Table(box=box.SIMPLE, show_header=False, padding=(0, 1, 0, 0))
    table.add_column(no_wrap=True)
    table.add_column(no_wrap=True)
    for what, value in _rows(fill, air, supply):
        table.add_row(what, value)
    console.print(table)
    if wish.rate_mps is not None and wish.burst_m is not None:
        print_note(console, f"Met: --rate {wish.rate_mps:g} m/s.")
        met = "Met" if conflict is None else "NOT met"
        print_note(console, f"{met}: --burst {wish.burst_m:g} m. {conflict or ''}".rstrip())
    for words in (*fill.warnings, *([odd] if odd else [])):
        print_note(console, f"Note: {words}")
    print_note(console, GAS_CAUTIONS[train.gas])


def train_words(train: FlightTrain, site: Site) -> tuple[str, tuple[str, ...]]:
    """What the train of the settings comes to at a site, in a line, and what to be careful of.

    Raises
    ------
    InputError
        If its lift does not carry it, or bursts the balloon on the ground.
    """
    wish = Wish()
    fill = _fill(train, _air(site, wish), wish)
    words = (
        f"with {train.nozzle_lift_kg:g} kg of nozzle lift at {site.name} it takes "
        f"{fill.standard_volume_m3:.1f} m³ of {train.gas}, rises at {fill.mean_rate_mps:.1f} m/s "
        f"on average and bursts at about {fill.burst_height_m / 1000:.1f} km"
    )
    return words, fill.warnings


def _air(site: Site, wish: Wish) -> SiteAir:
    standard = standard_atmosphere(site.height_m)
    warmth = float(standard.temperature_k)
    if wish.temperature_c is not None:
        warmth = wish.temperature_c + KELVIN_AT_0_C
    return SiteAir(float(standard.pressure_pa), warmth)


def _fill(train: FlightTrain, air: SiteAir, wish: Wish) -> Fill:
    if wish.gas_m3 is not None and (wish.rate_mps is not None or wish.burst_m is not None):
        raise InputError("give an amount of gas, or what it is to do (--rate, --burst), not both")
    said = {"surface_wind_mps": wish.wind_mps, "wanted_burst_m": wish.burst_m}
    if wish.gas_m3 is not None:
        return fill_for_gas(train, wish.gas_m3, air, **said)
    if wish.rate_mps is not None:
        try:
            return fill_for_ascent_rate(train, wish.rate_mps, air, **said)
        except InputError as error:
            raise _neither(error, train, air, wish) from error
    if wish.burst_m is not None:
        return fill_for_burst_height(train, wish.burst_m, air, **said)
    return fill_for_lift(train, train.nozzle_lift_kg, air, **said)


def _neither(error: InputError, train: FlightTrain, air: SiteAir, wish: Wish) -> InputError:
    """Refusal of a rate that cannot be had, which also says what becomes of the burst height."""
    if wish.burst_m is None:
        return error
    height = f"--burst {wish.burst_m:g}"
    try:
        fill = fill_for_burst_height(train, wish.burst_m, air)
    except InputError:
        return InputError(
            f"neither --rate {wish.rate_mps:g} nor {height} can be met: {error.message}"
        )
    return InputError(
        f"--rate {wish.rate_mps:g} cannot be met: {error.message}. {height} could be: it then "
        f"rises at {fill.mean_rate_mps:.1f} m/s; give {height} alone"
    )


def _rows(fill: Fill, air: SiteAir, supply: Supply) -> list[tuple[str, str]]:
    train = fill.train
    flow_m3ps = supply.flow_m3pmin / 60.0
    sinking = float(descent_rate_mps(train, air.density_kgpm3))
    energy = float(landing_energy_j(train, air.density_kgpm3))
    return [
        ("nozzle lift (on the scale)", f"{fill.nozzle_lift_kg:.2f} kg"),
        ("free lift", f"{train.free_lift_kg:.2f} kg"),
        ("total lift", f"{train.total_lift_kg:.2f} kg"),
        (
            "gas",
            f"{fill.standard_volume_m3:.2f} m³ at 15 °C and 1013 hPa, {fill.gas_mass_kg:.2f} kg",
        ),
        ("balloon when filled", f"{fill.volume_m3:.2f} m³, {fill.diameter_m:.2f} m across"),
        *_cylinder_rows(fill, air, supply.cylinders),
        (
            "time to fill",
            f"{fill_time_s(fill.standard_volume_m3, flow_m3ps) / 60:.0f} min "
            f"at {supply.flow_m3pmin:g} m³ a minute",
        ),
        (
            "rises at",
            f"{fill.release_rate_mps:.1f} m/s at release, {fill.mean_rate_mps:.1f} on average",
        ),
        ("bursts at about", f"{fill.burst_height_m / 1000:.1f} km"),
        ("lands at", f"{sinking:.1f} m/s with {energy:.0f} J"),
    ]


def _cylinder_rows(fill: Fill, air: SiteAir, held: Cylinders) -> list[tuple[str, str]]:
    """How many cylinders, and how they are read."""
    count = held.count_for(fill.train.gas, fill.standard_volume_m3, air)
    kind = "gauge" if held.is_gauge else "absolute"
    warmth_k = air.temperature_k if held.temperature_k is None else held.temperature_k
    now = f"{warmth_k - KELVIN_AT_0_C:.0f} °C"
    at = now if held.is_read_now else "15 °C"
    return [
        (
            "cylinders",
            f"{count} of {1000.0 * held.water_m3:g} l at {held.pressure_pa / 1e5:g} bar "
            f"({kind}, at {at})",
        ),
        ("", f"used at {now} down to {held.left_pa / 1e5:g} bar ({kind})"),
    ]
