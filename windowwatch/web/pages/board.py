"""The board: the answer first, in one sentence for each site, then days and hours. Pure."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta, tzinfo
from math import ceil

from windowwatch.scoring.compare import SiteSummary, compare_sites
from windowwatch.scoring.values import Hour, Site, Verdict
from windowwatch.web.reading import Snapshot
from windowwatch.web.values import Facts, site_keys, stamp
from windowwatch.windows.values import Window, WindowState
from windowwatch.wording import page as words
from windowwatch.wording.causes import clauses
from windowwatch.wording.checks import refusal_words, worst_sentences
from windowwatch.wording.phrases import check_label, go_words, local_to, sentence
from windowwatch.wording.phrases import inside as inside_words

LIVE = (WindowState.OPEN, WindowState.SIGHTED)
_ORDER = {Verdict.GO: 3, Verdict.CAUTION: 2, Verdict.NO_GO: 1, Verdict.UNKNOWN: 0}


@dataclass(frozen=True)
class Answer:
    """What a site's card says: when, the sentence, where to look, and what else matters.

    `also` are its other windows, each with its address; `dues` what is to be decided.
    """

    headline: str
    sentence: str
    href: str | None
    asides: tuple[str, ...]
    also: tuple[tuple[str, str], ...]
    dues: tuple[str, ...]


def answer(
    facts: Facts,
    site: Site,
    key: str,
    hours: Sequence[Hour],
    windows: Sequence[Window],
    summary: SiteSummary,
    now: datetime,
) -> Answer:
    """The best window of a site, or the best hour, or why there is none.

    Parameters
    ----------
    facts : Facts
    site : Site
    key : str
        Stands for the site in addresses.
    hours : sequence of Hour
        All of the site.
    windows : sequence of Window
        Those of the site that can still be used.
    summary : SiteSummary
        Over the hours still to come.
    now : datetime
    """
    zone = words.zone_of(site)
    best = best_window(windows)
    coming = [h for h in hours if h.time_utc > now]
    others = sorted((w for w in windows if w is not best), key=lambda w: w.start_utc)
    earlier = [w for w in others if best is not None and w.start_utc < best.start_utc]
    if best is None:
        headline, said, href = _without_window(summary, coming, zone, key)
    else:
        headline, said = words.release_words(best, zone), _window_words(best, zone)
        said = f"{_why_it(best, earlier)}{said}"
        href = f"/windows/{best.uid}"
    return Answer(
        headline=headline,
        sentence=said,
        href=href,
        asides=_asides(best, coming, summary, zone),
        also=tuple(
            (
                f"/windows/{w.uid}",
                f"{words.release_words(w, zone)}: {words.chance_words(w.chance)}"
                + ("" if w.state is WindowState.OPEN else f", {w.state}"),
            )
            for w in others
        ),
        dues=tuple(
            words.due_words(d.name, due, now, zone)
            for d, due in (() if best is None else facts.due(best))
        ),
    )


def best_window(windows: Iterable[Window]) -> Window | None:
    """Open before sighted, then by chance, then by score."""
    return max(
        windows,
        key=lambda w: (w.state is WindowState.OPEN, w.chance or 0.0, w.best_score),
        default=None,
    )


def _why_it(best: Window, earlier: Sequence[Window]) -> str:
    """Why a window is the answer although another begins before it; empty where none does."""
    if not earlier:
        return ""
    alike = [
        w for w in earlier if (w.state is WindowState.OPEN) is (best.state is WindowState.OPEN)
    ]
    if not alike:
        return "named before an earlier one that is only sighted: "
    better = all((best.chance or 0.0) > (w.chance or 0.0) for w in alike)
    return f"named before an earlier one for its better {'chance' if better else 'score'}: "


def lead(windows: Sequence[Window], sites: dict[str, Site], now: datetime) -> str:
    """How many windows there are, and which begins first."""
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
    verb = "has begun" if when == "now" else f"begins {when}"
    span = words.release_words(first, zone)
    return f"{', '.join(counts)}. The next one {verb}: {first.site}, {span}."


def _window_words(best: Window, zone: tzinfo) -> str:
    at = best.best_hour_utc.astimezone(zone)
    lands = words.lands_words(best.drift_km, best.bearing_deg, best.road_km)
    mixed = go_words(best.go_hours, best.good_hours)
    known = "" if best.readable else ", as an earlier cycle had it"
    said = (
        f"chance {words.chance_words(best.chance)}, score {best.best_score:.0f} at "
        f"{at:%H:%M}{known}; {lands}{f'; {mixed}' if mixed else ''}."
    )
    return f"sighted, not yet confirmed; {said}" if best.state is WindowState.SIGHTED else said


def _without_window(
    summary: SiteSummary, coming: Sequence[Hour], zone: tzinfo, key: str
) -> tuple[str, str, str | None]:
    if summary.best:
        hour = max(summary.best, key=merit)
        said = (
            f"best single hour {words.moment_words(hour.time_utc, zone)}: {hour.verdict}, "
            f"score {words.score_words(hour.score)}, "
            f"{words.lands_words(hour.drift_km, hour.bearing_deg, hour.road_km)}."
        )
        return "No window", said, f"/hour/{key}/{stamp(hour.time_utc)}"
    if _all_unknown(coming):
        return "Not known", "no launch hour could be answered for.", None
    said = "every launch hour to come is no-go" if coming else "no launch hour is still to come"
    if summary.in_the_way:
        said += f"; mostly in the way: {check_label(summary.in_the_way)}"
    return "No window", f"{said}.", None


def _asides(
    best: Window | None, coming: Sequence[Hour], summary: SiteSummary, zone: tzinfo
) -> tuple[str, ...]:
    """What else is to be known of the answer, in small sentences."""
    if best is None:
        if summary.best:
            worst = worst_sentences(max(summary.best, key=merit))
            return (f"Held down most by: {inside_words(worst[0])}.",) if worst else ()
        refused = coming[0].refused if _all_unknown(coming) else None
        return () if refused is None else (sentence(refusal_words(refused)),)
    inside = [h for h in coming if best.start_utc <= h.time_utc < best.end_utc]
    kept = next((h for h in inside if h.time_utc == best.best_hour_utc), None)
    said = [] if kept is None else [sentence(words.agreement_words(kept))]
    if best.limited_by:
        held = inside_words(clauses(best.limited_by, local_to(zone)))
        said.append(f"Held down most by: {held}.")
    top = max(inside, key=merit, default=None)
    if top is not None and kept is not None and merit(top) > merit(kept):
        said.append(
            f"{top.time_utc.astimezone(zone):%H:%M} now scores {words.score_words(top.score)}: "
            "a window keeps its best hour until another is clearly better."
        )
    return tuple(each for each in said if each)


def merit(hour: Hour) -> tuple[int, float]:
    """What makes one hour better than another: the verdict, then the score."""
    return _ORDER[hour.verdict], hour.score or 0.0


def _all_unknown(coming: Sequence[Hour]) -> bool:
    return bool(coming) and all(h.verdict is Verdict.UNKNOWN for h in coming)


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
