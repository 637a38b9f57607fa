"""The board: the answer first, in one sentence for each site, then days and hours. Pure."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta, tzinfo
from math import ceil

from windowwatch.scoring.values import Hour, Site, Verdict
from windowwatch.web.reading import Snapshot
from windowwatch.web.values import Facts, site_keys, stamp
from windowwatch.windows.sites import SiteSummary, compare_sites
from windowwatch.windows.standing import Launch, Place, Week, is_no_go_by_chance
from windowwatch.windows.standing import week as week_of
from windowwatch.windows.values import Window, WindowState
from windowwatch.wording import page as words
from windowwatch.wording import standing as said
from windowwatch.wording.causes import clauses
from windowwatch.wording.checks import refusal_words, worst_sentences
from windowwatch.wording.phrases import check_label, go_words, local_to, sentence
from windowwatch.wording.phrases import inside as inside_words

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


def answer(facts: Facts, site: Site, key: str, week: Week, summary: SiteSummary) -> Answer:
    """The best launch of a site, or the best hour that stands alone, or why there is none.

    Parameters
    ----------
    facts : Facts
    site : Site
    key : str
        Stands for the site in addresses.
    week : Week
    summary : SiteSummary
        Of the site.
    """
    zone = words.zone_of(site)
    best, *others = week.at_site(site.name) or (None,)
    if best is None:
        headline, said, href = _without_window(summary, week, zone, key)
    else:
        headline, href = words.release_words(best.window, zone), f"/windows/{best.window.uid}"
        said = f"{_why_it(best, others)}{_launch_words(best, zone)}"
    return Answer(
        headline=headline,
        sentence=said,
        href=href,
        asides=_asides(best, summary, week, facts, zone),
        also=tuple(
            (f"/windows/{each.window.uid}", _also_words(each, zone))
            for each in sorted(others, key=lambda each: each.window.start_utc)
        ),
        dues=tuple(
            words.due_words(d.name, due, week.now_utc, zone)
            for d, due in (() if best is None else facts.due(best.window))
        ),
    )


def _also_words(launch: Launch, zone: tzinfo) -> str:
    state = launch.window.state
    span = words.release_words(launch.window, zone)
    sighted = "" if state is WindowState.OPEN else f", {state}"
    return f"{span}: {said.figures_words(launch)}{sighted}"


def _why_it(best: Launch, others: Sequence[Launch]) -> str:
    """Why a window is the answer although another begins before it; empty where none does."""
    earlier = [w for w in others if w.window.start_utc < best.window.start_utc]
    if not earlier:
        return ""
    if all(w.window.state is not best.window.state for w in earlier):
        return "named before an earlier one that is only sighted: "
    return "the strongest here, though not the first: "


def _launch_words(best: Launch, zone: tzinfo) -> str:
    window = best.window
    better = said.now_best_words(best, zone)
    hour = best.hour
    lands = (
        words.lands_words(window.drift_km, window.bearing_deg, window.road_km)
        if hour is None
        else words.lands_words(hour.drift_km, hour.bearing_deg, hour.road_km)
    )
    mixed = go_words(window.go_hours, window.good_hours)
    text = (
        f"{said.planned_words(best, zone)}: {said.figures_words(best)}"
        f"{f'; {better}' if better else ''}; {lands}{f'; {mixed}' if mixed else ''}."
    )
    return text if window.state is WindowState.OPEN else f"sighted, not yet confirmed; {text}"


def _without_window(
    summary: SiteSummary, week: Week, zone: tzinfo, key: str
) -> tuple[str, str, str | None]:
    hour, coming = summary.alone, week.coming(summary.site)
    if hour is not None:
        told = (
            f"best single hour {words.moment_words(hour.time_utc, zone)}: "
            f"{said.verdict_words(hour, week.standing(hour))}; "
            f"score {words.score_words(hour.score)}, "
            f"{words.lands_words(hour.drift_km, hour.bearing_deg, hour.road_km)}."
        )
        return "No window", told, f"/hour/{key}/{stamp(hour.time_utc)}"
    if _all_unknown(coming):
        return "Not known", "no launch hour could be answered for.", None
    told = "every launch hour to come is no-go" if coming else "no launch hour is still to come"
    if summary.in_the_way:
        told += f"; mostly in the way: {check_label(summary.in_the_way)}"
    return "No window", f"{told}.", None


def _asides(
    best: Launch | None, summary: SiteSummary, week: Week, facts: Facts, zone: tzinfo
) -> tuple[str, ...]:
    """What else is to be known of the answer, in small sentences."""
    if best is None:
        coming = week.coming(summary.site)
        if summary.alone is not None:
            worst = worst_sentences(summary.alone)
            return (f"Held down most by: {inside_words(worst[0])}.",) if worst else ()
        refused = coming[0].refused if _all_unknown(coming) else None
        return () if refused is None else (sentence(refusal_words(refused)),)
    told = [] if best.hour is None else [sentence(words.agreement_words(best.hour))]
    if best.window.limited_by and best.as_planned:
        held = inside_words(clauses(best.window.limited_by, local_to(zone)))
        told.append(f"Held down most by: {held}.")
    told.append(sentence(said.setup_words(best, facts.plan.setup_min, week.now_utc, zone)))
    return tuple(each for each in told if each)


def merit(hour: Hour) -> tuple[int, float]:
    """What makes one hour better than another that shares its place on the board."""
    return _ORDER[hour.verdict], hour.score or 0.0


def _all_unknown(coming: Sequence[Hour]) -> bool:
    return bool(coming) and all(h.verdict is Verdict.UNKNOWN for h in coming)


NOON_H = 12
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
class Line:
    """One of the first lines: what it is, the launch in words, and its window's address."""

    name: str
    words: str
    href: str


@dataclass(frozen=True)
class Board:
    """The whole page. `lines` are the best launch of the week and the soonest."""

    lines: tuple[Line, ...]
    lead: str
    sites: tuple[SiteBoard, ...]
    hour_marks: tuple[int, ...]
    has_kept: bool
    has_split: bool
    has_slim: bool
    has_alone: bool

    @property
    def columns(self) -> int:
        """Hours on either side of noon."""
        return len(self.hour_marks) // 2


def board(facts: Facts, snapshot: Snapshot, now: datetime) -> Board:
    """Board of the newest pass as it stands at a time; the site of the best launch first."""
    keys = {site.name: key for key, site in site_keys(facts.sites).items()}
    week = week_of(snapshot.hours, snapshot.windows, facts.rules, now)
    sites = {site.name: site for site in facts.sites}
    zones = {name: words.zone_of(site) for name, site in sites.items()}
    columns = _columns(snapshot.hours, sites)
    shown = [h for at in week.hours.values() for h in at.values() if h.time_utc + facts.step > now]
    by_day = [hour for hour in shown if not words.is_night(hour)]
    return Board(
        tuple(
            Line(name, text, f"/windows/{launch.window.uid}")
            for name, text, launch in said.week_lines(week, zones, facts.plan.setup_min)
        ),
        said.count_words(week.launches),
        tuple(
            _site_board(_Rows(facts, sites[each.site], keys[each.site], week, columns), each)
            for each in compare_sites(week, facts.sites, facts.plan)
        ),
        tuple(range(NOON_H - columns, NOON_H + columns)),
        any(h.from_cycle for h in shown),
        any(words.models_differ(h) for h in shown),
        any(is_no_go_by_chance(h, facts.rules) for h in by_day),
        any(_is_alone(week, h) for h in by_day),
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
    week: Week
    columns: int

    @property
    def now(self) -> datetime:
        return self.week.now_utc

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


def _site_board(rows: _Rows, summary: SiteSummary) -> SiteBoard:
    hours = [hour for _, hour in sorted(rows.week.hours.get(rows.site.name, {}).items())]
    windows = [launch.window for launch in rows.week.at_site(rows.site.name)]
    return SiteBoard(
        key=rows.key,
        name=rows.site.name,
        zone=rows.site.time_zone,
        answer=answer(rows.facts, rows.site, rows.key, rows.week, summary),
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
    if _is_alone(rows.week, hour):
        shows = f"({shows})"
    for word, is_so in (
        ("past", over),
        ("kept", hour.from_cycle is not None),
        ("split", not night and words.models_differ(hour)),
        ("slim", is_no_go_by_chance(hour, rows.facts.rules) and not night),
        ("alone", _is_alone(rows.week, hour)),
        ("planned", any(each.time_utc == hour.time_utc for each in rows.week.at_site(hour.site))),
    ):
        kind += f" {word}" if is_so else ""
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
        spoken=_cell_spoken(rows, hour, there, night=night, over=over),
    )


def _is_alone(week: Week, hour: Hour) -> bool:
    """Whether an hour is go and yet nothing to plan on."""
    standing = week.standing(hour)
    return hour.verdict is Verdict.GO and not standing.counts and standing.place is not Place.OVER


def _cell_spoken(rows: _Rows, hour: Hour, there: datetime, *, night: bool, over: bool) -> str:
    standing = rows.week.standing(hour)
    verdict = hour.verdict if over else said.verdict_words(hour, standing)
    told = f"{words.day_words(there.date())} {there:%H:%M}: {verdict}"
    if hour.score is not None:
        told += f", score {hour.score:.0f}"
    if night:
        told += ", dark"
    elif hour.chance is not None:
        told += f", chance {words.chance_words(hour.chance)}"
    if not night and words.models_differ(hour):
        told += f", {words.agreement_words(hour)}"
    if hour.from_cycle is not None:
        told += f", by the earlier cycle of {words.cycle_words(hour.from_cycle)}"
    if any(each.time_utc == hour.time_utc for each in rows.week.at_site(hour.site)):
        told += ", planned hour"
    return told + (", over" if over else "")


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
