"""How wrong a forecast of the wind aloft is, by height and lead time."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from windowwatch.errors import InputError
from windowwatch.units import FloatArray


@dataclass(frozen=True)
class Shown:
    """What the members of an ensemble show of a forecast's error.

    Attributes
    ----------
    variance : array [N] or [N, K]
        Between members, with one less than their number below the line; 0 for a single run.
    members : array of int, same shape
        How many it rests on.
    """

    variance: FloatArray
    members: NDArray[np.intp]

    @property
    def unseen(self) -> FloatArray:
        """Variance that so few members lack about their own mean: 1/members of it."""
        return np.asarray(self.variance / np.maximum(self.members, 1))


@dataclass(frozen=True)
class WindErrorModel:
    """Error of each wind component: its size and how it hangs together in height.

    The error has two parts: a small-scale one, and one of the whole flow, which is in the wrong
    place or too strong through many kilometres at once.

    Parameters
    ----------
    lead_hours : array [R]
        Rising. Beyond the last row its values are held; before the first likewise. [h]
    height_m : array [K]
        Rising; held beyond the ends. [m]
    vector_rmse_mps : array [R, K]
        Root mean square length of the error vector. [m s⁻¹]
    correlation_m : float
        Height over which the correlation of the small-scale part falls to 1/e. [m]
    growth_per_km : float
        Fraction by which the error grows for each kilometre above the forecast's top.
    source : str
        Where the numbers come from.
    flow_share : array [R], optional
        Share of the error's variance that is of the whole flow; none of it if left out. [1]
    flow_correlation_m : array [R], optional
        Height over which the correlation of that part falls to 1/e. [m]
    """

    lead_hours: tuple[float, ...]
    height_m: tuple[float, ...]
    vector_rmse_mps: tuple[tuple[float, ...], ...]
    correlation_m: float
    growth_per_km: float
    source: str
    flow_share: tuple[float, ...] = ()
    flow_correlation_m: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        table = np.asarray(self.vector_rmse_mps)
        if table.shape != (len(self.lead_hours), len(self.height_m)):
            raise InputError(f"the wind-error table has shape {table.shape}; axes say otherwise")
        if not (np.all(table >= 0.0) and self.correlation_m > 0.0 and self.growth_per_km >= 0.0):
            raise InputError("wind errors, correlation height and growth cannot be negative")
        rows = len(self.lead_hours) if self.flow_share or self.flow_correlation_m else 0
        if not len(self.flow_share) == len(self.flow_correlation_m) == rows:
            raise InputError("share and correlation height of the flow are one for each lead time")
        share, length = np.asarray(self.flow_share), np.asarray(self.flow_correlation_m)
        if not (np.all((share >= 0.0) & (share <= 1.0)) and np.all(length > 0.0)):
            raise InputError("shares of the flow lie in 0 to 1, its correlation height above zero")

    def component_sigma_mps(self, lead_hours: FloatArray, height_m: FloatArray) -> FloatArray:
        """Standard deviation of one component, array [lead, height]. [m s⁻¹]

        The vector's root mean square over the root of two: the error has no preferred
        direction.
        """
        table = np.asarray(self.vector_rmse_mps)
        by_height = np.stack([np.interp(height_m, self.height_m, row) for row in table])
        lead = np.clip(lead_hours, self.lead_hours[0], self.lead_hours[-1])
        row = np.interp(lead, self.lead_hours, np.arange(len(self.lead_hours)))
        early = np.minimum(row.astype(np.intp), max(len(self.lead_hours) - 2, 0))
        later = np.minimum(early + 1, len(self.lead_hours) - 1)
        share = (row - early)[:, np.newaxis]
        return np.asarray(
            (by_height[early] + share * (by_height[later] - by_height[early])) / np.sqrt(2.0)
        )

    def covariance(
        self,
        lead_hours: FloatArray,
        height_m: FloatArray,
        shown: Shown | None = None,
    ) -> FloatArray:
        """Covariance between heights of what is to be drawn of one component.

        Parameters
        ----------
        lead_hours : array [N]
        height_m : array [K]
        shown : Shown, optional
            What an ensemble's members already show of the error, [N, K].

        Returns
        -------
        array [N, K, K]
            [m² s⁻²]

        Notes
        -----
        Members differ by the whole flow, as far as their grid can show it: their variance is
        taken off that part first, and off the small-scale one only where it is more. Flights of
        all members and draws together have the table's variance, or the ensemble's own where
        that is larger.
        """
        whole = self.component_sigma_mps(lead_hours, height_m) ** 2
        share, length = np.zeros(lead_hours.size), np.ones(lead_hours.size)
        if self.flow_share:
            share = np.interp(lead_hours, self.lead_hours, self.flow_share)
            length = np.interp(lead_hours, self.lead_hours, self.flow_correlation_m)
        flow = share[:, np.newaxis] * whole
        small = whole - flow
        if shown is not None:
            more = np.maximum(shown.variance - flow, 0.0)
            flow = np.maximum(flow - shown.variance, 0.0) + shown.unseen
            small = np.maximum(small - more, 0.0)
        apart = np.abs(height_m[:, np.newaxis] - height_m[np.newaxis, :])
        near = np.exp(-apart / self.correlation_m)
        far = np.exp(-apart / length[:, np.newaxis, np.newaxis])
        return _scaled(near, small) + _scaled(far, flow)


def _scaled(correlation: FloatArray, variance: FloatArray) -> FloatArray:
    """Covariance of a correlation [.., K, K] and variances [.., K]."""
    sigma = np.sqrt(variance)
    return np.asarray(sigma[..., :, np.newaxis] * correlation * sigma[..., np.newaxis, :])


def modes(covariance: FloatArray) -> FloatArray:
    """Square root of covariances, array [.., height, mode].

    Independent unit normals times this have the covariance; the first modes carry most of it, so
    balanced draws of them balance landings. Each mode's largest value is positive, whatever the
    linear algebra of a machine says.
    """
    values, vectors = np.linalg.eigh(covariance)
    values, vectors = values[..., ::-1], vectors[..., ::-1]
    largest = np.take_along_axis(vectors, np.abs(vectors).argmax(-2)[..., np.newaxis, :], -2)
    root = np.sqrt(np.maximum(values, 0.0))[..., np.newaxis, :]
    return np.asarray(vectors * np.where(largest < 0.0, -1.0, 1.0) * root)


#: Forecast against what balloons meet, global models, northern extratropics. Columns are
#: the heights of 850, 500, 250, 100, 50 and 10 hPa in the standard atmosphere; rows are
#: lead times. All numbers from memory of published verification against radiosondes
#: (order of magnitude); they include the 2 to 3 m/s by which a point differs from a grid
#: box. The first row is half-way between that and day 1; day 7 goes on as day 3 to day 5.
#: How the error hangs together in height is our fit to two things that stand for it, checked on
#: others of their kind by tests/physics/test_coverage.py. One is differences of real soundings
#: 6 to 72 h apart at one station (Darwin, the earlier half of the pairs). The other is the winds
#: of one real GFS step less the same winds displaced by 2.5 to 7.5 degrees of longitude or 2.5
#: to 5 of latitude (30 to 60 degrees north, western half), each taken for the lead time at which
#: the table is as large, 45 to 168 h. Judgement: that either stands for a forecast's error (a
#: displaced field is of the flow alone, and of one day's weather); and that the flow has a share
#: of 0.2 in an analysis already and 0.95 at day 7, where the fits have almost none and all of it.
FORECAST_ERROR = WindErrorModel(
    lead_hours=(0.0, 24.0, 48.0, 72.0, 120.0, 168.0),
    height_m=(1_458.0, 5_579.0, 10_380.0, 16_221.0, 20_643.0, 31_207.0),
    vector_rmse_mps=(
        (2.7, 2.9, 3.8, 2.9, 2.8, 4.4),
        (3.0, 3.3, 4.5, 3.2, 3.0, 5.0),
        (3.7, 4.4, 6.2, 3.9, 3.4, 5.5),
        (4.6, 5.8, 8.3, 4.7, 3.9, 6.0),
        (6.8, 9.0, 13.0, 6.5, 5.2, 7.5),
        (9.0, 12.2, 17.7, 8.3, 6.5, 9.0),
    ),
    correlation_m=1_700.0,
    growth_per_km=0.1,
    source=(
        "sizes from memory: order of magnitude of published scores against radiosondes; shapes "
        "fitted to differences of soundings and to displaced fields of one real step"
    ),
    flow_share=(0.2, 0.35, 0.5, 0.6, 0.8, 0.95),
    flow_correlation_m=(8_000.0, 10_000.0, 11_000.0, 12_000.0, 12_000.0, 12_500.0),
)

#: A sounding six hours old taken as the forecast. Fitted to the first nine of eighteen pairs
#: of real soundings (Darwin, monsoon, January 2006) and checked on the other nine by
#: tests/physics/test_soundings.py. An upper bound for any useful six-hour forecast.
SIX_HOUR_OLD_SOUNDING = WindErrorModel(
    lead_hours=(6.0,),
    height_m=(750.0, 2_750.0, 6_000.0, 10_000.0, 14_000.0, 18_000.0, 22_500.0, 28_000.0),
    vector_rmse_mps=((5.7, 5.4, 5.8, 5.9, 6.9, 6.3, 6.1, 9.3),),
    correlation_m=1_500.0,
    growth_per_km=0.0,
    source="our fit to nine pairs of real soundings six hours apart",
)


@dataclass(frozen=True)
class SurfaceErrorModel:
    """Error of the forecast wind speed 10 m above ground, by lead time.

    Parameters
    ----------
    lead_hours : tuple of float
        Rising; values are held beyond the ends. [h]
    speed_rmse_mps : tuple of float
        Root mean square error of the speed. [m s⁻¹]
    source : str
        Where the numbers come from.
    """

    lead_hours: tuple[float, ...]
    speed_rmse_mps: tuple[float, ...]
    source: str

    def __post_init__(self) -> None:
        if len(self.lead_hours) != len(self.speed_rmse_mps) or not self.lead_hours:
            raise InputError("the surface-error table needs one error for each lead time")
        if not np.all(np.asarray(self.speed_rmse_mps) >= 0.0):
            raise InputError("errors of the surface wind cannot be negative")

    def sigma_mps(self, lead_hours: FloatArray) -> FloatArray:
        """Standard deviation at each lead time. [m s⁻¹]"""
        return np.asarray(np.interp(lead_hours, self.lead_hours, self.speed_rmse_mps))


#: Global models against stations. The level of the first day is that of a public 30-day
#: comparison in northern Europe (2.0 to 2.5 m/s for models of 9 to 13 km); the growth with
#: lead time is from memory. It includes what is peculiar to each station.
SURFACE_ERROR = SurfaceErrorModel(
    lead_hours=(0.0, 24.0, 72.0, 120.0, 168.0),
    speed_rmse_mps=(1.8, 2.0, 2.4, 2.9, 3.3),
    source="day 1: one public comparison; growth: from memory",
)
