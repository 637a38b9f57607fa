"""What is said of a flight that is followed: state, last report, landing and its doubt."""

from collections.abc import Mapping
from datetime import datetime, timedelta

from windowwatch.chase.phases import FLYING, Phase, State
from windowwatch.chase.reports import Mark, Report
from windowwatch.chase.values import (
    Air,
    Begun,
    Closing,
    Doubt,
    Estimate,
    Kept,
    NoEstimate,
    Outcome,
)
from windowwatch.wording.phrases import compass, spoken_moment

PHASES: Mapping[Phase, str] = {
    Phase.WAITING: "waiting for its release",
    Phase.RISING: "rising",
    Phase.FLOATING: "floating: it neither rises nor falls",
    Phase.FALLING: "falling under its canopy",
    Phase.FALLING_FREE: "falling faster than its canopy allows",
    Phase.NEAR_GROUND: "near the ground",
    Phase.DOWN: "down",
}

MARKS: Mapping[Mark, str] = {
    Mark.USED: "used",
    Mark.NO_PLACE: "not used: it has no place",
    Mark.ZERO_ISLAND: "not used: latitude and longitude are zero, the tracker has no fix",
    Mark.CLOCK: "not used: its time cannot be; the tracker's clock is wrong",
    Mark.HEIGHT: "not used: no balloon is at that height",
    Mark.REPEATED: "not used: the same time was reported before",
    Mark.LATE: "not used: it is older than what is used already",
    Mark.IMPOSSIBLE: "not used: nothing that flies gets there from the last place so soon",
    Mark.FAR_AWAY: "not used: it is out of reach of the flight",
}

REFUSED: Mapping[NoEstimate, str] = {
    NoEstimate.WAITING: "no landing is estimated before it flies",
    NoEstimate.FLOATING: "it floats: nobody knows when it bursts, so no landing is estimated",
    NoEstimate.NO_HEIGHT: "the last report has no height; report one with a height",
    NoEstimate.OUTSIDE: "it has left the area or the time of its forecast, so no landing is "
    "estimated; go by its own track",
    NoEstimate.NOT_RISING: "with the rise that was measured most flights never burst; check the "
    "fill that the flight was begun with",
}

DOUBTS: Mapping[Doubt, str] = {
    Doubt.WIND: "wind",
    Doubt.RISE: "rate of rise",
    Doubt.BURST: "burst height",
    Doubt.CANOPY: "rate of fall",
}

#: Said of every landing; common practice, no source.
CAUTION = (
    "An estimate, no permission to enter or to climb: landowners, the law and your own safety "
    "come first. Nobody drives and reads at the same time."
)


def age_words(age: timedelta) -> str:
    """``40 s``, ``12 min``, ``3 h 05 min``."""
    seconds = max(round(age.total_seconds()), 0)
    if seconds < 120:
        return f"{seconds} s"
    minutes = seconds // 60
    if minutes < 120:
        return f"{minutes} min"
    hours, rest = divmod(minutes, 60)
    return f"{hours} h {rest:02d} min" if hours < 48 else f"{hours // 24} days"


def state_words(state: State) -> str:
    """The state of a flight in a line."""
    words = PHASES[state.phase]
    if state.rate_mps is not None and state.phase in FLYING:
        words += f", {abs(state.rate_mps):.1f} m/s {'up' if state.rate_mps > 0.0 else 'down'}"
    return f"silent; when last heard {words}" if state.silent else words


def last_words(state: State) -> str:
    """How old the last report is."""
    return "no report yet" if state.age is None else f"last report {age_words(state.age)} ago"


def line_words(estimate: Estimate | None) -> str:
    """What is said of the drawing of heights against time to who does not see it."""
    if estimate is None:
        return "Height against time, as it was reported"
    down = f"it comes down about {estimate.landing_utc:%H:%M} UTC"
    if estimate.burst_utc is None or estimate.burst_height_m is None:
        return f"Height against time: {down}"
    burst = f"burst about {estimate.burst_utc:%H:%M} UTC at {estimate.burst_height_m / 1e3:.1f} km"
    return f"Height against time: {burst}; {down}"


def place_words(latitude_deg: float, longitude_deg: float) -> str:
    """``46.01234, 7.56789``, as maps on phones take it."""
    return f"{latitude_deg:.5f}, {(longitude_deg + 180.0) % 360.0 - 180.0:.5f}"


def height_words(height_m: float | None) -> str:
    """``8200 m (26,900 ft)``."""
    if height_m is None:
        return "no height"
    feet = height_m / 0.3048
    return f"{height_m:.0f} m ({round(feet, -2 if abs(feet) >= 1000.0 else -1):,.0f} ft)"


def area_words(major_m: float, minor_m: float, bearing_deg: float) -> str:
    """``2.1 by 0.9 km, long from north-east``: full lengths of an ellipse, not half of them."""
    long_km, wide_km = 2e-3 * major_m, 2e-3 * minor_m
    if long_km < 0.1:
        return "100 m across"
    if wide_km > 0.8 * long_km:
        return f"{long_km:.1f} km across"
    return f"{long_km:.1f} by {wide_km:.1f} km, along {compass(bearing_deg)}"


def lies(estimate: Estimate) -> bool:
    """Whether it is down, and was heard on the ground: nothing is doubted any more."""
    return estimate.phase is Phase.DOWN and estimate.landing.major_90_m < 100.0


def landing_lines(estimate: Estimate) -> tuple[str, ...]:
    """Where and when it lands, and how sure that is."""
    spot = estimate.landing
    if lies(estimate):
        return (f"lies at {place_words(spot.latitude_deg, spot.longitude_deg)}",)
    lines = [
        f"lands at {place_words(spot.latitude_deg, spot.longitude_deg)}",
        f"half of all landings within {area_words(spot.major_50_m, spot.minor_50_m, spot.bearing_deg)}",  # noqa: E501
        f"nine in ten within {area_words(spot.major_90_m, spot.minor_90_m, spot.bearing_deg)}",
        f"about {spoken_moment(estimate.landing_utc, None)}, between "
        f"{estimate.landing_10_utc:%H:%M} and {estimate.landing_90_utc:%H:%M} in eight of ten",
    ]
    if estimate.burst_utc is not None and estimate.burst_height_m is not None:
        lines.append(
            f"bursts about {estimate.burst_utc:%H:%M} UTC, "
            f"at {round(estimate.burst_height_m, -2):.0f} m"
        )
    return tuple(lines)


def doubt_words(estimate: Estimate) -> str:
    """``doubt comes from wind 71 %, burst height 20 %``; what makes less than 1 % is left out."""
    parts = sorted(estimate.doubt, key=lambda each: -each[1])
    said = [f"{DOUBTS[part]} {100.0 * share:.0f} %" for part, share in parts if share >= 0.01]
    return f"doubt comes from {', '.join(said)}" if said else "nothing is doubted"


def air_words(begun: Begun) -> str:
    """With which wind a flight is followed."""
    if begun.air is Air.FORECAST:
        doubted = "" if begun.errors is None else f"; doubted as learned ({begun.errors.version})"
        return f"wind of cycle {begun.forecast}, put right by the flight's own track{doubted}"
    if begun.air is Air.AWAITED:
        return "its forecast is still to be read; until then only wind that the flight has measured"
    return "without a forecast: only wind that the flight has measured, a large doubt elsewhere"


def report_words(kept: Kept) -> str:
    """A report in a line, and whether it is used."""
    return f"{_told(kept.report)}: {MARKS[kept.mark]}"


def _told(report: Report) -> str:
    place = "no place"
    if report.latitude_deg is not None and report.longitude_deg is not None:
        place = place_words(report.latitude_deg, report.longitude_deg)
    when = f"{report.time_utc:%H:%M:%S} UTC"
    return f"{report.tracker} {when}, {place}, {height_words(report.height_m)}"


def closing_words(closing: Closing) -> str:
    """How a flight ended."""
    words = f"{closing.outcome} {spoken_moment(closing.at_utc, None)} by {closing.by}"
    if closing.latitude_deg is not None and closing.longitude_deg is not None:
        words += f" at {place_words(closing.latitude_deg, closing.longitude_deg)}"
    if closing.outcome is Outcome.RECOVERED and closing.payload:
        words += f"; payload {closing.payload}"
    return f"{words}; {closing.note}" if closing.note else words


def begun_words(begun: Begun) -> str:
    """Where and when a flight was released, as far as anybody said."""
    place = place_words(begun.latitude_deg, begun.longitude_deg)
    when = _when(begun.released_utc)
    return f"released {when}at {place}, {begun.height_m:.0f} m"


def _when(moment: datetime | None) -> str:
    return "" if moment is None else f"{spoken_moment(moment, None)} "


#: Said while an estimate by the newest report is being made.
BEHIND = "A newer report has come; this is still the estimate by the one before."


def off_words(above_m: float) -> str:
    """How far a height is from the estimated line."""
    if abs(above_m) < 50.0:
        return "as estimated"
    return f"{abs(above_m):.0f} m {'higher' if above_m > 0.0 else 'lower'} than estimated"


def apart_words(one: str, other: str, apart_m: float) -> str:
    """That two trackers cannot both be right."""
    return (
        f"{one} and {other} disagree by {apart_m / 1e3:.1f} km more than they can have flown; "
        "find out which is wrong"
    )
