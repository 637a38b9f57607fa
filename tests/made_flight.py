"""Reports of a made-up flight: rises 5 m/s, drifts east 12 m/s, bursts, falls by the air. Pure."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np

from windowwatch.chase.reports import Report
from windowwatch.chase.values import Begun
from windowwatch.physics.atmosphere import standard_atmosphere
from windowwatch.physics.train import FlightTrain

BEGAN = datetime(2026, 5, 8, 6, 0, tzinfo=UTC)
TRAIN = FlightTrain(1.2, 1.6, 2.8, 8.6, 2.5, balloon_drag_coefficient=0.3)
BEGUN = Begun("flight", "Invented flight", BEGAN, 46.0, 7.0, 500.0, TRAIN)
BURST_MIN = 78
TOP_M = 500.0 + 300.0 * BURST_MIN
#: Rate of fall at sea level: faster in thin air, by the root of its density. [m s⁻¹]
GROUND_MPS = 5.0


def _fall() -> tuple[np.ndarray, np.ndarray]:
    """Minutes after the burst, and heights, down to the ground."""
    height = np.linspace(TOP_M, 500.0, 400)
    middle = 0.5 * (height[1:] + height[:-1])
    thin = 1.225 / standard_atmosphere(middle).density_kgpm3
    took = -np.diff(height) / (GROUND_MPS * np.sqrt(thin))
    return np.concatenate([[0.0], np.cumsum(took) / 60.0]), height


_FALL = _fall()
DOWN_MIN = BURST_MIN + float(_FALL[0][-1])


def at(minute: float) -> tuple[float, float, float]:
    """Latitude, longitude and height of the flight; on the ground from its landing on."""
    height = 500.0 + 300.0 * minute
    if minute > BURST_MIN:
        height = float(np.interp(minute - BURST_MIN, *_FALL))
    east_m = 12.0 * 60.0 * min(minute, DOWN_MIN)
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


def gga(when: datetime, latitude_deg: float, longitude_deg: float, height_m: float) -> str:
    """A GGA sentence of NMEA 0183 of a place east of Greenwich in the north, with its checksum."""
    lat, lon = divmod(latitude_deg, 1.0), divmod(longitude_deg, 1.0)
    clock = f"{when:%H%M%S}.{when.microsecond // 10_000:02d}"
    fields = (
        f"GPGGA,{clock},{lat[0]:02.0f}{60.0 * lat[1]:08.5f},N,"
        f"{lon[0]:03.0f}{60.0 * lon[1]:08.5f},E,1,08,0.9,{height_m:.1f},M,46.9,M,,"
    )
    total = 0
    for letter in fields:
        total ^= ord(letter)
    return f"${fields}*{total:02X}\r\n"
