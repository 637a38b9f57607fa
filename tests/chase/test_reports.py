"""Which position reports are believed, and why the others are not."""

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from windowwatch.chase.reports import Mark, Report, Screened, apart_m, screen
from windowwatch.errors import InputError

pytestmark = pytest.mark.chase

START = datetime(2026, 5, 5, 9, 0, tzinfo=UTC)
RELEASE = (46.0, -36.0)


def report(
    second: float, north_m: float = 0.0, height_m: float | None = 500.0, **values: Any
) -> Report:
    at = START + timedelta(seconds=second)
    given: dict[str, Any] = {
        "tracker": "one",
        "time_utc": at,
        "received_utc": at,
        "latitude_deg": RELEASE[0] + north_m / 111_195.0,
        "longitude_deg": RELEASE[1],
        "height_m": height_m,
    }
    return Report(**(given | values))


def marks(*reports: Report, **known: Any) -> list[Mark]:
    so_far, found = Screened(**known), []
    for each in reports:
        mark, so_far = screen(so_far, each)
        found.append(mark)
    return found


@pytest.mark.parametrize(
    ("wrong", "mark"),
    [
        ({"latitude_deg": None}, Mark.NO_PLACE),
        ({"latitude_deg": 0.0, "longitude_deg": 0.0}, Mark.ZERO_ISLAND),
        ({"height_m": 60_000.0}, Mark.HEIGHT),
        ({"height_m": -500.0}, Mark.HEIGHT),
        ({"received_utc": START - timedelta(minutes=3)}, Mark.CLOCK),
        ({"received_utc": START + timedelta(hours=4)}, Mark.CLOCK),
    ],
)
def test_a_report_that_cannot_be_true(wrong: dict[str, Any], mark: Mark) -> None:
    assert marks(report(0, **wrong)) == [mark]


def test_a_rise_is_believed_whole() -> None:
    rise = [report(s, 10.0 * s, 500.0 + 5.0 * s) for s in range(0, 6000, 60)]
    assert set(marks(*rise)) == {Mark.USED}


def test_repeats_late_ones_and_wild_ones_are_kept_out() -> None:
    assert marks(
        report(0),
        report(60, 600.0, 800.0),
        report(60, 600.0, 800.0),
        report(30, 300.0, 650.0),
        report(120, 90_000.0, 1100.0),
        report(120, 1_200.0, 9_000.0),
        report(180, 1_800.0, 1_400.0),
    ) == [
        Mark.USED, Mark.USED, Mark.REPEATED, Mark.LATE, Mark.IMPOSSIBLE, Mark.IMPOSSIBLE, Mark.USED,
    ]  # fmt: skip


def test_a_wild_one_that_was_believed_first_is_given_up() -> None:
    wild = report(0, 29_000.0, 500.0, tracker="one")
    truth = [report(s, 0.0, 500.0 + 5.0 * s) for s in (60, 120, 180, 240)]
    assert marks(wild, *truth, release=RELEASE, released_utc=START) == [
        Mark.USED, Mark.IMPOSSIBLE, Mark.IMPOSSIBLE, Mark.USED, Mark.USED,
    ]  # fmt: skip


def test_who_reports_from_another_continent_is_not_of_this_flight() -> None:
    far = report(0, 3_000_000.0)
    assert marks(far, release=RELEASE, released_utc=START) == [Mark.FAR_AWAY]
    assert marks(report(0), report(60, 3_000_000.0, tracker="two")) == [Mark.USED, Mark.FAR_AWAY]


def test_two_trackers_that_disagree_are_told() -> None:
    so_far = Screened()
    for each in (report(0), report(5, 5_000.0, tracker="two")):
        _, so_far = screen(so_far, each)
    found = apart_m(so_far)
    assert found is not None
    assert found[:2] == ("one", "two")
    assert found[2] == pytest.approx(5_000.0 - 3 * 30.0 - 40.0 * 5.0, abs=10.0)
    _, so_far = screen(so_far, report(30, 0.0, tracker="two"))
    _, so_far = screen(so_far, report(40, 100.0))
    assert apart_m(so_far) is not None  # "two" stayed with its first word: the way back is too far


@given(st.lists(st.tuples(st.floats(0, 7200), st.floats(-3e6, 3e6), st.floats(-1e3, 7e4)),
                max_size=40))  # fmt: skip
@settings(max_examples=60, deadline=None)
def test_whatever_comes_what_is_used_can_be_flown(rows: list[tuple[float, float, float]]) -> None:
    """Each used report is later than the one used before; so few are remembered as there are."""
    so_far, last = Screened(), None
    for second, north_m, height_m in rows:
        each = report(second, north_m, height_m)
        mark, so_far = screen(so_far, each)
        if mark is Mark.USED:
            assert last is None or each.time_utc > last.time_utc
            last = each
        assert len(so_far.doubted.get("one", ())) < 3


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"latitude_deg": 91.0}, "give -90 to 90"),
        ({"tracker": " "}, "name of its tracker"),
        ({"place_sigma_m": 0.0}, "give metres"),
    ],
)
def test_what_is_no_position_is_refused(values: dict[str, Any], words: str) -> None:
    with pytest.raises(InputError, match=words):
        report(0, **values)
