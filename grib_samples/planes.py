"""Every field of the invented week as a plane on the grid, in the order of the files."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from island import GRID_LATITUDE_DEG, GRID_LONGITUDE_DEG, FloatArray
from near_ground import aloft, model_ground, near_ground
from scenario import (
    LEVELS_HPA,
    MEMBER_COUNT,
    MEMBER_CYCLE_H,
    MEMBER_LEVELS_HPA,
    MEMBER_STEPS_H,
    SECOND_LEVELS_HPA,
    SECOND_STEPS_H,
    STEPS_H,
    Departure,
    cycle_departure,
    member_departure,
    second_departure,
)

#: Hours over which precipitation is summed; the window ends at the step.
WINDOW_H = 3

#: Surface fields that each member carries beside its levels.
MEMBER_SURFACE = ("wind_u_10m", "wind_v_10m", "gust")

#: Surface fields that the second model does not have: its steps are too far apart for a sum over
#: three hours, and it has no wind at 100 m.
SECOND_LACKS = frozenset({"precipitation", "wind_u_100m", "wind_v_100m"})


@dataclass(frozen=True)
class Plane:
    """One field: what it is, when, where, whose, and its values.

    Attributes
    ----------
    name : str
        A key of `encode.FIELDS`.
    cycle_h, step_h : int
        Reference time since `scenario.EPOCH` and lead time. [h]
    level_hpa : int or None
        Isobaric level; None for surface fields.
    member : int or None
        0 is the control; None in the deterministic files.
    values : float64 array [13, 13]
        Rows from north to south, columns from west to east.
    """

    name: str
    cycle_h: int
    step_h: int
    level_hpa: int | None
    member: int | None
    values: FloatArray


def cycle_planes(
    cycle_h: int, steps_h: Sequence[int] = STEPS_H, levels_hpa: Sequence[int] = LEVELS_HPA
) -> Iterator[Plane]:
    """Planes of the deterministic forecast of one cycle, step by step."""
    departure = cycle_departure(cycle_h)
    high, low = _fields(departure, cycle_h, steps_h, levels_hpa)
    orography, land = model_ground()
    for index, step in enumerate(steps_h):
        yield from _levels(high, index, cycle_h, step, levels_hpa, None)
        for name, values in low.items():
            if name == "precipitation" and step == 0:
                continue  # nothing has fallen yet: no message, as in real files
            yield Plane(name, cycle_h, step, None, None, values[index])
        if step == 0:
            yield Plane("orography", cycle_h, step, None, None, orography)
            yield Plane("land", cycle_h, step, None, None, land)


def member_planes(
    members: Sequence[int] = tuple(range(MEMBER_COUNT)),
    steps_h: Sequence[int] = MEMBER_STEPS_H,
    levels_hpa: Sequence[int] = MEMBER_LEVELS_HPA,
) -> Iterator[Plane]:
    """Planes of the ensemble of cycle `MEMBER_CYCLE_H`, member by member."""
    for member in members:
        departure = member_departure(member)
        high, low = _fields(departure, MEMBER_CYCLE_H, steps_h, levels_hpa)
        for index, step in enumerate(steps_h):
            yield from _levels(high, index, MEMBER_CYCLE_H, step, levels_hpa, member)
            for name in MEMBER_SURFACE:
                yield Plane(name, MEMBER_CYCLE_H, step, None, member, low[name][index])


def second_planes(
    cycle_h: int,
    steps_h: Sequence[int] = SECOND_STEPS_H,
    levels_hpa: Sequence[int] = SECOND_LEVELS_HPA,
) -> Iterator[Plane]:
    """Planes of one cycle of the second model, step by step."""
    high, low = _fields(second_departure(cycle_h), cycle_h, steps_h, levels_hpa)
    orography, land = model_ground()
    for index, step in enumerate(steps_h):
        yield from _levels(high, index, cycle_h, step, levels_hpa, None)
        for name, values in low.items():
            if name not in SECOND_LACKS:
                yield Plane(name, cycle_h, step, None, None, values[index])
        if step == 0:
            yield Plane("orography", cycle_h, step, None, None, orography)
            yield Plane("land", cycle_h, step, None, None, land)


def _fields(
    departure: Departure, cycle_h: int, steps_h: Sequence[int], levels_hpa: Sequence[int]
) -> tuple[dict[str, FloatArray], dict[str, FloatArray]]:
    """Fields aloft [T, L, Y, X] and near the ground [T, Y, X] of one forecast."""
    hours = cycle_h + np.asarray(steps_h, dtype=np.float64)[:, None, None]
    latitude, longitude = GRID_LATITUDE_DEG[:, None], GRID_LONGITUDE_DEG[None, :]
    orography, land = model_ground()
    zeta = np.log(1000.0 / np.asarray(levels_hpa, dtype=np.float64))
    high = aloft(zeta, hours, departure, latitude, longitude, orography, land)
    low = near_ground(hours, departure, latitude, longitude, orography, land)
    return high, low


def _levels(
    high: dict[str, FloatArray],
    index: int,
    cycle_h: int,
    step_h: int,
    levels_hpa: Sequence[int],
    member: int | None,
) -> Iterator[Plane]:
    for place, level in enumerate(levels_hpa):
        for name, values in high.items():
            yield Plane(name, cycle_h, step_h, level, member, values[index, place])
