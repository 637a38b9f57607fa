"""What a scouted place costs, and what the time goes to. By hand:

    export PYTHONPATH=.:tests
    python tests/benchmarks/scouting.py               # hours in the dark are not flown
    python tests/benchmarks/scouting.py --all-hours   # 48 hours flown: the sun forbids none

The sample week, which is invented; 48 launch hours, 16 draws, one member. Seconds are of one
processor (`time.process_time`), which another program's load changes little; places are shared
out to processes, so two processors halve them.
"""

import cProfile
import pstats
import sys
import tempfile
import time
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

from page_served import ROOT, settings_in

from windowwatch.forecast.sources import load_cycle, scan_folder
from windowwatch.ground.region import region_around
from windowwatch.scouting.values import Order
from windowwatch.settings.read import read_settings
from windowwatch.watch.run.scouting import Flyer, prepared
from windowwatch.watch.values import Watch, area_of

PLACES, TIMED = 500, 60
#: Functions whose time is told, each with all that it calls.
PARTS = {
    "flying": ("flights.py", "fly"),
    "drawing what is not known": ("flying.py", "launches_and_draws"),
    "site weather": ("release.py", "release_measures"),
    "airspace on the way": ("flight.py", "__call__"),
    "landing checks": ("landing.py", "landing_measures"),
    "recovery checks": ("landing.py", "recovery_measures"),
    "answers and verdicts": ("hour.py", "_hour"),
    "drives": ("drives.py", "starts_s"),
}


def watch_of(folder: Path, *, all_hours: bool) -> Watch:
    """The demonstration's watch; with `all_hours` the sun only costs score."""
    watch = read_settings(settings_in(folder)).watch
    if not all_hours:
        return watch
    limits = dict(watch.plan.limits)
    limits["daylight"] = replace(limits["daylight"], hard=False)
    return replace(watch, plan=replace(watch.plan, limits=limits))


def main() -> None:
    """Time some places, and print what that makes for all."""
    with tempfile.TemporaryDirectory() as folder:
        watch = watch_of(Path(folder), all_hours="--all-hours" in sys.argv)
    began = time.process_time()
    look = scan_folder(ROOT / "grib_samples", model=watch.model)
    data = load_cycle(look.cycles[-1], area=area_of(watch.sites))
    opened = time.process_time() - began
    now = data.cycle.reference_utc + timedelta(hours=4)
    times = tuple(now + timedelta(hours=number) for number in range(48))
    order = Order(region_around("46.1,-36.2,80"), times, 3.8, 15.0, 16)
    began = time.process_time()
    asked, candidates, _ = prepared(watch, order)
    found = time.process_time() - began
    flyer = Flyer(data, asked, order, candidates, now)
    began = time.process_time()
    flyer.hours(0)  # compiles, or loads what was compiled
    first = time.process_time() - began
    began = time.process_time()
    hours = [flyer.hours(number) for number in range(TIMED)]
    each = (time.process_time() - began) / TIMED
    lit = sum(not h.in_the_dark(i) for h in hours for i in range(len(times))) / TIMED
    profile = cProfile.Profile()
    profile.runcall(lambda: [flyer.hours(number) for number in range(TIMED)])
    told = pstats.Stats(profile).stats  # type: ignore[attr-defined]
    whole = max(entry[3] for entry in told.values())
    print(f"{len(candidates.places)} places found in {found:.2f} s; the forecast opened in "
          f"{opened:.1f} s, first place {first:.1f} s")  # fmt: skip
    print(f"each place {each:.3f} s, {lit:.0f} of {len(times)} hours flown; {PLACES} places "
          f"{PLACES * each:.0f} s of one processor, besides opening in each process")  # fmt: skip
    for words, (file, name) in PARTS.items():
        took = sum(
            entry[3] for (path, _, called), entry in told.items()
            if called == name and path.endswith(f"/{file}")
        )  # fmt: skip
        print(f"  {100.0 * took / whole:3.0f} %  {words}")


if __name__ == "__main__":
    main()
