"""What others may build on: open a forecast, fly, score, read results. A stated interface.

`windowwatch` hands out the names of `__all__` and loads them when they are asked for. Nothing here
computes: it calls the floors as a pass does, so that the same input gives the same numbers.
"""

from collections.abc import Sequence
from contextlib import AbstractContextManager
from datetime import datetime
from pathlib import Path

import numpy as np

from windowwatch.clock import require_utc, to_unix_s
from windowwatch.errors import InputError, WindowwatchError
from windowwatch.forecast.cycle import CycleData
from windowwatch.forecast.sources import load_files, require_covers
from windowwatch.physics.ensemble import shown_aloft
from windowwatch.physics.flights import Flights, FlightStatus, Launches
from windowwatch.physics.flights import fly as fly_all
from windowwatch.physics.spread import KNOT_HEIGHT_M, central_draw, make_draws
from windowwatch.physics.train import FlightTrain
from windowwatch.scoring.values import Hour, Site, Verdict
from windowwatch.settings.read import read_settings
from windowwatch.storage.engine import sqlite_url
from windowwatch.storage.store import Store, existing_store
from windowwatch.watch.flying import fly_and_score
from windowwatch.watch.values import Watch, area_of

__all__ = [
    "FlightStatus",
    "FlightTrain",
    "Site",
    "Verdict",
    "WindowwatchError",
    "fly",
    "open_forecast",
    "open_results",
    "read_settings",
    "score",
]


def open_forecast(*paths: str | Path, model: str, sites: Sequence[Site] = ()) -> CycleData:
    """Decode one cycle of a weather model from its GRIB files.

    Parameters
    ----------
    *paths : path
        One or more files of the same cycle.
    model : str
        What the weather model is called.
    sites : sequence of Site, optional
        Only the area that flights from these can reach is kept; all of it by default.

    Returns
    -------
    CycleData
        `wind` aloft, `surface` near the ground, and as values what was missing (`gaps`) and
        what was assumed (`remarks`); `windowwatch.wording.gaps.notes_words` puts them into words.

    Raises
    ------
    ForecastError
        A `WindowwatchError`: a file is gone, damaged, of another cycle, or lacks a field that
        nothing can be done without.
    """
    return load_files(paths, model, area=area_of(sites) if sites else None)


def fly(
    forecast: CycleData,
    train: FlightTrain,
    site: Site,
    times_utc: Sequence[datetime],
    *,
    draws: int = 1,
) -> Flights:
    """Fly a train from a site at some times, with every member of the forecast.

    Parameters
    ----------
    forecast : CycleData
    train : FlightTrain
    site : Site
    times_utc : sequence of datetime
        [N], aware.
    draws : int
        How many guesses of what is not known (fill, burst, drag, canopy, wind error); the first
        has nothing unknown in it. The same input gives the same draws.

    Returns
    -------
    Flights
        Arrays [N times, M members, D draws]; a number is NaN where `status` is not
        `FlightStatus.LANDED`.

    Raises
    ------
    InputError
        If a time carries no zone, there is none, or `draws` is below 1.
    MissingFieldError
        If the site lies outside the forecast's area.
    """
    require_covers(forecast, [site])
    if not times_utc:
        raise InputError("there is no time to launch at; give one or more")
    count = len(times_utc)
    launches = Launches(
        latitude_deg=np.full(count, site.latitude_deg),
        longitude_deg=np.full(count, site.longitude_deg),
        height_m=np.full(count, site.height_m),
        time_unix_s=np.array([to_unix_s(require_utc(time)) for time in times_utc]),
    )
    if draws == 1:
        return fly_all(forecast.wind, launches, train, central_draw(count))
    drawn = make_draws(
        train,
        launches,
        count=draws,
        watch="",
        cycle_id=forecast.cycle.id,
        site=site.name,
        cycle_unix_s=forecast.wind.cycle_unix_s,
        shown=shown_aloft(forecast.wind, launches, KNOT_HEIGHT_M),
    )
    return fly_all(forecast.wind, launches, train, drawn)


def score(forecast: CycleData, watch: Watch, times_utc: Sequence[datetime]) -> tuple[Hour, ...]:
    """Score launch hours at every site of a watch, as a pass of this forecast would.

    Parameters
    ----------
    forecast : CycleData
    watch : Watch
        `read_settings(path).watch`.
    times_utc : sequence of datetime
        Aware.

    Returns
    -------
    tuple of Hour
        Site by site, in the order of the times. An hour that cannot be judged has the verdict
        `unknown`, no score and no chance, and says why (`refused`).

    Raises
    ------
    InputError
        If a time carries no zone.
    MissingFieldError
        If a site lies outside the forecast's area.
    """
    require_covers(forecast, watch.sites)
    times = tuple(require_utc(time) for time in times_utc)
    found = (fly_and_score(forecast, watch, site, times).hours for site in watch.sites)
    return tuple(hour for hours in found for hour in hours) if times else ()


def open_results(place: str | Path) -> AbstractContextManager[Store]:
    """Open stored results to read them; closed at the end of the ``with``.

    Parameters
    ----------
    place : str or Path
        URL of a database (`read_settings(path).database_url()`), or the path of a SQLite file.

    Returns
    -------
    context manager of Store
        `cycles`, `hours`, `windows`, `current_windows`, `changes` and `explain` of it take the
        name of a watch or a key. Nothing is made: no file, folder or table.

    Raises
    ------
    StorageError
        If it is not there, or not of this version; the message says what to do.
    """
    return existing_store(sqlite_url(place) if isinstance(place, Path) else place)
