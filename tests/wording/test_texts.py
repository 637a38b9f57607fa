"""Texts to send: places, levels and times as air traffic reads them."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from windowwatch.launchday.flight import LevelTimes, PlannedFlight, Range, Span
from windowwatch.launchday.plan import Entry, Planned, stand
from windowwatch.launchday.team import Team
from windowwatch.physics.spread import Footprint
from windowwatch.physics.train import FlightTrain
from windowwatch.scoring.values import Site, Verdict
from windowwatch.wording.texts import NAMES, UNKNOWN, About, icao_place, text_values

pytestmark = pytest.mark.launchday
AT = datetime(2026, 5, 8, 11, 0, tzinfo=UTC)
SITE = Site("Millfield", 45.6, -35.9, 140.0, "America/Noronha")


def about(flight: PlannedFlight | None) -> About:
    event = Planned("Millfield", AT, FlightTrain(1.2, 1.5, 2.8, 8.6, 1.3))
    plan = stand("1", [Entry(1, AT - timedelta(days=1), "Ada", event)])
    return About("demo", plan, SITE, UTC, Team(looks="white, 2 m"), None, flight, ())


def spread(minutes: int) -> Span:
    middle = AT + timedelta(minutes=minutes)
    return Span(middle - timedelta(minutes=3), middle, middle + timedelta(minutes=4))


def test_places_stand_in_the_form_of_flight_plans() -> None:
    # ICAO Doc 4444, appendix 2, item 15 has 4620N07805W for 46 deg 20 min N, 78 deg 5 min W
    # (from memory); the others are worked by hand: 0.9999 deg are 59.994 min, so 60.
    assert icao_place(46 + 20 / 60, -(78 + 5 / 60)) == "4620N 07805W"
    assert icao_place(-0.9999, 9.0) == "0100S 00900E"
    assert icao_place(0.0, 179.999) == "0000N 18000E"


def test_what_is_not_known_is_said_and_never_guessed() -> None:
    values = text_values(about(None))
    assert set(values) == set(NAMES)
    for name in ("rise", "levels_up", "burst_utc", "landing_utc", "landing_area", "verdict",
                 "last_good", "drive", "forecast"):  # fmt: skip
        assert values[name] == UNKNOWN, name
    assert values["contact"] == "NO CONTACT IN THE SETTINGS"
    assert values["release_place"] == "4536N 03554W (45.600° N, 35.900° W)"


def test_levels_and_times_are_those_of_the_spread() -> None:
    mark = Footprint(
        latitude_deg=46.0, longitude_deg=-35.0, major_50_m=8000.0, minor_50_m=5000.0,
        major_90_m=15_000.0, minor_90_m=10_000.0, bearing_deg=44.0, flights=400,
    )  # fmt: skip
    flight = PlannedFlight(
        "Millfield", AT, Verdict.GO, 80.0, 0.9, (), (), (), mark, 70.0, 60.0, 1.0, AT,
        ascent_mps=Range(4.5, 5.08, 5.6), burst=spread(110), landing=spread(155),
        levels=(LevelTimes(100, spread(10), spread(145)), LevelTimes(200, spread(20), None)),
    )  # fmt: skip
    values = text_values(replace(about(flight)))
    assert values["levels_up"].splitlines() == [
        "FL100 11:10 UTC (11:07 to 11:14)",
        "FL200 11:20 UTC (11:17 to 11:24)",
        "FL300 not reached by enough flights",
    ]
    assert values["levels_down"].splitlines()[1] == "FL200 not reached by enough flights"
    # 5.08 m/s is 1000 ft/min: 0.3048 m to the foot (exact by definition)
    assert values["rise"] == "5.1 m/s (4.5 to 5.6), 1000 ft/min"
    assert values["landing_utc"] == "13:35 UTC (13:32 to 13:39)"
    assert "30 by 20 km about 4600N 03500W" in values["landing_area"]
    assert "towards north-east" in values["landing_area"]
