"""The board: the answer first, then days and hours of each site. Pure."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta, tzinfo
from math import ceil

from windowwatch.scoring.compare import SiteSummary, compare_sites
from windowwatch.scoring.values import Hour, Site, Verdict
from windowwatch.web.pages.answers import LIVE, Answer, answer, lead, merit
from windowwatch.web.reading import Snapshot
from windowwatch.web.values import Facts, site_keys, stamp
from windowwatch.windows.values import Window
from windowwatch.wording import page as words

NOON_H = 12
#: Below this chance a launch hour is marked: its score alone would look better than it is. [1]
SLIM = 0.01
#: At least so many hours are shown on either side of noon.
FEWEST_H = 6


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
    """Hours of a day before or after noon. `now` is (column, quarter) of the present."""

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
    answer: Answer
    days: tuple[Day, ...]
    silent: str


@dataclass(frozen=True)
class Board:
    """The whole page."""

    lead: str
    sites: tuple[SiteBoard, ...]
    hour_marks: tuple[int, ...]
    has_kept: bool
    has_split: bool
    has_slim: bool

    @property
    def columns(self) -> int:
        """Hours on either side of noon."""
        return len(self.hour_marks) // 2


def board(facts: Facts, snapshot: Snapshot, now: datetime) -> Board:
    """Board of the newest pass as it stands at a time; the best site first."""
    keys = {site.name: key for key, site in site_keys(facts.sites).items()}
    coming = [h for h in snapshot.hours if h.time_utc + facts.step > now]
    windows = [w for w in snapshot.windows if w.state in LIVE and w.end_utc > now]
    ranked = compare_sites(facts.sites, coming, facts.plan)
    sites = {site.name: site for site in facts.sites}
    columns = _columns(snapshot.hours, sites)
    boards = tuple(
        _site_board(
            _Rows(facts, sites[each.site], keys[each.site], now, columns),
            [h for h in snapshot.hours if h.site == each.site],
            [w for w in windows if w.site == each.site],
            each,
        )
        for each in ranked
    )
    return Board(
        lead(windows, sites, now),
        boards,
        tuple(range(NOON_H - columns, NOON_H + columns)),
        any(h.from_cycle for h in coming),
        any(words.models_differ(h) for h in coming),
        any(_is_slim(h) and not words.is_night(h) for h in coming),
    )


def _columns(hours: Iterable[Hour], sites: dict[str, Site]) -> int:
    """How many hours on either side of noon must be seen: all that are not in the dark."""
    reach = FEWEST_H
    for hour in hours:
        if not words.is_night(hour):
            at = hour.time_utc.astimezone(words.zone_of(sites.get(hour.site))).hour
            reach = max(reach, NOON_H - at, at + 1 - NOON_H)
    return reach


@dataclass(frozen=True)
class _Rows:
    """What the rows of one site have in common."""

    facts: Facts
    site: Site
    key: str
    now: datetime
    columns: int

    @property
    def zone(self) -> tzinfo:
        return words.zone_of(self.site)

    def first_h(self, half: int) -> int:
        """First hour of the first or second half of a row."""
        return NOON_H - self.columns if half == 0 else NOON_H

    def place(self, moment: datetime, day: date, half: int) -> tuple[int, int] | None:
        """Column and quarter of a time on a day; what is in the dark stands at the edge."""
        there = moment.astimezone(self.zone)
        if there.date() != day or (there.hour >= NOON_H) is not (half == 1):
            return None
        column = there.hour - self.first_h(half) + 1
        if column < 1:
            return 1, 0
        if column > self.columns:
            return self.columns, 4
        return column, there.minute // 15


def _site_board(
    rows: _Rows, hours: Sequence[Hour], windows: Sequence[Window], summary: SiteSummary
) -> SiteBoard:
    return SiteBoard(
        key=rows.key,
        name=rows.site.name,
        zone=rows.site.time_zone,
        answer=answer(rows.facts, rows.site, rows.key, hours, windows, summary, rows.now),
        days=_days(rows, hours, windows),
        silent="" if hours else "The newest cycle answers for no launch hour of this site.",
    )


def _days(rows: _Rows, hours: Sequence[Hour], windows: Sequence[Window]) -> tuple[Day, ...]:
    today = rows.now.astimezone(rows.zone).date()
    by_day: dict[date, dict[int, Hour]] = {}
    for hour in hours:
        there = hour.time_utc.astimezone(rows.zone)
        if there.date() < today:
            continue
        slot = by_day.setdefault(there.date(), {})
        # Launch hours closer than an hour, and the hour that a clock change repeats, share
        # a place: the best of them is shown, the others are reached from its page.
        if there.hour not in slot or merit(hour) > merit(slot[there.hour]):
            slot[there.hour] = hour
    if by_day and min(by_day) == today + timedelta(days=1):
        by_day[today] = {}  # so that the present can be seen
    return tuple(
        Day(
            words.day_words(day),
            tuple(_half(rows, by_day[day], windows, day, half) for half in (0, 1)),
        )
        for day in sorted(by_day)
    )


def _half(
    rows: _Rows, hours: dict[int, Hour], windows: Sequence[Window], day: date, half: int
) -> Half:
    first = rows.first_h(half)
    return Half(
        first_h=first,
        cells=tuple(
            _cell(rows, hour, h - first + 1)
            for h, hour in sorted(hours.items())
            if first <= h < first + rows.columns
        ),
        brackets=_brackets(rows, windows, day, half),
        now=rows.place(rows.now, day, half),
        dues=_dues(rows, windows, day, half),
    )


def _cell(rows: _Rows, hour: Hour, column: int) -> Cell:
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
    over = hour.time_utc + rows.facts.step <= rows.now
    for word, said in (
        ("past", over),
        ("kept", hour.from_cycle is not None),
        ("split", not night and words.models_differ(hour)),
        ("slim", _is_slim(hour) and not night),
    ):
        kind += f" {word}" if said else ""
    there = hour.time_utc.astimezone(rows.zone)
    width = max(1, round(rows.facts.step / timedelta(hours=1)))
    return Cell(
        column=column,
        width=min(width, rows.columns + 1 - column),
        clock=f"{there:%H}",
        shows=shows,
        kind=kind,
        shade=0 if hour.score is None else int(hour.score // 10),
        href=f"/hour/{rows.key}/{stamp(hour.time_utc)}",
        spoken=_cell_spoken(hour, there, night=night, over=over),
    )


def _is_slim(hour: Hour) -> bool:
    """Whether a launch hour that is not vetoed has next to no chance."""
    fine = hour.verdict in (Verdict.GO, Verdict.CAUTION)
    return fine and hour.chance is not None and hour.chance < SLIM


def _cell_spoken(hour: Hour, there: datetime, *, night: bool, over: bool) -> str:
    said = f"{words.day_words(there.date())} {there:%H:%M}: {hour.verdict}"
    if hour.score is not None:
        said += f", score {hour.score:.0f}"
    if night:
        said += ", dark"
    elif hour.chance is not None:
        said += f", chance {words.chance_words(hour.chance)}"
    if not night and words.models_differ(hour):
        said += f", {words.agreement_words(hour)}"
    if hour.from_cycle is not None:
        said += f", by the earlier cycle of {words.cycle_words(hour.from_cycle)}"
    return said + (", over" if over else "")


def _brackets(rows: _Rows, windows: Sequence[Window], day: date, half: int) -> tuple[Bracket, ...]:
    found = []
    for window in windows:
        begin_h, end_h = _places(window, day, rows.site)
        pieces = [
            (max(begin_h, rows.first_h(i)), min(end_h, rows.first_h(i) + rows.columns))
            for i in (0, 1)
        ]  # of this day
        left, right = pieces[half]
        if right <= left:
            continue
        # Only the longest piece of a day is labelled, and only it is a link.
        longest = max(pieces, key=lambda piece: piece[1] - piece[0])
        labelled = (left, right) == longest
        found.append(
            Bracket(
                column=left - rows.first_h(half) + 1,
                width=right - left,
                label=_label(window, right - left, rows.site) if labelled else "",
                spoken=_spoken(window, rows.site),
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
    first, last = (t.astimezone(zone) for t in (window.start_utc, window.last_release_utc))
    times = f"{first:%H:%M}–{last:%H:%M}".replace(":00", "")
    chance = "" if window.chance is None else f", {words.chance_words(window.chance)}"
    if width >= 4:
        return f"{window.state} {times}{chance}"
    if width >= 3:
        # Where not all has room, the chance stands before the word: brackets tell it by shape.
        return f"{times}{chance}" if chance else f"{window.state} {times}"
    return words.chance_words(window.chance) if chance and width == 2 else str(window.state)


def _spoken(window: Window, site: Site) -> str:
    return (
        f"window {window.state}: {site.name}, "
        f"{words.release_words(window, words.zone_of(site))}, "
        f"chance {words.chance_words(window.chance)}"
    )


def _dues(rows: _Rows, windows: Sequence[Window], day: date, half: int) -> tuple[Due, ...]:
    found = []
    for window in windows:
        for decision, due in rows.facts.due(window):
            place = rows.place(due, day, half)
            if place is not None:
                spoken = (
                    f"{words.due_words(decision.name, due, rows.now, rows.zone)} for the window "
                    f"{words.release_words(window, rows.zone)}"
                )
                found.append(Due(*place, spoken))
    return tuple(found)
