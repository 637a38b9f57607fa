"""What an hour is drawn with, out of its flights: middle flight, landings, burst area and drive."""

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from windowwatch.ground.query.features import Ground
from windowwatch.ground.query.rasters import Rasters
from windowwatch.ground.query.rasters import thinned as course_thinned
from windowwatch.physics.atmosphere import specific_humidity, virtual_factor
from windowwatch.physics.constants import AIR_GAS_CONSTANT
from windowwatch.physics.fill import SiteAir
from windowwatch.physics.flights import Flights
from windowwatch.physics.paths import FlightPath, thinned
from windowwatch.physics.spread import footprint
from windowwatch.scoring.checks.flight import landed
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.scoring.values import Drive, Hour, HourDetail, Site, Track
from windowwatch.units import FloatArray, wrap_longitude_deg

IntArray = NDArray[np.intp]

#: At most so many points of the middle flight, of the drive, and so many landings are kept.
TRACK_POINTS, DRIVE_POINTS, LANDINGS = 60, 60, 100
#: Humidity by which a density is read as a pressure. [%] Flights know the density of the air, not
#: how much of its lightness is vapour: half saturated, a pressure is off by 3 hPa at most at 15 °C.
_HUMIDITY_PCT = 50.0

#: Flies flights once more, step by step: launch, member and draw of each [P].
Repeat = Callable[[IntArray, IntArray, IntArray], Sequence[FlightPath]]


def hour_details(
    site: Site,
    hours: Sequence[Hour],
    flights: Flights,
    repeat: Repeat,
    ground: Ground,
    plan: ScoringPlan,
) -> tuple[HourDetail, ...]:
    """What the launch hours of a site are drawn with.

    Parameters
    ----------
    site : Site
    hours : sequence of Hour [N]
        Scored; their footprints say where the middle is.
    flights : Flights [N, M, D]
        Of these hours, in the same order.
    repeat : callable
        Flies the middle flights once more.
    ground : Ground
    plan : ScoringPlan
        Its `drive_factor` lengthens the drives.

    Returns
    -------
    tuple of HourDetail [N]

    Notes
    -----
    The middle flight is the one that lands nearest to the centre of the footprint. The flight
    with nothing drawn at random, through the control member, would be no better a choice: it
    may be lost, and where the members disagree it may land where hardly any other does.
    """
    found = middle_flights(hours, flights)
    paths = repeat(*found.T) if len(found) else ()
    tracks = {
        int(hour): track_of(path)
        for (hour, _, _), path in zip(found, paths, strict=True)
        if path.time_unix_s.size > 1
    }
    airs = {
        int(hour): site_air(path)
        for (hour, _, _), path in zip(found, paths, strict=True)
        if path.time_unix_s.size > 1
    }
    drives = _drives(site, tracks, ground, plan)
    return tuple(
        replace(
            _detail(site, hour, flights.of_launch(i), tracks.get(i), drives.get(i)),
            air=airs.get(i),
        )
        for i, hour in enumerate(hours)
    )


def middle_flights(hours: Sequence[Hour], flights: Flights) -> IntArray:
    """Launch, member and draw of the middle flight of each hour that has a landing. [K, 3]"""
    down = landed(flights)
    rows = []
    for i, hour in enumerate(hours):
        if not np.any(down[i]):
            continue
        latitude, longitude = flights.landing_latitude_deg[i], flights.landing_longitude_deg[i]
        first = np.unravel_index(np.argmax(down[i]), down[i].shape)
        centre = (
            (latitude[first], longitude[first])
            if hour.footprint is None
            else (hour.footprint.latitude_deg, hour.footprint.longitude_deg)
        )
        east = wrap_longitude_deg(longitude - centre[1]) * np.cos(np.radians(centre[0]))
        away = np.where(down[i], np.hypot(latitude - centre[0], east), np.inf)
        rows.append((i, *np.unravel_index(np.argmin(away), away.shape)))
    return np.array(rows, dtype=np.intp).reshape(-1, 3)


def track_of(path: FlightPath) -> Track:
    """A flight as it is drawn; the wind is the forecast's, without the draw's error."""
    kept = thinned(path, TRACK_POINTS)
    rising = int(np.count_nonzero(path.rising))
    u, v = path.u_mps - path.error_u_mps, path.v_mps - path.error_v_mps
    columns = (path.time_unix_s, path.latitude_deg, path.longitude_deg, path.height_m, u, v,
               path.temperature_k)  # fmt: skip
    time, latitude, longitude, height, east, north, warmth = (
        tuple(column[kept].tolist()) for column in columns
    )
    burst = int(np.searchsorted(kept, max(rising - 1, 0)))
    return Track(time, latitude, longitude, height, east, north, warmth, burst)


def site_air(path: FlightPath) -> SiteAir:
    """The air at the beginning of a flight, that of its release."""
    warmth_k, density_kgpm3 = float(path.temperature_k[0]), float(path.density_kgpm3[0])
    dry_pa = density_kgpm3 * AIR_GAS_CONSTANT * warmth_k
    factor = float(virtual_factor(specific_humidity(_HUMIDITY_PCT, warmth_k, dry_pa)))
    return SiteAir(dry_pa * factor, warmth_k)


def _detail(
    site: Site, hour: Hour, flights: Flights, track: Track | None, drive: Drive | None
) -> HourDetail:
    down = landed(flights)
    latitude, longitude = flights.landing_latitude_deg[down], flights.landing_longitude_deg[down]
    # flights stand by member and draw, and draws in no order: evenly is as good as by lot
    kept = np.unique(np.linspace(0, latitude.size - 1, min(latitude.size, LANDINGS)).astype(int))
    return HourDetail(
        site=site.name,
        time_utc=hour.time_utc,
        track=track,
        landing_latitude_deg=tuple(latitude[kept].tolist()),
        landing_longitude_deg=tuple(longitude[kept].tolist()),
        burst=footprint(flights.burst_latitude_deg, flights.burst_longitude_deg),
        drive=drive,
    )


def _drives(
    site: Site, tracks: dict[int, Track], ground: Ground, plan: ScoringPlan
) -> dict[int, Drive]:
    """The way of the crew that is first at each middle landing, where any gets there."""
    rasters = ground.rasters
    if rasters is None or not tracks:
        return {}
    hours = list(tracks)
    latitude, longitude = (
        np.array([getattr(tracks[hour], name)[-1] for hour in hours])
        for name in ("latitude_deg", "longitude_deg")
    )
    drives, courses = {}, {}
    for hour, unit in zip(hours, rasters.units(latitude, longitude), strict=True):
        way = rasters.way([site.name, *ground.crews], unit)
        if way is not None:
            minutes = plan.drive_factor * way.time_s / 60.0
            drives[hour] = Drive(rasters.bases[way.base].name, minutes, (), ())
            courses[hour] = course_thinned(way.points_m, DRIVE_POINTS)
    return {
        hour: replace(drives[hour], latitude_deg=points[0], longitude_deg=points[1])
        for hour, points in _placed(rasters, courses).items()
    }


def _placed(
    rasters: Rasters, courses: dict[int, FloatArray]
) -> dict[int, tuple[tuple[float, ...], tuple[float, ...]]]:
    """Courses on the plane as latitudes and longitudes, all turned at once. [deg]"""
    if not courses:
        return {}
    x, y = np.concatenate(list(courses.values())).T
    latitude, longitude = rasters.grid.plane.backward(x, y)
    placed, begin = {}, 0
    for hour, course in courses.items():
        end = begin + len(course)
        placed[hour] = tuple(latitude[begin:end].tolist()), tuple(longitude[begin:end].tolist())
        begin = end
    return placed
