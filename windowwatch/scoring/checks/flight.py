"""What the flight asks: how far, how long, through what, and whether airspace is kept."""

from dataclasses import dataclass
from threading import Lock

import numpy as np
from numpy.typing import NDArray

from windowwatch.ground.query.airspace import Paths, Places
from windowwatch.ground.query.features import Ground
from windowwatch.physics.atmosphere import specific_humidity, standard_height_m, virtual_factor
from windowwatch.physics.constants import AIR_GAS_CONSTANT
from windowwatch.physics.flights import Flights, FlightStatus
from windowwatch.scoring.answer import Measure, nothing_known
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.scoring.values import Gap, Missing, MostThrough
from windowwatch.units import KELVIN_AT_0_C, BoolArray, FloatArray


def landed(flights: Flights) -> NDArray[np.bool_]:
    """Which flights have a landing; shape of the flights."""
    return np.asarray(flights.status == FlightStatus.LANDED)


def flight_measures(
    launch_unix_s: NDArray[np.float64], flights: Flights, plan: ScoringPlan
) -> list[Measure]:
    """Everything that the flight checks look at, shape [N, M, D]; NaN for lost flights."""
    down = landed(flights)
    launch = np.asarray(launch_unix_s, dtype=np.float64)[:, None, None]

    def known(values: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.where(down, values, np.nan)

    minutes = known((flights.landing_time_unix_s - launch) / 60.0)
    battery = nothing_known("battery", len(down))
    if plan.battery_h is not None:  # switched on when setting up
        battery = Measure("battery", 60.0 * plan.battery_h - plan.setup_min - minutes)
    return [
        Measure("strongest_wind", known(flights.strongest_wind_mps)),
        Measure("drift", known(flights.drift_m / 1000.0)),
        Measure("flight_time", minutes),
        battery,
        Measure("coldest_air", known(flights.coldest_air_k - KELVIN_AT_0_C)),
        Measure("extrapolated", known(flights.extrapolated.astype(np.float64))),
    ]


def lost_flights(status: NDArray[np.uint8]) -> tuple[tuple[str, int], ...]:
    """What became of flights that have no landing, and of how many; the most first.

    Named as `physics.flights.FlightStatus` does it, in small letters.
    """
    counts = [
        (code.name.lower(), int(np.count_nonzero(status == code)))
        for code in FlightStatus
        if code is not FlightStatus.LANDED
    ]
    return tuple(sorted((pair for pair in counts if pair[1]), key=lambda pair: -pair[1]))


#: A prepared geometry must not be asked by two threads at once, and all sites share them.
_ONE_AT_A_TIME = Lock()
#: Forecasts hold a little more vapour than saturated air. [%] Judgement.
MOST_HUMIDITY_PCT = 105.0
#: Above this level air is taken as dry (`forecast.models.DRY_ABOVE_HPA`). [Pa]
DRY_BELOW_PA = 20_000.0


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
        volumes = len(self._airspace.closed) if self._airspace else 0
        # never all flights by all volumes: a country has thousands of them
        self._crossed = np.zeros(shape, dtype=np.bool_)
        self._by_volume = np.zeros((shape[0], volumes), dtype=np.int64)
        self._left = np.zeros(shape, dtype=np.bool_)

    @property
    def needed(self) -> bool:
        """Whether anything is asked of the paths."""
        return self._airspace is not None or self._permitted is not None

    def __call__(self, first: int, member: int, paths: FloatArray, rows: NDArray[np.int64]) -> None:
        """Look at the paths [n, m, D, S, 9] of some launches and members, of `rows` steps each."""
        flown = _paths(paths.reshape(-1, *paths.shape[3:]), rows.ravel())
        launches = slice(first, first + len(rows))
        part = launches, slice(member, member + rows.shape[1])
        with _ONE_AT_A_TIME:
            if self._airspace is not None:
                hit = self._airspace.crossed(flown)
                self._crossed[part] = hit.any(axis=1).reshape(rows.shape)
                self._by_volume[launches] += hit.reshape(len(rows), -1, hit.shape[1]).sum(axis=1)
            if self._permitted is not None:
                self._left[part] = self._permitted.left(flown).reshape(rows.shape)

    def crossings(self) -> Crossings:
        """What was seen."""
        return Crossings(
            self._crossed if self._airspace is not None else None,
            self._by_volume,
            self._left if self._permitted is not None else None,
        )


def _paths(steps: FloatArray, count: NDArray[np.int64]) -> Paths:
    """Columns of the kernel's paths [F, S, 9] as far as any flight goes; nothing is copied."""
    most = max(int(count.max(initial=0)), 1)
    time, latitude, longitude, height, *_, warmth, log_density = steps[:, :most].transpose(2, 0, 1)

    def heights_m(at: Places) -> tuple[FloatArray, FloatArray]:
        return pressure_heights_m(warmth[at], log_density[at])

    return Paths(longitude, latitude, height, time, heights_m, count)


def pressure_heights_m(
    temperature_k: FloatArray, log_density: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Greatest and least height that the pressure can stand for in the standard atmosphere. [m]

    Flights know the density of the air, not how much of its lightness is vapour. Without vapour
    the pressure is lowest and its height greatest; with as much as air of that temperature
    holds, it is the other way round. Both are kept, so that a flight is never outside a volume
    by what is not known: it counts as inside if either says so. They are 57 m apart at 15 °C
    near the ground, 142 m at 30 °C, 55 m at flight level 100 in the tropics (10 °C), 25 m at
    flight level 180 (-5 °C), 3 m at flight level 300, nothing above 200 hPa.
    """
    dry_pa = np.exp(log_density) * AIR_GAS_CONSTANT * temperature_k
    moist = specific_humidity(MOST_HUMIDITY_PCT, temperature_k, dry_pa)
    factor = np.where(dry_pa < DRY_BELOW_PA, 1.0, virtual_factor(moist))
    return standard_height_m(dry_pa), standard_height_m(dry_pa * factor)


def airway_measures(flights: Flights, ground: Ground, crossings: Crossings | None) -> list[Measure]:
    """The two checks of the paths, shape [N, M, D]; NaN for lost flights."""
    hours, down = flights.status.shape[0], landed(flights)

    def share(
        name: str, hit: BoolArray | None, gap: Gap, facts: tuple[tuple[MostThrough, ...], ...]
    ) -> Measure:
        if hit is None:
            return nothing_known(name, hours, Missing(gap))
        return Measure(name, np.where(down, hit, np.nan), facts)

    airspace = None if crossings is None else crossings.airspace
    left = None if crossings is None else crossings.left
    return [
        share("airspace", airspace, Gap.AIRSPACE, _most_crossed(ground, crossings)),
        share("permitted_area", left, Gap.PERMITTED_AREA, ()),
    ]


def _most_crossed(
    ground: Ground, crossings: Crossings | None
) -> tuple[tuple[MostThrough, ...], ...]:
    """Which volume the flights of each hour cross most."""
    if ground.airspace is None or crossings is None or not ground.airspace.closed:
        return ()
    return tuple(
        (MostThrough(ground.airspace.closed[int(np.argmax(counts))].name),) if counts.any() else ()
        for counts in crossings.by_volume
    )
