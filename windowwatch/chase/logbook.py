"""The flight log: what is noted of a flight beside its track, and what was made of it. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from enum import StrEnum

from windowwatch.chase.flown import Flown, SaidBefore, newest_before
from windowwatch.chase.values import Begun, Flight
from windowwatch.errors import InputError


class NoteKind(StrEnum):
    """What a note is about; the last one of a kind counts, but for irregularities."""

    BALLOON = "balloon"  #: by what name balloons like it go
    PARACHUTE = "parachute"
    LIFT = "lift"  #: read at the neck [kg]
    ANNOUNCED = "announced"  #: area that had been announced: middle, and radius [m]
    IRREGULARITY = "irregularity"
    LEFT_OUT = "left out"  #: nothing is learned of this flight, and why
    SOURCE = "source"  #: where an imported track is from


#: What a note of a kind must have.
_NEEDS = {
    NoteKind.BALLOON: ("text",),
    NoteKind.PARACHUTE: ("text",),
    NoteKind.LIFT: ("number",),
    NoteKind.ANNOUNCED: ("number", "latitude_deg", "longitude_deg"),
    NoteKind.IRREGULARITY: ("text",),
    NoteKind.LEFT_OUT: ("text",),
    NoteKind.SOURCE: ("text",),
}


@dataclass(frozen=True)
class Note:
    """One note of a flight; notes are only ever added."""

    kind: NoteKind
    at_utc: datetime
    by: str
    text: str = ""
    number: float | None = None
    latitude_deg: float | None = None
    longitude_deg: float | None = None

    def __post_init__(self) -> None:
        if not self.by.strip():
            raise InputError("say who notes it: --by NAME")
        if len(self.text) > 500:
            raise InputError("a note has at most 500 letters")
        for name in _NEEDS[self.kind]:
            if getattr(self, name) in (None, ""):
                raise InputError(f"a note of the {self.kind} needs its {name}")
        if self.kind is NoteKind.LIFT and not 0.0 < (self.number or 0.0) <= 100.0:
            raise InputError(f"a lift of {self.number:g} kg cannot be; give what the scale showed")
        if self.kind is NoteKind.ANNOUNCED and not 0.0 < (self.number or 0.0) <= 1e6:
            raise InputError("the radius of an area must be above zero and at most 1000 km")


@dataclass(frozen=True)
class Made:
    """What was made of a flight, by the reports up to a number.

    `said` is what every stored cycle had said of it, the longest ahead first.
    """

    number: int
    made_utc: datetime
    flown: Flown
    said: tuple[SaidBefore, ...] = ()

    @property
    def forecast(self) -> SaidBefore | None:
        """What the last cycle before the release had said."""
        return newest_before(self.said)


@dataclass(frozen=True)
class Logged:
    """A flight in the log. `made` is None where nothing was made of it, and `why` says why."""

    flight: Flight
    notes: tuple[Note, ...]
    made: Made | None
    why: str = ""

    def noted(self, kind: NoteKind) -> Note | None:
        """The last note of a kind."""
        return next((each for each in reversed(self.notes) if each.kind is kind), None)

    def text(self, kind: NoteKind) -> str:
        """Text of the last note of a kind; empty without one."""
        note = self.noted(kind)
        return "" if note is None else note.text

    @property
    def irregularities(self) -> tuple[Note, ...]:
        """What people noted as irregular."""
        return tuple(each for each in self.notes if each.kind is NoteKind.IRREGULARITY)


def as_filled(begun: Begun, notes: Sequence[Note]) -> Begun:
    """A flight with the lift that was noted, where one was."""
    lift = next((n.number for n in reversed(notes) if n.kind is NoteKind.LIFT), None)
    if lift is None:
        return begun
    return replace(begun, train=replace(begun.train, nozzle_lift_kg=lift))


def merged(old: Sequence[SaidBefore], new: Sequence[SaidBefore]) -> tuple[SaidBefore, ...]:
    """What cycles had said, the longest ahead first; those whose hours are gone stay as kept."""
    found = {each.cycle_id: each for each in (*old, *new)}
    return tuple(sorted(found.values(), key=lambda each: (-each.lead_h, each.cycle_id)))
