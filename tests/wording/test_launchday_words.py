"""Launch day in words: the fill, what its lift moves, releases, steps and what was seen."""

from dataclasses import replace
from datetime import timedelta
from zoneinfo import ZoneInfo

import pytest
from invented import at, hour

from windowwatch.launchday.countdown import count_down
from windowwatch.launchday.flight import AirSource, FillAir, LiftOutcome, air_for_fill, site_air
from windowwatch.launchday.gas import Cylinder
from windowwatch.launchday.plan import Entry, Gauged, Planned, Ticked, stand
from windowwatch.launchday.releases import release_table
from windowwatch.launchday.sighting import Correction, SeenBeside, Sighting, Veto
from windowwatch.launchday.team import Team
from windowwatch.physics.train import FlightTrain, Gas
from windowwatch.wording import launchday as words

pytestmark = pytest.mark.launchday

ZONE = ZoneInfo("America/Noronha")
TRAIN = FlightTrain(1.2, 1.5, 2.8, 8.63, 1.28, gas=Gas.HELIUM)
TEAM = Team(cylinders=(Cylinder("A1", 0.05, 121e5),), flow_m3ps=0.01)
PLAN = stand("1", [Entry(1, at(0), "Ada", Planned("Millfield", at(9), TRAIN))])


def test_the_fill_is_said_in_the_order_in_which_it_is_done() -> None:
    day = TEAM.fill_to(2.8, PLAN, site_air(140.0))
    said = dict(words.fill_lines(day, site_air(140.0), AirSource.STANDARD))
    assert next(iter(said)) == "Neck lift to reach"
    assert said["Cylinder A1"].startswith("120 bar down to ")
    assert "no second try" in said["Left after it"]
    assert any("Helium displaces" in line for line in words.fill_cautions(day))
    none = dict(words.fill_lines(day, site_air(140.0), AirSource.STANDARD, cylinders=False))
    assert "Left after it" not in none


def test_too_little_gas_is_said_in_capitals_and_a_gauge_that_was_read_counts() -> None:
    low = stand("1", [
        Entry(1, at(0), "Ada", Planned("Millfield", at(9), TRAIN)),
        Entry(2, at(1), "Ben", Gauged("A1", 30e5)),
    ])  # fmt: skip
    said = dict(words.fill_lines(TEAM.fill_to(2.8, low, site_air(0.0)), site_air(0.0), ""))
    assert "NOT ENOUGH GAS" in said
    assert said["Cylinder A1"].startswith("29 bar down to 2 bar")


def test_moist_air_takes_more_gas() -> None:
    """Saturated at 30 °C air is 1.6 % lighter (see `physics.atmosphere.air_density`)."""
    dry, moist = (
        TEAM.fill_to(2.8, PLAN, site_air(0.0, temperature_k=303.15, dew_point_k=dew))
        for dew in (None, 303.15)
    )
    share = moist.fill.volume_m3 / dry.fill.volume_m3
    assert share == pytest.approx(1.016, abs=0.002)


def test_air_is_as_measured_else_by_the_forecast_else_standard() -> None:
    """QNH 1013.25 hPa at 140 m is 996.6 hPa at the site: ICAO Doc 7488 (from memory)."""
    said = FillAir(99_000.0, 290.0, 280.0)
    seen = Sighting("Millfield", at(8), "Ben", temperature_k=285.0, pressure_pa=101_325.0)
    air, source = air_for_fill(140.0, said, [seen], at(9))
    assert source is AirSource.SEEN
    assert air.temperature_k == 285.0
    assert air.pressure_pa == pytest.approx(99_656.0, abs=15.0)
    old = replace(seen, at_utc=at(4))
    air, source = air_for_fill(140.0, said, [old], at(9))
    assert (source, air.pressure_pa, air.temperature_k) == (AirSource.FORECAST, 99_000.0, 290.0)
    assert air.specific_humidity > 0.005
    assert air_for_fill(140.0, None, [], at(9))[1] is AirSource.STANDARD


def test_what_a_lift_moves() -> None:
    less = LiftOutcome(2.7, 4.8, 32_600.0, 160.0, 3.0, 45.0)
    planned = LiftOutcome(2.8, 5.0, 32_400.0, 155.0, 0.0, 0.0)
    more = LiftOutcome(2.9, None, None, None)
    assert words.lift_lines([less, planned, more], 2.8) == (
        "100 g less at the neck (2.70 kg): burst 0.2 km higher; flight 5 min longer; lands 3.0 km "
        "further north-east",
        "100 g more at the neck (2.90 kg): not known",
    )


def test_a_release_and_how_long_there_is_to_wait() -> None:
    hours = [hour(at(9)), hour(at(9.25)), hour(at(9.5), 0.0)]
    table = release_table(
        hours, plan="1", plan_number=1, planned_utc=at(9), cycle_id="c", now_utc=at(8),
        clearance_until_utc=at(12),
    )  # fmt: skip
    assert words.last_good_words(table, ZONE) == ("Last good release Thu 7 07:15 local (09:15 UTC)")
    cells = words.row_cells(table.rows[0], ZONE)
    assert cells[:6] == ("07:00", "go", "80 %", "same", "–", "0:49 h")
    assert words.limit_words(table.rows[2]) == "gust 9.0 m/s, limit 9.0 m/s"
    vetoed = replace(table.rows[0], vetoed=Veto(12.0, 10.0, at(8), "Ben"))
    assert words.limit_words(vetoed) == "gust of 12.0 m/s measured by Ben"
    none = replace(table, last_good_utc=None)
    assert words.last_good_words(none, ZONE) == "No good release is in sight"


def test_steps_say_who_and_when_and_what_is_overdue() -> None:
    plan = stand("1", [
        Entry(1, at(0), "Ada", Planned("Millfield", at(9), TRAIN)),
        Entry(2, at(7), "Ben", Ticked("gas")),
    ])  # fmt: skip
    count = count_down(plan, TEAM.steps, at(8.05))
    said = {each.step.key: words.step_words(each, ZONE) for each in count.steps}
    assert said["gas"].endswith("done 05:00, Ben")
    assert said["notice"].startswith("Wed 6 07:00 OVERDUE")
    assert said["train"].endswith("may be left out")
    assert words.countdown_words(count) == "T minus 57 min"
    assert words.countdown_words(replace(count, to_release=timedelta(minutes=-3))) == "T plus 3 min"


def test_what_was_seen_and_what_it_changes() -> None:
    seen = Sighting("Millfield", at(8), "Ben", wind_mps=4.0, gust_mps=6.5, cloud_oktas=3)
    assert words.beside_words(SeenBeside(seen, 3.5, None), ZONE) == (
        "06:00 Millfield: wind 4.0 m/s, gust 6.5 m/s, cloud 3 of 8 (Ben); forecast: wind 3.5 m/s"
    )
    assert words.correction_words(Correction(0.5, -0.25, 1, at(8))) == (
        "Wind corrected by 1 measurement at the site: wind +0.5 m/s, gust −0.2 m/s, less and less "
        "with time"
    )
    assert words.correction_words(None) == ""
