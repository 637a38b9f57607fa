"""How hours are scored: everything about it that a director may set."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import isfinite
from types import MappingProxyType

from windowwatch.errors import InputError
from windowwatch.ground.query.features import DRIVABLE, AreaKind, RoadClass
from windowwatch.scoring.checks.casualty import Impact
from windowwatch.scoring.limits import LIMITS, Limit
from windowwatch.scoring.rules import AppliedRules
from windowwatch.scoring.values import Part

#: Kinds of area that must not be landed on. Common practice, no source.
NO_LANDING: frozenset[AreaKind] = frozenset(
    {AreaKind.TOWN, AreaKind.INDUSTRY, AreaKind.AERODROME, AreaKind.MILITARY, AreaKind.NO_ENTRY}
)


def _default_limits() -> Mapping[str, Limit]:
    return MappingProxyType({n: kind.default for n, kind in LIMITS.items() if kind.asked})


def _default_weights() -> Mapping[str, float]:
    return MappingProxyType({name: kind.weight for name, kind in LIMITS.items()})


def _default_part_weights() -> Mapping[Part, float]:
    return MappingProxyType(
        {Part.RELEASE: 3.0, Part.FLIGHT: 2.0, Part.LANDING: 3.0, Part.RECOVERY: 2.0}
    )


@dataclass(frozen=True)
class ScoringPlan:
    """What the director asks of an hour. Defaults are common practice, no source.

    Parameters
    ----------
    limits : mapping of check name to Limit
        A check that is not in it is not asked at all.
    weights, part_weights : mapping
        Of checks within their part, and of parts; a check left out takes its table weight. [1]
    setup_min, hold_min : float
        Site checks look at the worst from `setup_min` before to `hold_min` after the launch
        hour. [min]
    quantile : float
        Share of flights that must be on the good side of a value. [1]
    gust_factor : float or None
        Gust over mean wind where the forecast has no gust at all; None leaves the gust
        unknown. Published for open country, 3 s gust over 10 min mean: 1.66 (WMO/TD-No. 1555,
        for strong wind). [1]
    gust_error_factor : float
        Error of a forecast gust over that of the mean wind, for the chance; with the part that
        displacement shows of it. Judgement: about the ratio of gust to mean wind itself. [1]
    clearance : (float, float) or None
        Release and landing must lie between these times; None: not asked. [s since 1970 UTC]
    no_landing_kinds, no_landing_distance_m : collection of AreaKind, float
        Where not to land, and how far from it to stay. [m]
    road_classes : collection of RoadClass
        Roads that count for recovery.
    hazard_line_distance_m : float
        A landing nearer than this to a motorway, railway or power line counts. [m]
    drive_factor : float
        Real drives over the map's: stops to find the way. Judgement: 1.2 to 1.3. [1]
    impact_mass_kg, impact_face_m2, country_people_per_km2 : float or None
        For the casualty expectation: what comes down, its largest face, and how many people
        are about where the map does not say. Without all three it stays unknown.
    battery_h, tracker_h : float or None
        How long the payload, and the tracker, run from when they are switched on, which is
        `setup_min` before the launch; None leaves their checks unknown. [h]
    notice_h : float or None
        Notice must be given so long before the launch; None leaves its check unknown. [h]
    applied : AppliedRules or None
        The rule set that was laid on `limits`, for whoever asks where they come from.
    judge_with_gaps : bool
        Whether an hour of which a soft check is unknown is judged all the same, at best as
        `caution` and without a chance, so that it opens no window; else it is `unknown`.
    min_flights : int
        With fewer landings the hour is refused.
    max_lost_share : float
        With a greater share of flights without a landing the hour is refused. [1]
    go_score, caution_score : float
        The hour is `go` from the one on and `no-go` below the other. [0-100]
    go_chance : float
        … and `go` only from this chance on. [1]
    """

    limits: Mapping[str, Limit] = field(default_factory=_default_limits)
    weights: Mapping[str, float] = field(default_factory=_default_weights)
    part_weights: Mapping[Part, float] = field(default_factory=_default_part_weights)
    setup_min: float = 60.0
    hold_min: float = 30.0
    quantile: float = 0.9
    gust_factor: float | None = None
    gust_error_factor: float = 1.5
    clearance: tuple[float, float] | None = None
    no_landing_kinds: frozenset[AreaKind] = NO_LANDING
    no_landing_distance_m: float = 500.0
    road_classes: frozenset[RoadClass] = DRIVABLE
    hazard_line_distance_m: float = 200.0
    drive_factor: float = 1.25
    impact_mass_kg: float | None = None
    impact_face_m2: float | None = None
    country_people_per_km2: float | None = None
    battery_h: float | None = None
    tracker_h: float | None = None
    notice_h: float | None = None
    applied: AppliedRules | None = None
    judge_with_gaps: bool = False
    min_flights: int = 8
    max_lost_share: float = 0.1
    go_score: float = 70.0
    caution_score: float = 40.0
    go_chance: float = 0.6

    def __post_init__(self) -> None:
        for name, limit in self.limits.items():
            if name not in LIMITS:
                raise InputError(f"check {name!r} is not one of {', '.join(LIMITS)}")
            LIMITS[name].check_limit(limit)
        if not self.limits:
            raise InputError("no check is asked; give at least one limit")
        for what, weights in (("check", self.weights), ("part", self.part_weights)):
            for name, weight in weights.items():
                if not (isfinite(weight) and weight > 0.0):
                    raise InputError(f"weight of {what} {name} is {weight}; give a number above 0")
        for name in ("setup_min", "hold_min", "no_landing_distance_m", "hazard_line_distance_m"):
            if not (isfinite(getattr(self, name)) and getattr(self, name) >= 0.0):
                raise InputError(f"{name} is {getattr(self, name)}; give a number from 0 on")
        for name in ("quantile", "max_lost_share", "go_chance"):
            if not 0.0 <= getattr(self, name) <= 1.0:
                raise InputError(f"{name} is {getattr(self, name)}; give a share, 0 to 1")
        if not 0.0 <= self.caution_score <= self.go_score <= 100.0:
            raise InputError(
                f"caution_score {self.caution_score} and go_score {self.go_score}: give "
                "0 to 100, the first not above the second"
            )
        for name in ("battery_h", "tracker_h", "notice_h"):
            if getattr(self, name) is not None and not 0.0 < getattr(self, name) < 1e4:
                raise InputError(f"{name} is {getattr(self, name)}; give hours above 0")
        if self.gust_factor is not None and not 1.0 <= self.gust_factor <= 3.0:
            raise InputError(f"gust_factor is {self.gust_factor}; give 1 to 3")
        if not 0.0 <= self.gust_error_factor <= 5.0:
            raise InputError(f"gust_error_factor is {self.gust_error_factor}; give 0 to 5")
        if not 1.0 <= self.drive_factor <= 5.0:
            raise InputError(f"drive_factor is {self.drive_factor}; give 1 to 5")
        if self.min_flights < 1:
            raise InputError(f"min_flights is {self.min_flights}; give 1 or more")
        _ = self.impact  # refuses a mass, a face or a number of people that cannot be
        if self.clearance is not None and not self.clearance[0] < self.clearance[1]:
            raise InputError(f"clearance {self.clearance} ends before it begins")

    @property
    def impact(self) -> Impact | None:
        """What comes down, None as long as something about it is not given."""
        mass_kg, face_m2 = self.impact_mass_kg, self.impact_face_m2
        people_per_km2 = self.country_people_per_km2
        if mass_kg is None or face_m2 is None or people_per_km2 is None:
            return None
        return Impact(mass_kg, face_m2, people_per_km2)

    def weight_of(self, name: str) -> float:
        """Weight of a check within its part; 1 for one of an older version. [1]"""
        kind = LIMITS.get(name)
        return self.weights.get(name, 1.0 if kind is None else kind.weight)
