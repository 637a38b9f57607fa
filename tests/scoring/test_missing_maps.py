"""Layers of the ground, or parts of them, that are missing never make an hour or a check better."""

from collections.abc import Collection, Mapping
from dataclasses import replace
from typing import Any

import launch_days as day
import made_ground as made
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from windowwatch.ground.query.features import Area, AreaKind, Areas, Ground
from windowwatch.ground.query.rasters import NONE_CODE, Rasters
from windowwatch.ground.tags import Cover
from windowwatch.physics.flights import Flights
from windowwatch.scoring.checks.casualty import Impact, casualty_expectation
from windowwatch.scoring.checks.flight import Crossings
from windowwatch.scoring.checks.landing import BUILT_UP_PEOPLE_PER_KM2, landing_measures
from windowwatch.scoring.hour import score_site
from windowwatch.scoring.limits import LIMITS
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.scoring.values import Check, Gap, Hour, Missing, Part, Verdict
from windowwatch.wording.checks import check_sentence

pytestmark = pytest.mark.missing

RANK = {Verdict.UNKNOWN: 0, Verdict.NO_GO: 0, Verdict.CAUTION: 1, Verdict.GO: 2}
#: Every check that looks at the ground or the air on the way, and few others.
ASKED = {
    name: kind.default
    for name, kind in LIMITS.items()
    if kind.part in (Part.LANDING, Part.RECOVERY) or name in ("airspace", "permitted_area", "wind")
}
PLAN = ScoringPlan(
    limits=ASKED, tracker_h=12.0, impact_mass_kg=1.0, impact_face_m2=0.09,
    country_people_per_km2=5.0, min_flights=1,
)  # fmt: skip
GAPS = replace(PLAN, judge_with_gaps=True)
DRAWS = 10


def _flights(seed: int) -> Flights:
    """Landings all over the map of 5 by 5 km, none outside it."""
    rng = np.random.default_rng(seed)
    north, east = rng.uniform(-2.4, 2.4, (2, 1, 1, DRAWS)) / 111.2
    latitude, longitude = day.LANDING
    return day.flights(
        draws=DRAWS,
        landing_latitude_deg=latitude + north,
        landing_longitude_deg=longitude + east / np.cos(np.radians(latitude)),
    )


def _map(seed: int, share: float) -> tuple[Any, dict[str, Any]]:
    """Bits and badness of the cells: a share of them is worse in one thing or other."""
    rng = np.random.default_rng(seed)
    shape = (made.SIDE, made.SIDE)
    bits = np.full(shape, made.covered())
    for number, kind in enumerate(Cover):
        wet = share * (0.2 if kind is Cover.WATER else 1.0)
        bits |= (rng.random(shape) < wet).astype(int) << number
    badness = {name: rng.random(shape) * (rng.random(shape) < share) for name in made.LAYERS}
    # nobody lives on water: a count may leave it out
    water = (bits >> list(Cover).index(Cover.WATER)) & 1 == 1
    badness["people_per_km2"][water] = -2.0 / 3000.0
    return bits, badness


ALL_LAND = np.ones((day.LATITUDE.size, day.LONGITUDE.size), dtype=np.float32)


def _hour(given: Ground, flown: Flights, plan: ScoringPlan, mask: Any = ALL_LAND) -> Hour:
    quiet = np.zeros(flown.status.shape, dtype=np.bool_)
    crossed = Crossings(
        quiet if given.airspace is None else None, np.zeros((1, 0), dtype=np.int64), quiet
    )
    weather = replace(day.surface(), land_fraction=mask)
    launch = np.array([day.LAUNCH])
    (hour,) = score_site(day.SITE, launch, flown, weather, given, plan, crossings=crossed)
    return hour


def _nothing_is_better(full: Hour, less: Hour) -> None:
    assert (less.score or 0.0) <= (full.score or 0.0) + 1e-9
    assert (less.chance or 0.0) <= (full.chance or 0.0) + 1e-9
    assert RANK[less.verdict] <= RANK[full.verdict]
    for one, other in zip(_by_name(full), _by_name(less), strict=True):
        assert one.name == other.name
        assert RANK[other.verdict] <= RANK[one.verdict], other
        assert (other.desirability or 0.0) <= (one.desirability or 0.0) + 1e-9, other


def _by_name(hour: Hour) -> list[Check]:
    return sorted(hour.checks, key=lambda check: check.name)


def _ground(bits: Any, badness: Mapping[str, Any], gone: Collection[str] = ()) -> Ground:
    town = shapely.box(-34.31, 45.99, -34.30, 46.0)
    areas = Areas([Area("Leaton", AreaKind.TOWN, town), Area("Lea Mere", AreaKind.WATER, day.LAKE)])
    return Ground(areas=areas, rasters=made.rasters(bits, badness, gone))


def _without_codes(given: Ground, name: str, cells: NDArray[np.bool_]) -> Ground:
    """The ground without some cells of one layer."""
    whole = given.rasters
    assert whole is not None
    layer = whole.layers[name]
    codes = np.where(cells, np.uint16(NONE_CODE), layer.codes)
    layers = {**whole.layers, name: replace(layer, codes=codes)}
    made_anew = Rasters(whole.name, whole.grid, layers, whole.bases, whole.sources)
    return replace(given, rasters=made_anew)


@pytest.mark.parametrize("plan", [PLAN, GAPS], ids=["unknown", "judged with gaps"])
@settings(deadline=None, max_examples=40)
@given(seed=st.integers(0, 10_000), share=st.floats(0.0, 0.6), lost=st.integers(1, 24))
def test_cells_off_the_map_make_nothing_better(
    plan: ScoringPlan, seed: int, share: float, lost: int
) -> None:
    bits, badness = _map(seed, share)
    flown = _flights(seed)
    off = np.random.default_rng(seed + 1).permutation(25).reshape(5, 5) < lost
    full = _hour(_ground(bits, badness), flown, plan, _mask(seed, 0.0))
    less = _hour(_ground(np.where(off, 0, bits), badness), flown, plan, _mask(seed, 0.0))
    _nothing_is_better(full, less)


def _mask(seed: int, gone: float) -> NDArray[np.float32]:
    """A land mask with a sea here and there, and a share of it missing."""
    rng = np.random.default_rng(seed)
    shape = (day.LATITUDE.size, day.LONGITUDE.size)
    mask = np.where(rng.random(shape) < 0.1, 0.0, 1.0).astype(np.float32)
    mask[rng.random(shape) < gone] = np.nan
    return mask


@settings(deadline=None, max_examples=40)
@given(seed=st.integers(0, 10_000), share=st.floats(0.0, 0.6), gone=st.floats(0.1, 1.0))
def test_a_mask_with_holes_makes_nothing_better(seed: int, share: float, gone: float) -> None:
    given, flown = _ground(*_map(seed, share)), _flights(seed)
    full = _hour(given, flown, GAPS, _mask(seed, 0.0))
    _nothing_is_better(full, _hour(given, flown, GAPS, _mask(seed, gone)))


@pytest.mark.parametrize("plan", [PLAN, GAPS], ids=["unknown", "judged with gaps"])
@pytest.mark.parametrize("name", [name for name in made.LAYERS if name != "drive_min/0"])
@settings(deadline=None, max_examples=2)
@given(seed=st.integers(0, 10_000), share=st.floats(0.0, 0.6))
def test_a_layer_that_is_gone_makes_nothing_better(
    name: str, plan: ScoringPlan, seed: int, share: float
) -> None:
    """(A base without drive times is refused when settings are read.)"""
    bits, badness = _map(seed, share)
    flown = _flights(seed)
    full = _hour(_ground(bits, badness), flown, plan)
    less = _hour(_ground(bits, badness, {name}), flown, plan)
    _nothing_is_better(full, less)
    lacking = [c for c in less.checks if c.missing == Missing(Gap.LAYER, (name,))]
    hit = [c.name for c in less.checks if c.verdict is Verdict.NO_GO]  # by the areas alone
    assert lacking or "no_landing" in hit, "some check says which layer it lacks"
    assert all("the ground file has no" in check_sentence(check) for check in lacking)


@settings(deadline=None, max_examples=40)
@given(
    seed=st.integers(0, 10_000),
    share=st.floats(0.0, 0.6),
    name=st.sampled_from(["people_per_km2", "slope_deg", "road_m", "walk_min", "drive_min/0"]),
)
def test_a_count_a_height_or_a_way_that_is_gone_makes_nothing_better(
    seed: int, share: float, name: str
) -> None:
    given, flown = _ground(*_map(seed, share)), _flights(seed)
    holes = np.random.default_rng(seed + 1).random((5, 5)) < 0.3
    full = _hour(given, flown, GAPS)
    _nothing_is_better(full, _hour(_without_codes(given, name, holes), flown, GAPS))


@pytest.mark.parametrize("part", ["areas and file", "file", "roads", "airspace", "permitted"])
def test_a_part_of_the_ground_that_nobody_gave_refuses(part: str) -> None:
    """Wholly away: every check that asks for it is unknown with its reason, and so is the hour."""
    flown, quiet = _flights(3), np.zeros((1, 1, DRAWS), dtype=np.bool_)
    plain = np.zeros((5, 5))
    whole = Ground(rasters=made.rasters(plain + made.covered(), dict.fromkeys(made.LAYERS, plain)))
    sketch = replace(day.ground(), rasters=None)
    given, gap, names = {
        "areas and file": (Ground(roads=sketch.roads), Gap.AREAS, ["no_landing", "casualty"]),
        "file": (sketch, Gap.GROUND_FILE, ["built_up", "forest", "walk", "crew", "hazard_line"]),
        "roads": (replace(sketch, roads=None), Gap.ROADS, ["road"]),
        "airspace": (whole, Gap.AIRSPACE, ["airspace"]),
        "permitted": (whole, Gap.PERMITTED_AREA, ["permitted_area"]),
    }[part]
    crossed = Crossings(
        None if part == "airspace" else quiet,
        np.zeros((1, 0), dtype=np.int64),
        None if part == "permitted" else quiet,
    )
    (hour,) = score_site(
        day.SITE, np.array([day.LAUNCH]), flown, day.surface(), given, PLAN, crossings=crossed
    )
    assert hour.verdict is Verdict.UNKNOWN
    found = {check.name: check for check in hour.checks}
    assert {found[name].missing for name in names} == {Missing(gap)}


def test_landings_off_the_map_have_words_of_their_own() -> None:
    plain = np.zeros((5, 5))
    bits = plain + made.covered()
    bits[:, 3:] = 0
    whole = Ground(rasters=made.rasters(bits, dict.fromkeys(made.LAYERS, plain)))
    hour = _hour(whole, _flights(3), PLAN)
    said = {c.name: check_sentence(c) for c in hour.checks if c.missing == Missing(Gap.OFF_MAP)}
    assert {"water", "no_landing", "built_up", "casualty", "walk", "crew", "road", "slope",
            "hazard_line", "arrival_daylight", "tracker"} <= set(said)  # fmt: skip
    assert "forest" not in said, "forest everywhere off the map would still be no more than asked"
    assert said["walk"] == "Walk unknown: too many landings lie outside the map."
    lost = replace(_flights(3), status=np.full((1, 1, DRAWS), 1, dtype=np.uint8))
    lost_hour = _hour(whole, lost, PLAN)
    assert not any(c.missing == Missing(Gap.OFF_MAP) for c in lost_hour.checks)


def test_without_heights_nothing_that_hangs_on_a_walk_is_known() -> None:
    plain = np.zeros((5, 5))
    fine = dict.fromkeys(made.LAYERS, plain)
    level = Ground(rasters=made.rasters(plain + made.covered(), fine, {"slope_deg"}))
    found = {c.name: c for c in _hour(level, _flights(3), PLAN).checks}
    for name in ("walk", "arrival_daylight", "tracker", "slope"):
        assert found[name].missing == Missing(Gap.LAYER, ("slope_deg",))
        assert "the ground file has no terrain" in check_sentence(found[name])
    assert found["crew"].verdict is not Verdict.UNKNOWN
    unset = _hour(level, _flights(3), replace(PLAN, tracker_h=None))
    tracker = next(c for c in unset.checks if c.name == "tracker")
    assert tracker.missing == Missing(Gap.SETTING, ("tracker_h",))


def test_a_town_without_a_number_counts_as_a_dense_one() -> None:
    """By hand: 1 kg, 0.09 m², 5 m/s, no wind: 0.706 m² of 20 000 people in a km²."""
    town = Areas([Area("Leaton", AreaKind.TOWN, day.TOWN), Area("wood", AreaKind.FOREST, day.LAKE)])
    inside = day.flights(draws=1, landing_longitude_deg=-33.95, landing_wind_mps=0.0)
    outside = day.flights(draws=1, landing_longitude_deg=-34.3, landing_wind_mps=0.0)
    heavy = replace(PLAN, impact_mass_kg=2.0)

    def hurt(flown: Flights, areas: Areas) -> float:
        found = landing_measures(flown, day.surface(), Ground(areas), heavy)
        return float(next(m for m in found if m.name == "casualty").values[0, 0, 0])

    assert BUILT_UP_PEOPLE_PER_KM2 == 20_000.0
    assert hurt(inside, town) == pytest.approx(0.706 * 20_000.0, rel=1e-3)
    assert hurt(outside, town) == pytest.approx(0.706 * 5.0, rel=1e-3)
    numbered = Areas([Area("Leaton", AreaKind.TOWN, day.TOWN, 500.0)])
    assert hurt(inside, numbered) == pytest.approx(0.706 * 500.0, rel=1e-3)
    works = Areas([Area("Lea Works", AreaKind.INDUSTRY, day.TOWN)])
    assert hurt(inside, works) == hurt(inside, town)
    by_hand = casualty_expectation(Impact(2.0, 0.09, 5.0), 5.0, 0.0, 20_000.0)
    assert hurt(inside, town) == pytest.approx(1e6 * float(by_hand))
    assert "from memory" in LIMITS["casualty"].source
