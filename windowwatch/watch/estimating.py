"""Flights that are followed: the forecast each takes along, and estimates in another process.

A slow estimate must never hold the page up, and an open cycle must not stay in its memory. So
both are done by a child, which is kept: what flies takes seconds to load.
"""

import logging
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from windowwatch.chase.values import Air, Flight, LearnedErrors
from windowwatch.child import Child, ChildLimits, never
from windowwatch.clock import to_unix_s
from windowwatch.errors import SourceError, WindowwatchError
from windowwatch.logs import LogStyle
from windowwatch.scoring.values import Site
from windowwatch.storage.store import Store, open_store

if TYPE_CHECKING:  # whoever has flights estimated elsewhere needs none of what reads forecasts
    import numpy as np
    from numpy.typing import NDArray

    from windowwatch.physics.windgrid import WindGrid
    from windowwatch.watch.launchday.opening import OpenAs
    from windowwatch.watch.values import Watch

_LOG = logging.getLogger(__name__)

#: No forecast reaches further; an older cycle is not even read.
_LONGEST = timedelta(days=16)
#: From so long before the beginning to so long after it a flight keeps its forecast. [s]
_BEFORE_S, _AFTER_S = 6 * 3600.0, 30 * 3600.0
#: A forecast that could not be read is tried again after this. [s]
_AGAIN_S = 60.0
#: The process is kept for so long after its last estimate. [s]
_KEPT_S = 900.0
#: What an estimate may take; it takes half a second.
_LIMITS = ChildLimits(timedelta(minutes=5), 4096)


@dataclass(frozen=True)
class AirFrom:
    """Where the forecast of a flight comes from.

    Parameters
    ----------
    watch : Watch
        Its maps are not needed.
    folder : Path or None
        Of its deciding model's files; None where they are fetched, and the newest stored cycle is
        opened again.
    named : OpenAs
    """

    watch: "Watch"
    folder: Path | None
    named: "OpenAs"

    @classmethod
    def of(cls, watch: "Watch", folder: Path | None, named: "OpenAs") -> "AirFrom":
        """The same without the watch's maps, which may be large."""
        from windowwatch.ground.query.features import Ground

        return cls(replace(watch, ground=Ground(), channels=()), folder, named)


def newest_air(
    source: AirFrom, store: Store, place: tuple[float, float], moment_utc: datetime
) -> "tuple[str, WindGrid]":
    """The newest cycle round a place and a moment: its id, and as much as a flight can meet.

    Raises
    ------
    WindowwatchError
        If there is none, or it does not hold that moment or place.
    """
    from windowwatch.forecast.sources import load_cycle, scan_folder
    from windowwatch.watch.launchday.opening import newest_cycle, open_again
    from windowwatch.watch.values import area_of

    here = Site("release", *place, 0.0, "UTC")
    area = area_of([here])
    if source.folder is not None:
        look = scan_folder(source.folder, model=source.watch.model)
        if not look.cycles:
            raise SourceError(f"{source.folder} holds no cycle")
        _require_fresh(look.cycles[-1].cycle.reference_utc, moment_utc)
        data = load_cycle(look.cycles[-1], area=area)
    else:
        stored = newest_cycle(store, source.watch)
        _require_fresh(stored.cycle.reference_utc, moment_utc)
        data = open_again(stored, source.watch, store, source.named)
    return data.cycle.id, air_round(data.wind, place, moment_utc)


def errors_of(watch: "Watch", store: Store) -> LearnedErrors | None:
    """By which errors a flight doubts its forecast: as the next pass of the watch would.

    None for the tables from memory.
    """
    from windowwatch.watch.learned import believing

    belief = believing(watch, store)[0].belief
    return None if belief.version is None else LearnedErrors(belief.wind, belief.version)


def _require_fresh(reference_utc: datetime, moment_utc: datetime) -> None:
    if moment_utc - reference_utc > _LONGEST:
        raise SourceError("the newest cycle is too old for this time")


def air_round(wind: "WindGrid", place: tuple[float, float], moment_utc: datetime) -> "WindGrid":
    """The part of a forecast that a flight can meet: all of it would be read at every report.

    Raises
    ------
    SourceError
        If it does not hold that moment or place.
    """
    from windowwatch.watch.values import area_of

    moment, time_s = to_unix_s(moment_utc), wind.time_unix_s
    if not time_s[0] <= moment <= time_s[-1]:
        raise SourceError("the newest cycle does not hold this time")
    if not wind.covers(*place):
        raise SourceError("the newest cycle does not hold this place")
    first = max(int(time_s.searchsorted(moment - _BEFORE_S, "right")) - 1, 0)
    kept = slice(first, min(int(time_s.searchsorted(moment + _AFTER_S)) + 1, time_s.size))
    south, west, north, east = area_of([Site("release", *place, 0.0, "UTC")])
    rows = _between(wind.latitude_deg, south, north)
    first_deg = float(wind.longitude_deg[0])
    here_deg = first_deg + (place[1] - first_deg) % 360.0
    half_deg = 0.5 * (east - west)
    columns = _between(wind.longitude_deg, here_deg - half_deg, here_deg + half_deg)
    lowest = wind.moisture
    return replace(
        wind,
        time_unix_s=time_s[kept],
        latitude_deg=wind.latitude_deg[rows],
        longitude_deg=wind.longitude_deg[columns],
        air=wind.air_of(0)[None, kept, rows, columns],  # one member is flown
        terrain_m=wind.terrain_m[rows, columns],
        member_labels=wind.member_labels[:1],
        moisture=None if lowest is None else lowest[kept, rows, columns],
        own_steps=(),
    )


def _between(axis_deg: "NDArray[np.float64]", low: float, high: float) -> slice:
    """Points of an axis between two values, and the ones just outside."""
    first = max(int(axis_deg.searchsorted(low, "right")) - 1, 0)
    return slice(first, min(int(axis_deg.searchsorted(high)) + 1, axis_deg.size))


class _Tried:
    """When the forecast of a flight was tried for in vain."""

    def __init__(self) -> None:
        self._at_s: dict[str, float] = {}

    def is_due(self, key: str) -> bool:
        """Whether it may be tried again; it counts as tried then."""
        now_s = time.monotonic()
        due = now_s - self._at_s.get(key, -_AGAIN_S) >= _AGAIN_S
        if due:
            self._at_s[key] = now_s
        return due


_TRIED = _Tried()


def take_air(store: Store, flight: Flight, source: AirFrom, now_utc: datetime) -> str:
    """Give a flight the forecast that it awaits, and say why it has none where that fails.

    A failure is tried again after a minute, at the next call.
    """
    begun = flight.begun
    if begun.air is not Air.AWAITED or not _TRIED.is_due(flight.key):
        return ""
    place = (begun.latitude_deg, begun.longitude_deg)
    try:
        found = newest_air(source, store, place, begun.released_utc or now_utc)
        store.give_air(flight.key, *found, errors_of(source.watch, store))
    except WindowwatchError as error:
        return error.message
    return ""


_STORES: dict[str, Store] = {}


def estimate_here(database_url: str, source: AirFrom | None, key: str, now_utc: datetime) -> str:
    """Estimate a flight anew, in this process; for one of its own.

    Returns
    -------
    str
        Why it has no forecast, where it awaits one that was tried for in vain just now.
    """
    store = _STORES.get(database_url)
    if store is None:
        store = _STORES.setdefault(database_url, open_store(database_url))
    flight = store.flight(key)
    why = ""
    if flight is not None and flight.closing is None and source is not None:
        why = take_air(store, flight, source, now_utc)
    store.follow(key, now_utc)
    return why


class EstimatesInChild:
    """Estimates flights in a process of its own; may be shared by threads, one is served at a time.

    Parameters
    ----------
    database_url : str
    source : AirFrom or None
        Where flights that await a forecast get it from.
    style : LogStyle, optional
    stopping : callable
        Asked while a flight is estimated; True ends it.
    """

    def __init__(
        self,
        database_url: str,
        source: AirFrom | None,
        style: LogStyle | None = None,
        stopping: Callable[[], bool] = never,
    ) -> None:
        self._url, self._source = database_url, source
        self._asked_to_stop, self._ended = stopping, False
        self._child = Child(_LIMITS, style=style)
        self._alone = threading.Lock()
        self._used_s = time.monotonic()

    def __call__(self, key: str, now_utc: datetime) -> None:
        """Estimate a flight by all that is stored of it, and store that.

        Raises
        ------
        WindowwatchError
            As the work raised it, or what befell the process.
        """
        given = (self._url, self._source, key, now_utc)
        with self._alone:
            if self._stopping():
                return
            try:
                why = self._child.call(
                    estimate_here, given, what="estimating a flight", stopping=self._stopping
                )
            finally:
                self._used_s = time.monotonic()
        if why:
            _LOG.warning("flight %s has no forecast yet: %s", key, why)

    def rest(self) -> None:
        """Let the process go when nothing was estimated for long; the next call starts another."""
        if time.monotonic() - self._used_s < _KEPT_S or not self._alone.acquire(blocking=False):
            return
        try:
            self._child.close()
        finally:
            self._alone.release()

    def _stopping(self) -> bool:
        return self._ended or self._asked_to_stop()

    def close(self) -> None:
        """End the process, whatever it does."""
        self._ended = True
        with self._alone:
            self._child.close()
