"""An hour to the bottom: checks, map, times and story agree with what is stored."""

import json
import re
from dataclasses import replace
from datetime import timedelta
from math import hypot

import invented
import numpy as np
import pytest
import shapely
from geodesic import Geod
from page_week import Week

from windowwatch.drawing.hour_map import TALL, WIDE, Shape, draw
from windowwatch.drawing.labels import Labels
from windowwatch.ground.query.airspace import Airspace, AirspaceKind, Level, Permitted, Volume
from windowwatch.ground.query.features import Area, AreaKind, Areas, Ground, Road, RoadClass, Roads
from windowwatch.ground.query.outline import MOST_VERTICES, Frame, Zone, outlines, zones_of
from windowwatch.physics.spread import Footprint
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.scoring.values import Check, Drive, Hour, HourDetail, Opinion, Part, Verdict
from windowwatch.web.draw.layers import map_layers
from windowwatch.web.draw.timeline import (
    PROFILE_FOOT,
    PROFILE_TOP,
    Told,
    front_time,
    history,
    profile,
    timeline,
)
from windowwatch.web.pages.hourview import check_row
from windowwatch.web.values import stamp
from windowwatch.windows.standing import judged
from windowwatch.wording.checks import worst_sentences
from windowwatch.wording.page import is_long, map_words, reading_words


def best(week: Week) -> Hour:
    return max(week.store.hours(week.facts.watch), key=lambda h: h.score or 0.0)


def path_of(hour: Hour) -> str:
    return f"/hour/{hour.site.lower()}/{stamp(hour.time_utc)}"


def _numbers(check: Check) -> list[str]:
    said = [reading_words(check, v) for v in (check.value, check.fine, check.limit, check.margin)]
    # A forecast writes 20 km, less the height of the site, where there is no ceiling.
    none = check.name == "ceiling" and (check.value or 0.0) > 19_000.0
    return ["none", said[1], said[2], "–"] if none else said


def test_every_check_is_in_the_table_with_value_limit_and_margin(week: Week) -> None:
    hour = best(week)
    page = week.client().get(path_of(hour)).text
    rows = re.findall(
        r'aria-label="([a-z-]+)">.</span> .*?</th>\s*<td class="n">(.+?) ?</td>'
        r'<td class="n">(.+?)</td><td class="n">(.+?)!?</td><td class="n">(.+?)</td>',
        page,
    )
    # The unit stands behind the value alone.
    in_parts = sorted(hour.checks, key=lambda check: list(Part).index(check.part))
    rows = [
        (verdict, value if is_long(c) else value.split()[0], *rest)
        for (verdict, value, *rest), c in zip(rows, in_parts, strict=True)
    ]
    assert rows == [(str(c.verdict), *_numbers(c)) for c in in_parts]
    for sentence in worst_sentences(hour):
        assert sentence in page


def test_the_story_has_every_cycle_the_newest_first(week: Week) -> None:
    hour = best(week)
    page = week.client().get(path_of(hour)).text
    cycles = re.findall(r'<th scope="row">(Mon 4 May \d\d:00 UTC)</th>', page)
    assert cycles == ["Mon 4 May 18:00 UTC", "Mon 4 May 00:00 UTC"]


def test_what_other_models_say_is_on_the_page(made_week: Week) -> None:
    other = Opinion("north", "north-2026-05-04T18Z", Verdict.NO_GO, 31.0, 0.2, 23.4)
    hour = replace(invented.hour(invented.at(9), chance=0.6), own_chance=0.8, others=(other,))
    made_week.store.save_pass(invented.record(hours=(hour,)))
    page = made_week.client(invented.NOW).get(path_of(hour)).text
    assert "1 of 2 models says go; north no-go" in page
    assert "(80\xa0% before the other models were heard)" in page
    row = re.search(r'<th scope="row">north</th>(.*?)</tbody>', page, re.S)
    assert row is not None
    assert 'no-go</span></td><td class="n">31</td><td class="n">20\xa0%</td>' in row[1]
    assert "Cycle of Mon 4 May 18:00 UTC; lands 23\xa0km from where" in row[1]
    foot = page[page.index("<footer>") :]
    assert "north-2026-05-04T18Z" in foot  # its weather is credited, too


def test_every_hour_has_its_page(week: Week) -> None:
    client = week.client()
    hours = week.store.hours(week.facts.watch)
    for hour in hours[::18]:
        answer = client.get(path_of(hour))
        assert answer.status_code == 200
        assert f"{judged(hour, week.facts.rules).verdict}</span>" in answer.text


@pytest.mark.parametrize(
    "path",
    ["millfield/20260508T0830Z", "nowhere/20260508T0800Z", "millfield/yesterday", "millfield/"],
)
def test_an_hour_that_nobody_looked_at_is_not_there(week: Week, path: str) -> None:
    answer = week.client().get(f"/hour/{path}")
    assert answer.status_code == 404
    assert "Traceback" not in answer.text


def test_an_hour_without_landings_says_so(week: Week) -> None:
    refused = [h for h in week.store.hours(week.facts.watch) if h.footprint is None]
    for hour in refused[:1]:
        assert "No footprint" in week.client().get(path_of(hour)).text


def test_a_check_that_an_older_version_stored_breaks_no_page(made_week: Week) -> None:
    hours = tuple(invented.hour(invented.at(h), 40.0, by="moonlight") for h in range(24))
    made_week.store.save_pass(invented.record(hours=hours))
    client = made_week.client(invented.NOW)
    for path in ("/", "/sites", "/hour/millfield/20260507T0600Z", "/data/hours.json?checks=yes"):
        assert client.get(path).status_code == 200, path


# The map


def test_ellipses_stand_where_the_geodesic_says() -> None:
    """Ends of the long axis, by PROJ's geodesics."""
    mark = Footprint(45.9, -35.2, 128, 10_000.0, 6_000.0, 20_000.0, 12_000.0, 60.0)
    view = draw(invented.MILLFIELD, mark, Ground())
    ring = view.in_90
    turn = np.radians(ring.turn_deg)
    end = (ring.x + ring.major * np.cos(turn), ring.y + ring.major * np.sin(turn))
    longitude, latitude, _ = Geod().fwd(-35.2, 45.9, 60.0, 20_000.0)
    again = draw(
        replace(invented.MILLFIELD, latitude_deg=float(latitude), longitude_deg=float(longitude)),
        mark,
        Ground(),
    )
    # Both drawings have the footprint's middle in common; compare in kilometres.
    per_km = view.bar_units / float(view.bar_km.split()[0])
    per_km_again = again.bar_units / float(again.bar_km.split()[0])
    first = [(e - c) / per_km for e, c in zip(end, view.centre, strict=True)]
    second = [(s - c) / per_km_again for s, c in zip(again.site, again.centre, strict=True)]
    assert hypot(first[0] - second[0], first[1] - second[1]) < 0.25  # of 20 km


def test_the_scale_bar_is_as_long_as_it_says() -> None:
    mark = Footprint(46.3, -34.9, 128, 10_000.0, 6_000.0, 20_000.0, 12_000.0, 60.0)
    view = draw(invented.MILLFIELD, mark, Ground())
    drawn_km = hypot(view.site[0] - view.centre[0], view.site[1] - view.centre[1]) / (
        view.bar_units / float(view.bar_km.split()[0])
    )
    true_m = Geod().inv(-35.90, 45.60, -34.9, 46.3)[2]
    assert drawn_km == pytest.approx(true_m / 1000.0, rel=0.01)


@pytest.mark.parametrize("shape", [TALL, WIDE], ids=lambda shape: shape.name)
def test_all_of_the_footprint_and_the_site_lie_in_the_frame(shape: Shape) -> None:
    for bearing in (0.0, 30.0, 90.0, 150.0):
        for landing in ((45.9, -35.2), (44.0, -35.9), (45.6, -35.9), (47.5, -39.0)):
            mark = Footprint(*landing, 64, 1e4, 5e3, 30_000.0, 9_000.0, bearing)
            view = draw(invented.MILLFIELD, mark, Ground(), shape=shape)
            assert shape.lowest - 1.0 <= view.height <= shape.highest + 1.0
            ring, turn = view.in_90, np.radians(view.in_90.turn_deg)
            reach = (
                hypot(ring.major * np.cos(turn), ring.minor * np.sin(turn)),
                hypot(ring.major * np.sin(turn), ring.minor * np.cos(turn)),
            )
            for at, far in ((view.centre, reach), (view.site, (0.0, 0.0))):
                assert far[0] < at[0] < view.width - far[0]
                assert far[1] < at[1] < view.height - far[1]


def test_outlines_are_cut_thinned_and_bounded() -> None:
    lake = shapely.Point(-35.0, 46.0).buffer(0.5, quad_segs=256)
    roads = [
        Road(f"{i}", kind, shapely.LineString([(-36 + 1e-3 * j, 46 + 1e-2 * (j % 2) + i * 1e-3)
                                               for j in range(2000)]))
        for i, kind in enumerate([RoadClass.TRACK] * 20 + [RoadClass.PRIMARY])
    ]  # fmt: skip
    ground = Ground(Areas([Area("Mere", AreaKind.WATER, lake)]), Roads(roads))
    frame = Frame(45.0, -36.0, 47.0, -35.0)
    found = outlines(ground, frame, 1e-4)
    water = found[0]
    assert (water.name, water.kind) == ("Mere", AreaKind.WATER)
    assert water.lines[0][:, 1].max() <= -35.0  # the eastern half is cut off
    assert water.size == pytest.approx(np.pi * 0.25 / 2.0, rel=1e-3)
    assert len(water.lines[0]) < 200
    assert sum(len(line) for each in found for line in each.lines) <= MOST_VERTICES
    assert found[-1].kind is RoadClass.PRIMARY  # what matters most is kept, and drawn last
    assert sum(each.kind is RoadClass.TRACK for each in found) < 20


def test_the_description_follows_from_the_footprint() -> None:
    mark = Footprint(45.6, -35.0, 64, 5_000.0, 2_500.0, 10_000.0, 5_000.0, 92.0)
    spoken = map_words(invented.MILLFIELD, mark)
    assert "lies 70\xa0km east of Millfield" in spoken
    assert "Half of the flights land in an ellipse of 10 by 5 km" in spoken
    assert "nine in ten in one of 20 by 10 km, its long axis towards east" in spoken


@pytest.mark.parametrize("shape", [TALL, WIDE], ids=lambda shape: shape.name)
def test_the_flight_is_drawn_to_its_burst_and_down(shape: Shape) -> None:
    hour = invented.hour(invented.at(9))
    detail = invented.detail(hour)
    assert hour.footprint is not None
    assert detail.track is not None
    view = draw(invented.MILLFIELD, hour.footprint, Ground(), detail=detail, shape=shape)
    begin = re.match(r"M([\d.]+) ([\d.]+)", view.up)
    assert begin is not None
    assert [float(x) for x in begin.groups()] == pytest.approx(view.site, abs=0.06)
    ends = []
    for path in (view.up, view.down):
        steps = np.array(re.findall(r"(-?[\d.]+) ?(-?[\d.]+)", path), dtype=float)
        ends.append(steps.sum(axis=0).tolist())  # the first is the start, all others are steps
    assert ends[0] == pytest.approx(view.burst, abs=0.06)
    assert ends[1] == pytest.approx(view.centre, abs=0.06)
    # 140 min of flight: a mark every half hour.
    assert len(view.marks) == 4
    assert view.landings.count("h0") == 40
    spoken = map_words(invented.MILLFIELD, hour.footprint, detail)
    assert "bursts 104 min after the release at 31.3 km" in spoken
    assert "The crew drives 1 h 14 min from Millfield." in spoken


def test_names_neither_meet_nor_leave_the_drawing() -> None:
    names = Labels(360.0, 320.0)
    rng = np.random.default_rng(5)
    for x, y in rng.uniform((0.0, 0.0), (360.0, 320.0), (60, 2)).tolist():
        names.beside((x, y), "Marrowby")
    width = 7.4 * len("Marrowby")
    left = {"start": 0.0, "middle": 0.5, "end": 1.0}
    boxes = [(n.x - left[n.anchor] * width, n.y - 12.0) for n in names.placed]
    assert len(boxes) > 15
    for i, (x, y) in enumerate(boxes):
        assert 0.0 <= x <= 360.0 - width
        assert 0.0 <= y <= 320.0 - 16.0
        for a, b in boxes[:i]:
            assert abs(a - x) >= width - 1e-9 or abs(b - y) >= 16.0 - 1e-9


def test_the_layers_hold_what_the_drawing_holds(week: Week) -> None:
    hour = invented.hour(invented.at(9))
    detail = invented.detail(hour)
    assert hour.footprint is not None
    zone = Zone("airspace", "Sound TMA", (np.array([[45.8, -36.0], [46.2, -36.0], [46.0, -35.0]]),))
    found = map_layers(invented.MILLFIELD, hour.footprint, week.facts.ground, detail, [zone])
    layers = {layer["id"]: layer["features"]["features"] for layer in found["layers"]}
    assert list(layers) == [
        "areas", "roads", "airspace", "drive", "inside", "landings", "bursts", "flight",
    ]  # fmt: skip
    (south, west), (north, east) = found["bounds"]
    for feature in (*layers["flight"], *layers["landings"]):
        for longitude, latitude in np.atleast_2d(feature["geometry"]["coordinates"]):
            assert south < latitude < north
            assert west < longitude < east
    # Ends of the 90 % ellipse are as far from its middle as the footprint says (PROJ).
    ring = np.array(layers["inside"][0]["geometry"]["coordinates"][0])
    far = Geod().inv(*np.broadcast_arrays(-35.5, 45.9, ring[:, 0], ring[:, 1]))[2]
    assert ring[0].tolist() == ring[-1].tolist()
    assert (far.max(), far.min()) == pytest.approx((9000.0, 5600.0), rel=0.01)
    assert sum(len(line) for f in layers["roads"] for line in f["geometry"]["coordinates"]) > 500


@pytest.mark.parametrize("moved_deg", [-143.9, 215.9])
def test_over_the_date_line_all_layers_lie_side_by_side(week: Week, moved_deg: float) -> None:
    """The same flight, drive and zones, moved to where 180° runs through the middle of them.

    Each longitude is written between -180° and 180°, as GeoJSON and forecasts have them.
    """

    def moved(longitude_deg: float) -> float:
        return (longitude_deg + moved_deg + 180.0) % 360.0 - 180.0

    def over(detail: HourDetail) -> HourDetail:
        track, drive, burst = detail.track, detail.drive, detail.burst
        assert track is not None
        assert drive is not None
        assert burst is not None
        return replace(
            detail,
            track=replace(track, longitude_deg=tuple(map(moved, track.longitude_deg))),
            drive=replace(drive, longitude_deg=tuple(map(moved, drive.longitude_deg))),
            burst=replace(burst, longitude_deg=moved(burst.longitude_deg)),
            landing_longitude_deg=tuple(map(moved, detail.landing_longitude_deg)),
        )

    hour = invented.hour(invented.at(9))
    assert hour.footprint is not None
    mark = replace(hour.footprint, longitude_deg=moved(hour.footprint.longitude_deg))
    site = replace(invented.MILLFIELD, longitude_deg=moved(invented.MILLFIELD.longitude_deg))
    zones = [
        Zone("airspace", f"Zone {i}", (np.array([[45.8, west], [46.2, west], [46.0, west + 0.1]]),))
        for i, west in enumerate((179.5, -179.9))
    ]
    found = map_layers(site, mark, Ground(), over(invented.detail(hour)), zones)
    (south, west), (north, east) = found["bounds"]
    assert west < site.longitude_deg < east
    layers = {layer["id"]: layer["features"]["features"] for layer in found["layers"]}
    for name in ("airspace", "drive", "inside", "landings", "bursts", "flight"):
        for feature in layers[name]:
            told = shapely.from_geojson(json.dumps(feature["geometry"]))
            low, below, high, above = told.bounds
            assert west - 1.0 < low <= high < east + 1.0, (name, feature["properties"])
            assert south - 0.5 < below <= above < north + 0.5


def test_the_layers_are_served_and_an_hour_without_landings_has_none(week: Week) -> None:
    client = week.client()
    answer = client.get(f"{path_of(best(week))}/layers.json")
    assert answer.status_code == 200
    assert {"roads", "inside", "flight"} <= {layer["id"] for layer in answer.json()["layers"]}
    assert client.get("/hour/millfield/20260508T0830Z/layers.json").status_code == 404


def test_the_movable_map_comes_from_our_own_address_and_may_be_kept(week: Week) -> None:
    client = week.client()
    page = client.get(path_of(best(week))).text
    script = re.search(r'src="(/lib/leaflet-[\d.]+/leaflet.js)"', page)
    assert script is not None
    answer = client.get(script[1])
    assert "Leaflet 1.9" in answer.text[:200]
    assert "immutable" in answer.headers["cache-control"]
    assert client.get("/").text.count("leaflet") == 0


def test_a_first_visit_of_an_hour_is_small_on_the_wire(week: Week) -> None:
    """Aim of the project: at most 150 kB, gzip, with the movable map and all that it loads."""
    client, path = week.client(), path_of(best(week))
    page = client.get(path).text
    asked = re.findall(r'(?:src|href)="(/(?:static|lib)/[^"]+)"', page)
    assert any("leaflet.js" in each for each in asked)
    sizes = {}
    for each in (path, f"{path}/layers.json", *asked):
        with client.stream("GET", each, headers={"accept-encoding": "gzip"}) as answer:
            sizes[each] = sum(len(part) for part in answer.iter_raw())
    assert sum(sizes.values()) < 150_000, sizes


def test_airspace_and_the_permitted_area_are_named_with_their_heights() -> None:
    square = shapely.box(-36.0, 45.0, -35.0, 46.0)
    volumes = [
        Volume("Sound TMA", AirspaceKind.CLOSED, square, Level(450.0), Level(np.inf)),
        # Flight level 95 is 9 500 ft of the standard atmosphere (ICAO Annex 2).
        Volume("Airway", AirspaceKind.OPEN, square, Level(2895.6, True), Level(7467.6, True)),
        Volume("Range", AirspaceKind.CLOSED, square, Level(0.0), Level(760.0), ((0.0, 1.0),)),
    ]
    zones = zones_of(Ground(airspace=Airspace(volumes), permitted=Permitted([square], "Agreed")))
    assert [(zone.kind, zone.label) for zone in zones] == [
        ("permitted", "Agreed"),
        ("airspace", "Sound TMA, 450 m and up"),
        ("open airspace", "Airway, FL 95 to FL 245"),
        ("airspace", "Range, ground to 760 m, at times"),
    ]
    assert {tuple(corner) for corner in zones[0].lines[0].tolist()} == {
        (45.0, -36.0), (45.0, -35.0), (46.0, -35.0), (46.0, -36.0),
    }  # fmt: skip
    assert zones_of(Ground()) == ()


# The air


def test_the_air_is_drawn_by_height_and_wind_by_where_it_comes_from() -> None:
    """A west wind blows towards east and is read as west (WMO-No. 8, part I, chapter 5)."""
    detail = invented.detail(invented.hour(invented.at(9)))
    assert detail.track is not None
    size = len(detail.track.height_m)
    west = replace(detail.track, u_mps=(10.0,) * size, v_mps=(0.0,) * size)
    made = profile(west)
    assert {(a.text, a.turn_deg) for a in made.arrows} == {("W", 450.0)}  # points to the right
    assert "Strongest wind 10 m/s from west" in made.spoken
    assert "rises in 104 min to 31.3 km and comes down in 36 min" in made.spoken
    rows = {row.height_km: row for row in made.rows}
    # 5 m/s for ten kilometres above a site of 140 m.
    assert rows["10"].up_min == f"{9_860 / 5.0 / 60.0:.0f}"
    # U.S. Standard Atmosphere 1976, table 1: 223.25 K at 10 km.
    assert rows["10"].warmth_degc == "−50"
    points = np.array(re.findall(r"([\d.]+) ([\d.]+)", made.up), dtype=float)
    assert (np.diff(points[:, 1]) < 0.0).all()
    assert points[:, 1].min() >= PROFILE_TOP
    assert points[:, 1].max() <= PROFILE_FOOT


def test_air_that_is_not_known_is_a_gap_and_no_calm() -> None:
    detail = invented.detail(invented.hour(invented.at(9)))
    assert detail.track is not None
    u = list(detail.track.u_mps)
    u[10:14] = [float("nan")] * 4
    made = profile(replace(detail.track, u_mps=tuple(u)))
    assert made.wind.count("M") == 2
    assert "nan" not in made.wind + made.spoken
    assert any(row.wind_mps == "–" for row in made.rows)


def test_cycles_are_drawn_from_the_oldest_and_a_silent_one_breaks_the_line() -> None:
    told = [
        Told(invented.at(0), 60.0, 0.5),
        Told(invented.at(6), None, None),
        Told(invented.at(12), 80.0, 0.7),
        Told(invented.at(18), 70.0, 1.0),
    ]
    made = history(told)
    assert made is not None
    assert [dot.text for dot in made.dots] == ["60", "80", "70"]
    assert made.dots[1].y < made.dots[2].y < made.dots[0].y  # higher is better
    assert made.score.count("M") == 2
    assert made.spoken.endswith("60, not known, 80, 70.")
    assert [tick[1:] for tick in made.ticks] == [
        ("00", "Thu 7"),
        ("06", ""),
        ("12", ""),
        ("18", ""),
    ]
    assert history(told[:2]) is None


# The day


def test_the_day_runs_from_set_up_to_landing(week: Week) -> None:
    hour = invented.hour(invented.at(9))
    told = dict(timeline(hour, invented.MILLFIELD, week.facts.plan).said)
    assert told["Set-up"] == "Thu 7 May 06:00"
    assert told["Release"] == "Thu 7 May 07:00 (09:00 UTC)"
    assert told["Hold until"] == "Thu 7 May 07:30"
    assert told["Landing"] == "Thu 7 May 09:11, middle flight"
    assert told["Sun up"].startswith("Thu 7 May 0")


def test_a_day_without_night_or_landing_is_drawn(week: Week) -> None:
    site = replace(invented.MILLFIELD, latitude_deg=75.0)
    june = replace(invented.refused(invented.at(9) + timedelta(days=45)), site=site.name)
    view = timeline(june, site, week.facts.plan)
    assert view.light == ()
    assert dict(view.said)["Landing"] == "not known"
    assert june.verdict is Verdict.UNKNOWN


def test_the_day_holds_drive_and_front_of_one_flight_and_says_when_the_crew_leaves() -> None:
    """The crew leaves at the release, as check `crew` counts; at 09:11 less 74 min at most."""
    hour = invented.hour(invented.at(9))
    walk = replace(invented.check("walk"), value=40.0)
    front = replace(invented.check("front"), value=4.0)
    hour = replace(hour, checks=(*hour.checks, walk, front))
    after = replace(hour, checks=(replace(front, value=3.0),))
    drive = invented.detail(hour).drive
    front_utc = front_time(hour, after)
    assert front_utc == invented.at(13)
    assert front_time(hour, replace(after, checks=(replace(front, value=5.0),))) == invented.at(5)
    assert front_time(hour, None) is None
    view = timeline(hour, invented.MILLFIELD, ScoringPlan(), drive=drive, front_utc=front_utc)
    told = dict(view.said)
    assert told["Leave by"] == "07:57 from Millfield, to be there before it lands"
    assert told["Crew at the road"] == "08:14, 1 h 14 min after the release, as checks count"
    assert told["Walk from there"] == "up to 40 min, 9 of 10 flights"
    assert told["Front"] == "about Thu 7 May 11:00"
    assert view.front_x is not None
    (driving,) = view.crew
    assert driving.x == view.release_x
    assert view.landing_x is not None
    per_min = driving.width / 74.0
    assert view.landing_x - view.release_x == pytest.approx(131.0 * per_min, abs=0.2)
    far = dict(
        timeline(
            hour, invented.MILLFIELD, ScoringPlan(quantile=0.95),
            drive=Drive("Marrowby depot", 281.0, (), ()),
        ).said
    )  # fmt: skip
    # Longer on the road than the flight takes: it leaves before the release.
    assert far["Leave by"] == "04:30 from Marrowby depot, to be there before it lands"
    assert far["Walk from there"] == "up to 40 min, 95 % of flights"


def test_what_a_value_is_stands_above_it(week: Week) -> None:
    shown = week.client().get(path_of(best(week))).text
    assert '<th scope="col" class="n">9 of 10 flights keep to</th>' in shown
    assert "Of the middle flight alone; the checks tell what 9 of 10 flights keep to." in shown


def test_no_cloud_ceiling_is_none_and_not_a_number() -> None:
    check = replace(invented.check("ceiling"), value=20_000.0, unit="m", margin=19_700.0)
    row = check_row(check)
    assert (row.value, row.unit, row.margin) == ("none", "", "–")
    assert check_row(replace(check, value=1200.0)).value == "1200"
