"""A change put into words for a phone. Pure.

Read it as if it woke you at five in the morning: four lines say what is so now and when, how good
it is, what changed and why, and what to do by when. Then stands the key, by which a repeat is
recognised and `windowwatch explain` finds the trail.

Named rules
-----------
what happened to the plan
    A title begins with what happened to the crew's plan: open, longer, shorter, earlier, later,
    landing moved, weaker, better, closed.
release to release
    A window is told as "release FIRST to LAST": both are launch hours that were flown.
dropped in this order
    Where a phone's length does not do, UTC beside the span goes first, then which hours could not
    be read (but not that some could not), the distance to a road, the next forecast, what was
    before, then the tail of the reason. What is so now with site and span, score and chance,
    where it lands with the drive there, the head of the reason, what to do, cautions and key stay.
hold advice is a table
    It is longer than other notices, because each of its rows is needed.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from windowwatch.clock import require_utc
from windowwatch.scoring.values import Drive, Hour, Site
from windowwatch.windows.causes import (
    BestHourIs,
    Cause,
    Causes,
    DecideBy,
    EdgeMoved,
    QualityMoved,
)
from windowwatch.windows.values import Change, ChangeKind, Window
from windowwatch.wording.causes import clauses, reason
from windowwatch.wording.checks import check_sentence
from windowwatch.wording.flightnews import flight_lines
from windowwatch.wording.phrases import (
    Times,
    clock_moment,
    compass,
    inside,
    length,
    local_to,
    percent,
    sentence,
    spoken_moment,
    spoken_span,
)
from windowwatch.wording.planned import plan_lines
from windowwatch.wording.standing import told_best_words
from windowwatch.wording.titles import happened, title


def how_good(window: Window) -> str:
    """``Score 78, chance 80 %``."""
    known = "" if window.readable else " as last known"
    return f"Score {window.best_score:.0f}{known}, chance {percent(window.chance)}"


def landing(
    window: Window, drive: Drive | None = None, *, road: bool = True, named: bool = False
) -> str:
    """``lands 42 km north-east, 1.2 km from a road, drive 1 h``.

    The drive begins where the crew stands by, which need not be the site; `named` says where.
    """
    if window.drift_km is None or window.bearing_deg is None:
        return "where it lands is not known"
    said = [f"lands {km(window.drift_km)} {compass(window.bearing_deg)}"]
    if road:
        near = "road not known" if window.road_km is None else f"{km(window.road_km)} from a road"
        said.append(near)
    if drive is not None:
        minutes = length(timedelta(minutes=drive.minutes))
        said.append(drive_words(drive) if named else f"drive {minutes}")
    return ", ".join(said)


def drive_words(drive: Drive) -> str:
    """``4 h 41 min by road from Marrowby depot``."""
    return f"{length(timedelta(minutes=drive.minutes))} by road from {drive.start}"


def km(distance: float) -> str:
    """``4.2 km``, ``42 km``."""
    return f"{distance:.1f} km" if distance < 9.95 else f"{distance:.0f} km"


#: Longest body, and that of hold advice. [characters]
LONGEST_BODY = 280
LONGEST_TABLE = 500
LONGEST_TITLE = 100
#: Longest body of several notices in one, per notice. [characters]
LONGEST_ITEM = 200
#: A notice told later than this after it was found says so.
LATE_AFTER = timedelta(hours=1)

#: What is to be done where no decision is set and none is due.
_TO_DO = {
    ChangeKind.OPENED: "Begin to plan.",
    ChangeKind.CLOSED: "Stop what was begun for it.",
    ChangeKind.WEAKER: "Check your plan.",
    ChangeKind.MOVED: "Check your plan.",
    ChangeKind.MODELS_DISAGREE: "Check again before you commit.",
}
#: What a change is to somebody who was told nothing of its window so far.
_FIRST = {
    ChangeKind.MOVED,
    ChangeKind.WEAKER,
    ChangeKind.STRONGER,
    ChangeKind.MODELS_DISAGREE,
}
#: Below this a cut sentence says nothing any more. [characters]
_SHORTEST = 40


@dataclass(frozen=True)
class Message:
    """What is said: a title for a locked screen, and a body. `key` is in the body too.

    `full` is the long text, for channels with room for it; `picture` a small map (PNG), for
    those that take one.
    """

    title: str
    body: str
    key: str
    full: str = ""
    picture: bytes | None = field(default=None, repr=False)


@dataclass(frozen=True)
class Beside:
    """What a notice says beside its change, where it is known.

    Attributes
    ----------
    zone : ZoneInfo, optional
        In which times are read when the change has no site.
    next_forecast_utc : datetime, optional
        About when the next cycle is expected.
    drive : Drive, optional
        Way of the crew to where the walk begins.
    best : Hour, optional
        The window's planned hour with its checks, for the long text.
    page_url : str, optional
        Address of the page, without a slash at its end, for links in the long text.
    decide : DecideBy, optional
        What the window asks people to decide next.
    """

    zone: ZoneInfo | None = None
    next_forecast_utc: datetime | None = None
    drive: Drive | None = None
    best: Hour | None = None
    page_url: str | None = None
    decide: DecideBy | None = None


def message(
    change: Change,
    site: Site | None,
    *,
    now_utc: datetime,
    first: bool = False,
    instead_of: str | None = None,
    held: bool = False,
    beside: Beside | None = None,
) -> Message:
    """Word a change.

    Parameters
    ----------
    change : Change
        As stored.
    site : Site or None
        Its site, for local time; None (not in the settings any more) leaves UTC alone.
    now_utc : datetime
        Aware UTC time of sending: a notice that comes late says so.
    first : bool
        Whether its reader was told nothing of its window so far.
    instead_of : str, optional
        The failed channel in whose place it is told.
    held : bool
        Whether it was held on purpose: then it is not late.
    beside : Beside, optional
        What else is known.

    Returns
    -------
    Message
        Title of at most 100 and body of at most 280 characters, without markup (500 for hold
        advice); and the long text, with nothing left out.
    """
    this = _Said(change, site, require_utc(now_utc), first and change.kind in _FIRST,
                 beside or Beside())  # fmt: skip
    lines = _lines(this, instead_of=instead_of, held=held)
    whole = [line.full or line.text for line in lines if line.full or line.text]
    body = _joined(_fitted(lines, _room(change)))
    return Message(_short_title(this), body, change.key, "\n".join([*whole, *_more(this)]))


def message_on_page(
    change: Change, site: Site | None, beside: Beside
) -> tuple[str, tuple[str, ...]]:
    """Title and lines of a notice for the page, which has room for all of them.

    What stands at the foot of every page need not stand in every notice on it, and the key
    stands beside the notice: these are left out.
    """
    this = _Said(change, site, change.found_utc, False, beside)
    lines = _lines(this, instead_of=None, held=False, page=True)
    return _short_title(this), tuple(text for line in lines if (text := line.full or line.text))


@dataclass(frozen=True)
class _Said:
    """What the lines of one notice share."""

    change: Change
    site: Site | None
    now_utc: datetime
    first: bool
    beside: Beside

    @property
    def zone(self) -> ZoneInfo | None:
        """Zone of the site; of the watch where the change has no site."""
        if self.site is not None:
            return ZoneInfo(self.site.time_zone)
        return None if self.change.site else self.beside.zone

    @property
    def times(self) -> Times:
        """How its times are read aloud."""
        return local_to(self.zone)

    @property
    def window(self) -> Window | None:
        """The window it is about, as it is or was."""
        return self.change.after or self.change.before


@dataclass(frozen=True)
class _Line:
    """A line of a notice; `drop` says how early it goes when there is no room, 0 never.

    Where there is a `then`, that takes its place. `cut`: its tail may go. `full` is what the long
    text has in its place.
    """

    text: str
    drop: int = 0
    then: "_Line | None" = None
    cut: bool = False
    full: str = ""


def _room(change: Change) -> int:
    return LONGEST_TABLE if change.kind is ChangeKind.HOLD_ADVICE else LONGEST_BODY


def _lines(this: _Said, *, instead_of: str | None, held: bool, page: bool = False) -> list[_Line]:
    """Every line in the order it is read."""
    change, window = this.change, this.window
    asks = change.kind in (ChangeKind.DECISION_DUE, ChangeKind.HOLD_ADVICE)
    facts = [] if window is None else [_now(this, window), _quality(this, window)]
    first = "This is the first notice of this window here." if this.first else ""
    key = f"[{change.key}]"
    cycle = f", cycle {change.cycle_id}" if change.cycle_id else ""
    own = [
        *([_why(this), *facts] if asks or window is None else [*facts, _why(this)]),
        _Line("", full=_limited(this, window)),
        _unread(this, window),
        _Line(first, 5),
        _to_do(this, page=page),
    ]
    if change.kind is ChangeKind.PLAN and window is None:
        told = plan_lines(change, this.times)
        own = [_Line(text, drop, cut=text == told[0][0]) for text, drop in told]
    if change.kind is ChangeKind.FLIGHT and window is None:
        said = flight_lines(change, this.times, this.beside.page_url)
        own = [_Line(text, full=full) for text, full in said]
    return [
        *own,
        _Line(f"Told here because {instead_of} does not work." if instead_of else ""),
        _Line(_lateness(change, this.now_utc, held=held)),
        *([] if page else [_Line(key, full=f"{key[:-1]}{cycle}]")]),
    ]


def _now(this: _Said, window: Window) -> _Line:
    """What is so now, and when: ``Open: release Millfield Thu 7 04:00 to 07:00 local, …``."""
    local = spoken_span(window.start_utc, window.last_release_utc, this.zone, utc_beside=False)
    if this.change.after is None:
        head = f"Closed, do not plan on it: {this.change.site} "
        return _Line(f"{head}{_span(window, this.zone)}.", 10, _Line(f"{head}{local}."))
    same_day = window.best_hour_utc.date() == window.start_utc.date()
    at = clock_moment if same_day else spoken_moment
    best = at(window.best_hour_utc, this.zone, utc_beside=False)
    before, planned = this.change.before, best.removesuffix(" local")
    if before is not None and before.best_hour_utc != window.best_hour_utc and not this.first:
        same_day = before.best_hour_utc.date() == window.best_hour_utc.date()
        was = (clock_moment if same_day else spoken_moment)(
            before.best_hour_utc, this.zone, utc_beside=False
        )
        planned = f"{planned} (was {was.removesuffix(' local')})"
    head, tail = f"Open: release {this.change.site} ", f", planned {planned}."
    short = _Line(f"{head}{local}{tail}")
    if _clocks_change(window, this.zone):
        local = f"{local} (the clocks change in it)"
        short = _Line(f"{head}{local}{tail}", 1, short)
    if better := told_best_words(window, this.zone or UTC):
        tail = f"{tail[:-1]}; {better}."
        short = _Line(f"{head}{local}{tail}", 6, short)
    return _Line(f"{head}{_span(window, this.zone)}{tail}", 10, short)


def _clocks_change(window: Window, zone: ZoneInfo | None) -> bool:
    ends = (window.start_utc, window.last_release_utc)
    return len({each.astimezone(zone or UTC).utcoffset() for each in ends}) > 1


def _quality(this: _Said, window: Window) -> _Line:
    """How good it is, and where it lands."""
    if this.change.after is None:
        return _Line(f"It was: {inside(how_good(window))}.", 4)
    drive = this.beside.drive
    text, short = (f"{how_good(window)}; {landing(window, drive, road=r)}." for r in (True, False))
    whole = f"{how_good(window)}; {landing(window, drive, named=True)}."
    # a question needs the way to answer it more than where the flight lands
    asks = this.change.kind is ChangeKind.DECISION_DUE
    return _Line(text, 8, _Line(short, int(asks)), full=whole)


def _why(this: _Said) -> _Line:
    """What was before, of one moment; what changed, and why."""
    change = this.change
    if change.before is None or change.after is None or this.first:
        words = reason(change.causes, this.times)
        silent = not words and this.window is None
        return _Line(sentence(str(change.kind)) if silent else words, cut=True)
    told = tuple(each for each in change.causes if not _stands_above(each))
    words, before = reason(told, this.times), _before(this, change.before, change.after)
    return _Line(
        f"{before} {words}".strip(), 4 if before and words else 0, _Line(words, cut=True), cut=True
    )


def _stands_above(cause: Cause) -> bool:
    """Whether the lines above and "before" say it whole: numbers, and the planned hour."""
    return isinstance(cause, QualityMoved) or (isinstance(cause, BestHourIs) and not cause.lost_to)


def _before(this: _Said, before: Window, after: Window) -> str:
    """``Before: 04:00 to 07:00, score 78, chance 80 %.``: the lines above say what is so now."""
    said = []
    if (before.start_utc, before.end_utc) != (after.start_utc, after.end_utc):
        said.append(_brief_span(before, after, this.zone))
    if how_good(before) != how_good(after):
        said.append(inside(how_good(before)))
    return f"Before: {', '.join(said)}." if said else ""


def _to_do(this: _Said, *, page: bool) -> _Line:
    """What to do by when; a forecast must not sound like a permission.

    What stands at the foot of every page is left out on a `page`.
    """
    change, decide, at = this.change, this.beside.decide, this.beside.next_forecast_utc
    caution = "" if page else "A forecast, no permission."
    if change.kind is ChangeKind.DECISION_DUE:
        url = this.beside.page_url
        command = f"windowwatch acknowledge {change.key} --by NAME"
        return _Line(f"{caution} Seen to? {f'{url}/notices#{change.key}' if url else command}")
    todo = "" if happened(change) == "LONGER" else _TO_DO.get(change.kind, "")
    if decide is not None and change.after is not None:
        by = spoken_moment(decide.by_utc, this.zone, utc_beside=False)
        todo = f"Decide by {by}: {decide.decision}."
    coming = ""
    if at is not None and at > this.now_utc:
        coming = f"Next forecast about {spoken_moment(at, this.zone, utc_beside=False)}."
    whole, less, least = (
        " ".join(part for part in parts if part)
        for parts in ((todo, coming, caution), (todo, caution), (caution,))
    )
    # a decision with its time stays; that a plan is to be checked follows from the title
    plain = _Line(less) if decide is not None else _Line(less, 5 if todo else 0, _Line(least))
    return _Line(whole, 7, plain) if coming else plain


def _fitted(lines: Sequence[_Line], room: int) -> list[_Line]:
    """Drop lines by their order until the rest fits; then the reason loses its tail."""
    kept = [line for line in lines if line.text]
    while len(_joined(kept)) > room and any(line.drop for line in kept):
        goes = max(kept, key=lambda line: line.drop)
        at = kept.index(goes)
        kept[at : at + 1] = [] if goes.then is None else [goes.then]
    for at, line in enumerate(kept):
        if line.cut:
            left = room - (len(_joined(kept)) - len(line.text))
            kept[at] = replace(line, text=_cut(line.text, left))
    return [line for line in kept if line.text]


def _joined(lines: Sequence[_Line]) -> str:
    return "\n".join(line.text for line in lines if line.text)


def _more(this: _Said) -> list[str]:
    """What only a long text has room for: checks of the planned hour, the trail, links."""
    change, window, best = this.change, this.window, this.beside.best
    lines = []
    if best is not None and best.checks:
        at = spoken_moment(best.time_utc, this.zone)
        lines += ["", f"Checks of the planned hour, {at}: {best.verdict}."]
        lines += [f"- {c.verdict}: {check_sentence(c)}" for c in best.checks]
    if best is not None and best.others:
        lines += ["", "What other forecasts say of it:"]
        for other in best.others:
            score = "" if other.score is None else f", score {other.score:.0f}"
            apart = "" if other.apart_km is None else f", lands {km(other.apart_km)} apart"
            lines.append(f"- {other.model}: {other.verdict}{score}{apart}")
    lines += ["", f"Where this comes from: windowwatch explain {change.key}"]
    page = this.beside.page_url
    if page is not None:
        if window is not None:
            lines += [f"This window: {page}/windows/{window.uid}"]
        if change.kind in (ChangeKind.CLOSED, ChangeKind.DECISION_DUE):
            lines += [f"Say that you know: {page}/notices#{change.key}"]
        lines += [f"Everything: {page}/"]
    return lines


def digest(
    changes: Sequence[Change],
    sites: Mapping[str, Site],
    *,
    now_utc: datetime,
    beside: Beside | None = None,
) -> Message:
    """Word several changes in one message: what is gravest of each, and every key.

    Parameters
    ----------
    changes : sequence of Change
        At least one; told in the order of their windows.
    sites : mapping of str to Site
        Sites by name, for local time.
    now_utc : datetime
        Aware UTC time of sending.
    beside : Beside, optional
        What else is known; of it only the next forecast is said, in the zone of all sites.
    """
    require_utc(now_utc)
    beside = beside or Beside()
    kinds = [happened(change).lower() for change in changes]
    counts = ", ".join(f"{kinds.count(kind)} {kind}" for kind in dict.fromkeys(kinds))
    ordered = sorted(changes, key=_in_time)
    items = [_item(change, sites.get(change.site), beside) for change in ordered]
    at = beside.next_forecast_utc
    coming = ""
    if at is not None and at > now_utc:
        coming = f"Next forecast about {spoken_moment(at, beside.zone, utc_beside=False)}. "
    items.append(f"{coming}Forecasts, no permissions.")
    head = _cut(f"{len(changes)} NOTICES: {counts}", LONGEST_TITLE)
    return Message(head, "\n\n".join(items), ",".join(change.key for change in changes))


def _in_time(change: Change) -> tuple[float, str]:
    window = change.after or change.before
    return (window.start_utc if window is not None else change.found_utc).timestamp(), change.key


def _item(change: Change, site: Site | None, beside: Beside) -> str:
    """One change of a digest: title, how good it is, reason, key."""
    window = change.after or change.before
    this = _Said(change, site, change.found_utc, False, beside)
    lines = [title(change, this.zone, first=False)]
    if window is not None and change.after is not None:
        lines.append(f"{how_good(window)}; {landing(window, road=False)}.")
    key = f"[{change.key}]"
    room = LONGEST_ITEM - sum(len(line) + 1 for line in lines) - len(key) - 1
    why = "" if change.kind is ChangeKind.OPENED else reason(change.causes, this.times)
    lines.append(f"{_cut(why, room)} {key}".strip())
    return "\n".join(lines)


def _short_title(this: _Said) -> str:
    return _cut(title(this.change, this.zone, first=this.first), LONGEST_TITLE)


def _brief_span(before: Window, after: Window, zone: ZoneInfo | None) -> str:
    """Releases of a window as they were; their day only where it is another one."""
    text = spoken_span(before.start_utc, before.last_release_utc, zone, utc_beside=False)
    here = zone or UTC
    days = {
        each.astimezone(here).date()
        for each in (before.start_utc, before.last_release_utc, after.start_utc)
    }
    brief = text.removesuffix(" local").removesuffix(" UTC")
    return brief.split(" ", 2)[2] if len(days) == 1 else brief


def _span(window: Window, zone: ZoneInfo | None) -> str:
    return spoken_span(window.start_utc, window.last_release_utc, zone)


def _limited(this: _Said, window: Window | None) -> str:
    """What holds the score down, unless the reason has said it."""
    if window is None or this.change.after is None or _has_said(this.change, window.limited_by):
        return ""
    text = clauses(window.limited_by, this.times)
    return sentence(f"limited by: {inside(text)}") if text else ""


def _unread(this: _Said, window: Window | None) -> _Line:
    """What could not be read, unless the reason has said it; that some could not always stays."""
    if window is None or this.change.after is None or _has_said(this.change, window.unread):
        return _Line("")
    return _Line(reason(window.unread, this.times), 9, _Line("Some hours could not be read."))


def _has_said(change: Change, causes: Causes) -> bool:
    """Whether a change's causes name all of some causes."""
    said = set(_all_of(change.causes))
    return all(cause in said for cause in causes)


def _all_of(causes: Causes) -> list[Cause]:
    """Causes, with those that took away hours at an end."""
    inner = [each for cause in causes if isinstance(cause, EdgeMoved) for each in cause.lost_to]
    return [*causes, *inner]


def _lateness(change: Change, now_utc: datetime, *, held: bool) -> str:
    late = now_utc - change.found_utc
    if held:
        return f"Held back: found {length(late)} ago."
    return f"Told late: found {length(late)} ago." if late > LATE_AFTER else ""


def _cut(text: str, room: int) -> str:
    """Shorten to `room` characters at a clause, else at a word; nothing rather than a scrap."""
    if len(text) <= room:
        return text
    if room < _SHORTEST:
        return ""
    head = text[: room - 1]
    clause = head.rsplit("; ", 1)[0]
    at = clause if "; " in head and len(clause) >= room // 2 else head.rsplit(" ", 1)[0]
    return at.rstrip(" ,;:") + "…"
