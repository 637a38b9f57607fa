"""Checks that ask a ground file: five cells in a row, each with a plain answer."""

from dataclasses import replace
from typing import Any

import launch_days as day
import numpy as np
import pytest

from windowwatch.errors import InputError
from windowwatch.ground.plane import Grid
from windowwatch.ground.query.features import AreaKind, Ground
from windowwatch.ground.query.rasters import MAPPED_BIT, Base, Rasters, encode
from windowwatch.ground.tags import Cover
from windowwatch.scoring.answer import Measure, answer
from windowwatch.scoring.checks.landing import (
    Landings,
    landing_measures,
    mapped_measures,
    recovery_measures,
    road_measure,
)
from windowwatch.scoring.limits import LIMITS, Limit
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.scoring.values import Gap, Median, Missing, NeverReached, OutOfReach, Verdict

PLAN = ScoringPlan(tracker_h=6.0)
INF = np.inf
#: From west to east: open land, built-up land, forest by a railway, a lake, a closed heath.
COVERS = ((), (Cover.BUILT_UP,), (Cover.FOREST,), (Cover.WATER,), (Cover.NO_ENTRY,))
LAYERS: dict[str, Any] = {
    "motorway_m": [INF] * 5,
    "railway_m": [3000, 2000, 150, 1000, 2000],
    "power_m": [201, 9000, 9000, 9000, 9000],
    "built_up_m": [600, 0, 1000, 2000, 3000],
    "industry_m": [INF] * 5,
    "aerodrome_m": [INF] * 5,
    "military_m": [INF] * 5,
    "no_entry_m": [4000, 3000, 2000, 400, 0],
    "road_m": [500, 10, 800, 1500, 2500],
    "walk_min": [8, 0.5, 20, INF, INF],
    "drive_min/0": [80, 96, 112, INF, INF],
    "drive_min/1": [160, 20, 160, INF, INF],
    "slope_deg": [0, 1, 12, 0, 3],
}
#: One degree of longitude at 46° on WGS 84. [m]
DEGREE_M = 77_463.0


def rasters(**changed: Any) -> Rasters:
    bits = [
        (1 << MAPPED_BIT) | sum(1 << list(Cover).index(kind) for kind in kinds) for kinds in COVERS
    ]
    layers = {name: encode([row], 0.5) for name, row in {**LAYERS, **changed}.items() if row}
    layers["cover"] = replace(encode([[0.0] * 5], 1.0), codes=np.array([bits], dtype=np.uint16))
    latitude, longitude = day.LANDING
    grid = Grid(latitude, longitude, -2500.0, -500.0, 1000.0, 1, 5)
    bases = [Base(day.SITE.name, 46.0, -35.0), Base("depot", 46.0, -34.3)]
    return Rasters("invented.ground", grid, layers, bases, ["invented"])


def ground(*crews: str, **changed: Any) -> Ground:
    return Ground(rasters=rasters(**changed), crews=crews)


def flights(cells: Any = (0, 1, 2, 3, 4)) -> Any:
    """One flight into the middle of each cell; 9 lies off the map."""
    longitude = day.LANDING[1] + (np.array(cells) - 2.0) * 1000.0 / DEGREE_M
    return day.flights(draws=len(cells), landing_longitude_deg=longitude)


def measures(given: Ground, cells: Any = (0, 1, 2, 3, 4), plan: ScoringPlan = PLAN) -> Any:
    flown = flights(cells)
    daylight = np.full(flown.status.shape, 400.0)
    found = mapped_measures(day.SITE, np.array([day.LAUNCH]), flown, given, plan, daylight)
    return {measure.name: measure for measure in found}


def test_what_the_landings_lie_on() -> None:
    found = measures(ground())
    assert found["built_up"].values[0, 0].tolist() == [0, 1, 0, 0, 0]
    assert found["forest"].values[0, 0].tolist() == [0, 0, 1, 0, 0]
    assert found["slope"].values[0, 0].tolist() == [0, 1, 12, 0, 3]


def test_the_nearest_hazard_line_counts() -> None:
    assert measures(ground())["hazard_line"].values[0, 0].tolist() == [0, 0, 1, 0, 0]
    wider = replace(PLAN, hazard_line_distance_m=201.0)
    assert measures(ground(), plan=wider)["hazard_line"].values[0, 0].tolist() == [1, 0, 1, 0, 0]


def test_the_crew_drives_a_quarter_longer_than_the_map_says() -> None:
    """The flight takes 120 min: 80 min on the map are 100 min, 20 before the landing."""
    late = measures(ground())["crew"].values[0, 0]
    assert late[:3].tolist() == [-20.0, 0.0, 20.0]
    assert late[3:].tolist() == [600.0, 600.0]  # no way there: 12 h


def test_a_crew_that_stands_by_nearer_is_there_first() -> None:
    late = measures(ground("depot"))["crew"].values[0, 0]
    assert late[:3].tolist() == [-20.0, -95.0, 20.0]


def test_a_crew_that_is_there_first_is_said_so() -> None:
    given = measures(ground(), (0, 0, 0, 0))
    early = answer(given["crew"], 0, LIMITS["crew"], LIMITS["crew"].default)
    assert (early.check.value, early.check.facts) == (-20.0, (Median(-20.0),))
    assert early.check.verdict is Verdict.GO
    late = answer(measures(ground(), (2, 2))["crew"], 0, LIMITS["crew"], Limit(0.0, 15.0))
    assert (late.check.value, late.check.facts) == (20.0, (Median(20.0),))
    assert late.check.verdict is Verdict.NO_GO


def test_a_median_may_have_the_other_sign() -> None:
    """Of four flights three have the crew waiting, and one is out of its reach for long."""
    given = {n: replace(m, never=()) for n, m in measures(ground(), (0, 0, 0, 3)).items()}
    late = answer(given["crew"], 0, LIMITS["crew"], LIMITS["crew"].default).check
    assert late.value is not None
    assert late.value > 0.0
    assert late.facts == (Median(-20.0), OutOfReach(25.0))
    kind = LIMITS["arrival_daylight"]
    left = answer(given["arrival_daylight"], 0, kind, kind.default).check
    assert left.value is not None
    assert left.value < 0.0
    assert left.facts == (Median(392.0), OutOfReach(25.0))


def test_the_walk_and_what_is_out_of_reach() -> None:
    found = measures(ground())["walk"]
    assert found.values[0, 0].tolist() == [8.0, 0.5, 20.0, 360.0, 360.0]
    assert found.facts == ((Median(20.0), OutOfReach(40.0)),)
    assert measures(ground(), (0, 1))["walk"].facts == ((Median(4.25),),)


@pytest.mark.parametrize("name", ["walk", "crew", "arrival_daylight"])
def test_what_nobody_reaches_has_no_number(name: str) -> None:
    """40 % are out of reach, 10 % are left aside: a stand-in for "never" is not read out."""
    kind = LIMITS[name]
    check = answer(measures(ground())[name], 0, kind, kind.default).check
    assert check.verdict is Verdict.NO_GO
    assert (check.value, check.margin, check.desirability) == (None, None, 0.0)
    (never,) = check.facts
    assert isinstance(never, NeverReached)
    assert (never.never_pct, never.aside_pct) == pytest.approx((40.0, 10.0))
    near = answer(measures(ground(), (0, 1))[name], 0, kind, kind.default).check
    assert near.value is not None


def test_daylight_left_when_the_crew_is_there() -> None:
    """400 min at the landing, less 20 min of waiting for the crew, less 20 min on foot."""
    left = measures(ground())["arrival_daylight"].values[0, 0]
    assert left[0] == 400.0 - 8.0  # the crew waits for the landing
    assert left[2] == 400.0 - 20.0 - 20.0
    assert left[3] < 0.0


def test_off_the_map_nothing_is_known() -> None:
    found = measures(ground(), (0, 9))
    for measure in found.values():
        assert np.isfinite(measure.values[0, 0, 0])
        assert np.isnan(measure.values[0, 0, 1]), measure.name


def test_without_a_ground_file_every_check_is_unknown() -> None:
    for name, measure in measures(Ground()).items():
        check = answer(measure, 0, LIMITS[name], LIMITS[name].default).check
        assert check.verdict is Verdict.UNKNOWN
        assert check.missing == Missing(Gap.GROUND_FILE)


def test_without_terrain_the_slope_is_unknown() -> None:
    assert measures(ground(slope_deg=None))["slope"].missing == Missing(Gap.LAYER, ("slope_deg",))


def test_the_file_alone_answers_water_road_and_no_landing() -> None:
    by_name = {
        m.name: m for m in landing_measures(flights(), day.surface(land=None), ground(), PLAN)
    }
    assert by_name["water"].values[0, 0].tolist() == [0, 0, 0, 1, 0]
    # 500 m round the built-up land and the closed heath
    assert by_name["no_landing"].values[0, 0].tolist() == [0, 1, 0, 1, 1]
    away = road_measure(flights(), ground(), PLAN).values[0, 0]
    assert away == pytest.approx([0.5, 0.01, 0.8, 1.5, 2.5])


def test_of_mask_and_file_the_worse_counts() -> None:
    """On the file's land, on its lake, and off its map."""

    def water(land: float) -> Any:
        found = landing_measures(flights((0, 3, 9)), day.surface(land=land), ground(), PLAN)
        return found[0].values[0, 0].tolist()

    assert np.array_equal(water(1.0), [0.0, 1.0, np.nan], equal_nan=True)
    assert water(0.0) == [1.0, 1.0, 1.0]
    assert np.array_equal(water(np.nan), [np.nan, 1.0, np.nan], equal_nan=True)


def test_land_without_a_distance_is_asked_inside_only() -> None:
    here = Landings.of(flights(), ground())
    assert here is not None
    assert here.near([AreaKind.FOREST, AreaKind.WATER], 500.0).tolist() == [0, 0, 1, 1, 0]


def test_people_of_the_file_count_for_casualties() -> None:
    plan = replace(
        PLAN,
        limits={"casualty": LIMITS["casualty"].default},
        impact_mass_kg=4.0, impact_face_m2=0.09, country_people_per_km2=10.0,
    )  # fmt: skip

    def hurt(given: Ground) -> Measure:
        found = landing_measures(flights(), day.surface(), given, plan)
        return next(m for m in found if m.name == "casualty")

    counted = hurt(ground(people_per_km2=[100, 1000, INF, 0, 10])).values[0, 0]
    assert counted / counted[4] == pytest.approx([10.0, 100.0, np.nan, 0.0, 1.0], nan_ok=True)
    assert hurt(ground()).missing == Missing(Gap.AREAS)


def test_an_hour_with_all_checks_of_the_file() -> None:
    names = ("built_up", "hazard_line", "forest", "slope", "crew", "walk", "arrival_daylight")
    plan = replace(PLAN, limits={**PLAN.limits, **{name: LIMITS[name].default for name in names}})
    flown = flights((0,) * 10)
    one = replace(flown, **{name: values[0] for name, values in vars(flown).items()})
    hour = day.score_hour(day.SITE, day.LAUNCH, one, day.surface(), ground(), plan)
    found = {check.name: check for check in hour.checks}
    assert hour.refused is None
    assert hour.verdict is Verdict.GO
    assert {found[name].verdict for name in names} == {Verdict.GO}
    bare = day.score_hour(day.SITE, day.LAUNCH, one, day.surface(), day.ground(), plan)
    assert {c.verdict for c in bare.checks if c.name in names} == {Verdict.UNKNOWN}


def test_recovery_asks_the_file_too() -> None:
    found = recovery_measures(day.SITE, np.array([day.LAUNCH]), flights(), ground(), PLAN)
    assert [m.name for m in found[:3]] == ["road", "landing_daylight", "built_up"]
    assert len({m.name for m in found}) == len(found) == 10


@pytest.mark.parametrize(("key", "value"), [("drive_factor", 0.9), ("hazard_line_distance_m", -1)])
def test_a_plan_that_cannot_be(key: str, value: float) -> None:
    changed: Any = {key: value}
    with pytest.raises(InputError, match=key):
        ScoringPlan(**changed)


def test_the_tracker_must_be_heard_until_the_crew_is_there() -> None:
    """Six hours, one of them of setting up. The flight takes 120 min, the drive 100, walk 8."""
    left = measures(ground())["tracker"].values[0, 0]
    assert left[0] == pytest.approx(360.0 - 60.0 - 120.0 - 8.0)
    assert left[2] == pytest.approx(360.0 - 60.0 - 140.0 - 20.0)  # the drive is longer
    assert left[3] < 0.0, "nobody gets there"
    unknown = measures(ground(), plan=replace(PLAN, tracker_h=None))["tracker"]
    check = answer(unknown, 0, LIMITS["tracker"], LIMITS["tracker"].default).check
    assert check.missing == Missing(Gap.SETTING, ("tracker_h",))
    short = measures(ground(), (2, 2), replace(PLAN, tracker_h=2.0))["tracker"]
    silent = answer(short, 0, LIMITS["tracker"], LIMITS["tracker"].default).check
    assert silent.value == pytest.approx(-100.0)
    assert silent.verdict is Verdict.NO_GO
