"""The sheet on the day: forecast air in the fill, cylinders, every crew, cautions, blank fields."""

import re
from dataclasses import replace
from datetime import timedelta
from zoneinfo import ZoneInfo

import invented
import made_detail
import pytest
from page_week import Week

from windowwatch.physics.fill import Cylinders, SiteAir, fill_for_lift, fill_time_s
from windowwatch.scoring.values import Drive
from windowwatch.web.pages.sheet import Sheet, sheet
from windowwatch.wording.cautions import DRIVING, FALLING, PRIVATE_LAND, gas_words, tired_words

HOURS = [h for h in invented.flat(6, 12) if h.site == "Millfield"]
COLD = SiteAir(97_000.0, 258.15)


def made(week: Week, air: SiteAir | None = None, **more: object) -> Sheet:
    window = invented.window(end_utc=invented.at(12))
    detail = replace(made_detail.detail(invented.hour(invented.at(7))), air=air)
    facts = replace(week.facts, **more)  # type: ignore[arg-type]
    found = sheet(facts, invented.MILLFIELD, window, HOURS, detail=detail)
    assert found is not None
    return found


def test_the_fill_is_for_the_air_of_the_planned_hour(week: Week) -> None:
    train = week.facts.train
    assert train is not None
    found = made(week, COLD)
    assert found.fill_air == "forecast air of that hour: -15 °C, about 970 hPa"
    wanted = fill_for_lift(train, train.nozzle_lift_kg, COLD)
    rows = dict(found.fill)
    assert rows["balloon when filled"] == f"{wanted.diameter_m:.2f} m across"
    assert f"{wanted.standard_volume_m3:.1f} m³" in rows["gas"]
    plain = made(week)
    assert plain.fill_air.startswith("standard air, no forecast of it is kept")
    assert dict(plain.fill)["balloon when filled"] != rows["balloon when filled"]


def test_cylinders_and_filling_time_are_those_of_the_settings(week: Week) -> None:
    train = week.facts.train
    assert train is not None
    small = Cylinders(0.010, 150e5, 3e5, is_gauge=True)
    rows = dict(made(week, COLD, cylinders=small, flow_m3pmin=0.1).fill)
    volume = fill_for_lift(train, train.nozzle_lift_kg, COLD).standard_volume_m3
    count = small.count_for(train.gas, volume, COLD)
    assert count > 1
    assert rows["cylinders"] == f"{count} of 10 l at 150 bar, down to 3 (gauge)"
    minutes = round(fill_time_s(volume, 0.1 / 60.0) / 60.0)
    assert rows["filling time"] == f"about {minutes} min at 0.1 m³ a minute"


def test_every_crew_is_there_with_when_it_must_leave(week: Week) -> None:
    """By the map's own ways; the one of the stored drive is the soonest of them."""
    watch = week.facts.watch
    (window, *_) = [
        each for each in week.store.current_windows(watch)
        if week.store.hours(watch, site=each.site)
    ]  # fmt: skip
    hours = week.store.hours(watch, site=window.site)
    (planned,) = [h for h in hours if h.time_utc == window.best_hour_utc]
    cycle = week.store.cycles(watch)[-1].cycle
    detail = week.store.detail(
        watch, planned.from_cycle or cycle.id, site=window.site, time_utc=planned.time_utc
    )
    assert detail is not None
    assert detail.drive is not None
    assert detail.air is not None
    assert 240.0 < detail.air.temperature_k < 320.0
    site = next(s for s in week.facts.sites if s.name == window.site)
    found = sheet(week.facts, site, window, hours, detail=detail)
    assert found is not None
    assert {c.start for c in found.crews} == {site.name, *week.facts.ground.crews}
    assert found.crews[0].start == detail.drive.start
    assert planned.landing_utc is not None
    latest = planned.landing_utc - timedelta(minutes=detail.drive.minutes)
    assert found.crews[0].leave_by.endswith(f"{latest.astimezone(_zone(week)):%H:%M}")
    assert f"leave by {found.crews[0].leave_by} to be there before it" in found.drive


def _zone(week: Week) -> ZoneInfo:
    return ZoneInfo(week.facts.sites[0].time_zone)


def test_more_than_three_hours_of_driving_is_told_of(week: Week) -> None:
    three = timedelta(hours=3)
    assert tired_words([("Depot", three)]) == ""
    said = tired_words([("Depot", three + timedelta(minutes=1)), ("Near", timedelta(hours=1))])
    assert said.startswith("3 h 1 min from Depot by road")
    assert "Near" not in said
    detail = replace(
        made_detail.detail(invented.hour(invented.at(7))),
        drive=Drive("Depot", 200.0, (45.9, 45.8), (-35.5, -35.4)),
        track=None,
    )
    found = sheet(week.facts, invented.MILLFIELD, invented.window(end_utc=invented.at(12)), HOURS,
                  detail=detail)  # fmt: skip
    assert found is not None
    assert found.tired.startswith("3 h 20 min from Depot")


def test_gas_is_warned_of_above_the_fill_and_there_is_room_to_write(week: Week) -> None:
    uid = week.store.current_windows(week.facts.watch)[0].uid
    text = week.client().get(f"/windows/{uid}/sheet").text
    caution = gas_words(week.facts.train)
    assert text.index("<h2>Fill</h2>") < text.index(caution) < text.index("nozzle lift, on the")
    assert re.search(rf'<p class="danger">{re.escape(caution)}</p>', text)
    for said in (FALLING, DRIVING, PRIVATE_LAND):
        assert said in text
    for blank in ("cylinder before, bar", "released at", "air traffic told"):
        assert f"<li>{blank}</li>" in text
    assert text.count('class="small credit"') == 1


@pytest.mark.parametrize("words", [FALLING, DRIVING, PRIVATE_LAND])
def test_cautions_stand_on_the_page_of_an_hour(week: Week, words: str) -> None:
    hour = next(h for h in week.store.hours(week.facts.watch) if h.footprint is not None)
    path = f"/hour/{hour.site.lower()}/{hour.time_utc:%Y%m%dT%H%MZ}"
    text = week.client().get(path).text
    assert words in text
    assert gas_words(week.facts.train) in text
