"""The values of scoring: verdicts, checks, footprints and hours."""

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from windowwatch.physics.spread import Footprint
from windowwatch.scoring.facts import Fact, Missing


class Verdict(StrEnum):
    """What is said of a check or an hour."""

    GO = "go"
    CAUTION = "caution"
    NO_GO = "no-go"
    UNKNOWN = "unknown"  #: data missing; never treated as good


class Part(StrEnum):
    """The four parts of an hour's score, in the order of the day."""

    RELEASE = "release"
    FLIGHT = "flight"
    LANDING = "landing"
    RECOVERY = "recovery"


@dataclass(frozen=True)
class Check:
    """One question about an hour, answered.

    Attributes
    ----------
    name : str
        Stable word, for example ``"gust"``.
    value, fine, limit : float or None
        In `unit`. Up to `fine` all is well; past `limit` it is not to be done.
    margin : float or None
        Distance from value to limit, positive on the good side. [`unit`]
    desirability : float or None
        0 at or past the limit, 1 at or before fine; None when unknown. [1]
    hard : bool
        Whether passing the limit vetoes the hour whatever the rest says.
    facts : tuple of Fact
        What else is known of the value, such as the area that most landings are in.
    missing : Missing or None
        Why there is no value, where the verdict is `unknown`.
    """

    name: str
    part: Part
    verdict: Verdict
    value: float | None
    unit: str
    fine: float | None
    limit: float | None
    margin: float | None
    desirability: float | None
    hard: bool
    facts: tuple[Fact, ...] = ()
    missing: Missing | None = None


class RefusalKind(StrEnum):
    """Why nothing could be said of an hour."""

    LOST_FLIGHTS = "lost flights"  #: too many flights have no landing
    FEW_FLIGHTS = "few flights"  #: fewer flights have a landing than are needed
    UNKNOWN_CHECKS = "unknown checks"  #: hard limits could not be checked
    TOLD = "told"  #: stored as a sentence by a version that stored no facts


@dataclass(frozen=True)
class Unanswered:
    """A check that could not be answered, by name, and why."""

    check: str
    missing: Missing | None


@dataclass(frozen=True)
class Refusal:
    """Why nothing could be said of an hour.

    Parameters
    ----------
    kind : RefusalKind
    flights : int
        How many were flown, where flights are the reason.
    lost : tuple of (str, int)
        What became of those without a landing, as `physics.flights.FlightStatus` names it in
        small letters, and of how many; the most first.
    landed, needed : int
        How many have a landing, and how many must.
    unknown : tuple of Unanswered
        Hard checks that could not be answered.
    told : str
        The sentence of an earlier version.
    """

    kind: RefusalKind
    flights: int = 0
    lost: tuple[tuple[str, int], ...] = ()
    landed: int = 0
    needed: int = 0
    unknown: tuple[Unanswered, ...] = ()
    told: str = ""


@dataclass(frozen=True)
class Site:
    """A candidate launch site.

    `height_m` is above mean sea level; `time_zone` an IANA name for reading times aloud.
    """

    name: str
    latitude_deg: float
    longitude_deg: float
    height_m: float
    time_zone: str


@dataclass(frozen=True)
class Opinion:
    """What another weather model says of the same launch hour.

    `apart_km` is how far its landings' centre lies from that of the deciding model, towards
    `bearing_deg`. [km], [deg] `says` is its worst check, None when it says go or none is known.
    `lacks` names the checks that it has no data for and was not asked.
    """

    model: str
    cycle_id: str
    verdict: Verdict
    score: float | None
    chance: float | None
    apart_km: float | None
    bearing_deg: float | None = None
    says: Check | None = None
    lacks: tuple[str, ...] = ()


class NearGap(StrEnum):
    """Why a finer model near the ground does not answer all that it could."""

    OUTSIDE = "outside"  #: the site lies outside its area
    ABSENT = "absent"  #: no cycle of it is at hand
    UNREADABLE = "unreadable"  #: its files could not be read
    BEYOND = "beyond"  #: the hour lies before its first or after its last step
    INCOMPLETE = "incomplete"  #: values are missing from set-up to the end of hold


@dataclass(frozen=True)
class NearGround:
    """What a finer weather model had to say of the air near the ground in an hour.

    Parameters
    ----------
    model : str
    cycle_id : str or None
        None where no cycle was at hand.
    checks : tuple of str
        Names of the checks that it answers; the deciding model answers the others.
    gap : NearGap or None
        Why it does not answer all of those that it was asked; None where it does.
    """

    model: str
    cycle_id: str | None
    checks: tuple[str, ...] = ()
    gap: NearGap | None = None


@dataclass(frozen=True)
class Hour:
    """One launch hour at one site, scored.

    Attributes
    ----------
    score : float or None
        0 to 100; None when refused.
    chance, chance_low, chance_high : float or None
        Share of flights in which the whole hour is go, with its 95 % interval. [1] Where other
        models have a say, `chance` is what they and the deciding model come to together (see
        `scoring.opinions`); the interval stays that of the deciding model's own share, and is
        read by `scoring.opinions.chance_interval`, which shows it only beside that.
    parts : dict of Part to float or None
        Score of each part, 0 to 100.
    worst : tuple of str
        Names of up to three checks that cost something, the worst first; when none does, of
        the one that is nearest to its limit.
    refused : Refusal or None
        Why nothing could be said, when that is so; the verdict is then `unknown`.
    """

    site: str
    time_utc: datetime
    verdict: Verdict
    score: float | None
    chance: float | None
    chance_low: float | None
    chance_high: float | None
    parts: dict[Part, float | None]
    checks: tuple[Check, ...]
    worst: tuple[str, ...]
    footprint: Footprint | None
    refused: Refusal | None = None
    drift_km: float | None = None
    bearing_deg: float | None = None
    road_km: float | None = None
    landing_utc: datetime | None = None
    from_cycle: str | None = None
    """Id of the earlier cycle that gave this answer, where the newest had not come so far yet."""
    own_chance: float | None = None
    """Chance by the deciding model alone, where other models have changed `chance`."""
    others: tuple[Opinion, ...] = ()
    """What other weather models say, where the watch has some."""
    near_ground: NearGround | None = None
    """Which checks a finer model answers, where one was asked."""

    @property
    def heard(self) -> tuple[str, ...]:
        """Ids of the cycles of other models whose weather is in the hour."""
        near = self.near_ground
        finer = (near.cycle_id,) if near is not None and near.cycle_id and near.checks else ()
        return (*(opinion.cycle_id for opinion in self.others), *finer)

    @property
    def worst_checks(self) -> tuple[Check, ...]:
        """The checks that `worst` names; empty where the hour was read without its checks."""
        by_name = {check.name: check for check in self.checks}
        return tuple(by_name[name] for name in self.worst if name in by_name)
