"""A planned launch: what may follow what, and how it stands after that."""

from datetime import UTC, datetime, timedelta

import pytest

from windowwatch.launchday.countdown import DEFAULT_STEPS, Step, StepState, count_down
from windowwatch.launchday.plan import (
    Done,
    Entry,
    Event,
    FillBegun,
    Held,
    LiftMeasured,
    Moved,
    PlanError,
    Planned,
    PlanState,
    Released,
    Scrubbed,
    Ticked,
    Unticked,
    check_new,
    check_next,
    stand,
)
from windowwatch.physics.train import FlightTrain

pytestmark = pytest.mark.launchday

RELEASE = datetime(2026, 5, 5, 9, 0, tzinfo=UTC)
TRAIN = FlightTrain(1.2, 1.6, 2.8, 8.6, 2.5)
STEPS = tuple(step.key for step in DEFAULT_STEPS)


def at(hour: int, minute: int = 0) -> datetime:
    return RELEASE.replace(hour=hour, minute=minute)


def entries(*events: tuple[datetime, str, Event]) -> list[Entry]:
    first = Entry(1, at(5), "Ada", Planned("Millfield", RELEASE, TRAIN, ("Ada", "Ben")))
    later = [Entry(n, when, by, event) for n, (when, by, event) in enumerate(events, start=2)]
    return [first, *later]


def test_a_plan_is_the_sum_of_what_happened() -> None:
    plan = stand(
        "1",
        entries(
            (at(7), "Ada", Ticked("gas")),
            (at(8, 20), "Ben", FillBegun()),
            (at(8, 30), "Ada", Held(timedelta(minutes=20))),
            (at(8, 55), "Ben", LiftMeasured(2.95)),
            (at(9, 22), "Ada", Released(at(9, 21))),
        ),
    )
    assert plan.state is PlanState.RELEASED
    assert (plan.release_utc, plan.first_release_utc) == (at(9, 21), RELEASE)
    assert (plan.train.nozzle_lift_kg, plan.measured_lift_kg) == (2.95, 2.95)
    assert plan.ticks["gas"].by == "Ada"
    assert plan.number == 6


def test_a_hold_ends_by_itself_and_filling_goes_on() -> None:
    held = entries((at(8, 20), "Ben", FillBegun()), (at(8, 30), "A", Held(timedelta(minutes=20))))
    assert stand("1", held, at(8, 49)).state is PlanState.HELD
    assert stand("1", held, at(8, 50)).state is PlanState.FILLING
    assert stand("1", held, at(8, 50)).release_utc == at(9, 20)


def test_a_second_hold_begins_where_the_first_one_ends() -> None:
    twice = entries(
        (at(8, 30), "A", Held(timedelta(minutes=20))), (at(8, 40), "A", Held(timedelta(minutes=10)))
    )
    assert stand("1", twice).held_until_utc == at(9, 0)
    assert stand("1", twice).release_utc == at(9, 30)


def test_a_hold_lays_later_what_was_still_to_come_and_nothing_else() -> None:
    steps = [Step("early", "Early", timedelta(minutes=60)), Step("late", "Late", timedelta(0))]
    held = stand("1", entries((at(8, 30), "A", Held(timedelta(minutes=20)))))
    found = {s.step.key: s for s in count_down(held, steps, at(8, 31)).steps}
    assert (found["early"].due_utc, found["early"].state) == (at(8), StepState.OVERDUE)
    assert (found["late"].due_utc, found["late"].state) == (at(9, 20), StepState.COMING)
    moved = stand(
        "1", entries((at(8, 30), "A", Held(timedelta(minutes=20))), (at(8, 31), "A", Moved(at(11))))
    )
    assert count_down(moved, steps, at(8, 32)).steps[0].due_utc == at(10)


def test_the_next_step_is_the_first_that_is_not_done() -> None:
    done = entries(*((at(7), "A", Ticked(key)) for key in STEPS[:3]))
    now = count_down(stand("1", done), DEFAULT_STEPS, at(8))
    assert now.next is not None
    assert now.next.step.key == STEPS[3]
    assert now.to_release == timedelta(hours=1)
    late = count_down(stand("1", done), DEFAULT_STEPS, at(8, 15))
    assert [s.step.key for s in late.alarming] == ["payload", "tracker"]
    back = stand("1", [*done, Entry(5, at(7, 30), "B", Unticked(STEPS[0]))])
    again = count_down(back, DEFAULT_STEPS, at(8)).next
    assert again is not None
    assert again.step.key == STEPS[0]
    scrubbed = stand("1", [*done, Entry(5, at(8), "A", Scrubbed())])
    assert count_down(scrubbed, DEFAULT_STEPS, at(8, 1)).next is None


ENDED = entries((at(8), "Ada", Scrubbed("front is early")))
LEFT = entries((at(9), "Ada", Released(at(9))))
GOING = entries((at(8), "Ben", Ticked("gas")))


@pytest.mark.parametrize(
    ("there", "event", "now", "words"),
    [
        (ENDED, Ticked("gas"), at(8, 5), r"scrubbed: Ada ended it at 2026-05-05 08:00 UTC"),
        (ENDED, Held(timedelta(minutes=5)), at(8, 5), "nothing was changed"),
        (LEFT, Held(timedelta(minutes=5)), at(9, 5), "left at 2026-05-05 09:00 UTC"),
        (LEFT, Scrubbed(), at(9, 5), "left at"),
        (LEFT, LiftMeasured(2.9), at(9, 5), "left at"),
        (GOING, Moved(at(7)), at(8), "in the past"),
        (GOING, Moved(RELEASE + timedelta(days=20)), at(8), "16 days ahead"),
        (GOING, Held(timedelta(0)), at(8), "give 1 to 240"),
        (GOING, Held(timedelta(hours=9)), at(8), "move the release"),
        (GOING, Ticked("gas"), at(8, 5), "ticked by Ben at 08:00 UTC already"),
        (GOING, Ticked("lunch"), at(8, 5), "no step 'lunch'; its steps are notice"),
        (GOING, Unticked("train"), at(8, 5), "not ticked"),
        (GOING, LiftMeasured(28.0), at(8, 5), r"10.0 times the planned 2.8 kg; look at the point"),
        (GOING, LiftMeasured(1.6), at(8, 5), "does not lift the payload of 1.6 kg"),
        (GOING, Released(at(9)), at(8, 59), "still to come"),
        (GOING, Released(at(4)), at(8, 59), "before the plan was made"),
        (GOING, Planned("Millfield", RELEASE, TRAIN), at(8), "there already"),
    ],
)
def test_what_cannot_be_is_refused_with_what_to_do(
    there: list[Entry], event: Event, now: datetime, words: str
) -> None:
    with pytest.raises(PlanError, match=words):
        check_next(there, event, now, key="1", steps=STEPS)


def test_a_doubtful_lift_is_taken_when_it_is_said_twice() -> None:
    check_next(GOING, LiftMeasured(4.4), at(8, 5), key="1", steps=STEPS, sure=True)
    with pytest.raises(PlanError, match=r"1\.6 times"):
        check_next(GOING, LiftMeasured(4.4), at(8, 5), key="1", steps=STEPS)


def test_who_decides_on_what_is_not_so_any_more_is_told() -> None:
    changed = entries((at(8), "Ben", Held(timedelta(minutes=20))))
    with pytest.raises(PlanError, match=r"Ben, held at 08:00 UTC; nothing was changed"):
        check_next(changed, Released(at(8, 1)), at(8, 2), key="1", seen=1, steps=STEPS)
    check_next(changed, Released(at(8, 1)), at(8, 2), key="1", seen=2, steps=STEPS)
    # a tick of somebody else changes nobody's decision
    check_next(GOING, Held(timedelta(minutes=5)), at(8, 2), key="1", seen=1, steps=STEPS)


def test_after_the_release_it_can_be_put_away() -> None:
    check_next(LEFT, Done("found"), at(12), key="1", steps=STEPS)
    assert stand("1", [*LEFT, Entry(3, at(12), "A", Done())]).state is PlanState.DONE


def test_a_plan_in_the_past_is_refused() -> None:
    with pytest.raises(PlanError, match="in the past"):
        check_new(Planned("Millfield", RELEASE, TRAIN), RELEASE)
