"""What the planned release comes to: its spread, what its lift does, the air at the fill. Pure.

Named rules
-----------
flight levels
    A flight level is a height of the pressure, not of the ground. Flights know density and
    temperature: pressure is made of them as if the air were dry, which may be up to 57 m of
    height off at 15 °C (about ten seconds of a rise), and less the higher it is.
sensitivity
    The same draws are flown with 100 g less and 100 g more at the neck; what moves is then the
    lift's doing alone.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np

from windowwatch.clock import from_unix_s
from windowwatch.launchday.sighting import USED_FOR, Sighting
from windowwatch.physics.atmosphere import (
    saturation_pressure_pa,
    specific_humidity,
    standard_atmosphere,
    standard_height_m,
)
from windowwatch.physics.constants import AIR_GAS_CONSTANT
from windowwatch.physics.earth import bearing_deg, distance_m
from windowwatch.physics.fill import SiteAir
from windowwatch.physics.spread import Footprint
from windowwatch.scoring.values import Check, Hour, HourDetail, Part, Verdict
from windowwatch.units import M_PER_FOOT, FloatArray

if TYPE_CHECKING:  # what flies takes long to load, and most who read a plan fly nothing
    from windowwatch.physics.flights import Flights
    from windowwatch.physics.paths import FlightPath


#: What is tried on both sides of the neck lift. [kg]
LIFT_STEP_KG = 0.1
#: Times through flight levels are given for every so many hundreds of feet.
LEVEL_STEP_FL = 50
#: With fewer flights through a level nothing is said of it.
_FEWEST = 8
_SHARES = (0.1, 0.5, 0.9)
#: Exponent of pressure over height in the lowest layer of the standard atmosphere, and that
#: layer's fall of temperature over its temperature at sea level. ISO 2533:1975. [1], [m⁻¹]
_QNH_POWER, _QNH_FALL_PM = 0.190263, 2.25577e-5


@dataclass(frozen=True)
class Span:
    """Times that 10, 50 and 90 % of the flights keep to."""

    early_utc: datetime
    middle_utc: datetime
    late_utc: datetime


@dataclass(frozen=True)
class Range:
    """Values that 10, 50 and 90 % of the flights keep to, in the unit of what they are of."""

    low: float
    middle: float
    high: float


@dataclass(frozen=True)
class LevelTimes:
    """When flights pass a flight level; None where too few of them reach it.

    Attributes
    ----------
    level_fl : int
        In hundreds of feet of the standard atmosphere.
    """

    level_fl: int
    up: Span | None
    down: Span | None


@dataclass(frozen=True)
class LiftOutcome:
    """What one neck lift gives, by the middle of all flights.

    Attributes
    ----------
    moved_km, moved_bearing_deg : float or None
        How far, and which way, the landings' centre lies from that of the planned lift.
    """

    nozzle_lift_kg: float
    ascent_mps: float | None
    burst_m: float | None
    flight_min: float | None
    moved_km: float | None = None
    moved_bearing_deg: float | None = None


@dataclass(frozen=True)
class FillAir:
    """Air at the site at the planned release, by the forecast; None: not in it."""

    pressure_pa: float | None = None
    temperature_k: float | None = None
    dew_point_k: float | None = None


@dataclass(frozen=True)
class PlannedFlight:
    """Everything that one flown release gives, kept beside the table it is in.

    Attributes
    ----------
    hour : values of `windowwatch.scoring.values.Hour`, made again by `scored`
    ascent_mps, burst_m : Range or None
    burst, landing : Span or None
    levels : tuple of LevelTimes
        Rising.
    lifts : tuple of LiftOutcome
        With 100 g less, as planned, and with 100 g more.
    detail : HourDetail or None
        What it is drawn with.
    """

    site: str
    time_utc: datetime
    verdict: Verdict
    score: float | None
    chance: float | None
    parts: tuple[tuple[Part, float | None], ...]
    checks: tuple[Check, ...]
    worst: tuple[str, ...]
    footprint: Footprint | None
    drift_km: float | None
    bearing_deg: float | None
    road_km: float | None
    landing_utc: datetime | None
    ascent_mps: Range | None = None
    burst_m: Range | None = None
    burst: Span | None = None
    landing: Span | None = None
    levels: tuple[LevelTimes, ...] = ()
    lifts: tuple[LiftOutcome, ...] = ()
    detail: HourDetail | None = None
    air: FillAir = FillAir()

    def scored(self) -> Hour:
        """The release as a launch hour, for whatever shows hours."""
        return Hour(
            site=self.site,
            time_utc=self.time_utc,
            verdict=self.verdict,
            score=self.score,
            chance=self.chance,
            chance_low=None,
            chance_high=None,
            parts=dict(self.parts),
            checks=self.checks,
            worst=self.worst,
            footprint=self.footprint,
            drift_km=self.drift_km,
            bearing_deg=self.bearing_deg,
            road_km=self.road_km,
            landing_utc=self.landing_utc,
        )


def planned_flight(
    hour: Hour,
    flights: "Flights",
    paths: Sequence["FlightPath"],
    *,
    detail: HourDetail | None = None,
    lifts: Sequence[LiftOutcome] = (),
    air: FillAir | None = None,
) -> PlannedFlight:
    """Bring together what a flown release gives.

    Parameters
    ----------
    hour : Hour
    flights : Flights [M, D]
        Of this release alone.
    paths : sequence of FlightPath
        Some of them, step by step; of those that did not land nothing is taken.
    detail, lifts, air : optional
    """
    return PlannedFlight(
        site=hour.site,
        time_utc=hour.time_utc,
        verdict=hour.verdict,
        score=hour.score,
        chance=hour.chance,
        parts=tuple(hour.parts.items()),
        checks=hour.checks,
        worst=hour.worst,
        footprint=hour.footprint,
        drift_km=hour.drift_km,
        bearing_deg=hour.bearing_deg,
        road_km=hour.road_km,
        landing_utc=hour.landing_utc,
        ascent_mps=_range(flights.ascent_rate_mps),
        burst_m=_range(flights.burst_height_m),
        burst=_span(flights.burst_time_unix_s),
        landing=_span(flights.landing_time_unix_s),
        levels=level_times(paths),
        lifts=tuple(lifts),
        detail=detail,
        air=air or FillAir(),
    )


def _known(values: FloatArray) -> FloatArray:
    flat = np.asarray(values, dtype=np.float64).ravel()
    return flat[np.isfinite(flat)]


def _range(values: FloatArray) -> Range | None:
    known = _known(values)
    return None if known.size < _FEWEST else Range(*(float(np.quantile(known, s)) for s in _SHARES))


def _span(times_unix_s: FloatArray) -> Span | None:
    found = _range(times_unix_s)
    return None if found is None else Span(*map(from_unix_s, (found.low, found.middle, found.high)))


def level_times(paths: Sequence["FlightPath"]) -> tuple[LevelTimes, ...]:
    """When flights pass every fifth thousand of feet, up and down, by pressure.

    Parameters
    ----------
    paths : sequence of FlightPath
        With their landings; a flight that was lost is not counted.
    """
    from windowwatch.physics.flights import FlightStatus

    landed = [path for path in paths if path.status == FlightStatus.LANDED]
    heights = [_pressure_height_m(path) for path in landed]
    if len(landed) < _FEWEST:
        return ()
    lowest = max(float(height[0]) for height in heights)
    highest = max(float(np.max(height)) for height in heights)
    step_m = LEVEL_STEP_FL * 100.0 * M_PER_FOOT
    found = []
    for number in range(int(lowest // step_m) + 1, int(highest // step_m) + 1):
        up, down = (
            [
                _passes(p, h, number * step_m, rising=way)
                for p, h in zip(landed, heights, strict=True)
            ]
            for way in (True, False)
        )
        level = LevelTimes(number * LEVEL_STEP_FL, _span(np.array(up)), _span(np.array(down)))
        if level.up is not None:
            found.append(level)
    return tuple(found)


def _pressure_height_m(path: "FlightPath") -> FloatArray:
    """Height of the standard atmosphere that has the pressure on the way. [m]"""
    pressure = path.density_kgpm3 * AIR_GAS_CONSTANT * path.temperature_k
    return np.asarray(standard_height_m(pressure))


def _passes(path: "FlightPath", height_m: FloatArray, level_m: float, *, rising: bool) -> float:
    """Time of the passage, NaN without one. [s since 1970 UTC]"""
    burst = max(int(np.count_nonzero(path.rising)) - 1, 0)
    part = slice(0, burst + 1) if rising else slice(burst, None)
    height, time = height_m[part], path.time_unix_s[part]
    if not rising:
        height, time = height[::-1], time[::-1]
    if height.size < 2 or not height[0] <= level_m <= np.max(height):
        return float("nan")
    after = int(np.argmax(height >= level_m))
    if after == 0:
        return float(time[0])
    low, high = height[after - 1], height[after]
    return float(time[after - 1] + (level_m - low) / (high - low) * (time[after] - time[after - 1]))


def lift_outcomes(
    flown: Sequence[tuple[float, "Flights"]], planned: int, launch_unix_s: float
) -> tuple[LiftOutcome, ...]:
    """What several neck lifts give, flown with the same draws.

    Parameters
    ----------
    flown : sequence of (float, Flights [M, D])
        Neck lift [kg], and its flights.
    planned : int
        Which of them landings are told against.
    launch_unix_s : float
        [s since 1970 UTC]
    """
    centres = [_centre(flights) for _, flights in flown]
    found = []
    for (lift, flights), centre in zip(flown, centres, strict=True):
        ends = (*centres[planned], *centre)
        known = all(map(np.isfinite, ends))
        landing_s = _middle(flights.landing_time_unix_s)
        found.append(
            LiftOutcome(
                lift,
                _middle(flights.ascent_rate_mps),
                _middle(flights.burst_height_m),
                None if landing_s is None else (landing_s - launch_unix_s) / 60.0,
                float(distance_m(*ends)) / 1000.0 if known else None,
                float(bearing_deg(*ends)) if known else None,
            )
        )
    return tuple(found)


def _middle(values: FloatArray) -> float | None:
    known = _known(values)
    return None if known.size < _FEWEST else float(np.median(known))


def _centre(flights: "Flights") -> tuple[float, float]:
    """Mean landing; longitudes are brought to one side of the date line first. [deg]"""
    latitude, longitude = (
        _known(flights.landing_latitude_deg),
        _known(flights.landing_longitude_deg),
    )
    if latitude.size < _FEWEST:
        return float("nan"), float("nan")
    near = longitude[0] + (longitude - longitude[0] + 180.0) % 360.0 - 180.0
    return float(latitude.mean()), float((near.mean() + 180.0) % 360.0 - 180.0)


def site_air(
    height_m: float,
    *,
    pressure_msl_pa: float | None = None,
    pressure_pa: float | None = None,
    temperature_k: float | None = None,
    dew_point_k: float | None = None,
) -> SiteAir:
    """Air at a site; what is not known is that of the standard atmosphere, and dry.

    Parameters
    ----------
    height_m : float
        Of the site. [m above mean sea level]
    pressure_msl_pa : float, optional
        Reduced to mean sea level as a METAR has it (QNH). [Pa]
    pressure_pa : float, optional
        At the site itself; counts before the other. [Pa]
    temperature_k, dew_point_k : float, optional
        [K]

    References
    ----------
    .. [1] QNH: ICAO Doc 9837, "Manual on Automatic Meteorological Observing Systems", pressure
       reduced by the standard atmosphere (from memory).
    """
    standard = standard_atmosphere(height_m)
    warmth = float(standard.temperature_k) if temperature_k is None else temperature_k
    if pressure_pa is None and pressure_msl_pa is not None:
        fallen = (pressure_msl_pa / 101_325.0) ** _QNH_POWER - _QNH_FALL_PM * height_m
        pressure_pa = 101_325.0 * fallen ** (1.0 / _QNH_POWER)
    pressure = float(standard.pressure_pa) if pressure_pa is None else pressure_pa
    moist = 0.0
    if dew_point_k is not None and temperature_k is not None:
        share = saturation_pressure_pa(dew_point_k) / saturation_pressure_pa(warmth)
        moist = float(specific_humidity(100.0 * min(float(share), 1.0), warmth, pressure))
    return SiteAir(pressure, warmth, moist)


class AirSource(StrEnum):
    """Where the air of a fill is from."""

    SEEN = "as it was measured"
    FORECAST = "by the forecast"
    STANDARD = "standard air: nothing is known of the day"


def air_for_fill(
    height_m: float,
    forecast: FillAir | None,
    seen: Sequence[Sighting],
    now_utc: datetime,
) -> tuple[SiteAir, AirSource]:
    """Air at the site for the fill: as measured in the last three hours, else by the forecast.

    Parameters
    ----------
    height_m : float
        Of the site. [m]
    forecast : FillAir or None
    seen : sequence of Sighting
        Of the site.
    now_utc : datetime
    """
    said = forecast or FillAir()
    warm = [s for s in seen if s.temperature_k is not None and s.at_utc > now_utc - USED_FOR]
    if warm:
        last = max(warm, key=lambda s: s.at_utc)
        msl = last.pressure_pa
        air = site_air(
            height_m,
            pressure_msl_pa=msl,
            pressure_pa=said.pressure_pa if msl is None else None,
            temperature_k=last.temperature_k,
            dew_point_k=last.dew_point_k if last.dew_point_k is not None else said.dew_point_k,
        )
        return air, AirSource.SEEN
    if said.temperature_k is None:
        return site_air(height_m), AirSource.STANDARD
    air = site_air(
        height_m,
        pressure_pa=said.pressure_pa,
        temperature_k=said.temperature_k,
        dew_point_k=said.dew_point_k,
    )
    return air, AirSource.FORECAST
