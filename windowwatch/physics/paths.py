"""Chosen flights once more, step by step, and a path thinned to what can be drawn."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from windowwatch.errors import InputError
from windowwatch.physics import kernels as k
from windowwatch.physics.flights import FlightStatus, Launches, Prepared, prepare
from windowwatch.physics.spread import Draws
from windowwatch.physics.train import FlightTrain
from windowwatch.physics.windgrid import WindGrid
from windowwatch.units import FloatArray, wrap_longitude_deg

IntArray = NDArray[np.intp]


@dataclass(frozen=True)
class FlightPath:
    """One flight step by step, arrays [S]; the last row is the landing if it landed.

    Attributes
    ----------
    status : FlightStatus
    time_unix_s, latitude_deg, longitude_deg, height_m : [s], [deg], [deg], [m]
    rising : bool
        True up to and including the burst.
    u_mps, v_mps, temperature_k, density_kgpm3 : the air there
        The wind holds the draw's wind error.
    error_u_mps, error_v_mps : the draw's wind error there [m s⁻¹]
    """

    status: FlightStatus
    time_unix_s: FloatArray
    latitude_deg: FloatArray
    longitude_deg: FloatArray
    height_m: FloatArray
    rising: NDArray[np.bool_]
    u_mps: FloatArray
    v_mps: FloatArray
    temperature_k: FloatArray
    density_kgpm3: FloatArray
    error_u_mps: FloatArray
    error_v_mps: FloatArray


def fly_path(
    grid: WindGrid,
    launches: Launches,
    train: FlightTrain,
    draws: Draws,
    *,
    launch: int = 0,
    member: int = 0,
    draw: int = 0,
    step_s: float = 60.0,
    longest_flight_s: float = 6 * 3600.0,
) -> FlightPath:
    """One of the flights of `fly`, step by step. Raises as `fly_paths`."""
    return fly_paths(
        grid, launches, train, draws, launch=[launch], member=[member], draw=[draw],
        step_s=step_s, longest_flight_s=longest_flight_s,
    )[0]  # fmt: skip


def fly_paths(
    grid: WindGrid,
    launches: Launches,
    train: FlightTrain,
    draws: Draws,
    *,
    launch: ArrayLike,
    member: ArrayLike,
    draw: ArrayLike,
    step_s: float = 60.0,
    longest_flight_s: float = 6 * 3600.0,
) -> tuple[FlightPath, ...]:
    """Some of the flights of `fly`, step by step.

    Parameters
    ----------
    grid, launches, train, draws, step_s, longest_flight_s
        As for `fly`.
    launch, member, draw : array_like of int [P]
        Which flights.

    Returns
    -------
    tuple of FlightPath [P]

    Raises
    ------
    InputError
        As `fly`, and if there is no such launch, member or draw.
    """
    chosen = [np.asarray(each, dtype=np.intp) for each in (launch, member, draw)]
    sizes = launches.time_unix_s.size, len(grid.member_labels), draws.lift.shape[1]
    for name, index, size in zip(("launch", "member", "draw"), chosen, sizes, strict=True):
        wrong = index[(index < 0) | (index >= size)]
        if wrong.size:
            raise InputError(f"there is no {name} {wrong[0]}; there are {size}")
    ready = prepare(grid, launches, train, draws, step_s=step_s, longest_flight_s=longest_flight_s)
    paths: dict[int, FlightPath] = {}
    for one in np.unique(chosen[1]):
        of_it = np.flatnonzero(chosen[1] == one)
        found = _fly_member(ready, chosen[0][of_it], int(one), chosen[2][of_it])
        paths.update(zip(of_it.tolist(), found, strict=True))
    return tuple(paths[number] for number in range(chosen[0].size))


def _fly_member(ready: Prepared, launch: IntArray, member: int, draw: IntArray) -> list[FlightPath]:
    """One draw each of some launches, through one member, in one compiled call."""
    count = launch.size
    # launch by launch, as `fly` does: a product of other shape rounds otherwise
    parts: dict[int, NDArray[np.float32]] = {}
    for one in np.unique(launch):
        of_it = ready.errors(int(one), int(one) + 1)
        parts.update(
            (int(i), of_it[:, draw[i] : draw[i] + 1].copy()) for i in np.flatnonzero(launch == one)
        )
    errors = np.concatenate([parts[i] for i in range(count)])
    out, rows = np.empty((k.RESULTS, count)), np.zeros(count, dtype=np.int64)
    paths = np.empty((count, ready.most_steps, k.PATH))
    axes, air, member = ready.of_member(member)
    k.fly_many(
        ready.start[launch], 0, count, air[member : member + 1], 0, 1, axes,
        ready.bodies[launch, draw][:, None], errors, ready.constants, paths, rows,
        np.empty(12), out,
    )  # fmt: skip
    heights_m = ready.grid.height_m
    return [
        _path(int(out[k.STATUS, i]), paths[i, : rows[i]], heights_m, errors[i, 0])
        for i in range(count)
    ]


def _path(
    status: int, steps: FloatArray, heights_m: NDArray[np.floating], error: NDArray[np.float32]
) -> FlightPath:
    """Rows of the kernel's path as a `FlightPath`; `error` is [H, 3], H may be 0."""
    none = np.zeros(len(steps))
    drawn = (
        [np.interp(steps[:, 3], heights_m, e) for e in error.T[:2]] if len(error) else [none, none]
    )
    return FlightPath(
        FlightStatus(status), steps[:, 0], steps[:, 1], wrap_longitude_deg(steps[:, 2]),
        steps[:, 3], steps[:, 4] > 0.5, steps[:, 5], steps[:, 6], steps[:, 7],
        np.exp(steps[:, 8]), *drawn,
    )  # fmt: skip


def thinned(path: FlightPath, most: int) -> IntArray:
    """Steps that a path is drawn with: at most `most`, evenly in time, with burst and landing.

    Rise and descent each get their share of the points. First step, burst and last step are
    always among them.

    Parameters
    ----------
    path : FlightPath
        At least one step.
    most : int
        At least 4.
    """
    count = path.time_unix_s.size
    burst = max(int(np.count_nonzero(path.rising)) - 1, 0)
    time = path.time_unix_s
    share = (time[burst] - time[0]) / max(time[-1] - time[0], 1.0)
    up = int(np.clip(round(most * share), 2, most - 2))
    chosen = np.concatenate(
        [_evenly(time[: burst + 1], up), burst + _evenly(time[burst:], most - up + 1)]
    )
    return np.unique(np.clip(chosen, 0, count - 1)).astype(np.intp)


def _evenly(time_s: FloatArray, most: int) -> IntArray:
    """Steps nearest to even times from the first to the last."""
    if time_s.size <= most:
        return np.arange(time_s.size)
    wanted = np.linspace(time_s[0], time_s[-1], most)
    after = np.clip(np.searchsorted(time_s, wanted), 1, time_s.size - 1)
    nearer = wanted - time_s[after - 1] < time_s[after] - wanted
    steps = after - nearer
    steps[0], steps[-1] = 0, time_s.size - 1  # several steps may have the same time
    return np.asarray(steps)
