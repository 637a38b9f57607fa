"""Scores of forecasts: counts of yes and no, chances, and intervals drawn by whole days. Pure."""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from windowwatch.scoring.answer import wilson_interval
from windowwatch.units import FloatArray

IntArray = NDArray[np.intp]

#: Fewer days than this are few, and it is said. [d] Judgement.
FEW_DAYS = 20
#: Fewer days than this have no interval: drawn anew they would claim to be sure. [d] Judgement.
FEWEST_BLOCKS = 5
#: So often days are drawn anew for an interval. [1] Judgement: ends of 95 % are steady to a tenth.
DRAWN_ANEW = 200
#: Edges of the bins of chance; the first holds chances of exactly 0 too. [1]
BIN_EDGES = (0.0, 0.2, 0.4, 0.6, 0.8, 1.0)


@dataclass(frozen=True)
class Estimate:
    """A number with its 95 % interval; None where it is not known.

    `low` and `high` are None where there are too few days for an interval.
    """

    value: float | None = None
    low: float | None = None
    high: float | None = None


NOTHING = Estimate()


@dataclass(frozen=True)
class Contingency:
    """Forecasts of yes and no, counted against what came.

    References
    ----------
    .. [1] D. S. Wilks, "Statistical Methods in the Atmospheric Sciences", section on 2 × 2
       contingency tables, for all scores.
    """

    hits: int = 0
    false_alarms: int = 0
    misses: int = 0
    correct_rejections: int = 0

    @property
    def total(self) -> int:
        """All forecasts."""
        return self.hits + self.false_alarms + self.misses + self.correct_rejections

    @property
    def proportion_correct(self) -> float | None:
        """Share of forecasts that were right."""
        return _ratio(self.hits + self.correct_rejections, self.total)

    @property
    def hit_rate(self) -> float | None:
        """Share of yes that was forecast."""
        return _ratio(self.hits, self.hits + self.misses)

    @property
    def false_alarm_ratio(self) -> float | None:
        """Share of forecasts of yes that did not come."""
        return _ratio(self.false_alarms, self.hits + self.false_alarms)

    @property
    def false_alarm_rate(self) -> float | None:
        """Share of no at which yes was forecast."""
        return _ratio(self.false_alarms, self.false_alarms + self.correct_rejections)

    @property
    def bias(self) -> float | None:
        """How many times as often yes was forecast as it came."""
        return _ratio(self.hits + self.false_alarms, self.hits + self.misses)

    @property
    def threat_score(self) -> float | None:
        """Hits among all that was forecast or came."""
        return _ratio(self.hits, self.hits + self.misses + self.false_alarms)

    @property
    def peirce_skill(self) -> float | None:
        """Hit rate less false alarm rate."""
        if self.hit_rate is None or self.false_alarm_rate is None:
            return None
        return self.hit_rate - self.false_alarm_rate

    @property
    def heidke_skill(self) -> float | None:
        """Proportion correct, over that of chance agreement."""
        a, b, c, d = self.hits, self.false_alarms, self.misses, self.correct_rejections
        return _ratio(2 * (a * d - b * c), (a + c) * (c + d) + (a + b) * (b + d))

    @property
    def gilbert_skill(self) -> float | None:
        """Threat score, over that of chance agreement (equitable threat score)."""
        if not self.total:
            return None
        by_luck = (self.hits + self.false_alarms) * (self.hits + self.misses) / self.total
        return _ratio(self.hits - by_luck, self.hits + self.misses + self.false_alarms - by_luck)


def _ratio(over: float, under: float) -> float | None:
    return over / under if under else None


def contingency(said_yes: NDArray[np.bool_], came_yes: NDArray[np.bool_]) -> Contingency:
    """Count forecasts [P] of yes against what came [P]."""
    counts = (
        said_yes & came_yes,
        said_yes & ~came_yes,
        ~said_yes & came_yes,
        ~said_yes & ~came_yes,
    )
    return Contingency(*(int(np.count_nonzero(each)) for each in counts))


@dataclass(frozen=True)
class Bin:
    """Chances of one bin, and how many of them came true.

    Attributes
    ----------
    low, high : float
        Edges. [1]
    mean_chance : float
    hours : int
    days : int
        On which they were: hours of one day count as dependent.
    came_true : float
        How many came true; need not be whole (see `came_true_of`).
    share : Estimate
        Of those that came true.
    """

    low: float
    high: float
    mean_chance: float
    hours: int
    days: int
    came_true: float
    share: Estimate


@dataclass(frozen=True)
class SurveySkill:
    """How good chances were, held against the usual chance of month and hour in a survey.

    Attributes
    ----------
    hours, days : int
        With both chances, and with what came of them.
    brier, usual_brier : float or None
        Mean square error of the forecast's chance and of the usual one, over these hours.
    skill : Estimate
        1 is perfect, 0 as good as the usual chance, below 0 worse.
    factor : float
        That usual chances were taken times; 1 where the survey asked all that the watch asks. [1]
    """

    hours: int = 0
    days: int = 0
    brier: float | None = None
    usual_brier: float | None = None
    skill: Estimate = NOTHING
    factor: float = 1.0


@dataclass(frozen=True)
class ChanceScores:
    """How good chances were.

    Attributes
    ----------
    brier, climate_brier : float or None
        Mean square error of the chance, and of the sample's own share of hours that came true
        told for every hour.
    skill : Estimate
        1 is perfect, 0 as good as that share, below 0 worse.
    reliability, resolution, uncertainty : float or None
        Murphy's parts over the chances that occur: brier = reliability − resolution + uncertainty.
    bins : tuple of Bin
        Those that hold an hour.
    survey : SurveySkill
        Held against a survey of years; nothing where there is none.
    """

    hours: int = 0
    days: int = 0
    brier: float | None = None
    climate_brier: float | None = None
    skill: Estimate = NOTHING
    reliability: float | None = None
    resolution: float | None = None
    uncertainty: float | None = None
    bins: tuple[Bin, ...] = ()
    survey: SurveySkill = SurveySkill()


class Days:
    """Days as blocks: what is drawn anew are whole days, as their hours hang together.

    Parameters
    ----------
    day : array of int [P]
    seed : int
        Of the drawing; the same seed gives the same intervals.

    References
    ----------
    .. [1] H. R. Künsch, Annals of Statistics 17 (1989), 1217-1241, for drawing blocks.
    """

    def __init__(self, day: IntArray, seed: int = 0) -> None:
        self.names, self.index = np.unique(day, return_inverse=True)
        self.count = int(self.names.size)
        stream = np.random.Generator(np.random.Philox(key=seed))
        share = np.full(self.count, 1.0 / max(self.count, 1))
        #: How often each day is drawn [B, days].
        self.drawn: FloatArray = (
            stream.multinomial(self.count, share, size=DRAWN_ANEW).astype(np.float64)
            if self.count
            else np.zeros((DRAWN_ANEW, 0))
        )

    def sums(self, values: FloatArray) -> FloatArray:
        """Sum of values [P, ...] of each day [days, ...]; what is NaN counts nothing."""
        found = np.zeros((self.count, *values.shape[1:]))
        np.add.at(found, self.index, np.nan_to_num(values))
        return found

    def mean(self, values: FloatArray, root: bool = False) -> list[Estimate]:
        """Mean of each column of values [P, C] with its interval; its square root if wished."""
        known = np.isfinite(values)
        total, count = self.sums(values), self.sums(known.astype(np.float64))
        with np.errstate(invalid="ignore", divide="ignore"):
            middle = total.sum(axis=0) / count.sum(axis=0)
            drawn = (self.drawn @ total) / (self.drawn @ count)
        if root:
            middle, drawn = np.sqrt(middle), np.sqrt(drawn)
        days = (count > 0).sum(axis=0)
        return [
            NOTHING if n == 0 else Estimate(float(m), *_ends(each, int(n)))
            for m, each, n in zip(middle, drawn.T, days, strict=True)
        ]

    def quantile(self, values: FloatArray, share: float) -> Estimate:
        """Quantile of values [P] with its interval."""
        rows = np.flatnonzero(np.isfinite(values))
        if not rows.size:
            return NOTHING
        rows = rows[np.argsort(values[rows], kind="stable")]
        ordered, day = values[rows], self.index[rows]
        drawn = np.full(len(self.drawn), np.nan)
        for number, times in enumerate(self.drawn):  # one by one: all at once take much memory
            weight = np.cumsum(times[day])
            if weight[-1] > 0.0:
                drawn[number] = ordered[np.searchsorted(weight, share * weight[-1] - 1e-9)]
        return Estimate(float(np.quantile(ordered, share)), *_ends(drawn, int(np.unique(day).size)))

    def share(self, came: FloatArray, chosen: NDArray[np.bool_] | None = None) -> Estimate:
        """Share of yes among values [P] from 0 to 1, with Wilson's interval.

        The count behind it is that of independent hours: at least the days, at most the hours,
        by how much more the days differ than single hours would.
        """
        use = np.isfinite(came) if chosen is None else chosen & np.isfinite(came)
        hours = int(np.count_nonzero(use))
        if not hours:
            return NOTHING
        part = came[use]
        share = float(part.mean())
        day = self.index[use]
        off = np.bincount(day, weights=part - share, minlength=self.count)
        days = int(np.unique(day).size)
        variance = float(np.sum(off**2)) / hours**2 * days / max(days - 1, 1)
        alone = share * (1.0 - share)
        count = float(days) if variance <= 0.0 or alone <= 0.0 else alone / variance
        return Estimate(share, *wilson_interval(share, float(np.clip(count, days, hours))))


def _ends(drawn: FloatArray, days: int) -> tuple[float | None, float | None]:
    """Ends that hold 95 % of what was drawn; none where few days were drawn again and again."""
    known = drawn[np.isfinite(drawn)]
    if days < FEWEST_BLOCKS or not known.size:
        return None, None
    low, high = np.quantile(known, [0.025, 0.975])
    return float(low), float(high)


def came_true_of(chance_at_last: FloatArray) -> FloatArray:
    """What came of an hour's chance: the chance that the last word gave it. [1]

    Nobody saw the hour: its last word itself may be 70 %. To count that as true would teach that
    all chances should be sharper. Counted as 0.7 of an hour, good chances stay as they are; what
    was seen is 0 or 1, and all scores are then the usual ones.
    """
    return np.asarray(np.clip(chance_at_last, 0.0, 1.0))


def chance_scores(
    chance: FloatArray, came: FloatArray, days: Days, edges: tuple[float, ...] = BIN_EDGES
) -> ChanceScores:
    """Score chances [P] against what came [P], both from 0 to 1; rows with NaN are left out.

    References
    ----------
    .. [1] G. W. Brier, Monthly Weather Review 78 (1950), 1-3; half of the score as printed there.
    .. [2] A. H. Murphy, Journal of Applied Meteorology 12 (1973), 595-600, for the parts.
    """
    known = np.isfinite(chance) & np.isfinite(came)
    p, o = np.where(known, chance, np.nan), np.where(known, came, np.nan)
    hours = int(np.count_nonzero(known))
    if not hours:
        return ChanceScores()
    each = p**2 - 2.0 * p * o + o  # the expected square, where what came is itself a chance
    base = float(o[known].mean())
    brier, climate = float(each[known].mean()), base * (1.0 - base)
    reliability, resolution = _murphy(p[known], o[known], base)
    return ChanceScores(
        hours,
        int(np.unique(days.index[known]).size),
        brier,
        climate,
        _skill(each, o, days, brier, climate),
        reliability,
        resolution,
        climate,
        _bins(p, o, days, edges),
    )


def survey_skill(
    chance: FloatArray, came: FloatArray, usual: FloatArray, days: Days, *, laxer: bool = False
) -> SurveySkill:
    """Score chances [P] and usual ones [P] against what came [P]; rows with a NaN are left out.

    With `laxer` usual chances are taken times the factor from 0 to 1 that fits what came best, by
    least squares: of all such factors it gives the least skill.

    References
    ----------
    .. [1] D. S. Wilks, "Statistical Methods in the Atmospheric Sciences", section on the Brier
       score: BSS = 1 − BS / BS_reference.
    """
    known = np.isfinite(chance) & np.isfinite(came) & np.isfinite(usual)
    hours = int(np.count_nonzero(known))
    if not hours:
        return SurveySkill()
    p, o, c = (np.where(known, each, np.nan) for each in (chance, came, usual))
    square = float(np.nansum(c**2))
    factor = min(1.0, float(np.nansum(c * o)) / square) if laxer and square > 0.0 else 1.0
    # as in `chance_scores`
    said, told = (x**2 - 2.0 * x * o + o for x in (p, factor * c))
    brier, usual_brier = float(np.nanmean(said)), float(np.nanmean(told))
    seen = int(np.unique(days.index[known]).size)
    skill = NOTHING
    if usual_brier > 0.0:
        with np.errstate(invalid="ignore", divide="ignore"):
            drawn = 1.0 - (days.drawn @ days.sums(said)) / (days.drawn @ days.sums(told))
        skill = Estimate(1.0 - brier / usual_brier, *_ends(drawn, seen))
    return SurveySkill(hours, seen, brier, usual_brier, skill, factor)


def _murphy(p: FloatArray, o: FloatArray, base: float) -> tuple[float, float]:
    """Reliability and resolution over the chances that occur."""
    values, index = np.unique(p, return_inverse=True)
    count = np.bincount(index).astype(np.float64)
    share = np.bincount(index, weights=o) / count
    reliability = float(np.sum(count * (values - share) ** 2) / p.size)
    return reliability, float(np.sum(count * (share - base) ** 2) / p.size)


def _skill(each: FloatArray, o: FloatArray, days: Days, brier: float, climate: float) -> Estimate:
    if climate <= 0.0:
        return NOTHING  # all came, or none: nothing can be better than saying so
    count = days.drawn @ days.sums(np.isfinite(o).astype(np.float64))
    with np.errstate(invalid="ignore", divide="ignore"):
        base = (days.drawn @ days.sums(o)) / count
        drawn = 1.0 - (days.drawn @ days.sums(each)) / count / (base * (1.0 - base))
    seen = int(np.unique(days.index[np.isfinite(o)]).size)
    return Estimate(1.0 - brier / climate, *_ends(drawn, seen))


def _bins(p: FloatArray, o: FloatArray, days: Days, edges: tuple[float, ...]) -> tuple[Bin, ...]:
    found = []
    for number, (low, high) in enumerate(pairwise(edges)):
        inside = (p > low) & (p <= high) if number else (p >= low) & (p <= high)
        hours = int(np.count_nonzero(inside))
        if hours:
            found.append(Bin(
                low, high, float(p[inside].mean()), hours,
                int(np.unique(days.index[inside]).size), float(o[inside].sum()),
                days.share(o, inside),
            ))  # fmt: skip
    return tuple(found)
