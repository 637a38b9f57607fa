"""Paths: chosen flights are those of `fly`, every flight is shown, thinning keeps what matters."""

from typing import Any

import made_air
import numpy as np
import pytest
from numpy.typing import NDArray

from windowwatch.errors import InputError
from windowwatch.physics import kernels as k
from windowwatch.physics.atmosphere import standard_atmosphere, standard_height_m
from windowwatch.physics.balloon import burst_density_kgpm3
from windowwatch.physics.constants import AIR_GAS_CONSTANT
from windowwatch.physics.flights import Flights, FlightStatus, fly
from windowwatch.physics.paths import fly_paths, thinned
from windowwatch.physics.spread import make_draws

AIR = made_air.grid(lambda t, y, x, z: (6.0 + z / 2000.0, 3.0 - z / 8000.0), members=3)
AIR.air[1, ..., 0] += 2.0
START = made_air.launches(46.0, [-36.6, -35.9, -35.2, -34.8], 20.0)
TRAIN = made_air.train()
DRAWS = make_draws(TRAIN, START, count=5, watch="w", cycle_id="c", site="s",
                   cycle_unix_s=made_air.MONDAY)  # fmt: skip


@pytest.fixture(scope="module")
def flights() -> Flights:
    return fly(AIR, START, TRAIN, DRAWS)


def test_chosen_flights_are_those_of_fly(flights: Flights) -> None:
    chosen: dict[str, Any] = {"launch": [3, 0, 1, 0], "member": [1, 2, 1, 0], "draw": [4, 0, 2, 0]}
    paths = fly_paths(AIR, START, TRAIN, DRAWS, **chosen)
    for path, *at in zip(paths, *chosen.values(), strict=True):
        which = tuple(at)
        assert path.status == FlightStatus.LANDED
        assert path.latitude_deg[-1] == flights.landing_latitude_deg[which]
        assert path.time_unix_s[-1] == flights.landing_time_unix_s[which]
        assert path.height_m.max() == flights.burst_height_m[which]
    assert fly_paths(AIR, START, TRAIN, DRAWS, launch=[], member=[], draw=[]) == ()
    with pytest.raises(InputError, match="there is no draw 5; there are 5"):
        fly_paths(AIR, START, TRAIN, DRAWS, launch=[0], member=[0], draw=[5])


def test_the_forecast_wind_is_what_is_left_without_the_draws_error() -> None:
    (path,) = fly_paths(AIR, START, TRAIN, DRAWS, launch=[2], member=[0], draw=[3])
    assert np.abs(path.error_u_mps).max() > 0.5
    below = path.height_m < AIR.top_height_m
    wanted = 6.0 + path.height_m / 2000.0
    assert (path.u_mps - path.error_u_mps)[below][:-1] == pytest.approx(
        wanted[below][:-1], abs=0.02
    )


def test_the_last_row_of_a_leg_is_the_air_where_the_leg_ends() -> None:
    """Of the air at the end of the step, the burst and the landing must carry none.

    In standard air every row says how high it is twice: by its height, and by the pressure of
    its density and temperature (U.S. Standard Atmosphere 1976). Between heights of the grid the
    air is linear, which is 1 m off there.
    """
    high = made_air.grid(lambda t, y, x, z: (0.0 * z, 0.0 * z), terrain_m=130.0)
    none = [0] * 5
    for path in fly_paths(high, START, TRAIN, DRAWS, launch=none, member=none, draw=range(5)):
        burst = int(np.argmax(path.height_m))
        pressure = path.density_kgpm3 * AIR_GAS_CONSTANT * path.temperature_k
        assert standard_height_m(pressure) == pytest.approx(path.height_m, abs=1.0)
        assert path.height_m[-1] == pytest.approx(130.0, abs=0.1)
        expected = standard_atmosphere(path.height_m[[burst, -1]]).temperature_k
        assert path.temperature_k[[burst, -1]] == pytest.approx(expected, abs=0.01)
    central = fly_paths(high, START, TRAIN, DRAWS, launch=[0], member=[0], draw=[0])[0]
    assert central.density_kgpm3[int(np.argmax(central.height_m))] == pytest.approx(
        burst_density_kgpm3(TRAIN), rel=1e-6
    )


@pytest.mark.parametrize(("threads", "chunk"), [(1, 128), (3, 128), (2, 1)])
def test_all_paths_are_shown_once_each(
    flights: Flights, threads: int, chunk: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("windowwatch.physics.flights._WATCHED_CHUNK", chunk)
    ends = np.full((*flights.status.shape, 2), np.nan)
    seen = np.zeros(flights.status.shape, dtype=int)

    def watching(
        first: int, member: int, paths: NDArray[np.float64], rows: NDArray[np.int64]
    ) -> None:
        assert paths.shape[:3] == rows.shape
        assert paths.shape[4] == k.PATH
        assert rows.max() < paths.shape[3], "room for every step"
        last = np.take_along_axis(paths, rows[..., None, None] - 1, axis=3)[..., 0, :]
        part = slice(first, first + len(rows)), slice(member, member + rows.shape[1])
        ends[part] = last[..., 1:3]
        seen[part] += 1

    again = fly(AIR, START, TRAIN, DRAWS, watching=watching, threads=threads)
    assert np.all(seen == 1)
    assert np.array_equal(again.landing_time_unix_s, flights.landing_time_unix_s)
    assert np.array_equal(ends[..., 0], flights.landing_latitude_deg)
    assert ends[..., 1] == pytest.approx(flights.landing_longitude_deg)


@pytest.mark.parametrize("most", [4, 20, 60, 5000])
def test_thinning_keeps_release_burst_and_landing(most: int) -> None:
    (path,) = fly_paths(AIR, START, TRAIN, DRAWS, launch=[0], member=[0], draw=[1])
    kept = thinned(path, most)
    count, burst = path.time_unix_s.size, int(np.argmax(path.height_m))
    assert kept.size <= most
    assert np.all(np.diff(kept) > 0)
    assert {0, burst, count - 1} <= set(kept.tolist())
    if most == 60:  # evenly in time: no gap of more than twice the mean
        gaps = np.diff(path.time_unix_s[kept])
        assert gaps.max() < 2.0 * gaps.mean() + 60.0
    if most == 5000:
        assert kept.size == count
