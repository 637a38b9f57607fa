"""Of every check of the table: weather that is missing makes nothing better, from any source."""

from collections.abc import Collection
from dataclasses import replace
from itertools import combinations
from typing import Any

import launch_days as day
import made_ground as made
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from windowwatch.clock import from_unix_s
from windowwatch.ground.query.features import Ground
from windowwatch.physics.neighbourhood import NeighbourhoodModel, draw_shifts
from windowwatch.physics.surface import (
    SURFACE_FIELDS,
    CellMethod,
    SurfaceGrid,
    SurfaceSeries,
    cells_since_time_before,
)
from windowwatch.scoring.checks.flight import Crossings
from windowwatch.scoring.checks.release import WEATHER_CHECKS, release_measures
from windowwatch.scoring.hour import score_site
from windowwatch.scoring.limits import LIMITS
from windowwatch.scoring.nearby import FAMILIES, NearWeather
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.scoring.values import Hour, Verdict
from windowwatch.windows.window import WindowRules, is_good, join_hours

pytestmark = pytest.mark.missing

#: Steps of three hours over four days: long enough for the daily course of fronts.
STEPS = day.LAUNCH + 3600.0 * np.arange(-48.0, 51.0, 3.0)
LATITUDE, LONGITUDE = np.array([45.5, 46.0, 46.5]), np.array([-35.5, -35.0, -34.5, -34.0])
#: A fine value of every field, and how far it wavers.
FIELDS: dict[str, tuple[float, float]] = {
    "wind_u_10m_mps": (2.0, 1.5),
    "wind_v_10m_mps": (0.5, 1.5),
    "gust_mps": (5.0, 2.0),
    "wind_u_100m_mps": (3.0, 2.0),
    "wind_v_100m_mps": (0.5, 2.0),
    "temperature_2m_k": (283.0, 1.5),
    "dew_point_2m_k": (278.0, 1.5),
    "pressure_msl_pa": (101_300.0, 60.0),
    "pressure_surface_pa": (100_000.0, 50.0),
    "cloud_low_pct": (40.0, 25.0),
    "cloud_middle_pct": (40.0, 25.0),
    "cloud_high_pct": (50.0, 25.0),
    "cloud_total_pct": (45.0, 20.0),
    "ceiling_m": (2500.0, 1200.0),
    "visibility_m": (9000.0, 3000.0),
    "precipitation_rate_mmph": (0.0, 0.3),
    "precipitation_mm": (0.0, 0.9),
    "cape_jpkg": (150.0, 200.0),
    "lifted_index_k": (3.0, 2.0),
    "freezing_rain": (0.0, 0.0),
}
LAUNCHES = day.LAUNCH + 3600.0 * np.arange(4.0)
DRAWS, MEMBERS = 5, 2
PLAN = ScoringPlan(
    limits={name: kind.default for name, kind in LIMITS.items()},
    setup_min=30.0, clearance=(day.LAUNCH - 3600.0, day.LAUNCH + 86_400.0), battery_h=8.0,
    tracker_h=12.0, notice_h=2.0, impact_mass_kg=1.0, impact_face_m2=0.09,
    country_people_per_km2=5.0, min_flights=1,
)  # fmt: skip
GAPS = replace(PLAN, judge_with_gaps=True)
RULES = WindowRules(open_score=40.0, close_score=30.0)
RANK = {Verdict.UNKNOWN: 0, Verdict.NO_GO: 0, Verdict.CAUTION: 1, Verdict.GO: 2}
PLAIN = np.zeros((made.SIDE, made.SIDE))
GROUND = Ground(rasters=made.rasters(PLAIN + made.covered(), dict.fromkeys(made.LAYERS, PLAIN)))
SHIFTS = draw_shifts(
    DRAWS, watch="w", cycle_id="c", site="s", cycle_unix_s=float(STEPS[0]),
    model=NeighbourhoodModel(20_000.0, 0.0, 3_600.0, 0.0),
)  # fmt: skip


def _weather(seed: int, members: int = MEMBERS) -> SurfaceGrid:
    """Weather of all fields that wavers in time and space, with gust and rain over intervals."""
    rng = np.random.default_rng(seed)
    shape = (members, STEPS.size, LATITUDE.size, LONGITUDE.size)
    fields: dict[str, Any] = {}
    for name, (fine, wavers) in FIELDS.items():
        waver = wavers * rng.standard_normal(shape)
        least = 0.0 if name not in ("wind_u_10m_mps", "wind_v_10m_mps") else -50.0
        fields[name] = np.maximum(fine + waver - (wavers if fine == 0.0 else 0.0), least).astype(
            np.float32
        )
    fields["freezing_rain"][:] = rng.random(shape) < 0.002
    cells = {
        "gust_mps": cells_since_time_before(CellMethod.MAXIMUM, STEPS),
        "precipitation_mm": cells_since_time_before(CellMethod.SUM, STEPS),
    }
    fields["gust_mps"][:, 0] = fields["precipitation_mm"][:, 0] = np.nan
    mask = np.ones(shape[2:], dtype=np.float32)
    return SurfaceGrid(STEPS, LATITUDE, LONGITUDE, fields, mask, cells)


def _hours(
    weather: SurfaceGrid, plan: ScoringPlan, near: NearWeather | None = None
) -> tuple[Hour, ...]:
    spread = np.linspace(-0.01, 0.01, DRAWS)
    flown = day.flights(
        LAUNCHES.size, MEMBERS, DRAWS,
        landing_latitude_deg=day.LANDING[0] + spread,
        landing_longitude_deg=day.LANDING[1] + spread**2,
    )  # fmt: skip
    quiet = np.zeros(flown.status.shape, dtype=np.bool_)
    return score_site(
        day.SITE, LAUNCHES, flown, weather, GROUND, plan,
        np.broadcast_to(np.linspace(-0.5, 0.5, DRAWS), (LAUNCHES.size, DRAWS)),
        Crossings(quiet, np.zeros((LAUNCHES.size, 0), dtype=np.int64), quiet),
        day.LAUNCH - 86_400.0, near, SHIFTS,
    )  # fmt: skip


def _without(weather: SurfaceGrid, gone: Collection[tuple[str, int, int]]) -> SurfaceGrid:
    """The weather without planes: field, member, step."""
    fields = {name: np.array(values, copy=True) for name, values in weather.fields.items()}
    for name, member, step in gone:
        fields[name][member, step] = np.nan
    return replace(weather, fields=fields)


def _nothing_is_better(full: tuple[Hour, ...], less: tuple[Hour, ...]) -> None:
    for one, other in zip(full, less, strict=True):
        assert (other.score or 0.0) <= (one.score or 0.0) + 1e-9
        assert (other.chance or 0.0) <= (one.chance or 0.0) + 1e-9
        assert RANK[other.verdict] <= RANK[one.verdict]
        assert {check.name for check in one.checks} == set(LIMITS), "all checks are asked"
        for check, left in zip(one.checks, other.checks, strict=True):
            assert RANK[left.verdict] <= RANK[check.verdict], (check, left)
            assert (left.desirability or 0.0) <= (check.desirability or 0.0) + 1e-9, (check, left)
        for inside in (False, True):
            assert is_good(one, RULES, inside=inside) or not is_good(other, RULES, inside=inside)
    now = from_unix_s(float(LAUNCHES[0]))
    before = join_hours(full, RULES, now_utc=now)
    for window in join_hours(less, RULES, now_utc=now):
        assert any(w.start_utc <= window.start_utc and window.end_utc <= w.end_utc for w in before)


def test_the_sample_holds_every_field_and_some_hours_are_good() -> None:
    assert set(FIELDS) == set(SURFACE_FIELDS)
    found = [hour for seed in range(8) for hour in _hours(_weather(seed), GAPS)]
    known = {c.name for hour in found for c in hour.checks if c.verdict is Verdict.GO}
    assert known == set(LIMITS), set(LIMITS) - known
    assert any(hour.verdict is not Verdict.NO_GO and hour.chance for hour in found)


NEAR_LAUNCH = [int(i) for i in np.flatnonzero(np.abs(STEPS - day.LAUNCH) <= 9.0 * 3600.0)]


@pytest.mark.parametrize("plan", [PLAN, GAPS], ids=["unknown", "judged with gaps"])
@settings(deadline=None, max_examples=30)
@given(
    seed=st.integers(0, 10_000),
    gone=st.frozensets(
        st.tuples(
            st.sampled_from(sorted(FIELDS)),
            st.integers(0, MEMBERS - 1),
            st.sampled_from(NEAR_LAUNCH) | st.integers(0, STEPS.size - 1),
        ),
        min_size=1,
        max_size=12,
    ),
)
def test_no_plane_that_is_gone_makes_any_check_better(
    plan: ScoringPlan, seed: int, gone: frozenset[tuple[str, int, int]]
) -> None:
    weather = _weather(seed)
    _nothing_is_better(_hours(weather, plan), _hours(_without(weather, gone), plan))


@pytest.mark.parametrize("name", sorted(FIELDS))
@settings(deadline=None, max_examples=2)
@given(seed=st.integers(0, 10_000), members=st.sampled_from([(0,), (0, 1)]))
def test_no_field_that_is_lost_makes_any_check_better(
    name: str, seed: int, members: tuple[int, ...]
) -> None:
    weather = _weather(seed)
    gone = {(name, member, step) for member in members for step in range(STEPS.size)}
    _nothing_is_better(_hours(weather, GAPS), _hours(_without(weather, gone), GAPS))


@pytest.mark.parametrize("name", sorted(set(FIELDS) - {"precipitation_mm"}))
def test_no_field_that_a_source_does_not_have_makes_any_check_better(name: str) -> None:
    """But the amount of rain: the rate alone answers it for a source that has no other."""
    weather = _weather(5)
    rest = {key: values for key, values in weather.fields.items() if key != name}
    cells = {key: each for key, each in weather.cells.items() if key != name}
    less = _hours(replace(weather, fields=rest, cells=cells), GAPS)
    if name != "precipitation_rate_mmph":
        _nothing_is_better(_hours(weather, GAPS), less)
    unknown = {c.name for c in less[0].checks if c.verdict is Verdict.UNKNOWN}
    assert {n for n, kind in LIMITS.items() if not kind.is_answerable(rest)} <= unknown


SHORT = ("wind_u_10m_mps", "wind_v_10m_mps", "temperature_2m_k", "dew_point_2m_k",
         "pressure_msl_pa", "gust_mps", "precipitation_rate_mmph")  # fmt: skip


def _calm(names: Collection[str]) -> SurfaceGrid:
    """Unchanging weather of these fields: a check is unknown only for what is not there."""
    shape = (1, STEPS.size, LATITUDE.size, LONGITUDE.size)
    fields = {n: np.full(shape, FIELDS[n][0], dtype=np.float32) for n in names}
    return SurfaceGrid(STEPS, LATITUDE, LONGITUDE, fields)


def _unknown(names: Collection[str]) -> set[str]:
    found = release_measures(day.SITE, LAUNCHES, day.flights(4), _calm(names), PLAN)
    return {m.name for m in found if m.name in WEATHER_CHECKS and np.all(np.isnan(m.values))}


def test_the_table_says_which_fields_every_check_needs() -> None:
    """Each field away alone, and every choice of the fields that fronts are told by."""
    assert {name for name, kind in LIMITS.items() if kind.needs} == set(WEATHER_CHECKS)
    every = set(FIELDS)
    choices = [every - {name} for name in every]
    choices += [
        set(chosen) for size in range(len(SHORT) + 1) for chosen in combinations(SHORT, size)
    ]
    for carried in choices:
        by_table = {n for n in WEATHER_CHECKS if not LIMITS[n].is_answerable(carried)}
        assert _unknown(carried) == by_table, sorted(carried)


def _series(weather: SurfaceGrid, seed: int) -> SurfaceSeries:
    """What a finer model says at the site: one member of other weather."""
    there = weather.at(day.SITE.latitude_deg, day.SITE.longitude_deg)
    rng = np.random.default_rng(seed)
    values = {
        name: np.maximum(v[:1] + FIELDS[name][1] * rng.standard_normal(v[:1].shape), 0.0)
        for name, v in there.values.items()
    }
    return SurfaceSeries(there.time_unix_s, values, there.cells)


@settings(deadline=None, max_examples=15)
@given(
    seed=st.integers(0, 10_000),
    gone=st.frozensets(
        st.tuples(st.sampled_from(sorted(FIELDS)), st.sampled_from(NEAR_LAUNCH)), min_size=1,
        max_size=8,
    ),
)  # fmt: skip
def test_a_finer_model_with_holes_is_never_better_than_both_whole_models(
    seed: int, gone: frozenset[tuple[str, int]]
) -> None:
    """A family with a hole is the deciding model's: its own whole answer, never a mixture."""
    weather = _weather(seed)
    series = _series(weather, seed + 1)
    values: dict[str, NDArray[np.float64]] = {n: v.copy() for n, v in series.values.items()}
    for name, step in gone:
        values[name][:, step] = np.nan
    less = _hours(weather, GAPS, NearWeather("fine", "c", replace(series, values=values)))
    whole = _hours(weather, GAPS, NearWeather("fine", "c", series))
    alone = _hours(weather, GAPS)
    for one, other, left in zip(whole, alone, less, strict=True):
        for family in FAMILIES:
            names = set(family)
            mine, theirs, found = (
                [c for c in hour.checks if c.name in names] for hour in (one, other, left)
            )
            assert found in (mine, theirs)


def test_what_another_field_would_stand_in_for_is_missing_when_it_was_promised() -> None:
    weather = _weather(7)
    for lost, checks in (
        ("precipitation_rate_mmph", {"precipitation"}),
        ("precipitation_mm", {"precipitation"}),
        ("gust_mps", {"gust"}),
    ):
        rest = {name: v for name, v in weather.fields.items() if name != lost}
        cells = {name: each for name, each in weather.cells.items() if name != lost}
        left = replace(weather, fields=rest, cells=cells)
        plan = replace(GAPS, gust_factor=1.66)
        for promised, unknown in ((set(FIELDS), checks), (set(rest), set())):
            (first, *_) = _hours(left.with_lost(promised), plan)
            silent = {c.name for c in first.checks if c.verdict is Verdict.UNKNOWN}
            assert silent & {"precipitation", "gust"} == unknown
    bare = replace(weather, land_fraction=None)
    (hour, *_) = _hours(bare.with_lost({"land_fraction"}), GAPS)
    assert "water" in {c.name for c in hour.checks if c.verdict is Verdict.UNKNOWN}
    (hour, *_) = _hours(bare.with_lost(set()), GAPS)
    assert "water" not in {c.name for c in hour.checks if c.verdict is Verdict.UNKNOWN}
