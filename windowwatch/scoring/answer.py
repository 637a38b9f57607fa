"""From what flights met to an answered check: value, limit, margin, chance, verdict.

References
----------
.. [1] G. Derringer, R. Suich, "Simultaneous Optimization of Several Response Variables",
   Journal of Quality Technology 12 (1980) 214-219.
.. [2] NIST/SEMATECH e-Handbook of Statistical Methods, section 5.5.3.2.2.

Missing flights count as the worst there could be. Where that alone decides, the answer is
`unknown`, unless the limit is passed even if every missing flight were the best there could
be. So data that are missing never make a check better.
"""

from dataclasses import dataclass, replace
from math import ceil, inf, isfinite
from typing import Any

import numpy as np
from numpy.typing import NDArray

from windowwatch.errors import InputError
from windowwatch.scoring.checks.series import Intervals
from windowwatch.scoring.limits import CheckKind, Limit, Summary
from windowwatch.scoring.values import (
    Check,
    Fact,
    Missing,
    NeverReached,
    NotKnown,
    OverInterval,
    Verdict,
)
from windowwatch.units import FloatArray


def desirability(
    value: Any, fine: float, limit: float, exponent: float = 1.0, *, higher_is_better: bool
) -> FloatArray:
    """One-sided desirability: 1 up to `fine`, 0 from `limit` on, a power law between [1]_.

    Parameters
    ----------
    value : array_like
        In the unit of `fine` and `limit`.
    fine, limit : float
        With lower values better `fine` must not exceed `limit`, else the other way round.
        Where both are equal the value itself is still fine.
    exponent : float
        Above 1 desirability falls fast behind `fine`, below 1 late before `limit`. [1]
    higher_is_better : bool

    Returns
    -------
    array, shape of `value`
        In 0 to 1; NaN where the value is NaN. [1]

    Raises
    ------
    InputError
        If the bounds are on the wrong sides or the exponent is not above zero.

    Examples
    --------
    >>> float(desirability(7.5, fine=5.0, limit=10.0, higher_is_better=False))
    0.5
    """
    sign = -1.0 if higher_is_better else 1.0
    low, high = sign * fine, sign * limit
    if not low <= high:
        raise InputError(
            f"fine {fine} must lie on the good side of limit {limit}; "
            f"{'higher' if higher_is_better else 'lower'} values are better here"
        )
    if not exponent > 0.0:
        raise InputError(f"exponent {exponent} must be above zero")
    towards = sign * np.asarray(value, dtype=np.float64)
    if low == high:
        inside = np.where(towards <= low, 1.0, 0.0)
    else:
        with np.errstate(over="ignore"):  # bounds a hair apart: infinity is clipped like any other
            inside = np.clip((high - towards) / (high - low), 0.0, 1.0) ** exponent
    return np.asarray(np.where(np.isnan(towards), np.nan, inside))


def weighted_geometric_mean(desirabilities: Any, weights: Any) -> float:
    """Overall desirability: exp(Σ w ln d / Σ w); 0 as soon as one with weight is 0 [1]_ [2]_.

    Parameters
    ----------
    desirabilities : array_like [K]
        In 0 to 1.
    weights : array_like [K]
        Not negative, not all zero.

    Raises
    ------
    InputError
        If a number is outside its domain (NaN included), or there is nothing to combine.

    Examples
    --------
    >>> round(weighted_geometric_mean([0.8, 0.5, 1.0, 0.9], [1, 1, 1, 1]), 6)
    0.774597
    """
    values = np.asarray(desirabilities, dtype=np.float64)
    heavy = np.asarray(weights, dtype=np.float64)
    if not np.all((values >= 0.0) & (values <= 1.0)):
        raise InputError(f"desirabilities must lie in 0 to 1; they are {values.tolist()}")
    if not np.all(heavy >= 0.0) or not float(np.sum(heavy)) > 0.0:
        raise InputError(f"weights must not be negative nor all zero; they are {heavy.tolist()}")
    counted = heavy > 0.0
    if np.any(values[counted] == 0.0):
        return 0.0
    return float(np.exp(np.average(np.log(values[counted]), weights=heavy[counted])))


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
    missing_at : tuple of (Missing or None), empty or [N]
        What is not there at each hour, where that is neither `missing` nor what the table says.
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
    missing_at: tuple[Missing | None, ...] = ()

    def why_missing(self, hour: int) -> Missing | None:
        """Why an hour has no value; None: what the table of checks says."""
        here = self.missing_at[hour] if self.missing_at else None
        return here or self.missing


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
        value = _mean(values, measure.worst, limit)
        passes = ~np.isnan(values)
    else:
        value = _quantile(values, kind, limit, quantile)
        drawn = values if measure.doubted is None else measure.doubted[hour]
        passes = drawn >= limit.limit if kind.higher_is_better else drawn <= limit.limit
    if value is None:
        return Answer(_unknown(kind, limit, measure.why_missing(hour) or kind.missing), None)
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


def _mean(values: FloatArray, worst: float, limit: Limit) -> float | None:
    """Mean over the flights, the unknown ones counted as `worst`; None: undecided.

    Means are of what is never below zero and better when lower. Where only the unknown ones carry
    it past the limit it is not known whether it is.
    """
    missing = np.isnan(values)
    if np.all(missing) or (np.any(missing) and not isfinite(worst)):
        return None
    most = float(np.mean(np.where(missing, worst, values)))
    least = float(np.mean(np.where(missing, 0.0, values)))
    return None if most > limit.limit >= least else most


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
    return Check(
        name=kind.name,
        part=kind.part,
        verdict=verdict,
        value=value,
        unit=kind.unit,
        fine=limit.fine,
        limit=limit.limit,
        margin=value - limit.limit if kind.higher_is_better else limit.limit - value,
        desirability=_wish(kind, limit, value),
        hard=limit.hard,
        facts=facts,
    )


def _wish(kind: CheckKind, limit: Limit, value: float) -> float:
    """Desirability of one value; without arrays where it is a straight line, as it mostly is."""
    sign = -1.0 if kind.higher_is_better else 1.0
    low, high = sign * limit.fine, sign * limit.limit
    if limit.exponent == 1.0 and low < high:
        return float(min(max((high - sign * value) / (high - low), 0.0), 1.0))
    return float(
        desirability(
            value, limit.fine, limit.limit, limit.exponent, higher_is_better=kind.higher_is_better
        )
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


#: Two-sided 95 % point of the standard normal distribution. [1]
Z_95 = 1.959963984540054


def wilson_interval(share: float, count: float, z: float = Z_95) -> tuple[float, float]:
    """Wilson score interval of a share.

    Parameters
    ----------
    share : float
        Observed share, 0 to 1. [1]
    count : float
        Number of independent trials it rests on; need not be whole.
    z : float
        Point of the standard normal distribution; 95 % two-sided by default.

    Returns
    -------
    low, high : float
        In 0 to 1. At a share of 0 or 1 the other end stays clear of it: no flight of 31 on
        water still leaves up to 11 %.

    References
    ----------
    .. [1] E. B. Wilson, Journal of the American Statistical Association 22 (1927) 209-212.
    .. [2] L. D. Brown, T. T. Cai, A. DasGupta, "Interval Estimation for a Binomial
       Proportion", Statistical Science 16 (2001) 101-133, section 3.1.1.

    Examples
    --------
    >>> [round(end, 4) for end in wilson_interval(0.0, 31)]
    [0.0, 0.1103]
    """
    scale = 1.0 + z * z / count
    centre = (share + z * z / (2.0 * count)) / scale
    half = z / scale * np.sqrt(share * (1.0 - share) / count + (z / (2.0 * count)) ** 2)
    return max(float(centre - half), 0.0), min(float(centre + half), 1.0)


def independent_count(passes: NDArray[np.bool_]) -> float:
    """How many independent flights the flights of some members are worth.

    Flights of one member share its weather, so sixteen draws of a member that is past a
    limit are one voice, not sixteen. The number is n / deff with the design effect estimated
    from the scatter of the members' own shares, never below the number of members and never
    above the number of flights. Errors that all members share are not seen here.

    Parameters
    ----------
    passes : bool array [M, D]

    References
    ----------
    .. [1] L. Kish, "Survey Sampling", Wiley (1965), section 5.4 (from memory).
    """
    members, draws = passes.shape
    if members == 1 or draws == 1:
        return float(passes.size)
    shares = passes.mean(axis=1)
    variance_of_mean = float(np.var(shares, ddof=1)) / members
    share = float(shares.mean())
    if variance_of_mean == 0.0:
        return float(passes.size)
    return float(np.clip(share * (1.0 - share) / variance_of_mean, members, passes.size))
