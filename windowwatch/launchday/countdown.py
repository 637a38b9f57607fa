"""The countdown: steps as data, when each is due, which are done, and which one is next. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

from windowwatch.clock import require_utc
from windowwatch.errors import InputError
from windowwatch.launchday.plan import (
    Event,
    FillBegun,
    LiftMeasured,
    Plan,
    PlanState,
    Released,
    Tick,
    Ticked,
)


class StepMark(StrEnum):
    """What the tick of a step means for the plan beside itself."""

    NONE = "none"
    FILL = "fill"  #: filling begins
    LIFT = "lift"  #: the lift at the neck is measured
    RELEASE = "release"  #: the balloon leaves


@dataclass(frozen=True)
class Step:
    """One step of the countdown.

    Parameters
    ----------
    key : str
        Names it for good; ticks are stored under it.
    text : str
        What is to be done, as it is read aloud.
    before : timedelta
        So long before the release it is due.
    who : str
        Who does it; empty where anybody may.
    must : bool
        Whether there is no release without it.
    mark : StepMark
    """

    key: str
    text: str
    before: timedelta
    who: str = ""
    must: bool = False
    mark: StepMark = StepMark.NONE

    def __post_init__(self) -> None:
        if not self.key or not self.text.strip():
            raise InputError("a step of the countdown needs a key and a text")
        if self.before < timedelta(0):
            raise InputError(f"step {self.key!r} comes after the release; give 0 minutes or more")


def _step(
    key: str, text: str, minutes: float, mark: StepMark = StepMark.NONE, *, must: bool = True
) -> Step:
    return Step(key, text, timedelta(minutes=minutes), must=must, mark=mark)


#: The countdown where the director gives none. Common practice, no source.
DEFAULT_STEPS: tuple[Step, ...] = (
    _step("notice", "Air traffic has the notice of this launch", 24 * 60),
    _step("forecast", "Last look at the forecast: go or stay", 180),
    _step("gas", "Site safe for gas: nobody near, no flames, cylinders secured, all earthed", 90),
    _step("train", "Train laid out, knots and parachute looked over", 75, must=False),
    _step("payload", "Payload on, closed and weighed", 60),
    _step("tracker", "Tracker heard, with a position", 50),
    _step("fill", "Fill begun", 40, StepMark.FILL),
    _step("lift", "Neck lift measured", 15, StepMark.LIFT),
    _step("traffic", "Air traffic called: free to release", 10),
    _step("release", "Release", 0, StepMark.RELEASE),
)


class StepState(StrEnum):
    """How a step stands."""

    DONE = "done"
    OVERDUE = "overdue"
    COMING = "coming"


@dataclass(frozen=True)
class StepStand:
    """How one step stands: when it is due, and who ticked it, if anybody."""

    step: Step
    due_utc: datetime
    state: StepState
    tick: Tick | None = None


@dataclass(frozen=True)
class Countdown:
    """A countdown at one moment.

    Attributes
    ----------
    steps : tuple of StepStand
        In the order in which they are due.
    next : StepStand or None
        The first that is not done; None when all are, or when nothing is to be done any more.
    to_release : timedelta
        Until the release; negative after it.
    """

    plan: Plan
    steps: tuple[StepStand, ...]
    next: StepStand | None
    to_release: timedelta

    @property
    def alarming(self) -> tuple[StepStand, ...]:
        """Steps that are overdue and without which there is no release."""
        return tuple(s for s in self.steps if s.state is StepState.OVERDUE and s.step.must)


def require_steps(steps: Sequence[Step]) -> tuple[Step, ...]:
    """Steps in the order in which they are due.

    Raises
    ------
    InputError
        If two have one key, if there are none, or if more than one has the same mark.
    """
    if not steps:
        raise InputError("a countdown needs a step; leave it out to have the usual one")
    keys = [step.key for step in steps]
    marks = [step.mark for step in steps if step.mark is not StepMark.NONE]
    for what, found in (("key", keys), ("mark", [str(mark) for mark in marks])):
        twice = next((each for each in found if found.count(each) > 1), None)
        if twice is not None:
            raise InputError(f"two steps of the countdown have the {what} {twice!r}")
    return tuple(sorted(steps, key=lambda step: -step.before))


def count_down(plan: Plan, steps: Sequence[Step], now_utc: datetime) -> Countdown:
    """How the countdown of a plan stands.

    Parameters
    ----------
    plan : Plan
        As it stands now (`windowwatch.launchday.plan.stand`).
    steps : sequence of Step
    now_utc : datetime
        Aware UTC.
    """
    now_utc = require_utc(now_utc)
    found = []
    for step in require_steps(steps):
        due, tick = plan.due_utc(step.before), plan.ticks.get(step.key)
        late = plan.coming and due < now_utc
        state = StepState.DONE if tick else StepState.OVERDUE if late else StepState.COMING
        found.append(StepStand(step, due, state, tick))
    over = plan.state in (PlanState.SCRUBBED, PlanState.DONE)
    first = None if over else next((s for s in found if s.state is not StepState.DONE), None)
    return Countdown(plan, tuple(found), first, plan.release_utc - now_utc)


def also(event: Event, steps: Sequence[Step]) -> tuple[Event, ...]:
    """What an event means beside itself, by the marks of the steps.

    Ticking the step of the fill begins it; a lift that is measured and a balloon that has left
    tick their steps, and so does a fill that has begun.
    """
    if isinstance(event, Ticked):
        marked = [step.mark for step in steps if step.key == event.step]
        return (FillBegun(),) if StepMark.FILL in marked else ()
    stands_for = {
        FillBegun: StepMark.FILL,
        LiftMeasured: StepMark.LIFT,
        Released: StepMark.RELEASE,
    }
    mark = stands_for.get(type(event))
    return tuple(Ticked(step.key) for step in steps if mark is not None and step.mark is mark)
