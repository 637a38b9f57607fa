"""Outlines of airspace and of the permitted area, for maps. Pure."""

from dataclasses import dataclass
from math import isfinite
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from windowwatch.ground.airspace import AirspaceKind, Level, Volume
from windowwatch.ground.values import Ground
from windowwatch.physics.constants import USSA76_RADIUS_M
from windowwatch.units import M_PER_FOOT


@dataclass(frozen=True)
class Zone:
    """An area that matters to the flight, as maps draw it.

    `kind` is ``"airspace"``, ``"open airspace"`` (which may be entered) or ``"permitted"``;
    `label` its name, with its heights where it has some; `lines` closed rings of latitude and
    longitude, shape [vertex, 2]. [deg]
    """

    kind: str
    label: str
    lines: tuple[NDArray[np.float64], ...]


def zones_of(ground: Ground) -> tuple[Zone, ...]:
    """Every zone that the ground knows: the permitted area, then airspace."""
    zones = []
    if ground.permitted is not None:
        zones.append(Zone("permitted", ground.permitted.name, _rings(ground.permitted.shape)))
    if ground.airspace is not None:
        zones += [
            Zone(
                "airspace" if volume.kind is AirspaceKind.CLOSED else "open airspace",
                _label(volume),
                _rings(volume.shape),
            )
            for volume in ground.airspace.volumes
        ]
    return tuple(zones)


def _rings(shape: Any) -> tuple[NDArray[np.float64], ...]:
    rings = shapely.get_rings(shape)
    return tuple(shapely.get_coordinates(ring)[:, ::-1] for ring in rings)


def _label(volume: Volume) -> str:
    """``Marrowby control zone, ground to 760 m``."""
    floor = "ground" if volume.floor.height_m <= 0.0 else _level(volume.floor)
    span = f"{floor} to {_level(volume.ceiling)}" if isfinite(volume.ceiling.height_m) else (
        f"{floor} and up"
    )  # fmt: skip
    return f"{volume.name}, {span}{', at times' if volume.active else ''}"


def _level(level: Level) -> str:
    """Flight levels count hundreds of feet of geopotential height (ICAO Annex 2, Doc 7488)."""
    if level.by_pressure:
        geopotential_m = USSA76_RADIUS_M * level.height_m / (USSA76_RADIUS_M + level.height_m)
        return f"FL {geopotential_m / M_PER_FOOT / 100.0:.0f}"
    return f"{level.height_m:.0f} m"
