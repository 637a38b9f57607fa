"""Weeks of forecasts with errors of known size: how many notices they bring, and how many in vain.

What was measured stands in docs/decisions.md; `tests/benchmarks/notices.py` makes the whole table.
"""

from collections import Counter
from itertools import pairwise

import numpy as np
import pytest
from flown_hours import Library, load
from generated_weeks import (
    DECIDES,
    GUST_FACTOR,
    GeneratedWeek,
    errors_km,
    generate,
    landing_sigma_km,
)
from notices_counted import count, live
from rules_tried import BEFORE, CHOSEN

from windowwatch.physics.winderror import SURFACE_ERROR
from windowwatch.windows.values import ChangeKind

pytestmark = pytest.mark.one_answer


@pytest.fixture(scope="module")
def library() -> Library:
    return load()


def both(library: Library, weeks: range) -> tuple[Counter[str], Counter[str]]:
    """Weeks under the rules before and the chosen ones, counted."""
    before: Counter[str] = Counter()
    chosen: Counter[str] = Counter()
    for seed in weeks:
        week = generate(library, seed)
        before += count(week, BEFORE, live(week, BEFORE))
        chosen += count(week, CHOSEN, live(week, CHOSEN))
    return before, chosen


def is_calmer_and_no_later(before: Counter[str], chosen: Counter[str]) -> None:
    """Less is told, less of it in vain; and nothing that closed is told later."""
    assert chosen["messages"] < 0.6 * before["messages"]
    assert chosen["taken back"] < 0.6 * before["taken back"]
    assert chosen["false opening"] < before["false opening"]
    assert chosen["late closing"] <= before["late closing"]
    assert chosen["open in vain"] <= before["open in vain"]
    assert chosen["behind"] == before["behind"] == 0, "hours that are gone and stand as open"
    assert chosen["in time"] >= 0.93 * before["in time"], "what is good is told by its decide-by"


def test_twenty_weeks(library: Library) -> None:
    is_calmer_and_no_later(*both(library, range(20)))


@pytest.mark.slow
@pytest.mark.timeout(3600)
def test_a_thousand_weeks(library: Library) -> None:
    before, chosen = both(library, range(1000))
    is_calmer_and_no_later(before, chosen)
    days = chosen["hours watched"] / 24.0
    assert chosen["messages"] / days < 6.0
    assert before["messages"] / days > 10.0
    assert chosen["false opening"] / chosen["opened"] < 0.1


def test_the_same_seed_makes_the_same_week(library: Library) -> None:
    first, again, other = (next(errors_km(library, seed))[1] for seed in (3, 3, 4))
    assert np.array_equal(first, again)
    assert not np.array_equal(first, other)
    week = generate(library, 3)
    assert week.reads[0].hours == generate(library, 3).reads[0].hours


def test_errors_are_as_large_as_those_of_the_wind(library: Library) -> None:
    """Where the first cycle's flights land, against the truth, day by day: within a fifth.

    The landing's error is that of the wind through all heights and the surface wind's, as
    `physics.winderror` has them, which tests of its own check against soundings.
    """
    leads = np.array([(t - library.times[0]).total_seconds() / 3600.0 for t in library.times])
    firsts = [next(errors_km(library, seed)) for seed in range(40)]
    leads += (library.times[0] - firsts[0][0].reference_utc).total_seconds() / 3600.0
    size = np.sqrt(np.mean([error**2 for _, error in firsts], axis=(0, 1)))
    expected = landing_sigma_km(leads)
    days = len(library.times) // 13
    for day in range(days):
        here = slice(13 * day, 13 * (day + 1))
        assert size[here].mean() == pytest.approx(expected[here].mean(), rel=0.2), day
    assert SURFACE_ERROR.sigma_mps(np.array([24.0]))[0] * GUST_FACTOR == pytest.approx(3.0)


def test_cycles_converge_on_the_truth(library: Library) -> None:
    """Of the last launch hours the later cycles are nearer to it, on the average of weeks."""
    far, near = [], []
    for seed in range(10):
        errors = [np.abs(error[:, -13:]).mean() for _, error in errors_km(library, seed)]
        far.append(errors[0])
        near.append(errors[-4])
    assert np.mean(near) < 0.5 * np.mean(far)


def test_a_week_is_read_as_cycles_come_in(library: Library) -> None:
    week: GeneratedWeek = generate(library, 0)
    moments = [read.now_utc for read in week.reads]
    assert moments == sorted(moments)
    ours = [read for read in week.reads if not read.weighed_anew]
    assert all(b.now_utc - a.now_utc == DECIDES.every for a, b in pairwise(ours))
    assert all(hour.time_utc >= read.now_utc for read in week.reads for hour in read.hours)
    assert any(hour.others for hour in week.reads[4].hours)
    first = live(week, BEFORE).passes
    assert {change.kind for _, _, changes in first for change in changes} >= {
        ChangeKind.OPENED,
        ChangeKind.CLOSED,
        ChangeKind.MOVED,
    }
