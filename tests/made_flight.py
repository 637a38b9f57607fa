"""Reports of a made-up flight: rises 5 m/s, drifts east 12 m/s, bursts at 24 km, falls. Pure."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np

from windowwatch.chase.reports import Report
from windowwatch.chase.values import Begun
from windowwatch.physics.train import FlightTrain

BEGAN = datetime(2026, 5, 8, 6, 0, tzinfo=UTC)
TRAIN = FlightTrain(1.2, 1.6, 2.8, 8.6, 2.5, balloon_drag_coefficient=0.3)
BEGUN = Begun("flight", "Invented flight", BEGAN, 46.0, 7.0, 500.0, TRAIN)
BURST_MIN, FALL_MPS = 78, 8.0


def at(minute: float) -> tuple[float, float, float]:
    """Latitude, longitude and height of the flight; on the ground from its landing on."""
    top = 500.0 + 300.0 * BURST_MIN
    height = 500.0 + 300.0 * minute
    if minute > BURST_MIN:
        height = max(top - 60.0 * FALL_MPS * (minute - BURST_MIN), 500.0)
    flown = min(minute, BURST_MIN + (top - 500.0) / (60.0 * FALL_MPS))
    east_m = 12.0 * 60.0 * flown
    return 46.0, 7.0 + east_m / (111_195.0 * np.cos(np.radians(46.0))), height


def report(minute: float, **other: object) -> Report:
    """What the tracker says after so many minutes."""
    lat, lon, height = at(minute)
    when = BEGAN + timedelta(minutes=minute)
    made = Report("radio", when, when + timedelta(seconds=4), lat, lon, height, source="made up")
    return replace(made, **other)  # type: ignore[arg-type]


def reports(last: int, every: int = 1) -> list[Report]:
    """One a minute from the release on, up to the last one."""
    return [report(minute) for minute in range(0, last + 1, every)]
