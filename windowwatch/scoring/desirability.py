"""From a value to how desirable it is, and from many of these to one.

References
----------
.. [1] G. Derringer, R. Suich, "Simultaneous Optimization of Several Response Variables",
   Journal of Quality Technology 12 (1980) 214-219.
.. [2] NIST/SEMATECH e-Handbook of Statistical Methods, section 5.5.3.2.2.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from windowwatch.errors import InputError

FloatArray = NDArray[np.float64]


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
