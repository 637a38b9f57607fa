"""Four threads show paths to one `AirWatch` at the same moment, again and again.

A process of its own, because it dies where geometries are asked by two threads at once.
"""

import sys
import threading
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import shapely
from numpy.typing import NDArray

from windowwatch.ground.query.airspace import Airspace, AirspaceKind, Level, Permitted, Volume
from windowwatch.ground.query.features import Ground
from windowwatch.physics import kernels as k
from windowwatch.scoring.checks.flight import AirWatch
from windowwatch.scoring.limits import LIMITS
from windowwatch.scoring.plan import ScoringPlan

PLAN = ScoringPlan(limits={n: LIMITS[n].default for n in ("airspace", "permitted_area")})
THREADS, FLIGHTS, STEPS = 4, 60, 80


def _ground() -> Ground:
    rings = [shapely.Point(-35.0 + 0.2 * i, 46.0).buffer(0.3, quad_segs=100) for i in range(3)]
    volumes = [Volume("v", AirspaceKind.CLOSED, r, Level(0.0), Level(9000.0)) for r in rings]
    return Ground(
        airspace=Airspace(volumes),
        permitted=Permitted([shapely.Point(-35.0, 46.0).buffer(0.5, quad_segs=100)], "area"),
    )


def _paths() -> NDArray[np.float64]:
    rng = np.random.default_rng(3)
    paths = np.zeros((THREADS, 1, FLIGHTS, STEPS, k.PATH))
    walk = np.cumsum(rng.normal(0.0, 0.02, (FLIGHTS, STEPS, 2)), axis=1)
    paths[..., 1], paths[..., 2] = 46.0 + walk[..., 0], -35.38 + walk[..., 1]
    paths[..., 3] = np.interp(np.arange(STEPS), [0, 60, 79], [0.0, 30_000.0, 0.0])
    paths[..., 7], paths[..., 8] = 250.0, np.log(0.5)
    return paths


def main(rounds: int) -> None:
    """Ask, and say whether every thread was told the same."""
    paths, rows = _paths(), np.full((1, 1, FLIGHTS), STEPS)
    with ThreadPoolExecutor(THREADS) as pool:
        for _ in range(rounds):
            watch = AirWatch(_ground(), PLAN, (THREADS, 1, FLIGHTS))
            together = threading.Barrier(THREADS)

            def ask(
                first: int, watch: AirWatch = watch, together: threading.Barrier = together
            ) -> None:
                together.wait()
                watch(first, 0, paths[first : first + 1], rows)

            list(pool.map(ask, range(THREADS)))
            found = watch.crossings()
            for answer in (found.airspace, found.left):
                assert answer is not None
                assert 0 < answer[0].sum() < FLIGHTS
                assert np.all(answer == answer[0])
    print(f"{rounds} rounds, all alike")


if __name__ == "__main__":
    main(int(sys.argv[1]))
