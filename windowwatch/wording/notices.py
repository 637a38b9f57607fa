"""A change put into words for a phone. Pure.

Read it as if it woke you at five in the morning: the verdict and why stand first, then when
(the site's time, UTC beside it), how good, where it lands, what limits it. The last line
carries the key, by which a repeat is recognised and `windowwatch explain` finds the trail.

Named rules
-----------
release to release
    A window is told as "release FIRST to LAST": both are launch hours that were flown.
dropped in this order
    Where a phone's length does not do, what could not be read goes first, then UTC beside the
    planned hour, the next forecast, what limits the hour, the span before, score and chance, then
    the tail of the reason. Where it lands with the drive there, the verdict, the head of the
    reason, site, span, cautions and key stay.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from windowwatch.clock import require_utc
from windowwatch.scoring.detail import Drive
from windowwatch.scoring.values import Hour, Site
from windowwatch.windows.causes import Cause, Causes, EdgeMoved
from windowwatch.windows.values import Change, ChangeKind, Window
from windowwatch.wording.causes import clauses, reason
from windowwatch.wording.checks import check_sentence
from windowwatch.wording.phrases import (
    Times,
    clock_moment,
    compass,
    inside,
    length,
    local_to,
    percent,
    sentence,
    span,
    spoken_moment,
    spoken_span,
)
from windowwatch.wording.standing import told_best_words

#: Share of computed flights in words, from which share on; as it is shown, in whole percent.
_SHARES = (
    (1.0, "all flights are"),
    (0.95, "nearly all flights are"),
    (0.75, "most flights are"),
    (0.55, "more than half of the flights are"),
    (0.45, "about half of the flights are"),
    (0.2, "fewer than half of the flights are"),
    (0.0, "few flights are"),
)


def how_good(window: Window) -> str:
    """``Score 78 of 100. Chance 80 %: most flights are go.``"""
    known = "" if window.readable else " as last known"
    return f"Score {window.best_score:.0f} of 100{known}. {_chance(window.chance)}"


def _chance(chance: float | None) -> str:
    if chance is None:
        return "Chance not known."
    if chance == 0.0:
        return f"Chance {percent(chance)}: no flight is go."
    shown = 1.0 if chance == 1.0 else min(round(chance, 2), 0.99)
    words = next(words for bound, words in _SHARES if shown >= bound)
    return f"Chance {percent(chance)}: {words} go."


def landing(window: Window, drive: Drive | None = None) -> str:
    """``Lands 42 km north-east of the site, 1.2 km from a road; 1 h by road from the depot.``

    The drive begins where the crew stands by, which need not be the site: it is named.
    """
    if window.drift_km is None or window.bearing_deg is None:
        return "Where it lands is not known."
    where = f"Lands {km(window.drift_km)} {compass(window.bearing_deg)} of the site, "
    road = (
        "distance to a road not known"
        if window.road_km is None
        else (f"{km(window.road_km)} from a road")
    )
    return f"{where}{road}{'' if drive is None else f'; {drive_words(drive)}'}."


def drive_words(drive: Drive) -> str:
    """``4 h 41 min by road from Marrowby depot``."""
    return f"{length(timedelta(minutes=drive.minutes))} by road from {drive.start}"


def km(distance: float) -> str:
    """``4.2 km``, ``42 km``."""
    return f"{distance:.1f} km" if distance < 9.95 else f"{distance:.0f} km"


#: Longest body: what phone services show whole, and four text messages hold. [characters]
LONGEST_BODY = 500
LONGEST_TITLE = 100
#: Longest body of several notices in one, per notice. [characters]
LONGEST_ITEM = 320
#: A notice told later than this after it was found says so.
LATE_AFTER = timedelta(hours=1)

_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_HEADS = {
    ChangeKind.OPENED: "OPENED",
    ChangeKind.MOVED: "MOVED",
    ChangeKind.WEAKER: "WEAKER",
    ChangeKind.STRONGER: "STRONGER",
    ChangeKind.CLOSED: "CLOSED",
    ChangeKind.DECISION_DUE: "DECISION DUE",
    ChangeKind.MODELS_DISAGREE: "MODELS DISAGREE",
    ChangeKind.HOLD_ADVICE: "IF YOU HOLD",
}
#: First words of a body: what is so now, whatever the title says.
_VERDICTS = {
    ChangeKind.OPENED: "Open",
    ChangeKind.MOVED: "Still open, but moved",
    ChangeKind.WEAKER: "Still open, but weaker",
    ChangeKind.STRONGER: "Open, and stronger",
    ChangeKind.CLOSED: "Closed, do not plan on it",
    ChangeKind.MODELS_DISAGREE: "Still open, but models disagree",
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
    """

    zone: ZoneInfo | None = None
    next_forecast_utc: datetime | None = None
    drive: Drive | None = None
    best: Hour | None = None
    page_url: str | None = None


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
        Title of at most 100 and body of at most 500 characters, without markup; and the long
        text, with nothing left out.
    """
    this = _Said(change, site, require_utc(now_utc), first and change.kind in _FIRST,
                 beside or Beside())  # fmt: skip
    lines = _lines(this, instead_of=instead_of, held=held)
    whole = [line.text for line in lines if line.text]
    body = _joined(_fitted(lines))
    return Message(_short_title(this), body, change.key, "\n".join([*whole, *_more(this)]))


def message_on_page(
    change: Change, site: Site | None, beside: Beside
) -> tuple[str, tuple[str, ...]]:
    """Title and lines of a notice as it was told, for the page.

    What stands at the foot of every page need not stand in every notice on it, and the key
    stands beside the notice: lines of these kinds are left out.
    """
    this = _Said(change, site, change.found_utc, False, beside)
    kept = _fitted(_lines(this, instead_of=None, held=False))
    return _short_title(this), tuple(
        each.text for each in kept if each.text and not each.on_every_page
    )


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

    Where it has a `short` form, that takes its place instead. `on_every_page`: what it says
    stands on every page, or beside every notice there.
    """

    text: str
    drop: int = 0
    short: str = ""
    on_every_page: bool = False


def _lines(this: _Said, *, instead_of: str | None, held: bool) -> list[_Line]:
    """Every line in the order it is read."""
    change, window = this.change, this.window
    facts = _facts(this, window) if window is not None else []
    at = this.beside.next_forecast_utc
    soon = at is not None and at > this.now_utc
    coming = f"Next forecast about {spoken_moment(at, this.zone)}." if at and soon else ""
    first = "This is the first notice of this window here." if this.first else ""
    return [
        _Line(_reason(this)),
        *facts,
        _Line(_limited(this, window), 5),
        _Line(_unread(this, window), 8),
        _Line(first, 3),
        _Line(coming, 6),
        _cautions(change, this.beside.page_url),
        _Line(f"Told here because {instead_of} does not work." if instead_of else ""),
        _Line(_lateness(change, this.now_utc, held=held)),
        _Line(f"[{change.key}, cycle {change.cycle_id}]", on_every_page=True),
    ]


def _reason(this: _Said) -> str:
    """Verdict and reason in one sentence; a heard reason of a first notice needs no "still"."""
    change = this.change
    verdict = "Open" if this.first else _VERDICTS.get(change.kind, "")
    why = reason(change.causes, this.times)
    words = f"{verdict}: {inside(why)}" if verdict and why else why or verdict
    return sentence(words or str(change.kind))


def _fitted(lines: Sequence[_Line]) -> list[_Line]:
    """Drop lines by their order until the rest fits; then the reason loses its tail."""
    kept = [line for line in lines if line.text]
    while len(_joined(kept)) > LONGEST_BODY and any(line.drop for line in kept):
        goes = max(kept, key=lambda line: line.drop)
        at = kept.index(goes)
        kept[at : at + 1] = [_Line(goes.short)] if goes.short else []
    room = LONGEST_BODY - (len(_joined(kept)) - len(kept[0].text))
    return [_Line(_cut(kept[0].text, room)), *kept[1:]]


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
        What else is known; of it only the zone of changes without a site is said.
    """
    require_utc(now_utc)
    beside = beside or Beside()
    kinds = [str(change.kind) for change in changes]
    counts = ", ".join(f"{kinds.count(kind)} {kind}" for kind in dict.fromkeys(kinds))
    ordered = sorted(changes, key=_in_time)
    items = [_item(change, sites.get(change.site), beside) for change in ordered]
    items.append("Forecasts, no permissions.")
    title = _cut(f"{len(changes)} NOTICES: {counts}", LONGEST_TITLE)
    return Message(title, "\n\n".join(items), ",".join(change.key for change in changes))


def _in_time(change: Change) -> tuple[float, str]:
    window = change.after or change.before
    return (window.start_utc if window is not None else change.found_utc).timestamp(), change.key


def _item(change: Change, site: Site | None, beside: Beside) -> str:
    """One change of a digest: title, how good it is, reason, key."""
    window = change.after or change.before
    this = _Said(change, site, change.found_utc, False, beside)
    lines = [_title(change, this.zone, first=False)]
    if window is not None and change.after is not None:
        lines.append(f"{how_good(window)} {landing(window)}")
    key = f"[{change.key}]"
    room = LONGEST_ITEM - sum(len(line) + 1 for line in lines) - len(key) - 1
    lines += [_cut(_reason(this), room), key]
    return "\n".join(line for line in lines if line)


def _short_title(this: _Said) -> str:
    return _cut(_title(this.change, this.zone, first=this.first), LONGEST_TITLE)


def _title(change: Change, zone: ZoneInfo | None, *, first: bool) -> str:
    window = change.after or change.before
    heads = ["OPEN" if first else _HEADS.get(change.kind, str(change.kind).upper()), change.site]
    if window is not None:
        heads.append(_title_span(window, zone))
    return " ".join(part for part in heads if part)


def _facts(this: _Said, window: Window) -> list[_Line]:
    """When, how good, and where it lands."""
    when = f"{this.change.site} {_span(window, this.zone)}"
    if this.change.after is None:
        was = f"score {window.best_score:.0f} of 100, chance {percent(window.chance)}"
        return [_Line(f"It was: release {when}."), _Line(sentence(was), 1)]
    same_day = window.best_hour_utc.date() == window.start_utc.date()
    at = clock_moment if same_day else spoken_moment
    best, short = (at(window.best_hour_utc, this.zone, utc_beside=b) for b in (True, False))
    release = f"Release {when}, planned "
    better = told_best_words(window, this.zone or UTC)
    more = f"; {better}" if better else ""
    lines = [_Line(f"{release}{best}{more}.", 7, f"{release}{short}{more}.")]
    before = this.change.before
    moved = this.change.kind is ChangeKind.MOVED and not this.first
    if moved and before is not None and _start_or_end(before, window):
        lines.append(_Line(f"Before: {_span(before, this.zone)}.", 4))
    lands = landing(window, this.beside.drive)
    return [*lines, _Line(how_good(window), 2), _Line(lands)]


def _start_or_end(before: Window, after: Window) -> bool:
    return (before.start_utc, before.end_utc) != (after.start_utc, after.end_utc)


def _title_span(window: Window, zone: ZoneInfo | None) -> str:
    first = window.start_utc.astimezone(zone or UTC)
    last = window.last_release_utc.astimezone(zone or UTC)
    day, number, times = span(first, last).split(" ", 2)
    return f"{day} {number} {_MONTHS[first.month - 1]} {times} {'local' if zone else 'UTC'}"


def _span(window: Window, zone: ZoneInfo | None) -> str:
    return spoken_span(window.start_utc, window.last_release_utc, zone)


def _limited(this: _Said, window: Window | None) -> str:
    """What holds the score down, unless the reason has said it."""
    if window is None or this.change.after is None or _has_said(this.change, window.limited_by):
        return ""
    text = clauses(window.limited_by, this.times)
    return sentence(f"limited by: {inside(text)}") if text else ""


def _unread(this: _Said, window: Window | None) -> str:
    """What could not be read, unless the reason has said it."""
    if window is None or this.change.after is None or _has_said(this.change, window.unread):
        return ""
    return reason(window.unread, this.times)


def _has_said(change: Change, causes: Causes) -> bool:
    """Whether a change's causes name all of some causes."""
    said = set(_all_of(change.causes))
    return all(cause in said for cause in causes)


def _all_of(causes: Causes) -> list[Cause]:
    """Causes, with those that took away hours at an end."""
    inner = [each for cause in causes if isinstance(cause, EdgeMoved) for each in cause.lost_to]
    return [*causes, *inner]


def _cautions(change: Change, page_url: str | None) -> _Line:
    """Keep a forecast from sounding like a permission; ask for a word where one is due."""
    if change.kind in (ChangeKind.OPENED, ChangeKind.STRONGER):
        words = "A forecast, no permission: air traffic control and landowners decide."
        return _Line(words, on_every_page=True)
    if change.kind is ChangeKind.DECISION_DUE:
        command = f"windowwatch acknowledge {change.key} --by NAME"
        known = f"When it is seen to: {f'{page_url}/notices#{change.key}' if page_url else command}"
        return _Line(f"A forecast, no permission. {known}")
    return _Line("A forecast, no permission.", on_every_page=True)


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
