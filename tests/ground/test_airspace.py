"""Airspace and permitted areas: exact answers, brute force on dense points, and bad files."""

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely

from windowwatch.errors import GroundError
from windowwatch.ground.geojson import read_airspace, read_permitted
from windowwatch.ground.query.airspace import (
    Airspace,
    AirspaceKind,
    Level,
    Paths,
    Permitted,
    Volume,
)
from windowwatch.ground.query.features import Ground
from windowwatch.ground.query.outline import zones_of

SITE = (46.0, -35.0)
BOX = [[-35.1, 45.9], [-34.9, 45.9], [-34.9, 46.1], [-35.1, 46.1], [-35.1, 45.9]]


def _paths(*flights: Any, pressure_m: Any = None) -> Paths:
    """Flights as lists of (longitude, latitude, height, time)."""
    most = max(len(flight) for flight in flights)
    held = np.full((len(flights), most, 4), np.nan)
    for i, flight in enumerate(flights):
        held[i, : len(flight)] = flight
    x, y, z, t = held.transpose(2, 0, 1)
    count = np.array([len(flight) for flight in flights])
    known = z if pressure_m is None else np.full(z.shape, pressure_m)
    return Paths(x, y, z, t, lambda at: (known[at], known[at]), count)


def _volume(low: float = 0.0, high: float = 3000.0, **more: Any) -> Volume:
    given: dict[str, Any] = {"floor": Level(low), "ceiling": Level(high), **more}
    return Volume("zone", AirspaceKind.CLOSED, shapely.Polygon(BOX), **given)


def _crossed(volume: Volume, *flights: Any, **more: Any) -> list[bool]:
    return [bool(x) for x in Airspace([volume]).crossed(_paths(*flights, **more))[:, 0]]


def test_a_thin_volume_is_not_jumped_over() -> None:
    """From far west to far east in one piece, falling from 2000 to 1000 m; 1500 m in between."""
    piece = [(-36.0, 46.0, 2000.0, 0.0), (-34.0, 46.0, 1000.0, 1000.0)]
    assert _crossed(_volume(1499.9, 1500.1), piece) == [True]
    assert _crossed(_volume(1600.0, 1601.0), piece) == [False], "it is at 1600 m west of the zone"
    assert _crossed(_volume(1450.0, 1550.0, active=((500.0, 501.0),)), piece) == [True]
    assert _crossed(_volume(1450.0, 1550.0, active=((100.0, 300.0),)), piece) == [False]
    assert _crossed(_volume(active=((100.0, 300.0), (540.0, 545.0))), piece) == [True]


def test_straight_up_through_a_volume_and_beside_it() -> None:
    up = [(-35.0, 46.0, 0.0, 0.0), (-35.0, 46.0, 30_000.0, 6000.0)]
    beside = [(-35.2, 46.0, 0.0, 0.0), (-35.2, 46.0, 30_000.0, 6000.0)]
    level = [(-36.0, 46.0, 9000.0, 0.0), (-34.0, 46.0, 9000.0, 10.0)]
    assert _crossed(_volume(20_000.0, 20_001.0), up, beside, level) == [True, False, False]
    assert _crossed(_volume(9000.0, 9000.5), up, beside, level) == [True, False, True]


def test_above_an_unlimited_floor_and_by_pressure() -> None:
    level = [(-36.0, 46.0, 9000.0, 0.0), (-34.0, 46.0, 9000.0, 10.0)]
    assert _crossed(_volume(8000.0, np.inf), level) == [True]
    by_pressure = _volume(ceiling=Level(9100.0, by_pressure=True))
    assert _crossed(by_pressure, level, pressure_m=9050.0) == [True]
    assert _crossed(by_pressure, level, pressure_m=9150.0) == [False]


def test_where_the_pressure_height_is_not_known_it_counts_as_inside() -> None:
    level = [(-36.0, 46.0, 9000.0, 0.0), (-34.0, 46.0, 9000.0, 10.0)]
    greatest, least = np.full((1, 2), 9050.0), np.full((1, 2), 8950.0)
    paths = replace(_paths(level), pressure_heights_m=lambda at: (greatest[at], least[at]))
    for low, high, inside in (
        (9040.0, 9100.0, True), (8900.0, 8960.0, True), (9060.0, 9100.0, False),
        (8800.0, 8940.0, False), (9000.0, 9001.0, True),
    ):  # fmt: skip
        by_pressure = _volume(floor=Level(low, True), ceiling=Level(high, True))
        assert Airspace([by_pressure]).crossed(paths).tolist() == [[inside]], (low, high)


def test_the_map_says_the_flight_level_that_was_given(tmp_path: Path) -> None:
    """ICAO Annex 2: a flight level is hundreds of feet; 600 is 18.34 km of geometric height."""
    for number in (10, 95, 245, 320, 330, 460, 600):
        about = {"name": "Z", "kind": "closed", "floor_m": 0, "ceiling_fl": number}
        air, _ = read_airspace(_file(tmp_path, about), [SITE])
        assert [z.label for z in zones_of(Ground(airspace=air))] == [f"Z, ground to FL {number}"]


def test_an_open_volume_does_not_count() -> None:
    given = Volume("pass", AirspaceKind.OPEN, shapely.Polygon(BOX), Level(0.0), Level(1e4))
    air = Airspace([given, _volume()])
    assert [volume.name for volume in air.closed] == ["zone"]


def test_over_the_date_line() -> None:
    ring = [[179.5, 0], [180, 0], [180, 1], [179.5, 1], [179.5, 0]]
    far = [[-180, 0], [-179.5, 0], [-179.5, 1], [-180, 1], [-180, 0]]
    air = Airspace(
        [Volume(n, AirspaceKind.CLOSED, shapely.Polygon(r), Level(0.0), Level(1e4))
         for n, r in (("west", ring), ("east", far))]
    )  # fmt: skip
    for turns in (0.0, 360.0, -360.0):
        over = [(179.0 + turns, 0.5, 5e3, 0.0), (180.2 + turns, 0.5, 5e3, 1.0)]
        short = [(179.0 + turns, 0.5, 5e3, 0.0), (179.9 + turns, 0.5, 5e3, 1.0)]
        assert air.crossed(_paths(over, short)).tolist() == [[True, True], [True, False]]
        both = Permitted([volume.shape for volume in air.volumes], "both")
        inside = [(179.6 + turns, 0.5, 5e3, 0.0), (180.2 + turns, 0.5, 5e3, 1.0)]
        assert both.left(_paths(over, inside)).tolist() == [True, False]


def test_many_flights_against_brute_force() -> None:
    """Random flights and volumes; the other answer comes from 4000 points along each flight.

    Points can miss what a piece only just touches, so the two may differ by a flight or two
    in this direction, and never in the other.
    """
    rng = np.random.default_rng(12)
    steps = 40
    walk = np.cumsum(rng.normal(0.0, 0.03, (300, steps, 2)), axis=1) + np.array([-35.0, 46.0])
    height = np.interp(np.arange(steps), [0, 28, steps - 1], [0.0, 30_000.0, 0.0])
    time = np.arange(steps) * 200.0
    flights = [
        np.column_stack([xy, height * rng.uniform(0.5, 1.1), time + rng.uniform(0, 500)])
        for xy in walk
    ]
    paths = _paths(*flights)
    volumes = []
    for _ in range(25):
        corner = rng.uniform([-35.4, 45.6], [-34.8, 46.2])
        ring = shapely.Point(corner).buffer(rng.uniform(0.02, 0.25), quad_segs=3)
        low = rng.uniform(0.0, 25_000.0)
        begin = rng.uniform(0.0, 7000.0)
        active = ((begin, begin + rng.uniform(50.0, 1500.0)),) if rng.random() < 0.5 else ()
        high = Level(low + rng.uniform(20.0, 4000.0))
        volumes.append(Volume("v", AirspaceKind.CLOSED, ring, Level(low), high, active))
    found = Airspace(volumes).crossed(paths)
    at = np.linspace(0.0, steps - 1.0, 4000)
    missed = wrong = 0
    for i, flight in enumerate(flights):
        x, y, z, t = (np.interp(at, np.arange(steps), column) for column in flight.T)
        for j, volume in enumerate(volumes):
            inside = (z >= volume.floor.height_m) & (z <= volume.ceiling.height_m)
            if volume.active:
                inside &= (t >= volume.active[0][0]) & (t <= volume.active[0][1])
            brute = bool(np.any(shapely.contains_xy(volume.shape, x[inside], y[inside])))
            missed += brute and not found[i, j]
            wrong += bool(found[i, j]) and not brute
    assert found.sum() > 200
    assert missed == 0
    assert wrong <= 0.02 * found.sum()


def test_leaving_the_permitted_area_against_shapely() -> None:
    rng = np.random.default_rng(5)
    walk = np.cumsum(rng.normal(0.0, 0.02, (200, 30, 2)), axis=1) + np.array([-35.0, 46.0])
    flights = [np.column_stack([xy, np.zeros((30, 2))]) for xy in walk]
    hole = shapely.Point(-34.9, 46.05).buffer(0.01)
    parts = [shapely.box(-35.2, 45.8, -34.95, 46.2), shapely.box(-34.95, 45.8, -34.8, 46.2) - hole]
    left = Permitted(parts, "area").left(_paths(*flights))
    whole = shapely.union_all(parts)
    assert left.tolist() == [not whole.covers(shapely.LineString(xy)) for xy in walk]
    assert 20 < left.sum() < 180


FINE = {"name": "Zone", "kind": "closed", "floor_m": 0, "ceiling_m": 3000}


def _file(folder: Path, properties: Any = None, ring: Any = None) -> Path:
    geometry = {"type": "Polygon", "coordinates": [ring or BOX]}
    feature = {"type": "Feature", "properties": properties or FINE, "geometry": geometry}
    path = folder / "air.geojson"
    path.write_text(
        json.dumps({"type": "FeatureCollection", "note": "invented", "features": [feature]}),
        encoding="utf-8",
    )
    return path


def test_what_a_file_says(tmp_path: Path) -> None:
    """FL 245 is 24 500 ft of geopotential height: 7467.6 m, 7476.4 m geometric (USSA 1976)."""
    about = {
        **FINE,
        "floor_fl": 245,
        "ceiling": "unlimited",
        "active": [{"from_utc": "1970-01-01T02:00+02:00", "until_utc": "1970-01-01T00:01Z"}],
    }
    about = {k: v for k, v in about.items() if k not in ("floor_m", "ceiling_m")}  # fmt: skip
    air, source = read_airspace(_file(tmp_path, about), [SITE])
    (volume,) = air.volumes
    assert volume.floor.by_pressure
    assert volume.floor.height_m == pytest.approx(7476.4, abs=0.1)
    assert volume.ceiling.height_m == np.inf
    assert volume.active == ((0.0, 60.0),)
    assert source == "air.geojson: invented"
    feet, _ = read_airspace(_file(tmp_path, {"kind": "closed", "floor_ft": 1000, "ceiling_m": 400}))
    assert feet.volumes[0].floor.height_m == pytest.approx(304.8)


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"ceiling_m": None}, 'ceiling_m = None; give a number'),
        ({"-": "ceiling_m"}, 'has no ceiling; give exactly one of ceiling_m'),
        ({"-": "floor_m"}, "has no floor; give exactly one of floor_m"),
        ({"ceiling_ft": 900}, "has ceiling_m and ceiling_ft; give exactly one"),
        ({"-": "ceiling_m", "ceiling": 900}, '"ceiling": 900 has no unit; give one of ceiling_m'),
        ({"floor_m": 3000}, r"its ceiling \(3000 m\) is not above its floor \(3000 m\)"),
        ({"ceiling_m": 450_000}, "ceiling_m = 450000; give a number up to 100000"),
        ({"ceiling_m": True}, "ceiling_m = True; give a number"),
        ({"kind": "shut"}, "kind 'shut' is unknown; give one of closed, open"),
        ({"active": []}, '"active" must be a list'),
        ({"active": [{"from_utc": "2026-05-05T06:00Z"}]}, "until_utc is None; write it as"),
        ({"active": [{"from_utc": "2026-05-05T06:00Z", "until_utc": "2026-05-05T05:00Z"}]},
         "active 1: from_utc .* is not before until_utc .*; they may be the wrong way round"),
        ({"active": [{"from_utc": "2026-05-05T06:00", "until_utc": "2026-05-05T05:00Z"}]},
         "from_utc = 2026-05-05T06:00 has no time zone; write 2026-05-05T06:00Z for UTC"),
        ({"active": [{"from_utc": 7, "until_utc": 8}]}, "from_utc is 7; write it as"),
    ],
)  # fmt: skip
def test_bad_properties(tmp_path: Path, changed: dict[str, Any], said: str) -> None:
    about = {**FINE, **changed}
    about.pop(str(about.pop("-", "")), None)
    with pytest.raises(GroundError, match=rf'air\.geojson: feature 1 \("Zone"\): .*{said}'):
        read_airspace(_file(tmp_path, about), [SITE])


@pytest.mark.parametrize(
    ("ring", "said"),
    [
        ([p[::-1] for p in BOX], "latitude and longitude seem to be swapped"),
        ([BOX[0], BOX[2], BOX[1], BOX[3], BOX[0]], "the outline crosses itself near longitude"),
        (BOX[:-1], "the ring is not closed"),
    ],
)
def test_bad_outlines(tmp_path: Path, ring: Any, said: str) -> None:
    with pytest.raises(GroundError, match=rf'air\.geojson: feature 1 \("Zone"\): {said}'):
        read_airspace(_file(tmp_path, ring=ring), [SITE])


def test_bad_permitted_areas(tmp_path: Path) -> None:
    about = {"name": "Zone", "kind": "permitted"}
    permitted, _ = read_permitted(_file(tmp_path, about), [SITE])
    assert permitted.name == "Zone"
    with pytest.raises(GroundError, match=r"site at 46\.5, -35 lies outside the permitted area"):
        read_permitted(_file(tmp_path, about), [SITE, (46.5, -35.0)])
    with pytest.raises(GroundError, match="kind 'closed' is unknown; give one of permitted"):
        read_permitted(_file(tmp_path), [SITE])
    with pytest.raises(GroundError, match="is more than 1500 km from every site"):
        read_permitted(_file(tmp_path, about), [(10.0, 10.0)])
    empty = tmp_path / "empty.geojson"
    empty.write_text('{"type": "FeatureCollection", "features": []}', encoding="utf-8")
    with pytest.raises(GroundError, match="holds no volume of air; leave the file out"):
        read_airspace(empty)
