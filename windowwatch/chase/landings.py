"""What the landings of an estimate lie on: water, no-landing areas, airspace, foreign ground. Pure.

Maps are asked as scoring asks them, and the worse of two answers counts. A landing off the map is
not known to lie on land: it counts as unknown, never as fine.
"""

from collections.abc import Sequence

import numpy as np

from windowwatch.chase.drives import Chances, Share
from windowwatch.chase.values import Estimate
from windowwatch.clock import to_unix_s
from windowwatch.ground.query.airspace import Paths
from windowwatch.ground.query.features import AreaKind, Ground
from windowwatch.scoring.checks.landing import Landings
from windowwatch.scoring.plan import ScoringPlan
from windowwatch.units import FloatArray

#: A landing is held against airspace from this height above the ground on. [m]
_LAST_M = 100.0


def chances(estimate: Estimate, ground: Ground, plan: ScoringPlan) -> Chances:
    """Shares of the landings of an estimate.

    Parameters
    ----------
    estimate : Estimate
    ground : Ground
    plan : ScoringPlan
        Its `no_landing_kinds` and `no_landing_distance_m`.
    """
    latitude = np.array(estimate.landing_latitude_deg)
    longitude = np.array(estimate.landing_longitude_deg)
    here = None
    if ground.rasters is not None:
        units = ground.rasters.units(latitude, longitude)
        here = Landings(ground.rasters, np.ones(latitude.shape, dtype=np.bool_), units)
    paths = None
    if ground.airspace is not None or ground.permitted is not None:
        paths = _last_metres(estimate, latitude, longitude, ground)
    airspace = left = None
    if ground.airspace is not None and paths is not None:
        crossed = ground.airspace.crossed(paths).any(axis=1)
        airspace = _share(np.asarray(crossed, dtype=np.float64))
    if ground.permitted is not None and paths is not None:
        left = _share(ground.permitted.left(paths).astype(np.float64))
    return Chances(
        _worst(latitude.size, _water(here, ground, latitude, longitude)),
        _worst(latitude.size, _no_landing(here, ground, plan, latitude, longitude)),
        airspace,
        left,
    )


def _water(
    here: Landings | None, ground: Ground, latitude: FloatArray, longitude: FloatArray
) -> list[FloatArray]:
    said = [] if here is None else [here.wet()]
    if ground.areas is not None and AreaKind.WATER in ground.areas.kinds:
        wet = ground.areas.contains(latitude, longitude, [AreaKind.WATER])
        # areas say where water is, and never where none is
        said.append(np.where(wet, 1.0, np.nan if here is None else 0.0))
    return said


def _no_landing(
    here: Landings | None,
    ground: Ground,
    plan: ScoringPlan,
    latitude: FloatArray,
    longitude: FloatArray,
) -> list[FloatArray]:
    kinds, within_m = plan.no_landing_kinds, plan.no_landing_distance_m
    said = []
    if here is not None and not here.lacks(kinds):
        said.append(here.near(kinds, within_m))
    if ground.areas is not None:
        away = ground.areas.nearest(latitude, longitude, kinds, 1.01 * within_m + 1.0)[1]
        said.append((away <= within_m).astype(np.float64))
    return said


def _worst(size: int, said: Sequence[FloatArray]) -> Share | None:
    """The worse of what maps say: yes where one does, unknown where one does not know."""
    if not said:
        return None
    values: FloatArray = np.asarray(np.max(said, axis=0))
    values = np.where(np.any([each == 1.0 for each in said], axis=0), 1.0, values)
    return _share(values.reshape(size))


def _share(values: FloatArray) -> Share:
    return Share(float(np.mean(values == 1.0)), float(np.mean(np.isnan(values))))


def _last_metres(
    estimate: Estimate, latitude: FloatArray, longitude: FloatArray, ground: Ground
) -> Paths:
    """The end of each flight, straight down onto the ground."""
    floor = np.full(latitude.size, float(estimate.way_height_m[-1]))
    rasters = ground.rasters
    if rasters is not None and "height_m" in rasters.layers:
        there = rasters.value("height_m", rasters.units(latitude, longitude))
        floor = np.where(np.isfinite(there), there, floor)

    def twice(values: FloatArray) -> FloatArray:
        return np.column_stack([values, values])

    height = np.column_stack([floor + _LAST_M, floor])
    time = np.full(height.shape, to_unix_s(estimate.landing_utc))
    return Paths(
        twice(longitude),
        twice(latitude),
        height,
        time,
        # so low that the standard atmosphere is as good as the true one
        lambda at: (height[at], height[at]),
        np.full(latitude.size, 2, dtype=np.int64),
    )
