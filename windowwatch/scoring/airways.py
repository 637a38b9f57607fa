"""Paths of all flights held against airspace and permitted area, while they are flown."""

from dataclasses import dataclass
from threading import Lock

import numpy as np
from numpy.typing import NDArray

from windowwatch.ground.airspace import Paths
from windowwatch.ground.values import Ground
from windowwatch.physics.atmosphere import standard_height_m
from windowwatch.physics.constants import AIR_GAS_CONSTANT
from windowwatch.physics.flights import Flights
from windowwatch.scoring.answer import Measure, nothing_known
from windowwatch.scoring.flight import landed
from windowwatch.scoring.plan import ScoringPlan

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

#: The checks that need the path of every flight.
PATH_CHECKS = ("airspace", "permitted_area")


@dataclass(frozen=True)
class Crossings:
    """What the flights of a site crossed, [N launches, M members, D draws].

    Parameters
    ----------
    airspace : bool array [N, M, D] or None
        Whether a flight passes through closed airspace while it is active; None: not asked.
    by_volume : int array [N, V]
        How many flights of each launch hour pass through each closed volume.
    left : bool array [N, M, D] or None
        Whether a flight leaves the permitted area; None: not asked.
    """

    airspace: BoolArray | None
    by_volume: NDArray[np.int64]
    left: BoolArray | None


class AirWatch:
    """Is shown the paths of all flights, part by part and from any thread (`flights.Watching`).

    Parameters
    ----------
    ground : Ground
    plan : ScoringPlan
    shape : (int, int, int)
        Launches, members, draws.
    """

    def __init__(self, ground: Ground, plan: ScoringPlan, shape: tuple[int, int, int]) -> None:
        self._airspace = ground.airspace if "airspace" in plan.limits else None
        self._permitted = ground.permitted if "permitted_area" in plan.limits else None
        self._lock = Lock()
        volumes = len(self._airspace.closed) if self._airspace else 0
        self._crossed = np.zeros((*shape, volumes), dtype=np.bool_)
        self._left = np.zeros(shape, dtype=np.bool_)

    @property
    def needed(self) -> bool:
        """Whether anything is asked of the paths."""
        return self._airspace is not None or self._permitted is not None

    def __call__(self, first: int, paths: FloatArray, rows: NDArray[np.int64]) -> None:
        """Look at the paths [n, M, D, S, 9] of some launches, of which each has `rows` steps."""
        flown = _paths(paths.reshape(-1, *paths.shape[3:]), rows.ravel())
        part = slice(first, first + len(rows))
        with self._lock:  # a prepared geometry must not be asked by two threads at once
            if self._airspace is not None:
                self._crossed[part] = self._airspace.crossed(flown).reshape(*rows.shape, -1)
            if self._permitted is not None:
                self._left[part] = self._permitted.left(flown).reshape(rows.shape)

    def crossings(self) -> Crossings:
        """What was seen."""
        return Crossings(
            np.asarray(self._crossed.any(axis=-1)) if self._airspace is not None else None,
            self._crossed.sum(axis=(1, 2)),
            self._left if self._permitted is not None else None,
        )


def _paths(steps: FloatArray, count: NDArray[np.int64]) -> Paths:
    """Columns of the kernel's paths [F, S, 9] as far as any flight goes, NaN beyond its end."""
    most = max(int(count.max(initial=0)), 1)
    there = np.arange(most) < count[:, None]
    time, latitude, longitude, height = (np.where(there, steps[:, :most, i], np.nan)
                                         for i in range(4))  # fmt: skip
    temperature, log_density = (np.where(there, steps[:, :most, i], np.nan) for i in (7, 8))
    pressure_pa = np.exp(log_density) * AIR_GAS_CONSTANT * temperature
    return Paths(longitude, latitude, height, time, standard_height_m(pressure_pa), count)


def airway_measures(flights: Flights, ground: Ground, crossings: Crossings | None) -> list[Measure]:
    """The two checks of the paths, shape [N, M, D]; NaN for lost flights."""
    hours, down = flights.status.shape[0], landed(flights)

    def share(name: str, hit: BoolArray | None, missing: str, extra: tuple[str, ...]) -> Measure:
        if hit is None:
            return nothing_known(name, hours, missing)
        return Measure(name, np.where(down, hit, np.nan), extra)

    airspace = None if crossings is None else crossings.airspace
    left = None if crossings is None else crossings.left
    return [
        share("airspace", airspace, "no airspace is given", _most_crossed(ground, crossings)),
        share("permitted_area", left, "no permitted area is given", ()),
    ]


def _most_crossed(ground: Ground, crossings: Crossings | None) -> tuple[str, ...]:
    """Which volume the flights of each hour cross most."""
    if ground.airspace is None or crossings is None or not ground.airspace.closed:
        return ()
    return tuple(
        f", most of them {ground.airspace.closed[int(np.argmax(counts))].name}"
        if counts.any()
        else ""
        for counts in crossings.by_volume
    )
