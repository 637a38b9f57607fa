"""Archives of analysed weather: parts of them read, checked, and put together time by time.

An archive is one Zarr store (format 2 or 3), a
NetCDF or GRIB file, or a folder of such files; a path of this machine, or an address that fsspec
knows. Files may hold different fields and times; all of them share one grid. They are put
together time by time here, so that each keeps its own units, order of levels and direction of
latitudes, and so that a time that is there twice is seen.

Nothing is filled in. A time that is not there is a plane of NaN; values that no weather has are
an error that names variable, file and time.
"""

import time as clock
from collections.abc import Iterator
from dataclasses import dataclass, field
from threading import Lock
from typing import Any, NamedTuple

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from windowwatch.clock import from_unix_s
from windowwatch.errors import (
    ImpossibleWeatherError,
    MissingFieldError,
    SourceError,
    shown,
)
from windowwatch.physics.atmosphere import standard_height_m
from windowwatch.survey.names import (
    EVERY,
)
from windowwatch.units import FloatArray

#: South, west, north, east. [deg]
Area = tuple[float, float, float, float]

#: A read that fails is tried so often, with pauses that double. [s]
TRIES, PAUSE_S = 4, 0.05
#: ecCodes, HDF5 and what stands on them are asked by one thread at a time.
ONE_AT_A_TIME = Lock()
#: What xarray, and the libraries below it, raise for what cannot be read.
FOREIGN = (OSError, KeyError, ValueError, TypeError, IndexError, RuntimeError, EOFError)


@dataclass(frozen=True)
class Part:
    """One variable of one file: some times of one field.

    `time_s` is empty for what has no time. `data` has the dimensions ``time`` (unless it is of one
    time or none), ``level`` (where there are any), ``latitude`` and ``longitude``, each in the
    file's own order.
    """

    name: str
    place: str
    variable: str
    data: xr.DataArray
    time_s: FloatArray
    level_pa: FloatArray
    factor: float
    summand: float
    engine: str

    def chunk_values(self) -> tuple[int, ...]:
        """Sizes of the stored chunks along the dimensions; those of the whole where none are."""
        stored = self.data.encoding.get("chunks") or self.data.encoding.get("chunksizes")
        dims = self.data.encoding.get("windowwatch_dims")
        if not stored or dims is None or len(stored) != len(dims):
            return tuple(self.data.shape)
        by_dim = dict(zip(dims, stored, strict=True))
        return tuple(int(by_dim.get(dim, 1)) for dim in self.data.dims)


class Cut(NamedTuple):
    """Rows and columns of an area: slices into the archive's axes, and the axes that come of it."""

    rows: slice
    columns: tuple[slice, ...]
    latitude_deg: FloatArray
    longitude_deg: FloatArray


@dataclass(frozen=True)
class Archive:
    """An opened archive. Axes are those of the files; `Cut` turns them round.

    Attributes
    ----------
    address : str
    parts : dict of str to list of Part
        By our names of fields.
    latitude_deg, longitude_deg : array [Y], [X]
        As in the files. [deg]
    level_pa : array [L]
        Falling, those that every part on levels has. [Pa]
    step_s : float
        Commonest distance between two times of the wind aloft. [s]
    interval_h : dict of str to float
        Of what interval a value is, for sums, means and greatest values. [h]
    remarks : list of str
        What was assumed, in words.
    title : str
        What it calls itself.
    """

    address: str
    parts: dict[str, list[Part]]
    latitude_deg: FloatArray
    longitude_deg: FloatArray
    level_pa: FloatArray
    step_s: float
    interval_h: dict[str, float]
    remarks: list[str] = field(default_factory=list)
    title: str = ""
    _times: dict[str, FloatArray] = field(default_factory=dict)

    @property
    def fields(self) -> frozenset[str]:
        """Names of the fields that it carries."""
        return frozenset(self.parts)

    def times_of(self, name: str) -> FloatArray:
        """Times that are there of a field, each once, rising. [s]"""
        if name not in self._times:
            own = [part.time_s for part in self.parts.get(name, [])]
            self._times[name] = np.unique(np.concatenate(own)) if own else np.empty(0)
        return self._times[name]

    def cut(self, area: Area) -> Cut:
        """The part of the grid that covers an area, with one more row and column round it.

        Raises
        ------
        MissingFieldError
            If nothing of it is in the archive.
        """
        south, west, north, east = area
        latitude, longitude = self.latitude_deg, self.longitude_deg
        row_deg, column_deg = _step(latitude), _step(longitude)
        near = np.flatnonzero((latitude >= south - row_deg) & (latitude <= north + row_deg))
        offset = np.mod(longitude - (west - column_deg), 360.0)
        chosen = np.flatnonzero(offset <= min(east - west + 2.0 * column_deg, 360.0 - 1e-9))
        if near.size < 2 or chosen.size < 2:
            raise MissingFieldError(
                f"{shown(self.address)}: nothing of {south:.1f} to {north:.1f} degrees north, "
                f"{west:.1f} to {east:.1f} degrees east is in it; it covers {self.covers_words()}"
            )
        chosen = chosen[np.argsort(offset[chosen])]
        breaks = np.flatnonzero(np.abs(np.diff(chosen)) != 1) + 1
        runs = np.split(chosen, breaks)
        columns = tuple(_as_slice(run) for run in runs)
        rows = slice(int(near[0]), int(near[-1]) + 1)
        east_of = west - column_deg + offset[chosen]
        gaps = np.flatnonzero(np.diff(east_of) > 1.5 * column_deg)
        if gaps.size:  # an archive of part of the world, met from both sides
            sides = np.split(np.arange(chosen.size), gaps + 1)
            kept = max(sides, key=len)
            columns = tuple(_as_slice(run) for run in np.split(
                chosen[kept], np.flatnonzero(np.abs(np.diff(chosen[kept])) != 1) + 1))  # fmt: skip
            east_of = east_of[kept]
        return Cut(rows, columns, np.sort(latitude[near]), east_of)

    def covers_words(self) -> str:
        """Area of the whole grid, in words."""
        east = eastward_deg(self.longitude_deg)
        if east[0] > 180.0:
            east = east - 360.0
        return (
            f"{self.latitude_deg.min():.1f} to {self.latitude_deg.max():.1f} degrees north, "
            f"{east[0]:.1f} to {east[-1]:.1f} degrees east"
        )

    def read(self, name: str, time_s: FloatArray, cut: Cut) -> NDArray[np.float32]:
        """Values of a field at some times: [T, L, Y, X] on levels, else [T, Y, X].

        NaN at times that are not there. Levels fall, latitudes and longitudes rise.

        Raises
        ------
        ForecastError
            If a file cannot be read, or holds what no weather has; variable and time are named.
        """
        known = EVERY[name]
        shape = (cut.latitude_deg.size, cut.longitude_deg.size)
        levels = (self.level_pa.size,) if known.on_levels else ()
        out = np.full((time_s.size, *levels, *shape), np.nan, dtype=np.float32)
        filled = np.zeros(time_s.size, dtype=np.bool_)
        for part in self.parts.get(name, []):
            order = np.argsort(part.time_s, kind="stable")
            there = part.time_s[order]
            first = int(np.searchsorted(there, time_s[0], side="left"))
            last = int(np.searchsorted(there, time_s[-1], side="right"))
            for run in _runs(order[first:last]):
                spots = np.searchsorted(time_s, part.time_s[run])
                wanted = np.isclose(time_s[np.minimum(spots, time_s.size - 1)], part.time_s[run])
                if not wanted.any():
                    continue
                for some in _runs(run[wanted]):
                    values = self._values(part, some, cut)
                    _put(part, out, filled, spots[np.isin(run, some)], values, time_s)
        return out

    def read_still(self, name: str, cut: Cut) -> NDArray[np.float32]:
        """Values [Y, X] of what stands still: its first time, where it has any."""
        part = self.parts[name][0]
        values = self._values(part, np.array([0]) if part.time_s.size else None, cut)
        return np.asarray(values[0])

    def _values(self, part: Part, times: NDArray[np.intp] | None, cut: Cut) -> NDArray[np.float32]:
        """Some neighbouring times of a part, checked and in our unit."""
        known = EVERY[part.name]
        pieces = []
        for columns in cut.columns:
            chosen: dict[str, Any] = {"latitude": cut.rows, "longitude": columns}
            if times is not None and "time" in part.data.dims:
                chosen["time"] = slice(int(times[0]), int(times[-1]) + 1)
            pieces.append(_patiently(part, chosen, times))
        values: NDArray[np.float32] = np.concatenate(pieces, axis=-1).astype(np.float32, copy=False)
        if "time" not in part.data.dims:  # no time at all, or a single one
            values = values[np.newaxis]
        if known.on_levels:
            order = [int(np.flatnonzero(part.level_pa == level)[0]) for level in self.level_pa]
            values = values[:, order]
        if self.latitude_deg[0] > self.latitude_deg[-1]:
            values = values[..., ::-1, :]
        if part.factor != 1.0 or part.summand != 0.0:
            values = (values * np.float32(part.factor) + np.float32(part.summand)).astype(
                np.float32
            )
        _require_weather(part, values, times, self.level_pa)
        return np.ascontiguousarray(values)


def _as_slice(run: NDArray[np.intp]) -> slice:
    """Neighbouring indices, rising or falling, as a slice."""
    if run.size > 1 and run[1] < run[0]:
        stop = int(run[-1]) - 1
        return slice(int(run[0]), None if stop < 0 else stop, -1)
    return slice(int(run[0]), int(run[-1]) + 1)


def _runs(indices: NDArray[np.intp]) -> Iterator[NDArray[np.intp]]:
    """Indices, cut where they do not go up by one."""
    if indices.size:
        yield from np.split(indices, np.flatnonzero(np.diff(indices) != 1) + 1)


def _put(
    part: Part,
    out: NDArray[np.float32],
    filled: NDArray[np.bool_],
    at: NDArray[np.intp],
    values: NDArray[np.float32],
    time_s: FloatArray,
) -> None:
    """Lay values at their times; one that is there already must say the same."""
    for spot, plane in zip(at.tolist(), values, strict=True):
        if filled[spot] and not np.array_equal(out[spot], plane, equal_nan=True):
            raise ImpossibleWeatherError(
                f"{shown(part.place)}: {part.variable} ({EVERY[part.name].words}) is there twice "
                f"for {_when(time_s[spot])}, with different values; take one of them away"
            )
        out[spot], filled[spot] = plane, True


def _patiently(part: Part, chosen: dict[str, Any], times: NDArray[np.intp] | None) -> Any:
    """Values as the file has them; a read that fails is tried again."""
    for attempt in range(1, TRIES + 1):
        try:
            if part.engine == "zarr":
                return part.data.isel(chosen).values
            with ONE_AT_A_TIME:
                return part.data.isel(chosen).values
        except FOREIGN as error:
            if attempt == TRIES:
                span = "" if times is None else f" of {_when(part.time_s[times[0]])} and later"
                raise SourceError(
                    f"{shown(part.place)}: {part.variable} ({EVERY[part.name].words}){span} cannot "
                    f"be read, {TRIES} times in a row ({type(error).__name__}: {error})",
                    retry=True,
                ) from error
            clock.sleep(PAUSE_S * 2.0**attempt)
    raise AssertionError("the last attempt ends in one of the two ways")


def _require_weather(
    part: Part,
    values: NDArray[np.float32],
    times: NDArray[np.intp] | None,
    level_pa: FloatArray,
) -> None:
    """Refuse numbers that no weather has: another unit than is said, or damage."""
    known = EVERY[part.name]
    with np.errstate(invalid="ignore"):
        wrong = (values < known.least) | (values > known.greatest)
        if part.name == "gh":
            usual = standard_height_m(level_pa)[:, None, None]
            wrong |= np.abs(values - usual) > 1_500.0 + 0.2 * np.abs(usual)
    if wrong.any():
        step = int(np.argwhere(wrong)[0][0])
        worst = float(values[wrong][0])
        when = "" if times is None else f" at {_when(part.time_s[times[step]])}"
        said = part.data.attrs.get("units", "nothing")
        raise ImpossibleWeatherError(
            f"{shown(part.place)}: {part.variable} ({known.words}){when} is {worst:.6g}, "
            f"which no weather has; its unit is said to be {said!r}: if that is wrong, [units] of "
            "the mapping file sets it right, else the file is damaged"
        )


def _when(unix_s: float) -> str:
    return f"{from_unix_s(float(unix_s)):%Y-%m-%d %H:%M} UTC"


def _step(axis: FloatArray) -> float:
    """Distance of neighbours; longitudes may jump once, where they go round the world."""
    return float(np.median(np.abs(np.diff(axis)))) if axis.size > 1 else 0.0


def eastward_deg(longitude_deg: FloatArray) -> FloatArray:
    """Longitudes from west to east without a jump, begun after the widest gap between them."""
    around = np.sort(np.mod(longitude_deg, 360.0))
    gaps = np.diff(around, append=around[0] + 360.0)
    first = (int(np.argmax(gaps)) + 1) % around.size
    west = float(around[first])
    return np.asarray(west + np.mod(np.roll(around, -first) - west, 360.0))
