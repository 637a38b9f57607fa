"""What the release asks: weather at the site from set-up to hold, light, and clearance."""

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from windowwatch.errors import InputError
from windowwatch.physics.flights import Flights
from windowwatch.physics.neighbourhood import Shifts
from windowwatch.physics.sun import solar_elevation_deg
from windowwatch.physics.surface import (
    CellMethod,
    SurfaceGrid,
    SurfaceSeries,
    cells_since_time_before,
)
from windowwatch.scoring.answer import Measure, nothing_known
from windowwatch.scoring.checks.series import (
    FAR_H,
    Intervals,
    Places,
    extreme_in_span,
    extreme_of_cells,
    extreme_of_steps,
    hours_from_front,
    instants,
    rate_of_sums,
)
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.scoring.values import AtLeast, FromMeanWind, Gap, Missing, Site
from windowwatch.units import KELVIN_AT_0_C, FloatArray

#: Checks that need the forecast at the site.
WEATHER_CHECKS = ("wind", "gust", "cloud", "low_cloud", "middle_cloud", "high_cloud", "ceiling",
                  "visibility", "precipitation", "thunder", "lifted_index", "freezing_rain",
                  "shear", "temperature", "front")  # fmt: skip

#: Not displaced: wind has its own drawn error, and a front is looked for over hours as it is.
_NOT_DISPLACED = frozenset({"wind", "shear", "front"})


def release_measures(
    site: Site,
    launch_unix_s: FloatArray,
    flights: Flights,
    surface: SurfaceGrid,
    plan: ScoringPlan,
    speed_error_mps: FloatArray | None = None,
    now_unix_s: float | None = None,
    shifts: Shifts | None = None,
) -> list[Measure]:
    """Everything that the release checks look at.

    Parameters
    ----------
    site : Site
    launch_unix_s : array [N]
        [s since 1970 UTC]
    flights : Flights [N, M, D]
        Their landings must fall within the clearance, too.
    surface : SurfaceGrid
    plan : ScoringPlan
    speed_error_mps : array [N, D], optional
        Drawn errors of the wind speed at the site, for the chance. [m s⁻¹]
    now_unix_s : float, optional
        The present; how much time is left for notice is unknown without it. [s since 1970 UTC]
    shifts : Shifts, optional
        Drawn displacements [D] of the forecast near the ground, for the chance.

    Returns
    -------
    list of Measure
        Weather has shape [N, M or 1, 1].
    """
    launch = np.asarray(launch_unix_s, dtype=np.float64)
    beside = {} if shifts is None else _beside(site, launch, surface, plan, shifts)
    measures = [
        _doubted(measure, beside.get(measure.name), speed_error_mps, plan)
        for measure in _weather(site, launch, surface, plan)
    ]
    measures += [_daylight(site, launch, plan), _notice(launch, plan, now_unix_s)]
    if plan.clearance is not None:
        earliest, latest = plan.clearance
        spare_s = np.minimum(launch[:, None, None] - earliest, latest - flights.landing_time_unix_s)
        measures.append(Measure("clearance", spare_s / 60.0))
    return measures


def _doubted(
    measure: Measure,
    beside: FloatArray | None,
    speed_error_mps: FloatArray | None,
    plan: ScoringPlan,
) -> Measure:
    """The measure with the doubt of the forecast drawn into it.

    Of all but the wind that is what the forecast says beside the site [N, M or 1, D]; of the wind
    the drawn error of its speed. A displaced value that is not known stays NaN, and so is never
    within a limit.

    A gust has both. The drawn error is the whole error of a speed at a place, with what comes of
    showers and fronts that lie elsewhere; displacement shows that part of it where there is such
    weather about, and with it which rain and cloud belong to the gust, but nothing in an even
    stream. So what is displaced counts in full, and of the drawn error only so much as fills it
    up to the whole: their variances add up to the error's own, or to the greater one.
    """
    factor = {"wind": 1.0, "gust": plan.gust_error_factor}.get(measure.name)
    if factor is None or speed_error_mps is None:
        return measure if beside is None else replace(measure, doubted=beside)
    error = factor * speed_error_mps[:, None, :]
    if beside is None:
        return replace(measure, doubted=measure.values + error)
    return replace(measure, doubted=beside + _left_share(beside, error) * error)


def _left_share(beside: FloatArray, error: FloatArray) -> FloatArray:
    """Part of an error [N, 1, D] whose variance beside [N, M, D] leaves to be drawn: [N, M, 1]."""
    known = ~np.isnan(beside)
    count = np.maximum(known.sum(axis=2, keepdims=True), 1)
    filled = np.where(known, beside, 0.0)
    off = np.where(known, beside - filled.sum(axis=2, keepdims=True) / count, 0.0)
    shown = (off**2).sum(axis=2, keepdims=True) / count
    whole = error.var(axis=2, keepdims=True)
    part = np.divide(shown, whole, out=np.ones_like(shown + whole), where=whole > 0.0)
    return np.asarray(np.sqrt(np.maximum(1.0 - part, 0.0)))


#: Says what the weather is where a draw is displaced to: lead time [h], number of the draw, and
#: times [K].
Asked = Callable[[float, int, FloatArray], Sequence[Measure]]


def _beside(
    site: Site, launch: FloatArray, surface: SurfaceGrid, plan: ScoringPlan, shifts: Shifts
) -> dict[str, FloatArray]:
    """Each measure as the forecast has it at the displaced place and time: [N, M or 1, D]."""
    asked = [n for n in WEATHER_CHECKS if n in plan.limits and n not in _NOT_DISPLACED]
    shape = (launch.size, _members(surface), shifts.east.size)
    found = {name: np.full(shape, np.nan) for name in asked}
    leads_h, draws = shifts.lead_h(launch), np.arange(shifts.east.size)
    for lead_h in np.unique(leads_h):
        which = np.flatnonzero(leads_h == lead_h)
        latitude, longitude, later_s = shifts.of_lead(
            site.latitude_deg, site.longitude_deg, float(lead_h)
        )
        series = surface.at_places(latitude, longitude, surface.fields)
        times = (launch[which, None] + later_s).ravel()
        for measure in _of_series(series, times, plan, asked, np.tile(draws, which.size)):
            values = measure.values[:, :, 0].reshape(which.size, draws.size, -1)
            found[measure.name][which] = values.transpose(0, 2, 1)
    return found


def _displaced_plan(plan: ScoringPlan) -> ScoringPlan:
    """The plan with those checks alone whose weather is displaced."""
    kept = {name: limit for name, limit in plan.limits.items() if name not in _NOT_DISPLACED}
    return replace(plan, limits=kept or plan.limits)


def _displaced(
    site: Site,
    launch: FloatArray,
    shifts: Shifts,
    plan: ScoringPlan,
    members: int,
    ask: Asked,
) -> dict[str, FloatArray]:
    """What is asked at the displaced times of each draw: [N, members, D] for each check."""
    leads_h, found = shifts.lead_h(launch), dict[str, FloatArray]()
    for lead_h in np.unique(leads_h):
        which = np.flatnonzero(leads_h == lead_h)
        places = shifts.of_lead(site.latitude_deg, site.longitude_deg, float(lead_h))
        for draw, later_s in enumerate(places[2]):
            for measure in ask(float(lead_h), draw, launch[which] + later_s):
                if measure.name in _NOT_DISPLACED or measure.name not in plan.limits:
                    continue
                shape = (launch.size, members, shifts.east.size)
                kept = found.setdefault(measure.name, np.full(shape, np.nan))
                kept[which, :, draw] = measure.values[:, :, 0]
    return found


def _members(surface: SurfaceGrid) -> int:
    return max((planes.shape[0] for planes in surface.fields.values()), default=1)


def _weather(
    site: Site, launch: FloatArray, surface: SurfaceGrid, plan: ScoringPlan
) -> list[Measure]:
    """Worst of each surface field over the span."""
    try:
        series = surface.at(site.latitude_deg, site.longitude_deg)
    except InputError:
        missing = Missing(Gap.OUTSIDE, (site.name,))
        return [nothing_known(name, launch.size, missing) for name in WEATHER_CHECKS]
    extra = []
    if "front" in plan.limits:
        away = hours_from_front(series, site.latitude_deg, launch)
        facts = tuple((AtLeast(),) if np.all(hours >= FAR_H) else () for hours in away)
        extra.append(Measure("front", away[:, :, None], facts))
    return [*extra, *_of_series(series, launch, plan)]


def measures_of_series(
    site: Site,
    series: SurfaceSeries,
    launch_unix_s: FloatArray,
    plan: ScoringPlan,
    speed_error_mps: FloatArray | None = None,
    shifts: Shifts | None = None,
    beside: Mapping[float, Sequence[SurfaceSeries | None]] | None = None,
) -> list[Measure]:
    """What the release checks look at of the weather of one place, but for the front.

    `beside` has, for each lead time [h] of `shifts`, the series of every draw at its displaced
    place; None where that is not known.
    """
    launch, around, near = np.asarray(launch_unix_s), {}, beside or {}
    if shifts is not None:
        calm = _displaced_plan(plan)

        def ask(lead_h: float, draw: int, times: FloatArray) -> list[Measure]:
            there = near.get(lead_h, ())
            at_draw = there[draw] if draw < len(there) else None
            if at_draw is None:
                return [nothing_known(name, times.size) for name in WEATHER_CHECKS]
            return _of_series(at_draw, times, calm)

        around = _displaced(site, launch, shifts, calm, 1, ask)
    found = _of_series(series, launch, plan)
    return [_doubted(each, around.get(each.name), speed_error_mps, plan) for each in found]


def _of_series(
    series: SurfaceSeries,
    launch: FloatArray,
    plan: ScoringPlan,
    asked: Collection[str] = WEATHER_CHECKS,
    place: Places = None,
) -> list[Measure]:
    """The measures that are asked; of one place, or of that which each launch is given."""
    weather = _Span(series, launch, plan, place)
    measures: dict[str, Callable[[], Measure]] = {
        "wind": weather.wind,
        "gust": partial(weather.gust, plan.gust_factor),
        "cloud": partial(weather.highest, "cloud", "cloud_total_pct"),
        **{
            f"{layer}_cloud": partial(weather.highest, f"{layer}_cloud", f"cloud_{layer}_pct")
            for layer in ("low", "middle", "high")
        },
        "ceiling": weather.ceiling,
        "visibility": partial(weather.lowest, "visibility", "visibility_m", 1e-3),
        "precipitation": weather.precipitation,
        "thunder": partial(weather.highest, "thunder", "cape_jpkg"),
        "lifted_index": partial(weather.lowest, "lifted_index", "lifted_index_k", 1.0),
        "freezing_rain": weather.freezing_rain,
        "shear": weather.shear,
        "temperature": weather.temperature,
    }
    return [measure() for name, measure in measures.items() if name in asked]


class _Span:
    """Surface series at the site, asked for their worst from set-up to the end of hold."""

    def __init__(
        self, series: SurfaceSeries, launch: FloatArray, plan: ScoringPlan, place: Places = None
    ) -> None:
        self._place = place
        self._time_s = series.time_unix_s
        self._values = series.values
        self._cells = series.cells
        self._start_s = launch - 60.0 * plan.setup_min
        self._end_s = launch + 60.0 * plan.hold_min

    def wind(self) -> Measure:
        speed = self._speed("wind_u_10m_mps", "wind_v_10m_mps")
        return self._missing("wind") if speed is None else self._extreme("wind", speed)

    def shear(self) -> Measure:
        """Size of the difference between the winds at 100 m and at 10 m."""
        keys = [f"wind_{axis}_{height}m_mps" for height in (10, 100) for axis in "uv"]
        if not all(key in self._values for key in keys):
            return self._missing("shear")
        u10, v10, u100, v100 = (self._values[key] for key in keys)
        return self._extreme("shear", np.hypot(u100 - u10, v100 - v10))

    def temperature(self) -> Measure:
        if "temperature_2m_k" not in self._values:
            return self._missing("temperature")
        warmth = self._values["temperature_2m_k"] - KELVIN_AT_0_C
        return self._extreme("temperature", warmth, "temperature_2m_k", highest=False)

    def gust(self, factor: float | None) -> Measure:
        if "gust_mps" in self._values:
            return self._extreme("gust", self._values["gust_mps"], "gust_mps")
        speed = self._speed("wind_u_10m_mps", "wind_v_10m_mps")
        if factor is None or speed is None:
            return self._missing("gust")
        said = (FromMeanWind(factor),)
        return replace(self._extreme("gust", factor * speed), facts=(said,) * self._start_s.size)

    def ceiling(self) -> Measure:
        return self.lowest("ceiling", "ceiling_m", 1.0, jumps=True)

    def precipitation(self) -> Measure:
        """The rate in the span, and the mean rate of the intervals it touches, if greater."""
        found = []
        if "precipitation_rate_mmph" in self._values:
            rate = self._values["precipitation_rate_mmph"]
            found.append(self._worst(rate, "precipitation_rate_mmph", highest=True))
        if "precipitation_mm" in self._values:
            since = cells_since_time_before(CellMethod.SUM, self._time_s)
            since = self._cells.get("precipitation_mm", since)
            rates, cells = rate_of_sums(self._time_s, self._values["precipitation_mm"], since)
            span, place = (self._start_s, self._end_s), self._place
            found.append(
                extreme_of_cells(self._time_s, rates, cells, *span, highest=True, place=place)
            )
        if not found:
            return self._missing("precipitation")
        worst, over = found[0] if len(found) == 1 else _greater(*found)
        return Measure("precipitation", worst[:, :, None], over=over)

    def freezing_rain(self) -> Measure:
        """1 for a member with freezing rain anywhere in the span, or on the way to a step."""
        if "freezing_rain" not in self._values:
            return self._missing("freezing_rain")
        amount = self.highest("freezing_rain", "freezing_rain")
        falls = np.where(np.isnan(amount.values), np.nan, (amount.values > 0.0).astype(np.float64))
        return replace(amount, values=falls)

    def highest(self, name: str, key: str) -> Measure:
        if key not in self._values:
            return self._missing(name)
        return self._extreme(name, self._values[key], key)

    def lowest(self, name: str, key: str, factor: float, *, jumps: bool = False) -> Measure:
        if key not in self._values:
            return self._missing(name)
        return self._extreme(name, factor * self._values[key], key, highest=False, jumps=jumps)

    def _speed(self, u_key: str, v_key: str) -> FloatArray | None:
        if u_key not in self._values or v_key not in self._values:
            return None
        return np.hypot(self._values[u_key], self._values[v_key])

    def _extreme(
        self,
        name: str,
        values: FloatArray,
        key: str = "",
        *,
        highest: bool = True,
        jumps: bool = False,
    ) -> Measure:
        """The worst of values made of the field `key`; of instants where that is empty."""
        worst, over = self._worst(values, key, highest=highest, jumps=jumps)
        return Measure(name, worst[:, :, None], over=over)

    def _worst(
        self, values: FloatArray, key: str, *, highest: bool, jumps: bool = False
    ) -> tuple[FloatArray, Intervals]:
        span, place = (self._start_s, self._end_s), self._place
        if key in self._cells:
            cells = self._cells[key]
            return extreme_of_cells(
                self._time_s, values, cells, *span, highest=highest, place=place
            )
        of_instants = extreme_of_steps if jumps else extreme_in_span
        worst = of_instants(self._time_s, values, *span, highest=highest, place=place)
        return worst, instants(worst.shape)

    def _missing(self, name: str) -> Measure:
        return nothing_known(name, self._start_s.size)


def _greater(
    rate: tuple[FloatArray, Intervals], mean: tuple[FloatArray, Intervals]
) -> tuple[FloatArray, Intervals]:
    """The greater of two rates [N, M], NaN where one is, and of which interval that is."""
    more = mean[0] > rate[0]
    length_s = np.where(more, mean[1].length_s, rate[1].length_s)
    nearest = np.where(more, mean[1].nearest, rate[1].nearest)
    return np.maximum(rate[0], mean[0]), Intervals(CellMethod.MEAN, length_s, nearest)


def _notice(launch: FloatArray, plan: ScoringPlan, now_unix_s: float | None) -> Measure:
    """Time left until notice must be given; negative when it should have been. [h]"""
    if plan.notice_h is None or now_unix_s is None:
        return nothing_known("notice", launch.size)
    left = (launch - now_unix_s) / 3600.0 - plan.notice_h
    return Measure("notice", left[:, None, None])


def barred_by_dark(site: Site, launch_unix_s: FloatArray, plan: ScoringPlan) -> NDArray[np.bool_]:
    """Launch hours [N] that are no-go whatever flies, because the sun is down: a hard limit."""
    limit = plan.limits.get("daylight")
    if limit is None or not limit.hard:
        return np.zeros(launch_unix_s.shape, dtype=np.bool_)
    return _daylight(site, launch_unix_s, plan).values[:, 0, 0] < limit.limit


def _daylight(site: Site, launch: FloatArray, plan: ScoringPlan) -> Measure:
    """Lower of the sun's heights at release and at the end of hold. [°]"""
    times = np.stack([launch, launch + 60.0 * plan.hold_min])
    elevation = solar_elevation_deg(times, site.latitude_deg, site.longitude_deg)
    return Measure("daylight", np.min(elevation, axis=0)[:, None, None])
