"""Real ascents as twins: the earlier one is the forecast, the later one the truth.

Ascents as in `soundings`: Darwin, six-hourly. The truth rises as that balloon rose, and falls
through the winds that it had measured, under a canopy of its own.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from soundings import Sounding, air_of, fitted_train

from windowwatch.chase.phases import Track
from windowwatch.chase.posterior import WIND_GROWTH
from windowwatch.physics.earth import track as walked
from windowwatch.physics.flights import Launches
from windowwatch.physics.paths import fly_path
from windowwatch.physics.spread import central_draw
from windowwatch.physics.train import FlightTrain
from windowwatch.physics.windgrid import LOG_PRESSURE, TEMPERATURE, WindGrid

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Twin:
    """One flight that really was, with the air that an earlier one had measured.

    Attributes
    ----------
    old_hours : float
        Age of the forecast at the release. [h]
    truth : Track
        Every ten seconds from release to landing, without noise.
    turn : int
        Index of the burst in it.
    """

    name: str
    forecast: WindGrid
    train: FlightTrain
    old_hours: float
    truth: Track
    turn: int

    @property
    def landing(self) -> tuple[float, float]:
        """Where it came down."""
        return float(self.truth.latitude_deg[-1]), float(self.truth.longitude_deg[-1])

    def reports(self, until: int, stream: np.random.Generator, every_s: float = 60.0) -> Track:
        """Reports up to a row of the truth, one a minute, with noise of 10 m."""
        step = max(int(every_s / 10.0), 1)
        rows = np.arange(0, until + 1, step)
        if rows[-1] != until:
            rows = np.append(rows, until)
        part = self.truth.part(rows)
        north, east, up = stream.normal(0.0, 10.0, (3, rows.size))
        metres = 111_195.0
        return Track(
            part.time_unix_s,
            part.latitude_deg + north / metres,
            part.longitude_deg + east / (metres * np.cos(np.radians(part.latitude_deg))),
            part.height_m + up,
            np.full(rows.size, 10.0),
            np.full(rows.size, 10.0),
        )


def twin_of(
    old: Sounding, new: Sounding, stream: np.random.Generator, later: Sounding | None = None
) -> Twin:
    """The later ascent of two as a flight through the forecast of the earlier one.

    Without `later` the truth stands still: it falls through the winds that it rose through. With
    it they have moved on the way to those of that ascent, six hours later.
    """
    n = min(old.height_m.size, new.height_m.size)
    fallen = new if later is None else moved_on(new, later, n)
    forecast, air = deep(air_of(old)), deep(air_of(fallen))
    shift = new.start_unix_s - old.start_unix_s
    train = fitted_train(new)
    truth_train = FlightTrain(
        **{**vars(train), "parachute_drag_coefficient": 0.75 * np.exp(0.2 * stream.normal())}
    )
    rise_s = new.time_s[:n] - new.time_s[0]
    lat, lon = walked(
        new.time_s[:n], new.u_mps[:n], new.v_mps[:n], new.height_m[:n],
        float(new.latitude_deg[0]), float(new.longitude_deg[0]),
    )  # fmt: skip
    top = Launches(
        np.array([lat[-1]]), np.array([lon[-1]]), np.array([new.height_m[n - 1]]),
        np.array([0.0]), falling=np.array([True]),
    )  # fmt: skip
    fall = fly_path(air, top, truth_train, central_draw(1))
    began = shift  # the forecast's air has its time from its own ascent on
    up = _every(10.0, rise_s, lat, lon, new.height_m[:n])
    down = _every(
        10.0, fall.time_unix_s - fall.time_unix_s[0], fall.latitude_deg, fall.longitude_deg,
        fall.height_m,
    )  # fmt: skip
    time = np.concatenate([up[0], up[0][-1] + down[0][1:]]) + began
    rows = [np.concatenate([a, b[1:]]) for a, b in zip(up[1:], down[1:], strict=True)]
    doubt = np.full(time.size, 10.0)
    burst_m = float(new.height_m[n - 1])
    flown = FlightTrain(**{**vars(train), "burst_diameter_m": _bursts_at(train, burst_m, stream)})
    return Twin(
        new.name,
        forecast,
        flown,
        shift / 3600.0,
        Track(time, rows[0], rows[1], rows[2], doubt, doubt),
        up[0].size - 1,
    )


def moved_on(new: Sounding, later: Sounding, rows: int) -> Sounding:
    """The winds that a balloon falls through, which has risen through those of `new`.

    The true difference of two ascents six hours apart, as much of it as winds change in the time
    between rise and fall at that height: the root of its variance's law (`WIND_GROWTH`). The fall
    takes two fifths of the time that the rise took, about.
    """
    top_s = new.time_s[rows - 1]
    between_s = 1.4 * np.maximum(top_s - new.time_s, 0.0)
    share = (between_s / 21_600.0) ** (0.5 * WIND_GROWTH.exponent)
    changed = [
        getattr(new, name)
        + share * (np.interp(new.height_m, later.height_m, getattr(later, name))
                   - getattr(new, name))
        for name in ("u_mps", "v_mps")
    ]  # fmt: skip
    return replace(new, u_mps=changed[0], v_mps=changed[1])


def deep(air: WindGrid, top_m: float = 46_000.0) -> WindGrid:
    """Air that goes on above its top as a forecast's grid does: the same wind and temperature.

    A balloon of the draws may burst higher than the sounding's did, and must not leave the grid.
    """
    high = air.height_m[-1] + np.arange(500.0, top_m - air.height_m[-1] + 500.0, 500.0)
    above = np.repeat(air.air[..., -1:, :], high.size, axis=-2).astype(np.float64)
    scale_m = 287.05 * above[..., TEMPERATURE] / 9.75
    above[..., LOG_PRESSURE] -= (high - air.height_m[-1]) / scale_m
    return replace(
        air,
        height_m=np.concatenate([air.height_m, high]),
        air=np.ascontiguousarray(np.concatenate([air.air, above], axis=-2), dtype=np.float32),
    )


def _bursts_at(train: FlightTrain, height_m: float, stream: np.random.Generator) -> float:
    """Burst diameter that the train is believed to have: the true one, wrong by its sigma."""
    from windowwatch.physics.atmosphere import standard_atmosphere
    from windowwatch.physics.balloon import diameter_m

    true = float(diameter_m(train, standard_atmosphere(height_m).density_kgpm3))
    return true * float(np.exp(train.burst_sigma * stream.normal()))


def _every(step_s: float, time_s: FloatArray, *columns: FloatArray) -> tuple[FloatArray, ...]:
    """Columns at even times, and the last one."""
    even = np.append(np.arange(0.0, time_s[-1], step_s), time_s[-1])
    return (even, *(np.interp(even, time_s, each) for each in columns))
