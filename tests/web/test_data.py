"""Data out: as described, the same as what is stored, readable by reference libraries."""

import csv
import io
import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import icalendar
import invented
import pytest
import shapely
from geodesic import Geod
from jsonschema import Draft202012Validator
from made_years import surveyed
from page_week import Week

from windowwatch.launchday.countdown import DEFAULT_STEPS
from windowwatch.launchday.plan import Planned, Scrubbed
from windowwatch.physics.spread import Footprint
from windowwatch.scoring.values import Opinion, Verdict
from windowwatch.web.data.export import CORNERS, footprints_geojson, hour_data, hours_csv, time_text
from windowwatch.web.data.formats import windows_calendar
from windowwatch.web.data.openapi import PARAMETERS
from windowwatch.web.values import stamp
from windowwatch.windows.standing import judged
from windowwatch.windows.values import WindowState


def described(week: Week) -> dict[str, Any]:
    document: dict[str, Any] = week.client().get("/data/openapi.json").json()
    return document


def check_answer(document: dict[str, Any], path: str, answer: Any) -> None:
    """Status, kind and content are those that the description gives."""
    response = document["paths"][path]["get"]["responses"][str(answer.status_code)]
    media = answer.headers["content-type"].split(";")[0]
    assert media in response["content"]
    if "json" in media:
        schema = {**response["content"][media]["schema"], "components": document["components"]}
        Draft202012Validator.check_schema(schema)
        checker = Draft202012Validator.FORMAT_CHECKER
        Draft202012Validator(schema, format_checker=checker).validate(answer.json())


def is_of_one_hour(path: str) -> bool:
    return "window" in {name for name, _, _ in PARAMETERS[path]}


def test_every_address_answers_as_it_is_described(week: Week, later: timedelta) -> None:
    document, client, stale = described(week), week.client(), week.client(week.ended_utc + later)
    week.store.save_survey(replace(surveyed(), watch=week.facts.watch))
    for path in (path for path, ways in document["paths"].items() if "get" in ways):
        answer = client.get(path)
        # Single flights are asked for by window, or by site and time.
        assert answer.status_code == (400 if is_of_one_hour(path) else 200)
        check_answer(document, path, answer)
        if is_of_one_hour(path):
            uid = week.store.current_windows(week.facts.watch)[0].uid
            answer = client.get(f"{path}?window={uid}")
            assert answer.status_code == 200
            check_answer(document, path, answer)
    check_answer(document, "/data/hours.json", client.get("/data/hours.json?checks=yes"))
    check_answer(document, "/health", stale.get("/health"))


def test_before_the_first_pass_data_are_not_there_and_health_says_why(empty_week: Week) -> None:
    document, client = described(empty_week), empty_week.client()
    for path in (path for path, ways in document["paths"].items() if "get" in ways):
        answer = client.get(path)
        check_answer(document, path, answer)
        if path == "/health":
            assert (answer.status_code, answer.json()["condition"]) == (503, "empty")
        elif is_of_one_hour(path):
            assert answer.status_code == 400
        elif path not in {"/data/changes.json", "/data/cycle.json"}:
            assert answer.status_code == 404


@pytest.mark.parametrize(
    ("query", "status"),
    [
        ("site=nowhere", 404),
        ("cycle=skerra-2020-01-01T00Z", 404),
        ("time=noon", 400),
        ("time=20260508T0800Z&time=20260508T0900Z", 400),
        ("sight=millfield", 400),
        ("checks=perhaps", 400),
        ("site=%00%ff..%2f", 404),
        ("time=" + "9" * 5000, 400),
        ("site=millfield", 200),
        ("cycle=skerra-2026-05-04T00Z&site=highmoor&time=20260508T0800Z", 200),
    ],
)
def test_a_wrong_question_gets_words_and_never_an_accident(
    week: Week, query: str, status: int
) -> None:
    answer = week.client().get(f"/data/hours.json?{query}")
    assert answer.status_code == status
    check_answer(described(week), "/data/hours.json", answer)


def test_hours_are_those_stored_in_json_and_csv(week: Week) -> None:
    rows_of = week.store.hours(week.facts.watch, site="Highmoor")
    stored = [judged(hour, week.facts.rules) for hour in rows_of]
    data = week.client().get("/data/hours.json?site=highmoor&checks=yes").json()["hours"]
    assert [h["time_utc"] for h in data] == [time_text(h.time_utc) for h in stored]
    assert [h["score"] for h in data] == [h.score for h in stored]
    assert [[c["value"] for c in h["checks"]] for h in data] == [
        [c.value for c in h.checks] for h in stored
    ]
    text = week.client().get("/data/hours.csv?site=highmoor").text
    rows = list(csv.DictReader(io.StringIO(text)))
    assert [row["verdict"] for row in rows] == [str(h.verdict) for h in stored]
    assert [float(row["drift_km"]) if row["drift_km"] else None for row in rows] == [
        h.drift_km for h in stored
    ]


def test_an_earlier_cycle_can_be_asked_for(week: Week) -> None:
    cycle = week.store.cycles(week.facts.watch)[0].cycle.id
    data = week.client().get(f"/data/hours.json?cycle={cycle}").json()
    assert data["cycle"]["id"] == cycle
    stored = week.store.hours(week.facts.watch, cycle)
    assert [h["score"] for h in data["hours"]] == [h.score for h in stored]


def test_no_field_of_the_csv_is_a_formula_and_no_gap_a_number() -> None:
    hours = [
        invented.refused(invented.at(0), "=1+1"),
        invented.hour(invented.at(1)),
    ]
    first, second = csv.DictReader(io.StringIO(hours_csv(hours)))
    assert first["refused"] == "'=1+1"
    assert (first["score"], first["drift_km"], first["verdict"]) == ("", "", "unknown")
    assert second["score"] == "80.0"


def test_what_other_models_say_is_told_and_no_interval_of_another_chance() -> None:
    says = Opinion("ifs", "ifs-2026-05-05T06Z", Verdict.NO_GO, 0.0, 0.2, 12.5, 90.0,
                   invented.check("rain", 0.0, 9.5), ("ceiling", "visibility"))  # fmt: skip
    alone = invented.hour(invented.at(1), chance=0.8)
    heard = replace(alone, chance=0.5, own_chance=0.8, others=(says,))
    data, before = hour_data(heard), hour_data(alone)
    assert (data["chance"], data["own_chance"]) == (0.5, 0.8)
    assert (data["chance_low"], data["chance_high"]) == (None, None), "70 to 90 % is of the 80 %"
    assert data["others"] == [{
        "model": "ifs", "cycle_id": "ifs-2026-05-05T06Z", "verdict": "no-go", "score": 0.0,
        "chance": 0.2, "apart_km": 12.5, "bearing_deg": 90.0,
        "says": "rain 9.5 m/s, limit 9.0 m/s", "says_check": "rain",
        "lacks": ["ceiling", "visibility"],
    }]  # fmt: skip
    assert (before["own_chance"], before["others"]) == (None, [])
    assert (before["chance_low"], before["chance_high"]) == pytest.approx((0.7, 0.9))
    first, second = csv.DictReader(io.StringIO(hours_csv([heard, alone])))
    assert (first["chance"], first["own_chance"], first["chance_low"]) == ("0.5", "0.8", "")
    assert first["others"] == "ifs-2026-05-05T06Z no-go chance 0.2"
    assert (second["own_chance"], second["others"]) == ("", "")


def test_a_page_shows_no_interval_that_does_not_hold_the_chance(made_week: Week) -> None:
    says = Opinion("ifs", "ifs-2026-05-05T00Z", Verdict.GO, 80.0, 0.2, 0.0)
    alone = invented.hour(invented.at(9), chance=0.8)
    heard = replace(invented.hour(invented.at(8), chance=0.8), chance=0.5, own_chance=0.8,
                    others=(says,))  # fmt: skip
    made_week.store.save_pass(invented.record(hours=(heard, alone)))
    client = made_week.client(invented.NOW)
    assert (
        "(95 % interval 70 to 90 %, for the number of flights alone)"
        in client.get("/hour/millfield/20260507T0900Z").text
    )
    page = client.get("/hour/millfield/20260507T0800Z").text
    assert "chance <strong>50" in page
    assert "interval" not in page


def test_footprints_are_valid_geojson_of_the_right_size() -> None:
    """Rings by shapely; lengths by PROJ's geodesics."""
    mark = Footprint(45.9, -35.2, 128, 10_000.0, 6_000.0, 20_000.0, 12_000.0, 60.0)
    hour = replace(invented.hour(invented.at(9)), footprint=mark)
    found = footprints_geojson([hour], [invented.MILLFIELD], invented.cycle())
    whats = [(f["properties"]["what"], f["properties"].get("share")) for f in found["features"]]
    assert whats == [("site", None), ("inside", 0.9), ("inside", 0.5), ("middle", None)]
    outer: Any = shapely.from_geojson(json.dumps(found["features"][1]))
    assert outer.is_valid
    assert outer.exterior.is_ccw
    assert len(outer.exterior.coords) == CORNERS + 1
    lengths = [Geod().inv(-35.2, 45.9, *point)[2] for point in outer.exterior.coords]
    assert max(lengths) == pytest.approx(20_000.0, abs=2.0)
    assert min(lengths) == pytest.approx(12_000.0, abs=2.0)
    bearing = Geod().inv(-35.2, 45.9, *outer.exterior.coords[0])[0]
    assert bearing == pytest.approx(60.0, abs=0.1)


def test_geojson_leaves_no_go_hours_out_unless_asked(week: Week) -> None:
    client = week.client()

    def verdicts(query: str) -> set[str]:
        features = client.get(f"/data/footprints.geojson?{query}").json()["features"]
        return {f["properties"]["verdict"] for f in features if "verdict" in f["properties"]}

    assert verdicts("") <= {"go", "caution"}
    assert "no-go" in verdicts("site=millfield&all=yes")


def test_the_calendar_holds_every_window_and_cancels_those_that_closed(week: Week) -> None:
    answer = week.client().get("/data/windows.ics")
    assert answer.headers["content-type"].startswith("text/calendar")
    lines = answer.content.split(b"\r\n")
    assert all(len(line) <= 75 for line in lines)  # RFC 5545, section 3.1
    assert b"\n" not in b"".join(lines)
    calendar: Any = icalendar.Calendar.from_ical(answer.content)
    assert not calendar.errors
    events: dict[str, Any] = {str(e["uid"]): e for e in calendar.walk("VEVENT")}
    for window in week.store.windows(week.facts.watch):
        event = events[f"{window.uid}@windowwatch"]
        history = week.store.window_history(week.facts.watch, window.uid)
        assert event["dtstart"].dt == window.start_utc
        assert event["dtend"].dt == window.end_utc
        assert event["dtstart"].dt.utcoffset() == timedelta(0)
        assert int(event["sequence"]) == len(history) - 1
    closed = {c.window_uid for c in week.store.changes(week.facts.watch) if c.after is None}
    for uid in closed:
        assert str(events[f"{uid}@windowwatch"]["status"]) == "CANCELLED"


def test_a_window_that_closes_keeps_its_uid_and_is_cancelled_with_a_higher_number() -> None:
    stamped = datetime(2026, 5, 5, 4, tzinfo=UTC)
    seen = invented.window(state=WindowState.SIGHTED)
    closed = replace(seen, state=WindowState.CLOSED)

    def event(*history: Any) -> Any:
        feed = windows_calendar("w", [history], [invented.MILLFIELD], stamped)
        read: Any = icalendar.Calendar.from_ical(feed)
        (found,) = read.walk("VEVENT")
        return found

    first, last = event(seen), event(seen, invented.window(), closed)
    assert first["uid"] == last["uid"]
    assert (str(first["status"]), str(last["status"])) == ("TENTATIVE", "CANCELLED")
    assert (int(first["sequence"]), int(last["sequence"])) == (0, 2)


def test_only_a_planned_launch_is_confirmed_in_the_calendar(made_week: Week) -> None:
    """RFC 5545, section 3.8.1.11; a scrubbed one is taken out of it again."""
    week, now = made_week, invented.NOW
    site, train = week.settings.watch.sites[0], week.settings.watch.train
    at_utc = now + timedelta(days=1, minutes=7)
    week.store.save_pass(invented.record())

    def event() -> Any:
        feed = week.client(now).get("/data/windows.ics").content
        found = icalendar.Calendar.from_ical(feed).walk("VEVENT")
        (plan,) = [e for e in found if "plan" in str(e["uid"])]
        assert {str(e["status"]) for e in found if e is not plan} <= {"TENTATIVE", "CANCELLED"}
        return plan

    made = Planned(site.name, at_utc, train, ("Ada", "Ben"))
    plan = week.store.make_plan(week.facts.watch, made, at_utc=now, by="Ada")
    first = event()
    assert first["dtstart"].dt == at_utc
    assert str(first["status"]) == "CONFIRMED"
    assert "Crew: Ada, Ben" in str(first["description"])
    week.store.act_on_plan(
        week.facts.watch, plan.key, Scrubbed("rain"), at_utc=now, by="Ben", steps=DEFAULT_STEPS
    )
    last = event()
    assert str(last["status"]) == "CANCELLED"
    assert last["uid"] == first["uid"]
    assert int(last["sequence"]) == int(first["sequence"]) + 1


def test_the_description_names_what_is_taken(week: Week) -> None:
    document = described(week)
    for path, wanted in PARAMETERS.items():
        given = document["paths"][path]["get"]["parameters"]
        assert [p["name"] for p in given] == [name for name, _, _ in wanted]


def test_one_hour_can_be_asked_for(week: Week) -> None:
    go = next(h for h in week.store.hours(week.facts.watch) if h.verdict is Verdict.GO)
    path = f"/data/footprints.geojson?site={go.site.lower()}&time={stamp(go.time_utc)}"
    features = week.client().get(path).json()["features"]
    assert len(features) == len(week.facts.sites) + 3


def test_a_second_pass_of_a_cycle_rises_above_the_first_in_the_calendar(made_week: Week) -> None:
    """RFC 5545, section 3.8.7.4: without a higher number a calendar keeps what it has."""

    def event() -> Any:
        feed = made_week.client(invented.NOW).get("/data/windows.ics").content
        (found,) = icalendar.Calendar.from_ical(feed).walk("VEVENT")
        return found

    made_week.store.save_pass(invented.record(steps=1))
    first = event()
    later = replace(invented.window(told=invented.window()), end_utc=invented.at(11))
    again = invented.record(windows=(later,), changes=(), deliveries=(), pass_number=2, steps=2)
    assert made_week.store.save_pass(again)
    second = event()
    assert first["uid"] == second["uid"]
    assert (int(first["sequence"]), int(second["sequence"])) == (0, 1)
    assert second["dtend"].dt == invented.at(11)
    made_week.store.save_pass(invented.record(1))
    assert int(event()["sequence"]) == 2


def test_the_calendar_is_in_utc_and_says_whose_weather_it_is(week: Week) -> None:
    """Times in UTC need no VTIMEZONE (RFC 5545, section 3.3.5, form 2)."""
    feed = week.client().get("/data/windows.ics").content
    text = feed.replace(b"\r\n ", b"").decode()
    assert "TZID" not in text
    assert "VTIMEZONE" not in text
    for line in text.split("\r\n"):
        if line.startswith(("DTSTART", "DTEND", "DTSTAMP")):
            assert line.endswith("Z")
    calendar: Any = icalendar.Calendar.from_ical(feed)
    said = str(calendar["x-wr-caldesc"])
    assert "A forecast, no permission to fly." in said
    assert "Weather: model skerra" in said
    assert "invented" in said
