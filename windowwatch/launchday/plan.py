"""A planned launch: everything that happened to it, in order, and how it stands after that. Pure.

A plan is never changed: it is the sum of its entries. Each entry says what happened, when, and
who did it; `stand` adds them up. So nothing is lost, two people who act at once are seen, and
what was known at any moment can be told later.

Named rules
-----------
over is over
    Nothing happens any more to a launch that was scrubbed or is done. After the release only
    what is noted and that all is done.
seen is said
    Whoever moves, holds, scrubs or releases says which entry they saw last. When something
    else than a tick or a measurement has come since, it is not done: they are told what came.
holds
    A hold lays the release, and every step that was still to come when it began, so much later.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from enum import StrEnum
from types import MappingProxyType
from typing import ClassVar

from windowwatch.clock import require_utc
from windowwatch.errors import InputError
from windowwatch.physics.train import FlightTrain


class PlanState(StrEnum):
    """How a planned launch stands."""

    PLANNED = "planned"
    FILLING = "filling"
    HELD = "held"
    RELEASED = "released"
    SCRUBBED = "scrubbed"
    DONE = "done"


#: States in which the launch is still to come.
COMING = frozenset({PlanState.PLANNED, PlanState.FILLING, PlanState.HELD})

#: A hold is at least and at most so long; a longer one is a launch that is moved.
SHORTEST_HOLD, LONGEST_HOLD = timedelta(minutes=1), timedelta(hours=4)
#: Further ahead nothing is planned: there is no forecast of it. Common practice, no source.
FURTHEST_AHEAD = timedelta(days=16)
#: A lift read at the neck is doubted when it is so many times what was planned, or as little.
DOUBTED_LIFT = 1.5
#: No cylinder that is carried to a site holds more. [Pa]
HIGHEST_PRESSURE_PA = 1e8


class PlanError(InputError):
    """What was asked cannot be done to this plan as it stands; nothing was changed."""


class DoubtedError(PlanError):
    """A number can hardly be meant; whoever is sure of it says so."""


@dataclass(frozen=True)
class Planned:
    """The launch was planned; the first entry of every plan.

    Parameters
    ----------
    site : str
    release_utc : datetime
    train : FlightTrain
        As it is to fly, with the fill that is meant.
    crew : tuple of str
    window_uid, cycle_id : str or None
        The window it was planned in and the cycle that was the newest then; None without one.
    """

    kind: ClassVar[str] = "planned"
    site: str
    release_utc: datetime
    train: FlightTrain
    crew: tuple[str, ...] = ()
    window_uid: str | None = None
    cycle_id: str | None = None


@dataclass(frozen=True)
class Moved:
    """The release was set to another time; it ends a hold."""

    kind: ClassVar[str] = "moved"
    release_utc: datetime


@dataclass(frozen=True)
class Held:
    """Everybody waits."""

    kind: ClassVar[str] = "held"
    wait: timedelta


@dataclass(frozen=True)
class Ticked:
    """A step of the countdown is done."""

    kind: ClassVar[str] = "ticked"
    step: str


@dataclass(frozen=True)
class Unticked:
    """A step was ticked by mistake."""

    kind: ClassVar[str] = "unticked"
    step: str


@dataclass(frozen=True)
class FillBegun:
    """Gas flows."""

    kind: ClassVar[str] = "fill begun"


@dataclass(frozen=True)
class LiftMeasured:
    """What the scale at the neck shows. [kg]"""

    kind: ClassVar[str] = "lift measured"
    nozzle_lift_kg: float


@dataclass(frozen=True)
class Gauged:
    """What the gauge of one cylinder shows, made absolute. [Pa]"""

    kind: ClassVar[str] = "gauged"
    cylinder: str
    pressure_pa: float


@dataclass(frozen=True)
class Released:
    """The balloon has left the hand."""

    kind: ClassVar[str] = "released"
    release_utc: datetime


@dataclass(frozen=True)
class Scrubbed:
    """The launch was called off."""

    kind: ClassVar[str] = "scrubbed"
    why: str = ""


@dataclass(frozen=True)
class Done:
    """The launch is over, and the plan is put away."""

    kind: ClassVar[str] = "done"
    note: str = ""


Event = (
    Planned
    | Moved
    | Held
    | Ticked
    | Unticked
    | FillBegun
    | LiftMeasured
    | Gauged
    | Released
    | Scrubbed
    | Done
)

#: All events by the word that rows hold them by; a word that is stored is never changed.
EVENTS: MappingProxyType[str, type[Event]] = MappingProxyType(
    {
        each.kind: each
        for each in (
            Planned,
            Moved,
            Held,
            Ticked,
            Unticked,
            FillBegun,
            LiftMeasured,
            Gauged,
            Released,
            Scrubbed,
            Done,
        )
    }
)

#: Events that change what is flown.
_FLOWN = (Moved, Held, LiftMeasured)

#: Events that may come while somebody decides about something else.
_BESIDE = (Ticked, Unticked, LiftMeasured, FillBegun, Gauged)


@dataclass(frozen=True)
class Entry:
    """One event of a plan: numbered from 1 on, with when it was and who did it."""

    number: int
    at_utc: datetime
    by: str
    event: Event


@dataclass(frozen=True)
class Tick:
    """Who ticked a step, and when."""

    by: str
    at_utc: datetime


@dataclass(frozen=True)
class Plan:
    """A planned launch as it stands.

    Attributes
    ----------
    key : str
        Names it among the plans of its watch.
    number : int
        Of its last entry.
    release_utc : datetime
        When the balloon is to leave, after all moves and holds; or when it left.
    first_release_utc : datetime
        When it was to leave at first.
    train : FlightTrain
        With the lift that was measured, where one was.
    ticks : mapping of str to Tick
        Steps that are done.
    waits : tuple of (datetime, timedelta)
        Holds since the release was last set: when each began, and how long.
    gauged : tuple of (str, float)
        Cylinders whose gauge was read, with their absolute pressure then. [Pa]
    meant_lift_kg : float
        What the scale at the neck is to show, whatever was measured. [kg]
    flown_number : int
        Of the last entry that changes what is flown: a table of releases made before it is old.
    """

    key: str
    number: int
    state: PlanState
    site: str
    release_utc: datetime
    first_release_utc: datetime
    train: FlightTrain
    crew: tuple[str, ...]
    window_uid: str | None
    cycle_id: str | None
    made_utc: datetime
    made_by: str
    ticks: MappingProxyType[str, Tick] = field(default_factory=lambda: MappingProxyType({}))
    waits: tuple[tuple[datetime, timedelta], ...] = ()
    held_until_utc: datetime | None = None
    measured_lift_kg: float | None = None
    released_utc: datetime | None = None
    ended: Entry | None = None
    filling: bool = False
    gauged: tuple[tuple[str, float], ...] = ()
    meant_lift_kg: float = 0.0
    flown_number: int = 1

    @property
    def coming(self) -> bool:
        """Whether the balloon is still to leave."""
        return self.state in COMING

    def due_utc(self, before: timedelta) -> datetime:
        """When a step is due that comes so long before the release.

        A hold lays only those later that were still to come when it began.
        """
        due = self.release_utc - sum((wait for _, wait in self.waits), timedelta(0)) - before
        for began, wait in self.waits:
            if due >= began:
                due += wait
        return due


def stand(key: str, entries: Sequence[Entry], now_utc: datetime | None = None) -> Plan:
    """Add up what happened to a plan.

    Parameters
    ----------
    key : str
    entries : sequence of Entry
        All of one plan, in order.
    now_utc : datetime, optional
        The present: a hold is over when its time has come. Without it, a hold goes on.

    Raises
    ------
    InputError
        If the entries do not begin with `Planned`, or are not numbered from 1 on.
    """
    if not entries or not isinstance(entries[0].event, Planned):
        raise InputError(f"plan {key} has no beginning; its first entry must be 'planned'")
    if [entry.number for entry in entries] != list(range(1, len(entries) + 1)):
        raise InputError(f"plan {key} has a gap in its entries; restore a backup")
    first, event = entries[0], entries[0].event
    plan = Plan(
        key=key,
        number=1,
        state=PlanState.PLANNED,
        site=event.site,
        release_utc=event.release_utc,
        first_release_utc=event.release_utc,
        train=event.train,
        crew=event.crew,
        window_uid=event.window_uid,
        cycle_id=event.cycle_id,
        made_utc=first.at_utc,
        made_by=first.by,
        meant_lift_kg=event.train.nozzle_lift_kg,
    )
    for entry in entries[1:]:
        plan = replace(_after(plan, entry), number=entry.number)
        if isinstance(entry.event, _FLOWN):
            plan = replace(plan, flown_number=entry.number)
    until = plan.held_until_utc if plan.state is PlanState.HELD else None
    over = until is not None and now_utc is not None and require_utc(now_utc) >= until
    return replace(plan, state=_going(plan)) if over else plan


def _going(plan: Plan) -> PlanState:
    """State of a plan that is not held."""
    return PlanState.FILLING if plan.filling else PlanState.PLANNED


def _after(plan: Plan, entry: Entry) -> Plan:
    """How a plan stands after one more entry."""
    event = entry.event
    match event:
        case Planned():
            raise InputError(f"plan {plan.key} was planned twice; restore a backup")
        case Moved():
            return replace(
                plan,
                state=_going(plan),
                release_utc=event.release_utc,
                waits=(),
                held_until_utc=None,
            )
        case Held():
            until = max(entry.at_utc, plan.held_until_utc or entry.at_utc) + event.wait
            return replace(
                plan,
                state=PlanState.HELD,
                release_utc=plan.release_utc + event.wait,
                waits=(*plan.waits, (entry.at_utc, event.wait)),
                held_until_utc=until,
            )
        case Ticked():
            ticks = dict(plan.ticks) | {event.step: Tick(entry.by, entry.at_utc)}
            return replace(plan, ticks=MappingProxyType(ticks))
        case Unticked():
            left = {step: tick for step, tick in plan.ticks.items() if step != event.step}
            return replace(plan, ticks=MappingProxyType(left))
        case FillBegun():
            begun = replace(plan, filling=True)
            return begun if plan.state is PlanState.HELD else replace(begun, state=_going(begun))
        case LiftMeasured():
            lift = event.nozzle_lift_kg
            train = replace(plan.train, nozzle_lift_kg=lift)
            return replace(plan, train=train, measured_lift_kg=lift)
        case Gauged():
            others = [each for each in plan.gauged if each[0] != event.cylinder]
            return replace(plan, gauged=(*others, (event.cylinder, event.pressure_pa)))
        case Released():
            return replace(
                plan,
                state=PlanState.RELEASED,
                release_utc=event.release_utc,
                released_utc=event.release_utc,
            )
        case Scrubbed():
            return replace(plan, state=PlanState.SCRUBBED, ended=entry)
        case Done():
            return replace(plan, state=PlanState.DONE, ended=entry)


def check_new(event: Planned, now_utc: datetime) -> None:
    """Refuse a plan that cannot be.

    Raises
    ------
    PlanError
        If its release is in the past, or too far ahead for any forecast.
    """
    _check_time(event.release_utc, now_utc)


def _check_time(release_utc: datetime, now_utc: datetime) -> None:
    release_utc, now_utc = require_utc(release_utc), require_utc(now_utc)
    if release_utc <= now_utc:
        raise PlanError(
            f"a release at {release_utc:%Y-%m-%d %H:%M} UTC is in the past "
            f"(now {now_utc:%Y-%m-%d %H:%M} UTC); give a time to come"
        )
    if release_utc > now_utc + FURTHEST_AHEAD:
        raise PlanError(
            f"a release at {release_utc:%Y-%m-%d %H:%M} UTC is more than "
            f"{FURTHEST_AHEAD.days} days ahead; no forecast reaches so far"
        )


def check_clearance(release_utc: datetime, clearance: tuple[datetime, datetime] | None) -> None:
    """Refuse a release outside the clearance.

    Raises
    ------
    PlanError
    """
    if clearance is None or clearance[0] <= release_utc < clearance[1]:
        return
    first, last = clearance
    raise PlanError(
        f"a release at {release_utc:%Y-%m-%d %H:%M} UTC is outside the clearance, which is from "
        f"{first:%Y-%m-%d %H:%M} to {last:%Y-%m-%d %H:%M} UTC; give a time within it"
    )


def check_next(
    entries: Sequence[Entry],
    event: Event,
    now_utc: datetime,
    *,
    key: str,
    seen: int | None = None,
    steps: Sequence[str] = (),
    sure: bool = False,
) -> None:
    """Refuse an event that cannot come next.

    Parameters
    ----------
    entries : sequence of Entry
        What happened so far.
    event : Event
    now_utc : datetime
    key : str
        Of the plan.
    seen : int, optional
        Number of the last entry that whoever asks has seen; None: they looked just now.
    steps : sequence of str
        Keys of the steps of the countdown.
    sure : bool
        A doubtful lift is meant as it stands.

    Raises
    ------
    PlanError
        Saying why, who did what instead, and what can be done.
    """
    plan = stand(key, entries, now_utc)
    _check_not_over(plan, event)
    if seen is not None and not isinstance(event, _BESIDE):
        _check_seen(key, entries, seen)
    match event:
        case Moved():
            _check_time(event.release_utc, now_utc)
        case Held():
            if not SHORTEST_HOLD <= event.wait <= LONGEST_HOLD:
                raise PlanError(
                    f"a hold of {event.wait.total_seconds() / 60:g} minutes; give 1 to "
                    f"{LONGEST_HOLD.total_seconds() / 60:g}, or move the release"
                )
        case Ticked() | Unticked():
            _check_step(plan, event, steps)
        case FillBegun():
            if plan.filling:
                raise PlanError(f"plan {key}: filling has begun already")
        case LiftMeasured():
            payload_kg = plan.train.payload_mass_kg
            check_lift(event.nozzle_lift_kg, plan.meant_lift_kg, payload_kg, sure=sure)
        case Gauged():
            if not 0.0 < event.pressure_pa <= HIGHEST_PRESSURE_PA:
                raise PlanError(
                    f"cylinder {event.cylinder}: {event.pressure_pa / 1e5:g} bar; give 0 to "
                    f"{HIGHEST_PRESSURE_PA / 1e5:g}"
                )
        case Released():
            _check_release(plan, event.release_utc, now_utc)
        case Planned():
            raise PlanError(f"plan {key} is there already; make another one")
        case Scrubbed() | Done():
            pass


def _check_not_over(plan: Plan, event: Event) -> None:
    if plan.ended is not None:
        raise PlanError(
            f"plan {plan.key} is {plan.state}: {plan.ended.by} ended it at "
            f"{plan.ended.at_utc:%Y-%m-%d %H:%M} UTC; nothing was changed. Make a new plan"
        )
    if plan.released_utc is not None and isinstance(
        event, Moved | Held | Scrubbed | Released | FillBegun | LiftMeasured
    ):
        raise PlanError(
            f"plan {plan.key}: the balloon left at {plan.released_utc:%Y-%m-%d %H:%M} UTC; "
            "nothing was changed"
        )


def _check_seen(key: str, entries: Sequence[Entry], seen: int) -> None:
    """Refuse what was decided without knowing what has happened since."""
    since = [e for e in entries if e.number > seen and not isinstance(e.event, _BESIDE)]
    if since:
        last = since[-1]
        raise PlanError(
            f"plan {key} has changed meanwhile: {last.by}, {last.event.kind} at "
            f"{last.at_utc:%H:%M} UTC; nothing was changed. Look at it, and say it again"
        )


def _check_step(plan: Plan, event: Ticked | Unticked, steps: Sequence[str]) -> None:
    if event.step not in steps:
        raise PlanError(
            f"plan {plan.key} has no step {event.step!r}; its steps are {', '.join(steps)}"
        )
    if isinstance(event, Ticked) and event.step in plan.ticks:
        tick = plan.ticks[event.step]
        raise PlanError(
            f"plan {plan.key}: {event.step!r} was ticked by {tick.by} at "
            f"{tick.at_utc:%H:%M} UTC already"
        )
    if isinstance(event, Unticked) and event.step not in plan.ticks:
        raise PlanError(f"plan {plan.key}: {event.step!r} is not ticked")


def check_lift(lift_kg: float, meant_kg: float, payload_kg: float, *, sure: bool = False) -> None:
    """Refuse a lift that cannot be, or that looks like a slip of the pen.

    Parameters
    ----------
    lift_kg, meant_kg : float
        At the neck, as it is said and as it is to be expected. [kg]
    payload_kg : float
    sure : bool
        A doubtful one is meant as it stands.

    Raises
    ------
    DoubtedError
        If it can hardly be meant, and nobody is sure.
    PlanError
    """
    if not lift_kg > payload_kg:
        raise PlanError(
            f"a neck lift of {lift_kg:g} kg does not lift the payload of {payload_kg:g} kg; fill "
            "on, and measure again"
        )
    if sure or meant_kg / DOUBTED_LIFT <= lift_kg <= meant_kg * DOUBTED_LIFT:
        return
    raise DoubtedError(
        f"a neck lift of {lift_kg:g} kg is {lift_kg / meant_kg:.1f} times the planned "
        f"{meant_kg:g} kg; look at the point and at the unit (kg), or say that it is so"
    )


def _check_release(plan: Plan, release_utc: datetime, now_utc: datetime) -> None:
    if require_utc(release_utc) > require_utc(now_utc):
        raise PlanError(
            f"plan {plan.key}: a release at {release_utc:%H:%M} UTC is still to come; "
            "say it when the balloon has left"
        )
    if release_utc < plan.made_utc:
        raise PlanError(
            f"plan {plan.key}: a release at {release_utc:%Y-%m-%d %H:%M} UTC was before the plan "
            f"was made ({plan.made_utc:%Y-%m-%d %H:%M} UTC)"
        )
