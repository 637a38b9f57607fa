"""Answers of a survey against pandas, closed forms, resampling and counting by hand."""

import csv
import io
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
from made_years import SITES, STEP_S, invented

from windowwatch.scouting.years import DRIFT_KM, MOST_DAYS
from windowwatch.survey.answers import ABSENT, answers_of, compared, dry_spells, standing_by
from windowwatch.survey.rows import State
from windowwatch.web.data.surveydata import all_tables, as_csv

pytestmark = pytest.mark.survey

ROWS = invented()
FRAME = pd.DataFrame(
    {name: getattr(ROWS, name) for name in ("site", "time_unix_s", "state", "limit", "drift_km",
                                            "bearing_deg")}
)  # fmt: skip
FRAME["local"] = pd.to_datetime(FRAME.time_unix_s, unit="s", utc=True).dt.tz_convert("Europe/Rome")
FRAME["month"], FRAME["hour"] = FRAME.local.dt.month, FRAME.local.dt.hour
FRAME["day"] = FRAME.local.dt.tz_localize(None).dt.floor("D")
A = answers_of(SITES[0], ROWS, STEP_S, 2 * 3600.0)
OF_A = FRAME[FRAME.site == "A"].reset_index(drop=True)


def test_shares_by_month_and_local_hour() -> None:
    known = OF_A[OF_A.state != State.UNKNOWN]
    table = (known.state == State.GOOD).groupby([known.month, known.hour]).agg(["mean", "size"])
    for (month, hour), row in table.iterrows():
        assert A.share[month - 1, hour] == pytest.approx(row["mean"])
        assert A.known[month - 1, hour] == row["size"]
    assert A.known.sum() == len(known)
    light = OF_A[OF_A.state.isin([State.GOOD, State.BAD])]
    np.testing.assert_allclose(
        A.month_share, (light.state == State.GOOD).groupby(light.month).mean().to_numpy()
    )
    by_year = (light.state == State.GOOD).groupby([light.local.dt.year, light.month]).mean()
    for (year, month), share in by_year.items():
        found = A.year_share[list(A.years).index(year), month - 1]
        assert np.isnan(found) or found == pytest.approx(share)
    assert np.isfinite(A.year_share).sum() > 15


def runs(frame: pd.DataFrame) -> pd.DataFrame:
    """Runs of good hours, by pandas."""
    good = frame.state == State.GOOD
    number = (good != good.shift()).cumsum()
    return frame[good].groupby(number[good]).agg(
        start=("time_unix_s", "first"), count=("state", "size"), first=("local", "first")
    )  # fmt: skip


def test_windows_and_their_lengths() -> None:
    found = runs(OF_A)
    np.testing.assert_array_equal(A.windows.start_unix_s, found.start.to_numpy())
    np.testing.assert_allclose(A.windows.hours, 3.0 * found["count"].to_numpy())
    longer = answers_of(SITES[0], ROWS, STEP_S, 7 * 3600.0).windows
    np.testing.assert_array_equal(longer.start_unix_s, found.start[found["count"] >= 3].to_numpy())
    counted = found.groupby([found["first"].dt.year, found["first"].dt.month]).size()
    for (year, month), count in counted.items():
        told = A.windows_a_month[list(A.years).index(year), month - 1]
        assert np.isnan(told) or told == count


def days_of(site: str) -> tuple[np.ndarray, np.ndarray]:
    """Local days, and whether each has a good hour (1), none (0), or it is not known (NaN)."""
    frame = FRAME[FRAME.site == site]
    by_day = frame.groupby("day").state.agg(
        lambda s: 1.0 if (s == State.GOOD).any() else np.nan if (s == State.UNKNOWN).any() else 0.0
    )
    days = by_day.index.to_numpy().astype("datetime64[D]").astype(np.int64)
    assert (np.diff(days) == 1).all()
    return days, by_day.to_numpy(dtype=np.float64)


def test_standing_by_against_every_span_looked_at_one_by_one() -> None:
    days, has = days_of("A")
    months = days.astype("datetime64[D]").astype("datetime64[M]").astype(int) % 12
    for length in (1, 3, 14):
        low: list[list[bool]] = [[] for _ in range(12)]
        high: list[list[bool]] = [[] for _ in range(12)]
        for first in range(days.size - length + 1):
            span = has[first : first + length]
            low[months[first]].append(bool((span == 1.0).any()))
            high[months[first]].append(bool(((span == 1.0) | np.isnan(span)).any()))
        for month in range(12):
            assert A.standing.chance[month, length - 1] == pytest.approx(np.mean(low[month]))
            assert A.standing.most[month, length - 1] == pytest.approx(np.mean(high[month]))
            assert A.standing.spans[month, length - 1] == len(low[month])
    assert (A.standing.most >= A.standing.chance).all()


def test_standing_by_on_independent_days_is_the_closed_form() -> None:
    """1 - (1 - p)ⁿ. Of 1000 years a month has over 2000 spans that do not overlap."""
    p, days = 0.13, np.arange(365 * 1000)
    has = (np.random.default_rng(5).random(days.size) < p).astype(np.float64)
    found = standing_by(
        days,
        has,
        np.unique(days.astype("datetime64[D]").astype("datetime64[Y]").astype(int) + 1970),
    )
    expected = 1.0 - (1.0 - p) ** np.arange(1, MOST_DAYS + 1)
    np.testing.assert_allclose(found.chance, np.tile(expected, (12, 1)), atol=0.035)
    np.testing.assert_allclose(found.chance.mean(axis=0), expected, atol=0.01)


def test_standing_by_on_days_in_spells_is_what_resampling_says() -> None:
    """A two-state Markov chain against 40 000 spans drawn anew from its own law, and far below
    the closed form of independent days."""
    stay_dry, stay_wet = 0.9, 0.7
    rng = np.random.default_rng(11)

    def chain(rows: int, length: int) -> np.ndarray:
        state = rng.random(rows) < (1 - stay_dry) / (2 - stay_dry - stay_wet)
        out = np.empty((rows, length), dtype=bool)
        for day in range(length):
            out[:, day] = state
            state = rng.random(rows) < np.where(state, stay_wet, 1 - stay_dry)
        return out

    # years of days, each begun by the law, so that no loop goes over all of them
    days = np.arange(365 * 500)
    years = np.unique(days.astype("datetime64[D]").astype("datetime64[Y]").astype(int) + 1970)
    found = standing_by(days, chain(500, 365).ravel().astype(np.float64), years)
    drawn = chain(40_000, MOST_DAYS)
    expected = [drawn[:, :n].any(axis=1).mean() for n in range(1, MOST_DAYS + 1)]
    np.testing.assert_allclose(found.chance.mean(axis=0), expected, atol=0.012)
    assert expected[6] < 1.0 - (1.0 - expected[0]) ** 7 - 0.1


def test_what_is_not_known_makes_nothing_better() -> None:
    days = np.arange(40)
    has = np.zeros(40)
    has[[5, 20]] = 1.0
    years = np.array([1970])
    before = standing_by(days, has, years)
    dry, (first, last) = dry_spells(days, has)
    assert dry[0] == 19
    assert (first, last) == (pd.Timestamp("1970-01-22").date(), pd.Timestamp("1970-02-09").date())
    for day in (4, 6, 20):
        unknown = has.copy()
        unknown[day] = np.nan
        after = standing_by(days, unknown, years)
        known = ~np.isnan(before.chance)
        assert (after.chance[known] <= before.chance[known]).all()
        assert (after.most[known] >= before.chance[known]).all() or day == 20
        assert dry_spells(days, unknown)[0][0] >= dry[0]
    gone = has.copy()
    gone[10:17] = ABSENT  # a week that the archive does not have is in no span
    assert standing_by(days, gone, years).spans[0, 13] < before.spans[0, 13]
    assert dry_spells(days, gone)[0].max() == 19


def test_longest_dry_spell_by_counting() -> None:
    _, has = days_of("A")
    longest = run = 0
    for each in has:
        run = 0 if each == 1.0 else run + 1
        longest = max(longest, run)
    assert A.dry_days.max() == longest
    assert A.dry_from is not None
    assert A.dry_until is not None
    assert (A.dry_until - A.dry_from).days + 1 == longest


def test_limits_by_month() -> None:
    bad = OF_A[OF_A.state == State.BAD]
    table = pd.crosstab(bad.month, bad.limit)
    for k, name in enumerate(A.limits):
        np.testing.assert_array_equal(A.limited[:, k], table[name].to_numpy())
    assert list(A.limits) == sorted(A.limits, key=lambda n: -table[n].sum())
    unknown = OF_A[OF_A.state == State.UNKNOWN].groupby("month").size()
    np.testing.assert_array_equal(A.unknown, unknown.reindex(range(1, 13), fill_value=0))


def test_roses() -> None:
    flown = OF_A[OF_A.drift_km.notna()]
    sector = (np.round(flown.bearing_deg.astype(np.float64) / 22.5) % 16).astype(int)
    far = pd.cut(flown.drift_km, [*DRIFT_KM, np.inf], right=False, labels=False)
    table = flown.groupby([flown.month, sector, far]).size()
    found = np.zeros((12, 16, 6), dtype=int)
    for (month, s, f), count in table.items():
        found[month - 1, s, f] = count
    np.testing.assert_array_equal(A.rose, found)
    assert A.rose_good.sum() == ((OF_A.state == State.GOOD) & OF_A.drift_km.notna()).sum()
    assert (A.rose_good <= A.rose).all()


def test_landings() -> None:
    mine = ROWS.of_site("A")
    flat = [mine.landing_latitude_deg.ravel(), mine.landing_longitude_deg.ravel()]
    there = np.isfinite(flat[0])
    grid = A.landings
    assert grid.count.sum() == there.sum()
    row = np.digitize(flat[0][there], grid.latitude_edges_deg) - 1
    column = np.digitize(flat[1][there], grid.longitude_edges_deg) - 1
    table = pd.DataFrame({"r": row, "c": column}).groupby(["r", "c"]).size()
    for (r, c), count in table.items():
        assert grid.count[r, c] == count


def test_site_against_site_on_the_same_hours_and_days() -> None:
    (pair,) = compared(SITES, ROWS, STEP_S, 2 * 3600.0)
    both = FRAME.pivot(index="time_unix_s", columns="site", values="state")
    told = both[(both != State.UNKNOWN).all(axis=1) & ~(both == State.DARK).all(axis=1)]
    good = told == State.GOOD
    assert (pair.both, pair.only_first, pair.only_second, pair.neither) == (
        (good.A & good.B).sum(), (good.A & ~good.B).sum(), (~good.A & good.B).sum(),
        (~good.A & ~good.B).sum(),
    )  # fmt: skip
    (_, a), (_, b) = days_of("A"), days_of("B")
    told_days = np.isfinite(a) & np.isfinite(b)
    assert pair.days_both == ((a == 1) & (b == 1) & told_days).sum()
    assert pair.days_neither == ((a == 0) & (b == 0) & told_days).sum()


def test_tables_hold_the_answers() -> None:
    answers = tuple(answers_of(site, ROWS, STEP_S, 2 * 3600.0) for site in SITES)
    tables = all_tables(answers, compared(SITES, ROWS, STEP_S, 2 * 3600.0))
    lines = list(csv.DictReader(io.StringIO(as_csv(tables["standing-by"]))))
    assert len(lines) == 2 * 12 * MOST_DAYS
    line = next(x for x in lines if (x["site"], x["month"], x["days"]) == ("B", "7", "3"))
    assert float(line["chance_of_a_window"]) == answers[1].standing.chance[6, 2]
    assert len({len(column) for column in tables["good-hours"].values()}) == 1
    assert sum(tables["landings"]["flights"]) == sum(a.landings.count.sum() for a in answers)


def test_clocks_that_change_are_followed() -> None:
    """The hour that is there twice, and the one that is not, by the zone's own clock."""
    zone = ZoneInfo("Europe/Rome")
    assert {t.tzinfo.key for t in OF_A.local[:1]} == {zone.key}
    hours = set(OF_A[OF_A.month == 7].hour), set(OF_A[OF_A.month == 1].hour)
    assert hours == ({2, 5, 8, 11, 14, 17, 20, 23}, {1, 4, 7, 10, 13, 16, 19, 22})
    assert set(np.flatnonzero(A.known[6])) == hours[0]
    assert set(np.flatnonzero(A.known[0])) == hours[1]
