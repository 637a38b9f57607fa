"""Which hours keep an earlier answer, and for how long."""

from dataclasses import replace
from datetime import timedelta

import pytest
from invented import at, cycle, hour, refused

from windowwatch.scoring.values import Hour
from windowwatch.watch.carry import FLIGHT_NEEDS, KEPT_FOR, carry_over

NEW = cycle(4)
OLD = cycle(3)
#: What there is of the new cycle ends with the day's tenth hour.
REACHES = at(10)


def carried(ours: Hour, earlier: Hour) -> Hour:
    made, count = carry_over(
        [ours],
        [earlier],
        earlier_cycle=OLD.id,
        cycle_utc=NEW.reference_utc,
        reaches_utc=REACHES,
    )
    assert count == (made[0] != ours)
    return made[0]


def test_an_hour_beyond_the_cycle_keeps_what_the_one_before_said() -> None:
    assert carried(refused(at(12)), hour(at(12))) == replace(hour(at(12)), from_cycle=OLD.id)


def test_an_hour_whose_landing_may_lie_beyond_keeps_it_too() -> None:
    last = REACHES - FLIGHT_NEEDS
    assert carried(refused(last), hour(last)) == refused(last), "its weather was all there"
    after = last + timedelta(minutes=1)
    assert carried(refused(after), hour(after)).from_cycle == OLD.id


@pytest.mark.parametrize(
    ("ours", "earlier"),
    [(hour(at(12), 70.0), hour(at(12))), (refused(at(12)), refused(at(12), "no wind"))],
    ids=["it was read", "neither was"],
)
def test_everything_else_is_as_the_newest_cycle_says(ours: Hour, earlier: Hour) -> None:
    assert carried(ours, earlier) == ours


def test_an_answer_is_not_kept_for_ever() -> None:
    """It names the cycle that gave it, through every short one between."""
    kept = cycle(0)
    assert NEW.reference_utc - kept.reference_utc == KEPT_FOR
    old = replace(hour(at(12)), from_cycle=kept.id)
    assert carried(refused(at(12)), old) == old
    older = replace(hour(at(12)), from_cycle=cycle(-1).id)
    assert carried(refused(at(12)), older) == refused(at(12))
