"""Writes the invented map of Skerra: towns, water, closed land, roads, airspace, as GeoJSON.

Run ``python grib_samples/make_map.py`` to write ``config/skerra-areas.geojson``, and those of
``roads``, ``airspace`` and ``permitted``, again. Nothing on the map exists. Everything follows
from the island's own formulas and a fixed seed; a test compares the files with what is written
here.
"""

import json
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import island
import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
Feature = dict[str, Any]

SEED = 20260504
NOTE = "invented: the island of Skerra and everything on it exists nowhere"
CONFIG = Path(__file__).resolve().parents[1] / "config"

#: Name, latitude, longitude, mean radius [km]. Sites lie some way out of the towns.
TOWNS = (
    ("Brackwater", 46.17, -36.48, 4.2),
    ("Millfield", 45.66, -36.02, 2.6),
    ("Highmoor", 46.62, -35.62, 1.6),
    ("Port Haskel", 45.93, -33.10, 5.5),
    ("Marrowby", 45.98, -34.52, 3.6),
    ("Quillhaven", 44.35, -35.60, 3.8),
    ("Saltgate", 47.75, -35.60, 3.0),
    ("Oldmere", 45.55, -35.06, 2.2),
    ("Ansby Ford", 45.02, -34.40, 2.4),
    ("Tarn Cross", 46.28, -35.12, 1.9),
    ("Lunnet", 46.67, -33.95, 2.4),
    ("Kestle", 44.62, -34.05, 2.0),
    ("Wexcombe", 45.12, -36.35, 2.3),
    ("Harrowend", 47.25, -36.10, 1.8),
)
#: Name, kind, latitude, longitude, half length and half width [km], turned by [deg].
GROUNDS = (
    ("Marrowby aerodrome", "aerodrome", 46.07, -34.40, 2.4, 1.1, 20.0),
    ("Brackwater strip", "aerodrome", 46.27, -36.30, 1.2, 0.5, -35.0),
    ("Fallow Heath", "no-entry", 46.38, -35.78, 9.0, 5.0, 30.0),
    ("Cold Law range", "military", 47.30, -34.62, 7.5, 5.5, -15.0),
    ("Haskel works", "industry", 45.85, -33.22, 2.0, 1.2, 0.0),
    ("Sedge Levels", "wetland", 45.34, -35.52, 6.0, 3.0, 55.0),
    ("Merewood", "forest", 45.78, -35.42, 11.0, 6.0, 10.0),
    ("Tops Forest", "forest", 46.66, -34.96, 14.0, 7.0, -25.0),
    ("Downs Hanger", "forest", 44.92, -34.92, 10.0, 3.5, 5.0),
)
#: Towns joined by main roads.
MAIN_ROADS = (
    ("primary", "Brackwater", "Millfield"),
    ("primary", "Millfield", "Wexcombe"),
    ("primary", "Wexcombe", "Quillhaven"),
    ("primary", "Quillhaven", "Ansby Ford"),
    ("primary", "Ansby Ford", "Marrowby"),
    ("primary", "Marrowby", "Port Haskel"),
    ("secondary", "Ansby Ford", "Kestle"),
    ("secondary", "Kestle", "Port Haskel"),
    ("secondary", "Marrowby", "Tarn Cross"),
    ("secondary", "Tarn Cross", "Highmoor"),
    ("secondary", "Tarn Cross", "Millfield"),
    ("secondary", "Brackwater", "Highmoor"),
    ("secondary", "Highmoor", "Saltgate"),
    ("secondary", "Brackwater", "Harrowend"),
    ("secondary", "Oldmere", "Marrowby"),
    ("secondary", "Oldmere", "Ansby Ford"),
    ("secondary", "Marrowby", "Lunnet"),
)
#: Name, kind, latitude and longitude, radius [km], floor, ceiling and times.
AIRSPACE: tuple[tuple[str, str, tuple[float, float], float, dict[str, Any]], ...] = (
    ("Marrowby control zone", "closed", (46.07, -34.40), 5.0,
     {"floor_m": 0, "ceiling_ft": 2500}),
    ("Brackwater strip", "open", (46.27, -36.30), 5.0, {"floor_m": 0, "ceiling_ft": 2000}),
    ("Cold Law range", "closed", (47.30, -34.62), 10.0,
     {"floor_m": 0, "ceiling_fl": 245,
      "active": [{"days": "Tue-Thu", "from": "09:00", "until": "17:00",
                  "zone": "America/Noronha"}]}),
)  # fmt: skip
#: Flights are permitted as far as this from the middle of the island. [km]
PERMITTED_KM = 260.0
#: The ring road, in parts of the way from the middle of the island to the shore.
RING = 0.80
#: Lanes run in two families this far apart, with a point every so many degrees. [deg]
LANE_APART_DEG = (0.062, 0.088)
LANE_STEP_DEG = (0.045, 0.032)
KM_PER_DEG = 111.2
#: Above this the lanes turn into tracks. [m]
TRACKS_ABOVE_M = 330.0


def areas() -> dict[str, Any]:
    """The FeatureCollection of areas."""
    rng = np.random.default_rng(SEED)
    features = [_sea(), _area("Long Mere", "water", [_rounded(island.lake_outline_deg(96))])]
    for name, latitude, longitude, radius_km in TOWNS:
        people = round(420.0 * radius_km, -2)  # on a square kilometre; larger towns are denser
        ring = _blob(rng, latitude, longitude, radius_km)
        features.append(_area(name, "town", [ring], people_per_km2=people))
    for name, kind, latitude, longitude, length_km, width_km, turned_deg in GROUNDS:
        ring = _oval(rng, latitude, longitude, (length_km, width_km), turned_deg, kind)
        features.append(_area(name, kind, [ring]))
    return {"type": "FeatureCollection", "note": NOTE, "features": features}


def roads() -> dict[str, Any]:
    """The FeatureCollection of roads."""
    rng = np.random.default_rng(SEED + 1)
    at = {name: (latitude, longitude) for name, latitude, longitude, _ in TOWNS}
    features = [_road("Ring Road", "primary", _runs(*_ring_road()))]
    for kind, first, last in MAIN_ROADS:
        line = _between(rng, at[first], at[last])
        features.append(_road(f"{first} to {last}", kind, _runs(*line)))
    for number, (latitude, longitude) in enumerate(_lane_lines(rng), start=1):
        kinds = _lane_kinds(rng, latitude, longitude)
        for wanted in ("unclassified", "track"):
            here: NDArray[np.bool_] = np.asarray(kinds == wanted)
            parts = _runs(latitude, longitude, here)
            if parts:
                name = f"Lane {number}" if wanted == "unclassified" else f"Track {number}"
                features.append(_road(name, wanted, parts))
    return {"type": "FeatureCollection", "note": NOTE, "features": features}


def airspace() -> dict[str, Any]:
    """The FeatureCollection of airspace: two zones of aerodromes, a range that is shot over."""
    features = []
    for name, kind, (latitude, longitude), radius_km, bounds in AIRSPACE:
        angle = np.linspace(0.0, 2.0 * np.pi, 36, endpoint=False)
        ring = _about(latitude, longitude, radius_km * np.cos(angle), radius_km * np.sin(angle))
        features.append(_area(name, kind, [ring], **bounds))
    return {"type": "FeatureCollection", "note": NOTE, "features": features}


def permitted() -> dict[str, Any]:
    """The FeatureCollection of where flights are permitted: the island and the sea about it."""
    angle = np.linspace(0.0, 2.0 * np.pi, 72, endpoint=False)
    ring = _about(
        island.CENTRE_LATITUDE_DEG,
        island.CENTRE_LONGITUDE_DEG,
        PERMITTED_KM * np.cos(angle),
        PERMITTED_KM * np.sin(angle),
    )
    area = _area("Skerra permitted area", "permitted", [ring])
    return {"type": "FeatureCollection", "note": NOTE, "features": [area]}


def _sea() -> Feature:
    """All round the island, as far as the forecast reaches and a little on."""
    box = [[-38.6, 42.4], [-31.4, 42.4], [-31.4, 49.6], [-38.6, 49.6], [-38.6, 42.4]]
    shore = _rounded(island.shoreline_deg(720))
    return _area("the sea round Skerra", "water", [box, shore[::-1]])


def _blob(
    rng: np.random.Generator, latitude: float, longitude: float, radius_km: float
) -> list[list[float]]:
    """A ragged town."""
    angle = np.linspace(0.0, 2.0 * np.pi, 24, endpoint=False)
    radius = radius_km * (1.0 + 0.22 * np.cos(3 * angle + rng.uniform(0, 6.0)))
    radius = radius * rng.uniform(0.82, 1.12, angle.size)
    return _about(latitude, longitude, radius * np.cos(angle), radius * np.sin(angle))


def _oval(
    rng: np.random.Generator,
    latitude: float,
    longitude: float,
    half_km: tuple[float, float],
    turned_deg: float,
    kind: str,
) -> list[list[float]]:
    """An oval with a ragged rim; an aerodrome is a plain rectangle."""
    if kind == "aerodrome":
        along = half_km[0] * np.array([1.0, -1.0, -1.0, 1.0])
        across = half_km[1] * np.array([1.0, 1.0, -1.0, -1.0])
    else:
        angle = np.linspace(0.0, 2.0 * np.pi, 28, endpoint=False)
        rim = rng.uniform(0.85, 1.1, angle.size)
        along = half_km[0] * rim * np.cos(angle)
        across = half_km[1] * rim * np.sin(angle)
    turned = np.radians(turned_deg)
    east = along * np.cos(turned) - across * np.sin(turned)
    north = along * np.sin(turned) + across * np.cos(turned)
    return _about(latitude, longitude, east, north)


def _about(
    latitude: float, longitude: float, east_km: FloatArray, north_km: FloatArray
) -> list[list[float]]:
    """A closed ring from offsets of a point."""
    x = longitude + east_km / (KM_PER_DEG * np.cos(np.radians(latitude)))
    y = latitude + north_km / KM_PER_DEG
    return _rounded(zip(np.append(x, x[0]), np.append(y, y[0]), strict=True), places=4)


def _ring_road() -> tuple[FloatArray, FloatArray]:
    """Once round the island, at a fixed part of the way to the shore."""
    shore = np.array(island.shoreline_deg(480))
    middle = np.array([island.CENTRE_LONGITUDE_DEG, island.CENTRE_LATITUDE_DEG])
    # Bays are cut short: the road keeps to a running mean over 60 degrees of the shore.
    reach = np.hypot(*(shore[:-1] - middle).T)
    wide = np.concatenate([reach[-40:], reach, reach[:40]])
    smooth = np.array([wide[i : i + 81].mean() for i in range(reach.size)])
    away = (shore[:-1] - middle) / reach[:, None]
    ring = middle + away * (RING * np.minimum(smooth, reach / 0.88))[:, None]
    ring = np.vstack([ring, ring[:1]])
    return ring[:, 1], ring[:, 0]


def _between(
    rng: np.random.Generator, first: tuple[float, float], last: tuple[float, float]
) -> tuple[FloatArray, FloatArray]:
    """A winding road from town to town."""
    length = float(np.hypot(last[0] - first[0], (last[1] - first[1]) * 0.7))
    along = np.linspace(0.0, 1.0, max(int(length / 0.03), 4))
    swing = 0.04 * length * np.sin(np.pi * along) * np.sin(7.0 * along + rng.uniform(0, 6.0))
    north, east = last[0] - first[0], last[1] - first[1]
    latitude = first[0] + along * north - swing * east / max(length, 1e-9)
    return latitude, first[1] + along * east + swing * north / max(length, 1e-9)


def _lane_lines(rng: np.random.Generator) -> Iterator[tuple[FloatArray, FloatArray]]:
    """Lanes from west to east, then from south to north, each winding its own way."""
    half = island.HALF_EXTENT_DEG
    south, west = island.CENTRE_LATITUDE_DEG - half, island.CENTRE_LONGITUDE_DEG - half
    for start in np.arange(0.0, 2 * half, LANE_APART_DEG[0]):
        along = np.arange(0.0, 2 * half, LANE_STEP_DEG[0])
        yield south + start + _winding(rng, along, 0.018), west + along
    for start in np.arange(0.0, 2 * half, LANE_APART_DEG[1]):
        along = np.arange(0.0, 2 * half, LANE_STEP_DEG[1])
        yield south + along, west + start + _winding(rng, along, 0.026)


def _winding(rng: np.random.Generator, along: FloatArray, swing: float) -> FloatArray:
    """A smooth sideways wandering. [deg]"""
    phases = rng.uniform(0.0, 2.0 * np.pi, 3)
    waves = zip((4.1, 9.3, 17.0), phases, (1.0, 0.6, 0.35), strict=True)
    wandering: FloatArray = np.sum([size * np.sin(k * along + p) for k, p, size in waves], axis=0)
    return swing * wandering


def _lane_kinds(
    rng: np.random.Generator, latitude: FloatArray, longitude: FloatArray
) -> NDArray[np.str_]:
    """What each point of a lane is: a lane, a track on high ground, or nothing."""
    stretches = rng.uniform(size=latitude.size // 5 + 1).repeat(5)[: latitude.size]
    high = island.terrain_m(latitude, longitude) > TRACKS_ABOVE_M
    kind = np.where(high, "track", "unclassified")
    kind = np.where(~high & (stretches < 0.12), "track", kind)
    gone = stretches > np.where(high, 0.45, 0.72)
    for _, what, ground_latitude, ground_longitude, half_km, _, _ in GROUNDS:
        if what in {"no-entry", "military", "aerodrome"}:
            north = (latitude - ground_latitude) * KM_PER_DEG
            east = (longitude - ground_longitude) * KM_PER_DEG * 0.7
            gone |= np.hypot(north, east) < half_km
    kind[gone] = "nothing"
    return kind


def _runs(
    latitude: FloatArray,
    longitude: FloatArray,
    wanted: NDArray[np.bool_] | None = None,
) -> list[list[list[float]]]:
    """Pieces of a line that lie on land and are wanted, each of two points or more."""
    latitude, longitude = np.round(latitude, 3), np.round(longitude, 3)
    steps = np.linspace(0.0, 1.0, 9)[:, None]
    between = island.land_fraction(
        latitude[:-1] + steps * np.diff(latitude), longitude[:-1] + steps * np.diff(longitude)
    )
    keep = np.all(between > 0.75, axis=0)
    if wanted is not None:
        keep &= wanted[:-1]
    pieces: list[list[list[float]]] = []
    for i in np.flatnonzero(keep):
        if not (pieces and i > 0 and keep[i - 1]):
            pieces.append([_point(longitude[i], latitude[i])])
        pieces[-1].append(_point(longitude[i + 1], latitude[i + 1]))
    return pieces


def _point(longitude: Any, latitude: Any) -> list[float]:
    return [round(float(longitude), 3), round(float(latitude), 3)]


def _rounded(ring: Iterable[tuple[Any, Any]], places: int = 3) -> list[list[float]]:
    """Positions with three decimals (about 100 m) or four, doubled ones left out."""
    points: list[list[float]] = []
    for x, y in ring:
        point = [round(float(x), places), round(float(y), places)]
        if not points or point != points[-1]:
            points.append(point)
    return points


def _area(name: str, kind: str, rings: list[Any], **more: Any) -> Feature:
    geometry = {"type": "Polygon", "coordinates": rings}
    properties = {"name": name, "kind": kind, **more}
    return {"type": "Feature", "properties": properties, "geometry": geometry}


def _road(name: str, kind: str, parts: list[Any]) -> Feature:
    geometry = {"type": "MultiLineString", "coordinates": parts}
    return {"type": "Feature", "properties": {"name": name, "kind": kind}, "geometry": geometry}


def text(collection: dict[str, Any]) -> str:
    """A FeatureCollection as it stands in the file: one feature a line."""
    head = {key: value for key, value in collection.items() if key != "features"}
    lines = [json.dumps(f, separators=(",", ":")) for f in collection["features"]]
    opened = json.dumps(head, separators=(",", ":"))[:-1]
    return opened + ',"features":[\n' + ",\n".join(lines) + "\n]}\n"


def main() -> None:
    """Write all files."""
    for name, made in (
        ("areas", areas), ("roads", roads), ("airspace", airspace), ("permitted", permitted)
    ):  # fmt: skip
        collection = made()
        path = CONFIG / f"skerra-{name}.geojson"
        path.write_text(text(collection), encoding="utf-8")
        print(f"{path.name}: {path.stat().st_size / 1000:.0f} kB")


if __name__ == "__main__":
    main()
