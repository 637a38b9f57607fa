"""Flight, landing and recovery: squares, lines and points with plain answers."""

from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import launch_days as day
import numpy as np
import pytest
from geodesic import Geod

from windowwatch.ground.query.features import Ground, RoadClass
from windowwatch.physics.flights import FlightStatus
from windowwatch.physics.surface import SurfaceGrid
from windowwatch.scoring.answer import Measure
from windowwatch.scoring.checks.flight import flight_measures, lost_flights
from windowwatch.scoring.checks.landing import (
    daylight_left_min,
    land_fraction_at,
    landing_measures,
    road_measure,
)
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.scoring.values import Gap, Median, Missing, MostNear

PLAN = ScoringPlan()
GEOD = Geod()
#: Landings on the fine spot, in the lake, in the town, 400 m west of the town, out at sea.
SPOTS = ((46.0, -34.3), (46.0, -34.55), (46.0, -33.95), (46.0, -34.0052), (47.9, -33.1))
LATITUDE = np.array([spot[0] for spot in SPOTS])
LONGITUDE = np.array([spot[1] for spot in SPOTS])


def landed_at_spots() -> dict[str, Any]:
    return {"landing_latitude_deg": LATITUDE, "landing_longitude_deg": LONGITUDE}


def landing(surface: SurfaceGrid, ground: Ground, lost: int | None = None) -> dict[str, Measure]:
    flights = day.flights(draws=5, **landed_at_spots())
    if lost is not None:
        flights = day.with_lost(flights, np.arange(5)[None, None, :] == lost)
    return {m.name: m for m in landing_measures(flights, surface, ground, PLAN)}


def test_flight_numbers_are_taken_over_and_lost_ones_left_out() -> None:
    lost = np.array([[[False] * 7 + [True]]])
    whole = day.flights(extrapolated=[True] * 4 + [False] * 4)
    found = {
        m.name: m.values[0, 0]
        for m in flight_measures(
            np.array([day.LAUNCH]), day.with_lost(whole, lost), replace(PLAN, battery_h=4.0)
        )
    }
    assert found["drift"][0] == pytest.approx(54.0)
    assert found["flight_time"][0] == pytest.approx(120.0)
    assert found["battery"][0] == pytest.approx(60.0)  # 240 less 60 of setting up and 120
    assert found["strongest_wind"][0] == pytest.approx(20.0)
    assert found["extrapolated"][:7].tolist() == [1.0] * 4 + [0.0] * 3
    assert all(np.isnan(values[7]) for values in found.values())


def test_why_flights_were_lost_is_said_commonest_first() -> None:
    status = np.zeros((2, 8), dtype=np.uint8)
    status[0, :3] = FlightStatus.LEFT_GRID
    status[1, :5] = FlightStatus.LEFT_TIME
    assert lost_flights(status) == (("left_time", 5), ("left_grid", 3))
    assert lost_flights(np.zeros(4, dtype=np.uint8)) == ()
    for code in FlightStatus:
        if code is not FlightStatus.LANDED:
            assert lost_flights(np.array([code], dtype=np.uint8)) == ((code.name.lower(), 1),)


def test_water_by_mask_and_by_map() -> None:
    all_land = landing(day.surface(land=1.0), day.ground())["water"].values[0, 0]
    assert all_land.tolist() == [0.0, 1.0, 0.0, 0.0, 0.0]
    all_sea = landing(day.surface(land=0.0), day.ground())["water"].values[0, 0]
    assert all_sea.tolist() == [1.0] * 5
    mask_only = landing(day.surface(land=0.0), Ground())["water"].values[0, 0]
    assert mask_only.tolist() == [1.0] * 5
    map_only = landing(day.surface(land=None), day.ground())["water"].values[0, 0]
    # areas say where water is, and never where none is: the rest is not known
    assert np.array_equal(map_only, [np.nan, 1.0, np.nan, np.nan, np.nan], equal_nan=True)


def test_without_mask_and_map_water_is_unknown() -> None:
    found = landing(day.surface(land=None), Ground())["water"]
    assert np.all(np.isnan(found.values))
    assert found.missing == Missing(Gap.WATER)


def test_half_land_is_land_and_less_is_water() -> None:
    grid = day.surface(land=0.0)
    assert grid.land_fraction is not None
    grid.land_fraction[:, day.LONGITUDE >= -34.5] = 1.0  # land begins between -35 and -34.5
    inland = np.array([-34.5, -34.74, -34.75, -34.76, -35.0])
    found = land_fraction_at(grid, np.full(5, 46.2), inland)
    assert found == pytest.approx([1.0, 0.52, 0.5, 0.48, 0.0])
    off = land_fraction_at(grid, np.array([43.9, 46.0]), np.array([-35.0, -32.0]))
    assert np.all(np.isnan(off))
    spots: dict[str, Any] = {
        "landing_longitude_deg": inland,
        "landing_latitude_deg": np.full(5, 46.2),
    }
    wet = landing_measures(day.flights(draws=5, **spots), grid, Ground(), PLAN)[0]
    assert wet.values[0, 0].tolist() == [0.0, 0.0, 0.0, 1.0, 1.0]


def test_where_the_mask_has_a_gap_water_is_unknown_unless_the_map_says_so() -> None:
    gap = day.surface(land=float("nan"))
    found = landing(gap, day.ground())["water"].values[0, 0]
    assert found[1] == 1.0  # in the lake of the map
    assert np.all(np.isnan(found[[0, 2, 3, 4]]))


def test_longitudes_that_run_on_past_180() -> None:
    grid = SurfaceGrid(
        day.STEPS, np.array([0.0, 1.0]), np.array([179.0, 180.0, 181.0]), {},
        np.array([[0.0, 0.0, 1.0], [0.0, 0.0, 1.0]], dtype=np.float32),
    )  # fmt: skip
    found = land_fraction_at(grid, np.full(3, 0.5), np.array([-179.5, 179.5, -179.0]))
    assert found == pytest.approx([0.5, 0.0, 1.0])


def test_no_landing_counts_the_town_and_half_a_kilometre_round_it() -> None:
    found = landing(day.surface(), day.ground())["no_landing"]
    assert found.values[0, 0].tolist() == [0.0, 0.0, 1.0, 1.0, 0.0]
    assert found.facts == ((MostNear("Leaton", "town"),),)
    # The fourth spot is 400 m from the town; the lake is not a place one must not land in.
    assert GEOD.inv(-34.0052, 46.0, -34.0, 46.0)[2] == pytest.approx(403.0, abs=1.0)


def test_lost_flights_and_absent_maps_stay_unknown() -> None:
    found = landing(day.surface(), day.ground(), lost=2)
    for name in ("water", "no_landing", "landing_wind"):
        assert np.isnan(found[name].values[0, 0]).tolist() == [False, False, True, False, False]
    assert np.all(np.isnan(landing(day.surface(), Ground())["no_landing"].values))
    roads = road_measure(day.flights(), Ground(), PLAN)
    assert np.all(np.isnan(roads.values))
    assert roads.missing == Missing(Gap.ROADS)


def test_road_distance_median_and_classes() -> None:
    flights = day.flights(draws=5, **landed_at_spots())
    found = road_measure(flights, day.ground(), PLAN)
    expected = [GEOD.inv(lon, lat, -34.3, lat)[2] / 1000.0 for lat, lon in SPOTS[:4]]
    assert found.values[0, 0, :4] == pytest.approx(expected, rel=1e-3, abs=1e-3)
    ((median,),) = found.facts
    assert isinstance(median, Median)
    assert median.median == pytest.approx(22.8, abs=0.05)
    no_such = ScoringPlan(road_classes=frozenset({RoadClass.PRIMARY}))
    assert road_measure(flights, day.ground(), no_such).missing == Missing(
        Gap.ROAD_CLASSES, ("primary",)
    )
    by_track = ScoringPlan(road_classes=frozenset({RoadClass.TRACK}))
    nearer = road_measure(flights, day.ground(), by_track).values[0, 0, 1]
    assert nearer == pytest.approx(GEOD.inv(-34.55, 46.0, -34.4, 46.0)[2] / 1000.0, rel=1e-3)


def test_an_hour_in_which_nothing_landed_has_no_median() -> None:
    lost = np.ones((2, 1, 8), dtype=bool)
    lost[1] = False
    found = road_measure(day.with_lost(day.flights(2), lost), day.ground(), PLAN)
    none, (median,) = found.facts
    assert none == ()
    assert isinstance(median, Median)
    assert median.median == pytest.approx(0.0, abs=0.05)


@pytest.mark.parametrize(
    ("place", "sunset"),
    [
        # SPA by pvlib 0.16.1, itself checked against Reda and Andreas (2004), NREL.
        ((51.4779, 0.0), datetime(2026, 6, 21, 20, 20, 53, tzinfo=UTC)),
        ((51.4779, 0.0), datetime(2026, 12, 21, 15, 53, 3, tzinfo=UTC)),
        ((38.8951, -77.0364), datetime(2026, 6, 22, 0, 36, 44, tzinfo=UTC)),  # evening, local
        ((-33.8688, 151.2093), datetime(2026, 6, 21, 6, 53, 49, tzinfo=UTC)),
    ],
)
def test_daylight_left_ends_at_the_published_sunset(
    place: tuple[float, float], sunset: datetime
) -> None:
    before = sunset.timestamp() - 60.0 * np.array([200.0, 61.0, 2.0, -2.0])
    left = daylight_left_min(before, np.full(4, place[0]), np.full(4, place[1]))
    assert left == pytest.approx([200.0, 61.0, 2.0, 0.0], abs=1.0)  # minutes


def test_no_daylight_before_sunrise_and_all_of_it_under_the_midnight_sun() -> None:
    night = np.array([datetime(2026, 6, 21, 2, tzinfo=UTC).timestamp()])
    assert daylight_left_min(night, np.array([51.5]), np.array([0.0])).tolist() == [0.0]
    assert daylight_left_min(night, np.array([78.0]), np.array([15.0])).tolist() == [720.0]
    polar = np.array([datetime(2026, 12, 21, 12, tzinfo=UTC).timestamp()])
    assert daylight_left_min(polar, np.array([78.0]), np.array([15.0])).tolist() == [0.0]
