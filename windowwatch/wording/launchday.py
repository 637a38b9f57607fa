"""Launch day in words: the fill now, what its lift moves, releases, what was seen. Pure.

Pressures are said as gauges show them, volumes at 15 °C and 1013.25 hPa, masses in kilograms.
"""

from collections.abc import Sequence
from datetime import datetime, timedelta, tzinfo

from windowwatch.launchday.countdown import Countdown, StepStand, StepState
from windowwatch.launchday.flight import LiftOutcome
from windowwatch.launchday.gas import DayFill
from windowwatch.launchday.plan import Plan
from windowwatch.launchday.releases import Release, ReleaseTable
from windowwatch.launchday.sighting import Correction, SeenBeside, Sighting
from windowwatch.physics.fill import GAS_CAUTIONS, STANDARD_PRESSURE_PA, SiteAir
from windowwatch.scoring.values import Verdict
from windowwatch.units import KELVIN_AT_0_C
from windowwatch.wording.checks import check_sentence, refusal_words
from windowwatch.wording.phrases import (
    compass,
    day_and_time,
    inside,
    length,
    percent,
    spoken_moment,
)


def gauge_words(pressure_pa: float) -> str:
    """``98 bar``: absolute pressure as a gauge shows it."""
    return f"{max(pressure_pa - STANDARD_PRESSURE_PA, 0.0) / 1e5:.0f} bar"


def air_words(air: SiteAir, source: str) -> str:
    """``16 °C, 1004 hPa, dew point known, by the forecast``."""
    moist = "" if air.specific_humidity else ", taken as dry"
    celsius = air.temperature_k - KELVIN_AT_0_C
    return f"{celsius:.0f} °C, {air.pressure_pa / 100.0:.0f} hPa{moist}, {source}"


def fill_lines(
    day: DayFill, air: SiteAir, source: str, *, cylinders: bool = True
) -> tuple[tuple[str, str], ...]:
    """What to do now at the cylinders: what, and how much, in the order in which it is done.

    Without `cylinders`, none are known: nothing is said of what is in them.
    """
    fill = day.fill
    lines = [
        ("Neck lift to reach", f"{fill.nozzle_lift_kg:.2f} kg on the scale at the neck"),
        ("Air", air_words(air, source)),
        ("Gas", f"{fill.standard_volume_m3:.2f} m³ of {fill.train.gas}"),
        ("Balloon then", f"{fill.diameter_m:.2f} m across, {fill.volume_m3:.2f} m³"),
    ]
    for each in day.drawn:
        out = gauge_words(each.from_pa - each.to_pa + STANDARD_PRESSURE_PA)
        words = f"{gauge_words(each.from_pa)} down to {gauge_words(each.to_pa)}: {out} out"
        lines.append((f"Cylinder {each.name}", words))
    if cylinders and day.short_m3 > 0.0:
        lines.append(("NOT ENOUGH GAS", f"{day.short_m3:.2f} m³ are missing"))
    if day.time_s is not None:
        lines.append(("Gas flows for", length(timedelta(seconds=day.time_s))))
    if cylinders:
        lines.append(("Left after it", _left(day)))
    lines.append(("Rise", f"{fill.mean_rate_mps:.1f} m/s on average in standard air"))
    lines.append(("Burst", f"about {fill.burst_height_m / 1e3:.1f} km"))
    return tuple(lines)


def _left(day: DayFill) -> str:
    """What is in the cylinders then, and for how many more fills that does."""
    tries = day.second_tries
    left = f"{day.left_m3:.1f} m³: {tries:.1f} more fills like this"
    return left if tries >= 1.0 else f"{left}, no second try"


def fill_cautions(day: DayFill) -> tuple[str, ...]:
    """What is said with every fill, the gas first."""
    return (GAS_CAUTIONS[day.fill.train.gas], *day.fill.warnings)


def lift_lines(lifts: Sequence[LiftOutcome], planned_kg: float) -> tuple[str, ...]:
    """``100 g more at the neck (2.90 kg): burst 0.2 km lower, lands 2.6 km further south-west``."""
    middle = next((each for each in lifts if abs(each.nozzle_lift_kg - planned_kg) < 1e-6), None)
    if middle is None:
        return ()
    lines = []
    for each in lifts:
        step_g = round((each.nozzle_lift_kg - planned_kg) * 1000.0)
        if step_g == 0:
            continue
        said = [
            _burst(each, middle),
            _rise(each, middle),
            _lands(each),
        ]
        more = f"{abs(step_g)} g {'more' if step_g > 0 else 'less'} at the neck"
        known = "; ".join(words for words in said if words) or "not known"
        lines.append(f"{more} ({each.nozzle_lift_kg:.2f} kg): {known}")
    return tuple(lines)


def _burst(one: LiftOutcome, middle: LiftOutcome) -> str:
    if one.burst_m is None or middle.burst_m is None:
        return ""
    km = (one.burst_m - middle.burst_m) / 1e3
    return f"burst {abs(km):.1f} km {'higher' if km > 0 else 'lower'}"


def _rise(one: LiftOutcome, middle: LiftOutcome) -> str:
    if one.flight_min is None or middle.flight_min is None:
        return ""
    minutes = round(one.flight_min - middle.flight_min)
    way = "longer" if minutes > 0 else "shorter"
    return f"flight {abs(minutes)} min {way}" if minutes else "flight as long"


def _lands(one: LiftOutcome) -> str:
    if one.moved_km is None or one.moved_bearing_deg is None:
        return ""
    return f"lands {one.moved_km:.1f} km further {compass(one.moved_bearing_deg)}"


def correction_words(change: Correction | None) -> str:
    """What measurements change in the forecast of the wind; empty where there are none."""
    if change is None:
        return ""
    parts = []
    for name, value in (("wind", change.wind_mps), ("gust", change.gust_mps)):
        sign = "+" if value >= 0 else "−"
        parts.append(f"{name} {sign}{abs(value):.1f} m/s")
    times = "measurement" if change.measured == 1 else "measurements"
    return (
        f"Wind corrected by {change.measured} {times} at the site: {', '.join(parts)}, less and "
        "less with time"
    )


def last_good_words(table: ReleaseTable, zone: tzinfo) -> str:
    """The one large time of a launch morning, in words."""
    if table.last_good_utc is None:
        return "No good release is in sight"
    words = f"Last good release {spoken_moment(table.last_good_utc, zone)}"
    last = table.rows[-1].time_utc
    return f"{words}, the last that was flown" if table.last_good_utc == last else words


def limit_words(row: Release) -> str:
    """What speaks against a release; empty where nothing does."""
    if row.vetoed is not None:
        return f"gust of {row.vetoed.gust_mps:.1f} m/s measured by {row.vetoed.by}"
    if row.refused is not None:
        return inside(refusal_words(row.refused))
    if row.limiting is None:
        return ""
    return inside(check_sentence(row.limiting))


def row_cells(row: Release, zone: tzinfo) -> tuple[str, str, str, str, str, str, str]:
    """Time, verdict, chance, landing, drive, clearance left and daylight left of a release."""
    at = row.time_utc.astimezone(zone)
    verdict = "not known" if row.verdict is Verdict.UNKNOWN else str(row.verdict)
    return (
        f"{at:%H:%M}",
        verdict,
        "–" if row.chance is None else percent(row.chance),
        _moved(row),
        _minutes(row.crew_after_min),
        _minutes(row.clearance_left_min),
        _minutes(row.daylight_left_min),
    )


#: Short names of the eight points of the compass, for tables.
_SHORT = dict(
    zip(
        ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west"),
        ("N", "NE", "E", "SE", "S", "SW", "W", "NW"),
        strict=True,
    )
)


def _moved(row: Release) -> str:
    if row.moved_km is None or row.moved_bearing_deg is None:
        return "–"
    if row.moved_km < 1.0:
        return "same"
    return f"{row.moved_km:.0f} km {_SHORT[compass(row.moved_bearing_deg)]}"


def _minutes(value: float | None) -> str:
    """``1:12 h``, ``−0:08 h``; a dash where it is not asked or not known."""
    if value is None:
        return "–"
    hours, minutes = divmod(abs(round(value)), 60)
    return f"{'−' if round(value) < 0 else ''}{hours}:{minutes:02d} h"


def step_words(each: StepStand, zone: tzinfo) -> str:
    """One step with when it is due, or who did it and when."""
    due = each.due_utc.astimezone(zone)
    other_day = due.date() != (each.due_utc + each.step.before).astimezone(zone).date()
    at = day_and_time(due) if other_day else f"{due:%H:%M}"
    who = f" ({each.step.who})" if each.step.who else ""
    if each.tick is not None:
        done = each.tick.at_utc.astimezone(zone)
        return f"{at} {each.step.text}{who}: done {done:%H:%M}, {each.tick.by}"
    must = "" if each.step.must else ", may be left out"
    late = " OVERDUE" if each.state is StepState.OVERDUE else ""
    return f"{at}{late} {each.step.text}{who}{must}"


def countdown_words(count: Countdown) -> str:
    """``T minus 1 h 12 min``, ``T plus 3 min``."""
    way = "minus" if count.to_release >= timedelta(0) else "plus"
    return f"T {way} {length(count.to_release)}"


def plan_words(plan: Plan, zone: tzinfo) -> str:
    """``plan 1, Millfield: held until 09:20, release Thu 7 09:40 local (11:40 UTC)``."""
    state = str(plan.state)
    if plan.held_until_utc is not None and state == "held":
        state += f" until {plan.held_until_utc.astimezone(zone):%H:%M}"
    verb = "left" if plan.released_utc is not None else "release"
    at = spoken_moment(plan.release_utc, zone)
    return f"plan {plan.key}, {plan.site}: {state}, {verb} {at}"


def seen_words(seen: Sighting, zone: tzinfo) -> str:
    """What was seen, with who said so and when."""
    warmth = seen.temperature_k
    parts = [
        _value("wind", seen.wind_mps, "m/s"),
        _value("from", seen.wind_from_deg, "°", 0),
        _value("gust", seen.gust_mps, "m/s"),
        "" if seen.cloud_oktas is None else f"cloud {seen.cloud_oktas} of 8",
        _value("ceiling", seen.ceiling_m, "m", 0),
        "" if seen.visibility_m is None else f"visibility {seen.visibility_m / 1e3:.1f} km",
        "" if warmth is None else f"air {warmth - KELVIN_AT_0_C:.0f} °C",
    ]
    words = ", ".join(part for part in parts if part)
    return f"{seen.at_utc.astimezone(zone):%H:%M} {seen.site}: {words} ({seen.by})"


def beside_words(each: SeenBeside, zone: tzinfo) -> str:
    """What was seen, and what the forecast had for that minute."""
    said = [
        _value("wind", each.wind_mps, "m/s"),
        _value("gust", each.gust_mps, "m/s"),
    ]
    words = ", ".join(part for part in said if part) or "nothing of the wind"
    return f"{seen_words(each.seen, zone)}; forecast: {words}"


def _value(name: str, value: float | None, unit: str, digits: int = 1) -> str:
    return "" if value is None else f"{name} {value:.{digits}f} {unit}"


def table_age_words(table: ReleaseTable, now_utc: datetime) -> str:
    """By which forecast and how long ago a table was made."""
    age = now_utc - table.made_utc
    return f"flown {length(age)} ago by cycle {table.cycle_id}"
