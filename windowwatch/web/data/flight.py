"""One launch hour for other programs: its flight, landings, footprint and drive. Pure."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from windowwatch.drawing.credits import NO_PERMISSION
from windowwatch.forecast.cycle import Cycle
from windowwatch.physics.spread import Footprint
from windowwatch.scoring.detail import Drive, HourDetail, Track
from windowwatch.scoring.values import Hour, Site
from windowwatch.web.data.export import feature, inside_features, time_text
from windowwatch.web.data.shapes import Point, ellipse, line_parts, point


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
                found += [(what, share, ellipse(mark, *axes)) for share, axes in _axes(mark)]
        return tuple(found)


def _axes(mark: Footprint) -> tuple[tuple[float, tuple[float, float]], ...]:
    return (
        (0.9, (mark.major_90_m, mark.minor_90_m)),
        (0.5, (mark.major_50_m, mark.minor_50_m)),
    )


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
