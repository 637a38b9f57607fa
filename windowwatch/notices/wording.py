"""A change put into words for a phone. Pure; English; the only place of its wording.

Read it as if it woke you at five in the morning: what happened stands first, then why, then
when (local time and UTC), how good, where it lands, what limits it. The last line carries
the key, by which a repeat is recognised and `windowwatch explain` finds the trail.
"""

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from windowwatch.clock import require_utc
from windowwatch.notices.values import Message
from windowwatch.scoring.values import Site
from windowwatch.windows.phrases import compass, inside, length, percent, sentence, span
from windowwatch.windows.values import Change, ChangeKind, Window

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
    ChangeKind.FORECAST_LATE: "FORECAST LATE",
    ChangeKind.DECISION_DUE: "DECISION DUE",
    ChangeKind.MODELS_DISAGREE: "MODELS DISAGREE",
}
_LEADS = {
    ChangeKind.OPENED: "Launch",
    ChangeKind.MOVED: "Now",
    ChangeKind.WEAKER: "Still open,",
    ChangeKind.STRONGER: "Open,",
    ChangeKind.MODELS_DISAGREE: "Still open,",
}
#: What a change is to somebody who was told nothing of its window so far.
_FIRST = {
    ChangeKind.MOVED,
    ChangeKind.WEAKER,
    ChangeKind.STRONGER,
    ChangeKind.MODELS_DISAGREE,
}
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
#: Below this a cut sentence says nothing any more. [characters]
_SHORTEST = 40


def message(
    change: Change,
    site: Site | None,
    *,
    now_utc: datetime,
    first: bool = False,
    instead_of: str | None = None,
    held: bool = False,
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

    Returns
    -------
    Message
        Title of at most 100 and body of at most 500 characters, without markup.
    """
    window = change.after or change.before
    zone = ZoneInfo(site.time_zone) if site is not None else None
    first = first and change.kind in _FIRST
    title = _cut(_title(change, zone, first=first), LONGEST_TITLE)
    facts = _facts(change, window, zone, first=first) if window is not None else []
    last = [
        "This is the first notice of this window here." if first else "",
        _cautions(change),
        f"Told here because {instead_of} does not work." if instead_of else "",
        _lateness(change, require_utc(now_utc), held=held),
        f"[{change.key}, cycle {change.cycle_id}]",
    ]
    limits = _limits(change, window)
    room = LONGEST_BODY - sum(len(line) + 1 for line in (*facts, *last) if line)
    reason = _cut(sentence(change.reason), room - min(len(limits) + 1, room // 3))
    limits = _cut(limits, room - len(reason) - 2)
    lines = [reason, *facts, limits, *last]
    return Message(title, "\n".join(line for line in lines if line), change.key)


def digest(changes: Sequence[Change], sites: Mapping[str, Site], *, now_utc: datetime) -> Message:
    """Word several changes in one message: what is gravest of each, and every key.

    Parameters
    ----------
    changes : sequence of Change
        At least one; told in the order of their windows.
    sites : mapping of str to Site
        Sites by name, for local time.
    now_utc : datetime
        Aware UTC time of sending.
    """
    require_utc(now_utc)
    kinds = [_HEADS[change.kind].lower() for change in changes]
    counts = ", ".join(f"{kinds.count(kind)} {kind}" for kind in dict.fromkeys(kinds))
    items = [_item(change, sites.get(change.site)) for change in sorted(changes, key=_in_time)]
    title = _cut(f"{len(changes)} NOTICES: {counts}", LONGEST_TITLE)
    return Message(title, "\n\n".join(items), ",".join(change.key for change in changes))


def _in_time(change: Change) -> tuple[float, str]:
    window = change.after or change.before
    return (window.start_utc if window is not None else change.found_utc).timestamp(), change.key


def _item(change: Change, site: Site | None) -> str:
    """One change of a digest: title, how good it is, reason, key."""
    window = change.after or change.before
    zone = ZoneInfo(site.time_zone) if site is not None else None
    lines = [_title(change, zone, first=False)]
    if window is not None and change.after is not None:
        lines.append(f"{_how_good(window)} {_landing(window)}")
    key = f"[{change.key}]"
    room = LONGEST_ITEM - sum(len(line) + 1 for line in lines) - len(key) - 1
    lines += [_cut(sentence(change.reason), room), key]
    return "\n".join(line for line in lines if line)


def _title(change: Change, zone: ZoneInfo | None, *, first: bool) -> str:
    window = change.after or change.before
    heads = ["OPEN" if first else _HEADS[change.kind], change.site]
    if window is not None:
        heads.append(_title_span(window, zone))
    return " ".join(part for part in heads if part)


def _facts(change: Change, window: Window, zone: ZoneInfo | None, *, first: bool) -> list[str]:
    """When, how good, and where it lands."""
    if change.after is None:
        was = f"score {window.best_score:.0f} of 100, chance {percent(window.chance)}"
        return [f"It was {_span(window, zone)}, {was}."]
    lead = "Launch" if first else _LEADS.get(change.kind, "Window")
    lines = [f"{lead} {_span(window, zone)}, best {_moment(window, zone)}."]
    before = change.before
    moved = change.kind is ChangeKind.MOVED and not first
    if moved and before is not None and _start_or_end(before, window):
        lines.append(f"Before: {_span(before, zone)}.")
    return [*lines, _how_good(window), _landing(window)]


def _start_or_end(before: Window, after: Window) -> bool:
    return (before.start_utc, before.end_utc) != (after.start_utc, after.end_utc)


def _title_span(window: Window, zone: ZoneInfo | None) -> str:
    start, end = window.start_utc.astimezone(zone or UTC), window.end_utc.astimezone(zone or UTC)
    day, times = span(start, end).split(" ", 1)
    number, times = times.split(" ", 1)
    return f"{day} {number} {_MONTHS[start.month - 1]} {times} {'local' if zone else 'UTC'}"


def _span(window: Window, zone: ZoneInfo | None) -> str:
    """Read the span aloud in local time and UTC; the day of UTC only where it differs."""
    utc = span(window.start_utc, window.end_utc)
    if zone is None:
        return f"{utc} UTC"
    start, end = window.start_utc.astimezone(zone), window.end_utc.astimezone(zone)
    local = span(start, end)
    if start.date() == window.start_utc.date() and end.date() == window.end_utc.date():
        utc = utc.split(" ", 2)[2]
    clocks = ", the clocks change in it" if start.utcoffset() != end.utcoffset() else ""
    return f"{local} local ({utc} UTC{clocks})"


def _moment(window: Window, zone: ZoneInfo | None) -> str:
    best = window.best_hour_utc
    if zone is None:
        return f"{best:%H:%M} UTC"
    return f"{best.astimezone(zone):%H:%M} ({best:%H:%M} UTC)"


def _how_good(window: Window) -> str:
    known = "" if window.readable else " as last known"
    return f"Score {window.best_score:.0f} of 100{known}. {_chance(window.chance)}"


def _chance(chance: float | None) -> str:
    if chance is None:
        return "Chance not known."
    shown = 1.0 if chance == 1.0 else min(round(chance, 2), 0.99)
    words = next(words for bound, words in _SHARES if shown >= bound)
    return f"Chance {percent(chance)}: {words} go."


def _landing(window: Window) -> str:
    if window.drift_km is None or window.bearing_deg is None:
        return "Where it lands is not known."
    where = f"Lands {_km(window.drift_km)} {compass(window.bearing_deg)} of the site, "
    if window.road_km is None:
        return where + "distance to a road not known."
    return f"{where}{_km(window.road_km)} from a road."


def _km(distance: float) -> str:
    return f"{distance:.1f} km" if distance < 9.95 else f"{distance:.0f} km"


def _limits(change: Change, window: Window | None) -> str:
    """What holds the score down, unless the reason has said it; and what could not be read."""
    if window is None or change.after is None:
        return ""
    texts = []
    limited_by = window.limited_by.strip().rstrip(".")
    if limited_by and limited_by.lower() not in change.reason.lower():
        texts.append(sentence(f"limited by: {inside(limited_by)}"))
    unread = window.unread.strip().rstrip(".")
    if unread and unread.lower() not in change.reason.lower():
        texts.append(sentence(unread))
    return " ".join(texts)


def _cautions(change: Change) -> str:
    """Keep a forecast from sounding like a permission, where somebody might go and launch."""
    if change.kind in (ChangeKind.OPENED, ChangeKind.STRONGER):
        return "A forecast, no permission: air traffic control and landowners decide."
    if change.kind is ChangeKind.CLOSED:
        return "Do not plan on this window."
    if change.kind is ChangeKind.DECISION_DUE:
        return f"When it is seen to: windowwatch acknowledge {change.key} --by NAME"
    return ""


def _lateness(change: Change, now_utc: datetime, *, held: bool) -> str:
    late = now_utc - change.found_utc
    if held:
        return f"Held back: found {length(late)} ago."
    return f"Told late: found {length(late)} ago." if late > LATE_AFTER else ""


def _cut(text: str, room: int) -> str:
    """Shorten to `room` characters at a word; nothing at all rather than a scrap."""
    if len(text) <= room:
        return text
    if room < _SHORTEST:
        return ""
    return text[: room - 1].rsplit(" ", 1)[0].rstrip(" ,;:") + "…"
