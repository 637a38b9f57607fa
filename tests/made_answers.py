"""Answers of made weeks whose truth is known: forecasts that are wrong by as much as is wished."""

from datetime import UTC, datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from windowwatch.clock import to_unix_s
from windowwatch.forecast.cycle import Cycle
from windowwatch.learning.record import NOT_JUDGED, OBSERVED, Answers, SiteRecord, answers_of
from windowwatch.physics.spread import KNOT_HEIGHT_M
from windowwatch.physics.winderror import (
    FORECAST_ERROR,
    SURFACE_ERROR,
    SurfaceErrorModel,
    WindErrorModel,
    modes,
)

FloatArray = NDArray[np.float64]
FIRST = datetime(2026, 5, 1, tzinfo=UTC)
KNOTS = KNOT_HEIGHT_M.size


def record(cycle: Cycle, time_unix_s: FloatArray, site: str = "North", **columns: FloatArray
           ) -> SiteRecord:  # fmt: skip
    """A record of some columns; the others are missing. `speed_mps` is a wind from the west."""
    count = time_unix_s.size
    missing = np.full(count, np.nan)
    surface = {"wind_u_10m_mps": columns.get("speed_mps", missing), "wind_v_10m_mps": 0.0 * missing}
    surface["wind_v_10m_mps"] = np.where(np.isfinite(surface["wind_u_10m_mps"]), 0.0, np.nan)
    return SiteRecord(
        cycle,
        site,
        time_unix_s,
        columns.get("wind_mps", np.full((count, KNOTS, 2), np.nan)),
        surface,
        columns.get("landing", np.full((count, 7), np.nan)),
        columns.get("judged", np.full((count, 2), np.nan)),
        columns.get("verdict", np.full(count, NOT_JUDGED)).astype(np.int8),
    )


def forecasts(
    days: int,
    factor: float,
    *,
    measured: bool,
    seed: int,
    prior: WindErrorModel = FORECAST_ERROR,
    surface: SurfaceErrorModel = SURFACE_ERROR,
    every_h: int = 6,
    launch_every_h: int = 3,
    top_m: float = 47_000.0,
) -> Answers:
    """Forecasts of calm air, wrong by `factor` times what the tables say.

    With `measured` the calm was measured, and all of the error is seen. Without, only the model's
    own last word is known: that carries the table's error at its lead, and what the forecast
    grew by since is `factor` times the table's growth.

    A cycle's error hangs together in height as the table says, from one launch hour to the next
    wholly, and from cycle to cycle by a half.
    """
    stream = np.random.default_rng(seed)
    lead = np.arange(0.0, 169.0, launch_every_h)
    sizes = prior.component_sigma_mps(lead, KNOT_HEIGHT_M)
    speed = surface.sigma_mps(lead)
    if not measured:
        sizes = np.sqrt(np.maximum(sizes**2 - sizes[:1] ** 2, 0.0))
        speed = np.sqrt(np.maximum(speed**2 - speed[:1] ** 2, 0.0))
    whole = prior.covariance(np.array([72.0]), KNOT_HEIGHT_M)[0]
    shape = modes(whole) / np.sqrt(np.diag(whole))[:, None]
    made = []
    unit, near = np.zeros((KNOTS, 2)), 0.0
    for number in range(days * 24 // every_h):
        unit = 0.5 * unit + np.sqrt(0.75) * (shape @ stream.normal(size=(KNOTS, 2)))
        near = 0.5 * near + np.sqrt(0.75) * stream.normal()
        cycle = Cycle(FIRST + timedelta(hours=every_h * number), "gfs")
        time = to_unix_s(cycle.reference_utc) + 3600.0 * lead
        wind = factor * sizes[:, :, None] * unit
        wind[:, top_m < KNOT_HEIGHT_M] = np.nan
        made.append(record(cycle, time, wind_mps=wind, speed_mps=20.0 + factor * speed * near))
    if measured:
        time = to_unix_s(FIRST) + 3600.0 * np.arange(0.0, 24.0 * days, launch_every_h)
        calm = np.zeros((time.size, KNOTS, 2))
        made.append(
            record(Cycle(FIRST, OBSERVED), time, wind_mps=calm, speed_mps=np.full(time.size, 20.0))
        )
    return answers_of(made)
