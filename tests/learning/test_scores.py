"""Scores against printed tables and against scikit-learn; intervals that count days, not hours."""

import numpy as np
import pytest
from scipy.stats import binom
from sklearn.calibration import calibration_curve
from sklearn.metrics import (
    balanced_accuracy_score,
    brier_score_loss,
    cohen_kappa_score,
    confusion_matrix,
    jaccard_score,
    precision_score,
    recall_score,
)

from windowwatch.learning.scores import Contingency, Days, chance_scores, contingency

pytestmark = pytest.mark.learning


def test_finleys_tornadoes_have_their_published_scores() -> None:
    # Finley (1884); table and scores as in D. S. Wilks, "Statistical Methods in the Atmospheric
    # Sciences", example on Finley's forecasts: proportion correct 0.966, threat 0.228, bias 1.96,
    # false alarm ratio 0.720, hit rate 0.549, false alarm rate 0.026, Heidke 0.355, Peirce
    # 0.523, Gilbert 0.216. Values from memory of that page.
    table = Contingency(28, 72, 23, 2680)
    assert table.total == 2803
    for found, printed in (
        (table.proportion_correct, 0.966), (table.threat_score, 0.228), (table.bias, 1.96),
        (table.false_alarm_ratio, 0.720), (table.hit_rate, 0.549),
        (table.false_alarm_rate, 0.026), (table.heidke_skill, 0.355),
        (table.peirce_skill, 0.523), (table.gilbert_skill, 0.216),
    ):  # fmt: skip
        assert found is not None
        assert found == pytest.approx(printed, abs=0.0006 if printed < 1 else 0.006)


def test_counts_and_their_scores_are_those_of_scikit_learn() -> None:
    stream = np.random.default_rng(5)
    came = stream.random(500) < 0.3
    said = came ^ (stream.random(500) < 0.2)
    table = contingency(said, came)
    (d, b), (c, a) = confusion_matrix(came, said)
    assert (table.hits, table.false_alarms, table.misses, table.correct_rejections) == (a, b, c, d)
    assert table.threat_score == pytest.approx(jaccard_score(came, said))
    assert table.heidke_skill == pytest.approx(cohen_kappa_score(came, said))
    assert table.peirce_skill == pytest.approx(balanced_accuracy_score(came, said, adjusted=True))
    assert table.hit_rate == pytest.approx(recall_score(came, said))
    assert table.false_alarm_ratio == pytest.approx(1.0 - precision_score(came, said))


def test_nothing_said_has_no_score() -> None:
    empty = contingency(np.zeros(0, dtype=bool), np.zeros(0, dtype=bool))
    assert empty.proportion_correct is None
    assert empty.peirce_skill is None
    assert empty.gilbert_skill is None
    assert Contingency(0, 0, 0, 9).hit_rate is None


def test_brier_and_its_bins_are_those_of_scikit_learn() -> None:
    stream = np.random.default_rng(6)
    chance = stream.random(4_000)
    came = (stream.random(4_000) < chance**1.3).astype(np.float64)
    days = Days(np.arange(4_000) // 20)
    found = chance_scores(chance, came, days)
    assert found.brier == pytest.approx(brier_score_loss(came, chance))
    share, mean = calibration_curve(came, chance, n_bins=5)
    assert [each.share.value for each in found.bins] == pytest.approx(share.tolist())
    assert [each.mean_chance for each in found.bins] == pytest.approx(mean.tolist())
    assert sum(each.hours for each in found.bins) == 4_000


#: D. S. Wilks, "Statistical Methods in the Atmospheric Sciences", table of verification of
#: probability-of-precipitation forecasts (United States, 1980 to 1987, 12 chances): share of use
#: of each chance, and share of rain after it. From memory; the shares of use add up to 1 and give
#: the base rate that is printed beside them, 0.162.
WILKS = (
    (0.00, 0.4112, 0.006), (0.05, 0.0671, 0.019), (0.10, 0.1833, 0.059), (0.20, 0.0986, 0.150),
    (0.30, 0.0616, 0.277), (0.40, 0.0366, 0.377), (0.50, 0.0303, 0.511), (0.60, 0.0275, 0.587),
    (0.70, 0.0245, 0.723), (0.80, 0.0220, 0.779), (0.90, 0.0170, 0.934), (1.00, 0.0203, 0.933),
)  # fmt: skip


def test_the_parts_of_a_printed_table_add_up_to_its_score() -> None:
    chance, came = [], []
    for said, use, share in WILKS:
        hours = round(use * 100_000)
        rained = round(share * hours)
        chance += [said] * hours
        came += [1.0] * rained + [0.0] * (hours - rained)
    found = chance_scores(np.array(chance), np.array(came), Days(np.arange(100_000) // 100))
    assert found.hours == 100_000
    assert found.climate_brier == pytest.approx(0.162 * 0.838, abs=5e-4)
    # Murphy's parts by their definition, from the printed columns alone
    said, use, share = np.array(WILKS).T
    base = float(use @ share)
    assert found.reliability == pytest.approx(float(use @ (said - share) ** 2), abs=1e-5)
    assert found.resolution == pytest.approx(float(use @ (share - base) ** 2), abs=1e-5)
    assert found.reliability is not None
    assert found.resolution is not None
    assert found.uncertainty is not None
    assert found.brier == pytest.approx(
        found.reliability - found.resolution + found.uncertainty, abs=1e-12
    )
    assert found.skill.value == pytest.approx(
        (found.resolution - found.reliability) / found.uncertainty, abs=1e-9
    )


def test_an_outcome_that_is_a_chance_scores_as_the_mean_over_what_it_stands_for() -> None:
    stream = np.random.default_rng(7)
    chance, came = stream.random(50), stream.random(50)
    days = Days(np.arange(50) // 5)
    exact = chance_scores(chance, came, days).brier
    drawn = [brier_score_loss(stream.random(50) < came, chance) for _ in range(1_000)]
    assert exact == pytest.approx(np.mean(drawn), abs=4 * np.std(drawn) / np.sqrt(1_000))


def test_hours_of_one_day_are_no_new_evidence() -> None:
    stream = np.random.default_rng(8)
    good = (stream.random(40) < 0.7).astype(np.float64)
    once = Days(np.arange(40)).share(good)
    often = Days(np.repeat(np.arange(40), 12)).share(np.repeat(good, 12))
    assert often.low == pytest.approx(once.low, abs=0.01)
    assert often.high == pytest.approx(once.high, abs=0.01)
    alone = Days(np.arange(480)).share(np.repeat(good, 12))
    assert alone.low is not None
    assert once.low is not None
    assert alone.low > once.low + 0.05


def test_intervals_hold_the_truth_about_as_often_as_they_say() -> None:
    # percentiles of drawn days are a little narrow for few days: 90 % of 300 and no less
    stream, held = np.random.default_rng(9), 0
    for repeat in range(300):
        daily = stream.normal(0.0, 3.0, 40)
        values = np.repeat(daily, 6) + stream.normal(0.0, 1.0, 240)
        found = Days(np.repeat(np.arange(40), 6), repeat).mean(values[:, None] ** 2, root=True)[0]
        assert found.low is not None
        assert found.high is not None
        held += found.low <= np.sqrt(10.0) <= found.high
    print(f"{held} of 300 intervals of 95 % hold the truth")
    assert held >= binom.ppf(0.01, 300, 0.92)


@pytest.mark.parametrize("days", [1, 4])
def test_a_handful_of_days_has_no_interval(days: int) -> None:
    found = Days(np.arange(9) % days).mean(np.arange(9.0)[:, None])[0]
    assert found.value == 4.0
    assert found.low is None
    assert found.high is None


def test_medians_have_intervals_by_days() -> None:
    stream = np.random.default_rng(10)
    values = stream.exponential(10.0, 600)
    found = Days(np.arange(600) // 6).quantile(values, 0.5)
    assert found.value == pytest.approx(np.median(values))
    assert found.low is not None
    assert found.high is not None
    assert found.low < 10.0 * np.log(2.0) < found.high
    assert Days(np.arange(3)).quantile(np.full(3, np.nan), 0.5).value is None
