"""Hold advice: what a launch that waits would meet, from launch hours that were flown. Pure.

Named rules
-----------
only what was flown
    Every row is a launch hour of the newest cycle. Between two of them nothing is said, and
    how far they are apart is told.
planned
    Waits count from the window's best hour while that is still to come, then from the next
    good launch hour.
closing
    The first launch hour that is not good, or not known, ends it: later ones are left out
    unless they lie inside the window.
once
    Advice is told once for each window, a set time before its first release.
"""

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

from windowwatch.clock import require_utc
from windowwatch.physics.earth import bearing_deg, distance_m
from windowwatch.scoring.values import Hour, Verdict
from windowwatch.windows.phrases import compass, inside, length, percent, sentence
from windowwatch.windows.spoken import written
from windowwatch.windows.values import Change, ChangeKind, Window, WindowState
from windowwatch.windows.window import is_unread, worst_words
from windowwatch.wording.checks import refusal_words

#: Waits that a notice tells, where launch hours so far apart were flown. [min]
_TOLD_WAITS_MIN = (30, 60, 120)
#: A landing that moves by less than this is told as staying. [km]
_SAME_PLACE_KM = 1.0


@dataclass(frozen=True)
class Hold:
    """One launch hour that was flown, seen from the planned one.

    Attributes
    ----------
    time_utc : datetime
        The release.
    wait : timedelta
        How long after the planned release.
    verdict : Verdict
        `unknown` when the hour could not be read.
    good : bool
        Whether it is a good launch hour of the window.
    score, chance : float or None
        As scored. [0-100], [1]
    moved_km, moved_bearing_deg : float or None
        How far, and which way, its landings' centre lies from that of the planned release.
    why : str
        Sentence of the check that speaks most against it, or why it could not be read.
    """

    time_utc: datetime
    wait: timedelta
    verdict: Verdict
    good: bool
    score: float | None
    chance: float | None
    moved_km: float | None
    moved_bearing_deg: float | None
    why: str


@dataclass(frozen=True)
class HoldTable:
    """What happens to a window when the launch waits.

    Attributes
    ----------
    planned : Hold
        The planned release: waits and landings are counted from it.
    rows : tuple of Hold
        Later launch hours in order, the first that is not good included.
    last_good_utc : datetime
        The last good release in a row.
    closing : Hold or None
        The first launch hour that is not good; None when none was flown after the window.
    step : timedelta
        Distance between the launch hours: nothing is said of times between them.
    """

    planned: Hold
    rows: tuple[Hold, ...]
    last_good_utc: datetime
    closing: Hold | None
    step: timedelta


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
        why=sentence(refusal_words(hour.refused) if hour.refused else worst_words(hour)),
    )


def hold_words(table: HoldTable) -> str:
    """Say a table in sentences fit for a phone; times are written (see `spoken`).

    The first sentence is the planned release, the last one how finely it was flown.
    """
    plan = table.planned
    chance = "" if plan.chance is None else f", chance {percent(plan.chance)}"
    texts = [f"planned release {written(plan.time_utc)}: {plan.verdict}{chance}"]
    texts += [
        f"slip {length(row.wait)}: {_lands(row)}, {_verdict(row, plan)}"
        for row in _told_rows(table)
    ]
    texts.append(_closing_words(table))
    texts.append(f"flown in steps of {length(table.step)}, between them nothing is known")
    return " ".join(sentence(text) for text in texts)


def _told_rows(table: HoldTable) -> list[Hold]:
    good = [row for row in table.rows if row.good and row.time_utc <= table.last_good_utc]
    round_ones = [r for r in good if r.wait / timedelta(minutes=1) in _TOLD_WAITS_MIN]
    return round_ones or good[:2]


def _lands(row: Hold) -> str:
    if row.moved_km is None or row.moved_bearing_deg is None:
        return "where it lands is not known"
    if row.moved_km < _SAME_PLACE_KM:
        return "lands at the same place"
    return f"lands {row.moved_km:.0f} km further {compass(row.moved_bearing_deg)}"


def _verdict(row: Hold, plan: Hold) -> str:
    """Verdict, and the chance where it is not that of the planned release."""
    said = f"still {row.verdict}" if row.verdict is plan.verdict else str(row.verdict)
    same = percent(row.chance) == percent(plan.chance)
    return said if same else f"{said}, chance {percent(row.chance)}"


def _closing_words(table: HoldTable) -> str:
    words = f"last good release {written(table.last_good_utc)}"
    closing = table.closing
    if closing is None:
        return f"{words}; nothing was flown after it"
    why = inside(closing.why) if closing.why else "its score is too low"
    if closing.verdict is Verdict.UNKNOWN:
        return f"{words}; {written(closing.time_utc)} could not be read: {why}"
    return f"{words}; {written(closing.time_utc)} no more: {why}"


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
        reason=hold_words(table),
    )
