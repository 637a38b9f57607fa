"""The title of a notice: what happened to the crew's plan, at which site and when. Pure."""

from datetime import UTC, timedelta
from zoneinfo import ZoneInfo

from windowwatch.windows.causes import BrokeUp, EdgeMoved, LandingMoved
from windowwatch.windows.values import Change, ChangeKind, Window
from windowwatch.wording.flightnews import flight_title
from windowwatch.wording.phrases import span
from windowwatch.wording.planned import plan_title

_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_HEADS = {
    ChangeKind.OPENED: "OPEN",
    ChangeKind.WEAKER: "WEAKER",
    ChangeKind.STRONGER: "BETTER",
    ChangeKind.CLOSED: "CLOSED",
    ChangeKind.DECISION_DUE: "DECISION DUE",
    ChangeKind.MODELS_DISAGREE: "MODELS DISAGREE",
    ChangeKind.HOLD_ADVICE: "IF YOU HOLD",
}


def title(change: Change, zone: ZoneInfo | None, *, first: bool) -> str:
    """``SHORTER Millfield Thu 7 May 06:00 to 09:00 local``.

    Parameters
    ----------
    change : Change
    zone : ZoneInfo or None
        In which times are read; UTC where there is none.
    first : bool
        Whether its reader was told nothing of its window so far: to them it opens.
    """
    window = change.after or change.before
    if change.kind is ChangeKind.PLAN and window is None:
        return plan_title(change, zone)
    if change.kind is ChangeKind.FLIGHT and window is None:
        return flight_title(change)
    heads = ["OPEN" if first else happened(change), change.site]
    if window is not None:
        heads.append(_title_span(window, zone))
    return " ".join(part for part in heads if part)


def happened(change: Change) -> str:
    """What happened to the plan: ``SHORTER, LANDING MOVED``."""
    if change.kind is not ChangeKind.MOVED:
        return _HEADS.get(change.kind, str(change.kind).upper())
    said = [word for word in (_span_moved(change),) if word]
    if any(isinstance(cause, LandingMoved) for cause in change.causes):
        said.append("LANDING MOVED")
    return ", ".join(said) or "MOVED"


def _span_moved(change: Change) -> str:
    """What became of a window's hours; empty where they stayed, or are told as staying."""
    before, after = change.before, change.after
    if any(isinstance(cause, BrokeUp) for cause in change.causes):
        return "BROKE UP"
    if before is None or after is None:
        return ""
    if not any(isinstance(cause, EdgeMoved) for cause in change.causes):
        return ""
    first, last = after.start_utc - before.start_utc, after.end_utc - before.end_utc
    nothing = timedelta(0)
    if min(first, last) > nothing:
        return "LATER"
    if max(first, last) < nothing:
        return "EARLIER"
    return "LONGER" if last - first > nothing else "SHORTER" if last < first else ""


def _title_span(window: Window, zone: ZoneInfo | None) -> str:
    first = window.start_utc.astimezone(zone or UTC)
    last = window.last_release_utc.astimezone(zone or UTC)
    day, number, times = span(first, last).split(" ", 2)
    return f"{day} {number} {_MONTHS[first.month - 1]} {times} {'local' if zone else 'UTC'}"
