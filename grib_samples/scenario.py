"""The invented week: its cycles, steps, levels, systems, and how far each forecast errs.

Hours are counted from `EPOCH`. The weather that "really" comes is one fixed set of systems;
a forecast sees it with an error that grows with lead time: everything moves a little slower
than it will (`Departure.slowness`), and smooth waves are laid over it. Later cycles err less,
so windows open, move and close from cycle to cycle as they do in earnest.
"""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
from island import CENTRE_LATITUDE_DEG, CENTRE_LONGITUDE_DEG, FloatArray

#: Seed of everything random in the samples.
SEED = 20260504

#: Hour 0 of the invented week.
EPOCH = datetime(2026, 5, 4, tzinfo=UTC)

#: Reference times of the cycles and the steps of each. [h]
CYCLE_HOURS = (0, 6, 12, 18)
STEPS_H = tuple(range(0, 169, 3))

#: Isobaric levels. [hPa]
LEVELS_HPA = (1000, 975, 950, 925, 900, 850, 800, 700, 600, 500, 400, 300, 250, 200, 150, 100,
              70, 50, 30, 20, 10, 5)  # fmt: skip

#: The cycle that has members too, with fewer levels and steps. Member 0 is the control.
MEMBER_CYCLE_H = 12
MEMBER_COUNT = 8
MEMBER_STEPS_H = tuple(range(0, 169, 6))
MEMBER_LEVELS_HPA = (1000, 925, 850, 700, 500, 300, 200, 100, 50, 20, 10, 5)

#: A second invented weather model, ``skerra-b``: fewer levels, six-hourly, two cycles. [h]
SECOND_CYCLE_HOURS = (6, 12)
SECOND_STEPS_H = tuple(range(0, 169, 6))
SECOND_LEVELS_HPA = MEMBER_LEVELS_HPA

#: Speed of all systems to the east, and the distance from one ridge to the next.
SYSTEM_SPEED_KMPH = 39.6
WAVE_LENGTH_KM = 3564.0

#: Kilometres in a degree of latitude: mean Earth radius 6371.229 km (GRIB2 code table 3.2).
KM_PER_DEGREE = np.pi * 6371.229 / 180.0

#: Lead time at which the errors have their full size. [h]
FULL_ERROR_LEAD_H = 168.0


@dataclass(frozen=True)
class Front:
    """A cold front: a straight line that moves east-south-east.

    `crossing_h` is the hour when it lies over the middle of the island, `lean_rad` turns the
    line from north-south towards north-east to south-west, the strengths say how much colder
    the air behind it is in the low, middle and upper troposphere [K], `trough_m` how deep its
    trough is at 1000 hPa [m], `wet` scales cloud and rain. Cloud and rain end in the south at
    `south_edge_km` from the middle. A front that is `missed` is not seen by early cycles.
    """

    crossing_h: float
    lean_rad: float
    low_k: float
    middle_k: float
    upper_k: float
    trough_m: float
    wet: float
    south_edge_km: float = -np.inf
    missed: bool = False


FRONTS = (
    Front(60.0, 0.36, 7.0, 5.0, 3.0, 108.0, 1.0),
    Front(150.0, 0.30, 4.0, 3.0, 1.5, 52.0, 0.55),
    Front(130.0, 0.15, 1.2, 0.8, 0.3, 12.0, 0.60, -10.0, missed=True),  # a small trough
)


@dataclass(frozen=True)
class Waves:
    """A sum of plane waves with an rms of 1 over space and time. Arrays are [count]."""

    east_per_km: FloatArray
    north_per_km: FloatArray
    per_hour: FloatArray
    phase_rad: FloatArray

    def at(self, east_km: Any, north_km: Any, time_h: Any) -> FloatArray:
        """Value of the waves, broadcast over the three arguments. [1]"""
        total = np.zeros(np.broadcast_shapes(*map(np.shape, (east_km, north_km, time_h))))
        for k, m, w, phase in zip(
            self.east_per_km, self.north_per_km, self.per_hour, self.phase_rad, strict=True
        ):
            total = total + np.cos(k * east_km + m * north_km - w * time_h + phase)
        return np.asarray(total * np.sqrt(2.0 / self.phase_rad.size), dtype=np.float64)


@dataclass(frozen=True)
class Departure:
    """How one forecast departs from the weather that comes.

    Parameters
    ----------
    reference_h : float
        Reference time of the cycle. [h]
    slowness : float
        Hours by which the systems lag, for each hour of lead. [1]
    ridge_gain : float
        Part by which the ridge is too weak at full lead; negative for too strong. [1]
    missed_gain : float
        How much of a front that early cycles miss is seen at long lead. [1]
    wave_gain : float
        Size of the waves laid over, 1 for a few metres and tenths of a kelvin at full lead.
    height_waves, warmth_waves : Waves
        Their shapes at 1000 hPa and in the temperature of the troposphere.
    """

    reference_h: float
    slowness: float
    ridge_gain: float
    missed_gain: float
    wave_gain: float
    height_waves: Waves
    warmth_waves: Waves

    def strength(self, front: Front, time_h: Any) -> FloatArray:
        """How much of a front this forecast sees at a valid time. [1]

        All of it at the start, `missed_gain` of a missed front after some three days of lead.
        """
        lead = np.maximum(np.asarray(time_h, dtype=np.float64) - self.reference_h, 0.0)
        lost = (1.0 - self.missed_gain) * (1.0 - np.exp(-((lead / 50.0) ** 2)))
        return np.asarray(1.0 - lost * front.missed, dtype=np.float64)

    def growth(self, time_h: Any) -> FloatArray:
        """Share of the full error at a valid time. [1]"""
        lead = np.maximum(np.asarray(time_h, dtype=np.float64) - self.reference_h, 0.0)
        return np.asarray(lead / FULL_ERROR_LEAD_H, dtype=np.float64)

    def system_time_h(self, time_h: Any) -> FloatArray:
        """The hour whose systems this forecast shows at a valid time. [h]"""
        time = np.asarray(time_h, dtype=np.float64)
        lead = np.maximum(time - self.reference_h, 0.0)
        return np.asarray(time - self.slowness * lead, dtype=np.float64)


def random_waves(rng: np.random.Generator, count: int = 6) -> Waves:
    """Waves 1100 to 2600 km long in random directions, drifting east at 5 to 12 m/s."""
    length_km = rng.uniform(1100.0, 2600.0, count)
    heading = rng.uniform(-np.pi / 3.0, np.pi / 3.0, count)
    east = 2.0 * np.pi / length_km * np.cos(heading)
    return Waves(
        east,
        2.0 * np.pi / length_km * np.sin(heading),
        east * rng.uniform(18.0, 43.0, count),
        rng.uniform(0.0, 2.0 * np.pi, count),
    )


# Errors of the four cycles: reference hour -> slowness, ridge gain, missed gain, wave gain. The
# waves are the same in all four: a later cycle lies between an earlier one and what comes.
_CYCLE_ERRORS = {
    0: (0.085, 0.45, 0.00, 1.00),
    6: (0.055, 0.28, 0.05, 0.65),
    12: (0.025, 0.12, 0.75, 0.35),
    18: (0.008, 0.04, 1.00, 0.15),
}


def cycle_departure(cycle_h: int) -> Departure:
    """Departure of the deterministic forecast of one cycle."""
    rng = np.random.default_rng(SEED)
    return Departure(float(cycle_h), *_CYCLE_ERRORS[cycle_h], random_waves(rng), random_waves(rng))


# Errors of the second model, in the same order: its systems come too early, it makes too much of
# the ridge, and it sees from the first what the first model misses until its third cycle.
_SECOND_ERRORS = {
    6: (-0.045, -0.30, 1.00, 0.70),
    12: (-0.020, -0.15, 1.00, 0.40),
}


def second_departure(cycle_h: int) -> Departure:
    """Departure of one cycle of the second model."""
    rng = np.random.default_rng([SEED, 1000])
    return Departure(float(cycle_h), *_SECOND_ERRORS[cycle_h], random_waves(rng), random_waves(rng))


def member_departure(member: int) -> Departure:
    """Departure of one member of the ensemble cycle; member 0 is the deterministic forecast."""
    control = cycle_departure(MEMBER_CYCLE_H)
    if member == 0:
        return control
    rng = np.random.default_rng([SEED, member])
    return Departure(
        control.reference_h,
        control.slowness + float(rng.normal(0.0, 0.03)),
        control.ridge_gain + float(rng.normal(0.0, 0.25)),
        float(np.clip(rng.normal(control.missed_gain, 0.3), 0.0, 1.2)),
        1.0,
        random_waves(rng),
        random_waves(rng),
    )


def cycle_time(cycle_h: int) -> datetime:
    """Reference time of a cycle, aware UTC."""
    return EPOCH + timedelta(hours=cycle_h)


def plane_km(latitude_deg: Any, longitude_deg: Any) -> tuple[FloatArray, FloatArray]:
    """East and north distance from the middle of the island on a stretched map. [km]"""
    latitude = np.asarray(latitude_deg, dtype=np.float64)
    longitude = np.asarray(longitude_deg, dtype=np.float64)
    east_deg = np.mod(longitude - CENTRE_LONGITUDE_DEG + 180.0, 360.0) - 180.0
    scale = KM_PER_DEGREE * np.cos(np.radians(CENTRE_LATITUDE_DEG))
    return east_deg * scale, (latitude - CENTRE_LATITUDE_DEG) * KM_PER_DEGREE
