"""From what flights met to an answered check: value, limit, margin, verdict, sentence.

Missing flights count as the worst there could be. Where that alone decides, the answer is
`unknown`, unless the limit is passed even if every missing flight were the best there could
be. So data that are missing never make a check better.
"""

from dataclasses import dataclass, replace
from math import ceil, inf, isfinite

import numpy as np
from numpy.typing import NDArray

from windowwatch.physics.surface import CellMethod
from windowwatch.scoring.desirability import desirability
from windowwatch.scoring.limits import CheckKind, Limit, Summary
from windowwatch.scoring.span import Intervals, OverInterval
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
    extra : tuple of str, empty or [N]
        Said behind the value, for example which town it is.
    missing : str
        What is not there, where that is not what the table says.
    doubted : array [N, M or 1, D], optional
        The values with the error of the forecast drawn into them. They decide which flights
        pass, and so the chance; the check's own value is the forecast's.
    worst : float
        For means: what a flight without a value counts as; infinite makes the mean unknown.
    never : tuple of str, empty or [N]
        Where not empty: of more flights than are left aside it never comes to a value at all,
        in words. Such flights stand behind all others with a number past every limit; the
        check has no number then, so that nobody reads that one.
    over : Intervals, optional
        Of which intervals the values are, [N, M or 1]; None where they are of instants.
    """

    name: str
    values: FloatArray
    extra: tuple[str, ...] = ()
    missing: str = ""
    doubted: FloatArray | None = None
    worst: float = inf
    never: tuple[str, ...] = ()
    over: Intervals | None = None


@dataclass(frozen=True)
class Answer:
    """A check, and the flights that pass it: bool array [M or 1, D or 1].

    `passes` is None when the check is unknown.
    """

    check: Check
    passes: NDArray[np.bool_] | None


def nothing_known(name: str, hours: int, missing: str = "") -> Measure:
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
        passes = values == 0.0
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
    extra = measure.extra[hour] if measure.extra else ""
    extra += _over_words(_over(measure, hour, kind, value))
    if kind.summary is Summary.SHARE and np.any(np.isnan(values)):
        extra += f" ({100 * np.mean(np.isnan(values)):.0f} % not known, counted in)"
    check = _known(kind, limit, value, extra)
    if measure.never and measure.never[hour] and check.verdict is Verdict.NO_GO:
        check = replace(check, value=None, margin=None, sentence=measure.never[hour])
    return Answer(check, passes)


def _over(measure: Measure, hour: int, kind: CheckKind, value: float) -> OverInterval | None:
    """Which interval the check's value is of: that of the flights that gave it."""
    if measure.over is None:
        return None
    gave = measure.values[hour] == (1.0 if kind.summary is Summary.SHARE else value)
    return measure.over.of(hour, np.any(gave, axis=1))


_METHOD_WORDS = {CellMethod.MEAN: "mean", CellMethod.SUM: "sum",
                 CellMethod.MAXIMUM: "greatest", CellMethod.MINIMUM: "least"}  # fmt: skip


def _over_words(over: OverInterval | None) -> str:
    if over is None:
        return ""
    nearest = ", the nearest there is" if over.nearest else ""
    return f" ({_METHOD_WORDS[over.method]} of {over.interval_h:.3g} h{nearest})"


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


def _known(kind: CheckKind, limit: Limit, value: float, extra: str) -> Check:
    past = is_past(kind, value, limit.limit)
    if past:
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
        sentence=_sentence(kind, limit, value, extra, past),
    )


def _unknown(kind: CheckKind, limit: Limit, missing: str) -> Check:
    label = kind.name.replace("_", " ")
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
        sentence=f"{label[:1].upper()}{label[1:]} unknown: {missing}.",
    )


def _sentence(kind: CheckKind, limit: Limit, value: float, extra: str, past: bool) -> str:
    """Value and limit in words; never "10.0, past the limit of 10"."""
    decimals = kind.decimals
    while isfinite(value) and value != limit.limit and decimals < 4:
        if float(f"{value:.{decimals}f}") != limit.limit:
            break
        decimals += 1
    number = f"{value:.{decimals}f}"
    number = number.lstrip("-") if float(number) == 0.0 else number
    gap = "" if kind.unit == "°" else " "
    of_limit = f"{limit.limit:g}{gap + kind.unit if kind.unit in {'%', '°'} else ''}"
    bound = f"past the limit of {of_limit}" if past else f"limit {of_limit}"
    sentence = kind.sentence
    if kind.sentence_below and number.startswith("-"):
        sentence, number = kind.sentence_below, number.lstrip("-")
    if value >= kind.none_from:
        sentence = kind.sentence_none
    text = sentence.format(value=f"{number}{gap}{kind.unit}", extra=extra, bound=bound)
    return text[:1].upper() + text[1:]
