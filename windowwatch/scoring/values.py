"""The values of scoring: verdicts, checks, footprints and hours."""

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from windowwatch.physics.spread import Footprint


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
    sentence : str
        One plain sentence with value and limit, fit for a phone.
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
    sentence: str


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
    `bearing_deg`. [km], [deg] `says` is the sentence of its worst check, empty when it says go.
    `lacks` names the checks, by commas, that it has no data for and was not asked.
    """

    model: str
    cycle_id: str
    verdict: Verdict
    score: float | None
    chance: float | None
    apart_km: float | None
    bearing_deg: float | None = None
    says: str = ""
    lacks: str = ""


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
        Up to three sentences, the worst check first.
    refused : str or None
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
    refused: str | None = None
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
