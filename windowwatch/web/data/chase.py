"""Flights for other programs: a followed one, and those of the log, a row each. Pure."""

import csv
import io
import json
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from math import exp
from typing import Any
from xml.etree import ElementTree as Xml

from windowwatch.chase.drives import Advice
from windowwatch.chase.flown import Measured
from windowwatch.chase.logbook import Logged, NoteKind
from windowwatch.chase.reports import Mark, Report
from windowwatch.chase.silence import Search
from windowwatch.chase.values import Estimate, Flight, Kept, Said
from windowwatch.errors import InputError
from windowwatch.learning.balloons import kit_of
from windowwatch.web.data.export import (
    GPX,
    KML,
    Point,
    add,
    contained,
    coordinates,
    csv_field,
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
from windowwatch.wording.chase import CAUTION, closing_words
from windowwatch.wording.crews import DRIVE_CAUTION, SEARCH_CAUTION, cell_words, crew_head
from windowwatch.wording.flightlog import mean_rate

#: Kinds, each with its media type.
MEDIA: Mapping[str, str] = {
    "geojson": "application/geo+json",
    "gpx": "application/gpx+xml",
    "kml": "application/vnd.google-earth.kml+xml",
    "csv": "text/csv",
}
COLUMNS = ("time_utc", "latitude_deg", "longitude_deg", "height_m", "tracker", "received_utc",
           "place_sigma_m", "height_sigma_m", "source", "mark", "text")  # fmt: skip


@dataclass(frozen=True)
class FlightRecord:
    """All that is kept of a flight."""

    flight: Flight
    reports: tuple[Kept, ...]
    said: Said | None

    @property
    def estimate(self) -> Estimate | None:
        """The newest estimate."""
        return None if self.said is None else self.said.estimate

    @property
    def used(self) -> list[Report]:
        """Reports that count, in order of time."""
        used = [kept.report for kept in self.reports if kept.mark is Mark.USED]
        return sorted(used, key=lambda report: report.time_utc)

    @property
    def places(self) -> list[tuple[str, Point]]:
        """Release, estimated landing, and where it was found."""
        begun, estimate, end = self.flight.begun, self.estimate, self.flight.closing
        found = [("Release", point(begun.latitude_deg, begun.longitude_deg, begun.height_m))]
        if estimate is not None:
            spot = estimate.landing
            found.append(("Estimated landing", point(spot.latitude_deg, spot.longitude_deg)))
        if end is not None and end.latitude_deg is not None and end.longitude_deg is not None:
            found.append(("Found", point(end.latitude_deg, end.longitude_deg)))
        return found

    @property
    def notes(self) -> tuple[str, ...]:
        """What is said with it."""
        end = self.flight.closing
        return (*(() if end is None else (closing_words(end),)), CAUTION)


def record_as(kind: str, record: FlightRecord) -> bytes:
    """A flight in one of the kinds of `MEDIA`, in UTF-8.

    Raises
    ------
    InputError
        If it is none of them.
    """
    makers: dict[str, Callable[[FlightRecord], bytes]] = {
        "geojson": lambda each: json.dumps(record_geojson(each), ensure_ascii=False).encode(),
        "gpx": _gpx,
        "kml": _kml,
        "csv": _csv,
    }
    if kind not in makers:
        raise InputError(f"{kind!r} is no kind of file; give {', '.join(makers)}")
    return makers[kind](record)


def _height(report: Report) -> tuple[float, ...]:
    return () if report.height_m is None else (report.height_m,)


def _spot(report: Report) -> Point:
    """Longitude, latitude and, where it is known, height."""
    assert report.latitude_deg is not None
    assert report.longitude_deg is not None
    return point(report.latitude_deg, report.longitude_deg, *_height(report))


def record_geojson(record: FlightRecord) -> dict[str, Any]:
    """The flight as GeoJSON (RFC 7946): places, track, every used report, areas."""
    features = [feature("Point", place, {"what": name.lower()}) for name, place in record.places]
    parts = line_parts([r.longitude_deg or 0.0, r.latitude_deg or 0.0] for r in record.used)
    if parts:
        features.append(feature("MultiLineString", parts, {"what": "track"}))
    for report in record.used:
        about = {
            "what": "report",
            "tracker": report.tracker,
            "time_utc": time_text(report.time_utc),
        }
        features.append(feature("Point", _spot(report), about))
    estimate = record.estimate
    if estimate is not None:
        spot, about = estimate.landing, {"landing_utc": time_text(estimate.landing_utc)}
        areas = contained("landing inside", spot)
        features += inside_features(areas, about)
        way = zip(
            estimate.way_longitude_deg, estimate.way_latitude_deg, estimate.way_height_m,
            strict=True,
        )  # fmt: skip
        features.append(feature("MultiLineString", line_parts(way), {"what": "way to come"}))
    begun = record.flight.begun
    return {
        "type": "FeatureCollection",
        "title": begun.name,
        "attribution": list(record.notes),
        "features": features,
    }


def _gpx(record: FlightRecord) -> bytes:
    root = Xml.Element("gpx", {"xmlns": GPX, "version": "1.1", "creator": "windowwatch"})
    head = add(root, "metadata")
    add(head, "name", record.flight.begun.name)
    add(head, "desc", "\n".join(record.notes))
    for name, place in record.places:
        add(add(root, "wpt", **place_of(place)), "name", name)
    track = add(root, "trk")
    add(track, "name", record.flight.begun.name)
    segment = add(track, "trkseg")
    for report in record.used:
        spot = add(segment, "trkpt", **place_of(_spot(report)))
        if report.height_m is not None:
            add(spot, "ele", f"{report.height_m:.1f}")
        add(spot, "time", time_text(report.time_utc))
    return xml_bytes(root)


#: Cells of a search that are written.
_CELLS = 40


def ways_gpx(flight: Flight, advice: Advice | None, search: Search | None) -> bytes:
    """Ways of all crews as routes of GPX 1.1, where they end, and where to search first."""
    root = Xml.Element("gpx", {"xmlns": GPX, "version": "1.1", "creator": "windowwatch"})
    head = add(root, "metadata")
    add(head, "name", f"{flight.begun.name}: ways of the crews")
    add(head, "desc", f"{DRIVE_CAUTION}\n{SEARCH_CAUTION}")
    crews = () if advice is None else advice.crews
    for each in crews:
        if each.to_latitude_deg is not None and each.to_longitude_deg is not None:
            to = point(each.to_latitude_deg, each.to_longitude_deg)
            mark = add(root, "wpt", **place_of(to))
            add(mark, "name", each.crew.name)
            add(mark, "desc", crew_head(each))
    for number, cell in enumerate(() if search is None else search.cells[:_CELLS], start=1):
        mark = add(root, "wpt", **place_of(point(cell.latitude_deg, cell.longitude_deg)))
        add(mark, "name", f"Search {number}")
        add(mark, "desc", cell_words(cell))
    for each in crews:
        if each.way_latitude_deg:
            way = add(root, "rte")
            add(way, "name", each.crew.name)
            for place in zip(each.way_latitude_deg, each.way_longitude_deg, strict=True):
                add(way, "rtept", **place_of(point(*place)))
    return xml_bytes(root)


def _kml(record: FlightRecord) -> bytes:
    root = Xml.Element("kml", {"xmlns": KML})
    document = add(root, "Document")
    add(document, "name", record.flight.begun.name)
    add(document, "description", "\n".join(record.notes))
    for name, place in record.places:
        mark = placemark(document, name)
        add(add(mark, "Point"), "coordinates", coordinates([place[:2]]))
    estimate = record.estimate
    if estimate is not None:
        for _, share, rings in contained("landing inside", estimate.landing):
            polygons(placemark(document, f"{share * 100:.0f} % of landings"), rings)
    points = [_spot(report) for report in record.used if report.height_m is not None]
    if len(points) > 1:
        many = add(placemark(document, "Track"), "MultiGeometry")
        for part in line_parts(points):
            line = add(many, "LineString")
            add(line, "altitudeMode", "absolute")
            add(line, "coordinates", coordinates(part))
    return xml_bytes(root)


def _csv(record: FlightRecord) -> bytes:
    """Every report with its mark, those that are not used as well."""
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(COLUMNS)
    for kept in record.reports:
        values = vars(kept.report) | {
            "mark": str(kept.mark),
            "time_utc": time_text(kept.report.time_utc),
            "received_utc": time_text(kept.report.received_utc),
        }
        writer.writerow([csv_field(values[name]) for name in COLUMNS])
    return out.getvalue().encode()


LOG_COLUMNS = (
    "flight", "name", "source", "released_utc", "latitude_deg", "longitude_deg", "height_m",
    "balloon", "parachute", "gas", "balloon_mass_kg", "payload_mass_kg", "nozzle_lift_kg",
    "lift_measured", "implied_lift_kg", "rise_mps", "burst_utc", "burst_height_m",
    "burst_height_sigma_m", "burst_latitude_deg", "burst_longitude_deg", "highest_m", "landing_utc",
    "landing_latitude_deg", "landing_longitude_deg", "landing_by", "landing_mps", "drift_m",
    "bearing_deg", "burst_diameter_m", "burst_diameter_sigma", "drag_factor", "drag_factor_sigma",
    "canopy_drag_coefficient", "canopy_drag_coefficient_sigma", "outcome", "closed_utc",
    "forecast_cycle", "forecast_lead_h", "forecast_error_m", "forecast_inside_90", "irregular",
)  # fmt: skip
#: Fields that the track gives under the same name.
_OF_TRACK = (
    "burst_height_m", "burst_height_sigma_m", "burst_latitude_deg", "burst_longitude_deg",
    "highest_m", "landing_latitude_deg", "landing_longitude_deg", "landing_mps", "drift_m",
    "bearing_deg", "lift_measured",
)  # fmt: skip


def log_csv(log: Iterable[Logged]) -> str:
    """All flights, a row each; what is not known is left empty."""
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(LOG_COLUMNS)
    for each in log:
        row = _row(each)
        values = [row.get(name) for name in LOG_COLUMNS]
        writer.writerow(["" if value is None else csv_field(value) for value in values])
    return out.getvalue()


def _row(logged: Logged) -> dict[str, Any]:
    begun, end, made = logged.flight.begun, logged.flight.closing, logged.made
    train, lift = begun.train, logged.noted(NoteKind.LIFT)
    kit = kit_of(train, logged.text(NoteKind.BALLOON), logged.text(NoteKind.PARACHUTE))
    row: dict[str, Any] = {
        "flight": begun.key, "name": begun.name, "source": logged.text(NoteKind.SOURCE),
        "latitude_deg": begun.latitude_deg, "longitude_deg": begun.longitude_deg,
        "height_m": begun.height_m, "balloon": kit.balloon, "parachute": kit.parachute,
        "gas": str(train.gas), "balloon_mass_kg": train.balloon_mass_kg,
        "payload_mass_kg": train.payload_mass_kg,
        "nozzle_lift_kg": train.nozzle_lift_kg if lift is None else lift.number,
        "outcome": None if end is None else str(end.outcome),
        "closed_utc": None if end is None else time_text(end.at_utc),
        "irregular": "; ".join(each.text for each in logged.irregularities),
    }  # fmt: skip
    if made is None:
        return row
    flown, best = made.flown, made.forecast
    row |= {name: getattr(flown, name) for name in _OF_TRACK}
    row |= {
        "released_utc": time_text(flown.released_utc), "implied_lift_kg": flown.lift_kg,
        "rise_mps": mean_rate(flown.rises),
        "burst_utc": None if flown.burst_utc is None else time_text(flown.burst_utc),
        "landing_utc": None if flown.landing_utc is None else time_text(flown.landing_utc),
        "landing_by": None if flown.landing_by is None else str(flown.landing_by),
        **_pair("burst_diameter_m", "burst_diameter_sigma", flown.burst),
        **_pair("drag_factor", "drag_factor_sigma", flown.drag),
        **_pair("canopy_drag_coefficient", "canopy_drag_coefficient_sigma", flown.canopy),
    }  # fmt: skip
    if best is not None:
        row |= {
            "forecast_cycle": best.cycle_id, "forecast_lead_h": best.lead_h,
            "forecast_error_m": best.error_m, "forecast_inside_90": best.inside_90,
        }  # fmt: skip
    return row


def _pair(value: str, sigma: str, measured: Measured | None) -> dict[str, float]:
    return {} if measured is None else {value: exp(measured.log_value), sigma: measured.sigma}
