"""One launch hour for other programs, read by reference libraries: fastkml, gpxpy, shapely."""

import html
import io
import json
import re
from dataclasses import replace
from datetime import timedelta
from typing import Any

import fastkml
import gpxpy
import invented
import made_detail
import pytest
import shapely
from fastkml.utils import find_all
from page_week import Week
from PIL import Image

from windowwatch.drawing.picture import LARGEST, WIDTH_PX
from windowwatch.forecast.cycle import Cycle
from windowwatch.physics.spread import Footprint
from windowwatch.scoring.values import Hour, Opinion, Verdict
from windowwatch.storage.store import Store
from windowwatch.web.data.export import CORNERS, ellipse, line_parts
from windowwatch.web.data.formats import FlightData, drive_gpx, flight_geojson, flight_kml
from windowwatch.web.values import stamp
from windowwatch.wording.credits import NO_PERMISSION, credit_lines, weather_credits

HOUR = invented.hour(invented.at(7))


def data(hour: Hour = HOUR, **other: Any) -> FlightData:
    made = FlightData(
        watch="w",
        site=invented.MILLFIELD,
        hour=hour,
        cycle=invented.cycle(),
        detail=made_detail.detail(hour) if hour.footprint else None,
        credits=("Weather: an invented office", "Map: an <invented> & odd survey"),
    )
    return replace(made, **other)


def read_kml(told: FlightData) -> Any:
    return fastkml.KML.from_string(flight_kml(told).decode().split("?>", 1)[1], strict=True)


def every(document: Any, kind: Any) -> list[Any]:
    return list(find_all(document, of_type=kind))


def test_kml_holds_flight_landings_footprint_burst_and_drive() -> None:
    document = read_kml(data())
    marks = {mark.name: mark for mark in every(document, fastkml.Placemark)}
    assert set(marks) == {
        "Millfield (site)", "90 % lands inside", "50 % lands inside", "90 % bursts inside",
        "50 % bursts inside", "Landings, a sample", "Middle of the landings", "Middle flight",
        "Burst", "Landing of the middle flight", "Drive from Millfield, 48 min",
    }  # fmt: skip
    track = data().track
    assert track is not None
    (flight,) = marks["Middle flight"].geometry.geoms
    assert len(flight.coords) == len(track.height_m)
    assert flight.coords[track.burst_index][2] == pytest.approx(max(track.height_m), abs=0.06)
    assert flight.coords[0][:2] == pytest.approx((-35.9, 45.6), abs=1e-5)
    assert marks["Middle flight"].begin.dt == HOUR.time_utc
    assert marks["Middle flight"].end.dt == HOUR.time_utc + timedelta(hours=2, minutes=11)
    assert len(list(marks["Landings, a sample"].geometry.geoms)) == 60
    (area,) = marks["90 % lands inside"].geometry.geoms
    ring: Any = shapely.geometry.shape(area)
    assert ring.is_valid
    assert ring.contains(shapely.Point(-35.5, 45.9))
    styles = {style.id for style in every(document, fastkml.Style)}
    for mark in marks.values():
        assert mark.style_url is None or mark.style_url.url.removeprefix("#") in styles
    description = document.features[0].description
    assert NO_PERMISSION in description
    assert "an <invented> & odd survey" in description


def test_gpx_holds_the_drive_and_the_landing() -> None:
    made = drive_gpx(data())
    assert made is not None
    read = gpxpy.parse(made.decode())
    assert read.version == "1.1"
    assert [w.name for w in read.waypoints] == [
        "Start: Millfield (start rested)",
        "Park here (ask before you walk on)",
        "Landing (forecast, it may fall elsewhere)",
    ]
    landing = read.waypoints[-1]
    assert (landing.latitude, landing.longitude) == (45.9, -35.5)
    drive = data().drive
    assert drive is not None
    (track,) = read.tracks
    (segment,) = track.segments
    assert [p.latitude for p in segment.points] == pytest.approx(drive.latitude_deg, abs=1e-5)
    assert [p.longitude for p in segment.points] == pytest.approx(drive.longitude_deg, abs=1e-5)
    assert NO_PERMISSION in (read.description or "")
    assert "an invented office" in (read.description or "")


def test_without_a_drive_there_is_the_landing_and_without_that_nothing() -> None:
    made = drive_gpx(data(detail=None))
    assert made is not None
    read = gpxpy.parse(made.decode())
    assert ([w.name for w in read.waypoints], read.tracks) == (
        ["Landing (forecast, it may fall elsewhere)"],
        [],
    )
    assert drive_gpx(data(invented.refused(invented.at(7)))) is None


def test_geojson_is_of_valid_shapes_with_attribution() -> None:
    made = flight_geojson(data())
    assert made["attribution"][-1] == "Map: an <invented> & odd survey"
    whats = [f["properties"]["what"] for f in made["features"]]
    assert whats == ["site", "inside", "inside", "burst inside", "burst inside", "landings",
                     "middle", "flight", "burst", "landing", "drive"]  # fmt: skip
    for feature in made["features"]:
        shape: Any = shapely.from_geojson(json.dumps(feature))
        assert shape.is_valid
        assert not shape.is_empty
    flight = made["features"][7]
    assert len(flight["geometry"]["coordinates"]) == len(flight["properties"]["times_utc"])
    assert flight["properties"]["times_utc"][0] == "2026-05-07T07:00:00Z"


@pytest.mark.parametrize("longitude", [-179.95, 179.9, 180.0, 179.999, 20.0])
def test_an_ellipse_at_the_date_line_is_cut_there(longitude: float) -> None:
    """RFC 7946, section 3.1.9: as large as one that is not cut (which PROJ measures elsewhere)."""
    mark = Footprint(45.0, longitude, 128, 5e3, 3e3, 20_000.0, 12_000.0, 60.0)
    rings = ellipse(mark, 20_000.0, 12_000.0)
    assert len(rings) == (1 if longitude == 20.0 else 2)
    area = 0.0
    for ring in rings:
        shape: Any = shapely.Polygon(ring)
        assert shape.is_valid
        assert shape.exterior.is_ccw
        assert -180.0 <= shape.bounds[0] <= shape.bounds[2] <= 180.0
        assert shape.bounds[2] - shape.bounds[0] < 1.0
        area += shape.area
    (whole,) = ellipse(replace(mark, longitude_deg=20.0), 20_000.0, 12_000.0)
    assert area == pytest.approx(shapely.Polygon(whole).area, rel=1e-4)
    assert sum(len(ring) for ring in rings) >= CORNERS + 1


def test_a_flight_over_the_date_line_is_given_in_parts() -> None:
    hour = invented.hour(invented.at(7), landing=(45.9, -179.5))
    moved = made_detail.detail(hour, west_deg=-144.0 + 360.0 * 0)  # starts at 108 E
    far = [(179.0, 45.0, 0.0), (-179.0, 46.0, 100.0), (-178.0, 46.5, 50.0)]
    assert line_parts(far) == [
        [[179.0, 45.0, 0.0], [180.0, 45.5, 50.0]],
        [[-180.0, 45.5, 50.0], [-179.0, 46.0, 100.0], [-178.0, 46.5, 50.0]],
    ]
    assert line_parts([(190.0, 1.0), (191.0, 1.0)]) == [[[-170.0, 1.0], [-169.0, 1.0]]]
    assert every(read_kml(data(hour, detail=moved)), fastkml.Placemark)


def test_models_that_are_known_are_credited_by_their_providers_words(week: Week) -> None:
    cycles = [Cycle(invented.DAY, "gfs-0.25"), Cycle(invented.DAY, "skerra")]
    lines = credit_lines(cycles, week.facts.ground)
    assert "2026" in lines[0] or "NOAA" in lines[0]
    assert lines[1] == "Weather: model skerra, cycle skerra-2026-05-07T00Z"
    assert set(lines[2:]) == {f"Map: {source}" for source in week.facts.ground.sources}


@pytest.mark.parametrize("path", ["/data/flight.geojson", "/data/flight.kml", "/data/drive.gpx"])
def test_hours_and_windows_can_be_asked_for(made_week: Week, path: str) -> None:
    made_week.store.save_pass(
        invented.record(details=(made_detail.detail(HOUR),), windows=(invented.window(),))
    )
    client = made_week.client(invented.NOW)
    own = client.get(f"{path}?site=millfield&time={stamp(HOUR.time_utc)}")
    assert own.status_code == 200
    assert "drive" in own.text.lower()
    window = client.get(f"{path}?window={invented.window().uid}")
    assert window.content == own.content
    assert "A forecast, no permission to fly." in own.text
    assert "invented" in own.text  # the map's own attribution
    for query, status in (
        ("", 400), ("site=millfield", 400), ("window=x&site=millfield", 400), ("window=x", 404),
        ("site=moor&time=20260507T0700Z", 404), ("site=millfield&time=20260507T0730Z", 404),
        ("site=millfield&time=soon", 400), ("window=a&window=b", 400),
    ):  # fmt: skip
        answer = client.get(f"{path}?{query}")
        assert (answer.status_code, set(answer.json())) == (status, {"error"})


def test_the_map_is_a_picture_with_landings_and_whose_it_is(made_week: Week) -> None:
    """Pillow reads it; the 90 % ring and the site's mark are looked for by colour."""
    made_week.store.save_pass(invented.record(details=(made_detail.detail(HOUR),)))
    client = made_week.client(invented.NOW)
    path = f"/data/map.png?site=millfield&time={stamp(HOUR.time_utc)}"
    answer = client.get(path)
    assert answer.headers["content-type"] == "image/png"
    assert client.get(path).content == answer.content  # kept
    read = Image.open(io.BytesIO(answer.content))
    read.load()
    assert (read.format, read.width) == ("PNG", WIDTH_PX)
    assert len(answer.content) <= LARGEST
    colours = read.convert("RGB").getcolors(read.width * read.height)
    assert colours is not None
    assert len(colours) > 20
    # The foot of the picture holds words: dark on light.
    foot = read.convert("L").crop((0, int(read.height * 0.96), read.width, read.height))
    assert foot.histogram()[:110] != [0] * 110
    refused = invented.refused(invented.at(9))
    made_week.store.save_pass(invented.record(1, hours=(refused,)))
    nowhere = client.get(f"/data/map.png?site=millfield&time={stamp(refused.time_utc)}")
    assert nowhere.status_code == 404


def test_a_picture_is_kept_under_the_pass_that_it_shows(
    made_week: Week, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another pass is stored while the first one's picture is being made."""
    detail = made_detail.detail(HOUR)
    made_week.store.save_pass(invented.record(hours=(HOUR,), details=(detail,), steps=1))
    whole = Store.detail
    read: list[object] = []

    def interrupted(self: Store, *asked: Any, **more: Any) -> Any:
        found = whole(self, *asked, **more)
        if not read:
            worse = replace(HOUR, verdict=Verdict.NO_GO)
            again = invented.record(hours=(worse,), details=(detail,), changes=(), deliveries=(),
                                    pass_number=2, steps=2)  # fmt: skip
            assert self.save_pass(again)
        read.append(found)
        return found

    monkeypatch.setattr(Store, "detail", interrupted)
    client = made_week.client(invented.NOW)
    path = f"/data/map.png?site=millfield&time={stamp(HOUR.time_utc)}"
    first, second = client.get(path), client.get(path)
    assert first.content != second.content  # the title says the verdict
    assert client.get(path).content == second.content


def test_every_model_that_has_a_say_is_credited_in_all_that_is_given_out(made_week: Week) -> None:
    """A provider's licence holds for what its weather has changed, too."""
    other = Opinion("gfs-0.25", "gfs-0.25-2026-05-04T18Z", Verdict.NO_GO, 31.0, 0.2, 23.4)
    hour = replace(HOUR, others=(other,))
    made_week.store.save_pass(invented.record(hours=(hour,), details=(made_detail.detail(hour),)))
    made_week.store.save_pass(invented.record(1, hours=(HOUR,)))
    client = made_week.client(invented.NOW)
    (wanted,) = weather_credits([Cycle.of_id(other.cycle_id)])
    own = f"?site=millfield&time={stamp(HOUR.time_utc)}"
    old = f"?cycle={invented.cycle().id}"

    def told(path: str) -> str:
        text = html.unescape(client.get(path).text)
        return re.sub(r"\s+|\\", "", text.replace("\r\n ", ""))

    def in_short(text: str) -> str:
        return re.sub(r"\s+|\\", "", text)

    newest = ("/data/hours.json", "/data/flight.kml" + own)
    assert all(in_short(wanted) not in told(path) for path in newest)
    assert in_short(wanted) in told(f"/data/hours.json{old}")
    made_week.store.save_pass(
        invented.record(2, hours=(hour,), details=(made_detail.detail(hour),))
    )
    for path in (
        f"/windows/{invented.window().uid}/sheet",
        "/data/hours.json", "/data/hours.csv", "/data/windows.json", "/data/windows.ics",
        "/data/footprints.geojson", f"/data/flight.geojson{own}", f"/data/flight.kml{own}",
        f"/data/drive.gpx{own}",
    ):  # fmt: skip
        assert in_short(wanted) in told(path), path


def test_the_page_of_an_hour_leads_to_all_of_them(week: Week) -> None:
    client, watch = week.client(), week.facts.watch
    window = week.store.current_windows(watch)[0]
    page = client.get(f"/hour/{window.site.lower()}/{stamp(window.best_hour_utc)}").text
    links = set(re.findall(r'href="(/data/[^"]+)"', page))
    assert {link.split("?")[0] for link in links} == {
        "/data/drive.gpx", "/data/flight.kml", "/data/flight.geojson", "/data/map.png",
    }  # fmt: skip
    for link in links:
        assert client.get(html.unescape(link)).status_code == 200, link
