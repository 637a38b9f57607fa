"""What the flight asks: how far, how long, through what, and on what footing."""

import numpy as np
from numpy.typing import NDArray

from windowwatch.physics.flights import Flights, FlightStatus
from windowwatch.scoring.answer import Measure, nothing_known
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.units import KELVIN_AT_0_C


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
