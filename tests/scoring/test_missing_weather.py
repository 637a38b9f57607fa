"""Weather that is missing never makes an hour, a chance or a window better."""

from dataclasses import replace

import launch_days as day
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from windowwatch.clock import from_unix_s
from windowwatch.physics.surface import SURFACE_FIELDS
from windowwatch.scoring.hour import score_site
from windowwatch.scoring.limits import LIMITS
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.scoring.values import Hour, Verdict
from windowwatch.windows.window import WindowRules, is_good, join_hours

pytestmark = pytest.mark.missing

GROUND = day.ground()
FIELDS = sorted(day.surface().fields)
STEPS = day.surface().time_unix_s.size
LAUNCHES = day.LAUNCH + 3600.0 * np.arange(4.0)
RULES = WindowRules()
RANK = {Verdict.UNKNOWN: 0, Verdict.NO_GO: 0, Verdict.CAUTION: 1, Verdict.GO: 2}
STRICT = ScoringPlan()
GAPS = replace(STRICT, judge_with_gaps=True)


def _hours(
    gone: frozenset[tuple[str, int]], plan: ScoringPlan, gust_mps: float
) -> tuple[Hour, ...]:
    whole = day.surface({"gust_mps": gust_mps})
    fields = {name: np.array(values, copy=True) for name, values in whole.fields.items()}
    for name, step in gone:
        fields[name][:, step] = np.nan
    return score_site(
        day.SITE, LAUNCHES, day.flights(4), replace(whole, fields=fields), GROUND, plan
    )


def test_every_field_of_the_sample_is_a_known_one() -> None:
    assert set(FIELDS) <= set(SURFACE_FIELDS)
    assert len(FIELDS) > 5


@pytest.mark.parametrize("plan", [STRICT, GAPS], ids=["unknown", "judged with gaps"])
@settings(deadline=None, max_examples=60)
@given(
    gone=st.frozensets(st.tuples(st.sampled_from(FIELDS), st.integers(0, STEPS - 1)), max_size=12),
    gust_mps=st.floats(0.0, 12.0),
)
def test_taking_planes_away_makes_nothing_better(
    plan: ScoringPlan, gone: frozenset[tuple[str, int]], gust_mps: float
) -> None:
    full, less = _hours(frozenset(), plan, gust_mps), _hours(gone, plan, gust_mps)
    for one, other in zip(full, less, strict=True):
        assert (other.score or 0.0) <= (one.score or 0.0) + 1e-9
        assert (other.chance or 0.0) <= (one.chance or 0.0) + 1e-9
        assert RANK[other.verdict] <= RANK[one.verdict]
        for inside in (False, True):
            assert is_good(one, RULES, inside=inside) or not is_good(other, RULES, inside=inside)
    now = from_unix_s(float(LAUNCHES[0]))
    before = join_hours(full, RULES, now_utc=now)
    for window in join_hours(less, RULES, now_utc=now):
        assert any(w.start_utc <= window.start_utc and window.end_utc <= w.end_utc for w in before)


@pytest.mark.parametrize("name", [n for n in FIELDS if n != "precipitation_mm"])
def test_a_field_that_is_gone_as_a_whole_opens_nothing(name: str) -> None:
    asked = {field for kind in STRICT.limits for field in LIMITS[kind].missing.names}
    whole = day.surface()
    rest = {key: values for key, values in whole.fields.items() if key != name}
    for plan in (STRICT, GAPS):
        hours = score_site(
            day.SITE, LAUNCHES, day.flights(4), replace(whole, fields=rest), GROUND, plan
        )
        opened = [is_good(hour, RULES, inside=False) for hour in hours]
        assert any(opened) is (name not in asked)
