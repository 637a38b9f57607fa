"""Rows as data for other programs: dictionaries, CSV, GeoJSON, KML, GPX, shapes on the globe. Pure.

RFC 7946, section 3.1.9: a line or area that crosses the antimeridian is given in parts.
"""

import csv
import io
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any
from xml.etree import ElementTree as Xml

import numpy as np

from windowwatch.forecast.cycle import Cycle
from windowwatch.physics.earth import destination
from windowwatch.physics.spread import Footprint
from windowwatch.scoring.opinions import INTERVAL_HOLDS, chance_interval
from windowwatch.scoring.values import Check, Hour, Opinion, Site
from windowwatch.storage import codec
from windowwatch.storage.rows import causes_to_plain
from windowwatch.web.data.health import Health
from windowwatch.windows.standing import Launch, Standing
from windowwatch.windows.values import Change, Window
from windowwatch.wording.causes import reason
from windowwatch.wording.checks import (
    check_sentence,
    opinion_words,
    refusal_words,
    worst_sentences,
)
from windowwatch.wording.phrases import written

HOUR_COLUMNS = (
    "site", "time_utc", "verdict", "score", "chance", "chance_low", "chance_high", "own_chance",
    "drift_km", "bearing_deg", "road_km", "landing_utc", "landing_latitude_deg",
    "landing_longitude_deg", "refused", "worst", "others", "cycle", "attribution",
    "near_ground", "chance_interval_holds", "standing", "window_uid",
)  # fmt: skip
#: Corners of an ellipse.
CORNERS = 48
#: Decimals of a degree: about a metre.
DECIMALS = 5

#: Longitude, latitude and whatever else belongs to a point, in degrees first.
Point = list[float]


def time_text(moment: datetime) -> str:
    """RFC 3339 in UTC, to the second."""
    return f"{moment:%Y-%m-%dT%H:%M:%SZ}"


def cycle_data(cycle: Cycle) -> dict[str, Any]:
    """A cycle."""
    return {
        "id": cycle.id,
        "model": cycle.model,
        "reference_utc": time_text(cycle.reference_utc),
    }


def hour_data(
    hour: Hour, *, checks: bool = False, standing: Standing | None = None
) -> dict[str, Any]:
    """A launch hour; with every check on wish.

    The interval is given where it belongs to `chance`: where other models have not changed it.
    What it holds stands beside it: it is not the forecast's doubt. `standing` is None for an hour
    of an earlier cycle: how it stood then is not known.
    """
    window = None if standing is None else standing.window
    mark = hour.footprint
    low, high = chance_interval(hour) or (None, None)
    data: dict[str, Any] = {
        "site": hour.site,
        "time_utc": time_text(hour.time_utc),
        "verdict": str(hour.verdict),
        "score": hour.score,
        "chance": hour.chance,
        "chance_low": low,
        "chance_high": high,
        "chance_interval_holds": None if low is None else INTERVAL_HOLDS,
        "own_chance": hour.own_chance,
        "raw_chance": hour.raw_chance,
        "drift_km": hour.drift_km,
        "bearing_deg": hour.bearing_deg,
        "road_km": hour.road_km,
        "landing_utc": None if hour.landing_utc is None else time_text(hour.landing_utc),
        "landing_latitude_deg": None if mark is None else mark.latitude_deg,
        "landing_longitude_deg": None if mark is None else mark.longitude_deg,
        "refused": None if hour.refused is None else refusal_words(hour.refused),
        "refusal": None if hour.refused is None else codec.refusal_data(hour.refused),
        "worst": list(worst_sentences(hour)),
        "worst_checks": list(hour.worst),
        "others": [opinion_data(opinion) for opinion in hour.others],
        "near_ground": None if hour.near_ground is None else codec.near_data(hour.near_ground),
        "standing": None if standing is None else str(standing.place),
        "window_uid": None if window is None else window.uid,
    }
    if checks:
        data["checks"] = [check_data(check) for check in hour.checks]
    return data


def opinion_data(opinion: Opinion) -> dict[str, Any]:
    """What another weather model says of a launch hour."""
    return {
        "model": opinion.model,
        "cycle_id": opinion.cycle_id,
        "verdict": str(opinion.verdict),
        "score": opinion.score,
        "chance": opinion.chance,
        "apart_km": opinion.apart_km,
        "bearing_deg": opinion.bearing_deg,
        "says": opinion_words(opinion),
        "says_check": None if opinion.says is None else opinion.says.name,
        "lacks": list(opinion.lacks),
    }


def check_data(check: Check) -> dict[str, Any]:
    """An answered check."""
    return {
        "name": check.name,
        "part": str(check.part),
        "verdict": str(check.verdict),
        "value": check.value,
        "unit": check.unit,
        "fine": check.fine,
        "limit": check.limit,
        "margin": check.margin,
        "hard": check.hard,
        "facts": [codec.fact_data(fact) for fact in check.facts],
        "missing": None if check.missing is None else codec.missing_data(check.missing),
        "sentence": check_sentence(check),
    }


def window_data(window: Window, launch: Launch | None = None) -> dict[str, Any]:
    """A window as it stood after one cycle; with `launch`, as it stands now.

    `score`, `chance` and landing are those of `release_utc`: the planned hour, or once that has
    gone by the best good hour still to come.
    """
    now_best = _now_best(window, launch)
    hour = None if launch is None else launch.hour
    mark = None if hour is None else hour.footprint
    at = window if hour is None else hour
    return {
        "uid": window.uid,
        "site": window.site,
        "state": str(window.state),
        "start_utc": time_text(window.start_utc),
        "last_release_utc": time_text(window.last_release_utc),
        "end_utc": time_text(window.end_utc),
        "planned_hour_utc": time_text(window.best_hour_utc),
        "release_utc": time_text(window.best_hour_utc if launch is None else launch.time_utc),
        "score": window.best_score if launch is None else launch.score,
        "chance": window.chance if launch is None else launch.chance,
        "now_best_hour_utc": None if now_best is None else time_text(now_best[0]),
        "now_best_score": None if now_best is None else now_best[1],
        "landing_latitude_deg": window.landing_latitude_deg if mark is None else mark.latitude_deg,
        "landing_longitude_deg": (
            window.landing_longitude_deg if mark is None else mark.longitude_deg
        ),
        "drift_km": at.drift_km,
        "bearing_deg": at.bearing_deg,
        "road_km": at.road_km,
        "limited_by": reason(window.limited_by, written),
        "limited_by_causes": causes_to_plain(window.limited_by, f"window {window.uid}"),
        "cycle_id": window.cycle_id,
    }


def _now_best(window: Window, launch: Launch | None) -> tuple[datetime, float | None] | None:
    """The hour that does better than the planned one, and its score."""
    if launch is None:
        return None if window.now_best_utc is None else (window.now_best_utc, window.now_best_score)
    better = launch.now_best
    return None if better is None else (better.time_utc, better.score)


def change_data(change: Change) -> dict[str, Any]:
    """A change."""
    return {
        "key": change.key,
        "kind": str(change.kind),
        "site": change.site,
        "window_uid": change.window_uid,
        "cycle_id": change.cycle_id,
        "found_utc": time_text(change.found_utc),
        "reason": reason(change.causes, written),
        "causes": causes_to_plain(change.causes, f"change {change.key}"),
        "before": None if change.before is None else window_data(change.before),
        "after": None if change.after is None else window_data(change.after),
    }


def health_data(health: Health) -> dict[str, Any]:
    """How well the watch is."""
    cycle = health.cycle
    look, life, free = health.next_look_in, health.life, health.disk_free_bytes
    return {
        "condition": str(health.condition),
        "well": health.well,
        "reason": health.reason,
        "now_utc": time_text(health.now_utc),
        "cycle": None if cycle is None else cycle_data(cycle.cycle),
        "age_s": None if health.age is None else round(health.age.total_seconds()),
        "stale_after_s": round(health.stale_after.total_seconds()),
        "last_pass_utc": None if cycle is None else time_text(cycle.saved_utc),
        "pending_deliveries": sum(health.pending.values()),
        "next_look_in_s": None if look is None else round(look.total_seconds()),
        "last_look_s": None if life is None else round(life.since_look.total_seconds()),
        "disk_free_mb": None if free is None else round(free / 1e6),
    }


def hours_csv(
    hours: Iterable[Hour],
    cycle: str = "",
    notes: Sequence[str] = (),
    standing: Callable[[Hour], Standing] | None = None,
) -> str:
    """Hours as CSV (RFC 4180), a header first; what is not known is an empty field.

    CSV knows no remarks: attribution stands in the last field of the first row.
    """
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(HOUR_COLUMNS)
    for hour in hours:
        data = hour_data(hour, standing=None if standing is None else standing(hour))
        data["worst"] = " ".join(worst_sentences(hour))
        data["others"] = "; ".join(_opinion_field(opinion) for opinion in hour.others)
        near = hour.near_ground
        data["near_ground"] = near.cycle_id if near is not None and near.checks else None
        data["cycle"] = hour.from_cycle or cycle
        data["attribution"], notes = " ".join(notes), ()
        writer.writerow([csv_field(data[name]) for name in HOUR_COLUMNS])
    return out.getvalue()


def _opinion_field(opinion: Opinion) -> str:
    """``ifs-2026-05-05T06Z no-go chance 0.2``: one other model in a field of a table."""
    chance = "" if opinion.chance is None else f" chance {opinion.chance:.3g}"
    return f"{opinion.cycle_id} {opinion.verdict}{chance}"


def csv_field(value: Any) -> Any:
    """A field that no spreadsheet takes for a formula."""
    if isinstance(value, str) and value[:1] in {"=", "+", "-", "@", "\t", "\r"}:
        return f"'{value}"
    return "" if value is None else value


def footprints_geojson(
    hours: Iterable[Hour],
    sites: Sequence[Site],
    cycle: Cycle,
    notes: Sequence[str] = (),
    standing: Callable[[Hour], Standing] | None = None,
) -> dict[str, Any]:
    """Ellipses and middles of footprints, and the sites, as GeoJSON (RFC 7946)."""
    features = [
        feature("Point", point(s.latitude_deg, s.longitude_deg), {"what": "site", "site": s.name})
        for s in sites
    ]
    for hour in hours:
        mark = hour.footprint
        if mark is None:
            continue
        about = {
            "site": hour.site,
            "time_utc": time_text(hour.time_utc),
            "verdict": str(hour.verdict),
            "score": hour.score,
            "chance": hour.chance,
            "standing": None if standing is None else str(standing(hour).place),
            "cycle_id": cycle.id,
        }
        features += inside_features(contained("inside", mark), about)
        middle = point(mark.latitude_deg, mark.longitude_deg)
        features.append(feature("Point", middle, {**about, "what": "middle"}))
    return {"type": "FeatureCollection", "attribution": list(notes), "features": features}


def inside_features(
    areas: Iterable[tuple[str, float, list[list[Point]]]], about: Mapping[str, Any]
) -> list[dict[str, Any]]:
    """Areas that hold a share of the landings or bursts, as features."""
    made = []
    for what, share, rings in areas:
        properties = {**about, "what": what, "share": share}
        if len(rings) == 1:
            made.append(feature("Polygon", rings, properties))
        else:
            made.append(feature("MultiPolygon", [[ring] for ring in rings], properties))
    return made


def feature(kind: str, coordinates: Any, properties: dict[str, Any]) -> dict[str, Any]:
    """A GeoJSON feature."""
    return {
        "type": "Feature",
        "geometry": {"type": kind, "coordinates": coordinates},
        "properties": properties,
    }


def wrapped(longitude_deg: float) -> float:
    """A longitude from -180 up to, not including, 180. [deg]"""
    return (longitude_deg + 180.0) % 360.0 - 180.0


def point(latitude_deg: float, longitude_deg: float, *more: float) -> Point:
    """A point as GeoJSON orders it, rounded."""
    return [
        round(wrapped(longitude_deg), DECIMALS),
        round(latitude_deg, DECIMALS),
        *(round(value, 1) for value in more),
    ]


def contained(what: str, mark: Footprint) -> list[tuple[str, float, list[list[Point]]]]:
    """What lies inside, share, and rings, of the areas that hold 90 % and half of it."""
    return [
        (what, 0.9, ellipse(mark, mark.major_90_m, mark.minor_90_m)),
        (what, 0.5, ellipse(mark, mark.major_50_m, mark.minor_50_m)),
    ]


def ellipse(mark: Footprint, major_m: float, minor_m: float) -> list[list[Point]]:
    """Closed rings of an ellipse round a footprint's middle, counter-clockwise.

    Two of them where it crosses 180°, else one. An ellipse round a pole is not provided for.
    """
    angle = -np.linspace(0.0, 2.0 * np.pi, CORNERS, endpoint=False)
    along, across = major_m * np.cos(angle), minor_m * np.sin(angle)
    bearing = mark.bearing_deg + np.degrees(np.arctan2(across, along))
    latitude, longitude = destination(
        mark.latitude_deg, mark.longitude_deg, bearing, np.hypot(along, across)
    )
    middle = wrapped(mark.longitude_deg)
    corners = [
        [middle + wrapped(float(x) - middle), float(y)]
        for x, y in zip(longitude, latitude, strict=True)
    ]
    rings = []
    for shift in (0.0, 360.0, -360.0):
        ring = [[x + shift, y] for x, y in corners]
        for edge, sign in ((180.0, 1.0), (-180.0, -1.0)):
            ring = _inside(ring, edge, sign)
        if len(ring) > 2:
            rounded = [[round(x, DECIMALS), round(y, DECIMALS)] for x, y in ring]
            rings.append([*rounded, rounded[0]])
    return rings


def _inside(ring: list[Point], edge: float, sign: float) -> list[Point]:
    """The part of a convex ring on the inner side of a meridian."""
    kept: list[Point] = []
    for here, after in zip(ring, [*ring[1:], *ring[:1]], strict=True):
        inner, inner_after = sign * here[0] <= sign * edge, sign * after[0] <= sign * edge
        if inner:
            kept.append(here)
        if inner != inner_after:
            share = (edge - here[0]) / (after[0] - here[0])
            kept.append([edge, here[1] + share * (after[1] - here[1])])
    return kept


def line_parts(points: Iterable[Sequence[float]]) -> list[list[Point]]:
    """A line of points (longitude, latitude, more) in parts that do not cross 180°."""
    parts: list[list[Point]] = []
    before: list[float] | None = None
    for each in points:
        here = [wrapped(each[0]), *each[1:]]
        if before is None:
            parts.append([here])
        elif abs(here[0] - before[0]) > 180.0:
            edge = 180.0 if before[0] > 0.0 else -180.0
            beyond = here[0] + 2.0 * edge
            share = (edge - before[0]) / (beyond - before[0]) if beyond != before[0] else 0.0
            crossing = [a + share * (b - a) for a, b in zip(before[1:], here[1:], strict=True)]
            parts[-1].append([edge, *crossing])
            parts.append([[-edge, *crossing], here])
        else:
            parts[-1].append(here)
        before = here
    return [
        [
            [round(p[0], DECIMALS), round(p[1], DECIMALS), *(round(v, 1) for v in p[2:])]
            for p in part
        ]
        for part in parts
        if len(part) > 1
    ]


# -- elements of KML 2.2 and GPX 1.1 --

KML, GPX = "http://www.opengis.net/kml/2.2", "http://www.topografix.com/GPX/1/1"


def add(parent: Xml.Element, name: str, text: str | None = None, **attributes: str) -> Xml.Element:
    """A new element in another."""
    made = Xml.SubElement(parent, name, attributes)
    made.text = text
    return made


def placemark(parent: Xml.Element, name: str, style: str = "") -> Xml.Element:
    """A named place or line of KML; its shape is added by whoever asked."""
    mark = add(parent, "Placemark")
    add(mark, "name", name)
    if style:
        add(mark, "styleUrl", f"#{style}")
    return mark


def polygons(mark: Xml.Element, rings: list[list[Point]]) -> None:
    """Rings as areas of a placemark."""
    many = add(mark, "MultiGeometry")
    for ring in rings:
        outer = add(add(many, "Polygon"), "outerBoundaryIs")
        add(add(outer, "LinearRing"), "coordinates", coordinates(ring))


def coordinates(points: list[Point]) -> str:
    """Points as KML lists them."""
    return " ".join(",".join(map(str, each)) for each in points)


def place_of(place: Point) -> dict[str, str]:
    """Latitude and longitude as GPX has them."""
    return {"lat": f"{place[1]:.5f}", "lon": f"{place[0]:.5f}"}


def xml_bytes(root: Xml.Element) -> bytes:
    """A document in UTF-8, with its declaration."""
    made: bytes = Xml.tostring(root, encoding="utf-8", xml_declaration=True)
    return made
