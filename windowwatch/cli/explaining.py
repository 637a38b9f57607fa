"""The whole reckoning in the terminal: a notice or an hour, back to the files of its cycle."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, date, datetime, timedelta, tzinfo
from itertools import pairwise
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import numpy as np
from rich.console import Console
from rich.table import Table
from rich.text import Text

from windowwatch.cli.common import parse_time
from windowwatch.cli.show import COLOURS, lands, plain_table, print_note, share_words
from windowwatch.errors import InputError, shown
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.scoring.values import Check, Hour, Opinion, Part, Site, Verdict
from windowwatch.scoring.verdict import worst_first
from windowwatch.storage.cycles import StoredCycle, Trail
from windowwatch.units import FloatArray
from windowwatch.windows.standing import Week, judged
from windowwatch.windows.values import ChangeKind
from windowwatch.windows.window import WindowRules
from windowwatch.wording.causes import reason
from windowwatch.wording.checks import (
    hour_words,
    interval_words,
    opinion_words,
    refusal_words,
    what_would_make_it_go,
    worst_sentences,
)
from windowwatch.wording.credits import near_words
from windowwatch.wording.gaps import notes_words
from windowwatch.wording.learned import raw_chance_words
from windowwatch.wording.page import (
    margin_words,
    number_words,
    place_words,
    score_words,
    value_words,
)
from windowwatch.wording.phrases import (
    check_label,
    day_and_time,
    local_to,
    sentence,
    spoken_moment,
    spoken_span,
)
from windowwatch.wording.rules import in_force_words
from windowwatch.wording.standing import (
    end_words,
    kept_words,
    standing_words,
    told_best_words,
    verdict_words,
)

if TYPE_CHECKING:  # loads xarray, which only this one question needs
    from windowwatch.forecast.dataset import Said

#: Verdicts from the worst to the best; what could not be answered stands before what is go.
_ORDER = (Verdict.NO_GO, Verdict.UNKNOWN, Verdict.CAUTION, Verdict.GO)
#: Of these changes the hours that took the window away tell more than its best one.
_TAKEN = frozenset({ChangeKind.CLOSED})


def print_trail(
    console: Console,
    trail: Trail,
    sites: Mapping[str, Site],
    plan: ScoringPlan,
    rules: WindowRules,
    *,
    every_hour: bool = False,
) -> None:
    """Print all that stands behind a notice, down to the files of its cycle.

    One hour is told in full: of a closed window its worst, of any other its planned one.
    """
    change = trail.change
    site = sites.get(change.site)
    zone = ZoneInfo(site.time_zone) if site else UTC
    console.print(Text(f"{change.kind}: {change.site}, watch {trail.watch}", style="bold"))
    cycle = f" in cycle {change.cycle_id}" if change.cycle_id else ""
    console.print(f"found {spoken_moment(change.found_utc, zone)}{cycle}", highlight=False)
    print_note(console, reason(change.causes, local_to(zone)))
    console.print()
    window = trail.window
    if window is not None:
        release = spoken_span(window.start_utc, window.last_release_utc, zone)
        console.print(Text(f"window {window.uid}: {window.state}, release {release}"))
        better = told_best_words(window, zone)
        print_note(
            console,
            f"{kept_words(window, zone)}, chance {share_words(window.chance)}, score "
            f"{score_words(window.best_score)}; {end_words(window, zone)}"
            f"{f'; {better}' if better else ''}",
        )
    hours = sorted((judged(hour, rules) for hour in trail.hours), key=_worst_hour_first)
    if hours:
        _print_list(console, hours, zone)
        for hour in hours if every_hour else [_telling(trail, hours)]:
            print_hour(console, hour, plan, zone)
    for delivery in trail.deliveries:
        when = spoken_moment(delivery.sent_utc, zone) if delivery.sent_utc else "not sent"
        error = f" ({delivery.error})" if delivery.error else ""
        console.print(Text(f"delivery on {delivery.channel}: {delivery.state}, {when}{error}"))
    if trail.cycle is None and not change.cycle_id:
        console.print("no forecast stands behind it")
    else:
        print_cycle(console, trail.cycle)


def _telling(trail: Trail, hours: Sequence[Hour]) -> Hour:
    """The hour of a trail that is told in full."""
    window = trail.change.after or trail.window
    if window is None or trail.change.kind in _TAKEN:
        return hours[0]
    return next((h for h in hours if h.time_utc == window.best_hour_utc), hours[0])


def _worst_hour_first(hour: Hour) -> tuple[int, float, datetime]:
    score = -1.0 if hour.score is None else hour.score
    return _ORDER.index(hour.verdict), score, hour.time_utc


def _print_list(console: Console, hours: Iterable[Hour], zone: tzinfo) -> None:
    """Every hour of the window in a line, the worst first."""
    console.print()
    table = plain_table("its launch hours, the worst first")
    for name in ("local", "verdict"):
        table.add_column(name, no_wrap=True)
    for name in ("score", "chance"):
        table.add_column(name, justify="right", no_wrap=True)
    table.add_column("worst check")
    for hour in hours:
        table.add_row(
            day_and_time(hour.time_utc.astimezone(zone)),
            Text(str(hour.verdict), style=COLOURS[hour.verdict]),
            score_words(hour.score),
            share_words(hour.chance),
            hour_words(hour),
        )
    console.print(table)


def print_hour(
    console: Console, hour: Hour, plan: ScoringPlan, zone: tzinfo, week: Week | None = None
) -> None:
    """Print one hour in full: what is worst in words, then every part with its checks.

    `week` is the pass that the hour is of, where that is the newest one.
    """
    standing = None if week is None else week.standing(hour)
    verdict = str(hour.verdict) if standing is None else verdict_words(hour, standing)
    said = "refused" if hour.score is None else f"score {hour.score:.0f}"
    chance = "" if hour.chance is None else f", chance {share_words(hour.chance)}"
    head = f"{spoken_moment(hour.time_utc, zone)} in full: {verdict}; {said}{chance}"
    console.print()
    console.print(Text(head, style="bold"))
    if week is not None and standing is not None:
        print_note(console, standing_words(hour, standing, week.rules))
    if hour.from_cycle:
        print_note(console, f"the newest cycle has not come so far: by cycle {hour.from_cycle}")
    if hour.near_ground is not None:
        print_note(console, near_words(hour.near_ground))
    if hour.refused is not None:
        print_note(console, f"refused: {refusal_words(hour.refused)}")
    for number, words in enumerate(worst_sentences(hour), start=1):
        print_note(console, f"{number}. {words}")
    wanted = what_would_make_it_go(hour, plan)
    if wanted:
        print_note(console, f"It would be go with: {'; '.join(wanted)}.")
    for opinion in hour.others:
        print_note(console, _opinion_words(opinion))
    if hour.others and hour.own_chance is not None:
        print_note(console, f"Chance by its own model alone: {share_words(hour.own_chance)}.")
    if hour.raw_chance is not None:
        print_note(console, raw_chance_words(hour))
    console.print(_checks(hour, plan))
    for words in () if plan.applied is None else in_force_words(plan.applied):
        print_note(console, words)
    print_note(console, "!: past its limit it vetoes the hour. worth: 1 is fine, 0 at the limit.")
    console.print()


def _opinion_words(opinion: Opinion) -> str:
    """What another model says of the hour, in a sentence."""
    words = f"{opinion.model} ({opinion.cycle_id}) says {opinion.verdict}"
    if opinion.score is not None:
        words += f", score {opinion.score:.0f}, chance {share_words(opinion.chance)}"
    if opinion.apart_km is not None and opinion.bearing_deg is not None:
        words += f"; lands {lands(opinion.apart_km, opinion.bearing_deg)} of this one"
    says = opinion_words(opinion)
    return sentence(f"{words}: {says}" if says else words)


def _checks(hour: Hour, plan: ScoringPlan) -> Table:
    """Every check in the part it belongs to, each part once, its worst check first."""
    table = plain_table("")
    table.add_column("check", min_width=16)
    for name in ("value", "fine", "limit", "margin", "unit", "verdict", "worth"):
        table.add_column(
            name, justify="left" if name in {"unit", "verdict"} else "right", no_wrap=True
        )
    ordered = _ordered(hour.checks, plan)
    for part in sorted({check.part for check in hour.checks}, key=list(Part).index):
        table.add_row(Text(f"{part}: {score_words(hour.parts.get(part))}", style="bold"))
        for check in ordered:
            if check.part is part:
                table.add_row(*_check_cells(check))
    return table


def _ordered(checks: Sequence[Check], plan: ScoringPlan) -> Sequence[Check]:
    """The worst first; as they are stored where an older version's checks are not known now."""
    try:
        return worst_first(checks, plan)
    except KeyError:
        return checks


def _check_cells(check: Check) -> tuple[str | Text, ...]:
    return (
        f" {check_label(check.name)}{' !' if check.hard else ''}",
        value_words(check),
        number_words(check, check.fine),
        number_words(check, check.limit),
        margin_words(check),
        ", ".join(filter(None, (check.unit, interval_words(check)))),
        Text(str(check.verdict), style=COLOURS[check.verdict]),
        "–" if check.desirability is None else f"{check.desirability:.2f}",
    )


def print_cycle(console: Console, cycle: StoredCycle | None) -> None:
    """Print a cycle with its files and what was noted of it."""
    if cycle is None:
        console.print("its cycle is no longer stored")
        return
    console.print(Text(f"cycle {cycle.cycle.id}", style="bold"))
    for file in cycle.files:
        console.print(Text(f"  {shown(file.path)}"), soft_wrap=True)
        console.print(Text(f"    {file.size_bytes} bytes, sha256"))
        console.print(Text(f"    {file.sha256}"), soft_wrap=True)
    if cycle.learned is not None:
        print_note(console, f"flown with what was learned, version {cycle.learned}")
    for words in notes_words((*cycle.gaps, *cycle.remarks)):
        print_note(console, words)


def print_weather(
    console: Console,
    point: tuple[float, float],
    rows: "Sequence[Said]",
    moment: datetime,
    zone: tzinfo,
) -> None:
    """Print what the source itself says beside a launch hour, before anything is made of it.

    Of an ensemble the lowest and the highest member are shown.
    """
    console.print()
    console.print(
        f"what the forecast's own files say at the grid point {place_words(*point)}, at the steps "
        f"beside {spoken_moment(moment, zone)}",
        highlight=False,
    )
    for aloft in (False, True):
        chosen = [each for each in rows if (each.level is not None) is aloft]
        if not chosen:
            continue
        console.print()
        table = plain_table("upper air" if aloft else "surface")
        table.add_column("field", no_wrap=False)
        if aloft:
            table.add_column("hPa", justify="right", no_wrap=True)
        table.add_column("unit", no_wrap=True)
        times = list(dict.fromkeys(t for each in chosen for t in each.times_utc))
        for time in sorted(times):
            table.add_column(f"{time:%d %H:%M} UTC", justify="right", no_wrap=True)
        for each in sorted(chosen, key=lambda said: (said.words, said.run, -(said.level or 0.0))):
            values = dict(zip(each.times_utc, each.values, strict=True))
            table.add_row(
                each.words if each.run == "control" else f"{each.words}, members",
                *([f"{(each.level or 0.0) / 100.0:g}"] if aloft else []),
                each.units,
                *(_members_words(values.get(time)) for time in sorted(times)),
            )
        console.print(table)


def _members_words(values: FloatArray | None) -> str:
    """One value, or the span of several; a field that has none there says so."""
    if values is None:
        return ""
    known = values[~np.isnan(values)]
    if not known.size:
        return "missing"
    low, high = f"{known.min():.6g}", f"{known.max():.6g}"
    part = "" if known.size == values.size else f", {values.size - known.size} missing"
    return f"{low if low == high else f'{low} to {high}'}{part}"


def hours_of(hours: Iterable[Hour], site: Site, day: date) -> list[Hour]:
    """The launch hours of a day at a site, by the site's local time.

    Raises
    ------
    InputError
        If that day has none; the message names the days that have.
    """
    zone = ZoneInfo(site.time_zone)
    kept = list(hours)
    found = [hour for hour in kept if hour.time_utc.astimezone(zone).date() == day]
    if not found and kept:
        span = spoken_span(kept[0].time_utc, kept[-1].time_utc, zone)
        raise InputError(f"{site.name} has no launch hour on {day}; they are from {span}")
    if not found:
        raise InputError(f"the newest cycle holds no launch hour of {site.name}")
    return found


def hour_at(hours: Iterable[Hour], site: Site, text: str) -> Hour:
    """The launch hour of a site at a time that a person typed.

    A time without a zone is read as local to the site, as the table of hours shows it.

    Raises
    ------
    InputError
        If it is no time, or there is no such launch hour.
    """
    zone = ZoneInfo(site.time_zone)
    moment = parse_time(text, zone)
    kept = list(hours)
    for hour in kept:
        if hour.time_utc == moment:
            return hour
    if not kept:
        raise InputError(f"the newest cycle holds no launch hour of {site.name}")
    span = spoken_span(kept[0].time_utc, kept[-1].time_utc, zone)
    gaps = [after.time_utc - before.time_utc for before, after in pairwise(kept)]
    step_min = min(gaps) // timedelta(minutes=1) if gaps else 0
    every = {0: "", 60: "every hour, "}.get(step_min, f"every {step_min} min, ")
    raise InputError(
        f"{spoken_moment(moment, zone)} is no launch hour of {site.name}; they are {every}"
        f"from {span}"
    )
