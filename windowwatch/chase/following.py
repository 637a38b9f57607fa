"""From the reports of a flight to its state, and to the estimate of its landing. Pure."""

import hashlib
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from typing import TYPE_CHECKING

import numpy as np

from windowwatch.chase.phases import State, Track, state_of, thinned
from windowwatch.chase.reports import Mark, Report, Screened, apart_m
from windowwatch.chase.values import Begun, Estimate, Kept, NoEstimate, Said
from windowwatch.clock import to_unix_s
from windowwatch.physics import constants as c
from windowwatch.physics.atmosphere import standard_atmosphere
from windowwatch.physics.train import descent_rate_mps
from windowwatch.units import FloatArray

if TYPE_CHECKING:  # what flies takes long to load, and whoever looks only reads
    from windowwatch.physics.windgrid import WindGrid


#: Time, latitude, longitude and height of a used report, and its two doubts.
Used = tuple[datetime, float, float, float | None, float, float]


def track_so_far(kept: Sequence[Kept]) -> Track:
    """Track of used reports in order of time."""
    used = [each.report for each in kept if each.mark is Mark.USED]
    return track_through(
        [
            (r.time_utc, r.latitude_deg, r.longitude_deg, r.height_m, r.place_sigma_m,
             r.height_sigma_m)
            for r in used
            if r.latitude_deg is not None and r.longitude_deg is not None
        ]
    )  # fmt: skip


def track_through(used: Sequence[Used]) -> Track:
    """Track in order of time, thinned; of two reports at one time the one that came first."""
    return track_of_rows(rows_of(used))


def rows_of(used: Sequence[Used]) -> FloatArray:
    """Used reports as rows [R, 6]: time [s], latitude, longitude, height, and their doubts."""
    rows = [
        (to_unix_s(when), lat, lon, np.nan if high is None else high, *doubts)
        for when, lat, lon, high, *doubts in used
    ]
    return np.array(rows, dtype=np.float64).reshape(-1, 6)


def track_of_rows(rows: FloatArray) -> Track:
    """Track of rows [R, 6] as they came, in order of time, thinned."""
    track = Track(*rows[np.argsort(rows[:, 0], kind="stable")].T)
    if track.size < 2:
        return track
    new = np.r_[True, np.diff(track.time_unix_s) > 0.5]
    return thinned(track.part(new))


def state_by(begun: Begun, track: Track, now_utc: datetime) -> State:
    """State of a flight at a moment, by its track."""
    canopy = None
    known = np.flatnonzero(np.isfinite(track.height_m))
    if known.size:
        air = standard_atmosphere(float(np.clip(track.height_m[known[-1]], 0.0, 45_000.0)))
        density = air.pressure_pa / (c.AIR_GAS_CONSTANT * air.temperature_k)
        canopy = float(descent_rate_mps(begun.train, density))
    return state_of(track, begun.release, now_utc, canopy_mps=canopy)


def estimated(
    begun: Begun,
    track: Track,
    number: int,
    now_utc: datetime,
    *,
    air: "WindGrid | None" = None,
    flights: int | None = None,
) -> Said:
    """The estimate by all reports so far.

    Parameters
    ----------
    begun : Begun
    track : Track
        Of all used reports.
    number : int
        Of the last report that came.
    now_utc : datetime
    air : WindGrid, optional
        The forecast; still air with a large doubt where there is none.
    flights : int, optional
        How many are flown.
    """
    from windowwatch.chase.estimate import FLIGHTS, NO_FORECAST, Before, estimate, still_air
    from windowwatch.chase.posterior import WIND_GROWTH
    from windowwatch.physics.winderror import FORECAST_ERROR

    state, errors = state_by(begun, track, now_utc), begun.errors
    found: Estimate | NoEstimate = NoEstimate.WAITING
    if track.size:
        lat, lon, ground = begun.release
        before = Before(
            air or still_air(lat, lon, float(track.time_unix_s[0]), ground_m=ground),
            begun.train,
            WIND_GROWTH,
            NO_FORECAST if air is None else FORECAST_ERROR if errors is None else errors.wind,
        )
        found = estimate(before, track, state, seed=_seed(begun.key), flights=flights or FLIGHTS)
    if isinstance(found, Estimate):
        learned = "" if air is None or errors is None else errors.version
        return Said(number, now_utc, replace(found, learned=learned), None)
    return Said(number, now_utc, None, found)


def disagreeing(kept: Sequence[Kept]) -> tuple[str, str, float] | None:
    """Two trackers whose last used reports cannot both be true, and how far apart they are. [m]"""
    return last_apart([each.report for each in kept if each.mark is Mark.USED])


def last_apart(used: Sequence[Report]) -> tuple[str, str, float] | None:
    """The same of used reports, of which the last one of each tracker counts."""
    return apart_m(Screened(last={report.tracker: report for report in used}))


def _seed(key: str) -> int:
    """The same draws for all reports of a flight, so that areas do not jump by chance."""
    return int.from_bytes(hashlib.blake2b(key.encode(), digest_size=8).digest(), "little")


def line_error_m(estimate: Estimate, now_utc: datetime, height_m: float) -> float:
    """How far a height is from the middle of the estimated line at that time. [m]"""
    then = float(np.interp(to_unix_s(now_utc), estimate.line_unix_s, estimate.line_50_m))
    return height_m - then
