"""The board: the answer first, then days and hours of each site. Pure."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from math import ceil

from windowwatch.scoring.compare import SiteSummary, compare_sites
from windowwatch.scoring.values import Hour, Site, Verdict
from windowwatch.web import words
from windowwatch.web.reading import Snapshot
from windowwatch.web.values import Facts, site_keys, stamp
from windowwatch.windows.values import Window, WindowState

HALF_H = 12
_LIVE = (WindowState.OPEN, WindowState.SIGHTED)
_ORDER = {Verdict.GO: 3, Verdict.CAUTION: 2, Verdict.NO_GO: 1, Verdict.UNKNOWN: 0}


@dataclass(frozen=True)
class Cell:
    """One launch hour on the board. `column` counts from 1 within the half day."""

    column: int
    width: int
    clock: str
    shows: str
    kind: str
    shade: int
    href: str
    spoken: str


@dataclass(frozen=True)
class Bracket:
    """A piece of a window within a half day."""

    column: int
    width: int
    label: str
    spoken: str
    state: str
    href: str
    begins: bool
    ends: bool


@dataclass(frozen=True)
class Due:
    """A time by which something must be decided."""

    column: int
    quarter: int
    spoken: str


@dataclass(frozen=True)
class Half:
    """Twelve hours of a day. `now` is (column, quarter of an hour) of the present."""

    first_h: int
    cells: tuple[Cell, ...]
    brackets: tuple[Bracket, ...]
    now: tuple[int, int] | None
    dues: tuple[Due, ...] = ()


@dataclass(frozen=True)
class Day:
    """One local day."""

    title: str
    halves: tuple[Half, ...]


@dataclass(frozen=True)
class SiteBoard:
    """A site with its answer and its days."""

    key: str
    name: str
    zone: str
    headline: str
    answer: str
    limited: str
    dues: tuple[str, ...]
    href: str | None
    days: tuple[Day, ...]
    silent: str


@dataclass(frozen=True)
class Board:
    """The whole page."""

    lead: str
    sites: tuple[SiteBoard, ...]
    hour_marks: tuple[int, ...] = tuple(range(24))


def board(facts: Facts, snapshot: Snapshot, now: datetime) -> Board:
    """Board of the newest pass as it stands at a time; the best site first."""
    keys = {site.name: key for key, site in site_keys(facts.sites).items()}
    coming = [h for h in snapshot.hours if h.time_utc + facts.step > now]
    windows = [w for w in snapshot.windows if w.state in _LIVE and w.end_utc > now]
    ranked = compare_sites(facts.sites, coming, facts.plan)
    sites = {site.name: site for site in facts.sites}
    boards = tuple(
        _site_board(
            facts,
            sites[each.site],
            keys[each.site],
            [h for h in snapshot.hours if h.site == each.site],
            [w for w in windows if w.site == each.site],
            each,
            now,
        )
        for each in ranked
    )
    return Board(_lead(windows, sites, now), boards)


def best_window(windows: Iterable[Window]) -> Window | None:
    """Open before sighted, then by chance, then by score."""
    return max(
        windows,
        key=lambda w: (w.state is WindowState.OPEN, w.chance or 0.0, w.best_score),
        default=None,
    )


def _lead(windows: Sequence[Window], sites: dict[str, Site], now: datetime) -> str:
    held = sum(w.state is WindowState.OPEN for w in windows)
    seen = len(windows) - held
    if not windows:
        return "No window is open or in sight."
    counts = [f"{held} window{'s are' if held != 1 else ' is'} open"] if held else []
    if seen:
        counts.append(f"{seen} sighted, not yet confirmed")
    first = min(windows, key=lambda w: (w.state is not WindowState.OPEN, w.start_utc))
    zone = words.zone_of(sites.get(first.site))
    when = words.ahead_words(first.start_utc, now)
    span = words.span_words(first.start_utc, first.end_utc, zone)
    verb = "has begun" if when == "now" else f"begins {when}"
    return f"{', '.join(counts)}. The next one {verb}: {first.site}, {span}."


def _site_board(
    facts: Facts,
    site: Site,
    key: str,
    hours: Sequence[Hour],
    windows: Sequence[Window],
    summary: SiteSummary,
    now: datetime,
) -> SiteBoard:
    best = best_window(windows)
    headline, answer, limited, href = _answer(site, key, best, hours, summary, now)
    return SiteBoard(
        key=key,
        name=site.name,
        zone=site.time_zone,
        headline=headline,
        answer=answer,
        limited=limited,
        dues=tuple(
            words.due_words(d.name, due, now, words.zone_of(site))
            for d, due in (() if best is None else facts.due(best))
        ),
        href=href,
        days=_days(facts, site, key, hours, windows, now),
        silent="" if hours else "The newest cycle answers for no launch hour of this site.",
    )


def _answer(
    site: Site,
    key: str,
    best: Window | None,
    hours: Sequence[Hour],
    summary: SiteSummary,
    now: datetime,
) -> tuple[str, str, str, str | None]:
    """Answer of a site in one sentence: its head, the rest, what limits, where to look."""
    zone = words.zone_of(site)
    if best is not None:
        head = words.span_words(best.start_utc, best.end_utc, zone)
        at = best.best_hour_utc.astimezone(zone)
        lands = words.lands_words(best.drift_km, best.bearing_deg, best.road_km)
        known = "" if best.readable else ", as an earlier cycle had it"
        rest = (
            f"chance {words.chance_words(best.chance)}, score {best.best_score:.0f} at "
            f"{at:%H:%M}{known}; {lands}."
        )
        if best.state is WindowState.SIGHTED:
            rest = f"sighted, not yet confirmed; {rest}"
        return head, rest, best.limited_by, f"/windows/{best.uid}"
    if summary.best:
        hour = max(summary.best, key=lambda h: (_ORDER[h.verdict], h.score or 0.0))
        head = "No window"
        rest = (
            f"best single hour {words.moment_words(hour.time_utc, zone)}: {hour.verdict}, "
            f"score {words.score_words(hour.score)}, "
            f"{words.lands_words(hour.drift_km, hour.bearing_deg, hour.road_km)}."
        )
        return head, rest, next(iter(hour.worst), ""), f"/hour/{key}/{stamp(hour.time_utc)}"
    coming = [h for h in hours if h.time_utc > now]
    if coming and all(h.verdict is Verdict.UNKNOWN for h in coming):
        return "Not known", "no launch hour could be answered for.", coming[0].refused or "", None
    why = words.check_label(summary.in_the_way) if summary.in_the_way else ""
    limited = f"Mostly in the way: {why}." if why else ""
    return "No window", "no launch hour to come is better than no-go.", limited, None


def _days(
    facts: Facts,
    site: Site,
    key: str,
    hours: Sequence[Hour],
    windows: Sequence[Window],
    now: datetime,
) -> tuple[Day, ...]:
    zone = words.zone_of(site)
    today = now.astimezone(zone).date()
    by_day: dict[date, dict[int, Hour]] = {}
    for hour in hours:
        there = hour.time_utc.astimezone(zone)
        if there.date() < today:
            continue
        slot = by_day.setdefault(there.date(), {})
        # Launch hours closer than an hour, and the hour that a clock change repeats, share
        # a place: the best of them is shown, the others are reached from its page.
        if there.hour not in slot or _merit(hour) > _merit(slot[there.hour]):
            slot[there.hour] = hour
    if by_day and min(by_day) == today + timedelta(days=1):
        by_day[today] = {}  # so that the present can be seen
    width = max(1, round(facts.step / timedelta(hours=1)))
    days = []
    for day in sorted(by_day):
        halves = tuple(
            Half(
                first_h=first,
                cells=tuple(
                    _cell(hour, h, width, key, site, over=hour.time_utc + facts.step <= now)
                    for h, hour in sorted(by_day[day].items())
                    if first <= h < first + HALF_H
                ),
                brackets=_brackets(windows, day, first, site),
                now=_now_in(now.astimezone(zone), day, first),
                dues=_dues(facts, windows, day, first, site, now),
            )
            for first in (0, HALF_H)
        )
        days.append(Day(words.day_words(day), halves))
    return tuple(days)


def _merit(hour: Hour) -> tuple[int, float]:
    return _ORDER[hour.verdict], hour.score or 0.0


def _cell(hour: Hour, hour_of_day: int, width: int, key: str, site: Site, *, over: bool) -> Cell:
    column = hour_of_day % HALF_H + 1
    night = words.is_night(hour)
    kind = str(hour.verdict)
    if hour.verdict is Verdict.UNKNOWN or hour.score is None:
        shows = "?"
    elif night:
        shows, kind = "", "night"
    elif hour.score < 0.5:
        shows = "×"
    else:
        shows = f"{hour.score:.0f}"
    kind += " past" if over else ""
    there = hour.time_utc.astimezone(words.zone_of(site))
    spoken = f"{words.day_words(there.date())} {there:%H:%M}: {hour.verdict}"
    if hour.score is not None:
        spoken += f", score {hour.score:.0f}"
    if night:
        spoken += ", dark"
    elif hour.chance is not None:
        spoken += f", chance {words.chance_words(hour.chance)}"
    spoken += ", over" if over else ""
    return Cell(
        column=column,
        width=min(width, HALF_H + 1 - column),
        clock=f"{there:%H}",
        shows=shows,
        kind=kind,
        shade=0 if hour.score is None else int(hour.score // 10),
        href=f"/hour/{key}/{stamp(hour.time_utc)}",
        spoken=spoken,
    )


def _brackets(
    windows: Sequence[Window], day: date, first_h: int, site: Site
) -> tuple[Bracket, ...]:
    found = []
    for window in windows:
        begin_h, end_h = _places(window, day, site)
        pieces = [
            (max(begin_h, first), min(end_h, first + HALF_H)) for first in (0, HALF_H)
        ]  # of this day
        left, right = pieces[first_h // HALF_H]
        if right <= left:
            continue
        # Only the longest piece of a day is labelled, and only it is a link.
        longest = max(pieces, key=lambda piece: piece[1] - piece[0])
        labelled = (left, right) == longest
        found.append(
            Bracket(
                column=left - first_h + 1,
                width=right - left,
                label=_label(window, right - left, site) if labelled else "",
                spoken=_spoken(window, site),
                state=str(window.state),
                href=f"/windows/{window.uid}",
                begins=left == begin_h,
                ends=right == end_h,
            )
        )
    return tuple(found)


def _places(window: Window, day: date, site: Site) -> tuple[int, int]:
    """First and last place of a window on a day's row: hours of the wall clock."""
    zone = words.zone_of(site)
    start, end = window.start_utc.astimezone(zone), window.end_utc.astimezone(zone)
    return (
        (start.date() - day).days * 24 + start.hour,
        (end.date() - day).days * 24 + ceil(end.hour + end.minute / 60.0),
    )


def _label(window: Window, width: int, site: Site) -> str:
    """As much as fits under so many hours."""
    zone = words.zone_of(site)
    start, end = window.start_utc.astimezone(zone), window.end_utc.astimezone(zone)
    times = f"{start:%H:%M}–{end:%H:%M}".replace(":00", "")
    chance = "" if window.chance is None else f", {words.chance_words(window.chance)}"
    if width >= 6:
        return f"{window.state} {times}{chance}"
    return f"{window.state} {times}" if width >= 4 else str(window.state)


def _spoken(window: Window, site: Site) -> str:
    zone = words.zone_of(site)
    return (
        f"window {window.state}: {site.name}, "
        f"{words.span_words(window.start_utc, window.end_utc, zone)}, "
        f"chance {words.chance_words(window.chance)}"
    )


def _dues(
    facts: Facts, windows: Sequence[Window], day: date, first_h: int, site: Site, now: datetime
) -> tuple[Due, ...]:
    zone = words.zone_of(site)
    found = []
    for window in windows:
        for decision, due in facts.due(window):
            place = _now_in(due.astimezone(zone), day, first_h)
            if place is not None:
                spoken = (
                    f"{words.due_words(decision.name, due, now, zone)} for the window "
                    f"{words.span_words(window.start_utc, window.end_utc, zone)}"
                )
                found.append(Due(*place, spoken))
    return tuple(found)


def _now_in(now: datetime, day: date, first_h: int) -> tuple[int, int] | None:
    if now.date() != day or not first_h <= now.hour < first_h + HALF_H:
        return None
    return now.hour - first_h + 1, now.minute // 15
