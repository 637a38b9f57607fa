"""What fewer levels, and fewer steps far out, do to landings. By hand:

    export PYTHONPATH=.:tests
    python tests/benchmarks/thinned.py                     # the sample week, which is invented
    python tests/benchmarks/thinned.py REAL_STEP.grib2     # and a real step, over the whole globe

The same flights, once in all that the files hold and once in a part of it; how far the landings
of the two lie apart, as median, 90th percentile and greatest. [km]
"""

import sys
from collections.abc import Callable, Sequence
from pathlib import Path

import made_air
import numpy as np
import xarray as xr
from made_air import FloatArray

from windowwatch.clock import from_unix_s, to_unix_s
from windowwatch.forecast.cycle import Cycle, SourceFile
from windowwatch.forecast.dataset import arranged, arrays_of, seconds_of
from windowwatch.forecast.normalise import build_cycle
from windowwatch.forecast.sources import load_files, open_files
from windowwatch.physics.earth import distance_m
from windowwatch.physics.flights import Flights, FlightStatus, Launches, fly
from windowwatch.physics.spread import central_draw
from windowwatch.physics.windgrid import WindGrid

WEEK = Path(__file__).resolve().parents[2] / "grib_samples" / "skerra-2026-05-04T12Z.grib2"
TRAIN = made_air.train()
#: What may be named as `range_levels_hpa`, from much to little. [hPa]
SETS = {
    "20 levels": "1000 950 900 850 800 700 600 500 400 300 250 200 150 100 70 50 30 20 10 5",
    "15 levels": "1000 925 850 700 600 500 400 300 250 200 150 100 50 20 10",
    "10 levels": "1000 850 700 500 300 200 100 50 20 10",
    " 6 levels": "1000 850 500 250 100 10",
    "as ECMWF ": "1000 925 850 700 600 500 400 300 250 200 150 100 50 10",
    "     to 50": "1000 925 850 700 600 500 400 300 250 200 150 100 50",
}
Keep = Callable[[xr.DataArray], xr.DataArray]


def part(opened: xr.Dataset, keep: Keep) -> xr.Dataset:
    """A control run of which only a part was fetched."""
    kept = [keep(array) for arrays in arrays_of(opened, "control").values() for array in arrays]
    reference_utc = from_unix_s(float(opened.attrs["reference_unix_s"]))
    return arranged(kept, reference_utc)


def on_levels(levels_hpa: Sequence[float]) -> Keep:
    def keep(array: xr.DataArray) -> xr.DataArray:
        if array.sizes["level"] == 1:
            return array
        there = array["level"].values / 100.0
        return array.isel(level=np.isin(np.round(there, 3), levels_hpa))

    return keep


def far_steps(after_h: int, every_h: int) -> Keep:
    def keep(array: xr.DataArray) -> xr.DataArray:
        hours = np.array(seconds_of(array)) // 3600
        return array.isel(step=(hours <= after_h) | (hours % every_h == 0))

    return keep


def apart(name: str, one: Flights, other: Flights) -> None:
    both = (one.status == FlightStatus.LANDED) & (other.status == FlightStatus.LANDED)
    far = distance_m(
        one.landing_latitude_deg[both],
        one.landing_longitude_deg[both],
        other.landing_latitude_deg[both],
        other.landing_longitude_deg[both],
    )
    middle, most = np.percentile(far, [50, 90]) / 1e3
    print(f"  {name}: {both.sum()} flights, {middle:.1f} {most:.1f} {far.max() / 1e3:.1f} km apart")


def compare(
    grid_of: Callable[[xr.Dataset], WindGrid], opened: xr.Dataset, launches: Launches, far: bool
) -> None:
    draws = central_draw(launches.time_unix_s.size)

    def flown(its: xr.Dataset) -> Flights:
        return fly(grid_of(its), launches, TRAIN, draws)

    whole = flown(opened)
    print(f"  drift: median {np.nanmedian(whole.drift_m) / 1e3:.0f} km")
    for name, words in SETS.items():
        levels = [float(word) for word in words.split()]
        apart(name, whole, flown(part(opened, on_levels(levels))))
    if far:
        for every_h in (6, 12):
            apart(f"steps every {every_h} h", whole, flown(part(opened, far_steps(0, every_h))))


def main() -> None:
    """Compare, and print."""
    for path in (str(WEEK), *sys.argv[1:]):
        opened, files = open_files([path], None)
        cycle = load_files([path], "made").cycle

        def grid_of(
            its: xr.Dataset, cycle: Cycle = cycle, files: tuple[SourceFile, ...] = files
        ) -> WindGrid:
            return build_cycle(its, cycle, files).wind

        wind = grid_of(opened)
        single = wind.covers(-60.0, -175.0)
        if single:  # the globe
            places = [(-60.0 + 7.5 * i, -175.0 + 10.0 * j) for i in range(17) for j in range(36)]
            moments = [wind.time_unix_s[0] + 1800.0]
        else:
            places = [(46.1, -36.6), (45.6, -35.9), (46.7, -35.5)]
            moments = list(to_unix_s(cycle.reference_utc) + 3600.0 * np.arange(6, 130))
        spots = [(y, x, t) for y, x in places for t in moments]
        y, x, t = (np.array(axis, dtype=float) for axis in zip(*spots, strict=True))
        print(Path(path).name)
        compare(grid_of, opened, made_air.launches(y, x, _ground(wind, y, x), t), far=not single)


def _ground(wind: WindGrid, y: FloatArray, x: FloatArray) -> FloatArray:
    """Terrain at the grid point before each place. [m]"""
    rows = np.searchsorted(wind.latitude_deg, y)
    west = wind.longitude_deg[0]
    columns = np.searchsorted(wind.longitude_deg, (x - west) % 360.0 + west)
    return np.asarray(wind.terrain_m[rows, columns], dtype=np.float64)


if __name__ == "__main__":
    main()
