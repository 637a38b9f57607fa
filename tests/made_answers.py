"""Answers of made weeks whose truth is known: forecasts that are wrong by as much as is wished."""

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from windowwatch.clock import to_unix_s
from windowwatch.forecast.cycle import Cycle
from windowwatch.learning.record import (
    NOT_JUDGED,
    OBSERVED,
    SURFACE_STEPS,
    Answers,
    SiteRecord,
    answers_of,
)
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


def weeks(days: int, seed: int = 0, sites: tuple[str, ...] = ("North",), model: str = "gfs",
          launch_every_h: int = 1, sure: float = 1.0) -> Iterator[SiteRecord]:  # fmt: skip
    """Whole records of some days, four cycles a day: winds, landings, chances and verdicts.

    A chance is what the hour's hidden weather leaves of it at that lead; with `sure` above 1 it
    is told as surer than it is. Landings are off by as much as is claimed, two fifths more.
    """
    stream = np.random.default_rng(seed)
    lead = np.arange(0.0, 169.0, launch_every_h)
    size = 3.0 + 0.25 * lead  # km
    half_km = 1.1774 * size
    verdicts = np.array([2, 1, 0])
    sigma = FORECAST_ERROR.component_sigma_mps(lead, KNOT_HEIGHT_M)
    growth = np.sqrt(np.maximum(sigma**2 - sigma[:1] ** 2, 0.0))
    hidden = stream.normal(0.0, 1.6, days + 9)
    for number in range(4 * days):
        for name in sites:
            cycle = Cycle(FIRST + timedelta(hours=6 * number), model)
            time = to_unix_s(cycle.reference_utc) + 3600.0 * lead
            day = ((time - to_unix_s(FIRST)) // 86_400.0).astype(int)
            doubt = 0.25 + lead / 120.0
            level = hidden[day] + doubt * stream.normal()
            chance = 1.0 / (1.0 + np.exp(-sure * level / np.sqrt(1.0 + 0.5 * doubt**2)))
            chance = np.round(chance * 32) / 32
            off = 1.4 * size[:, None] * stream.normal(size=2) * (lead[:, None] > 6.0)
            place = np.array([54.0, -3.0]) + off / 111.0
            areas = np.stack([half_km, half_km, 1.82 * half_km, 1.82 * half_km], axis=1) * 1e3
            yield record(
                cycle, time, name,
                wind_mps=8.0 + 1.3 * growth[:, :, None] * stream.normal(size=(KNOTS, 2)),
                speed_mps=6.0 + 0.01 * lead * stream.normal(),
                landing=np.concatenate([place, areas, np.zeros((lead.size, 1))], axis=1),
                judged=np.stack([100.0 * chance, chance], axis=1),
                verdict=verdicts[np.digitize(chance, [0.3, 0.6])],
            )  # fmt: skip


def weather(of: Cycle, site: str = "Millfield", hours: int = 168, seed: int = 1) -> SiteRecord:
    """A week of hours whose weather changes as red noise does, with all that a record holds."""
    stream = np.random.default_rng(seed)
    time = to_unix_s(of.reference_utc) + 3600.0 * np.arange(1.0, hours + 1)

    def wandering(*shape: int, step: float) -> np.ndarray:
        return np.cumsum(stream.normal(0.0, step, (hours, *shape)), axis=0)

    wind = np.cumsum(wandering(KNOTS, 2, step=0.3), axis=1) / 3.0 + 8.0
    wind[:, -3:] = np.nan
    surface = {
        name: np.abs(wandering(step=2.0 * size)) + 20.0 * size
        for name, size in SURFACE_STEPS.items()
    }
    surface["gust_mps"][::5] = np.nan
    place = np.array([45.6, -35.9])
    landing = np.concatenate([
        place + wandering(2, step=0.02), np.abs(wandering(4, step=300.0)) + 9e3,
        np.mod(wandering(1, step=4.0), 180.0),
    ], axis=1)  # fmt: skip
    judged = np.stack([100 * stream.random(hours), stream.integers(0, 17, hours) / 16.0], axis=1)
    verdict = stream.integers(0, 4, hours).astype(np.int8)
    verdict[:3], judged[:3], landing[:3] = NOT_JUDGED, np.nan, np.nan
    return SiteRecord(of, site, time, wind, surface, landing, judged, verdict)
