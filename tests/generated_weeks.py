"""Weeks of forecasts that nobody flew: the demonstration's weather with errors of known size.

A week has a truth, and each weather model's cycles err from it: by where the flights land and by
the wind at the site. How much they err, and how that grows with lead time, is that of
`physics.winderror`; what an hour is worth with such a landing and such a wind is what the most
alike of all hours was worth that the demonstration really flew (`flown_hours.py`).

Named rules
-----------
converging
    From one cycle to the next a model's error changes by what its variance falls meanwhile, and
    so its cycles come closer and closer to the truth.
jitter
    A part of the error that is there in an analysis already is drawn anew by every cycle, the
    rest is the model's own in that week.
hanging together
    Errors of neighbouring hours and sites are alike; so are those of two models.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from flown_hours import SCALES, SITES, Library, latitude_longitude
from numpy.typing import NDArray

from windowwatch.forecast.cycle import Cycle
from windowwatch.physics.spread import Footprint
from windowwatch.physics.winderror import FORECAST_ERROR, SURFACE_ERROR
from windowwatch.scoring.opinions import Voice, with_opinions
from windowwatch.scoring.values import Hour

FloatArray = NDArray[np.float64]

#: Judgement, all of them: share of an analysis' error variance that every cycle draws anew, …
JITTER = 0.3
#: … share of the error that all models have in common, …
COMMON = 0.5
#: … how long, and how far, errors hang together, …
TOGETHER_H, TOGETHER_KM = 12.0, 400.0
#: … and how much a gust changes with the mean wind.
GUST_FACTOR = 1.5
#: The week's truth differs from what was flown by an error of this lead time. [h]
TRUTH_LEAD_H = 60.0
#: Rates of the demonstration's train, at sea level going down. [m/s]
_UP_MPS, _DOWN_MPS, _TOP_M, _SCALE_M = 5.0, 6.0, 31_000.0, 14_500.0


@dataclass(frozen=True)
class Model:
    """A weather model: how often it runs, and how long after its time it is read."""

    name: str
    every: timedelta
    after: timedelta


DECIDES = Model("skerra", timedelta(hours=6), timedelta(hours=4))
OTHERS = (
    Model("skerra-b", timedelta(hours=12), timedelta(hours=9)),
    Model("skerra-c", timedelta(hours=12), timedelta(hours=8)),
)


@dataclass(frozen=True)
class Read:
    """A moment at which the deciding cycle's hours are new, or what others say of them is.

    `next_utc` is when the next deciding cycle will be read.
    """

    now_utc: datetime
    cycle: Cycle
    hours: tuple[Hour, ...]
    weighed_anew: bool
    next_utc: datetime


@dataclass(frozen=True)
class GeneratedWeek:
    """What is read in a week, in order, and what every hour was worth in the end."""

    reads: tuple[Read, ...]
    truth: tuple[Hour, ...]


def landing_sigma_km(lead_hours: FloatArray) -> FloatArray:
    """Standard deviation of one component of where a flight lands, by the wind's error alone."""
    heights = np.arange(500.0, _TOP_M, 1000.0)
    seconds = 1000.0 / _UP_MPS + 1000.0 / (_DOWN_MPS * np.exp(heights / _SCALE_M))
    covariance = FORECAST_ERROR.covariance(lead_hours, heights)
    return np.asarray(np.sqrt(np.einsum("k,nkl,l->n", seconds, covariance, seconds)) / 1000.0)


def generate(library: Library, seed: int) -> GeneratedWeek:
    """Make a week of forecasts; the same seed always makes the same week."""
    draws = _Draws(library, np.random.default_rng(seed))
    weather = draws.truth()
    truth = _hours(library, weather, library.times[0] + timedelta(hours=6), library.times[0])
    starts = library.times[0].replace(hour=0) - timedelta(days=1)
    ends = library.times[-1]
    read: list[tuple[datetime, Model, Cycle, FloatArray]] = []
    common = draws.paths(weather)
    for model in (DECIDES, *OTHERS):
        own = draws.paths(weather)
        for cycle, seen in _cycles(model, starts, ends, weather, draws, common, own):
            read.append((cycle.reference_utc + model.after, model, cycle, seen))
    read.sort(key=lambda each: (each[0], each[1] is DECIDES))
    return GeneratedWeek(tuple(_reads(library, read)), truth)


def _reads(
    library: Library, read: list[tuple[datetime, Model, Cycle, FloatArray]]
) -> Iterator[Read]:
    voices: dict[str, Voice] = {}
    ours: tuple[Cycle, tuple[Hour, ...]] | None = None
    for now, model, cycle, seen in read:
        hours = _hours(library, seen, cycle.reference_utc, now)
        if model is not DECIDES:
            voices[model.name] = Voice(cycle, hours)
        else:
            ours = cycle, hours
        if ours is None:
            continue
        still = [hour for hour in ours[1] if hour.time_utc >= now]
        if not still:
            continue
        weighed = with_opinions(still, ours[0], list(voices.values()), timedelta(hours=12))
        due = ours[0].reference_utc + DECIDES.every + DECIDES.after
        yield Read(now, ours[0], weighed, model is not DECIDES, due)


@dataclass(frozen=True)
class _Paths:
    """Unit normals of errors: what grows with lead time, and the model's own in that week."""

    steps: FloatArray
    own: FloatArray


class _Draws:
    """Random fields over sites and launch hours that hang together."""

    def __init__(self, library: Library, random: np.random.Generator) -> None:
        self.library = library
        self.random = random
        self.hours = np.array([t.timestamp() for t in library.times]) / 3600.0
        apart_h = np.abs(self.hours[:, None] - self.hours[None, :])
        self._in_time = np.linalg.cholesky(np.exp(-apart_h / TOGETHER_H))
        places = np.array([(lat, lon) for lat, lon in SITES.values()]) * (111.2, 78.0)
        apart_km = np.linalg.norm(places[:, None] - places[None, :], axis=-1)
        self._in_place = np.linalg.cholesky(np.exp(-apart_km / TOGETHER_KM))

    def field(self, *shape: int) -> FloatArray:
        """Unit normals [..., site, hour, 3]: landing east and north, wind at the site."""
        plain = self.random.standard_normal((*shape, 3, len(SITES), self.hours.size))
        hung = self._in_place @ plain @ self._in_time.T
        return np.moveaxis(hung, -3, -1)

    def truth(self) -> FloatArray:
        """What the week's weather really is: a flown cycle's, in another place."""
        flown = sorted(self.library.weather)
        chosen = self.library.weather[flown[self.random.integers(len(flown))]]
        filled = np.where(np.isnan(chosen), np.nanmean(list(self.library.weather.values()), 0),
                          chosen)  # fmt: skip
        return _moved(filled, self.field() * np.sqrt(_variance(np.array([TRUTH_LEAD_H]))[0]))

    def paths(self, weather: FloatArray) -> _Paths:
        """What a model's errors are made of; forty steps of six hours reach ten days."""
        return _Paths(self.field(40), self.field())


def _variance(lead_hours: FloatArray) -> FloatArray:
    """Of landing east and north [km²] and of the wind at the site [m²/s²], [lead, 3]."""
    landing = landing_sigma_km(lead_hours) ** 2
    return np.stack([landing, landing, SURFACE_ERROR.sigma_mps(lead_hours) ** 2], -1)


def _moved(weather: FloatArray, by: FloatArray) -> FloatArray:
    """Weather with errors: a landing moved, a gust stronger or weaker, the rain as it is."""
    made = weather.copy()
    made[..., 0:2] += by[..., 0:2]
    made[..., 2] = np.maximum(made[..., 2] + GUST_FACTOR * by[..., 2], 0.0)
    return made


def _cycles(
    model: Model,
    starts: datetime,
    ends: datetime,
    weather: FloatArray,
    draws: _Draws,
    common: _Paths,
    own: _Paths,
) -> Iterator[tuple[Cycle, FloatArray]]:
    """Each cycle of a model, and the weather that it foresees.

    The error of a lead time is the sum of independent steps, each of what the variance grows in
    six hours: cycles that are compared at one launch hour have the earlier steps in common.
    """
    grid = np.arange(0.0, 246.0, 6.0)
    variance = _variance(grid)
    grows = np.sqrt(np.maximum(np.diff(variance, axis=0), 0.0))
    mix = np.sqrt(COMMON), np.sqrt(1.0 - COMMON)
    steps = (mix[0] * common.steps + mix[1] * own.steps) * grows[:, None, None, :]
    stays = mix[0] * common.own + mix[1] * own.own
    stays = stays * np.sqrt((1.0 - JITTER) * variance[0])
    reference = starts
    zero = starts.timestamp() / 3600.0
    while reference + model.after < ends:
        begun = (reference.timestamp() / 3600.0) - zero
        error = stays + draws.field() * np.sqrt(JITTER * variance[0])
        lead = np.maximum(draws.hours - zero - begun, 0.0)
        for number in range(steps.shape[0]):
            share = np.clip((lead - 6.0 * number) / 6.0, 0.0, 1.0)
            if not share.any():
                break
            error = error + steps[number] * np.sqrt(share)[None, :, None]
        yield Cycle(reference, model.name), _moved(weather, error)
        reference += model.every


def _hours(
    library: Library, weather: FloatArray, reference: datetime, now: datetime
) -> tuple[Hour, ...]:
    """Hours still to come with what the most alike of the flown ones was worth."""
    later = np.array([t >= now for t in library.times])
    times = [t for t in library.times if t >= now]
    made: list[Hour] = []
    for number, site in enumerate(SITES):
        seen = weather[number, later]
        day = np.array([t.hour for t in times], dtype=float)
        lead = np.array([(t - reference).total_seconds() / 3600.0 for t in times])
        asked = np.stack([seen[:, 0], seen[:, 1], day, seen[:, 2], seen[:, 3], lead], -1)
        known, asked = library.keys[site], asked / np.array(SCALES)
        far = (known**2).sum(-1)[None, :] - 2.0 * asked @ known.T
        for time, east, north, like in zip(
            times, seen[:, 0], seen[:, 1], far.argmin(-1), strict=True
        ):
            made.append(_like(library.hours[site][like], time, float(east), float(north)))
    return tuple(made)


def _like(flown: Hour, time: datetime, east: float, north: float) -> Hour:
    """A flown hour at another time and with another landing.

    `dataclasses.replace` does the same and takes most of the time of making a week.
    """
    assert flown.footprint is not None
    lat, lon = latitude_longitude(flown.site, east, north)
    place, made = object.__new__(Footprint), object.__new__(Hour)
    vars(place).update(vars(flown.footprint), latitude_deg=lat, longitude_deg=lon)
    vars(made).update(vars(flown), time_utc=time, footprint=place)
    return made


def errors_km(library: Library, seed: int) -> Iterator[tuple[Cycle, FloatArray]]:
    """How far north of the truth each deciding cycle of a week lands its flights, [site, hour]."""
    draws = _Draws(library, np.random.default_rng(seed))
    weather = draws.truth()
    starts = library.times[0].replace(hour=0) - timedelta(days=1)
    common, own = draws.paths(weather), draws.paths(weather)
    cycles = _cycles(DECIDES, starts, library.times[-1], weather, draws, common, own)
    return ((cycle, seen[..., 1] - weather[..., 1]) for cycle, seen in cycles)
