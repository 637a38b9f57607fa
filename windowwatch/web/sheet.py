"""The launch-day sheet of a window: one page of paper to take along. Pure."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import timedelta

from windowwatch.errors import InputError
from windowwatch.physics.atmosphere import standard_atmosphere
from windowwatch.physics.fill import SiteAir, fill_for_lift
from windowwatch.physics.train import FlightTrain, Gas
from windowwatch.scoring.values import Hour, Part, Site, Verdict
from windowwatch.web import words
from windowwatch.web.hourview import CheckRow, check_row
from windowwatch.web.listing import WindowRow, window_row
from windowwatch.web.mapview import MapView, draw, place_words
from windowwatch.web.timeline import timeline
from windowwatch.web.values import Facts
from windowwatch.windows.values import Window

#: Launch hours on the sheet, and how long after the window's end it still looks.
MOST_HOURS = 13
AFTER = timedelta(hours=2)

CAUTIONS = {
    Gas.HYDROGEN: (
        "Hydrogen: nearly invisible flame, lit by the faintest spark. Ventilate, bond and earth; "
        "no flames, phones or bystanders near the fill."
    ),
    Gas.HELIUM: "Helium displaces the air you breathe: ventilate, and never breathe it.",
}


@dataclass(frozen=True)
class Slip:
    """A launch hour: what a release then would mean; `over` when the window has ended."""

    clock: str
    mark: str
    verdict: str
    score: str
    chance: str
    place: str
    lands: str
    landing: str
    best: bool
    over: bool


@dataclass(frozen=True)
class Sheet:
    """The whole sheet. `later_checks` are those of flight, landing and recovery not at go."""

    row: WindowRow
    zone: str
    best: str
    times: tuple[tuple[str, str], ...]
    fill: tuple[tuple[str, str], ...]
    fill_notes: tuple[str, ...]
    release_checks: tuple[CheckRow, ...]
    later_checks: tuple[CheckRow, ...]
    drawing: MapView | None
    place: str
    slips: tuple[Slip, ...]
    dues: tuple[tuple[str, str], ...]
    caution: str


def sheet(facts: Facts, site: Site, window: Window, hours: Sequence[Hour]) -> Sheet | None:
    """Everything for the day, about the window's best hour.

    Parameters
    ----------
    facts : Facts
    site : Site
    window : Window
    hours : sequence of Hour
        Of the site, by the newest cycle.

    Returns
    -------
    Sheet or None
        None when the newest cycle does not look at the window's best hour any more.
    """
    best = next((h for h in hours if h.time_utc == window.best_hour_utc), None)
    if best is None:
        return None
    mark = best.footprint
    rows, notes = _fill(facts.train, site, best)
    near = [h for h in hours if window.start_utc <= h.time_utc < window.end_utc + AFTER]
    stride = -(-len(near) // MOST_HOURS)  # shorter steps than an hour are thinned out
    return Sheet(
        row=window_row(window, {site.name: site}),
        zone=site.time_zone,
        best=words.moment_words(best.time_utc, words.zone_of(site)),
        times=timeline(best, site, facts.plan).said,
        fill=rows,
        fill_notes=notes,
        release_checks=tuple(check_row(c) for c in best.checks if c.part is Part.RELEASE),
        later_checks=tuple(
            check_row(c)
            for c in best.checks
            if c.part is not Part.RELEASE and c.verdict is not Verdict.GO
        ),
        drawing=None if mark is None else draw(site, mark, facts.ground),
        place="" if mark is None else place_words(mark.latitude_deg, mark.longitude_deg),
        slips=tuple(_slips(near[:: max(1, stride)], site, window)),
        dues=tuple(
            (d.name, words.moment_words(due, words.zone_of(site))) for d, due in facts.due(window)
        ),
        caution="" if facts.train is None else CAUTIONS[facts.train.gas],
    )


def _slips(hours: Iterable[Hour], site: Site, window: Window) -> Iterable[Slip]:
    zone = words.zone_of(site)
    for hour in hours:
        mark = hour.footprint
        landing = hour.landing_utc
        yield Slip(
            clock=f"{hour.time_utc.astimezone(zone):%H:%M}",
            mark=words.MARKS[hour.verdict],
            verdict=str(hour.verdict),
            score=words.score_words(hour.score),
            chance=words.chance_words(hour.chance),
            place="–" if mark is None else place_words(mark.latitude_deg, mark.longitude_deg),
            lands=words.lands_words(hour.drift_km, hour.bearing_deg).removeprefix("lands "),
            landing="–" if landing is None else f"{landing.astimezone(zone):%H:%M}",
            best=hour.time_utc == window.best_hour_utc,
            over=hour.time_utc >= window.end_utc,
        )


def _fill(
    train: FlightTrain | None, site: Site, hour: Hour
) -> tuple[tuple[tuple[str, str], ...], tuple[str, ...]]:
    """The fill for standard air at the site, and what is to be said of it."""
    if train is None:
        return (), ()
    standard = standard_atmosphere(site.height_m)
    air = SiteAir(float(standard.pressure_pa), float(standard.temperature_k))
    wind = next((c.value for c in hour.checks if c.name == "wind" and c.unit == "m/s"), None)
    try:
        fill = fill_for_lift(train, train.nozzle_lift_kg, air, surface_wind_mps=wind)
    except InputError as error:
        return (), (error.message,)
    return (
        ("nozzle lift, on the scale", f"{fill.nozzle_lift_kg:.2f} kg"),
        ("free lift", f"{train.free_lift_kg:.2f} kg"),
        ("gas", f"{train.gas}, {fill.standard_volume_m3:.1f} m³ at 15 °C, 1013 hPa"),
        ("balloon when filled", f"{fill.diameter_m:.2f} m across"),
        ("rate of rise", f"{fill.release_rate_mps:.1f} m/s at release"),
        ("burst", f"about {fill.burst_height_m / 1000.0:.1f} km"),
    ), fill.warnings
