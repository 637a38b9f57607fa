"""Shares of flights, and how far they can be trusted."""

import numpy as np
from numpy.typing import NDArray

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
