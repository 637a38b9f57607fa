"""From what flights met to an answered check: value, limit, margin, verdict.

Missing flights count as the worst there could be. Where that alone decides, the answer is
`unknown`, unless the limit is passed even if every missing flight were the best there could
be. So data that are missing never make a check better.
"""

from dataclasses import dataclass, replace
from math import ceil, inf, isfinite

import numpy as np
from numpy.typing import NDArray

from windowwatch.scoring.desirability import desirability
from windowwatch.scoring.facts import Fact, Missing, NeverReached, NotKnown, OverInterval
from windowwatch.scoring.limits import CheckKind, Limit, Summary
from windowwatch.scoring.span import Intervals
from windowwatch.scoring.values import Check, Verdict

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Measure:
    """What one check looks at, for all launch hours of a site.

    Parameters
    ----------
    name : str
        Of the check, a key of `LIMITS`.
    values : array [N, M or 1, D or 1]
        In the check's unit; for shares 1 where it happens to the flight and 0 where not.
        NaN where it is not known.
    facts : tuple of tuple of Fact, empty or [N]
        What else is known of each hour's value, for example which town it is.
    missing : Missing, optional
        What is not there, where that is not what the table says.
    doubted : array [N, M or 1, D], optional
        The values with the error of the forecast drawn into them. They decide which flights
        pass, and so the chance; the check's own value is the forecast's.
    worst : float
        For means: what a flight without a value counts as; infinite makes the mean unknown.
    never : tuple of (NeverReached or None), empty or [N]
        Where there is one: of more flights than are left aside it never comes to a value at
        all. Such flights stand behind all others with a number past every limit; the check
        has no number then, so that nobody reads that one.
    over : Intervals, optional
        Of which intervals the values are, [N, M or 1]; None where they are of instants.
    """

    name: str
    values: FloatArray
    facts: tuple[tuple[Fact, ...], ...] = ()
    missing: Missing | None = None
    doubted: FloatArray | None = None
    worst: float = inf
    never: tuple[NeverReached | None, ...] = ()
    over: Intervals | None = None


@dataclass(frozen=True)
class Answer:
    """A check, and the flights that pass it: bool array [M or 1, D or 1].

    `passes` is None when the check is unknown.
    """

    check: Check
    passes: NDArray[np.bool_] | None


def nothing_known(name: str, hours: int, missing: Missing | None = None) -> Measure:
    """A measure of which no value is known."""
    return Measure(name, np.full((hours, 1, 1), np.nan), missing=missing)


def answer(
    measure: Measure, hour: int, kind: CheckKind, limit: Limit, quantile: float = 0.9
) -> Answer:
    """Answer one check for one launch hour.

    Parameters
    ----------
    measure : Measure
    hour : int
        Which of its launch hours.
    kind : CheckKind
    limit : Limit
    quantile : float
        Share of flights that must be on the good side of the value. [1]
    """
    values = measure.values[hour]
    if kind.summary is Summary.SHARE:
        value = _share_pct(values, limit)
        passes = (values if measure.doubted is None else measure.doubted[hour]) == 0.0
    elif kind.summary is Summary.MEAN:
        value = _mean(values, measure.worst)
        passes = ~np.isnan(values)
    else:
        value = _quantile(values, kind, limit, quantile)
        drawn = values if measure.doubted is None else measure.doubted[hour]
        passes = drawn >= limit.limit if kind.higher_is_better else drawn <= limit.limit
    if value is None:
        return Answer(_unknown(kind, limit, measure.missing or kind.missing), None)
    if not kind.in_chance:
        passes = np.ones(values.shape, dtype=np.bool_)
    facts = measure.facts[hour] if measure.facts else ()
    over = _over(measure, hour, kind, value)
    if over is not None:
        facts = (*facts, over)
    if kind.summary is Summary.SHARE and np.any(np.isnan(values)):
        facts = (*facts, NotKnown(100.0 * float(np.mean(np.isnan(values)))))
    check = _known(kind, limit, value, facts)
    never = measure.never[hour] if measure.never else None
    if never is not None and check.verdict is Verdict.NO_GO:
        check = replace(check, value=None, margin=None, facts=(never,))
    return Answer(check, passes)


def _over(measure: Measure, hour: int, kind: CheckKind, value: float) -> OverInterval | None:
    """Which interval the check's value is of: that of the flights that gave it."""
    if measure.over is None:
        return None
    gave = measure.values[hour] == (1.0 if kind.summary is Summary.SHARE else value)
    return measure.over.of(hour, np.any(gave, axis=1))


def _share_pct(values: FloatArray, limit: Limit) -> float | None:
    """Share of flights to which it happens, the unknown ones counted in; None: undecided. [%]"""
    missing = int(np.count_nonzero(np.isnan(values)))
    hits = int(np.count_nonzero(values == 1.0))
    least = 100.0 * hits / values.size
    most = 100.0 * (hits + missing) / values.size
    if missing == values.size:
        return None
    if least > limit.limit:
        return least
    return None if most > limit.limit and missing else most


def _mean(values: FloatArray, worst: float) -> float | None:
    """Mean over the flights, the unknown ones counted as `worst`; None: undecided."""
    missing = np.isnan(values)
    if np.all(missing) or (np.any(missing) and not isfinite(worst)):
        return None
    return float(np.mean(np.where(missing, worst, values)))


def _quantile(values: FloatArray, kind: CheckKind, limit: Limit, quantile: float) -> float | None:
    """Value that a share `quantile` of the flights is not worse than; None: undecided."""
    sign = -1.0 if kind.higher_is_better else 1.0
    badness = sign * values.ravel()
    known = np.sort(badness[~np.isnan(badness)])
    missing = badness.size - known.size
    rank = max(ceil(quantile * badness.size - 1e-9), 1) - 1
    if rank < known.size:  # missing flights stand behind all known ones
        return float(sign * known[rank])
    best = rank - missing  # rank if every missing flight were the best of all
    if best >= 0 and known.size and known[best] > sign * limit.limit:
        return float(sign * known[best])
    return None


def is_past(kind: CheckKind, value: float, bound: float) -> bool:
    """Tell whether a value lies on the bad side of a bound, the bound itself not included."""
    return value < bound if kind.higher_is_better else value > bound


def _known(kind: CheckKind, limit: Limit, value: float, facts: tuple[Fact, ...]) -> Check:
    if is_past(kind, value, limit.limit):
        verdict = Verdict.NO_GO
    elif is_past(kind, value, limit.fine):
        verdict = Verdict.CAUTION
    else:
        verdict = Verdict.GO
    wish = desirability(
        value, limit.fine, limit.limit, limit.exponent, higher_is_better=kind.higher_is_better
    )
    return Check(
        name=kind.name,
        part=kind.part,
        verdict=verdict,
        value=value,
        unit=kind.unit,
        fine=limit.fine,
        limit=limit.limit,
        margin=value - limit.limit if kind.higher_is_better else limit.limit - value,
        desirability=float(wish),
        hard=limit.hard,
        facts=facts,
    )


def _unknown(kind: CheckKind, limit: Limit, missing: Missing) -> Check:
    return Check(
        name=kind.name,
        part=kind.part,
        verdict=Verdict.UNKNOWN,
        value=None,
        unit=kind.unit,
        fine=limit.fine,
        limit=limit.limit,
        margin=None,
        desirability=None,
        hard=limit.hard,
        missing=missing,
    )
