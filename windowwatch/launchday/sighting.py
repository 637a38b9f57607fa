"""What is seen and measured at the site, and what it changes in the forecast of the wind. Pure.

Named rules
-----------
kept, not believed for ever
    Every sighting is kept. Those of the last three hours correct the forecast; none is used
    that was made by the clock of another day, or after the moment that is asked about.
shrunk
    The mean difference between what was measured and what was forecast for that minute is
    multiplied by n / (n + 1), n the number of measurements: one reading of a hand-held
    anemometer changes half of what it shows. Recent ones weigh more: half as much for each
    hour of age.
fading
    The correction halves with every two hours after the last measurement: the forecast knows
    of the front that nobody at the site has felt yet.
wind and gust
    Each is corrected by its own measurements. Where only the mean wind was measured the gust
    is corrected by the same difference times the gust factor of the forecast at that minute.
never calm
    A corrected wind never falls below half of what was forecast.

The numbers are judgement: common practice, no source.
"""

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from windowwatch.clock import require_utc, to_unix_s
from windowwatch.errors import InputError
from windowwatch.physics.surface import SurfaceSeries, TimeCells
from windowwatch.units import FloatArray

#: Measurements older than this change nothing; the half-lives of their weight and of what
#: they change.
USED_FOR, WEIGHT_HALVES, FADES = timedelta(hours=3), timedelta(hours=1), timedelta(hours=2)
#: A measured gust over the hard limit forbids every release for so long.
FRESH_FOR = timedelta(minutes=30)
#: No corrected wind is below this share of the forecast one. [1]
LEAST_SHARE = 0.5
#: No wind like these is measured by hand at a place where balloons are filled. [m s⁻¹]
GREATEST_WIND_MPS = 60.0


@dataclass(frozen=True)
class Sighting:
    """What somebody at the site saw or measured at one moment; None: not looked at.

    Parameters
    ----------
    site : str
    at_utc : datetime
    by : str
    wind_mps, gust_mps : float, optional
        Mean wind and gust. [m s⁻¹]
    wind_from_deg : float, optional
        Direction it comes from. [deg]
    cloud_oktas : int, optional
        0 to 8, or 9 where the sky is hidden (WMO code table 2700).
    ceiling_m, visibility_m, temperature_k, dew_point_k, pressure_pa : float, optional
        Ceiling above the ground; pressure at mean sea level.
    told : str
        The report it was read from, as it came, such as a METAR.
    """

    site: str
    at_utc: datetime
    by: str
    wind_mps: float | None = None
    gust_mps: float | None = None
    wind_from_deg: float | None = None
    cloud_oktas: int | None = None
    ceiling_m: float | None = None
    visibility_m: float | None = None
    temperature_k: float | None = None
    dew_point_k: float | None = None
    pressure_pa: float | None = None
    told: str = ""

    def __post_init__(self) -> None:
        require_utc(self.at_utc)
        bounds = {
            "wind_mps": (0.0, GREATEST_WIND_MPS),
            "gust_mps": (0.0, GREATEST_WIND_MPS),
            "wind_from_deg": (0.0, 360.0),
            "cloud_oktas": (0, 9),
            "ceiling_m": (0.0, 30_000.0),
            "visibility_m": (0.0, 200_000.0),
            "temperature_k": (200.0, 335.0),
            "dew_point_k": (180.0, 320.0),
            "pressure_pa": (85_000.0, 109_000.0),
        }
        for name, (low, high) in bounds.items():
            value = getattr(self, name)
            if value is not None and not low <= value <= high:
                raise InputError(f"{name} of {value:g} cannot be; give {low:g} to {high:g}")
        wind, gust = self.wind_mps, self.gust_mps
        if wind is not None and gust is not None and gust < wind:
            raise InputError(
                f"a gust of {gust:g} m/s below the mean wind of {wind:g} m/s cannot be; look "
                "which is which"
            )
        if all(getattr(self, name) is None for name in bounds):
            raise InputError("nothing was seen; give at least a wind, a cloud or a visibility")


@dataclass(frozen=True)
class Veto:
    """A measured gust over the hard limit. [m s⁻¹]"""

    gust_mps: float
    limit_mps: float
    at_utc: datetime
    by: str

    def forbids(self, release_utc: datetime) -> bool:
        """Whether a release at that time is forbidden by it."""
        return release_utc <= self.at_utc + FRESH_FOR


def vetoes(sightings: Iterable[Sighting], limit_mps: float, now_utc: datetime) -> tuple[Veto, ...]:
    """Measurements of the last half hour over the hard limit of the gust.

    The mean wind counts as a gust of at least its own strength.
    """
    now_utc = require_utc(now_utc)
    found = []
    for seen in sightings:
        strongest = max((w for w in (seen.wind_mps, seen.gust_mps) if w is not None), default=None)
        fresh = timedelta(0) <= now_utc - seen.at_utc <= FRESH_FOR
        if strongest is not None and strongest > limit_mps and fresh:
            found.append(Veto(strongest, limit_mps, seen.at_utc, seen.by))
    return tuple(sorted(found, key=lambda veto: veto.at_utc, reverse=True))


@dataclass(frozen=True)
class Correction:
    """What measurements change in the forecast of the wind near the ground.

    Attributes
    ----------
    wind_mps, gust_mps : float
        Added at `last_utc`, and less and less after it. [m s⁻¹]
    measured : int
        By so many measurements.
    last_utc : datetime
        Of the last of them.
    """

    wind_mps: float
    gust_mps: float
    measured: int
    last_utc: datetime

    def share_at(self, time_unix_s: FloatArray) -> FloatArray:
        """Share of the correction that is left at times; all of it before the last one. [1]"""
        age_s = np.maximum(np.asarray(time_unix_s) - to_unix_s(self.last_utc), 0.0)
        return np.asarray(0.5 ** (age_s / FADES.total_seconds()))


@dataclass(frozen=True)
class SeenBeside:
    """What was seen, with what had been forecast for that minute; None: not known. [m s⁻¹]"""

    seen: Sighting
    wind_mps: float | None
    gust_mps: float | None


#: Forecast mean wind and gust at a time, None where unknown. [m s⁻¹]
Forecast = Callable[[datetime], tuple[float | None, float | None]]


def correction(
    sightings: Sequence[Sighting], forecast: Forecast, now_utc: datetime
) -> Correction | None:
    """What the measurements of the last three hours change; None when there are none.

    Parameters
    ----------
    sightings : sequence of Sighting
        Of one site.
    forecast : callable
        What had been forecast for a moment.
    now_utc : datetime
    """
    now_utc = require_utc(now_utc)
    used = [s for s in sightings if timedelta(0) <= now_utc - s.at_utc <= USED_FOR]
    wind: list[tuple[float, float]] = []
    gust: list[tuple[float, float]] = []
    last = None
    for seen in sorted(used, key=lambda s: s.at_utc):
        said_wind, said_gust = forecast(seen.at_utc)
        weight = 0.5 ** ((now_utc - seen.at_utc) / WEIGHT_HALVES)
        before = len(wind) + len(gust)
        if seen.wind_mps is not None and said_wind is not None:
            wind.append((weight, seen.wind_mps - said_wind))
        if said_gust is not None and seen.gust_mps is not None:
            gust.append((weight, seen.gust_mps - said_gust))
        elif said_gust is not None and said_wind and seen.wind_mps is not None:
            factor = said_gust / said_wind if said_wind > 1.0 else 1.0
            gust.append((weight, (seen.wind_mps - said_wind) * max(factor, 1.0)))
        if len(wind) + len(gust) > before:
            last = seen.at_utc
    if last is None:
        return None
    return Correction(_shrunk(wind), _shrunk(gust), max(len(wind), len(gust)), last)


def _shrunk(differences: Sequence[tuple[float, float]]) -> float:
    """Weighted mean of (weight, difference), shrunk towards none. [m s⁻¹]"""
    if not differences:
        return 0.0
    total = math.fsum(weight for weight, _ in differences)
    mean = math.fsum(weight * each for weight, each in differences) / total
    return mean * len(differences) / (len(differences) + 1)


#: Between two steps of the forecast the corrected wind is given so often. [s]
_FINE_S = 600.0
_WIND = ("wind_u_10m_mps", "wind_v_10m_mps")


def corrected(series: SurfaceSeries, change: Correction) -> SurfaceSeries:
    """Wind and gust of a forecast at the site, corrected; nothing else is in the result.

    Parameters
    ----------
    series : SurfaceSeries
        The forecast at the site, [M, T].
    change : Correction

    Returns
    -------
    SurfaceSeries
        Its times are the forecast's and every ten minutes between them. A gust that stands for
        an interval is corrected by the greatest correction within it. Missing stays missing.
    """
    coarse = series.time_unix_s
    fine = np.unique(np.concatenate([coarse, np.arange(coarse[0], coarse[-1], _FINE_S)]))
    values: dict[str, FloatArray] = {}
    cells: dict[str, TimeCells] = {}
    if all(name in series.values for name in _WIND):
        u, v = (_between(coarse, series.values[name], fine) for name in _WIND)
        speed = np.hypot(u, v)
        wanted = np.maximum(speed + change.wind_mps * change.share_at(fine), LEAST_SHARE * speed)
        still = speed < 0.05  # no direction to speak of: any will do
        factor = np.where(still, 0.0, wanted / np.where(still, 1.0, speed))
        values["wind_u_10m_mps"] = np.where(still, np.maximum(wanted, 0.0), u * factor)
        values["wind_v_10m_mps"] = np.where(still, 0.0, v * factor)
    if "gust_mps" in series.values:
        gust, own = series.values["gust_mps"], series.cells.get("gust_mps")
        if own is None:
            found = _between(coarse, gust, fine)
            added = change.gust_mps * change.share_at(fine)
        else:
            found, added = _laid_on(coarse, gust, own, fine, change)
            cells["gust_mps"] = _cells_on(coarse, own, fine)
        values["gust_mps"] = np.maximum(found + added, LEAST_SHARE * found)
    return SurfaceSeries(fine, values, cells)


def _between(time_s: FloatArray, values: FloatArray, at_s: FloatArray) -> FloatArray:
    """Series [M, T] at times [F], linear; NaN where either neighbour is."""
    return np.stack([np.interp(at_s, time_s, each) for each in values])


def _laid_on(
    coarse: FloatArray, gust: FloatArray, own: TimeCells, fine: FloatArray, change: Correction
) -> tuple[FloatArray, FloatArray]:
    """Gusts of intervals at the fine times that end one, and what is added to each."""
    at = np.searchsorted(fine, coarse)
    laid = np.full((gust.shape[0], fine.size), np.nan)
    laid[:, at] = gust
    added = np.zeros(fine.size)
    begin = np.where(np.isnan(own.start_unix_s), coarse, own.start_unix_s)
    share = change.share_at(begin if change.gust_mps > 0.0 else coarse)
    added[at] = change.gust_mps * share
    return laid, added


def _cells_on(coarse: FloatArray, own: TimeCells, fine: FloatArray) -> TimeCells:
    """The same intervals on the fine times."""
    start = np.full(fine.size, np.nan)
    start[np.searchsorted(fine, coarse)] = own.start_unix_s
    return TimeCells(own.method, start)
