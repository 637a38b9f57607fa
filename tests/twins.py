"""Real ascents as twins: the earlier one is the forecast, the later one the truth.

Ascents as in `soundings`: Darwin, six-hourly. The truth rises as that balloon rose, and falls
through the winds that it had measured, under a canopy of its own. What is believed of the wind is
fitted to other days (`fitted`).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray
from soundings import Sounding, air_of, fitted_train

from windowwatch.chase.measured import SWING_MPS, UPDRAFT_MPS
from windowwatch.chase.phases import Track
from windowwatch.chase.posterior import FALL_BY_LAYER, FALL_SHARED, WIND_GROWTH, WindGrowth
from windowwatch.physics.earth import track as walked
from windowwatch.physics.train import FlightTrain, descent_rate_mps
from windowwatch.physics.winderror import WindErrorModel
from windowwatch.physics.windgrid import LOG_PRESSURE, TEMPERATURE, WindGrid

FloatArray = NDArray[np.float64]

#: A canopy under which a quarter of a kilogram comes down at 5 m/s: common practice, no source.
_CANOPY_M2 = 0.22
#: Over so much height the part of a fall's error hangs together that its layers share. Judgement.
_SHARED_OVER_M = 6_000.0


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
    old: Sounding,
    new: Sounding,
    stream: np.random.Generator,
    later: Sounding | None = None,
    *,
    drawn: bool = False,
) -> Twin:
    """The later ascent of two as a flight through the forecast of the earlier one.

    Without `later` the truth stands still: it falls through the winds that it rose through. With
    it they have moved on the way to those of that ascent, six hours later. It is `drawn` where
    what no sounding tells is drawn as the estimate believes it: how far lift and drag are from
    what they are taken for, and how the fall differs from its law. Canopy and burst diameter
    are drawn in any case.
    """
    n = min(old.height_m.size, new.height_m.size)
    forecast = deep(air_of(old))
    train = replace(fitted_train(new), parachute_area_m2=_CANOPY_M2)
    canopy = 0.75 * np.exp(train.canopy_sigma * stream.normal())
    truly = replace(train, parachute_drag_coefficient=float(canopy))
    believed = _bursts_at(train, float(new.height_m[n - 1]), stream)
    train = replace(train, burst_diameter_m=believed)
    rise_s = new.time_s[:n] - new.time_s[0]
    lat, lon = walked(
        new.time_s[:n], new.u_mps[:n], new.v_mps[:n], new.height_m[:n],
        float(new.latitude_deg[0]), float(new.longitude_deg[0]),
    )  # fmt: skip
    fall_s, height = fall_of(truly, new, n, stream if drawn else None)
    fallen = new if later is None else moved_on(new, later, rise_s, fall_s, height)
    u, v = (np.interp(height, fallen.height_m, each) for each in (fallen.u_mps, fallen.v_mps))
    if drawn:
        swing = SWING_MPS * stream.normal(size=(2, int(fall_s[-1] / 60.0) + 1))
        u, v = u + swing[0, (fall_s / 60.0).astype(int)], v + swing[1, (fall_s / 60.0).astype(int)]
        lift_kg = train.nozzle_lift_kg * float(np.exp(train.lift_sigma * stream.normal()))
        train = replace(
            train,
            nozzle_lift_kg=max(lift_kg, 1.001 * train.payload_mass_kg),
            drag_factor=float(np.exp(train.drag_sigma * stream.normal())),
        )
    down_lat, down_lon = walked(fall_s, u, v, height, float(lat[-1]), float(lon[-1]))
    up = _every(10.0, rise_s, lat, lon, new.height_m[:n])
    down = _every(10.0, fall_s, down_lat, down_lon, height)
    shift = new.start_unix_s - old.start_unix_s  # the forecast's time begins with its own ascent
    time = np.concatenate([up[0], up[0][-1] + down[0][1:]]) + shift
    rows = [np.concatenate([a, b[1:]]) for a, b in zip(up[1:], down[1:], strict=True)]
    doubt = np.full(time.size, 10.0)
    return Twin(
        new.name,
        forecast,
        train,
        shift / 3600.0,
        Track(time, rows[0], rows[1], rows[2], doubt, doubt),
        up[0].size - 1,
    )


def fall_of(
    train: FlightTrain, new: Sounding, rows: int, stream: np.random.Generator | None
) -> tuple[FloatArray, FloatArray]:
    """Seconds since the burst, and heights, down to where the ascent began.

    With a stream the rate differs from its law as `windowwatch.chase` believes that it does: by 3 %
    that hangs together over kilometres, by 5 % in each minute, and by the air's own motion.
    """
    height = np.arange(new.height_m[rows - 1], new.height_m[0] - 1.0, -25.0)
    middle = 0.5 * (height[1:] + height[:-1])
    pressure = np.exp(np.interp(middle, new.height_m, np.log(new.pressure_pa)))
    density = pressure / (287.053 * np.interp(middle, new.height_m, new.temperature_k))
    rate = descent_rate_mps(train, density)
    if stream is not None:
        knots = np.arange(0.0, 46_000.0, 300.0)
        near = np.exp(-np.abs(knots[:, None] - knots) / _SHARED_OVER_M)
        shared = FALL_SHARED * np.linalg.cholesky(near) @ stream.normal(size=knots.size)
        minute = (np.cumsum(25.0 / rate) / 60.0).astype(int)
        by_layer, updraft = stream.normal(size=(2, minute[-1] + 1))
        wrong = np.interp(middle, knots, shared) + FALL_BY_LAYER * by_layer[minute]
        rate = np.maximum(rate * np.exp(wrong) + UPDRAFT_MPS * updraft[minute], 0.5)
    return np.concatenate([[0.0], np.cumsum(25.0 / rate)]), height


def moved_on(
    new: Sounding, later: Sounding, rise_s: FloatArray, fall_s: FloatArray, height_m: FloatArray
) -> Sounding:
    """The winds that a balloon falls through, which has risen through those of `new`.

    The true difference of two ascents six hours apart, as much of it as winds change in the time
    between rise and fall at that height: the root of its variance's law (`WIND_GROWTH`).
    """
    risen = np.interp(new.height_m, new.height_m[: rise_s.size], rise_s)
    fallen = rise_s[-1] + np.interp(new.height_m, height_m[::-1], fall_s[::-1])
    share = (np.maximum(fallen - risen, 0.0) / 21_600.0) ** (0.5 * WIND_GROWTH.exponent)
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


#: Lags of pairs that an error is fitted to, and layers over which its size is. [h], [m]
_LAGS_H = (6.0, 12.0, 18.0, 24.0)
_EDGES_M = (0.0, 1_500.0, 4_000.0, 8_000.0, 12_000.0, 16_000.0, 20_000.0, 25_000.0, 45_000.0)
_MIDDLES_M = (750.0, 2_750.0, 6_000.0, 10_000.0, 14_000.0, 18_000.0, 22_500.0, 28_000.0)
_STEP_M = 500.0


def fitted(some: Sequence[Sounding]) -> tuple[WindErrorModel, WindGrowth]:
    """Error of an old sounding taken for the forecast, and growth, of pairs among some soundings.

    Sizes by height at 6 and 12 h; the height over which they hang together, at which the
    exponential comes nearest to the correlations up to 6 km; the power of time by which sizes
    up to 20 km grow between 6 and 24 h.
    """
    pairs = {lag: apart(some, lag) for lag in _LAGS_H}
    sizes = {lag: _sizes(found) for lag, found in pairs.items()}
    length_m = float(np.mean([_length_m(pairs[lag], sizes[lag]) for lag in _LAGS_H[:2]]))
    means = [float(np.log(np.mean(sizes[lag][:6] ** 2))) for lag in _LAGS_H]
    power = float(np.polyfit(np.log(_LAGS_H), means, 1)[0])
    six = np.sqrt(np.mean([sizes[lag] ** 2 * (6.0 / lag) ** power for lag in _LAGS_H], axis=0))
    error = WindErrorModel(
        _LAGS_H[:2], _MIDDLES_M, tuple(tuple(sizes[lag].tolist()) for lag in _LAGS_H[:2]),
        length_m, 0.0, "fitted to the other days",
    )  # fmt: skip
    return error, WindGrowth(
        _MIDDLES_M, tuple(six.tolist()), power, WIND_GROWTH.per_100_km_mps, "fitted to other days"
    )


def apart(some: Sequence[Sounding], hours: float) -> list[tuple[Sounding, Sounding]]:
    """Pairs so many hours apart."""
    return [
        (a, b)
        for a, b in combinations(some, 2)
        if abs((b.start_unix_s - a.start_unix_s) / 3_600.0 - hours) < 1.6
    ]


def _difference(pair: tuple[Sounding, Sounding]) -> tuple[FloatArray, FloatArray]:
    """Heights [L], and differences [2, L] of winds half a kilometre thick."""
    low = max(each.height_m[0] for each in pair) + 250.0
    high = min(each.height_m[-1] for each in pair) - 250.0
    height = np.arange(np.ceil(low / _STEP_M) * _STEP_M, high, _STEP_M)
    smooth = [
        [np.interp(height, each.height_m,
                   np.convolve(np.pad(getattr(each, name), 2, "edge"), np.ones(5) / 5.0, "valid"))
         for name in ("u_mps", "v_mps")]
        for each in pair
    ]  # fmt: skip
    return height, np.array(smooth[1]) - np.array(smooth[0])


def _sizes(pairs: Sequence[tuple[Sounding, Sounding]]) -> FloatArray:
    """Root mean square of the difference vector by layer; the nearest one's where few reached."""
    found = [_difference(pair) for pair in pairs]
    height = np.concatenate([each[0] for each in found])
    square = np.concatenate([np.sum(each[1] ** 2, axis=0) for each in found])
    layer = np.digitize(height, _EDGES_M) - 1
    count = np.array([np.count_nonzero(layer == i) for i in range(len(_MIDDLES_M))])
    there = np.flatnonzero(count >= 8)
    sizes = [float(np.sqrt(square[layer == i].mean())) for i in there]
    return np.interp(np.arange(len(_MIDDLES_M)), there, sizes)


def _length_m(pairs: Sequence[tuple[Sounding, Sounding]], sizes: FloatArray) -> float:
    """Height over which the correlation of a component falls to 1/e."""
    products: dict[int, list[float]] = {}
    for pair in pairs:
        height, wind = _difference(pair)
        unit = wind / (np.interp(height, _MIDDLES_M, sizes) / np.sqrt(2.0))
        for step in range(1, min(13, height.size)):
            products.setdefault(step, []).extend((unit[:, :-step] * unit[:, step:]).ravel())
    away = np.array(sorted(products)) * _STEP_M
    seen = np.array([np.mean(products[step]) for step in sorted(products)])
    lengths = np.arange(800.0, 5_000.0, 50.0)
    wrong = [float(np.sum((np.exp(-away / length) - seen) ** 2)) for length in lengths]
    return float(lengths[int(np.argmin(wrong))])
