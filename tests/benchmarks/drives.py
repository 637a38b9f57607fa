"""How long advice for three crews takes on made roads of 200 x 200 km. By hand:

    PYTHONPATH=.:tests python tests/benchmarks/drives.py

Streets every 800 m, as many crossings as a dense country has; cells of 250 m. Wanted: 2 s at most.
"""

import time

import made_roads
import numpy as np
from made_roads import NOW, estimate

from windowwatch.chase.drives import Crew, advise
from windowwatch.chase.values import ChaseRules
from windowwatch.ground.query.roadnet import RoadNet


def main() -> None:
    """Print how long the roads take to be laid out once, and advice each time."""
    made_roads.STEP_M = 800.0
    began = time.perf_counter()
    rasters = made_roads.town(250, with_graph=False).rasters
    print(f"made in {time.perf_counter() - began:.1f} s: {rasters.grid.shape} cells")
    began = time.perf_counter()
    net = RoadNet(rasters)
    routes = rasters.routes
    assert routes is not None
    print(f"{routes.places} places, {routes.first.size} edges, {net.stops} stops")
    print(f"roads laid out once: {time.perf_counter() - began:.2f} s")
    rng = np.random.default_rng(1)
    for spread_m in (500.0, 3_000.0, 12_000.0):
        what = estimate(rng.normal(0, spread_m, 200), rng.normal(0, spread_m, 200), rasters)
        lat, lon = net.stop_deg(rng.integers(net.stops, size=3))
        crews = [Crew(name, float(lat[i]), float(lon[i]), NOW) for i, name in enumerate("ABC")]
        before = None
        for _ in range(3):
            began = time.perf_counter()
            before = advise(
                net, what, crews, before, number=1, now_utc=NOW, rules=ChaseRules(), down=False
            )
            took = time.perf_counter() - began
            print(f"landings spread {spread_m / 1e3:g} km: {took:.2f} s")


if __name__ == "__main__":
    main()
