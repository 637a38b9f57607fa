"""Standard normal deviates of draws, against SciPy's inverse of the normal distribution."""

import numpy as np
from scipy.special import ndtri

from windowwatch.physics.spread import _normal


def test_deviates_are_those_of_the_normal_distribution() -> None:
    evenly = np.random.default_rng(2).random(20_000)
    edges = np.array([1e-12, 1e-9, 1e-4, 9.99e-4, 1e-3, 1.001e-3, 0.5, 0.999, 1.0 - 1e-6])
    probability = np.concatenate([evenly, edges]).reshape(-1, 1)
    assert np.abs(_normal(probability) - ndtri(probability)).max() < 2e-6
    assert _normal(np.array([0.5]))[0] == 0.0
