"""How fast flights are, in one run, on the same fields and the same flights. By hand:

    export PYTHONPATH=.:tests
    python tests/benchmarks/flights.py            # ours, SciPy, the bare field samples
    python tests/benchmarks/flights.py --parcels  # also the Lagrangian library parcels
    python tests/benchmarks/flights.py --growth   # 10³ to 10⁶ flights, memory
    python tests/benchmarks/flights.py --week     # 5 sites, 168 hours, 31 members, 8 draws

The week needs 5 GB of memory for its fields. Times are the best of three, in seconds of
the wall clock; run it on a quiet machine. On one that is not, `--cpu` counts the processor's
time: then one thread can be compared with others, but two threads count double.
"""

import argparse
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import made_air
import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates

from windowwatch.physics import kernels as k
from windowwatch.physics.constants import AIR_GAS_CONSTANT
from windowwatch.physics.earth import distance_m, radii_of_curvature_m
from windowwatch.physics.flights import Flights, Launches, _axes, fly
from windowwatch.physics.paths import fly_path
from windowwatch.physics.spread import central_draw, make_draws
from windowwatch.physics.train import descent_rate_mps
from windowwatch.physics.windgrid import WindGrid

HEIGHTS = np.arange(0.0, 45_000.0, 500.0)  # 90
LATITUDE, LONGITUDE = 40.0 + 0.25 * np.arange(41), -45.0 + 0.25 * np.arange(41)
TIMES = made_air.MONDAY + 3 * 3600.0 * np.arange(57)
TRAIN = made_air.train(measured_ascent_mps=5.0)
STEP_S = 30.0


def lively(t: Any, y: Any, x: Any, z: Any) -> tuple[Any, Any]:
    jet = 30.0 * np.exp(-(((z - 10_500.0) / 4_000.0) ** 2))
    u = 6.0 + jet + 3.0 * np.sin(z / 2_500.0 + t / 9_000.0) + 2.0 * np.sin(2.0 * y + x)
    return u, 6.0 * np.cos(z / 5_000.0 - t / 12_000.0) + 2.0 * np.cos(1.7 * y - x)


def fields(members: int = 1) -> WindGrid:
    return made_air.grid(
        lively, latitude_deg=LATITUDE, longitude_deg=LONGITUDE, time_unix_s=TIMES,
        height_m=HEIGHTS, members=members,
    )  # fmt: skip


def many(count: int) -> Launches:
    """Launches over five sites and the first 160 hours."""
    n = np.arange(count)
    hour = made_air.MONDAY + 3600.0 * ((n // 5) % 160) + 7.0 * (n // 800)
    return made_air.launches(44.0 + 0.5 * (n % 5), -41.0 + 0.2 * (n % 5), 0.0, hour)


def best(work: Callable[[], Any], times: int = 3) -> tuple[float, Any]:
    took, result = np.inf, None
    clock = time.process_time if asked.cpu else time.perf_counter
    for _ in range(times):
        start = clock()
        result = work()
        took = min(took, clock() - start)
    return took, result


# ------------------------------------------------------------------ whole-array SciPy


def by_scipy(air: WindGrid, start: Launches, step_s: float) -> tuple[NDArray[Any], NDArray[Any]]:
    """All flights at once by the midpoint rule over time, with `map_coordinates`."""
    planes = [np.ascontiguousarray(air.air[0, ..., q], dtype=np.float32) for q in range(4)]
    step = (TIMES[1] - TIMES[0], 0.25, 0.25, 500.0)
    first = (TIMES[0], LATITUDE[0], LONGITUDE[0], 0.0)
    latitude, longitude = start.latitude_deg.copy(), start.longitude_deg.copy()
    z, t = start.height_m.copy(), start.time_unix_s.copy()
    rising = np.ones(z.size, dtype=bool)
    going = np.arange(z.size)
    from windowwatch.physics.balloon import burst_density_kgpm3

    burst = burst_density_kgpm3(TRAIN)

    def rates(t: Any, y: Any, x: Any, z: Any, up: Any) -> tuple[Any, Any, Any, Any]:
        spots = np.stack([(a - f) / s for a, f, s in zip((t, y, x, z), first, step, strict=True)])
        u, v, warm, log_p = (map_coordinates(p, spots, order=1, mode="nearest") for p in planes)
        density = np.exp(log_p) / (AIR_GAS_CONSTANT * warm)
        w = np.where(up, 5.0, -descent_rate_mps(TRAIN, density, 9.80665 * (1.0 - z / 3.18e6)))
        meridian, across = radii_of_curvature_m(y)
        return (np.degrees(v / (meridian + z)),
                np.degrees(u / ((across + z) * np.cos(np.radians(y)))), w, density)  # fmt: skip

    while going.size:
        y, x, h, s, up = (a[going] for a in (latitude, longitude, z, t, rising))
        dy, dx, dz, density = rates(s, y, x, h, up)
        rising[going] = up = up & (density > burst)
        half = 0.5 * step_s
        dy, dx, dz, _ = rates(s + half, y + half * dy, x + half * dx, h + half * dz, up)
        share = np.where(~up & (h + step_s * dz < 0.0), -h / np.minimum(dz * step_s, -1e-9), 1.0)
        latitude[going] += share * step_s * dy
        longitude[going] += share * step_s * dx
        z[going] += share * step_s * dz
        t[going] += share * step_s
        going = going[share == 1.0]
    return latitude, longitude


# -------------------------------------------------------------- the bare field samples


@njit(cache=True, nogil=True)
def sample_all(air: Any, grid: Any, rows: Any, layers: Any, column: Any, times: int) -> float:
    total = 0.0
    for _ in range(times):
        index = 0
        for i in range(layers.size):
            if layers[i] == 0:
                index = 0
            place = (rows[i, 1], rows[i, 2], rows[i, 0])
            _, index = k._column(air, grid, place, layers[i], index, column)
            total += column[0] + column[7]
    return total


def bare_samples(air: WindGrid, start: Launches) -> tuple[float, float]:
    """Seconds a sample, and samples a flight, along the flights' own paths."""
    axes, packed = _axes(air), air.air.reshape(len(air.air), -1)
    paths = [fly_path(air, start, TRAIN, central_draw(start.time_unix_s.size), launch=i)
             for i in range(200)]  # fmt: skip
    rows = np.concatenate(
        [np.stack([p.time_unix_s, p.latitude_deg, p.longitude_deg], axis=1) for p in paths]
    )
    layers = np.clip(np.concatenate([p.height_m for p in paths]) // 500.0, 0, 88).astype(np.int64)
    column = np.empty(8)
    sample_all(packed[0], axes, rows, layers, column, 1)
    took, _ = best(lambda: sample_all(packed[0], axes, rows, layers, column, 10))
    return took / (10 * layers.size), layers.size / len(paths)


# --------------------------------------------------------------------------- parcels


def by_parcels(air: WindGrid, start: Launches, seconds: float) -> float:
    """Seconds to carry the same particles up at 5 m/s for a while, midpoint rule."""
    import parcels
    import xarray as xr

    order = (0, 3, 1, 2)  # time, height, latitude, longitude
    dims = ("time", "depth", "YG", "XG")
    when = TIMES.astype("datetime64[s]").astype("datetime64[ns]")
    data = xr.Dataset(
        {
            "U": (dims, np.ascontiguousarray(air.air[0, ..., 0].transpose(order))),
            "V": (dims, np.ascontiguousarray(air.air[0, ..., 1].transpose(order))),
            "W": (dims, np.full((57, 90, 41, 41), 5.0, dtype=np.float32)),
            "grid": ((), 0, {
                "cf_role": "grid_topology", "topology_dimension": 2, "node_dimensions": "XG YG",
                "face_dimensions": "XC:XG (padding:low) YC:YG (padding:low)",
                "node_coordinates": "lon lat",
                "vertical_dimensions": "ZC:depth (padding:both)",
            }),
        },
        coords={
            "time": ("time", when, {"axis": "T"}),
            "depth": ("depth", HEIGHTS, {"axis": "Z"}),
            "YG": ("YG", np.arange(41), {"axis": "Y"}), "XG": ("XG", np.arange(41), {"axis": "X"}),
            "YC": ("YC", np.arange(41) + 0.5, {"axis": "Y"}),
            "XC": ("XC", np.arange(41) + 0.5, {"axis": "X"}),
            "lat": ("YG", LATITUDE, {"axis": "Y"}), "lon": ("XG", LONGITUDE, {"axis": "X"}),
        },
        attrs={"Conventions": "SGRID"},
    )  # fmt: skip
    fieldset = parcels.FieldSet.from_sgrid_conventions(data, mesh="spherical")
    n = start.time_unix_s.size
    particles = parcels.ParticleSet(
        fieldset, x=start.longitude_deg, y=start.latitude_deg, z=np.full(n, 1.0),
        t=np.full(n, np.datetime64(when[0])),
    )  # fmt: skip
    clock = time.process_time if asked.cpu else time.perf_counter
    begun = clock()
    particles.execute(
        parcels.kernels.AdvectionRK2_3D, runtime=seconds, dt=STEP_S, verbose_progress=False
    )
    return clock() - begun


# ------------------------------------------------------------------------------ report


def peak_mb(reset: bool = False) -> float:
    """Highest resident memory since the last reset (Linux). [MB]"""
    if reset:
        Path("/proc/self/clear_refs").write_text("5", encoding="ascii")
    status = Path("/proc/self/status").read_text(encoding="ascii")
    return float(status.split("VmHWM:")[1].split()[0]) / 1024.0


def landings_apart(flights: Flights, latitude: Any, longitude: Any) -> float:
    apart = distance_m(flights.landing_latitude_deg[:, 0, 0],
                       flights.landing_longitude_deg[:, 0, 0], latitude, longitude)  # fmt: skip
    return float(np.nanmedian(apart))


def compare(with_parcels: bool) -> None:
    air, start = fields(), many(20_000)
    draw = central_draw(start.time_unix_s.size)
    fly(air, many(10), TRAIN, central_draw(10))  # compile
    took: dict[tuple[float, int], float] = {}
    for step_s in (60.0, STEP_S):
        for threads in (1, 2):
            took[step_s, threads], _ = best(lambda s=step_s, n=threads: fly(  # type: ignore[misc]
                air, start, TRAIN, draw, step_s=s, threads=n))  # fmt: skip
            print(f"ours, steps up to {step_s:3.0f} s, {threads} thread(s): "
                  f"{20_000 / took[step_s, threads]:9,.0f} flights/s")  # fmt: skip
    sample_s, samples = bare_samples(air, start)
    print(f"bare samples: {sample_s * 1e9:.0f} ns each, {samples:.0f} a flight; one thread of "
          f"ours takes {took[60.0, 1] / 20_000 / (sample_s * samples):.2f} times that")  # fmt: skip
    few = many(4_000)
    against_scipy(air, few, took)
    if with_parcels:
        slow = by_parcels(air, few, 6_000.0)
        print(f"parcels, 6000 s of rise at {STEP_S:.0f} s: {4_000 / slow:,.0f} particles/s")
        for threads in (1, 2):
            up, _ = best(lambda n=threads: fly(  # type: ignore[misc]
                air, few, TRAIN, central_draw(4_000), threads=n))  # fmt: skip
            print(f"  {threads} thread(s) of ours fly up and down {slow / up:.0f} times faster")


def against_scipy(air: WindGrid, few: Launches, took: dict[tuple[float, int], float]) -> None:
    """Speed and error of both, at the steps at which each is used.

    The truth is our own at steps of 2 s, to which SciPy's comes as its steps shrink. Whole
    arrays are carried over time, so their bursts and landings are only as sharp as a step.
    """
    true = fly(air, few, TRAIN, central_draw(few.time_unix_s.size), step_s=2.0)
    truth = true.landing_latitude_deg[:, 0, 0], true.landing_longitude_deg[:, 0, 0]
    for step_s in (60.0, STEP_S):
        mine = fly(air, few, TRAIN, central_draw(few.time_unix_s.size), step_s=step_s)
        print(f"ours, steps up to {step_s:.0f} s: {landings_apart(mine, *truth):.1f} m off")
    for step_s in (60.0, STEP_S, 10.0):
        slow, landed = best(lambda s=step_s: by_scipy(air, few, s), 1)  # type: ignore[misc]
        each = slow / few.time_unix_s.size * 20_000
        print(f"SciPy, midpoint at {step_s:.0f} s: {few.time_unix_s.size / slow:,.0f} flights/s, "
              f"{landings_apart(true, *landed):.0f} m off; ours at 60 s is "
              f"{each / took[60.0, 1]:.0f} times faster with one thread, "
              f"{each / took[60.0, 2]:.0f} with two")  # fmt: skip


def growth() -> None:
    air = fields()
    for count in (1_000, 10_000, 100_000, 1_000_000):
        start = many(count)
        draw = central_draw(count)
        fly(air, many(10), TRAIN, central_draw(10))  # compile
        before = peak_mb(reset=True)
        took, _ = best(lambda s=start, d=draw: fly(air, s, TRAIN, d), 1)  # type: ignore[misc]
        after = peak_mb()
        print(f"{count:9,} flights: {count / took:9,.0f} flights/s, "
              f"{after - before:6.0f} MB more, results included")  # fmt: skip


def week() -> None:
    air = fields(31)
    n = np.arange(5 * 168)
    start = made_air.launches(44.0 + 0.5 * (n % 5), -41.0, 0.0, TIMES[0] + 3600.0 * (n // 5))
    flown = made_air.train()
    fly(air, many(1), flown, central_draw(1))  # compile
    before = peak_mb(reset=True)
    begun = time.perf_counter()
    draws = make_draws(flown, start, count=8, watch="w", cycle_id="c", site="s",
                       cycle_unix_s=TIMES[0])  # fmt: skip
    drawn = time.perf_counter() - begun
    flights = fly(air, start, flown, draws)
    took = time.perf_counter() - begun
    after = peak_mb()
    landed = float(np.mean(flights.status == 0))
    print(f"week: {flights.status.size:,} flights in {took:.2f} s ({drawn:.2f} s of it draws), "
          f"{100 * landed:.1f} % landed, fields {air.air.nbytes / 1e9:.1f} GB, "
          f"{after - before:.0f} MB beyond them")  # fmt: skip


if __name__ == "__main__":
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--parcels", action="store_true", help="needs the library parcels")
    ask.add_argument("--week", action="store_true", help="needs 5 GB of memory")
    ask.add_argument("--growth", action="store_true", help="10³ to 10⁶ flights")
    ask.add_argument("--cpu", action="store_true", help="time of the processor, not of the wall")
    asked = ask.parse_args()
    if asked.week:
        week()
    elif asked.growth:
        growth()
    else:
        compare(asked.parcels)
