"""The page of a planned launch in words: what is old, when a step is due, what happened. Pure."""

from datetime import datetime, timedelta, tzinfo

from windowwatch.forecast.cycle import Cycle
from windowwatch.launchday import plan as p
from windowwatch.launchday.flight import PlannedFlight, Range, Span
from windowwatch.launchday.plan import Entry, Plan, PlanState, Tick
from windowwatch.launchday.releases import ReleaseTable
from windowwatch.launchday.sighting import FRESH_FOR, Veto
from windowwatch.scoring.values import Verdict
from windowwatch.units import M_PER_FOOT
from windowwatch.wording import page as words
from windowwatch.wording.launchday import gauge_words
from windowwatch.wording.phrases import day_and_time, length

NOT_KNOWN = "not known"
NOT_FLOWN = "Not flown yet: the daemon does it within seconds, or windowwatch plan fly."
NONE_GOOD = "No good release is in sight: hold, move or scrub."
GONE_BY = "It has gone by."
NO_SITE = "The settings do not have this site any more."
OLD_PLAN = "the plan has changed since; it is being flown again"
OLD_SEEN = "something was measured since; it is being flown again"


def old_cycle(cycle_id: str, newest_id: str) -> str:
    """Why numbers of an earlier cycle are old."""
    return (
        f"they are of the cycle of {words.cycle_words(cycle_id)}, and that of "
        f"{words.cycle_words(newest_id)} has come"
    )


def old_age(age: timedelta) -> str:
    """Why numbers that nobody made anew are old."""
    return f"they were flown {length(age)} ago, and nothing has flown them again"


def release_title(plan: Plan, zone: tzinfo) -> str:
    """``Fri 8 May 09:40``, whatever has become of it."""
    return words.moment_words(plan.release_utc, zone)


def state_words(plan: Plan, zone: tzinfo) -> str:
    """How a plan stands, with since when or until when."""
    if plan.ended is not None:
        at = plan.ended.at_utc.astimezone(zone)
        why = getattr(plan.ended.event, "why", "") or getattr(plan.ended.event, "note", "")
        return f"{plan.state} {at:%H:%M} by {plan.ended.by}{f': {why}' if why else ''}"
    if plan.released_utc is not None:
        return f"released {plan.released_utc.astimezone(zone):%H:%M}"
    if plan.state is PlanState.HELD and plan.held_until_utc is not None:
        return f"HOLD until {plan.held_until_utc.astimezone(zone):%H:%M}"
    return str(plan.state)


def count_words(to_release: timedelta) -> str:
    """``T − 1 h 12 min``, ``T + 3 min``."""
    return f"T {'−' if to_release >= timedelta(0) else '+'} {length(to_release)}"


def age_words(table: ReleaseTable, zone: tzinfo, now_utc: datetime) -> str:
    """When a table was flown, and by which forecast, of which age."""
    at = table.made_utc.astimezone(zone)
    ago = length(max(now_utc - table.made_utc, timedelta(0)))
    cycle = Cycle.of_id(table.cycle_id)
    age = words.length_words(now_utc - cycle.reference_utc)
    return (
        f"flown {at:%H:%M}, {ago} ago, by the forecast of {words.utc_words(cycle.reference_utc)} "
        f"({cycle.model}), {age} old"
    )


def because(verdict: Verdict, why: str) -> str:
    """What speaks against a release, said by what it does."""
    if not why:
        return "nothing holds it down" if verdict is Verdict.GO else ""
    return f"held down most by: {why}" if verdict is Verdict.GO else why


def veto_words(veto: Veto, zone: tzinfo) -> str:
    """A measured gust over the hard limit, and until when it forbids."""
    until = (veto.at_utc + FRESH_FOR).astimezone(zone)
    return (
        f"{veto.gust_mps:.1f} m/s measured by {veto.by} at "
        f"{veto.at_utc.astimezone(zone):%H:%M}, over the hard limit of {veto.limit_mps:.1f} m/s. "
        f"No release before {until:%H:%M}."
    )


def last_good_more(table: ReleaseTable, zone: tzinfo, now_utc: datetime) -> str:
    """How long that is, and what comes before or after it."""
    last, first = table.last_good_utc, table.next_good_utc
    if last is None or first is None:
        return ""
    parts = [f"in {length(last - now_utc)}"]
    if first - now_utc > timedelta(minutes=10):
        parts.append(f"the first is {first.astimezone(zone):%H:%M}")
    if last == table.rows[-1].time_utc:
        parts.append("later ones were not flown")
    return "; ".join(parts)


def pack_first_line(plan: Plan, zone: tzinfo, now_utc: datetime, due_utc: datetime | None) -> str:
    """Of when a take-along is, and until when it is to be decided by."""
    made = f"Made {words.both_words(now_utc, zone)}."
    if not plan.coming:
        return f"{made} This launch is {plan.state}: nothing is to be decided by it."
    if due_utc is not None and due_utc <= now_utc:
        due = due_utc.astimezone(zone)
        return (
            f"{made} OLD: a newer forecast was due {day_and_time(due)} local; decide nothing by "
            "this before you have looked for it."
        )
    ends = [(plan.release_utc, "the planned release")]
    if due_utc is not None:
        ends.append((due_utc, "a newer forecast is due"))
    end, why = min(ends)
    until = end.astimezone(zone)
    at = (
        f"{until:%H:%M}" if until.date() == now_utc.astimezone(zone).date() else day_and_time(until)
    )
    return f"{made} Decide nothing by it after {at} local ({why})."


def ample_words(name: str, least_min: float) -> str:
    """``clearance left: more than 29 h at every release``."""
    return f"{name} left: more than {least_min // 60.0:.0f} h at every release"


def due_words(due_utc: datetime, release_utc: datetime, zone: tzinfo) -> str:
    """``08:25``, with its day where that is not the day of the release."""
    due = due_utc.astimezone(zone)
    same = due.date() == release_utc.astimezone(zone).date()
    return f"{due:%H:%M}" if same else day_and_time(due)


def tick_words(tick: Tick, zone: tzinfo) -> str:
    """``08:26 Ada``."""
    return f"{tick.at_utc.astimezone(zone):%H:%M} {tick.by}"


def landing_lines(flight: PlannedFlight, plan: Plan, zone: tzinfo) -> tuple[str, ...]:
    """Rise, burst and landing of the planned release, middle and spread, and the drive."""
    lines = []
    if flight.time_utc != plan.release_utc:
        meant, left = (t.astimezone(zone) for t in (flight.time_utc, plan.release_utc))
        lines.append(f"Flown for a release at {meant:%H:%M}; it left at {left:%H:%M}.")
    if flight.ascent_mps is not None:
        lines.append(f"Rises {rate_words(flight.ascent_mps)}.")
    if flight.burst is not None and flight.burst_m is not None:
        height = flight.burst_m
        km = f"{height.middle / 1e3:.1f} km ({height.low / 1e3:.1f} to {height.high / 1e3:.1f})"
        lines.append(f"Bursts {span_words(flight.burst, zone)} at {km}.")
    if flight.landing is not None:
        there = words.lands_words(flight.drift_km, flight.bearing_deg, flight.road_km)
        lines.append(f"Lands {span_words(flight.landing, zone)}; {there}.")
    mark = flight.footprint
    if mark is not None:
        at = words.place_words(mark.latitude_deg, mark.longitude_deg)
        lines.append(f"Middle of the landings {at}.")
    drive = None if flight.detail is None else flight.detail.drive
    if drive is not None and drive.latitude_deg:
        at = words.place_words(drive.latitude_deg[-1], drive.longitude_deg[-1])
        lines.append(f"{words.drive_words(drive)[:-1]} to {at}.")
    return tuple(lines)


def rate_words(rate: Range) -> str:
    """``5.1 m/s (4.7 to 5.6), 1000 ft/min``."""
    feet = rate.middle / M_PER_FOOT * 60.0
    return f"{rate.middle:.1f} m/s ({rate.low:.1f} to {rate.high:.1f}), {feet:.0f} ft/min"


def span_words(span: Span, zone: tzinfo) -> str:
    """``10:52 (10:44 to 11:03)``: the middle, and what eight of ten flights keep to."""
    early, middle, late = (
        t.astimezone(zone) for t in (span.early_utc, span.middle_utc, span.late_utc)
    )
    return f"{middle:%H:%M} ({early:%H:%M} to {late:%H:%M})"


def entry_words(entry: Entry, zone: tzinfo) -> str:
    """One thing that happened to a plan: when, what, and who did it."""
    return f"{day_and_time(entry.at_utc.astimezone(zone))} {_event(entry, zone)}, {entry.by}"


def _event(entry: Entry, zone: tzinfo) -> str:
    event = entry.event
    match event:
        case p.Planned():
            return f"planned for {day_and_time(event.release_utc.astimezone(zone))}"
        case p.Moved():
            return f"moved to {day_and_time(event.release_utc.astimezone(zone))}"
        case p.Held():
            return f"hold of {length(event.wait)}"
        case p.Ticked():
            return f"done: {event.step}"
        case p.Unticked():
            return f"not done after all: {event.step}"
        case p.FillBegun():
            return "filling begun"
        case p.LiftMeasured():
            return f"{event.nozzle_lift_kg:.2f} kg measured at the neck"
        case p.Gauged():
            return f"cylinder {event.cylinder} at {gauge_words(event.pressure_pa)}"
        case p.Released():
            return f"released {event.release_utc.astimezone(zone):%H:%M}"
        case p.Scrubbed():
            return f"scrubbed{f': {event.why}' if event.why else ''}"
        case p.Done():
            return f"put away{f': {event.note}' if event.note else ''}"
