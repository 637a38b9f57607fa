"""How wrong a forecast of the wind aloft is, by height and lead time."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from windowwatch.errors import InputError

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class WindErrorModel:
    """Error of each wind component: its size and how it hangs together in height.

    Parameters
    ----------
    lead_hours : array [R]
        Rising. Beyond the last row its values are held; before the first likewise. [h]
    height_m : array [K]
        Rising; held beyond the ends. [m]
    vector_rmse_mps : array [R, K]
        Root mean square length of the error vector. [m s⁻¹]
    correlation_m : float
        Height over which the correlation of the error falls to 1/e. [m]
    growth_per_km : float
        Fraction by which the error grows for each kilometre above the forecast's top.
    source : str
        Where the numbers come from.
    """

    lead_hours: tuple[float, ...]
    height_m: tuple[float, ...]
    vector_rmse_mps: tuple[tuple[float, ...], ...]
    correlation_m: float
    growth_per_km: float
    source: str

    def __post_init__(self) -> None:
        table = np.asarray(self.vector_rmse_mps)
        if table.shape != (len(self.lead_hours), len(self.height_m)):
            raise InputError(f"the wind-error table has shape {table.shape}; axes say otherwise")
        if not (np.all(table >= 0.0) and self.correlation_m > 0.0 and self.growth_per_km >= 0.0):
            raise InputError("wind errors, correlation height and growth cannot be negative")

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

    def modes(self, height_m: FloatArray) -> FloatArray:
        """Square root of the correlation between heights, array [height, mode].

        Independent unit normals times this are correlated as exp(-distance / length); the
        first modes carry most of the error, so balanced draws of them balance landings.
        """
        apart = np.abs(height_m[:, np.newaxis] - height_m[np.newaxis, :])
        values, vectors = np.linalg.eigh(np.exp(-apart / self.correlation_m))
        order = np.argsort(-values)
        return np.asarray(vectors[:, order] * np.sqrt(np.maximum(values[order], 0.0)))


#: Forecast against what balloons meet, global models, northern extratropics. Columns are
#: the heights of 850, 500, 250, 100, 50 and 10 hPa in the standard atmosphere; rows are
#: lead times. All numbers from memory of published verification against radiosondes
#: (order of magnitude); they include the 2 to 3 m/s by which a point differs from a grid
#: box. The first row is half-way between that and day 1; day 7 goes on as day 3 to day 5.
#: The correlation height is a judgement, on the wide side: errors of a forecast are
#: smoother in height than the differences of soundings below, which show 1.5 km.
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
    correlation_m=3_000.0,
    growth_per_km=0.1,
    source="from memory: order of magnitude of published scores against radiosondes",
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

#: Share of the errors above that is drawn on top of an ensemble, whose members already differ
#: by most of it. What is left is what members share and what a grid cannot show. Judgement:
#: published ensembles were too wide at short range and too narrow past day five (from
#: memory), so neither none nor all of it is right.
SHARE_BESIDE_MEMBERS = 0.5


def error_scale(members: int) -> float:
    """Factor on the error models: 1 for a single run, less beside an ensemble. [1]"""
    return 1.0 if members == 1 else SHARE_BESIDE_MEMBERS
