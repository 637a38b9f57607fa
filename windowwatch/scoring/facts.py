"""What is known of a check beside its numbers, and why a number is missing: values, no words.

A new fact is a class here with a `kind`, a line in `FACTS`, and its words in `wording/checks.py`.
Rows hold a fact by its `kind` and its fields: a name that is stored is never given another
meaning, and no two facts have the same fields, so that each can be told by these alone.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType
from typing import ClassVar


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
