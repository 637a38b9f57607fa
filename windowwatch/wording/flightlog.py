"""What is said of logged flights: rise, burst, fall, landing, forecasts, and what they teach."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from math import exp
from statistics import median

from windowwatch.chase.flown import (
    Flown,
    LandingBy,
    Measured,
    Odd,
    Oddity,
    Rate,
    SaidBefore,
)
from windowwatch.chase.logbook import Logged, Note, NoteKind
from windowwatch.chase.values import Air, Closing, Outcome
from windowwatch.learning.balloons import Course, Step, TrainLine, Trait
from windowwatch.wording.chase import area_words, height_words, place_words
from windowwatch.wording.page import SIGNS
from windowwatch.wording.phrases import compass, percent, written

LANDINGS: Mapping[LandingBy, str] = {
    LandingBy.FOUND: "where it was found",
    LandingBy.AT_REST: "where its tracker came to rest",
    LandingBy.LAST_HEARD: "where it was last heard, low down",
}

TRAITS: Mapping[Trait, tuple[str, str]] = {
    Trait.BURST: ("burst diameter", "m"),
    Trait.DRAG: ("drag factor of the balloon", ""),
    Trait.CANOPY: ("drag coefficient of the canopy", ""),
}

#: Said below every table of forecasts against a landing.
WITH_THE_FILL = (
    "An error is of forecast and fill together: each hour was flown with the train of the "
    "settings, from the nearest full launch hour."
)
#: Said with settings that flights teach.
TRAIN_CAUTION = (
    "Nothing is changed by this. Fill by the scale at the neck; what a maker says of a balloon's "
    "largest lift stays a limit."
)


OUTCOMES: Mapping[Outcome, str] = {
    Outcome.RECOVERED: "recovered",
    Outcome.GIVEN_UP: "given up",
    Outcome.OVER: "over, recovery not noted",
}

#: Signs of a map that stand for a forecast's area.
SIGNS_OF_AREA = (SIGNS["centre"], SIGNS["in_50"], SIGNS["in_90"])
NO_AREA = "No area was noted as announced, and no stored forecast has that hour."
#: On the map, beside the area that was announced.
ANNOUNCED_LABEL = "announced"
#: Said at the foot of a report.
MEASURED_SO = (
    "Places and heights are those of the flight's own trackers, heights above mean sea level; "
    "times are UTC."
)
SEASON_COLUMNS = (
    "flight", "released, UTC", "lift, kg", "rise, m/s", "burst, km", "fall, m/s", "drift, km",
    "forecast", "error, km", "in 90 %", "ended",
)  # fmt: skip


def kit_words(logged: Logged) -> str:
    """``1.2 kg balloon with hydrogen, canopy 1.28 m²``, with their names where they have some."""
    train = logged.flight.begun.train
    balloon, canopy = logged.text(NoteKind.BALLOON), logged.text(NoteKind.PARACHUTE)
    named = f" ({balloon})" if balloon else ""
    other = f" ({canopy})" if canopy else ""
    return (
        f"{train.balloon_mass_kg:g} kg balloon{named} with {train.gas}, payload "
        f"{train.payload_mass_kg:g} kg, canopy {train.parachute_area_m2:g} m²{other}"
    )


def lift_words(logged: Logged) -> str:
    """The lift at the neck, and whether the scale was read."""
    note, made = logged.noted(NoteKind.LIFT), logged.made
    lift = logged.flight.begun.train.nozzle_lift_kg if note is None else note.number or 0.0
    if made is None:
        return f"{lift:.2f} kg"
    if not made.flown.lift_measured:
        return f"{lift:.2f} kg as planned; nobody noted what the scale showed"
    return f"{lift:.2f} kg measured"


def when(moment: datetime | None) -> str:
    """A moment in UTC, or that it is not known."""
    return "not known" if moment is None else written(moment, moment)


def ended_words(closing: Closing) -> str:
    """How a flight ended, with the day written out."""
    words = f"{OUTCOMES[closing.outcome]}, {when(closing.at_utc)}, by {closing.by}"
    if closing.latitude_deg is not None and closing.longitude_deg is not None:
        words += f", at {place_words(closing.latitude_deg, closing.longitude_deg)}"
    words += f"; payload {closing.payload}" if closing.payload else ""
    return f"{words}; {closing.note}" if closing.note else words


def burst_words(flown: Flown, *, with_time: bool = True) -> str:
    """Height, place and time of the burst."""
    if flown.burst_height_m is None or flown.burst_utc is None:
        return f"not seen; highest report {height_words(flown.highest_m)}"
    words = height_words(round(flown.burst_height_m, -1))
    if flown.burst_height_sigma_m is not None:
        words += f", ± {max(round(flown.burst_height_sigma_m, -1), 10):.0f} m"
    if flown.burst_latitude_deg is not None and flown.burst_longitude_deg is not None:
        words += f", {place_words(flown.burst_latitude_deg, flown.burst_longitude_deg)}"
    return f"{words}, {when(flown.burst_utc)}" if with_time else words


def landing_words(flown: Flown, *, with_time: bool = True) -> str:
    """Place of the landing, how it is known, and when."""
    spot = flown.landing
    if spot is None or flown.landing_by is None:
        return "not known"
    words = f"{place_words(*spot)}, {LANDINGS[flown.landing_by]}"
    timed = with_time and flown.landing_utc is not None
    return f"{words}, {when(flown.landing_utc)}" if timed else words


def drift_words(flown: Flown) -> str:
    """``61 km to the east``."""
    if flown.drift_m is None or flown.bearing_deg is None:
        return "not known"
    return f"{flown.drift_m / 1e3:.1f} km towards {compass(flown.bearing_deg)}"


def rate_words(rate: Rate) -> str:
    """``4.4 to 9.8 km: 5.1 m/s, reckoned 5.0``."""
    said = "not reckoned" if rate.reckoned_mps is None else f"reckoned {rate.reckoned_mps:.1f}"
    return (
        f"{rate.low_m / 1e3:.1f} to {rate.high_m / 1e3:.1f} km: {rate.measured_mps:.1f} m/s, {said}"
    )


def bare_rates(rates: tuple[Rate, ...]) -> tuple[str, ...]:
    """``0.4 to 5.1 km 5.1 m/s``, as it was."""
    return tuple(
        f"{r.low_m / 1e3:.1f} to {r.high_m / 1e3:.1f} km {r.measured_mps:.1f} m/s" for r in rates
    )


def error_row(lead_h: float, model: str, found: Sequence[SaidBefore]) -> tuple[str, ...]:
    """Landing errors of some flights at a lead, in columns."""
    errors = [each.error_m / 1e3 for each in found if each.error_m is not None]
    held = sum(bool(each.inside_90) for each in found)
    return (
        lead_words(lead_h), model, str(len(errors)), f"{median(errors):.1f}",
        f"{max(errors):.1f}", f"{held} of {len(found)}",
    )  # fmt: skip


def mean_rate(rates: tuple[Rate, ...]) -> float | None:
    """Mean of a leg by height. [m s⁻¹]"""
    took = sum((rate.high_m - rate.low_m) / rate.measured_mps for rate in rates)
    return sum(rate.high_m - rate.low_m for rate in rates) / took if took > 0.0 else None


def speed_words(rate_mps: float | None) -> str:
    """A rate, or that it is not known."""
    return "not known" if rate_mps is None else f"{rate_mps:.1f} m/s"


def measured_of(flown: Flown) -> tuple[tuple[Trait, Measured | None], ...]:
    """Traits in the order in which they are told."""
    return (Trait.BURST, flown.burst), (Trait.DRAG, flown.drag), (Trait.CANOPY, flown.canopy)


def trait_words(trait: Trait, measured: Measured | None) -> str:
    """``burst diameter 8.10 m ± 2 %; the fill said 8.63 m ± 6 %``."""
    name, unit = TRAITS[trait]
    if measured is None:
        return f"{name}: not measured"
    unit = f" {unit}" if unit else ""
    return (
        f"{name} {exp(measured.log_value):.2f}{unit} ± {_percent(measured.sigma)}; begun with "
        f"{exp(measured.expected):.2f}{unit} ± {_percent(measured.expected_sigma)}"
    )


def _percent(share: float) -> str:
    return f"{100.0 * share:.0f} %"


def implied_words(flown: Flown) -> str:
    """What lift the rise is of."""
    if flown.lift_kg is None:
        return ""
    return f"it rose as with {flown.lift_kg:.2f} kg at the neck, if its drag was as reckoned"


def air_words(flown: Flown) -> str:
    """With which air rates are reckoned."""
    if flown.air is Air.FORECAST:
        return "reckoned with the forecast's air"
    return "reckoned with the standard atmosphere, for want of a forecast: 4 % of density in doubt"


def odd_words(oddity: Oddity) -> str:
    """What was not as it should be."""
    value = oddity.value or 0.0
    return {
        Odd.FLOATED: "it floated",
        Odd.FELL_FREE: "it fell without an open canopy",
        Odd.SILENT: f"nothing was heard of it for {value:.0f} min",
        Odd.BURST: f"it burst at {value:.2f} m, outside what was expected",
        Odd.RISE: f"its rise is of a drag factor of {value:.2f}, outside what was expected",
        Odd.FALL: f"its fall is of a canopy's drag coefficient of {value:.2f}, outside what was "
        "expected",
    }[oddity.odd]


def irregular_lines(logged: Logged) -> tuple[str, ...]:
    """What was irregular: by people first, then by the track."""
    said = [f"{n.text} ({n.by}, {when(n.at_utc)})" for n in logged.irregularities]
    if logged.made is not None:
        said += [f"{odd_words(each)} (by its track)" for each in logged.made.flown.odd]
    return tuple(said)


def lead_words(lead_h: float) -> str:
    """``12 h``, ``3 d 4 h``."""
    hours = round(lead_h)
    if hours < 48:
        return f"{hours} h"
    return f"{hours // 24} d {hours % 24} h" if hours % 24 else f"{hours // 24} d"


def error_words(said: SaidBefore) -> str:
    """How far off a cycle was, and whether it landed in its areas."""
    if said.error_m is None:
        return "no landing was said" if said.area is None else "the landing is not known"
    inside = "inside the 50 % area" if said.inside_50 else "inside the 90 % area"
    held = inside if said.inside_90 or said.inside_50 else "outside both areas"
    return f"{said.error_m / 1e3:.1f} km off, {held}"


def said_words(said: SaidBefore) -> str:
    """What one cycle had said, in a line."""
    chance = "" if said.chance is None else f", chance {percent(said.chance)}"
    return (
        f"{lead_words(said.lead_h)} before ({said.cycle_id}): {said.verdict}{chance}; "
        f"{error_words(said)}"
    )


def step_words(course: Course, step: Step) -> str:
    """How a flight moved what is believed of a trait."""
    name, unit = TRAITS[course.trait]
    unit = f" {unit}" if unit else ""
    if step.weight == 0.0:
        return f"{name} ({course.kind}): too doubtful to teach anything"
    before, after = step.before, step.after
    return (
        f"{name} ({course.kind}): {exp(before.mean):.2f} ± {_percent(before.mean_sigma)} became "
        f"{exp(after.mean):.2f}{unit} ± {_percent(after.mean_sigma)}, next flight ± "
        f"{_percent(after.next_sigma)}"
    )


def step_lines(key: str, courses: Iterable[Course]) -> tuple[str, ...]:
    """How one flight moved all that is believed."""
    return tuple(
        step_words(course, step)
        for course in courses
        for step in course.steps
        if step.flight == key
    )


def train_settings(lines: Iterable[TrainLine]) -> tuple[str, ...]:
    """Lines for the table of the train, each with its doubt; TOML that can be put in as it is."""
    said = []
    for line in lines:
        flights = "1 flight" if line.flights == 1 else f"{line.flights} flights"
        said += [
            f"{line.key} = {line.value:.3g}  # {line.now:.3g} is set; known to "
            f"{_percent(line.value_sigma)} by {flights} ({line.kind})",
            f"{line.sigma_key} = {line.sigma:.2g}  # {line.sigma_now:.2g} is set; doubt of the "
            "next flight",
        ]
    return tuple(said)


def log_words(logged: Logged) -> str:
    """A flight in a line of the log."""
    begun, made = logged.flight.begun, logged.made
    if made is None:
        return f"{begun.name}: {logged.why or 'nothing was made of it yet'}"
    flown = made.flown
    top = flown.burst_height_m
    burst = "burst not seen" if top is None else f"burst {top / 1e3:.1f} km"
    words = f"{begun.name}, {when(flown.released_utc)}: {burst}, landed {drift_words(flown)}"
    if flown.landing is None:
        words = f"{begun.name}, {when(flown.released_utc)}: {burst}, landing not known"
    best = made.forecast
    if best is not None and best.error_m is not None:
        words += f"; forecast {lead_words(best.lead_h)} before: {error_words(best)}"
    return words


def log_lines(logged: Logged, courses: Iterable[Course]) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """A logged flight in full: headings, each with its lines."""
    end, made = logged.flight.closing, logged.made
    first = [kit_words(logged), f"lift at the neck: {lift_words(logged)}"]
    first += ["it is not closed yet" if end is None else ended_words(end)]
    source = logged.text(NoteKind.SOURCE)
    first += [f"imported from {source}"] if source else []
    if made is None:
        return (("flight", (*first, logged.why or "nothing was made of it yet")),)
    flown = made.flown
    left = logged.text(NoteKind.LEFT_OUT)
    taught = (f"left out: {left}",) if left else step_lines(logged.flight.key, courses)
    said = tuple(said_words(each) for each in made.said)
    return (
        ("flight", (*first, f"released {when(flown.released_utc)}")),
        ("rise", tuple(map(rate_words, flown.rises)) or ("not measured",)),
        ("burst", (burst_words(flown),)),
        ("fall", tuple(map(rate_words, flown.falls)) or ("not measured",)),
        ("landing", (landing_words(flown), f"drift {drift_words(flown)}")),
        ("fill", (*(trait_words(*each) for each in measured_of(flown)),
                  *filter(None, [implied_words(flown)]), air_words(flown))),
        ("what it teaches", taught or ("nothing",)),
        ("what forecasts had said", (*said, WITH_THE_FILL) if said else
         ("no stored cycle has that site and hour",)),
        ("irregularities", irregular_lines(logged) or ("none noted",)),
    )  # fmt: skip


def announced_words(note: Note, away_m: float | None) -> str:
    """The area that was announced, and whether it landed there."""
    radius = (note.number or 0.0) / 1e3
    place = place_words(note.latitude_deg or 0.0, note.longitude_deg or 0.0)
    said = f"Announced: {radius:.1f} km about {place}."
    if away_m is None:
        return f"{said} The landing is not known."
    where = "inside" if away_m <= 1e3 * radius else "OUTSIDE"
    return f"{said} It landed {where}, {away_m / 1e3:.1f} km from the middle."


def forecast_area_words(said: SaidBefore) -> str:
    """The area of the last forecast before the release."""
    area = said.area
    if area is None:
        return ""
    size = area_words(area.major_90_m, area.minor_90_m, area.bearing_deg)
    return (
        f"By the last forecast, {lead_words(said.lead_h)} before the release ({said.cycle_id}): "
        f"nine in ten landings within {size}. The landing was {error_words(said)}."
    )


def course_words(course: Course) -> str:
    """What is believed of a trait now."""
    name, unit = TRAITS[course.trait]
    unit = f" {unit}" if unit else ""
    last = course.last
    flights = "1 flight" if last.flights == 1 else f"{last.flights} flights"
    return (
        f"{name} ({course.kind}): {exp(last.mean):.2f}{unit} ± {_percent(last.mean_sigma)} by "
        f"{flights}; before the first {exp(course.first.mean):.2f}{unit} ± "
        f"{_percent(course.first.mean_sigma)}; next flight ± {_percent(last.next_sigma)}"
    )


def few_words(flights: int) -> str:
    """That there are few flights."""
    return f"Only {flights} flight{'' if flights == 1 else 's'}: every share and middle here is a hint, not a rule."  # noqa: E501


def season_lead(log: Sequence[Logged]) -> str:
    """The season in a sentence."""
    if not log:
        return "No flight yet."
    ends = [each.flight.closing for each in log]
    found = sum(end is not None and end.outcome is Outcome.RECOVERED for end in ends)
    made = [each.made for each in log if each.made is not None]
    judged = [m.forecast for m in made if m.forecast is not None and m.forecast.error_m is not None]
    words = f"{len(log)} flight{'' if len(log) == 1 else 's'}, {found} recovered"
    if judged:
        held = sum(bool(each.inside_90) for each in judged)
        words += f"; {held} of {len(judged)} landed inside the 90 % area of the last forecast"
    return f"{words}."


def season_row(logged: Logged) -> tuple[str, ...]:
    """A flight in the columns of `SEASON_COLUMNS`; a dash is not known."""
    begun, end, made = logged.flight.begun, logged.flight.closing, logged.made
    ended = "open" if end is None else OUTCOMES[end.outcome].partition(",")[0]
    note = logged.noted(NoteKind.LIFT)
    lift = begun.train.nozzle_lift_kg if note is None else note.number or 0.0
    if made is None:
        bare = (f"{begun.begun_utc:%Y-%m-%d %H:%M}", f"{lift:.2f}", *["–"] * 7)
        return (begun.name, *bare, ended)
    flown, best = made.flown, made.forecast
    top, drift = flown.burst_height_m, flown.drift_m
    error = None if best is None or best.error_m is None else best.error_m / 1e3
    inside = None if best is None else best.inside_90
    return (
        begun.name,
        f"{flown.released_utc:%Y-%m-%d %H:%M}",
        f"{lift:.2f}{'' if flown.lift_measured else ' planned'}",
        _number(mean_rate(flown.rises)),
        _number(None if top is None else top / 1e3),
        _number(flown.landing_mps),
        _number(None if drift is None else drift / 1e3),
        "–" if best is None else f"{lead_words(best.lead_h)} before",
        _number(error),
        "–" if inside is None else "yes" if inside else "no",
        ended,
    )


def _number(value: float | None) -> str:
    return "–" if value is None else f"{value:.1f}"
