"""The launch-day sheet of a window: one page of paper to take along. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta, tzinfo

import numpy as np

from windowwatch.drawing.hour_map import MapView, Shape, draw
from windowwatch.errors import InputError
from windowwatch.physics.atmosphere import standard_atmosphere
from windowwatch.physics.fill import Cylinders, SiteAir, fill_for_lift, fill_time_s
from windowwatch.scoring.values import Drive, Hour, HourDetail, Part, Site, Verdict
from windowwatch.units import KELVIN_AT_0_C
from windowwatch.web.draw.timeline import timeline
from windowwatch.web.pages.hourview import CheckRow, check_row
from windowwatch.web.pages.listing import WindowRow, window_row
from windowwatch.web.values import Contact, Facts
from windowwatch.windows.causes import Hold
from windowwatch.windows.holds import hold_table
from windowwatch.windows.standing import Launch
from windowwatch.windows.values import Window
from windowwatch.wording import cautions
from windowwatch.wording import page as words
from windowwatch.wording.credits import NO_PERMISSION
from windowwatch.wording.phrases import compass, length
from windowwatch.wording.standing import clock_words, until_words

#: Launch hours on the sheet, and how long after the window's end it still looks.
MOST_HOURS = 13
AFTER = timedelta(hours=2)
#: Lines beyond which a column is set smaller.
MOST_LEFT, MOST_RIGHT = 18, 12
#: Lines of the right column up to which the fields to write into have room below them.
MOST_SHORT = 9

#: The map on paper: wide enough for its names to be read.
_PAPER = Shape("paper", 420.0, 250.0, 300.0)
#: A landing that moves by less than this is told as staying. [km]
_SAME_PLACE_KM = 1.0


@dataclass(frozen=True)
class Slip:
    """A launch hour: what a release then would mean.

    `first_over` marks the first after the window's end.

    `wait` is counted from the planned release, and so is `moved`. `planned` marks that one.
    """

    clock: str
    wait: str
    mark: str
    verdict: str
    score: str
    chance: str
    place: str
    moved: str
    landing: str
    planned: bool
    first_over: bool


@dataclass(frozen=True)
class CrewRow:
    """From where somebody may drive: how long, when to leave to be there first, and when there.

    `there` is for leaving with the release.
    """

    start: str
    way: str
    leave_by: str
    there: str


@dataclass(frozen=True)
class Sheet:
    """The whole sheet. `later_checks` are those of flight, landing and recovery not at go."""

    uid: str
    row: WindowRow
    zone: str
    planned: str
    times: tuple[tuple[str, str], ...]
    fill: tuple[tuple[str, str], ...]
    fill_air: str
    fill_notes: tuple[str, ...]
    release_checks: tuple[CheckRow, ...]
    later_checks: tuple[CheckRow, ...]
    drawing: MapView | None
    spoken: str
    place: str
    drive: str
    crews: tuple[CrewRow, ...]
    tired: str
    slips: tuple[Slip, ...]
    slip_step: str
    dues: tuple[tuple[str, str], ...]
    contacts: tuple[Contact, ...]
    caution: str
    care: str
    as_planned: bool

    @property
    def blanks_left(self) -> bool:
        """Whether the fields to write into stand on the left: where the right is full."""
        return len(self.slips) + len(self.crews) + len(self.contacts) > MOST_SHORT

    @property
    def dense(self) -> bool:
        """Whether there is so much that it must be set small to stay on one page."""
        left = len(self.release_checks) + len(self.later_checks) + 2 * len(self.dues)
        left += 2 * len(self.fill_notes) + (4 if self.blanks_left else 0)
        right = len(self.slips) + len(self.contacts) + len(self.crews)
        right += (2 if self.tired else 0) + (0 if self.blanks_left else 4)
        return left > MOST_LEFT or right > MOST_RIGHT


def sheet(
    facts: Facts,
    site: Site,
    window: Window,
    hours: Sequence[Hour],
    *,
    launch: Launch | None = None,
    detail: HourDetail | None = None,
    with_contacts: bool = True,
) -> Sheet | None:
    """Everything for the day, about the window's planned hour.

    Parameters
    ----------
    facts : Facts
    site : Site
    window : Window
    hours : sequence of Hour
        Of the site, by the newest cycle.
    launch : Launch, optional
        What the window offers now, where it can still be used: once the planned hour has gone
        by, the sheet is about the best hour still to come.
    detail : HourDetail, optional
        What that hour is drawn with.
    with_contacts : bool
        Whether phone numbers are for this reader.

    Returns
    -------
    Sheet or None
        None when the newest cycle does not look at that hour any more.
    """
    planned_utc = window.best_hour_utc if launch is None else launch.time_utc
    best = next((h for h in hours if h.time_utc == planned_utc), None)
    if best is None:
        return None
    mark, zone = best.footprint, words.zone_of(site)
    drive = None if detail is None else detail.drive
    rows, notes = _fill(facts, site, best, detail)
    crews = _crews(facts, site, detail)
    return Sheet(
        uid=window.uid,
        row=window_row(window, {site.name: site}, launch=launch),
        zone=site.time_zone,
        planned=words.moment_words(best.time_utc, zone),
        # When crews leave and arrive is in a table of its own.
        times=timeline(best, site, facts.plan, drive=None if crews else drive).said,
        fill=rows,
        fill_air=_air_words(site, detail),
        fill_notes=notes,
        release_checks=tuple(check_row(c) for c in best.checks if c.part is Part.RELEASE),
        later_checks=tuple(
            check_row(c)
            for c in best.checks
            if c.part is not Part.RELEASE and c.verdict is not Verdict.GO
        ),
        drawing=(
            None
            if mark is None
            else draw(site, mark, facts.ground, detail=detail, zones=facts.zones, shape=_PAPER)
        ),
        spoken="" if mark is None else words.map_words(site, mark, detail),
        place="" if mark is None else words.place_words(mark.latitude_deg, mark.longitude_deg),
        drive=_drive_words(drive, best, zone),
        crews=tuple(_crew_row(start, way, best, zone) for start, way in crews),
        tired=cautions.tired_words(crews),
        slips=_slips(hours, best, window, zone),
        slip_step=words.length_words(facts.step),
        dues=tuple((d.name, words.moment_words(due, zone)) for d, due in facts.due(window)),
        contacts=tuple(
            each for each in facts.contacts if with_contacts and _is_for(each, site.name)
        ),
        caution=cautions.gas_words(facts.train),
        care=(f"{cautions.FALLING} {cautions.DRIVING} {cautions.PRIVATE_LAND} {NO_PERMISSION}"),
        as_planned=best.time_utc == window.best_hour_utc,
    )


def _is_for(contact: Contact, site: str) -> bool:
    return contact.sites is None or site in contact.sites


def _drive_words(drive: Drive | None, hour: Hour, zone: tzinfo) -> str:
    """Where the crew that is there first drives, how long, and by when it must leave."""
    if drive is None or not drive.latitude_deg:
        return "No drive is known: find the way on the map before the release."
    way = timedelta(minutes=drive.minutes)
    at = words.place_words(drive.latitude_deg[-1], drive.longitude_deg[-1])
    said = f"From {drive.start} {length(way)} by road to {at}"
    if hour.landing_utc is not None:
        leave = clock_words(hour.landing_utc - way, hour.time_utc, zone)
        said += f"; leave by {leave} to be there before it"
    return f"{said}."


def _crews(
    facts: Facts, site: Site, detail: HourDetail | None
) -> tuple[tuple[str, timedelta], ...]:
    """Every place from which somebody may drive, and how long that takes, the nearest first."""
    drive = None if detail is None else detail.drive
    ground = facts.ground
    if detail is None or detail.track is None or ground.rasters is None:
        known = [] if drive is None else [(drive.start, timedelta(minutes=drive.minutes))]
        return tuple(known)
    rasters, track = ground.rasters, detail.track
    (unit,) = rasters.units(np.array(track.latitude_deg[-1:]), np.array(track.longitude_deg[-1:]))
    ways = {name: rasters.way([name], unit) for name in dict.fromkeys((site.name, *ground.crews))}
    plain = {name: way.time_s for name, way in ways.items() if way is not None}
    factor = facts.plan.drive_factor
    found = [(name, timedelta(seconds=factor * time_s)) for name, time_s in plain.items()]
    return tuple(sorted(found, key=lambda each: each[1]))


def _crew_row(start: str, way: timedelta, hour: Hour, zone: tzinfo) -> CrewRow:
    landing, release = hour.landing_utc, hour.time_utc
    return CrewRow(
        start=start,
        way=length(way),
        leave_by="–" if landing is None else clock_words(landing - way, release, zone),
        there=clock_words(release + way, release, zone),
    )


def _slips(hours: Sequence[Hour], best: Hour, window: Window, zone: tzinfo) -> tuple[Slip, ...]:
    """Releases from the window's start until a while after its end, with the planned one."""
    table = hold_table(hours, window, min(window.start_utc, best.time_utc))
    holds = {} if table is None else {row.time_utc: row for row in (table.planned, *table.rows)}
    near = [h for h in hours if window.start_utc <= h.time_utc < window.end_utc + AFTER]
    stride = max(1, -(-len(near) // MOST_HOURS))  # shorter steps than an hour are thinned out
    at = next((i for i, h in enumerate(near) if h.time_utc == best.time_utc), 0)
    chosen = near[at % stride :: stride]
    over = next((h.time_utc for h in chosen if h.time_utc >= window.end_utc), None)
    return tuple(
        _slip(hour, best, zone, holds.get(hour.time_utc), hour.time_utc == over) for hour in chosen
    )


def _slip(hour: Hour, best: Hour, zone: tzinfo, hold: Hold | None, first_over: bool) -> Slip:
    mark, landing = hour.footprint, hour.landing_utc
    planned = hour.time_utc == best.time_utc
    verdict = hour.verdict if hold is None else hold.verdict
    return Slip(
        clock=f"{hour.time_utc.astimezone(zone):%H:%M}",
        wait=until_words(hour.time_utc - best.time_utc),
        mark=words.MARKS[verdict],
        verdict=str(verdict),
        score=words.score_words(hour.score),
        chance=words.chance_words(hour.chance),
        place="–" if mark is None else words.place_words(mark.latitude_deg, mark.longitude_deg),
        moved="" if planned or hold is None else _moved_words(hold),
        landing="–" if landing is None else f"{landing.astimezone(zone):%H:%M}",
        planned=planned,
        first_over=first_over,
    )


def _moved_words(hold: Hold) -> str:
    """How far from the planned landing."""
    if hold.moved_km is None or hold.moved_bearing_deg is None:
        return ""
    if hold.moved_km < _SAME_PLACE_KM:
        return "the same place"
    return f"{words.km_words(hold.moved_km)} {compass(hold.moved_bearing_deg)}"


def _air_of(site: Site, detail: HourDetail | None) -> SiteAir:
    """The forecast's air at the planned hour; standard air where it is not kept."""
    if detail is not None and detail.air is not None:
        return detail.air
    standard = standard_atmosphere(site.height_m)
    return SiteAir(float(standard.pressure_pa), float(standard.temperature_k))


def _air_words(site: Site, detail: HourDetail | None) -> str:
    """For which air the fill is reckoned."""
    air = _air_of(site, detail)
    said = f"{air.temperature_k - KELVIN_AT_0_C:.0f} °C, about {air.pressure_pa / 100.0:.0f} hPa"
    if detail is not None and detail.air is not None:
        return f"forecast air of that hour: {said}"
    return f"standard air, no forecast of it is kept: {said}"


def _fill(
    facts: Facts, site: Site, hour: Hour, detail: HourDetail | None
) -> tuple[tuple[tuple[str, str], ...], tuple[str, ...]]:
    """The fill for the air at the site, and what is to be said of it."""
    train = facts.train
    if train is None:
        return (), ()
    air = _air_of(site, detail)
    wind = next((c.value for c in hour.checks if c.name == "wind" and c.unit == "m/s"), None)
    try:
        fill = fill_for_lift(train, train.nozzle_lift_kg, air, surface_wind_mps=wind)
        count = facts.cylinders.count_for(train.gas, fill.standard_volume_m3, air)
    except InputError as error:
        return (), (error.message,)
    return (
        ("nozzle lift, on the scale", f"{fill.nozzle_lift_kg:.2f} kg"),
        ("free lift", f"{train.free_lift_kg:.2f} kg"),
        ("gas", f"{train.gas}, {fill.standard_volume_m3:.1f} m³ at 15 °C, 1013 hPa"),
        ("cylinders", _cylinder_words(facts.cylinders, count)),
        ("filling time", _filling_words(fill.standard_volume_m3, facts.flow_m3pmin)),
        ("balloon when filled", f"{fill.diameter_m:.2f} m across"),
        ("rate of rise", f"{fill.release_rate_mps:.1f} m/s at release"),
        ("burst", f"about {fill.burst_height_m / 1000.0:.1f} km"),
    ), fill.warnings


def _cylinder_words(held: Cylinders, count: int) -> str:
    kind = "gauge" if held.is_gauge else "absolute"
    return (
        f"{count} of {1000.0 * held.water_m3:g} l at {held.pressure_pa / 1e5:g} bar, "
        f"down to {held.left_pa / 1e5:g} ({kind})"
    )


def _filling_words(standard_volume_m3: float, flow_m3pmin: float) -> str:
    minutes = fill_time_s(standard_volume_m3, flow_m3pmin / 60.0) / 60.0
    return f"about {length(timedelta(minutes=minutes))} at {flow_m3pmin:g} m³ a minute"
