"""The values of scoring: verdicts, checks with facts, footprints, hours and their drawings.

A new fact is a class here with a `kind`, a line in `FACTS`, and its words in `wording/checks.py`.
Rows hold a fact by its `kind` and its fields: a name that is stored is never given another
meaning, and no two facts have the same fields, so that each can be told by these alone.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from types import MappingProxyType
from typing import ClassVar

from windowwatch.physics.fill import SiteAir
from windowwatch.physics.spread import Footprint


@dataclass(frozen=True)
class Track:
    """One flight as points in order, at most about sixty; the last one is the landing.

    Attributes
    ----------
    time_unix_s, latitude_deg, longitude_deg, height_m : tuple of float
        [s since 1970 UTC], [deg], [deg], [m above mean sea level]
    u_mps, v_mps, temperature_k : tuple of float
        The forecast's air there, wind towards east and north. [m s⁻¹], [K]
    burst_index : int
        Index of the point at which the balloon bursts.
    """

    time_unix_s: tuple[float, ...]
    latitude_deg: tuple[float, ...]
    longitude_deg: tuple[float, ...]
    height_m: tuple[float, ...]
    u_mps: tuple[float, ...]
    v_mps: tuple[float, ...]
    temperature_k: tuple[float, ...]
    burst_index: int


@dataclass(frozen=True)
class Drive:
    """The way of a crew by road, to where the walk to the middle landing begins.

    Attributes
    ----------
    start : str
        The site or crew from which it goes.
    minutes : float
        Time on the road, with the plan's `drive_factor`. [min]
    latitude_deg, longitude_deg : tuple of float
        Points of the way, thinned. [deg]
    """

    start: str
    minutes: float
    latitude_deg: tuple[float, ...]
    longitude_deg: tuple[float, ...]


@dataclass(frozen=True)
class HourDetail:
    """What one launch hour is drawn with; kept for the newest cycles only.

    Attributes
    ----------
    landing_latitude_deg, landing_longitude_deg : tuple of float
        A sample of the landings, at most about a hundred. [deg]
    burst : Footprint or None
        Where the balloons burst.
    air : SiteAir or None
        The forecast's air at the site at the release of the middle flight; None of details
        that an earlier version kept.
    crews : tuple of Drive
        Ways of crews that follow a flight in the air; of a launch hour there are none.
    """

    site: str
    time_utc: datetime
    track: Track | None
    landing_latitude_deg: tuple[float, ...]
    landing_longitude_deg: tuple[float, ...]
    burst: Footprint | None
    drive: Drive | None
    air: SiteAir | None = None
    crews: tuple[Drive, ...] = ()


class Gap(StrEnum):
    """Why a check has no value; what `Missing.names` hold is said beside each."""

    FIELD = "field"  #: not in the forecast for this time: surface fields
    FEW_FIELDS = "few fields"  #: too few of these are in the forecast: surface fields
    OUTSIDE = "outside"  #: outside the area of the forecast: the site
    SUN = "sun"  #: the sun's height could not be found
    LANDINGS = "landings"  #: no landing is known for enough flights
    LOST_LANDINGS = "lost landings"  #: more flights than `Missing.most_pct` have no landing
    SETTING = "setting"  #: a key of [scoring] that is not given: the key
    IMPACT = "impact"  #: mass and face of what comes down are not given
    GROUND_FILE = "ground file"  #: no ground file is given
    LAYER = "layer"  #: the ground file lacks layers: their names
    OFF_MAP = "off map"  #: too many landings lie outside the map
    WATER = "water"  #: neither a land mask in the forecast nor water on the map
    AREAS = "areas"  #: no map of areas is given
    ROADS = "roads"  #: no map of roads is given
    ROAD_CLASSES = "road classes"  #: the map has none of the roads that count: their classes
    AIRSPACE = "airspace"  #: no airspace is given
    PERMITTED_AREA = "permitted area"  #: no permitted area is given


@dataclass(frozen=True)
class Missing:
    """Why a check has no value.

    Parameters
    ----------
    gap : Gap
    names : tuple of str
        What is missing, as the rest of the code names it; see `Gap`.
    most_pct : float or None
        Share of flights that may be lost, where that is the reason. [%]
    """

    gap: Gap
    names: tuple[str, ...] = ()
    most_pct: float | None = None


@dataclass(frozen=True)
class AtLeast:
    """The value is as far as is looked: the true one may be anything beyond it."""

    kind: ClassVar[str] = "at least"


@dataclass(frozen=True)
class FromMeanWind:
    """The forecast has no gust: it is taken as `factor` times the mean wind. [1]"""

    kind: ClassVar[str] = "from mean wind"
    factor: float


@dataclass(frozen=True)
class OverInterval:
    """The value is of an interval, not of a time.

    Parameters
    ----------
    method : str
        What it is of the interval, a `physics.surface.CellMethod`.
    interval_h : float
        Length of the interval. [h]
    nearest : bool
        Whether the interval does not touch the span asked about, but is the nearest there is.
    """

    kind: ClassVar[str] = "over interval"
    method: str
    interval_h: float
    nearest: bool = False


@dataclass(frozen=True)
class Median:
    """Median over the flights of which a value is known, in the check's unit."""

    kind: ClassVar[str] = "median"
    median: float


@dataclass(frozen=True)
class OutOfReach:
    """Share of flights that land where no crew gets to. [%]"""

    kind: ClassVar[str] = "out of reach"
    out_of_reach_pct: float


@dataclass(frozen=True)
class NeverReached:
    """More flights than are left aside land where no crew gets to: there is no value then.

    Parameters
    ----------
    never_pct, aside_pct : float
        Share of such flights, and share that is left aside. [%]
    """

    kind: ClassVar[str] = "never reached"
    never_pct: float
    aside_pct: float


@dataclass(frozen=True)
class NotLanded:
    """Share of flights that have no landing and are not in the value. [%]"""

    kind: ClassVar[str] = "not landed"
    not_landed_pct: float


@dataclass(frozen=True)
class NotKnown:
    """Share of flights of which it is not known; they are counted in, as the worst. [%]"""

    kind: ClassVar[str] = "not known"
    not_known_pct: float


@dataclass(frozen=True)
class MostNear:
    """The area of the map that most of these landings are in or near to.

    Parameters
    ----------
    name, area_kind : str
        As the map names it, and what it is (`ground.areas.AreaKind`).
    """

    kind: ClassVar[str] = "most near"
    name: str
    area_kind: str


@dataclass(frozen=True)
class MostThrough:
    """The closed airspace that most of these flights pass through, by the map's name."""

    kind: ClassVar[str] = "most through"
    volume: str


@dataclass(frozen=True)
class Told:
    """The sentence of a check that was stored when sentences were stored, not facts."""

    kind: ClassVar[str] = "told"
    text: str


Fact = (
    AtLeast
    | FromMeanWind
    | OverInterval
    | Median
    | OutOfReach
    | NeverReached
    | NotLanded
    | NotKnown
    | MostNear
    | MostThrough
    | Told
)

#: All facts by the word that rows hold them by.
FACTS: Mapping[str, type[Fact]] = MappingProxyType(
    {
        each.kind: each
        for each in (
            AtLeast,
            FromMeanWind,
            OverInterval,
            Median,
            OutOfReach,
            NeverReached,
            NotLanded,
            NotKnown,
            MostNear,
            MostThrough,
            Told,
        )
    }
)


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
    UNKNOWN_CHECKS = "unknown checks"  #: checks that must be answered could not be
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
        Checks that had to be answered and could not be.
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
    raw_chance: float | None = None
    """Chance as the flights gave it, where `learning.calibration` has mended it since."""
    own_verdict: Verdict | None = None
    """Verdict of the deciding model alone, where an hour was judged no-go for the chance that
    others lowered (`windows.standing`); never stored."""

    def with_others(
        self, others: tuple[Opinion, ...], chance: float | None, own_chance: float | None
    ) -> "Hour":
        """The hour with what other models say, and the chance that they and its own come to.

        As `dataclasses.replace` would make it, which takes ten times as long for so many fields.
        """
        made = object.__new__(Hour)
        vars(made).update(vars(self), others=others, chance=chance, own_chance=own_chance)
        return made

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
