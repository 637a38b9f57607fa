"""The table of releases: which times, what is good, and where the last good one lies."""

import itertools
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from invented import hour

from windowwatch.errors import InputError
from windowwatch.launchday.releases import release_table, release_times
from windowwatch.launchday.sighting import Veto
from windowwatch.scoring.values import Hour, Verdict

pytestmark = pytest.mark.launchday

NOW = datetime(2026, 5, 5, 8, 2, 30, tzinfo=UTC)
PLANNED = datetime(2026, 5, 5, 9, 0, tzinfo=UTC)


def test_every_five_minutes_from_now_to_an_hour_past_the_window() -> None:
    times = release_times(PLANNED, datetime(2026, 5, 5, 10, 0, tzinfo=UTC), NOW)
    assert (times[0], times[-1]) == (PLANNED.replace(hour=8, minute=5), PLANNED.replace(hour=11))
    assert {b - a for a, b in itertools.pairwise(times)} == {timedelta(minutes=5)}
    odd = release_times(PLANNED.replace(minute=7), None, NOW)
    assert PLANNED.replace(minute=7) in odd
    assert odd[-1] == PLANNED.replace(hour=11, minute=5)
    assert release_times(PLANNED, None, PLANNED + timedelta(days=1)) == ()
    early = release_times(PLANNED, None, PLANNED - timedelta(days=3))
    assert early[0] == PLANNED - timedelta(hours=2)


def hours(verdicts: str) -> list[Hour]:
    """One hour every five minutes: g go, c caution, n no-go, u unknown."""
    said = {"g": Verdict.GO, "c": Verdict.CAUTION, "n": Verdict.NO_GO, "u": Verdict.UNKNOWN}
    return [
        replace(hour(PLANNED + i * timedelta(minutes=5)), verdict=said[v])
        for i, v in enumerate(verdicts)
    ]


def table(verdicts: str, *, now: datetime = NOW, vetoes: tuple[Veto, ...] = ()):  # type: ignore[no-untyped-def]
    return release_table(
        hours(verdicts),
        plan="1",
        plan_number=1,
        planned_utc=PLANNED,
        cycle_id="gfs 2026-05-05T00Z",
        now_utc=now,
        vetoes=vetoes,
    )


@pytest.mark.parametrize(
    ("verdicts", "first", "last"),
    [
        ("gcgnng", 0, 10),
        ("nngguggg", 10, 15),
        ("nnn", None, None),
        ("uuu", None, None),
        ("gggg", 0, 15),
    ],
)
def test_the_last_good_release(verdicts: str, first: int | None, last: int | None) -> None:
    found = table(verdicts)
    for utc, minutes in ((found.next_good_utc, first), (found.last_good_utc, last)):
        assert utc == (None if minutes is None else PLANNED + timedelta(minutes=minutes))


def test_what_is_past_is_no_release_any_more() -> None:
    found = table("gngg", now=PLANNED + timedelta(minutes=3))
    assert found.next_good_utc == PLANNED + timedelta(minutes=10)


def test_a_measured_gust_forbids_what_the_forecast_allows() -> None:
    veto = Veto(11.0, 10.0, PLANNED - timedelta(minutes=22), "Ada")
    found = table("gggg", vetoes=(veto,))
    assert [row.verdict for row in found.rows] == [Verdict.NO_GO] * 2 + [Verdict.GO] * 2
    assert found.rows[0].vetoed == veto
    assert found.next_good_utc == PLANNED + timedelta(minutes=10)


def test_landings_are_told_against_the_planned_one() -> None:
    found = table("gg")
    assert found.planned is not None
    assert found.planned.moved_km == pytest.approx(0.0, abs=1e-6)


def test_several_sites_or_none_make_no_table() -> None:
    with pytest.raises(InputError, match="of one site"):
        release_table([], plan="1", plan_number=1, planned_utc=PLANNED, cycle_id="x", now_utc=NOW)
