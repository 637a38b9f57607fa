"""What is noted of a cycle: what it lacks, and what was assumed, as values. Pure.

A note is a fact with its fields, levels, lead times and members; it holds no sentence.
`windowwatch.wording.gaps` puts notes into words when somebody reads them. Each kind has a stable
word in `NOTE_KINDS`, `LACK_KINDS` or `FAULT_KINDS`, under which it is stored
(`windowwatch.storage.rows`). Fields of weather are named as in `windowwatch.forecast.models`.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from windowwatch.physics.surface import CellMethod


@dataclass(frozen=True)
class Note:
    """What all notes are: gaps (what is not there) and remarks (what was assumed)."""


Notes = tuple[Note, ...]


@dataclass(frozen=True)
class Planes:
    """Planes of one field of one member.

    Attributes
    ----------
    field : str
        Name of a field; of both parts of a wind ``wind`` aloft, ``wind_10m`` or ``wind_100m``.
    level_pa : float or None
        Isobaric level [Pa]; None near the ground.
    member : int
        0 for the control.
    """

    field: str
    level_pa: float | None = None
    member: int = 0


# -- why planes are not used --


@dataclass(frozen=True)
class Fault:
    """What all reasons are for which planes cannot be weather."""


@dataclass(frozen=True)
class OutOfBounds(Fault):
    """Values beyond what a sound file can hold."""


@dataclass(frozen=True)
class AllZero(Fault):
    """It is 0 everywhere."""


@dataclass(frozen=True)
class OneNumber(Fault):
    """It is the same number everywhere."""


@dataclass(frozen=True)
class AllCalm(Fault):
    """Both parts of a wind are 0 everywhere."""


@dataclass(frozen=True)
class HeightFalls(Fault):
    """Height does not rise between two levels [Pa], by `by_m` somewhere [gpm]."""

    levels_pa: tuple[float, float]
    by_m: float


@dataclass(frozen=True)
class ThicknessOff(Fault):
    """The height between two levels [Pa] is not what the temperature there gives. [gpm]"""

    levels_pa: tuple[float, float]
    given_m: float
    expected_m: float
    allowed_m: float


# -- what is so at some steps --


@dataclass(frozen=True)
class Lack:
    """What all troubles are that may be so at some steps only."""


@dataclass(frozen=True)
class NothingAloft(Lack):
    """Nothing aloft is there of a member."""

    member: int = 0


@dataclass(frozen=True)
class NothingNearGround(Lack):
    """Nothing near the ground is there."""


@dataclass(frozen=True)
class NotThere(Lack):
    """Planes are missing."""

    planes: Planes


@dataclass(frozen=True)
class OnNoLevel(Lack):
    """A field of a member is missing on all levels."""

    field: str
    member: int = 0


@dataclass(frozen=True)
class PartlyThere(Lack):
    """Planes have missing cells."""

    planes: Planes


@dataclass(frozen=True)
class NotUsed(Lack):
    """Planes are there and not used."""

    planes: Planes
    why: Fault


@dataclass(frozen=True)
class TakenAsDry(Lack):
    """Humidity is missing, and air is taken as dry there."""

    planes: Planes


@dataclass(frozen=True)
class NotReceived(Lack):
    """Planes that an index names, that were asked for, and that did not come."""

    planes: Planes


@dataclass(frozen=True)
class OverAnotherInterval(Lack):
    """Planes that stand for so long a time before their own, not for so long as is documented.

    Both lengths in seconds.
    """

    planes: Planes
    given_s: int
    documented_s: int


# -- gaps --


@dataclass(frozen=True)
class AtSteps(Note):
    """What is so at some lead times [s], of so many `steps` at which it could be."""

    lack: Lack
    leads_s: tuple[int, ...]
    steps: int


@dataclass(frozen=True)
class LevelLeftOut(Note):
    """An isobaric level [Pa] that lacks some of the fields aloft altogether."""

    level_pa: float
    fields: tuple[str, ...]


@dataclass(frozen=True)
class FieldsAbsent(Note):
    """Fields that are not in the files."""

    fields: tuple[str, ...]


@dataclass(frozen=True)
class MemberAbsent(Note):
    """A member is missing."""

    member: int


@dataclass(frozen=True)
class FewerMembers(Note):
    """The source speaks of `said` members, and fewer are there."""

    said: int
    there: int


@dataclass(frozen=True)
class MoreGaps(Note):
    """So many more gaps are not kept one by one."""

    count: int


@dataclass(frozen=True)
class NearGround(Note):
    """What is noted of the cycle of a finer model near the ground."""

    cycle_id: str
    note: Note


# -- remarks --


@dataclass(frozen=True)
class UnperturbedLeftOut(Note):
    """The ensemble's own unperturbed run is left out; the run without ensemble header is used."""


@dataclass(frozen=True)
class CopiesDiffer(Note):
    """So many planes of a field are there twice with other values; the first found is used."""

    field: str
    planes: int


@dataclass(frozen=True)
class OverIntervals(Note):
    """Fields that stand for the interval which ends at the time, where others are of the time."""

    method: CellMethod
    fields: tuple[str, ...]


@dataclass(frozen=True)
class IntervalsUnknown(Note):
    """Fields that were stored without their intervals."""

    fields: tuple[str, ...]


@dataclass(frozen=True)
class TerrainWorkedOut(Note):
    """The terrain's height is not in the files and was found from the pressure there."""


@dataclass(frozen=True)
class SingleStep(Note):
    """The files hold one step, taken as valid `holds_s` either way. [s]"""

    valid_utc: datetime
    lead_s: int
    holds_s: int


@dataclass(frozen=True)
class DryAir(Note):
    """Humidity aloft is not in the files, and air is taken as dry."""


@dataclass(frozen=True)
class ControlForAll(Note):
    """Fields of which the control's is used for all members."""

    fields: tuple[str, ...]


@dataclass(frozen=True)
class Attribution(Note):
    """Whose data it is, in the words in which its source wants to be named."""

    text: str


@dataclass(frozen=True)
class ChecksNotAsked(Note):
    """Checks that a model has no data for and is not asked."""

    model: str
    checks: tuple[str, ...]


@dataclass(frozen=True)
class CarriedOver(Note):
    """So many hours beyond the cycle's last time keep the answer of an earlier cycle.

    `partial` when more of the cycle is still to come.
    """

    reaches_utc: datetime
    partial: bool
    hours: int


@dataclass(frozen=True)
class NearGroundUnused(Note):
    """A finer model near the ground could not be read; `text` is what the error said."""

    cycle_id: str
    text: str


@dataclass(frozen=True)
class LearnedUnread(Note):
    """What was learned could not be read, so tables from memory are used; `text` as above."""

    text: str


@dataclass(frozen=True)
class SaidBefore(Note):
    """What an earlier version of this program noted: it kept the sentence and not the facts."""

    text: str


#: Notes that hold what an error, or an earlier version, said.
Quoting = NearGroundUnused | LearnedUnread | SaidBefore

#: Stable word of every kind, as it is stored. Never change one.
NOTE_KINDS: Mapping[str, type[Note]] = {
    "at steps": AtSteps,
    "level left out": LevelLeftOut,
    "fields absent": FieldsAbsent,
    "member absent": MemberAbsent,
    "fewer members": FewerMembers,
    "more gaps": MoreGaps,
    "near ground": NearGround,
    "unperturbed left out": UnperturbedLeftOut,
    "copies differ": CopiesDiffer,
    "over intervals": OverIntervals,
    "intervals unknown": IntervalsUnknown,
    "terrain worked out": TerrainWorkedOut,
    "single step": SingleStep,
    "dry air": DryAir,
    "control for all": ControlForAll,
    "attribution": Attribution,
    "checks not asked": ChecksNotAsked,
    "carried over": CarriedOver,
    "near ground unused": NearGroundUnused,
    "learned unread": LearnedUnread,
    "said before": SaidBefore,
}
LACK_KINDS: Mapping[str, type[Lack]] = {
    "nothing aloft": NothingAloft,
    "nothing near ground": NothingNearGround,
    "not there": NotThere,
    "on no level": OnNoLevel,
    "partly there": PartlyThere,
    "not used": NotUsed,
    "taken as dry": TakenAsDry,
    "not received": NotReceived,
    "over another interval": OverAnotherInterval,
}
FAULT_KINDS: Mapping[str, type[Fault]] = {
    "out of bounds": OutOfBounds,
    "all zero": AllZero,
    "one number": OneNumber,
    "all calm": AllCalm,
    "height falls": HeightFalls,
    "thickness off": ThicknessOff,
}
