"""How far, and which way, a window has gone from what people were last told."""

from dataclasses import dataclass
from datetime import timedelta

from windowwatch.physics.earth import bearing_deg, distance_m
from windowwatch.windows.causes import QualityMoved
from windowwatch.windows.values import Window


@dataclass(frozen=True)
class Shift:
    """Difference between two versions of a window.

    `start`, `end` : positive when later. `landing_km` and `score`, `chance` (positive when
    better) are None where one side is not known or the two cannot be compared.
    """

    start: timedelta
    end: timedelta
    landing_km: float | None
    landing_bearing_deg: float | None
    score: float | None
    chance: float | None


def shift_between(before: Window, after: Window, *, same_ground: bool) -> Shift:
    """Compare two versions of one window.

    Parameters
    ----------
    before, after : Window
        As last told, and as it is now.
    same_ground : bool
        Whether score, chance and landing may be compared: False when the best hour people
        were told of has gone by or could not be read.
    """
    km = bearing = score = chance = None
    if same_ground:
        score = after.best_score - before.best_score
        if before.chance is not None and after.chance is not None:
            chance = after.chance - before.chance
        if (
            before.landing_latitude_deg is not None
            and before.landing_longitude_deg is not None
            and after.landing_latitude_deg is not None
            and after.landing_longitude_deg is not None
        ):
            ends = (
                before.landing_latitude_deg,
                before.landing_longitude_deg,
                after.landing_latitude_deg,
                after.landing_longitude_deg,
            )
            km = float(distance_m(*ends)) / 1000.0
            bearing = float(bearing_deg(*ends))
    return Shift(
        start=after.start_utc - before.start_utc,
        end=after.end_utc - before.end_utc,
        landing_km=km,
        landing_bearing_deg=bearing,
        score=score,
        chance=chance,
    )


def quality(before: Window, after: Window) -> QualityMoved:
    """Score and chance before and after."""
    return QualityMoved(before.best_score, after.best_score, before.chance, after.chance)
