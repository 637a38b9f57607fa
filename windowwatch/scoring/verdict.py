"""From answered checks to one hour: score, verdict, the worst checks, and what it lacks to be go.


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
from dataclasses import dataclass
from enum import StrEnum
from math import log

from windowwatch.scoring.answer import (
    weighted_geometric_mean,
)
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.scoring.values import (
    Check,
    Fact,
    Hour,
    NeverReached,
    Part,
    Refusal,
    RefusalKind,
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


class WantedKind(StrEnum):
    """What stands between an hour and `go`."""

    MARGIN = "margin"  #: a check by its margin
    KNOWN = "known"  #: a check that could be answered
    REACHED = "reached"  #: landings that a crew gets to
    LANDINGS = "landings"  #: flights with a landing
    SCORE = "score"
    CHANCE = "chance"


@dataclass(frozen=True)
class Wanted:
    """One thing that stands between an hour and `go`.

    Parameters
    ----------
    kind : WantedKind
    check : Check or None
        The one that stands in the way.
    refused : Refusal or None
        What flights were lost to, for `LANDINGS`.
    have, needed : float or None
        Score [0-100] or chance [1] as it is and as it must be.
    """

    kind: WantedKind
    check: Check | None = None
    refused: Refusal | None = None
    have: float | None = None
    needed: float | None = None


def what_is_wanted(hour: Hour, plan: ScoringPlan) -> tuple[Wanted, ...]:
    """What stands between an hour and `go`, the worst first; empty when it is `go`.

    Parameters
    ----------
    hour : Hour
    plan : ScoringPlan
        The one it was scored by.
    """
    if hour.verdict is Verdict.GO:
        return ()
    wanted = [
        _wanted(check)
        for check in worst_first(hour.checks, plan)
        if check.verdict in {Verdict.NO_GO, Verdict.UNKNOWN}
    ]
    if hour.refused is not None and not any(c.verdict is Verdict.UNKNOWN for c in hour.checks):
        wanted.append(Wanted(WantedKind.LANDINGS, refused=hour.refused))
    if hour.score is not None and not wanted and hour.score < plan.go_score:
        wanted.append(Wanted(WantedKind.SCORE, have=hour.score, needed=plan.go_score))
    if hour.chance is not None and hour.chance < plan.go_chance and not wanted:
        wanted.append(Wanted(WantedKind.CHANCE, have=hour.chance, needed=plan.go_chance))
    return tuple(wanted)


def _wanted(check: Check) -> Wanted:
    if check.margin is not None:
        return Wanted(WantedKind.MARGIN, check)
    unknown = check.verdict is Verdict.UNKNOWN
    return Wanted(WantedKind.KNOWN if unknown else WantedKind.REACHED, check)
