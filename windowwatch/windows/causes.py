"""Causes: why a window is as it is, and why a change came, as values. Pure.

A cause is a fact with its numbers and times; it holds no sentence. `windowwatch.wording.causes`
puts causes into words when somebody reads them, so a sentence may be worded anew at any time
without changing what is decided, stored or told. Each kind has a stable word in `KINDS`, under
which it is stored (`windowwatch.storage.rows`).
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

from windowwatch.scoring.values import Check, Opinion, Refusal, Verdict

#: First and last launch hour of a run of them, both included.
Span = tuple[datetime, datetime]


@dataclass(frozen=True)
class Cause:
    """What all causes are."""


Causes = tuple[Cause, ...]


class Edge(StrEnum):
    """An end of a window."""

    START = "start"
    END = "end"


# -- an hour, and what speaks against it --


@dataclass(frozen=True)
class CheckAgainst(Cause):
    """A check speaks against an hour, or could not be answered."""

    check: Check


@dataclass(frozen=True)
class FrontAt(Cause):
    """About when the front passes that the check before this cause is about."""

    at_utc: datetime


@dataclass(frozen=True)
class OnlyCaution(Cause):
    """The verdict is caution, and only go is accepted."""


@dataclass(frozen=True)
class ChanceUnder(Cause):
    """The chance is under the bound to stay good. [1]"""

    chance: float
    bound: float


@dataclass(frozen=True)
class ScoreIs(Cause):
    """The score of an hour of which no earlier score is known. [0-100]"""

    score: float


@dataclass(frozen=True)
class ScoreFell(Cause):
    """The score fell under the bound to stay good. [0-100]"""

    before: float
    after: float
    bound: float


@dataclass(frozen=True)
class ChanceLowered(Cause):
    """Other models alone made the chance too low; `lowered_by` begins with the lowest. [1]"""

    chance: float | None
    bound: float
    own_chance: float | None
    lowered_by: tuple[Opinion, ...]


@dataclass(frozen=True)
class NoAnswer(Cause):
    """No answer was computed for an hour."""


@dataclass(frozen=True)
class Refused(Cause):
    """Why an hour was refused."""

    why: Refusal


@dataclass(frozen=True)
class DataMissing(Cause):
    """Data are missing, and no check says which."""


@dataclass(frozen=True)
class NotReadable(Cause):
    """Launch hours that the newest cycle could not answer for.

    `why` is the commonest reason, None where no reason is told; `other_reasons` counts the rest.
    """

    spans: tuple[Span, ...]
    why: Cause | None = None
    other_reasons: int = 0


# -- a window, against what was last told of it --


@dataclass(frozen=True)
class SeenGood(Cause):
    """Good launch hours were seen in so many cycles; `go_hours` of `good_hours` are go."""

    cycles: int
    go_hours: int | None
    good_hours: int | None


@dataclass(frozen=True)
class NearAndLikely(Cause):
    """Near enough and likely enough to open at once. [1]"""

    chance: float
    go_hours: int | None
    good_hours: int | None


@dataclass(frozen=True)
class PartStillGood(Cause):
    """Part of a window of which the rest cannot be read now."""


@dataclass(frozen=True)
class OnlyStays(Cause):
    """Too little of a window stays good."""

    left: timedelta
    wanted: timedelta


@dataclass(frozen=True)
class NothingLeft(Cause):
    """No launch hour is left of a window."""


@dataclass(frozen=True)
class LastKnownStands(Cause):
    """What was last known of a window stands until it can be read."""


@dataclass(frozen=True)
class ReadableAgain(Cause):
    """The forecast can be read again."""


@dataclass(frozen=True)
class BrokeUp(Cause):
    """Parts of a window are windows of their own now."""

    parts: tuple[Span, ...]


@dataclass(frozen=True)
class JoinedWith(Cause):
    """A window took others in."""

    windows: tuple[Span, ...]


@dataclass(frozen=True)
class EdgeMoved(Cause):
    """An end of a window moved, later when `by` is positive; `lost_to` took hours away."""

    edge: Edge
    by: timedelta
    lost_to: Causes = ()


@dataclass(frozen=True)
class LandingMoved(Cause):
    """The landings' centre moved. [km], [deg]"""

    km: float
    bearing_deg: float


@dataclass(frozen=True)
class BestHourIs(Cause):
    """Another hour is the planned one now; `lost_to` speaks against the one before."""

    at_utc: datetime
    lost_to: Causes = ()


@dataclass(frozen=True)
class QualityMoved(Cause):
    """Score and chance as last told, and now. [0-100], [1]"""

    score_before: float
    score_after: float
    chance_before: float | None
    chance_after: float | None


@dataclass(frozen=True)
class ChanceMovedByOthers(Cause):
    """Other models alone moved the chance; `opinions` are those that give one. [1]"""

    before: float
    after: float | None
    fell: bool
    opinions: tuple[Opinion, ...]


@dataclass(frozen=True)
class Against:
    """One model that disagrees: what it says at the hour that speaks for it, and in what way."""

    opinion: Opinion
    no_go: bool
    apart: bool


@dataclass(frozen=True)
class ModelsDisagree(Cause):
    """Other models disagree on a window."""

    against: tuple[Against, ...]


# -- the watch as a whole --


@dataclass(frozen=True)
class ForecastLate(Cause):
    """A forecast is late: it was due at a time, and so many of its steps are here."""

    reference_utc: datetime
    due_utc: datetime
    steps_there: int
    steps_needed: int


@dataclass(frozen=True)
class NoForecast(Cause):
    """No forecast has come by its rhythm."""

    expected_utc: datetime


@dataclass(frozen=True)
class NothingNewer(Cause):
    """No forecast newer than a time has come, for longer than may pass without a word.

    `since_utc` is the newest one's own time, or when the watch began where `none_yet`.
    """

    since_utc: datetime
    longest: timedelta
    none_yet: bool = False


@dataclass(frozen=True)
class StillShown(Cause):
    """The forecast that people look at meanwhile; None when none has been read so far.

    The same one for as long as nothing newer comes: by it a silence is known again.
    """

    reference_utc: datetime | None


@dataclass(frozen=True)
class GivenUp(Cause):
    """The rest of a forecast is not waited for any more."""

    reference_utc: datetime
    after: timedelta
    steps_there: int
    steps_needed: int


@dataclass(frozen=True)
class PassFailed(Cause):
    """A forecast is here and could not be worked up."""

    reference_utc: datetime
    tries: int


@dataclass(frozen=True)
class Way:
    """A way to a forecast: how its host speaks, and the grid. [deg]"""

    speech: str
    grid_deg: float


@dataclass(frozen=True)
class WayGone(Cause):
    """Nothing has come by a way since a forecast; None: there is no other way to the model."""

    model: str
    way: Way
    since_utc: datetime
    instead: Way | None


@dataclass(frozen=True)
class ErrorSaid(Cause):
    """What an error said, as it was raised."""

    text: str


# -- what people are asked and advised --


@dataclass(frozen=True)
class DecideBy(Cause):
    """A decision is due at a time, `before` the first release; `left` is negative once late.

    `reminder` counts from 1; 0 asks for the first time.
    """

    decision: str
    by_utc: datetime
    before: timedelta
    left: timedelta
    reminder: int = 0
    last: bool = False


@dataclass(frozen=True)
class CallOff(Cause):
    """A window closed, nobody has acknowledged it, and these decisions had been asked for."""

    decisions: tuple[str, ...]


@dataclass(frozen=True)
class Hold:
    """One launch hour that was flown, seen from the planned one.

    Attributes
    ----------
    time_utc : datetime
        The release.
    wait : timedelta
        How long after the planned release.
    verdict : Verdict
        `unknown` when the hour could not be read.
    good : bool
        Whether it is a good launch hour of the window.
    score, chance : float or None
        As scored. [0-100], [1]
    moved_km, moved_bearing_deg : float or None
        How far, and which way, its landings' centre lies from that of the planned release.
    why : Cause or None
        The check that speaks most against it, or why it could not be read; None when none does.
    """

    time_utc: datetime
    wait: timedelta
    verdict: Verdict
    good: bool
    score: float | None
    chance: float | None
    moved_km: float | None
    moved_bearing_deg: float | None
    why: Cause | None


@dataclass(frozen=True)
class HoldTable(Cause):
    """What happens to a window when the launch waits.

    Attributes
    ----------
    planned : Hold
        The planned release: waits and landings are counted from it.
    rows : tuple of Hold
        Later launch hours in order, the first that is not good included.
    last_good_utc : datetime
        The last good release in a row.
    closing : Hold or None
        The first launch hour that is not good; None when none was flown after the window.
    step : timedelta
        Distance between the launch hours: nothing is said of times between them.
    as_planned : bool
        Whether `planned` is the window's planned hour; the next good one once that went by.
    """

    planned: Hold
    rows: tuple[Hold, ...]
    last_good_utc: datetime
    closing: Hold | None
    step: timedelta
    as_planned: bool = True


# -- a planned launch --


@dataclass(frozen=True)
class OfPlan(Cause):
    """Which planned launch it is about, and how that stands; first of all causes of its changes."""

    plan: str
    release_utc: datetime
    state: str


@dataclass(frozen=True)
class PlanMade(Cause):
    """A launch was planned."""

    by: str


@dataclass(frozen=True)
class PlanMoved(Cause):
    """The release was set to another time."""

    before_utc: datetime
    by: str


@dataclass(frozen=True)
class PlanHeld(Cause):
    """Everybody waits; the release comes so much later."""

    wait: timedelta
    by: str


@dataclass(frozen=True)
class PlanScrubbed(Cause):
    """The launch was called off."""

    by: str
    why: str = ""


@dataclass(frozen=True)
class PlanReleased(Cause):
    """The balloon has left the hand."""

    at_utc: datetime
    by: str


@dataclass(frozen=True)
class PlanStands(Cause):
    """How the planned minute stands, and how it stood when last told; what limits it follows.

    `verdict_before` is None when it was never told. `last_good_utc` is the last good release,
    None where none is to come, and `last_flown_utc` the last that was flown: where both are one,
    later releases may be good too. [0-100], [1]
    """

    verdict: Verdict
    score: float | None
    chance: float | None
    last_good_utc: datetime | None
    verdict_before: Verdict | None = None
    score_before: float | None = None
    chance_before: float | None = None
    last_flown_utc: datetime | None = None


@dataclass(frozen=True)
class PlanUnanswered(Cause):
    """Nothing could be flown for the plan; the reason follows."""


@dataclass(frozen=True)
class StepOverdue(Cause):
    """A step of the countdown that must be done is overdue; `text` is the team's own."""

    step: str
    text: str
    due_utc: datetime
    who: str = ""


@dataclass(frozen=True)
class GustMeasured(Cause):
    """A gust over the hard limit was measured at the site: no release before `until_utc`."""

    gust_mps: float
    limit_mps: float
    at_utc: datetime
    until_utc: datetime
    by: str


@dataclass(frozen=True)
class FlightNews(Cause):
    """What happened to a followed flight, in a word of `chase`, and where. [deg], [m], [km], [1]"""

    flight: str
    name: str
    happened: str
    at_utc: datetime
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    height_m: float | None = None
    landing_utc: datetime | None = None
    km: float | None = None
    bearing_deg: float | None = None
    chance: float | None = None
    by: str = ""


@dataclass(frozen=True)
class ToldEarlier(Cause):
    """What an earlier version of this program told: it kept the sentence and not the facts."""

    text: str


#: Stable word of every kind of cause, as it is stored and given out. Never change one.
KINDS: Mapping[str, type[Cause]] = {
    "check against": CheckAgainst,
    "front at": FrontAt,
    "only caution": OnlyCaution,
    "chance under": ChanceUnder,
    "score is": ScoreIs,
    "score fell": ScoreFell,
    "chance lowered by models": ChanceLowered,
    "no answer": NoAnswer,
    "refused": Refused,
    "data missing": DataMissing,
    "not readable": NotReadable,
    "seen good": SeenGood,
    "near and likely": NearAndLikely,
    "part still good": PartStillGood,
    "only stays good": OnlyStays,
    "nothing left": NothingLeft,
    "last known stands": LastKnownStands,
    "readable again": ReadableAgain,
    "broke up": BrokeUp,
    "joined with": JoinedWith,
    "edge moved": EdgeMoved,
    "landing moved": LandingMoved,
    "best hour is": BestHourIs,
    "quality moved": QualityMoved,
    "chance moved by models": ChanceMovedByOthers,
    "models disagree": ModelsDisagree,
    "forecast late": ForecastLate,
    "no forecast": NoForecast,
    "nothing newer": NothingNewer,
    "still shown": StillShown,
    "given up": GivenUp,
    "pass failed": PassFailed,
    "way gone": WayGone,
    "error said": ErrorSaid,
    "decide by": DecideBy,
    "call off": CallOff,
    "hold advice": HoldTable,
    "of plan": OfPlan,
    "plan made": PlanMade,
    "plan moved": PlanMoved,
    "plan held": PlanHeld,
    "plan scrubbed": PlanScrubbed,
    "plan released": PlanReleased,
    "plan stands": PlanStands,
    "plan unanswered": PlanUnanswered,
    "step overdue": StepOverdue,
    "gust measured": GustMeasured,
    "flight news": FlightNews,
    "told earlier": ToldEarlier,
}


@dataclass(frozen=True)
class Dissent:
    """That a model disagrees, and how, as people were last told."""

    model: str
    no_go: bool
    apart: bool
