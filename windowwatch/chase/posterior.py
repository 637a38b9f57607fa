"""What is not known before a flight, updated by what the flight has shown. Pure.

Everything that a flight hangs on is drawn before it (`windowwatch.physics.spread`): lift, drag,
rise by height, burst, canopy, and the error of the forecast wind at every height. All of them
are normal, or lognormal, and what a track measures is nearly linear in them. So the update is the
best linear one: optimal interpolation [1]_, which is the Kalman filter's analysis [2]_ and
regression by a Gaussian process. With prior mean m and covariance P, measurements y = H x + e
and the covariance R of e,

    K = P Hᵀ (H P Hᵀ + R)⁻¹,    m' = m + K (y - H m),    P' = (I - K H) P.

wind
    x is the error of one component of the forecast wind at knots a kilometre apart; y is the
    speed of the train through a layer less the forecast's mean wind along the same way; H is the
    mean over the layer of straight lines between knots; P is that of
    `windowwatch.physics.winderror` at the lead time. East and north have the same P and H.
    A wind measured on the way up will be met again on the way down, later and elsewhere. From
    the one to the other the error forgets itself: x' = r x + (1 - r²)^½ n, with n drawn from P
    anew and r by height such that winds at one height differ by `WindGrowth` after that time and
    distance. Winds measured on the way down are of now.
rise
    x is the logarithm of lift and drag factors, each in its standard deviations, and that of the
    rise by height; y is the logarithm of the measured over the reckoned rate of rise.
burst
    That it has not burst yet leaves, of each draw's lognormal burst diameter, the part above its
    diameter at the last report.
canopy
    y is the logarithm of the measured over the reckoned rate of fall, which is minus half that
    of the canopy's factor.

References
----------
.. [1] L. S. Gandin, "Objective Analysis of Meteorological Fields" (1963), chapter 3 (from
   memory).
.. [2] R. E. Kalman, Journal of Basic Engineering 82 (1960) 35-45, for the recursion.
"""

from dataclasses import dataclass
from functools import cached_property
from statistics import NormalDist

import numpy as np

from windowwatch.physics.ascenterror import ASCENT_ERROR, AscentErrorModel
from windowwatch.physics.train import FlightTrain
from windowwatch.physics.winderror import WindErrorModel
from windowwatch.units import FloatArray

#: Heights at which errors of wind and rise are known, linear between. [m]
KNOT_M: FloatArray = np.arange(0.0, 42_001.0, 1_000.0)
#: Share of the wind error's variance that knots a kilometre apart do not show in a layer. [1]
#: Judgement.
_UNRESOLVED = 0.04
#: By how much a rate of fall differs from its law: what all measured layers share of it (density,
#: mass, another law below), and what each has of its own. [1] Judgement.
FALL_SHARED, FALL_BY_LAYER = 0.03, 0.05


@dataclass(frozen=True)
class WindGrowth:
    """By how much a measured wind differs from the wind at that height later, or elsewhere.

    Parameters
    ----------
    height_m, six_hours_mps : tuple of float
        Root mean square of the difference vector after six hours, by height; held beyond.
    exponent : float
        Its square grows with this power of time. [1]
    per_100_km_mps : float
        Root mean square of the difference vector at 100 km, whose square grows with distance.
    source : str
    """

    height_m: tuple[float, ...]
    six_hours_mps: tuple[float, ...]
    exponent: float
    per_100_km_mps: float
    source: str

    def variance(self, height_m: FloatArray, apart_s: FloatArray, apart_m: FloatArray
                 ) -> FloatArray:  # fmt: skip
        """Variance of the difference of one component. [m² s⁻²]"""
        six = np.interp(height_m, self.height_m, self.six_hours_mps) ** 2
        in_time = six * (np.maximum(apart_s, 0.0) / 21_600.0) ** self.exponent
        in_space = self.per_100_km_mps**2 * np.maximum(apart_m, 0.0) / 1e5
        return np.asarray(0.5 * (in_time + in_space))


#: Differences of real soundings at one station 6, 12, 18 and 24 h apart (Darwin, monsoon, the
#: earlier half of January 19 to 24, 2006; act-atmos carries the files), over layers of half a
#: kilometre; sizes at 6 h, the exponent between 6 and 24 h. Held against the later half by
#: tests/chase/test_twins.py, whose weather changed up to 1.7 times as much. For shorter times
#: the law is taken to go on. The growth with distance is the sum of both structure functions of
#: E. Lindborg, J. Fluid Mech. 388 (1999) 259-288, at 100 km (from memory, order of magnitude).
WIND_GROWTH = WindGrowth(
    height_m=(750.0, 2_750.0, 6_000.0, 10_000.0, 14_000.0, 18_000.0, 22_000.0),
    six_hours_mps=(5.0, 5.0, 5.7, 5.7, 6.3, 5.9, 5.1),
    exponent=0.75,
    per_100_km_mps=4.0,
    source="differences of real soundings 6 to 24 h apart; with distance from memory",
)

#: Nothing changes: for a truth that stands still.
NO_GROWTH = WindGrowth((0.0,), (0.0,), 1.0, 0.0, "the truth stands still")


@dataclass(frozen=True)
class Normal:
    """A normal distribution: mean [K] and covariance [K, K]."""

    mean: FloatArray
    covariance: FloatArray

    @cached_property
    def root(self) -> FloatArray:
        """Square root of the covariance [K, K]."""
        values, vectors = np.linalg.eigh(self.covariance)
        return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)))


def condition(prior: Normal, shows: FloatArray, measured: FloatArray, noise: FloatArray) -> Normal:
    """Optimal interpolation: a normal distribution given linear measurements.

    Parameters
    ----------
    prior : Normal [K]
    shows : array [L, K]
        Which combination of the unknown each measurement is of.
    measured : array [L]
    noise : array [L, L] or [L]
        Covariance of the measurements' errors, or their variances.

    Returns
    -------
    Normal [K]
        The prior itself without measurements.
    """
    if measured.size == 0:
        return prior
    error = np.diag(noise) if noise.ndim == 1 else noise
    seen = prior.covariance @ shows.T
    gain = np.linalg.solve(shows @ seen + error, seen.T).T
    mean = prior.mean + gain @ (measured - shows @ prior.mean)
    # Joseph's form: stays a covariance however small the noise is
    keep = np.eye(prior.mean.size) - gain @ shows
    covariance = keep @ prior.covariance @ keep.T + gain @ error @ gain.T
    return Normal(mean, 0.5 * (covariance + covariance.T))


def forget(known: Normal, prior: Normal, kept: FloatArray) -> Normal:
    """What is known of a state after a part `kept` [K] of it has been kept, the rest drawn anew."""
    new = np.sqrt(np.maximum(1.0 - kept**2, 0.0))
    covariance = kept[:, None] * known.covariance * kept + new[:, None] * prior.covariance * new
    return Normal(prior.mean + kept * (known.mean - prior.mean), covariance)


def kept_share(
    growth: WindGrowth, prior: Normal, apart_s: FloatArray, apart_m: FloatArray
) -> FloatArray:
    """Correlation [K] of the wind error at knots with itself after time and distance."""
    own = np.maximum(np.diag(prior.covariance), 1e-9)
    changed = growth.variance(KNOT_M, apart_s, apart_m)
    return np.asarray(np.clip(1.0 - changed / (2.0 * own), 0.0, 1.0))


def hats(height_m: FloatArray) -> FloatArray:
    """Weights of the knots, the mean over points along layers: [L, points] to [L, K]."""
    spot = np.clip(height_m, KNOT_M[0], KNOT_M[-1]) / (KNOT_M[1] - KNOT_M[0])
    low = np.minimum(spot.astype(np.intp), KNOT_M.size - 2)
    share = spot - low
    found = np.zeros((height_m.shape[0], KNOT_M.size))
    rows = np.broadcast_to(np.arange(height_m.shape[0])[:, None], height_m.shape)
    np.add.at(found, (rows, low), 1.0 - share)
    np.add.at(found, (rows, low + 1), share)
    return np.asarray(found / height_m.shape[1])


def wind_prior(model: WindErrorModel, lead_hours: float) -> Normal:
    """What is known of one component's error before the flight."""
    covariance = model.covariance(np.array([lead_hours]), KNOT_M)[0]
    return Normal(np.zeros(KNOT_M.size), covariance)


def unresolved(prior: Normal, shows: FloatArray) -> FloatArray:
    """Variance [L] that knots do not show of what a layer measures. [m² s⁻²]"""
    return np.asarray(_UNRESOLVED * shows @ np.diag(prior.covariance))


#: Of the rise: lift and drag, in their standard deviations, then the knots.
_LIFT, _DRAG, _KNOTS = 0, 1, 2


def rise_prior(model: AscentErrorModel = ASCENT_ERROR) -> Normal:
    """What is known of the rise before the flight."""
    size = _KNOTS + KNOT_M.size
    covariance = np.zeros((size, size))
    covariance[_LIFT, _LIFT] = covariance[_DRAG, _DRAG] = 1.0
    covariance[_KNOTS:, _KNOTS:] = model.covariance(KNOT_M)
    return Normal(np.zeros(size), covariance)


def rise_shows(train: FlightTrain, layers: FloatArray) -> FloatArray:
    """Which combination of lift, drag and knots a logarithm of a rate of rise is of, [L, 2 + K].

    `layers` are the knots' weights [L, K]. The rate goes with the root of free lift over drag,
    and with minus a third of the balloon's size in total lift.
    """
    nozzle, total = train.nozzle_lift_kg, train.total_lift_kg
    by_lift = 0.5 * nozzle / train.free_lift_kg - nozzle / total / 3.0
    count = layers.shape[0]
    lift = np.full((count, 1), by_lift * train.lift_sigma)
    drag = np.full((count, 1), -0.5 * train.drag_sigma)
    return np.concatenate([lift, drag, layers], axis=1)


def canopy_given(
    train: FlightTrain, log_ratio: FloatArray, noise: FloatArray, *, free: bool
) -> Normal:
    """Logarithm of the canopy's factor, given those of measured over reckoned rates of fall.

    `free`: it may have no canopy at all, and its factor is hardly known before.
    """
    sigma = 3.0 if free else train.canopy_sigma
    prior = Normal(np.zeros(1), np.array([[sigma**2]]))
    shows = np.full((log_ratio.size, 1), -0.5)
    return condition(prior, shows, log_ratio, np.diag(noise) + FALL_SHARED**2)


def above(normal: FloatArray, least: FloatArray) -> FloatArray:
    """Unit normals [D] turned into ones above `least` [D], by equal shares of what is left."""
    law = NormalDist()
    found = np.empty_like(normal)
    for i, (z, low) in enumerate(zip(normal.tolist(), least.tolist(), strict=True)):
        if low < -8.0:
            found[i] = z
            continue
        below = law.cdf(min(low, 7.5))
        share = below + law.cdf(z) * (1.0 - below)
        found[i] = max(low, law.inv_cdf(min(max(share, 1e-15), 1.0 - 1e-15)))
    return found


def drawn(normal: Normal, unit: FloatArray) -> FloatArray:
    """Draws [D, K] of a normal distribution, of unit normals [D, K]."""
    return np.asarray(normal.mean + unit @ normal.root.T)
