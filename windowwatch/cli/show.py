"""Results drawn in the terminal: tables of windows and hours, notices, the trail of one."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime, tzinfo
from zoneinfo import ZoneInfo

from rich import box
from rich.console import Console, Group
from rich.padding import Padding
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from windowwatch.notices.values import Message
from windowwatch.scoring.compare import SiteSummary, what_would_make_it_go
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.scoring.values import Hour, Site, Verdict
from windowwatch.storage.trail import Trail
from windowwatch.windows.phrases import compass, percent
from windowwatch.windows.values import Window, WindowState

#: A verdict is read by its word; the colour only helps.
_COLOURS = {
    Verdict.GO: "green",
    Verdict.CAUTION: "yellow",
    Verdict.NO_GO: "red",
    Verdict.UNKNOWN: "magenta",
}


def terminal() -> Console:
    """The terminal, as wide as it is."""
    return Console()


def print_windows(console: Console, windows: Iterable[Window], sites: Sequence[Site]) -> None:
    """Print the windows of each site, in its local time, each with what limits it."""
    kept = list(windows)
    for site in sites:
        here = sorted((w for w in kept if w.site == site.name), key=lambda w: w.start_utc)
        zone = ZoneInfo(site.time_zone)
        if not here:
            console.print(Text(f"{site.name}: no window", style="bold"))
            console.print()
            continue
        table = Table(
            title=f"{site.name} (local: {site.time_zone})",
            title_justify="left",
            title_style="bold",
            box=box.SIMPLE_HEAD,
            pad_edge=False,
        )
        for name in ("state", "launch, local", "UTC"):
            table.add_column(name, no_wrap=True)
        for name in ("best", "score", "chance"):
            table.add_column(name, justify="right", no_wrap=True)
        table.add_column("lands", no_wrap=True)
        for window in here:
            table.add_row(*_window_cells(window, zone))
        console.print(table)
        for window in here:
            day = f"{window.start_utc.astimezone(zone):%a %d %H:%M}"
            limits = window.limited_by or "nothing in particular limits it"
            console.print(Padding(Text(f"{day}: {limits}"), (0, 0, 0, 2)))
        console.print()


def _window_cells(window: Window, zone: ZoneInfo) -> tuple[str, ...]:
    return (
        str(window.state),
        _span(window.start_utc, window.end_utc, zone),
        _times(window.start_utc, window.end_utc, zone),
        f"{window.best_hour_utc.astimezone(zone):%H:%M}",
        f"{window.best_score:.0f}",
        _percent(window.chance),
        _lands(window.drift_km, window.bearing_deg),
    )


def print_note(console: Console, words: str) -> None:
    """Print a remark, set in and folded to the width of the terminal."""
    console.print(Padding(Text(words), (0, 0, 0, 2)))


def print_sites(console: Console, ranked: Iterable[SiteSummary], sites: Sequence[Site]) -> None:
    """Print the sites side by side, the best first, each with its best hour of each day."""
    zones = {site.name: ZoneInfo(site.time_zone) for site in sites}
    for number, each in enumerate(ranked, start=1):
        console.print(Text(f"{number}. {each.reason}", style="bold"))
        if not each.best:
            print_note(console, "no hour that is go or caution")
        for hour in each.best:
            local = hour.time_utc.astimezone(zones[each.site])
            score = 0.0 if hour.score is None else hour.score
            print_note(
                console,
                f"{local:%a %d} best {local:%H:%M} local ({hour.time_utc:%H:%M} UTC): "
                f"{hour.verdict}, score {score:.0f}, chance {_percent(hour.chance)}, lands "
                f"{_lands(hour.drift_km, hour.bearing_deg)}",
            )
        console.print()


def print_hours(console: Console, hours: Iterable[Hour], site: Site) -> None:
    """Print every hour of a site with its verdict and what limits it."""
    zone = ZoneInfo(site.time_zone)
    table = Table(
        title=f"{site.name} (local: {site.time_zone})",
        title_justify="left",
        title_style="bold",
        box=box.SIMPLE_HEAD,
        padding=(0, 1, 0, 0),
    )
    for name in ("local", "UTC", "verdict"):
        table.add_column(name, no_wrap=True)
    for name in ("score", "chance"):
        table.add_column(name, justify="right", no_wrap=True)
    table.add_column("lands", no_wrap=True)
    table.add_column("worst check")
    day: str | None = None
    for hour in hours:
        local = hour.time_utc.astimezone(zone)
        if day is not None and f"{local:%d}" != day:
            table.add_section()
        day = f"{local:%d}"
        table.add_row(
            f"{local:%a %d %H:%M}",
            f"{hour.time_utc:%H:%M}",
            Text(str(hour.verdict), style=_COLOURS[hour.verdict]),
            "–" if hour.score is None else f"{hour.score:.0f}",
            _percent(hour.chance),
            _lands(hour.drift_km, hour.bearing_deg),
            hour.refused or next(iter(hour.worst), "all is well within the limits."),
        )
    console.print(table)


def print_notice(console: Console, number: int, message: Message, sent_utc: datetime) -> None:
    """Print one notice as it stands on a phone."""
    head = f"{number}. told {sent_utc:%a %d %b %H:%M} UTC"
    body = Text(f"{message.title}\n\n", style="bold").append(message.body, style="not bold")
    console.print(Panel(body, title=head, title_align="left", width=min(console.width, 76)))


def print_trail(
    console: Console, trail: Trail, sites: Mapping[str, Site], plan: ScoringPlan
) -> None:
    """Print all that stands behind a notice, down to the files of its cycle."""
    change = trail.change
    console.print(Text(f"{change.kind} – {change.site}, watch {trail.watch}", style="bold"))
    console.print(f"found {change.found_utc:%a %d %b %H:%M} UTC in cycle {change.cycle_id}")
    console.print(Padding(change.reason, (0, 0, 1, 2)))
    site = sites.get(change.site)
    zone = ZoneInfo(site.time_zone) if site else UTC
    if trail.window is not None:
        window = trail.window
        console.print(
            f"window {window.uid}: {window.state}, "
            f"{_span(window.start_utc, window.end_utc, zone)} local, "
            f"{_span(window.start_utc, window.end_utc, UTC)} UTC"
        )
    for hour in trail.hours:
        console.print(_hour_in_full(hour, zone))
        wanted = what_would_make_it_go(hour, plan)
        if wanted:
            print_note(console, f"it would be go with: {'; '.join(wanted)}")
    for delivery in trail.deliveries:
        when = f"{delivery.sent_utc:%a %d %b %H:%M} UTC" if delivery.sent_utc else "not sent"
        error = f" ({delivery.error})" if delivery.error else ""
        console.print(f"delivery on {delivery.channel}: {delivery.state}, {when}{error}")
    if trail.cycle is None:
        console.print("its cycle is no longer stored")
        return
    console.print(Text(f"cycle {trail.cycle.cycle.id}", style="bold"))
    for file in trail.cycle.files:
        console.print(
            f"  {file.path}  {file.size_bytes} bytes  sha256 {file.sha256}", soft_wrap=True
        )
    for words in (*trail.cycle.gaps, *trail.cycle.remarks):
        console.print(f"  {words}")


def _hour_in_full(hour: Hour, zone: tzinfo) -> Group:
    """One hour with every check: value, limit, margin, desirability."""
    score = "refused" if hour.score is None else f"score {hour.score:.0f}"
    head = Text(f"{hour.time_utc.astimezone(zone):%a %d %H:%M} {hour.verdict}, {score}")
    table = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False, padding=(0, 1, 0, 0))
    table.add_column("check", no_wrap=True)
    table.add_column("verdict", no_wrap=True)
    for name in ("value", "fine", "limit", "margin", "unit", "desirable"):
        table.add_column(name, justify="left" if name == "unit" else "right", no_wrap=True)
    part = None
    for check in hour.checks:
        if check.part is not part:
            part = check.part
            known = hour.parts.get(part)
            table.add_row(Text(f"{part} {'–' if known is None else f'{known:.0f}'}", style="bold"))
        table.add_row(
            f"  {check.name}",
            str(check.verdict),
            _number(check.value),
            _number(check.fine),
            _number(check.limit),
            _number(check.margin),
            check.unit,
            "unknown" if check.desirability is None else f"{check.desirability:.2f}",
        )
    return Group(head, Padding(table, (0, 0, 0, 2)))


def state_counts(windows: Iterable[Window]) -> str:
    """``2 open, 1 sighted``."""
    kept = list(windows)
    counts = {state: sum(w.state is state for w in kept) for state in WindowState}
    return ", ".join(f"{n} {state}" for state, n in counts.items() if n) or "no window"


def _span(start: datetime, end: datetime, zone: tzinfo) -> str:
    first, last = start.astimezone(zone), end.astimezone(zone)
    if first.date() == last.date():
        return f"{first:%a %d %H:%M}–{last:%H:%M}"
    return f"{first:%a %d %H:%M}–{last:%a %d %H:%M}"


def _times(start: datetime, end: datetime, zone: tzinfo) -> str:
    """The span in UTC; its day only where that is not the local one."""
    if start.date() == start.astimezone(zone).date() and end.date() == start.date():
        return f"{start:%H:%M}–{end:%H:%M}"
    return _span(start, end, UTC)


def _percent(share: float | None) -> str:
    return "–" if share is None else percent(share)


def _lands(drift_km: float | None, bearing_deg: float | None) -> str:
    if drift_km is None or bearing_deg is None:
        return "–"
    initials = "".join(word[0] for word in compass(bearing_deg).split("-")).upper()
    return f"{drift_km:.0f} km {initials}"


def _number(value: float | None) -> str:
    return "–" if value is None else f"{value:.4g}"
