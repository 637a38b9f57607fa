"""Results in the formats of other programs: GeoJSON, KML 2.2, GPX 1.1, iCalendar. Pure."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Any
from xml.etree import ElementTree as Xml

from icalendar import Calendar, Event, vDuration, vText

from windowwatch.forecast.cycle import Cycle
from windowwatch.launchday.plan import Plan, PlanState
from windowwatch.scoring.values import Drive, Hour, HourDetail, Site, Track
from windowwatch.web.data.export import (
    GPX,
    KML,
    Point,
    add,
    contained,
    coordinates,
    feature,
    inside_features,
    line_parts,
    place_of,
    placemark,
    point,
    polygons,
    time_text,
    xml_bytes,
)
from windowwatch.windows.standing import Launch
from windowwatch.windows.values import Window, WindowState
from windowwatch.wording import cautions
from windowwatch.wording import page as words
from windowwatch.wording.causes import reason
from windowwatch.wording.credits import NO_PERMISSION
from windowwatch.wording.phrases import length, local_to, sentence, spoken_moment
from windowwatch.wording.standing import (
    clock_words,
    end_words,
    figures_words,
    kept_words,
    now_best_words,
    planned_words,
)


@dataclass(frozen=True)
class FlightData:
    """What is given out of one launch hour.

    `detail` is None where it is not kept any more; then there is the footprint alone.
    `credits` says whose weather and maps it is made of; `note` is that of the watch.
    """

    watch: str
    site: Site
    hour: Hour
    cycle: Cycle
    detail: HourDetail | None
    credits: tuple[str, ...]
    note: str = ""

    @property
    def title(self) -> str:
        """Name of the whole."""
        return f"{self.site.name}, launch {self.hour.time_utc:%Y-%m-%d %H:%M} UTC"

    @property
    def notes(self) -> tuple[str, ...]:
        """What must be said with it."""
        return tuple(
            line
            for line in (
                self.note,
                f"{self.hour.verdict}, by cycle {self.cycle.id}.",
                NO_PERMISSION,
                *self.credits,
            )
            if line
        )

    @property
    def track(self) -> Track | None:
        """The middle flight."""
        return None if self.detail is None else self.detail.track

    @property
    def drive(self) -> Drive | None:
        """The crew's way."""
        return None if self.detail is None else self.detail.drive

    @property
    def landings(self) -> list[Point]:
        """A sample of the landings."""
        if self.detail is None:
            return []
        places = zip(
            self.detail.landing_latitude_deg, self.detail.landing_longitude_deg, strict=True
        )
        return [point(latitude, longitude) for latitude, longitude in places]

    @property
    def areas(self) -> tuple[tuple[str, float, list[list[Point]]], ...]:
        """What lies inside, share, and rings: of landings and of bursts."""
        found = []
        marks = (
            ("inside", self.hour.footprint),
            ("burst inside", None if self.detail is None else self.detail.burst),
        )
        for what, mark in marks:
            if mark is not None:
                found += contained(what, mark)
        return tuple(found)


def track_parts(track: Track) -> list[list[Point]]:
    """Longitude, latitude and height of a track, in parts."""
    return line_parts(zip(track.longitude_deg, track.latitude_deg, track.height_m, strict=True))


def drive_parts(drive: Drive) -> list[list[Point]]:
    """Longitude and latitude of a drive, in parts."""
    return line_parts(zip(drive.longitude_deg, drive.latitude_deg, strict=True))


def track_time(track: Track, index: int) -> datetime:
    """When the flight is at one of its points."""
    return datetime.fromtimestamp(track.time_unix_s[index], UTC)


def track_point(track: Track, index: int) -> Point:
    """One of its points, with its height."""
    return point(track.latitude_deg[index], track.longitude_deg[index], track.height_m[index])


def flight_geojson(data: FlightData) -> dict[str, Any]:
    """Everything of an hour as GeoJSON (RFC 7946); attribution in a member of its own."""
    return {
        "type": "FeatureCollection",
        "title": data.title,
        "attribution": list(data.notes),
        "features": list(_features(data)),
    }


def _features(data: FlightData) -> Iterable[dict[str, Any]]:
    site, hour = data.site, data.hour
    about = {"site": site.name, "time_utc": time_text(hour.time_utc), "cycle_id": data.cycle.id}
    place = point(site.latitude_deg, site.longitude_deg, site.height_m)
    yield feature("Point", place, {"what": "site", "site": site.name})
    yield from inside_features(data.areas, {**about, "verdict": str(hour.verdict)})
    if data.landings:
        yield feature("MultiPoint", data.landings, {**about, "what": "landings"})
    if hour.footprint is not None:
        middle = point(hour.footprint.latitude_deg, hour.footprint.longitude_deg)
        yield feature("Point", middle, {**about, "what": "middle"})
    track, drive = data.track, data.drive
    if track is not None:
        times = [time_text(track_time(track, i)) for i in range(len(track.time_unix_s))]
        yield _line(track_parts(track), {**about, "what": "flight", "times_utc": times})
        for what, index in (("burst", track.burst_index), ("landing", -1)):
            when = {"at_utc": time_text(track_time(track, index))}
            yield feature("Point", track_point(track, index), {**about, "what": what, **when})
    if drive is not None:
        yield _line(
            drive_parts(drive),
            {**about, "what": "drive", "from": drive.start, "minutes": round(drive.minutes, 1)},
        )


def _line(parts: list[list[Point]], properties: dict[str, Any]) -> dict[str, Any]:
    if len(parts) == 1:
        return feature("LineString", parts[0], properties)
    return feature("MultiLineString", parts, properties)


#: Colours as KML has them: opacity, blue, green, red.
_STYLES = {
    "flight": ("ff8a4b1f", None),
    "drive": ("ff2a6b2a", None),
    "inside": ("ff1a32a8", "301a32a8"),
    "burst-inside": ("ff6d5a8a", "206d5a8a"),
}


def flight_kml(data: FlightData) -> bytes:
    """The document, in UTF-8."""
    root = Xml.Element("kml", {"xmlns": KML})
    document = add(root, "Document")
    add(document, "name", data.title)
    add(document, "description", "\n".join(data.notes))
    for name, (line, fill) in _STYLES.items():
        style = add(document, "Style", id=name)
        strokes = add(style, "LineStyle")
        add(strokes, "color", line)
        add(strokes, "width", "3")
        area = add(style, "PolyStyle")
        add(area, "color", fill or "00ffffff")
    site = data.site
    place = point(site.latitude_deg, site.longitude_deg, site.height_m)
    _kml_point(document, f"{site.name} (site)", place)
    _kml_areas(document, data)
    _kml_flight(document, data)
    drive = data.drive
    if drive is not None:
        mark = placemark(document, f"Drive from {drive.start}, {drive.minutes:.0f} min", "drive")
        _kml_lines(mark, drive_parts(drive), absolute=False)
    return xml_bytes(root)


def _kml_areas(document: Xml.Element, data: FlightData) -> None:
    words = {"inside": "lands", "burst inside": "bursts"}
    for what, share, rings in data.areas:
        name = f"{share:.0%} {words[what]} inside".replace("%", " %")
        mark = placemark(document, name, what.replace(" ", "-"))
        polygons(mark, rings)
    if data.landings:
        mark = placemark(document, "Landings, a sample")
        many = add(mark, "MultiGeometry")
        for place in data.landings:
            add(add(many, "Point"), "coordinates", coordinates([place]))
    middle = data.hour.footprint
    if middle is not None:
        _kml_point(
            document, "Middle of the landings", point(middle.latitude_deg, middle.longitude_deg)
        )


def _kml_flight(document: Xml.Element, data: FlightData) -> None:
    track = data.track
    if track is None:
        return
    mark = placemark(document, "Middle flight")
    span = add(mark, "TimeSpan")
    add(span, "begin", time_text(track_time(track, 0)))
    add(span, "end", time_text(track_time(track, -1)))
    add(mark, "styleUrl", "#flight")
    _kml_lines(mark, track_parts(track), absolute=True)
    for name, index in (("Burst", track.burst_index), ("Landing of the middle flight", -1)):
        _kml_point(document, name, track_point(track, index), time_text(track_time(track, index)))


def _kml_point(parent: Xml.Element, name: str, place: Point, when: str = "") -> None:
    mark = placemark(parent, name)
    if when:
        add(add(mark, "TimeStamp"), "when", when)
    shape = add(mark, "Point")
    if len(place) > 2:
        add(shape, "altitudeMode", "absolute")
    add(shape, "coordinates", coordinates([place]))


def _kml_lines(parent: Xml.Element, parts: list[list[Point]], *, absolute: bool) -> None:
    many = add(parent, "MultiGeometry")
    for part in parts:
        line = add(many, "LineString")
        add(line, "tessellate", "0" if absolute else "1")
        add(line, "altitudeMode", "absolute" if absolute else "clampToGround")
        add(line, "coordinates", coordinates(part))


def drive_gpx(data: FlightData) -> bytes | None:
    """The document, in UTF-8; None when it is not known where the flights land."""
    mark = data.hour.footprint
    if mark is None:
        return None
    root = Xml.Element("gpx", {"xmlns": GPX, "version": "1.1", "creator": "windowwatch"})
    head = Xml.SubElement(root, "metadata")
    add(head, "name", data.title)
    add(head, "desc", "\n".join(data.notes))
    add(head, "time", time_text(data.cycle.reference_utc))
    drive = data.drive
    parts = [] if drive is None else drive_parts(drive)
    if parts:
        start = f"Start: {drive.start}" if drive else "Start"
        _waypoint(root, parts[0][0], f"{start} ({cautions.GPX_START})", "")
        park = f"Park here ({cautions.GPX_PARK})"
        _waypoint(root, parts[-1][-1], park, "Where the walk to the landing begins.")
    landing = data.hour.landing_utc
    when = "" if landing is None else f" about {landing:%Y-%m-%d %H:%M} UTC"
    _waypoint(
        root,
        point(mark.latitude_deg, mark.longitude_deg),
        f"Landing ({cautions.GPX_LANDING})",
        f"Middle of the landings{when}; half of the flights land within "
        f"{mark.major_50_m / 1000.0:.1f} km of it along the longest axis.",
    )
    if drive is not None:
        track = Xml.SubElement(root, "trk")
        way = length(timedelta(minutes=drive.minutes))
        add(track, "name", f"Drive from {drive.start}, {way} ({cautions.GPX_DRIVE})")
        for part in parts:
            segment = Xml.SubElement(track, "trkseg")
            for each in part:
                Xml.SubElement(segment, "trkpt", place_of(each))
    return xml_bytes(root)


def _waypoint(root: Xml.Element, place: Point, name: str, text: str) -> None:
    made = Xml.SubElement(root, "wpt", place_of(place))
    add(made, "name", name)
    if text:
        add(made, "desc", text)


#: How often calendars are asked to look again.
REFRESH = timedelta(hours=1)
#: RFC 5545, section 3.8.1.11. A window is an offer: only a person who plans a launch confirms one,
#: and a plan is an event of its own.
_STATUS = {
    WindowState.OPEN: "TENTATIVE",
    WindowState.PAST: "TENTATIVE",
    WindowState.SIGHTED: "TENTATIVE",
    WindowState.CLOSED: "CANCELLED",
}


def windows_calendar(
    watch: str,
    histories: Iterable[Sequence[Window]],
    sites: Sequence[Site],
    stamped_utc: datetime,
    *,
    passes: Mapping[str, int] | None = None,
    notes: Sequence[str] = (),
    launches: Mapping[str, Launch] | None = None,
    plans: Sequence[tuple[Plan, datetime]] = (),
) -> bytes:
    """A calendar with an event for each window, first release to end, and for each planned launch.

    Parameters
    ----------
    watch : str
    histories : iterable of sequence of Window
        The versions of each window, oldest first. UID is the window's own; SEQUENCE rises by
        one with every version, so that a calendar takes the newest.
    sites : sequence of Site
    stamped_utc : datetime
        When the windows were worked out.
    passes : mapping of str to int, optional
        How often each cycle was passed, by its id: a further pass of a cycle takes the place of
        a version, and must rise above it.
    notes : sequence of str
        Whose weather and map it is, and what else must be said of the whole.
    launches : mapping of str to Launch, optional
        What windows that can still be used offer now, by uid.
    plans : sequence of (Plan, datetime), optional
        Planned launches, with the time of the last entry of each.
    """
    known = {site.name: site for site in sites}
    calendar = Calendar()
    calendar.add("prodid", "-//windowwatch//launch windows//EN")
    calendar.add("version", "2.0")
    calendar.add("x-wr-calname", f"Launch windows, {watch}")
    calendar.add("refresh-interval", vDuration(REFRESH), parameters={"VALUE": "DURATION"})
    calendar.add("x-published-ttl", vDuration(REFRESH))
    if notes:
        calendar.add("x-wr-caldesc", " ".join(notes))
    for history in histories:
        number = sum((passes or {}).get(version.cycle_id, 1) for version in history) - 1
        launch = (launches or {}).get(history[-1].uid)
        event = _event(history[-1], known.get(history[-1].site), stamped_utc, launch)
        event.add("sequence", number)
        calendar.add_component(event)
    for plan, stands_utc in plans:
        calendar.add_component(_plan_event(watch, plan, known.get(plan.site), stands_utc))
    feed: bytes = calendar.to_ical()
    return feed


def _event(
    window: Window, site: Site | None, stamped_utc: datetime, launch: Launch | None
) -> Event:
    event = Event()
    event.add("uid", f"{window.uid}@windowwatch")
    event.add("dtstamp", stamped_utc)
    event.add("dtstart", window.start_utc)
    event.add("dtend", window.end_utc)
    event.add("status", _STATUS[window.state])
    event.add("transp", "TRANSPARENT")
    zone = words.zone_of(site)
    last = clock_words(window.last_release_utc, window.start_utc, zone)
    local = "local" if site is not None else "UTC"
    # a calendar shows the end, which is no release
    event.add(
        "summary", f"{window.site}: launch window {window.state}, last release {last} {local}"
    )
    event.add("location", window.site)
    text = (
        f"{words.release_words(window, zone)} ({zone}); {end_words(window, zone)}. "
        f"{_offer_words(window, launch, zone)} {reason(window.limited_by, local_to(zone))} "
        f"{NO_PERMISSION}"
    )
    event.add("description", vText(text.replace("\xa0", " ")))
    if site is not None:
        event.add("geo", (site.latitude_deg, site.longitude_deg))
    return event


def _plan_event(watch: str, plan: Plan, site: Site | None, stands_utc: datetime) -> Event:
    """A planned launch at its exact minute; it takes no time, as RFC 5545 has it without an end."""
    event, zone = Event(), words.zone_of(site)
    event.add("uid", f"{watch}-plan-{plan.key}@windowwatch")
    event.add("dtstamp", stands_utc)
    event.add("sequence", plan.number - 1)
    event.add("dtstart", plan.release_utc)
    event.add("status", "CANCELLED" if plan.state is PlanState.SCRUBBED else "CONFIRMED")
    event.add("summary", f"{plan.site}: launch {plan.state}")
    event.add("location", plan.site)
    crew = f"Crew: {', '.join(plan.crew)}. " if plan.crew else ""
    at = spoken_moment(plan.release_utc, zone)
    said = f"Plan {plan.key}, made by {plan.made_by}: release {at}. {crew}{NO_PERMISSION}"
    event.add("description", vText(said.replace("\xa0", " ")))
    if site is not None:
        event.add("geo", (site.latitude_deg, site.longitude_deg))
    return event


def _offer_words(window: Window, launch: Launch | None, zone: tzinfo) -> str:
    """The planned hour with its figures; of a window that is over, as they were last."""
    if launch is None:
        lands = words.lands_words(window.drift_km, window.bearing_deg, window.road_km)
        return sentence(
            f"it was {kept_words(window, zone)}: chance {words.chance_words(window.chance)}, "
            f"score {words.score_words(window.best_score)}; {lands}"
        )
    at, better = launch.hour or window, now_best_words(launch, zone)
    lands = words.lands_words(at.drift_km, at.bearing_deg, at.road_km)
    return sentence(
        f"{planned_words(launch, zone)}: {figures_words(launch)}"
        f"{f'; {better}' if better else ''}; {lands}"
    )
