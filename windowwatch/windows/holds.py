"""Hold advice: what a launch that waits would meet, from launch hours that were flown. Pure.

Named rules
-----------
only what was flown
    Every row is a launch hour of the newest cycle. Between two of them nothing is said, and
    how far they are apart is told.
planned
    Waits count from the window's planned hour while that is still to come and good, then from
    the next good launch hour: who is late waits from there. The table says which.
closing
    The first launch hour that is not good, or not known, ends it: later ones are left out
    unless they lie inside the window.
once
    Advice is told once for each window, a set time before its first release.
"""

import hashlib
from collections.abc import Iterable
from datetime import datetime, timedelta

from windowwatch.clock import require_utc
from windowwatch.physics.earth import bearing_deg, distance_m
from windowwatch.scoring.values import Hour, Verdict
from windowwatch.windows.causes import Cause, CheckAgainst, Hold, HoldTable, Refused
from windowwatch.windows.values import Change, ChangeKind, Window, WindowState
from windowwatch.windows.window import is_unread, worst_check


def hold_table(hours: Iterable[Hour], window: Window, now_utc: datetime) -> HoldTable | None:
    """Say what a launch that waits would meet.

    Parameters
    ----------
    hours : iterable of Hour
        Launch hours of the window's own cycle; those of other sites are passed over.
    window : Window
        As that cycle left it.
    now_utc : datetime
        Aware UTC.

    Returns
    -------
    HoldTable or None
        None when no good launch hour of the window is still to come, or the window could
        not be read.

    Raises
    ------
    InputError
        If a time has no zone.
    """
    now_utc = require_utc(now_utc)
    here = sorted((h for h in hours if h.site == window.site), key=lambda h: h.time_utc)
    coming = [h for h in here if require_utc(h.time_utc) >= now_utc]
    planned = _planned(coming, window)
    if planned is None or not window.readable:
        return None
    rows: list[Hold] = []
    for hour in coming:
        if hour.time_utc <= planned.time_utc:
            continue
        rows.append(_hold(hour, planned, window))
        if hour.time_utc > window.last_release_utc:
            break
    closing = next((row for row in rows if not row.good), None)
    good = [planned.time_utc]
    good += [r.time_utc for r in rows if closing is None or r.time_utc < closing.time_utc]
    return HoldTable(
        planned=_hold(planned, planned, window),
        rows=tuple(rows),
        last_good_utc=max(good),
        closing=closing,
        step=timedelta(minutes=window.step_min),
        as_planned=planned.time_utc == window.best_hour_utc,
    )


def _planned(coming: list[Hour], window: Window) -> Hour | None:
    good = [h for h in coming if _is_good(h, window)]
    best = [h for h in good if h.time_utc == window.best_hour_utc]
    return next(iter((*best, *good)), None)


def _is_good(hour: Hour, window: Window) -> bool:
    """Whether the window holds this hour for good; one that could not be read is not."""
    inside_it = window.start_utc <= hour.time_utc <= window.last_release_utc
    return inside_it and not is_unread(hour) and hour.verdict is not Verdict.NO_GO


def _hold(hour: Hour, planned: Hour, window: Window) -> Hold:
    moved_km = bearing = None
    if hour.footprint is not None and planned.footprint is not None:
        ends = (
            planned.footprint.latitude_deg,
            planned.footprint.longitude_deg,
            hour.footprint.latitude_deg,
            hour.footprint.longitude_deg,
        )
        moved_km = float(distance_m(*ends)) / 1000.0
        bearing = float(bearing_deg(*ends))
    unread = is_unread(hour)
    return Hold(
        time_utc=hour.time_utc,
        wait=hour.time_utc - planned.time_utc,
        verdict=Verdict.UNKNOWN if unread else hour.verdict,
        good=_is_good(hour, window),
        score=hour.score,
        chance=hour.chance,
        moved_km=moved_km,
        moved_bearing_deg=bearing,
        why=_why(hour),
    )


def _why(hour: Hour) -> Cause | None:
    """What speaks most against an hour, or why it could not be read."""
    if hour.refused is not None:
        return Refused(hour.refused)
    worst = worst_check(hour)
    return None if worst is None else CheckAgainst(worst)


def advice_key(watch: str, window_uid: str) -> str:
    """Stable key of the one advice on a window."""
    text = "\x1f".join((watch, "hold advice", window_uid))
    return hashlib.sha256(text.encode("utf-8")).hexdigest()[:12]


def is_due(window: Window, before: timedelta, now_utc: datetime) -> bool:
    """Whether advice on a window is to be told now: it is open, and its launch is near."""
    near = window.start_utc - before <= require_utc(now_utc) < window.last_release_utc
    return window.state is WindowState.OPEN and near


def advise(window: Window, hours: Iterable[Hour], now_utc: datetime, watch: str) -> Change | None:
    """Hold advice as a change; None when nothing can be said of holding.

    Parameters
    ----------
    window : Window
        One of which advice is due.
    hours : iterable of Hour
        Launch hours of the window's own cycle.
    now_utc : datetime
        Aware UTC.
    watch : str
        Name of the watch; part of the key.
    """
    table = hold_table(hours, window, now_utc)
    if table is None:
        return None
    return Change(
        key=advice_key(watch, window.uid),
        kind=ChangeKind.HOLD_ADVICE,
        site=window.site,
        window_uid=window.uid,
        cycle_id=window.cycle_id,
        found_utc=now_utc,
        before=None,
        after=window,
        causes=(table,),
    )
