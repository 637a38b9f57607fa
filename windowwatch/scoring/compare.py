"""What stands between an hour and `go`: the checks, score and chance it would need. No words."""

from dataclasses import dataclass
from enum import StrEnum

from windowwatch.scoring.plan import ScoringPlan
from windowwatch.scoring.values import Check, Hour, Refusal, Verdict
from windowwatch.scoring.verdict import worst_first


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
