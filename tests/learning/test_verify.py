"""Tables of answers against what came, counted by hand; and what was measured comes first."""

from datetime import timedelta

import numpy as np
import pytest
from geodesic import Geod
from made_answers import FIRST, KNOTS, forecasts, record, weeks

from windowwatch.clock import to_unix_s
from windowwatch.errors import InputError
from windowwatch.forecast.cycle import Cycle
from windowwatch.learning.learned import learn
from windowwatch.learning.record import OBSERVED, VERDICTS, SiteRecord, answers_of, pairs_of
from windowwatch.learning.verify import (
    WindowStory,
    landing_errors,
    verify,
    verify_windows,
)
from windowwatch.physics.spread import KNOT_HEIGHT_M
from windowwatch.physics.winderror import FORECAST_ERROR
from windowwatch.scoring.values import Verdict

pytestmark = pytest.mark.learning

GO, CAUTION, NO_GO, UNKNOWN = (
    VERDICTS.index(v) for v in (Verdict.GO, Verdict.CAUTION, Verdict.NO_GO, Verdict.UNKNOWN)
)
T0 = to_unix_s(FIRST)
DAY = 86_400.0


def cycle(day: float) -> Cycle:
    return Cycle(FIRST + timedelta(days=day), "gfs")


def spot(latitude: float, longitude: float) -> list[float]:
    """A landing with round areas of 10 and 20 km."""
    return [latitude, longitude, 10e3, 10e3, 20e3, 20e3, 0.0]


def six_days_of_answers() -> list[SiteRecord]:
    """One hour a day at 03 UTC: said 24 h and 3 h before."""
    said = [(GO, 0.9), (GO, 0.8), (NO_GO, 0.1), (UNKNOWN, np.nan), (CAUTION, 0.5), (GO, 0.7)]
    came = [(GO, 1.0), (NO_GO, 0.0), (GO, 0.8), (GO, 1.0), (NO_GO, 0.2), (CAUTION, 0.6)]
    made = []
    for day, ((word, chance), (last, end)) in enumerate(zip(said, came, strict=True), start=2):
        time = np.array([T0 + day * DAY + 3 * 3600.0])
        for back, verdict, share, at in (
            (0.875, word, chance, spot(50.0, 5.0)),
            (0.0, last, end, spot(50.0, 5.0 + 0.05 * day)),
        ):
            when = cycle(day - back)
            made.append(record(
                when, time, landing=np.array([at]), judged=np.array([[70.0, share]]),
                verdict=np.array([verdict]),
                wind_mps=np.full((1, KNOTS, 2), 3.0 if back else 0.0),
                speed_mps=np.array([8.0 if back else 6.0]),
            ))  # fmt: skip
    return made


def test_one_hour_a_day_is_counted_as_by_hand() -> None:
    pairs = pairs_of(answers_of(six_days_of_answers()), "gfs")
    (table,) = verify(pairs, FORECAST_ERROR)
    assert (table.lead_h, table.hours, table.days) == (24.0, 6, 6)
    counts = table.verdicts
    assert (counts.hits, counts.false_alarms, counts.misses, counts.correct_rejections) == (
        1, 2, 1, 1,
    )  # fmt: skip
    assert table.go_to_no_go == 1
    squares = [0.01, 0.64, 0.49 + 0.16, 0.09 + 0.16, 0.01 + 0.24]
    assert table.chance.hours == 5
    assert table.chance.brier == pytest.approx(np.mean(squares))
    assert table.wind_rmse_mps[3].value == pytest.approx(np.hypot(3.0, 3.0))
    assert table.surface_rmse_mps.value == pytest.approx(2.0)
    assert table.surface_bias_mps.value == pytest.approx(2.0)
    assert table.gust_rmse_mps.value is None
    km = [float(Geod().inv(5.0, 50.0, 5.0 + 0.05 * d, 50.0)[2]) / 1e3 for d in range(2, 8)]
    assert table.landing_median_km.value == pytest.approx(np.median(km), rel=2e-3)
    assert table.inside_50.value == pytest.approx(np.mean(np.array(km) < 10.0))
    assert table.inside_90.value == pytest.approx(np.mean(np.array(km) < 20.0))
    assert table.claimed_median_km == pytest.approx(10.0)


def test_areas_turn_with_their_bearing() -> None:
    # 3 by 30 km along north-east; a landing 20 km north-east is inside, one north-west is not
    area = [50.0, 5.0, 30e3, 3e3, 60e3, 6e3, 45.0]
    east, north = 0.198, 0.127
    made = []
    for day, at in ((2, (50.0 + north, 5.0 + east)), (3, (50.0 + north, 5.0 - east))):
        time = np.array([T0 + day * DAY])
        made.append(record(cycle(day - 1), time, landing=np.array([area]),
                           verdict=np.array([GO])))  # fmt: skip
        made.append(record(cycle(day), time, landing=np.array([spot(*at)]),
                           verdict=np.array([GO])))  # fmt: skip
    _, inside = landing_errors(pairs_of(answers_of(made), "gfs"))
    assert inside[0].tolist() == [1.0, 0.0]


def test_an_hour_without_a_late_word_is_not_judged() -> None:
    time = np.array([T0 + 2 * DAY])
    early = record(cycle(1.0), time, verdict=np.array([GO]), wind_mps=np.zeros((1, KNOTS, 2)))
    late = record(cycle(1.625), time, verdict=np.array([NO_GO]), wind_mps=np.ones((1, KNOTS, 2)))
    assert pairs_of(answers_of([early, late]), "gfs").day.size == 0  # nine hours before
    last = record(cycle(1.75), time, verdict=np.array([NO_GO]), wind_mps=np.ones((1, KNOTS, 2)))
    pairs = pairs_of(answers_of([early, late, last]), "gfs")
    assert pairs.lead_class_h.tolist() == [12.0, 24.0]
    assert pairs.reference_lead_h.tolist() == [6.0, 6.0]
    assert pairs_of(answers_of([early, last]), "gfs", T0 + DAY).day.size == 0  # not gone by
    with pytest.raises(InputError, match="icon"):
        pairs_of(answers_of([early]), "icon")


def test_what_was_measured_takes_the_place_of_the_last_word_and_of_no_more() -> None:
    made = six_days_of_answers()
    time = np.array([T0 + 2 * DAY + 3 * 3600.0])
    seen = Cycle(FIRST, OBSERVED)
    made.append(record(seen, time, speed_mps=np.array([9.0])))
    pairs = pairs_of(answers_of(made), "gfs")
    first = int(np.argmin(pairs.said.time_unix_s))
    assert pairs.came.speed_mps[first] == 9.0
    assert np.isnan(pairs.surface_reference_lead_h[first])
    assert pairs.reference_lead_h[first] == 3.0
    assert pairs.came.verdict[first] == GO
    others = np.arange(6) != first
    assert np.all(pairs.came.speed_mps[others] == 6.0)
    assert np.all(pairs.surface_reference_lead_h[others] == 3.0)


def test_a_missing_wind_is_no_small_error() -> None:
    made = six_days_of_answers()
    hole = made[0].wind_mps
    hole[:, 5:] = np.nan
    pairs = pairs_of(answers_of(made), "gfs")
    (table,) = verify(pairs, FORECAST_ERROR)
    assert table.wind_rmse_mps[10].value == pytest.approx(np.hypot(3.0, 3.0))
    only = pairs_of(answers_of(made[:2]), "gfs")
    (alone,) = verify(only, FORECAST_ERROR)
    assert alone.wind_rmse_mps[10].value is None
    assert alone.wind_claimed_mps[10] is None


def test_what_is_claimed_is_what_comes_when_the_table_is_right() -> None:
    pairs = pairs_of(forecasts(60, 1.0, measured=False, seed=21), "gfs", T0 + 60 * DAY)
    for table in verify(pairs, FORECAST_ERROR):
        low = KNOT_HEIGHT_M < 30_000.0
        found = np.array([each.value for each in table.wind_rmse_mps], dtype=float)[low]
        claimed = np.array(table.wind_claimed_mps, dtype=float)[low]
        assert np.mean(found / claimed) == pytest.approx(1.0, abs=0.15)
        assert table.surface_claimed_mps is not None


def test_windows_are_counted() -> None:
    stories = [WindowStory(100.0, True, 1), WindowStory(60.0, False, 3), WindowStory(80.0, True, 2)]
    table = verify_windows(stories)
    assert (table.opened, table.stayed) == (3, 2)
    assert table.share_stayed.low is not None
    assert table.changes_each == pytest.approx(2.0)
    assert verify_windows(()).share_stayed.value is None


def test_what_is_learned_has_a_name_that_goes_by_what_it_says() -> None:
    answers = forecasts(20, 1.4, measured=True, seed=22, launch_every_h=6)
    now = FIRST + timedelta(days=20)
    one, two = learn(answers, now), learn(answers, now + timedelta(hours=1))
    assert one.key == two.key
    assert one.key != learn(answers, FIRST + timedelta(days=15)).key
    assert one.belief("gfs").wind.vector_rmse_mps == one.wind[0].vector_rmse_mps
    assert one.belief("gfs").wind.flow_share == FORECAST_ERROR.flow_share
    assert one.belief("icon").wind == FORECAST_ERROR
    assert one.days == 21  # the last midnight has gone by just now


def test_nothing_kept_teaches_nothing() -> None:
    learned = learn(answers_of([]), FIRST)
    assert (learned.days, learned.hours, learned.cycles) == (0, 0, 0)
    assert learned.tables == ()
    assert learned.belief("gfs").wind == FORECAST_ERROR


def test_chances_flown_otherwise_teach_nothing() -> None:
    kept = list(weeks(30, 5, launch_every_h=3, sure=2.5))
    answers, now = answers_of(kept), FIRST + timedelta(days=30)
    assert any(each.mends for each in learn(answers, now).chances)
    first = [("gfs", r.cycle_unix_s) for r in kept]
    other = learn(answers, now, flown_otherwise=first)
    assert not any(each.mends for each in other.chances)
    half = learn(answers, now, flown_otherwise=first[:80])
    assert half.chances[0].days < learn(answers, now).chances[0].days
    assert other.wind == learn(answers, now).wind, "weather is what it was, however it was flown"
