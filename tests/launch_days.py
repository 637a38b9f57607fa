"""A fine launch day with plain numbers, for tests of scoring: everything well within limits."""

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from windowwatch.ground.query.features import Area, AreaKind, Areas, Ground, Road, RoadClass, Roads
from windowwatch.physics.flights import Flights, FlightStatus
from windowwatch.physics.surface import SurfaceGrid
from windowwatch.scoring.hour import score_site
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.scoring.values import Hour, Site

FloatArray = NDArray[np.float64]

#: Ten in the morning by the site's clocks.
LAUNCH = datetime(2026, 5, 5, 12, tzinfo=UTC).timestamp()
SITE = Site("Midlea", 46.0, -35.0, 100.0, "America/Noronha")
#: Steps of the forecast, three hours apart, from six hours before the launch on.
STEPS = LAUNCH + 3600.0 * np.arange(-6.0, 25.0, 3.0)
LATITUDE, LONGITUDE = np.arange(44.0, 48.5, 0.5), np.arange(-37.0, -32.5, 0.5)
#: Where the flights of the fine day land: 54 km east of the site, beside a road.
LANDING = (46.0, -34.3)
FINE = {
    "wind_u_10m_mps": 2.0,
    "wind_v_10m_mps": 0.0,
    "gust_mps": 3.0,
    "cloud_total_pct": 10.0,
    "ceiling_m": 5000.0,
    "visibility_m": 20_000.0,
    "precipitation_rate_mmph": 0.0,
    "cape_jpkg": 0.0,
}
TOWN = shapely.box(-34.0, 45.9, -33.9, 46.1)
LAKE = shapely.box(-34.6, 45.9, -34.5, 46.1)


def surface(
    changed: Mapping[str, Any] | None = None, members: int = 1, land: float | None = 1.0
) -> SurfaceGrid:
    """The fine day's weather; `changed` values are broadcast to [M, T, Y, X], None leaves out."""
    shape = (members, STEPS.size, LATITUDE.size, LONGITUDE.size)
    values = {**FINE, **(changed or {})}
    fields = {
        name: np.broadcast_to(np.asarray(value, dtype=np.float32), shape).copy()
        for name, value in values.items()
        if value is not None
    }
    mask = None if land is None else np.full(shape[2:], land, dtype=np.float32)
    return SurfaceGrid(STEPS, LATITUDE, LONGITUDE, fields, mask)


def by_step(*values: float) -> FloatArray:
    """A field that changes by step only, from the third step (launch) backwards and on.

    The values belong to the steps from three hours before the launch on; the last one lasts.
    """
    series = np.full(STEPS.size, values[-1])
    series[: len(values) + 1] = [values[0], *values]
    return series[None, :, None, None]


def by_member(*values: float) -> FloatArray:
    """A field that differs by member only."""
    return np.array(values)[:, None, None, None]


def flights(hours: int = 1, members: int = 1, draws: int = 8, **changed: Any) -> Flights:
    """The fine day's flights [hours, members, draws], launched an hour apart."""
    shape = (hours, members, draws)
    launch = LAUNCH + 3600.0 * np.arange(hours)[:, None, None]
    fine: dict[str, Any] = {
        "landing_latitude_deg": LANDING[0],
        "landing_longitude_deg": LANDING[1],
        "landing_height_m": 100.0,
        "landing_time_unix_s": launch + 7200.0,
        "landing_speed_mps": 5.0,
        "landing_wind_mps": 3.0,
        "burst_latitude_deg": LANDING[0],
        "burst_longitude_deg": LANDING[1],
        "burst_height_m": 31_000.0,
        "burst_time_unix_s": launch + 6000.0,
        "ascent_rate_mps": 5.0,
        "strongest_wind_mps": 20.0,
        "coldest_air_k": 215.0,
        "drift_m": 54_000.0,
    }
    known = {
        name: np.broadcast_to(np.asarray(value, dtype=np.float64), shape).copy()
        for name, value in {**fine, **changed}.items()
        if name not in {"status", "extrapolated"}
    }
    status = np.broadcast_to(np.asarray(changed.get("status", 0), dtype=np.uint8), shape).copy()
    above = np.broadcast_to(np.asarray(changed.get("extrapolated", False), dtype=bool), shape)
    return Flights(status=status, extrapolated=above.copy(), **known)


def with_lost(
    whole: Flights, lost: NDArray[np.bool_], why: FlightStatus = FlightStatus.LEFT_GRID
) -> Flights:
    """The flights with some of them lost: no number is left of those."""
    numbers = {
        name: np.where(lost, np.nan, values)
        for name, values in vars(whole).items()
        if name not in {"status", "extrapolated"}
    }
    status = np.where(lost, np.uint8(why), whole.status).astype(np.uint8)
    return replace(whole, status=status, **numbers)


def ground() -> Ground:
    """A lake, a town, and one road from south to north past the landing."""
    areas = Areas([Area("Lea Mere", AreaKind.WATER, LAKE), Area("Leaton", AreaKind.TOWN, TOWN)])
    north = shapely.LineString([(-34.3, 44.5), (-34.3, 47.5)])
    track = shapely.LineString([(-34.4, 44.5), (-34.4, 47.5)])
    roads = Roads(
        [Road("Lea Way", RoadClass.TERTIARY, north), Road("Old Drove", RoadClass.TRACK, track)]
    )
    return Ground(areas, roads, ("invented",))


def score_hour(
    site: Site,
    launch_unix_s: float,
    flights: Flights,
    surface: SurfaceGrid,
    ground: Ground,
    plan: ScoringPlan,
) -> Hour:
    """Score one launch hour; `flights` are its own, [M, D]. Otherwise as `score_site`."""
    one = Flights(**{name: values[None] for name, values in vars(flights).items()})
    return score_site(site, np.array([launch_unix_s]), one, surface, ground, plan)[0]
