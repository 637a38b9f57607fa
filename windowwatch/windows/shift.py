"""How far, and which way, a window has gone from what people were last told."""

import math
from dataclasses import dataclass
from datetime import timedelta

from windowwatch.windows.phrases import compass, length, percent
from windowwatch.windows.values import Window

#: Mean radius of the earth, (2a + b) / 3 of the WGS 84 ellipsoid. [km]
MEAN_RADIUS_KM = 6371.0088


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
            km, bearing = distance_and_bearing(
                before.landing_latitude_deg,
                before.landing_longitude_deg,
                after.landing_latitude_deg,
                after.landing_longitude_deg,
            )
    return Shift(
        start=after.start_utc - before.start_utc,
        end=after.end_utc - before.end_utc,
        landing_km=km,
        landing_bearing_deg=bearing,
        score=score,
        chance=chance,
    )


def distance_and_bearing(
    latitude_deg: float, longitude_deg: float, to_latitude_deg: float, to_longitude_deg: float
) -> tuple[float, float]:
    """Great-circle distance on a sphere [km] and bearing at the start, 0 to 360. [deg]

    Haversine form; within 0.6 % of the ellipsoid, which is ample for "31 km further east".
    """
    lat, to_lat = math.radians(latitude_deg), math.radians(to_latitude_deg)
    east = math.radians(to_longitude_deg - longitude_deg)
    half = (
        math.sin((to_lat - lat) / 2.0) ** 2
        + math.cos(lat) * math.cos(to_lat) * math.sin(east / 2.0) ** 2
    )
    km = 2.0 * MEAN_RADIUS_KM * math.asin(min(1.0, math.sqrt(half)))
    bearing = math.atan2(
        math.sin(east) * math.cos(to_lat),
        math.cos(lat) * math.sin(to_lat) - math.sin(lat) * math.cos(to_lat) * math.cos(east),
    )
    return km, math.degrees(bearing) % 360.0


def span_words(shift: Shift) -> list[str]:
    """Say how start and end have moved: ``["starts 2 h later", "ends 1 h earlier"]``."""
    words = []
    for verb, moved in (("starts", shift.start), ("ends", shift.end)):
        if moved:
            words.append(f"{verb} {length(moved)} {'later' if moved > timedelta(0) else 'earlier'}")
    return words


def landing_words(shift: Shift) -> list[str]:
    """Say how the landing has moved: ``["lands 31 km further south-east"]``."""
    if shift.landing_km is None or shift.landing_bearing_deg is None:
        return []
    return [f"lands {shift.landing_km:.0f} km further {compass(shift.landing_bearing_deg)}"]


def quality_words(before: Window, after: Window) -> list[str]:
    """Say score and chance before and after: ``["score 78 to 61", "chance 80 % to 55 %"]``."""
    words = [f"score {before.best_score:.0f} to {after.best_score:.0f}"]
    if before.chance is not None or after.chance is not None:
        words.append(f"chance {percent(before.chance)} to {percent(after.chance)}")
    return words
