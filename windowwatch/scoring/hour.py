"""Flights, weather and ground in; scored launch hours out: score, verdict, the worst by name.

The rules, in the order in which they are tried:

1. A hard limit that is passed vetoes the hour: `no-go`, score 0, whatever is missing.
2. Too many lost flights, too few landings, or a hard limit that cannot be checked because
   data are missing refuse the hour: `unknown`, no score, and the reason is said.
3. The worst check pulls the score down once more: from desirability `NEAR` down to 0 the
   score is scaled from 1 down to `go_score` in a hundred. (Among many good checks a single
   bad one would hardly show in a mean. The pull grows gently, so that a value that wavers
   round a limit does not open and close windows.) While a soft limit is passed or a soft
   check is unknown the hour is at best `caution`.
4. The score decides: below `caution_score` the hour is `no-go`. It is `go` from `go_score`
   on, if its chance reaches `go_chance`; otherwise `caution`.

A soft limit that is passed, and a soft check that is unknown, count with the desirability
`FLOOR`, not with 0: a soft limit costs score, it does not veto. So an unknown check is never
better than the worst that the same check can be. An hour with an unknown soft check is scored
at all only where `ScoringPlan.judge_with_gaps` says so; otherwise it is `unknown`.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import log

import numpy as np
from numpy.typing import NDArray

from windowwatch.clock import from_unix_s
from windowwatch.errors import InputError
from windowwatch.ground.query.features import Ground
from windowwatch.physics.earth import bearing_deg
from windowwatch.physics.flights import Flights
from windowwatch.physics.neighbourhood import Shifts
from windowwatch.physics.spread import Footprint, footprint
from windowwatch.physics.surface import SurfaceGrid
from windowwatch.scoring.answer import (
    Answer,
    Measure,
    answer,
    independent_count,
    weighted_geometric_mean,
    wilson_interval,
)
from windowwatch.scoring.checks.flight import (
    Crossings,
    airway_measures,
    flight_measures,
    landed,
    lost_flights,
)
from windowwatch.scoring.checks.landing import landing_measures, recovery_measures, search_measure
from windowwatch.scoring.checks.release import release_measures
from windowwatch.scoring.limits import LIMITS
from windowwatch.scoring.nearby import Finer, NearWeather
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.scoring.values import (
    Check,
    Fact,
    Hour,
    NeverReached,
    Part,
    Refusal,
    RefusalKind,
    Site,
    Unanswered,
    Verdict,
)

#: Least desirability with which a soft check counts. Common practice, no source. [1]
FLOOR = 0.05
#: Below this desirability the worst check pulls the whole score down. Likewise. [1]
NEAR = 0.25
#: How many of its worst checks an hour names.
WORST = 3


@dataclass(frozen=True)
class Ruling:
    """What the checks of an hour come to; fields as in `Hour`."""

    verdict: Verdict
    score: float | None
    parts: dict[Part, float | None]
    refused: Refusal | None


def is_veto(check: Check) -> bool:
    """Tell whether a check alone forbids the hour."""
    return check.hard and check.verdict is Verdict.NO_GO


def counted_desirability(check: Check) -> float:
    """Desirability with which a check counts in the score; 0 only for a veto. [1]"""
    if is_veto(check):
        return 0.0
    return FLOOR if check.desirability is None else max(check.desirability, FLOOR)


def rule(
    checks: Sequence[Check], plan: ScoringPlan, chance: float | None, lost: Refusal | None
) -> Ruling:
    """Score and verdict of an hour.

    Parameters
    ----------
    checks : sequence of Check
        At least one.
    plan : ScoringPlan
    chance : float or None
        Share of flights in which the whole hour is go. [1]
    lost : Refusal or None
        Why the flights cannot be used, when that is so.
    """
    parts = part_scores(checks, plan)
    if any(is_veto(check) for check in checks):
        return Ruling(Verdict.NO_GO, 0.0, parts, None)
    unknown = [check for check in checks if check.verdict is Verdict.UNKNOWN]
    needed = tuple(
        Unanswered(check.name, check.missing)
        for check in unknown
        if check.hard or not plan.judge_with_gaps
    )
    if lost or needed:
        refused = lost or Refusal(RefusalKind.UNKNOWN_CHECKS, unknown=needed)
        return Ruling(Verdict.UNKNOWN, None, dict.fromkeys(parts), refused)
    score = total_score(parts, plan)
    clean = not unknown and all(check.verdict is not Verdict.NO_GO for check in checks)
    score *= _pull_of_worst(checks, plan)
    if score < plan.caution_score:
        return Ruling(Verdict.NO_GO, score, parts, None)
    likely = chance is not None and chance >= plan.go_chance
    good = score >= plan.go_score and likely and clean
    return Ruling(Verdict.GO if good else Verdict.CAUTION, score, parts, None)


def _pull_of_worst(checks: Sequence[Check], plan: ScoringPlan) -> float:
    """Factor on the score from its worst check, from 1 down to `go_score` in a hundred. [1]"""
    worst = min(0.0 if c.desirability is None else c.desirability for c in checks)
    least = plan.go_score / 100.0
    return least + (1.0 - least) * min(worst / NEAR, 1.0)


def part_scores(checks: Sequence[Check], plan: ScoringPlan) -> dict[Part, float | None]:
    """Score of each part, 0 to 100; None for a part in which nothing is asked."""
    scores: dict[Part, float | None] = {}
    for part in Part:
        asked = [check for check in checks if check.part is part]
        scores[part] = (
            100.0
            * weighted_geometric_mean(
                [counted_desirability(check) for check in asked],
                [plan.weight_of(check.name) for check in asked],
            )
            if asked
            else None
        )
    return scores


def total_score(parts: dict[Part, float | None], plan: ScoringPlan) -> float:
    """Score of the hour from those of its parts. [0-100]"""
    known = {part: score for part, score in parts.items() if score is not None}
    return 100.0 * weighted_geometric_mean(
        [score / 100.0 for score in known.values()],
        [plan.part_weights.get(part, 1.0) for part in known],
    )


def worst_first(checks: Sequence[Check], plan: ScoringPlan) -> list[Check]:
    """Checks ordered: vetoes, unanswered hard ones, soft ones that bar go, then lost score.

    Checks that cost nothing stand last, the one nearest to its limit first.
    """
    share: dict[Part, float] = {}
    for check in checks:
        share[check.part] = share.get(check.part, 0.0) + plan.weight_of(check.name)

    def cost(check: Check) -> tuple[int, float, float]:
        weight = plan.weight_of(check.name) * plan.part_weights.get(check.part, 1.0)
        lost = -log(max(counted_desirability(check), FLOOR)) * weight / share[check.part]
        rank = 3
        if is_veto(check):
            rank = 0
        elif check.hard and check.verdict is Verdict.UNKNOWN:
            rank = 1
        elif check.verdict in (Verdict.NO_GO, Verdict.UNKNOWN):
            rank = 2  # it alone keeps the hour from go, however little weight it has
        return rank, -lost, _room(check)

    return sorted(checks, key=cost)


def _room(check: Check) -> float:
    """Margin in parts of the way from limit to fine: small is near the limit. [1]"""
    if check.margin is None or check.fine is None or check.limit is None:
        return 0.0
    return check.margin / (abs(check.limit - check.fine) or 1.0)


def worst_names(checks: Sequence[Check], plan: ScoringPlan) -> tuple[str, ...]:
    """Names of up to three checks that cost something, the worst first.

    When none does, the one that is nearest to its limit.
    """
    ordered = worst_first(checks, plan)
    costing = [check for check in ordered if counted_desirability(check) < 1.0]
    told: dict[Fact | str, str] = {}
    for check in costing or ordered[:1]:
        # several checks know no more of a place that nobody gets to than just that
        never = next((fact for fact in check.facts if isinstance(fact, NeverReached)), None)
        told.setdefault(never or check.name, check.name)
    return tuple(told.values())[:WORST]


FloatArray = NDArray[np.float64]


def score_site(
    site: Site,
    launch_unix_s: FloatArray,
    flights: Flights,
    surface: SurfaceGrid,
    ground: Ground,
    plan: ScoringPlan,
    speed_error_mps: FloatArray | None = None,
    crossings: Crossings | None = None,
    now_unix_s: float | None = None,
    near: NearWeather | None = None,
    shifts: Shifts | None = None,
) -> tuple[Hour, ...]:
    """Score every launch hour of a site.

    Parameters
    ----------
    site : Site
    launch_unix_s : array [N]
        Launch hours. [s since 1970 UTC]
    flights : Flights [N, M, D]
        Of these launch hours, in the same order.
    surface : SurfaceGrid
        Members as in `flights`, or one where they share the field.
    ground : Ground
    plan : ScoringPlan
    speed_error_mps : array [N, D], optional
        Drawn errors of the forecast wind speed at the site; they lower the chance, not the
        score. [m s⁻¹]
    crossings : Crossings, optional
        What the flights cross on their way, where that is asked.
    now_unix_s : float, optional
        The present, for what must be done some time before. [s since 1970 UTC]
    near : NearWeather, optional
        What a finer model says near the ground at the site, where one is asked.
    shifts : Shifts, optional
        Drawn displacements [D] of the forecast near the ground; they lower or raise the chance,
        not the score.

    Returns
    -------
    tuple of Hour [N]

    Raises
    ------
    InputError
        If the numbers of launch hours or members do not fit together.
    """
    launch = np.asarray(launch_unix_s, dtype=np.float64)
    if launch.ndim != 1 or flights.status.shape[:1] != launch.shape:
        raise InputError(
            f"{launch.size} launch hours, but flights of shape {flights.status.shape}; "
            "the first axis must be the launch hours"
        )
    spots = tuple(_spot(flights.of_launch(i)) for i in range(launch.size))
    measures = [
        measure
        for measure in (
            *release_measures(
                site, launch, flights, surface, plan, speed_error_mps, now_unix_s, shifts
            ),
            *flight_measures(launch, flights, plan),
            *airway_measures(flights, ground, crossings),
            *landing_measures(flights, surface, ground, plan),
            *recovery_measures(site, launch, flights, ground, plan),
            search_measure(spots, flights),
        )
        if measure.name in plan.limits
    ]
    if not measures:
        raise InputError("none of the checks that are asked can be made; give more limits")
    _check_members(measures, flights)
    finer = None if near is None else Finer(near, launch, plan, speed_error_mps)
    hours = []
    for i in range(launch.size):
        asked, said = (measures, None) if finer is None else finer.of_hour(i, measures)
        hour = replace(_hour(site, launch, i, flights, asked, plan), near_ground=said)
        hours.append(_with_landings(hour, site, flights, i, spots[i]))
    return tuple(hours)


def score_hour(
    site: Site,
    launch_unix_s: float,
    flights: Flights,
    surface: SurfaceGrid,
    ground: Ground,
    plan: ScoringPlan,
) -> Hour:
    """Score one launch hour; `flights` are its own, [M, D]. Otherwise as `score_site`."""
    one = Flights(**{name: values[None] for name, values in vars(flights).items()})
    return score_site(site, np.array([launch_unix_s]), one, surface, ground, plan)[0]


def _check_members(measures: list[Measure], flights: Flights) -> None:
    """Refuse weather whose members are not those of the flights."""
    members = flights.status.shape[1]
    for measure in measures:
        have = measure.values.shape[1]
        if have not in (1, members) and members != 1:
            raise InputError(
                f"{measure.name} has {have} members, the flights have {members}; "
                "they must be the same members, or one that all share"
            )


def _hour(
    site: Site,
    launch: FloatArray,
    index: int,
    flights: Flights,
    measures: list[Measure],
    plan: ScoringPlan,
) -> Hour:
    """One launch hour out of all that was measured."""
    answers = [
        answer(measure, index, LIMITS[measure.name], plan.limits[measure.name], plan.quantile)
        for measure in measures
    ]
    checks = tuple(each.check for each in answers)
    here = flights.of_launch(index)
    down = landed(here)
    chance, low, high = _chance(answers, down)
    ruling = rule(checks, plan, chance, _too_few(here, down, plan))
    if ruling.refused is not None:
        chance = low = high = None
    road = next((m for m in measures if m.name == "road"), None)
    return Hour(
        site=site.name,
        time_utc=from_unix_s(launch[index]),
        verdict=ruling.verdict,
        score=ruling.score,
        chance=chance,
        chance_low=low,
        chance_high=high,
        parts=ruling.parts,
        checks=checks,
        worst=worst_names(checks, plan),
        footprint=None,
        refused=ruling.refused,
        road_km=None if road is None else _median(road.values[index]),
    )


def _chance(
    answers: list[Answer], down: NDArray[np.bool_]
) -> tuple[float | None, float | None, float | None]:
    """Share of flights in which every check is within its limit, and its 95 % interval.

    A flight that was lost, or of which one value is missing, is not go. When a whole check
    is unknown nobody knows whether any flight's hour is go: there is no chance then.
    """
    passes = down
    for each in answers:
        if each.passes is None:
            return None, None, None
        passes = passes & each.passes
    share = float(np.mean(passes))
    return share, *wilson_interval(share, independent_count(passes))


def _too_few(flights: Flights, down: NDArray[np.bool_], plan: ScoringPlan) -> Refusal | None:
    """Why the flights of an hour cannot be used; None if they can."""
    known = int(np.count_nonzero(down))
    if known < down.size * (1.0 - plan.max_lost_share) - 1e-9:
        kind = RefusalKind.LOST_FLIGHTS
    elif known < plan.min_flights:
        kind = RefusalKind.FEW_FLIGHTS
    else:
        return None
    return Refusal(
        kind, down.size, lost_flights(flights.status), landed=known, needed=plan.min_flights
    )


def _spot(flights: Flights) -> Footprint | None:
    """Footprint of the landings of one launch hour."""
    down = landed(flights)
    return footprint(flights.landing_latitude_deg[down], flights.landing_longitude_deg[down])


def _with_landings(
    hour: Hour, site: Site, flights: Flights, index: int, spot: Footprint | None
) -> Hour:
    """The hour with footprint, drift, bearing and time of landing, where any flight landed."""
    here = flights.of_launch(index)
    down = landed(here)
    if not np.any(down):
        return hour
    if spot is None:
        centre = here.landing_latitude_deg[down][0], here.landing_longitude_deg[down][0]
    else:
        centre = spot.latitude_deg, spot.longitude_deg
    return replace(
        hour,
        footprint=spot,
        drift_km=float(np.median(here.drift_m[down])) / 1000.0,
        bearing_deg=float(bearing_deg(site.latitude_deg, site.longitude_deg, *centre)),
        landing_utc=from_unix_s(float(np.median(here.landing_time_unix_s[down]))),
    )


def _median(values: FloatArray) -> float | None:
    """Median of the known values; None if there are none."""
    known = values[~np.isnan(values)]
    return float(np.median(known)) if known.size else None
