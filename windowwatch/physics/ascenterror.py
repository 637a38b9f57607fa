"""How wrong the ascent rate is from height to height, once lift and drag are known low down."""

from dataclasses import dataclass

import numpy as np

from windowwatch.errors import InputError
from windowwatch.units import FloatArray


@dataclass(frozen=True)
class AscentErrorModel:
    """Error of the logarithm of the ascent rate: its size by height and how it hangs together.

    Parameters
    ----------
    height_m : array [K]
        Rising; held beyond the ends. [m]
    log_sigma : array [K]
        Standard deviation of the rate's natural logarithm. [1]
    correlation_m : float
        Height over which its correlation falls to 1/e. [m]
    source : str
        Where the numbers come from.
    """

    height_m: tuple[float, ...]
    log_sigma: tuple[float, ...]
    correlation_m: float
    source: str

    def __post_init__(self) -> None:
        if len(self.height_m) != len(self.log_sigma) or not self.height_m:
            raise InputError("the table of ascent errors needs one size for each height")
        if not (np.all(np.asarray(self.log_sigma) >= 0.0) and self.correlation_m > 0.0):
            raise InputError("errors of the ascent and their correlation height cannot be negative")

    def covariance(self, height_m: FloatArray) -> FloatArray:
        """Covariance between heights, array [height, height]. [1]"""
        sigma = np.interp(height_m, self.height_m, self.log_sigma)
        apart = np.abs(height_m[:, np.newaxis] - height_m[np.newaxis, :])
        return np.asarray(sigma[:, np.newaxis] * np.exp(-apart / self.correlation_m) * sigma)


#: Real ascents against the drag curve, lift fitted to their lowest 3 km: our fit to nine of
#: eighteen at Darwin (those that the curve itself was fitted to), checked on the other nine and
#: on one at another station by tests/physics/test_ascent_error.py. Root mean squares in layers,
#: mean included. Below 3 km the fitted lift takes most of the error away; there the draws of
#: lift and drag stand for it. The bulge at 12 to 19 km is of a tropical tropopause; kept for
#: every latitude, a judgement. The correlation height is the fit's 8 to 10 km, rounded.
ASCENT_ERROR = AscentErrorModel(
    height_m=(0.0, 3_000.0, 4_500.0, 9_000.0, 13_000.0, 19_000.0, 22_000.0),
    log_sigma=(0.03, 0.06, 0.19, 0.24, 0.29, 0.29, 0.12),
    correlation_m=8_000.0,
    source="our fit to nine real ascents",
)
