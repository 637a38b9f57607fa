"""The layers of an hour's map as GeoJSON (RFC 7946), for the map that can be moved. Pure.

They hold what the drawing holds, over a somewhat larger piece of ground.
"""

from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np

from windowwatch.drawing.hour_map import WIDE, area_kind, fitting, mark_times, road_kind
from windowwatch.drawing.touched import is_touched, name_place, touches
from windowwatch.ground.query.features import AreaKind, Ground
from windowwatch.ground.query.outline import Frame, Zone, outlines
from windowwatch.physics.earth import destination
from windowwatch.physics.spread import Footprint
from windowwatch.scoring.values import HourDetail, Site, Track
from windowwatch.units import FloatArray
from windowwatch.wording.page import LAYERS, burst_mark, drive_words, minute_mark

#: Vertices of the ground in all.
MOST_VERTICES = 7_000
#: The ground reaches so many frames further on every side.
FURTHER = 0.4
_CORNERS = 48
#: Minutes are written only so far apart, as a share of the flight's extent.
_LABELS_APART = 0.1


def map_layers(
    site: Site,
    footprint: Footprint,
    ground: Ground,
    detail: HourDetail | None,
    zones: Sequence[Zone],
) -> dict[str, Any]:
    """All layers in the order in which they are drawn, and the frame they are seen in.

    Returns
    -------
    dict
        ``bounds`` (south-west and north-east, latitude first) and ``layers``, each with
        ``id``, ``title`` and ``features`` (a GeoJSON feature collection whose ``kind`` is
        the class that the drawing uses, and ``label`` a name to be written there;
        ``touched`` is where to write the name of an area that the 90 % ring touches: it is
        always shown). All
        longitudes are those within half a turn of the site's, so that nothing is torn apart
        at the date line; there they go on past 180°.
    """
    frame = fitting(site, footprint, detail, WIDE).frame
    found = {
        "permitted": _zones(zones, "permitted", footprint),
        "airspace": _zones(zones, "airspace", footprint),
        "inside": [
            _ellipse(footprint, footprint.major_90_m, footprint.minor_90_m, "in90"),
            _ellipse(footprint, footprint.major_50_m, footprint.minor_50_m, "in50"),
        ],
        **_ground(ground, frame, footprint),
        **_flight(site, footprint, detail),
    }
    turn = _turn(0.5 * (frame.west_deg + frame.east_deg), site.longitude_deg)
    return {
        "bounds": [
            [frame.south_deg, frame.west_deg + turn],
            [frame.north_deg, frame.east_deg + turn],
        ],
        "layers": [
            {
                "id": name,
                "title": title,
                "features": {
                    "type": "FeatureCollection",
                    "features": [_beside(each, site.longitude_deg) for each in found[name]],
                },
            }
            for name, title in LAYERS.items()
            if found.get(name)
        ],
    }


def _ground(ground: Ground, frame: Frame, ring: Footprint) -> dict[str, list[dict[str, Any]]]:
    up = (frame.north_deg - frame.south_deg) * FURTHER
    out = (frame.east_deg - frame.west_deg) * FURTHER
    larger = Frame(
        frame.south_deg - up, frame.west_deg - out, frame.north_deg + up, frame.east_deg + out
    )
    tolerance_deg = (frame.north_deg - frame.south_deg) / 1500.0
    areas, roads = [], []
    for each in outlines(ground, larger, tolerance_deg, most=MOST_VERTICES):
        lines = [_line(line) for line in each.lines]
        if isinstance(each.kind, AreaKind):
            about: dict[str, Any] = {"kind": area_kind(each.kind), "name": each.name}
            if each.name and touches(each.lines, ring):
                latitude_deg, longitude_deg = name_place(each.lines, ring)
                about["touched"] = [round(latitude_deg, 4), round(longitude_deg, 4)]
            areas.append(_feature("MultiLineString", lines, about))
        else:
            roads.append(_feature("MultiLineString", lines, {"kind": road_kind(each.kind)}))
    return {"areas": areas, "roads": roads}


def _flight(
    site: Site, footprint: Footprint, detail: HourDetail | None
) -> dict[str, list[dict[str, Any]]]:
    flight = [_point(site.latitude_deg, site.longitude_deg, "site-mark", site.name)]
    found: dict[str, list[dict[str, Any]]] = {}
    if detail is not None and detail.drive is not None and detail.drive.latitude_deg:
        drive = detail.drive
        line = np.column_stack((drive.latitude_deg, drive.longitude_deg))
        label = drive_words(drive)
        found["drive"] = [_feature("LineString", _line(line), {"kind": "drive", "name": label})]
        if drive.start != site.name:
            found["drive"].append(
                _point(drive.latitude_deg[0], drive.longitude_deg[0], "crew-mark", drive.start)
            )
        found["drive"].append(_point(drive.latitude_deg[-1], drive.longitude_deg[-1], "park"))
    if detail is not None:
        places = zip(detail.landing_latitude_deg, detail.landing_longitude_deg, strict=True)
        found["landings"] = [_point(lat, lon, "landing") for lat, lon in places]
        if detail.burst is not None:
            ring = detail.burst
            found["bursts"] = [_ellipse(ring, ring.major_90_m, ring.minor_90_m, "burst90")]
        if detail.track is not None:
            flight += _track(detail.track)
    flight.append(_point(footprint.latitude_deg, footprint.longitude_deg, "centre"))
    return {**found, "flight": flight}


def _track(track: Track) -> Iterable[dict[str, Any]]:
    line = np.column_stack((track.latitude_deg, track.longitude_deg))
    i = track.burst_index
    yield _feature("LineString", _line(line[: i + 1]), {"kind": "up"})
    yield _feature("LineString", _line(line[i:]), {"kind": "down"})
    label = burst_mark(track.height_m[i])
    yield _point(track.latitude_deg[i], track.longitude_deg[i], "burst-mark", label)
    last, least_deg = line[i], _LABELS_APART * float(np.ptp(line, axis=0).max())
    for minutes, latitude_deg, longitude_deg in mark_times(track):
        at = np.array([latitude_deg, longitude_deg])
        room = min(np.abs(at - other).max() for other in (last, line[i])) > least_deg
        yield _point(latitude_deg, longitude_deg, "minute", minute_mark(minutes) if room else "")
        last = at if room else last


def _zones(zones: Sequence[Zone], kind: str, ring: Footprint) -> list[dict[str, Any]]:
    """Outlines, and the name of each at its northernmost corner."""
    found = []
    for zone in zones:
        if zone.kind.endswith(kind) and zone.lines:
            lines = [_line(line) for line in zone.lines]
            found.append(_feature("MultiLineString", lines, {"kind": f"zone {zone.kind}"}))
            longitude, latitude = max((at for line in lines for at in line), key=lambda at: at[1])
            name = _point(latitude, longitude, "name", zone.label)
            if is_touched(zone, ring):
                name["properties"]["touched"] = True
            found.append(name)
    return found


def _ellipse(mark: Footprint, major_m: float, minor_m: float, kind: str) -> dict[str, Any]:
    angle = -np.linspace(0.0, 2.0 * np.pi, _CORNERS)
    along, across = major_m * np.cos(angle), minor_m * np.sin(angle)
    latitude, longitude = destination(
        mark.latitude_deg,
        mark.longitude_deg,
        mark.bearing_deg + np.degrees(np.arctan2(across, along)),
        np.hypot(along, across),
    )
    ring = _line(np.column_stack((latitude, longitude)))
    return _feature("Polygon", [[*ring[:-1], ring[0]]], {"kind": kind})


def _line(places: FloatArray) -> list[list[float]]:
    """Longitude first, to eleven metres; a line over the date line goes on past 180°."""
    longitude = np.unwrap(places[:, 1], period=360.0)
    rounded: list[list[float]] = np.round(np.column_stack((longitude, places[:, 0])), 4).tolist()
    return rounded


def _turn(longitude_deg: float, near_deg: float) -> float:
    """Whole turns that bring a longitude within half a turn of another. [deg]"""
    return 360.0 * round((near_deg - longitude_deg) / 360.0)


def _beside(feature: dict[str, Any], near_deg: float) -> dict[str, Any]:
    """A feature whose lines and points are counted round the earth as a place is."""
    shape, about = feature["geometry"], feature["properties"]
    if isinstance(about.get("touched"), list):
        latitude_deg, longitude_deg = about["touched"]
        turned = round(longitude_deg + _turn(longitude_deg, near_deg), 4)
        about = {**about, "touched": [latitude_deg, turned]}
    return {
        **feature,
        "properties": about,
        "geometry": {**shape, "coordinates": _turned(shape["coordinates"], near_deg)},
    }


def _turned(coordinates: list[Any], near_deg: float) -> list[Any]:
    """Each line as a whole, by the middle of its extent."""
    if not isinstance(coordinates[0], list):
        return _turned([coordinates], near_deg)[0]  # type: ignore[no-any-return]
    if isinstance(coordinates[0][0], list):
        return [_turned(line, near_deg) for line in coordinates]
    east = [place[0] for place in coordinates]
    turn = _turn(0.5 * (min(east) + max(east)), near_deg)
    if not turn:
        return coordinates
    return [[round(longitude + turn, 4), latitude] for longitude, latitude in coordinates]


def _point(latitude_deg: float, longitude_deg: float, kind: str, label: str = "") -> dict[str, Any]:
    about = {"kind": kind, "label": label} if label else {"kind": kind}
    return _feature("Point", [round(longitude_deg, 4), round(latitude_deg, 4)], about)


def _feature(kind: str, coordinates: Any, properties: dict[str, Any]) -> dict[str, Any]:
    return {
        "type": "Feature",
        "geometry": {"type": kind, "coordinates": coordinates},
        "properties": properties,
    }
