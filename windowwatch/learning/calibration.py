"""What a chance is worth: it is mended where many days say so, and left alone where they do not.

Named rules
-----------
two numbers
    The mended chance is ``logit p' = a + b logit p`` (Cox 1958): rising with p for every b above
    0, so no two hours change their order. Chances of exactly 0 stay 0: most are of hours that the
    sun or a rule forbids.
few days, small step
    The two numbers have a prior round "nothing to mend" (a = 0, b = 1) and move from it by how
    sure the days are, each day being one block (White's covariance by clusters).
flown the same way
    Chances are learned of passes that were flown with the same kind of error tables as the next
    ones: memory's, or learned ones. After a change of it, days are counted anew.
left alone unless
    Below `FEWEST_DAYS`, or where chance alone would show as much as once in a hundred repeats, no
    chance is changed.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from windowwatch.units import FloatArray

IntArray = NDArray[np.intp]

#: Spans of lead that are mended apart, from and up to. [h] Judgement.
SPANS_H = ((0.0, 36.0), (36.0, 96.0), (96.0, 400.0))
#: Fewer days mend nothing. [d] Judgement.
FEWEST_DAYS = 12
#: How far the two numbers may be expected from 0 and 1. [1] Judgement.
PRIOR_SIGMA = (0.7, 0.5)
#: How rarely chance alone may mend what needs none. [1] Judgement.
LEVEL = 0.01
#: Chances are kept so far from 0 and 1 where odds are made of them. [1] About half a flight of 32.
_EDGE = 0.015
#: Never flatter than this, so that order stays. [1]
_LEAST_SLOPE = 0.05


@dataclass(frozen=True)
class ChanceMap:
    """How a chance at some leads is mended.

    Attributes
    ----------
    model : str
        Weather model whose chances these are.
    lead_from_h, lead_until_h : float
        [h]
    days, hours : int
        What it was learned from.
    shift, slope : float
        The two numbers, after shrinking; 0 and 1 change nothing.
    found_shift, found_slope : float
        As the days alone say.
    mends : bool
        Whether a chance is changed at all.
    """

    model: str
    lead_from_h: float
    lead_until_h: float
    days: int
    hours: int
    shift: float = 0.0
    slope: float = 1.0
    found_shift: float = 0.0
    found_slope: float = 1.0
    mends: bool = False

    def mended(self, chance: FloatArray) -> FloatArray:
        """Chances as they are worth; NaN stays NaN, and 0 stays 0."""
        if not self.mends:
            return chance
        odds = self.shift + self.slope * _logit(chance)
        return np.where(chance <= 0.0, chance, 1.0 / (1.0 + np.exp(-odds)))


def _logit(chance: FloatArray) -> FloatArray:
    inside = np.clip(chance, _EDGE, 1.0 - _EDGE)
    return np.asarray(np.log(inside / (1.0 - inside)))


def fit_map(
    model: str,
    span_h: tuple[float, float],
    chance: FloatArray,
    came: FloatArray,
    day: IntArray,
) -> ChanceMap:
    """Learn how chances [P] are to be mended from what came [P] on days [P]."""
    use = np.isfinite(chance) & np.isfinite(came) & (chance > 0.0)
    index = np.unique(day[use], return_inverse=True)[1]
    days, hours = int(index.max()) + 1 if index.size else 0, int(index.size)
    plain = ChanceMap(model, *span_h, days, hours)
    if days < FEWEST_DAYS:
        return plain
    design = np.stack([np.ones(hours), _logit(chance[use])], axis=1)
    if np.ptp(design[:, 1]) < 1e-6:
        return plain
    found, covariance = logistic(design, came[use], index)
    off = found - np.array([0.0, 1.0])
    distance = float(off @ np.linalg.solve(covariance, off))
    # Hotelling's: two numbers out of so many blocks; the point of F(2, d) has a closed form
    free = days - 2.0
    point = 2.0 * (days - 1.0) / free * (free / 2.0) * (LEVEL ** (-2.0 / free) - 1.0)
    prior = np.diag(np.square(PRIOR_SIGMA))
    shrunk = prior @ np.linalg.solve(prior + covariance, off) + np.array([0.0, 1.0])
    mends = distance > point
    return ChanceMap(
        model, *span_h, days, hours,
        float(shrunk[0]) if mends else 0.0,
        max(float(shrunk[1]), _LEAST_SLOPE) if mends else 1.0,
        float(found[0]), float(found[1]), mends,
    )  # fmt: skip


def logistic(
    design: FloatArray, came: FloatArray, block: IntArray, ridge: float = 1e-3
) -> tuple[FloatArray, FloatArray]:
    """Logistic regression by Newton's steps, and its covariance by blocks.

    Parameters
    ----------
    design : array [P, C]
    came : array [P]
        From 0 to 1.
    block : array of int [P]
        Rows of one block hang together.
    ridge : float
        Penalty on half the square of each number, so that one is found also where all came true.

    References
    ----------
    .. [1] D. R. Cox, Biometrika 45 (1958), 562-565, for the two numbers of a chance.
    .. [2] H. White, "Asymptotic Theory for Econometricians" (1984), for covariances by clusters;
       from memory.
    """
    found = np.zeros(design.shape[1])
    for _ in range(50):
        p = 1.0 / (1.0 + np.exp(-np.clip(design @ found, -30.0, 30.0)))
        slope = design.T @ (came - p) - ridge * found
        bend = (design * (p * (1.0 - p))[:, None]).T @ design + ridge * np.eye(found.size)
        step = np.linalg.solve(bend, slope)
        found = found + np.clip(step, -2.0, 2.0)
        if np.max(np.abs(step)) < 1e-10:
            break
    p = 1.0 / (1.0 + np.exp(-np.clip(design @ found, -30.0, 30.0)))
    scores = np.zeros((int(block.max()) + 1, found.size))
    np.add.at(scores, block, design * (came - p)[:, None])
    blocks = scores.shape[0]
    inside = scores.T @ scores * blocks / (blocks - 1.0)
    outside = np.linalg.inv(bend)
    # never surer than to a thirtieth: where all days agree the blocks alone would say nought
    return found, outside @ inside @ outside + 1e-3 * np.eye(found.size)
